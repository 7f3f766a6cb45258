"""Runs on the simulated membrane that fail at any call, and tones that take effect too late.

The whole loop with the runner around it, in virtual time; what every output really puts out
is looked at in the simulator itself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest.mock import create_autospec

import pytest

from controller.engine import Engine
from controller.instrument import InstrumentFault, SampleBlock, StreamTimeout, Tone
from controller.runtime.ending import StopRequest
from controller.runtime.loop import Ending, LoopRun, RunLog
from tests.support.rehearsals import RAMP_S, Rehearsal, prepared, with_pump_early

SHORT = with_pump_early(**{"drive.listen_s": 2.0, "pump.healthy_s": 0.5})
FAULTS = "instrument.options.faults."
AT_S, BLOCK_S = 7.0, 0.02
WITHIN_S = 0.050
END_S = 8.0
# Early ones one by one, later ones with ever larger steps; the pump comes on at about the 350th
# block, with the 70th tone.
READS = (1, 2, 26, 57, 100, 170, 230, 340, 352, 390)
TONES = (1, 2, 3, 4, 5, 8, 13, 21, 34, 55, 70, 71, 72, 80)


class FailingRun:
    """One run of the real loop on a membrane of which one call fails."""

    def __init__(self, folder: Path, method: str, number: int, error: Exception) -> None:
        rehearsal = prepared("quiet_room", {**SHORT, "instrument.options.duration_s": END_S})
        self.simulator = rehearsal.simulator
        self.count = 0
        self.tones_after: list[Tone] = []
        self._number, self._error = number, error
        self._has_failed = False
        for name in ("read", "set_tone"):
            failing = self._failing if name == method else self._working
            setattr(self.simulator, name, failing(getattr(self.simulator, name)))
        self.log = create_autospec(RunLog, instance=True)
        configuration = rehearsal.configuration
        engine = Engine(configuration, self.simulator.stream, self.simulator.tones)
        run = LoopRun(engine, self.simulator, self.log, configuration.run, StopRequest())
        self.ending = run.to_the_end(folder)

    def _working(self, method: Callable[..., Any]) -> Callable[..., Any]:
        def called(argument: Any) -> Any:
            if self._has_failed and isinstance(argument, Tone):
                self.tones_after.append(argument)
            return method(argument)

        return called

    def _failing(self, method: Callable[..., Any]) -> Callable[..., Any]:
        working = self._working(method)

        def called(argument: Any) -> Any:
            self.count += 1
            if self.count == self._number:
                self._has_failed = True
                raise self._error
            return working(argument)

        return called

    def amplitudes(self) -> set[float]:
        """What the outputs put out a second after the end, whatever is under way."""
        later = self.simulator._position + round(self.simulator.stream.sample_rate_hz)
        outputs = self.simulator._apparatus.outputs.values()
        return {output.at(later).amplitude_at(later) for output in outputs}


@pytest.mark.parametrize(
    ("method", "number"), [*(("read", n) for n in READS), *(("set_tone", n) for n in TONES)]
)
def test_whichever_call_fails_every_output_goes_off_pump_first(
    tmp_path: Path, method: str, number: int
) -> None:
    error = InstrumentFault("unplugged") if number % 2 else OSError(5, "unplugged")
    run = FailingRun(tmp_path, method, number, error)
    assert run.count >= number
    assert run.ending.outcome == "failed" and "unplugged" in run.ending.reason
    assert "\n" not in run.ending.reason
    off = [(tone.channel, tone.amplitude) for tone in run.tones_after]
    assert off == [("pump", 0.0), ("drive_lower", 0.0), ("drive_upper", 0.0)]
    assert run.amplitudes() == {0.0}
    assert run.log.close.call_args_list[0].args == ("failed", run.ending.reason)


def test_a_run_of_which_no_call_fails_is_done(tmp_path: Path) -> None:
    run = FailingRun(tmp_path, "read", 100_000, StreamTimeout("never"))
    assert run.ending == Ending("done")
    assert run.amplitudes() == {0.0}


# -- tones that take effect too late -------------------------------------------------------


def with_late_tones(late_s: float, overrides: dict[str, Any], **hooks: Any) -> Rehearsal:
    """A membrane whose pump is behind its commands, and says so."""
    rehearsal = prepared("quiet_room", {**SHORT, **overrides}, **hooks)
    simulator = rehearsal.simulator
    set_tone, latency = simulator.set_tone, simulator.tones["pump"].latency_samples

    def later(tone: Tone) -> Tone:
        if tone.channel != "pump":
            return set_tone(tone)
        begins = max(tone.at_sample, simulator._position + latency)
        return set_tone(replace(tone, at_sample=begins + round(late_s * rehearsal.rate_hz)))

    simulator.set_tone = later  # type: ignore[method-assign]
    return rehearsal


def test_a_pump_that_is_a_little_late_is_off_in_time_and_on_the_difference() -> None:
    late_s = 0.01
    overload = {FAULTS + "overload": [{"at_s": AT_S, "duration_s": 0.01}]}
    rehearsal = with_late_tones(late_s, overload).until(AT_S + 6.0)
    off_s = rehearsal.off_after_s(AT_S)
    assert off_s <= BLOCK_S + RAMP_S + late_s + 1e-9 <= WITHIN_S
    assert rehearsal.account()["on_outside_interlock_s"] == 0.0
    assert rehearsal.pump_is_on()
    record = rehearsal.records[-1]
    assert record.pump_hz == pytest.approx(6643.249, abs=5e-3)


def test_a_pump_that_is_far_too_late_is_not_called_safe() -> None:
    """Nothing can be done about such a generator; but the account of the run has to say it."""
    late_s = 0.5
    overload = {FAULTS + "overload": [{"at_s": AT_S, "duration_s": 2.0 * late_s}]}
    rehearsal = with_late_tones(late_s, overload).until(AT_S + 2.0)
    off_s = rehearsal.off_after_s(AT_S)
    assert off_s == pytest.approx(BLOCK_S + RAMP_S + late_s, abs=BLOCK_S)
    outside_s = rehearsal.account()["on_outside_interlock_s"]
    # The evidence is there at the end of its block.
    assert outside_s == pytest.approx(off_s - BLOCK_S - WITHIN_S, abs=1e-6)


# -- streams that end or stand still -------------------------------------------------------


def test_a_stream_that_is_frozen_for_good_ends_with_the_pump_off() -> None:
    kept: list[SampleBlock] = []

    def frozen(block: SampleBlock) -> list[SampleBlock]:
        if block.first_sample < AT_S * 50_000.0:
            kept[:] = [block]
            return [block]
        return [replace(block, samples=kept[0].samples)]

    rehearsal = prepared("quiet_room", SHORT, filtered=frozen).until(AT_S + 20.0)
    assert rehearsal.off_after_s(AT_S) <= BLOCK_S + RAMP_S + 1e-9
    assert rehearsal.on_again_s(AT_S) is None
    last = [record for record in rehearsal.records if record.time_s > AT_S + 0.1]
    assert all(mode.state != "locked" for record in last for mode in record.modes.values())
    assert rehearsal.account()["on_outside_interlock_s"] == 0.0
