"""Steps are carried out in order, and what came of them is told."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.records import ModeId
from controller.supervisor.requests import RequestKind
from tests.unit.protocol.played import (
    HOLD,
    LOCKED,
    NOWHERE,
    OVER,
    PUMPED,
    RING_UP,
    UNKNOWN,
    WAIT,
    played,
)

# -- one step after the other ------------------------------------------------------------


def test_steps_go_by_in_order_and_each_leaves_a_section() -> None:
    run = played({"step": "find"}, {"step": "lock"}, RING_UP, {"step": "release"}, HOLD)
    run.see(NOWHERE, blocks=3)
    assert run.runner.status == "find (1 of 5)"
    run.see(LOCKED, blocks=15)
    assert run.kinds == ["find", "lock", "ring_up", "release", "hold"]
    assert [section.number for section in run.sections] == [1, 2, 3, 4, 5]
    assert all(s.completed and s.attempt == 1 and s.reason == "" for s in run.sections)
    for before, after in zip(run.sections, run.sections[1:], strict=False):
        assert after.start_s == before.end_s
    assert run.runner.is_finished and run.runner.status == "protocol done"
    assert run.said("done") == ["5 steps"]


def test_the_end_asks_the_pump_off_and_says_so_once() -> None:
    run = played(HOLD)
    run.see(LOCKED, blocks=20)
    assert [request.kind for request in run.requests] == [RequestKind.DISARM]
    assert len(run.said("done")) == 1


def test_every_step_is_announced_with_its_number_and_title() -> None:
    run = played(HOLD, {"step": "record", "name": "free", "duration_s": 2.0})
    run.see(LOCKED, blocks=12)
    assert run.said("step") == ["1 of 2: hold 1 s", "2 of 2: free: record 2 s"]


def test_find_ends_with_modes_that_are_followed_and_lock_with_locked_ones() -> None:
    run = played({"step": "find"}, {"step": "lock"}, HOLD)
    run.see(NOWHERE, blocks=5)
    assert run.kinds == []
    run.see(replace(NOWHERE, are_followed=True), blocks=5)
    assert run.kinds == ["find"]
    run.see(LOCKED)
    assert run.kinds == ["find", "lock"]


@pytest.mark.parametrize(
    ("amplitude_m", "is_up"), [(0.85e-9, False), (0.95e-9, True), (1.05e-9, True), (1.2e-9, False)]
)
def test_a_ring_up_ends_within_a_tenth_of_its_amplitude(amplitude_m: float, is_up: bool) -> None:
    run = played(RING_UP, HOLD)
    amplitudes_m = {ModeId.LOWER: 0.0, ModeId.UPPER: amplitude_m}
    run.see(replace(LOCKED, amplitudes_m=amplitudes_m), blocks=3)
    assert (run.kinds == ["ring_up"]) is is_up


def test_a_ring_up_needs_locked_modes() -> None:
    run = played(RING_UP, HOLD)
    run.see(replace(LOCKED, are_locked=False), blocks=3)
    assert run.kinds == []


@pytest.mark.parametrize("kind", ["hold", "record", "wait"])
def test_a_timed_step_lasts_as_long_as_it_says(kind: str) -> None:
    run = played({"step": kind, "duration_s": 2.0})
    run.see(LOCKED, blocks=40)
    [section] = run.sections
    assert section.end_s - section.start_s == pytest.approx(2.0)


def test_a_swept_value_stands_in_the_section() -> None:
    pump = {"step": "pump_on", "amplitude": {"value_of": "level"}, "duration_s": 1.0}
    run = played({"step": "sweep", "parameter": "level", "values": [0.1, 0.2], "steps": [pump]})
    for _ in range(2):
        run.see(LOCKED)
        run.see(PUMPED, blocks=3)
        run.see(OVER)
    assert [s.parameters["level"] for s in run.sections] == [0.1, 0.2]
    assert [s.parameters["amplitude"] for s in run.sections] == [0.1, 0.2]


# -- recording ------------------------------------------------------------


def test_basebands_are_wanted_while_a_recorded_step_lasts() -> None:
    run = played(HOLD, {"step": "record", "duration_s": 1.0}, WAIT | {"record": True}, HOLD)
    wanted = []
    while not run.runner.is_finished:
        run.see(LOCKED)
        wanted.append((len(run.kinds), run.runner.is_recording))
    assert wanted == [(done, done in (1, 2)) for done, _ in wanted]


# -- the standard facts ------------------------------------------------------------


def test_the_time_left_counts_down_by_the_plan() -> None:
    run = played(HOLD, HOLD, HOLD)
    assert run.runner.remaining_s == pytest.approx(3.0)
    run.see(LOCKED, blocks=5)
    assert run.runner.remaining_s == 2.5
    run.see(LOCKED, blocks=40)
    assert run.runner.remaining_s == 0.0


def test_the_results_tell_how_it_went() -> None:
    run = played(HOLD, HOLD, title="Two holds", analysis="exchange")
    run.see(LOCKED, blocks=15)
    assert run.runner.results == {
        "title": "Two holds",
        "analysis": "exchange",
        "steps": 2,
        "done": 1,
        "repeated": 0,
        "failure": None,
    }
    assert run.runner.number == 2
    run.see(LOCKED, blocks=15)
    assert run.runner.results["done"] == run.runner.number == 2


def test_copy_goes_on_alike_and_reset_is_new() -> None:
    run = played(RING_UP, HOLD)
    run.see(LOCKED, blocks=4)
    twin = run.runner.copy()
    view = replace(UNKNOWN, time_s=9.0, sample_index=9000)
    assert twin.process(view) == run.runner.process(view)
    assert repr(twin) == repr(run.runner) and "recovering" in repr(twin)
    twin.reset()
    assert repr(twin) == repr(played(RING_UP, HOLD).runner)
    assert twin.failure is None and not twin.is_finished
