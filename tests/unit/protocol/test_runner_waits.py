"""Steps that wait: until a difference has settled, until a mark has come."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from controller.protocol.runner import LoopView
from tests.unit.protocol.played import (
    BLOCK_S,
    HOLD,
    LOCKED,
    WAIT,
    Played,
    played,
)

# -- a difference that settles ------------------------------------------------------------


def test_settle_waits_for_the_predicted_uncertainty() -> None:
    run = played({"step": "settle", "difference_sigma_hz": 1.0e-3}, HOLD)
    for sigma_hz in (None, 2.0e-3, math.nan):
        run.see(replace(LOCKED, difference_sigma_hz=sigma_hz), blocks=3)
    assert run.kinds == []
    run.see(replace(LOCKED, difference_sigma_hz=0.9e-3))
    assert run.kinds == ["settle"]


SETTLE = {"step": "settle", "allan_deviation_hz": 1.0e-3, "averaging_s": 1.0}


def see_differences(run: Played, *differences_hz: float | None) -> None:
    """One estimate of the difference to a block."""
    for difference_hz in differences_hz:
        run.see(replace(LOCKED, differences_hz=(difference_hz,)))


def alternating(swing_hz: float, *, blocks: int, start_hz: float = 6600.0) -> list[float | None]:
    """Means over a second alternate by a swing: an Allan deviation of swing / sqrt 2."""
    per_mean = round(1.0 / BLOCK_S)
    return [start_hz + swing_hz * (n // per_mean % 2) for n in range(blocks)]


def test_settle_waits_for_a_small_allan_deviation_over_three_averaging_times() -> None:
    run = played(SETTLE, HOLD)
    run.see(LOCKED)
    see_differences(run, *alternating(0.0, blocks=23))
    assert run.kinds == []
    see_differences(run, 6600.0)
    assert run.kinds == ["settle"]


@pytest.mark.parametrize(("swing_hz", "is_settled"), [(0.9e-3, True), (2.5e-3, False)])
def test_settle_takes_the_allan_deviation_at_its_averaging_time(
    swing_hz: float, is_settled: bool
) -> None:
    """Between these two the deviation at one second lies for any place of the means."""
    run = played(SETTLE, HOLD)
    run.see(LOCKED)
    see_differences(run, *alternating(swing_hz, blocks=60))
    assert ("settle" in run.kinds) is is_settled


def test_what_was_before_a_settle_does_not_count() -> None:
    run = played(HOLD, SETTLE, HOLD)
    see_differences(run, *alternating(1.0, blocks=9))
    assert run.kinds == ["hold"]
    see_differences(run, *alternating(0.0, blocks=24))
    assert run.kinds == ["hold", "settle"]


def test_a_difference_in_doubt_lets_a_settle_begin_anew() -> None:
    run = played(SETTLE, HOLD)
    run.see(LOCKED)
    see_differences(run, *alternating(0.0, blocks=20), None, *alternating(0.0, blocks=23))
    assert run.kinds == []
    see_differences(run, 6600.0)
    assert run.kinds == ["settle"]


# -- marks ------------------------------------------------------------


def marked(*texts: str) -> LoopView:
    return replace(LOCKED, marks=texts)


def test_a_marker_waits_for_its_own_mark() -> None:
    run = played({"step": "marker", "text": "pixel"}, HOLD)
    run.see(LOCKED, blocks=3)
    run.see(marked("other"), blocks=3)
    assert run.kinds == []
    run.see(marked("pixel"))
    assert run.kinds == ["marker"]


def test_a_mark_ends_one_marker_and_marks_from_before_do_not_count() -> None:
    run = played(HOLD, {"step": "marker"}, {"step": "marker"}, HOLD)
    run.see(marked("early"), blocks=3)
    run.see(LOCKED, blocks=12)
    assert run.kinds == ["hold"]
    run.see(marked("now"))
    run.see(LOCKED, blocks=3)
    assert run.kinds == ["hold", "marker"]


def test_a_mark_in_the_block_in_which_its_marker_begins_is_not_lost() -> None:
    run = played(WAIT, {"step": "marker"}, HOLD)
    run.see(LOCKED, blocks=8)
    assert run.kinds == []
    run.see(marked("at once"))
    assert run.kinds == ["wait"]
    run.see(LOCKED)
    assert run.kinds == ["wait", "marker"]


def test_a_mark_that_is_not_required_is_waited_for_in_vain() -> None:
    run = played({"step": "marker", "timeout_s": 1.0, "required": False}, HOLD)
    run.see(LOCKED, blocks=13)
    [section] = run.sections
    assert section.completed and section.end_s - section.start_s == 1.0 + BLOCK_S


def test_a_required_mark_that_does_not_come_fails_the_protocol() -> None:
    run = played({"step": "marker", "timeout_s": 1.0}, HOLD, retries=0)
    run.see(LOCKED, blocks=20)
    assert run.runner.failure is not None and "it took longer than" in run.runner.failure
