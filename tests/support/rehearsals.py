"""Scenarios run through the engine alone, with everything that happened kept.

No runner, no files but the truth: what a test looks at is the engine's own
tones, records and events, and what the simulated instrument made of them.
"""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

from controller.engine import Engine, Step
from controller.instrument import SampleBlock, StreamEnded, StreamTimeout, Tone, ToneRefused
from controller.protocol.checks import check_plan
from controller.protocol.language import ProtocolPlan, with_parameters
from controller.protocol.runner import ProtocolRunner
from controller.records import Baseband, Event, ModeId, Record, Section, TrackerState
from controller.runtime.log.reader import LoggedTone
from controller.runtime.protocols import protocol_file
from controller.runtime.summary import pump_account
from controller.settings import Configuration
from controller.supervisor.following import Following
from controller.supervisor.requests import Request, RequestKind
from hardware_sim.simulator import SimulatedMembrane

SCENARIOS = Path(__file__).resolve().parents[2] / "hardware_sim" / "scenarios"
RAMP_S = 0.005  # the setting's default: the tone is off when its ramp is over

BlockFilter = Callable[[SampleBlock], Sequence[SampleBlock]]


@dataclass(frozen=True, kw_only=True)
class SetTone:
    """A command, when it was given, and what became of it."""

    asked: Tone
    actual: Tone | None  # None: refused
    at_index: int  # end of the stream when it was given


@dataclass(kw_only=True)
class Rehearsal:
    """A scenario that is being run, and all that came of it."""

    configuration: Configuration
    simulator: SimulatedMembrane
    engine: Engine
    refuses: Callable[[Tone], bool] = lambda tone: False
    filtered: BlockFilter = lambda block: (block,)
    records: list[Record] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    tones: list[SetTone] = field(default_factory=list)
    sections: list[Section] = field(default_factory=list)
    basebands: list[Baseband] = field(default_factory=list)
    end_index: int = 0

    @property
    def rate_hz(self) -> float:
        """Rate of the stream [Hz]."""
        return self.simulator.stream.sample_rate_hz

    @property
    def following(self) -> Following:
        """What follows both modes now; only where something does."""
        found = self.engine._following
        assert found is not None
        return found

    def until(
        self, time_s: float = float("inf"), *, requests: Mapping[float, Request] | None = None
    ) -> Rehearsal:
        """Go on to a stream time, or to the end of the run.

        Parameters
        ----------
        time_s : float
            Stream time [s].
        requests : mapping of float to Request, optional
            What the operator asks with the first block that ends after a time [s].
        """
        waiting = dict(sorted((requests or {}).items()))
        self.simulator.start()
        while not self.engine.finished and self.engine.failure is None:
            if self.end_index >= time_s * self.rate_hz:
                break
            try:
                read = self.simulator.read(1.0)
            except StreamTimeout:
                for tone in self.engine.stop_tones():
                    if tone.channel == "pump":
                        self._set(tone)
                continue
            except StreamEnded:
                break
            for block in self.filtered(read):
                self.end_index = max(self.end_index, block.first_sample + len(block.samples))
                due = [at for at in waiting if at * self.rate_hz <= self.end_index]
                self._take(self.engine.step(block, [waiting.pop(at) for at in due]))
        return self

    def finish(self) -> Rehearsal:
        """End the run as the runner does."""
        for tone in self.engine.stop_tones():
            self._set(tone)
        last = self.engine.finish()
        self.records.extend(last.records)
        self.events.extend(last.events)
        return self

    def _take(self, step: Step) -> None:
        self.records.extend(step.records)
        self.events.extend(step.events)
        self.sections.extend(step.sections)
        self.basebands.extend(step.basebands)
        for tone in sorted(step.tones, key=lambda tone: tone.amplitude > 0.0):
            self._set(tone)

    def _set(self, tone: Tone) -> None:
        actual, reason = None, "as the test says"
        if not self.refuses(tone):
            try:
                actual = self.simulator.set_tone(tone)
            except ToneRefused as error:
                reason = str(error)
        self.tones.append(SetTone(asked=tone, actual=actual, at_index=self.end_index))
        self.events.extend(self.engine.tone_set(tone, actual, reason))

    # -- what came of it -----------------------------------------------------------

    def events_of(self, source: str, *kinds: str) -> list[Event]:
        """Events of a source, of certain kinds."""
        return [e for e in self.events if e.source == source and (not kinds or e.kind in kinds)]

    def pump_edges_s(self) -> list[tuple[float, bool]]:
        """When the pump's output came on (True) and when its ramp down was over (False) [s]."""
        edges: list[tuple[float, bool]] = []
        is_on = False
        for entry in self.tones:
            if entry.actual is None or entry.actual.channel != "pump":
                continue
            will_be_on = entry.actual.amplitude > 0.0
            if will_be_on != is_on:
                at_s = entry.actual.at_sample / self.rate_hz
                edges.append((at_s if will_be_on else at_s + entry.actual.ramp_s, will_be_on))
            is_on = will_be_on
        return edges

    def off_after_s(self, time_s: float) -> float:
        """How long after a time the pump's output was off, without the channel's latency [s]."""
        latency_s = self.simulator.tones["pump"].latency_samples / self.rate_hz
        off_s = next(at for at, is_on in self.pump_edges_s() if not is_on and at > time_s)
        return off_s - time_s - latency_s

    def on_again_s(self, time_s: float) -> float | None:
        """When the pump first came on after a time [s]."""
        return next((at for at, is_on in self.pump_edges_s() if is_on and at > time_s), None)

    def pump_is_on(self) -> bool:
        """Whether the pump's output is on now."""
        edges = self.pump_edges_s()
        return bool(edges) and edges[-1][1]

    def account(self) -> dict[str, Any]:
        """What the runtime's own audit says of the pump, as in `summary.json`."""
        commands = [
            LoggedTone(
                sample_index=entry.at_index,
                time_s=entry.at_index / self.rate_hz,
                asked=entry.asked,
                set_tone=entry.actual,
                reason="",
            )
            for entry in self.tones
            if entry.asked.channel == "pump"
        ]
        log = SimpleNamespace(
            channels=self.simulator.tones,
            stream=self.simulator.stream,
            events=lambda: iter(self.events),
            tones=lambda name: iter(commands),
        )
        return pump_account(log, self.end_index / self.rate_hz)  # type: ignore[arg-type]

    def column(self, value: Callable[[Record], float | None]) -> np.ndarray:
        """A value of every record, NaN where it is not known."""
        found = (value(record) for record in self.records)
        return np.array([np.nan if each is None else each for each in found])

    def times_s(self) -> np.ndarray:
        """Stream times of the records [s]."""
        return self.column(lambda record: record.time_s)

    def are_locked(self) -> np.ndarray:
        """Whether both modes were locked, of every record."""
        states = ([mode.state for mode in record.modes.values()] for record in self.records)
        return np.array([all(state is TrackerState.LOCKED for state in each) for each in states])

    def truth(self, folder: Path) -> np.ndarray:
        """The simulator's truth, a structured array, by way of an empty folder."""
        self.simulator.write_truth(folder)
        return np.genfromtxt(folder / "truth.csv", delimiter=",", names=True)


