"""The loop in real time: blocks that come late take the pump off before they are looked at."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from unittest.mock import create_autospec

from controller.engine import Step
from controller.records import Event
from controller.runtime.block_clock import BlockClock
from controller.runtime.ending import StopRequest
from controller.runtime.loop import LoopRun, RunLog, clock_of
from controller.settings import RunSettings
from tests.support.instruments import BLOCK_SAMPLES, RATE_HZ, ScriptedInstrument
from tests.unit.runtime.test_runner import PUMP_ON, FakeEngine

BLOCK_S = BLOCK_SAMPLES / RATE_HZ


class WallClock:
    """Time passes while the instrument reads; as the stream wants, but for one delay."""

    def __init__(self, instrument: ScriptedInstrument, late_block: int, late_s: float) -> None:
        self.now_s, self._due_s = 0.0, 0.0
        self._late_block, self._late_s = late_block, late_s
        instrument.on_read = self._read

    def _read(self, number: int) -> None:
        self._due_s += BLOCK_S
        delay_s = self._late_s if number == self._late_block else 0.0
        self.now_s = max(self.now_s, self._due_s) + delay_s


def run_late(tmp_path: Path, **options: Any) -> tuple[ScriptedInstrument, list[Event]]:
    """Ten blocks, of which the sixth comes three blocks late; the pump is asked on by each."""
    instrument = ScriptedInstrument(blocks=10)
    clock = WallClock(instrument, late_block=5, late_s=3.05 * BLOCK_S)
    log = create_autospec(RunLog, instance=True)
    engine = FakeEngine(dict.fromkeys(range(1, 11), (PUMP_ON,)))
    LoopRun(
        engine,
        instrument,
        log,
        RunSettings(),
        StopRequest(),
        clock=BlockClock(RATE_HZ, 2.0 * BLOCK_S, lambda: clock.now_s),
        **options,
    ).to_the_end(tmp_path)
    return instrument, [call.args[0] for call in log.event.call_args_list]


def test_while_blocks_come_late_the_pump_is_taken_off_before_each(tmp_path: Path) -> None:
    instrument, events = run_late(tmp_path)
    pump = [tone.amplitude for tone in instrument.tones_set if tone.channel == "pump"]
    on, off = PUMP_ON.amplitude, 0.0
    # Block 5 is late, 6 to 8 waited in a queue, and 9 was waited for.
    assert pump == [on] * 5 + [off, on] * 4 + [on, off]
    [late] = [event for event in events if event.kind == "late"]
    assert late.source == "stream" and "0.305 s late" in late.text


def test_who_watches_sees_each_step_and_its_stream_time(tmp_path: Path) -> None:
    seen: list[tuple[Step, float]] = []
    run_late(tmp_path, watch=lambda step, time_s: seen.append((step, time_s)))
    assert [round(time_s, 9) for _, time_s in seen] == [round(0.1 * n, 9) for n in range(1, 11)]
    assert all(step.records for step, _ in seen)


def test_only_an_instrument_in_real_time_has_a_clock() -> None:
    instrument = ScriptedInstrument()
    assert clock_of(instrument, RunSettings()) is None
    instrument.paced = True
    assert clock_of(instrument, RunSettings()) is not None
