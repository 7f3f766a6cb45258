"""The operator pauses, resumes, skips and stops a protocol."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from controller.protocol.runner import DEFAULT_TIMEOUT_S, LoopView
from controller.supervisor.requests import RequestKind
from tests.unit.protocol.played import (
    BLOCK_S,
    HOLD,
    LOCKED,
    MUTED,
    PUMP_ON,
    PUMPED,
    RING_UP,
    SHORT_PUMP,
    UNKNOWN,
    WAIT,
    Played,
    operator,
    played,
)


def test_a_pause_waits_for_the_end_of_the_step() -> None:
    run = played(HOLD, HOLD)
    run.see(LOCKED, blocks=2)
    run.see(LOCKED, operator(RequestKind.PAUSE))
    assert not run.runner.is_paused
    run.see(LOCKED, blocks=30)
    assert run.runner.is_paused and run.kinds == ["hold"]
    assert run.runner.status == "paused before hold 1 s (2 of 2)"
    run.see(LOCKED, operator(RequestKind.RESUME))
    run.see(LOCKED, blocks=12)
    assert run.runner.is_finished
    assert run.said("request") == ["pause by operator", "resume by operator"]


def paused_before_the_last(*steps: Mapping[str, Any], view: LoopView = LOCKED) -> Played:
    """A protocol that is paused, all steps but the last one done."""
    run = played(*steps)
    while run.runner.number < len(steps) - 1:
        run.see(view)
    run.see(view)
    run.see(view, operator(RequestKind.PAUSE))
    run.see(view, blocks=9)
    assert run.runner.is_paused and len(run.kinds) == len(steps) - 1
    return run


RECORD = {"step": "record", "duration_s": 1.0}


def test_a_lock_that_was_lost_during_a_pause_repeats_what_was_prepared() -> None:
    run = paused_before_the_last(RING_UP, {"step": "release"}, HOLD, RECORD)
    step = run.see(UNKNOWN)
    assert [request.kind for request in step.requests] == [RequestKind.DISARM, RequestKind.DRIVE]
    [said] = run.said("interrupted")
    assert said.startswith("a lock was lost during a pause: back to ring_up")
    run.see(LOCKED, blocks=10)  # locked again by itself
    assert run.runner.is_paused and run.kinds == ["ring_up", "release", "hold"]
    run.see(LOCKED, operator(RequestKind.RESUME))
    run.see(LOCKED, blocks=30)
    assert run.kinds[3:] == ["ring_up", "release", "hold", "record"]
    assert run.runner.is_finished and run.runner.results["repeated"] == 1


def test_a_lock_may_stay_away_as_long_as_a_pause_lasts() -> None:
    run = paused_before_the_last(RING_UP, HOLD, RECORD)
    run.see(UNKNOWN, blocks=round(2.0 * DEFAULT_TIMEOUT_S / BLOCK_S))
    assert run.runner.failure is None
    run.see(UNKNOWN, operator(RequestKind.RESUME))
    run.see(UNKNOWN, blocks=round(DEFAULT_TIMEOUT_S / BLOCK_S) - 2)
    assert run.runner.failure is None
    run.see(UNKNOWN, blocks=4)
    assert run.runner.failure is not None


def test_a_pump_that_was_muted_during_a_pause_is_asked_for_again() -> None:
    run = paused_before_the_last(PUMP_ON, HOLD, RECORD, view=PUMPED)
    run.see(MUTED)
    [said] = run.said("interrupted")
    assert said.startswith("the pump was muted during a pause: back to pump_on")


@pytest.mark.parametrize("last", [RING_UP, WAIT])
def test_a_step_that_needs_no_lock_is_not_repeated_after_a_pause(last: dict[str, Any]) -> None:
    run = paused_before_the_last(HOLD, last)
    run.see(UNKNOWN)
    run.see(LOCKED, operator(RequestKind.RESUME))
    run.see(LOCKED, blocks=12)
    assert run.runner.is_finished and run.runner.results["repeated"] == 0


def test_a_skipped_step_ends_at_once_and_counts_as_not_completed() -> None:
    run = played(HOLD, {"step": "record", "duration_s": 1.0})
    run.see(LOCKED, blocks=3)
    run.see(LOCKED, operator(RequestKind.SKIP))
    [section] = run.sections
    assert (section.completed, section.reason) == (False, "skipped by the operator")
    run.see(LOCKED, blocks=12)
    assert run.kinds == ["hold", "record"] and run.runner.results["repeated"] == 0


def test_the_last_step_skipped_is_the_end_all_the_same() -> None:
    run = played(HOLD)
    run.see(LOCKED)
    step = run.see(LOCKED, operator(RequestKind.SKIP))
    assert run.runner.is_finished
    assert [request.kind for request in step.requests] == [RequestKind.DISARM]
    assert run.said("done") == ["1 steps"]


@pytest.mark.parametrize("pump", [PUMP_ON, SHORT_PUMP])
def test_a_skipped_pump_goes_off(pump: dict[str, Any]) -> None:
    run = played(pump, HOLD)
    run.see(LOCKED)
    step = run.see(LOCKED, operator(RequestKind.SKIP))
    assert RequestKind.DISARM in [request.kind for request in step.requests]
    run.see(LOCKED, blocks=12)
    assert run.kinds == ["pump_on", "hold"] and run.sections[-1].completed


def test_a_stop_ends_the_protocol_with_the_pump_off() -> None:
    run = played(HOLD, HOLD)
    run.see(LOCKED, blocks=3)
    step = run.see(LOCKED, operator(RequestKind.STOP))
    assert run.runner.is_finished and run.runner.status == "protocol stopped"
    assert [request.kind for request in step.requests] == [RequestKind.DISARM]
    assert step.sections[0].reason == "stopped by the operator"
    assert run.said("done") == []


def test_requests_for_others_are_left_to_them() -> None:
    run = played(HOLD)
    run.see(LOCKED, operator(RequestKind.MUTE))
    assert run.said("request") == []