def prepared(
    scenario: str = "quiet_room",
    overrides: Mapping[str, Any] | None = None,
    protocol: ProtocolPlan | None = None,
    **hooks: Any,
) -> Rehearsal:
    """A shipped scenario, ready to run.

    Parameters
    ----------
    scenario : str
        Its name.
    overrides : mapping of str to any, optional
        Dotted keys and what they are set to.
    protocol : ProtocolPlan, optional
        What is carried out; checked as for a run.
    **hooks
        `refuses` and `filtered` of `Rehearsal`.
    """
    table = tomllib.loads((SCENARIOS / f"{scenario}.toml").read_text())
    for dotted, value in (overrides or {}).items():
        *path, last = dotted.split(".")
        inner = table
        for key in path:
            inner = inner.setdefault(key, {})
        inner[last] = copy.deepcopy(value)
    configuration = Configuration.model_validate(table)
    simulator = SimulatedMembrane(**configuration.instrument.options)
    runner = None
    if protocol is not None:
        check_plan(protocol, configuration, simulator.tones, simulator.stream)
        runner = ProtocolRunner.of(protocol, configuration)
    engine = Engine(configuration, simulator.stream, simulator.tones, runner)
    return Rehearsal(configuration=configuration, simulator=simulator, engine=engine, **hooks)


def shipped_plan(name: str, **values: float) -> ProtocolPlan:
    """A shipped protocol with other values of its parameters."""
    return with_parameters(protocol_file(name).plan, values)


def request(kind: RequestKind, value: float = 0.0, text: str = "") -> Request:
    """What an operator asks."""
    return Request(kind=kind, value=value, text=text)


def with_pump_early(**overrides: Any) -> dict[str, Any]:
    """Overrides for short runs: the pump on within ten seconds, its shift known."""
    return {
        "run.pump_from_s": 0.0,
        "pump.healthy_s": 1.0,
        "modes.lower.pump_shift_sigma_hz_per_v2": 1.0e-4,
        "modes.upper.pump_shift_sigma_hz_per_v2": 1.0e-4,
        **overrides,
    }


def state_changes(rehearsal: Rehearsal, mode: ModeId) -> list[tuple[float, str]]:
    """Times and new states of one tracker."""
    return [
        (event.time_s, event.text.partition(" -> ")[2].partition(":")[0])
        for event in rehearsal.events_of(mode.value, "state")
    ]
