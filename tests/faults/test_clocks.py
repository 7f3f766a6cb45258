"""Clocks that jump: the wall clock is nobody's concern, and a stream that stood still is history.

The only clock of the loop is the sample index. A run in real time has a monotonic clock besides,
which here is told what time it is.
"""

from __future__ import annotations

import time
from datetime import date
from pathlib import Path
from typing import Any, NoReturn
from unittest.mock import create_autospec

import pytest

from controller.engine import Engine
from controller.instrument import Tone
from controller.runtime.block_clock import BlockClock
from controller.runtime.ending import StopRequest
from controller.runtime.log.pieces import Rotation
from controller.runtime.log.reader import LogReader
from controller.runtime.loop import LoopRun, RunLog
from hardware_sim.pacer import Pacer
from tests.support.log_threads import PATIENCE_S, opened, record
from tests.support.rehearsals import prepared, with_pump_early

SHORT = with_pump_early(**{"drive.listen_s": 2.0, "pump.healthy_s": 0.5})
STEP_S = 0.001  # what the loop takes for a block
LATE_S = 0.5
END_S = 16.0


class PacedRun:
    """The loop on a membrane in real time, by a clock of the test's own."""

    def __init__(self, folder: Path, jumps_s: dict[float, float] | None = None) -> None:
        options = {"paced": True, "duration_s": END_S}
        overrides = {f"instrument.options.{name}": value for name, value in options.items()}
        rehearsal = prepared("quiet_room", {**SHORT, **overrides})
        self.now_s = 1000.0
        self._jumps_s = dict(jumps_s or {})  # stream time: how long the machine stands still
        self.simulator = rehearsal.simulator
        self.simulator._pacer = Pacer(lambda: self.now_s, self._sleep)
        read = self.simulator.read

        def timed(timeout_s: float) -> Any:
            block = read(timeout_s)
            self.now_s += STEP_S
            end_s = (block.first_sample + len(block.samples)) / 50_000.0
            for at_s in [at_s for at_s in self._jumps_s if at_s <= end_s]:
                self.now_s += self._jumps_s.pop(at_s)
            return block

        self.simulator.read = timed  # type: ignore[method-assign]
        self.log = create_autospec(RunLog, instance=True)
        configuration = rehearsal.configuration
        engine = Engine(configuration, self.simulator.stream, self.simulator.tones)
        clock = BlockClock(50_000.0, LATE_S, lambda: self.now_s)
        run = LoopRun(
            engine, self.simulator, self.log, configuration.run, StopRequest(), clock=clock
        )
        self.ending = run.to_the_end(folder)

    def _sleep(self, duration_s: float) -> None:
        self.now_s += duration_s

    @property
    def tones(self) -> list[Tone]:
        """What was really set."""
        return [call.args[1] for call in self.log.tone.call_args_list]

    def pump_edges_s(self) -> list[tuple[float, bool]]:
        """When the pump went on (True) and off (False) [s]."""
        edges: list[tuple[float, bool]] = []
        for tone in self.tones:
            is_on = tone.amplitude > 0.0
            if tone.channel == "pump" and is_on != (bool(edges) and edges[-1][1]):
                edges.append((tone.at_sample / 50_000.0, is_on))
        return edges

    def events_of(self, kind: str) -> list[Any]:
        """Events of a kind."""
        events = (call.args[0] for call in self.log.event.call_args_list)
        return [event for event in events if event.kind == kind]


def never(*arguments: object) -> NoReturn:
    """What nobody may call."""
    raise AssertionError("somebody asked for the wall clock")


def test_a_run_in_real_time_never_asks_for_the_wall_clock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("time", "time_ns", "localtime", "gmtime"):
        monkeypatch.setattr(time, name, never)
    run = PacedRun(tmp_path)
    monkeypatch.undo()
    assert run.ending.outcome == "done"
    assert [is_on for _, is_on in run.pump_edges_s()] == [True, False]
    assert run.events_of("late") == []


@pytest.mark.parametrize("stood_s", [0.6, 3.0])
def test_a_machine_that_stood_still_has_its_pump_off_until_it_is_back_in_time(
    tmp_path: Path, stood_s: float
) -> None:
    """Suspended, or starved: its monotonic clock jumps, and blocks have queued up."""
    at_s = 10.0
    run = PacedRun(tmp_path, {at_s: stood_s})
    assert run.ending.outcome == "done"
    [late] = run.events_of("late")
    assert late.time_s == pytest.approx(at_s, abs=0.041)
    (_, on), (off_s, off), (back_s, back), (_, end) = run.pump_edges_s()
    assert (on, off, back, end) == (True, False, True, False)
    # With the first block that is looked at; what lay in the queue is history.
    assert off_s == pytest.approx(at_s, abs=0.041)
    assert back_s >= at_s + stood_s
    assert back_s <= at_s + stood_s + 0.5 + 1.0


def test_days_that_come_twice_cost_no_row(tmp_path: Path) -> None:
    """A wall clock that is set forward and back again begins pieces, and that is all."""
    days = [date(2031, 3, day) for day in (4, 5, 4, 3, 4)]
    today = {"is": days[0]}
    log = opened(tmp_path / "log.sqlite", rotation=Rotation(daily=True), today=lambda: today["is"])
    for place, day in enumerate(days):
        today["is"] = day
        log.record(record(place))
        assert log.wait_until_written(PATIENCE_S)
    log.close("done")
    with LogReader(tmp_path) as reader:
        assert reader.outcome == "done"
        assert reader.columns(["time_s"])["time_s"].tolist() == [0.0, 0.1, 0.2, 0.3, 0.4]
        assert 4 <= len(reader.file_names) <= 5
