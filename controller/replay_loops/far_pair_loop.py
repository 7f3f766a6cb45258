"""The loop for lines that filters part: that of `controller.engine` without tones."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from controller.engine import Engine, Step
from controller.instrument import SampleBlock, StreamFormat
from controller.records import ModeRecord, Record, TrackerState
from controller.replay_loops.line_means import LineMeans
from controller.settings import LoopSettings
from controller.supervisor.requests import Request
from controller.tracking.stability import RunningAllan

MOST_BUFFERED_SAMPLES = 2**23  # 64 MB of complex samples, to find lines in


class FarPairLoop:
    """Lines that filters part: the loop of `Engine` without tones.

    The engine listens for a while before it follows. So that the recording is
    followed from its first sample on, a second engine hears the beginning twice:
    once as if it had been played before the recording, to find the lines where
    the first engine found them, and once in its place, to follow them.

    Parameters
    ----------
    settings : LoopSettings
        All settings.
    stream : StreamFormat
        What the samples mean.

    Raises
    ------
    InputError
        See `Engine`.
    """

    def __init__(self, settings: LoopSettings, stream: StreamFormat) -> None:
        self._settings, self._stream = settings, stream
        self._engine = Engine(settings, stream, {})
        # Until the lines are found: what was heard, and what the engine said to it.
        self._beginning: list[SampleBlock] = []
        self._said: list[Step] = []
        self._is_listening = True
        self._means = LineMeans()
        self._failure: str | None = None

    def __repr__(self) -> str:
        return f"FarPairLoop({self.status_line})"

    @property
    def failure(self) -> str | None:
        """Why the lines were not followed."""
        return self._failure or self._engine.failure

    @property
    def has_locked(self) -> bool:
        """Whether both lines were locked at least once."""
        return self._engine.has_locked

    @property
    def finished(self) -> bool:
        """Whether the configured duration, counted from the first lock, is over."""
        return self._engine.finished

    @property
    def allan(self) -> Mapping[str, RunningAllan]:
        """Running Allan deviations of the difference and of each line."""
        return self._engine.allan

    @property
    def results(self) -> Mapping[str, dict[str, object]]:
        """Means over the locked records."""
        return self._means.results()

    @property
    def status_line(self) -> str:
        """The loop in a few words."""
        return self._engine.status_line

    def step(self, block: SampleBlock, requests: Sequence[Request] = ()) -> Step:
        """Take the next block; see `Engine.step`."""
        step = _without_pump(self._engine.step(block, requests))
        if self._is_listening:
            self._beginning.append(block)
            self._said.append(step)
            if _has_found(step):
                step = self._from_the_beginning()
            elif sum(len(each.samples) for each in self._beginning) > MOST_BUFFERED_SAMPLES:
                step = self._without_the_beginning()
            else:
                return Step()
        self._add_to_means(step.records)
        return step

    def finish(self) -> Step:
        """The recording is over."""
        step = self._without_the_beginning()
        self._add_to_means(step.records)
        if not self.has_locked and self._engine.failure is None:
            self._failure = f"the recording ended before both lines were locked: {self.status_line}"
        return step

    def _from_the_beginning(self) -> Step:
        """Follow the beginning with a new engine that already knows the lines."""
        first, end = self._beginning[0].first_sample, _end_of(self._beginning[-1])
        engine = Engine(self._settings, self._stream, {})
        for block in self._beginning:
            early = replace(block, first_sample=block.first_sample - (end - first))
            has_found = _has_found(engine.step(early))
        if not has_found:
            return self._without_the_beginning()
        search_events = [
            event for step in self._said for event in step.events if event.source != "stream"
        ]
        self._said = [_without_pump(engine.step(block)) for block in self._beginning]
        self._engine = engine
        step = self._without_the_beginning()
        events = sorted([*search_events, *step.events], key=lambda event: event.sample_index)
        return Step(records=step.records, events=tuple(events))

    def _without_the_beginning(self) -> Step:
        """What the engine said so far; from here on it speaks for itself."""
        said = self._said
        self._beginning, self._said, self._is_listening = [], [], False
        return Step(
            records=tuple(record for step in said for record in step.records),
            events=tuple(event for step in said for event in step.events),
        )

    def _add_to_means(self, records: Iterable[Record]) -> None:
        for record in records:
            for mode, line in record.modes.items():
                if line.state is TrackerState.LOCKED:
                    self._means.add_line(mode, _frequency_of(line), _growth_of(line))
                    if line.amplitude is not None:
                        self._means.add_amplitude(mode, line.amplitude)
            if all(line.state is TrackerState.LOCKED for line in record.modes.values()):
                self._means.add_difference(
                    _or_nan(record.difference_hz), _or_nan(record.difference_sigma_hz)
                )


def _without_pump(step: Step) -> Step:
    """What the engine says of a pump that is not there is no news."""
    return replace(step, events=tuple(event for event in step.events if event.source != "pump"))


def _has_found(step: Step) -> bool:
    """Whether the engine began to follow: it then tells its rates."""
    return any(event.source == "run" and event.kind == "rates" for event in step.events)


def _end_of(block: SampleBlock) -> int:
    return block.first_sample + len(block.samples)


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value


def _frequency_of(line: ModeRecord) -> tuple[float, float]:
    return _or_nan(line.frequency_hz), _or_nan(line.frequency_sigma_hz)


def _growth_of(line: ModeRecord) -> tuple[float, float]:
    """Growth rate with its sigma, from the decay time of a line that decays [1/s]."""
    if line.decay_time_s is None or line.decay_time_sigma_s is None:
        return math.nan, math.nan
    return -1.0 / line.decay_time_s, line.decay_time_sigma_s / line.decay_time_s**2
