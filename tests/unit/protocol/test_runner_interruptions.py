"""Where a lock is lost, a pump goes off or a release is refused, a protocol repeats or fails."""

from __future__ import annotations

from dataclasses import replace

from controller.protocol.runner import DEFAULT_TIMEOUT_S, KNOWN_WITHIN_S
from controller.supervisor.requests import RequestKind
from tests.unit.protocol.played import (
    BLOCK_S,
    HOLD,
    LOCKED,
    MUTED,
    OVER,
    PUMP_ON,
    PUMPED,
    RING_UP,
    SHORT_PUMP,
    UNKNOWN,
    WAIT,
    played,
)


def test_a_lost_lock_repeats_from_where_the_modes_were_prepared() -> None:
    ring_up = {"step": "ring_up", "amplitude_m": 1.0e-9}
    run = played(
        {"step": "find"},
        {"step": "lock"},
        HOLD,
        ring_up,
        {"step": "settle", "difference_sigma_hz": 1.0e-3},
        {"step": "release"},
        {"step": "record", "duration_s": 1.0},
    )
    run.see(LOCKED, blocks=18)
    assert run.runner.status.startswith("record")
    step = run.see(UNKNOWN)
    assert [request.kind for request in step.requests] == [RequestKind.DISARM, RequestKind.DRIVE]
    [cut] = step.sections
    assert (cut.kind, cut.completed, cut.reason, cut.attempt) == (
        "record",
        False,
        "a lock was lost",
        1,
    )
    assert run.said("interrupted") == ["a lock was lost: back to ring_up both to 1e-09 m, repeat 1"]
    run.see(UNKNOWN, blocks=30)
    assert run.runner.status.startswith("recovering, then ring_up")
    run.see(LOCKED, blocks=20)
    assert run.runner.is_finished
    again = run.kinds[run.kinds.index("record") + 1 :]
    assert again == ["ring_up", "settle", "release", "record"]
    assert run.sections[-1].completed and run.sections[-1].attempt == 2
    assert run.runner.results["repeated"] == 1


def test_a_step_that_waits_is_not_interrupted_by_a_lost_lock() -> None:
    run = played(WAIT, HOLD)
    run.see(LOCKED, blocks=3)
    run.see(UNKNOWN, blocks=9)
    assert run.kinds == ["wait"]


def test_a_step_that_begins_without_a_known_difference_has_a_second() -> None:
    run = played({"step": "record", "duration_s": 5.0}, HOLD)
    run.see(UNKNOWN, blocks=round(KNOWN_WITHIN_S / BLOCK_S))
    assert run.sections == []
    run.see(UNKNOWN, blocks=3)
    assert [section.reason for section in run.sections] == ["a lock was lost"]


def test_a_pump_that_is_muted_within_its_time_interrupts_its_step() -> None:
    run = played(RING_UP, {"step": "release"}, SHORT_PUMP)
    run.see(LOCKED, blocks=4)
    run.see(PUMPED, blocks=5)
    run.see(MUTED)
    assert run.kinds == ["ring_up", "release", "pump_on"]
    assert run.sections[-1].reason == "the pump was muted"
    run.see(LOCKED, blocks=3)
    run.see(PUMPED, blocks=5)
    run.see(OVER)
    assert run.kinds[3:] == ["ring_up", "release", "pump_on"]
    assert run.sections[-1].completed and run.sections[-1].attempt == 2


def test_a_pump_that_is_taken_off_before_its_time_is_not_over() -> None:
    run = played(SHORT_PUMP, HOLD)
    run.see(LOCKED)
    run.see(PUMPED, blocks=3)
    run.see(LOCKED)
    assert [section.reason for section in run.sections] == ["the pump went off"]


def test_a_pump_that_goes_off_interrupts_the_steps_after_it() -> None:
    run = played(PUMP_ON, HOLD)
    run.see(LOCKED)
    run.see(PUMPED, blocks=3)
    run.see(MUTED)
    assert run.sections[-1].kind == "hold"
    assert run.sections[-1].reason == "the pump was muted"


def test_a_muted_pump_is_waited_for_until_its_timeout() -> None:
    run = played(RING_UP, PUMP_ON | {"timeout_s": 3.0}, HOLD)
    run.see(LOCKED, blocks=2)
    run.see(MUTED, blocks=24)
    assert run.kinds == ["ring_up"]
    run.see(MUTED)
    assert run.sections[-1].reason == "it took longer than 3.12 s"


def test_a_pump_on_its_way_may_take_its_timeout_and_its_duration() -> None:
    run = played(SHORT_PUMP | {"timeout_s": 1.0}, HOLD)
    run.see(LOCKED, blocks=8)
    run.see(PUMPED, blocks=16)
    run.see(OVER)
    assert run.kinds == ["pump_on"] and run.sections[0].completed


def test_a_preparing_step_waits_where_a_lock_is_lost_but_not_forever() -> None:
    run = played(RING_UP | {"timeout_s": 2.0}, HOLD)
    run.see(LOCKED)
    run.see(UNKNOWN, blocks=16)
    assert run.sections == []
    run.see(UNKNOWN)
    assert run.sections[-1].reason == "it took longer than 2.12 s"


REFUSED = replace(LOCKED, release_refusal=lambda mode: f"{mode or 'both'} cannot go")


def test_a_release_that_the_loop_refuses_is_a_failed_attempt() -> None:
    run = played(RING_UP, {"step": "release", "mode": "upper"}, HOLD)
    run.see(LOCKED)
    step = run.see(REFUSED)
    assert [request.kind for request in step.requests] == [RequestKind.DISARM, RequestKind.DRIVE]
    cut = run.sections[-1]
    assert (cut.kind, cut.completed, cut.attempt) == ("release", False, 1)
    assert cut.reason == "release refused: upper cannot go"
    run.see(LOCKED, blocks=15)
    assert run.kinds == ["ring_up", "release", "ring_up", "release", "hold"]
    assert run.runner.is_finished and run.sections[-2].attempt == 2


def test_a_release_that_is_refused_again_and_again_fails_the_protocol() -> None:
    run = played(RING_UP, {"step": "release"}, HOLD, retries=1)
    run.see(REFUSED, blocks=10)
    said = "release both (step 2): release refused: both cannot go, 1 repeats"
    assert run.runner.failure == said == run.runner.results["failure"]


def test_once_the_retries_are_used_up_the_protocol_has_failed() -> None:
    run = played(RING_UP, {"step": "hold", "duration_s": 100.0}, retries=2)
    for _ in range(3):
        run.see(LOCKED, blocks=5)
        run.see(UNKNOWN)
    assert run.runner.failure == "hold 100 s (step 2): a lock was lost, 2 repeats"
    assert run.said("failed") == [run.runner.failure]
    assert [s.attempt for s in run.sections if s.kind == "hold"] == [1, 2, 3]
    count = len(run.requests)
    run.see(LOCKED, blocks=5)
    assert len(run.requests) == count and not run.runner.is_finished


def test_a_lock_that_does_not_come_back_fails_the_protocol() -> None:
    run = played(RING_UP, {"step": "hold", "duration_s": 100.0})
    run.see(LOCKED, blocks=5)
    run.see(UNKNOWN, blocks=round(DEFAULT_TIMEOUT_S / BLOCK_S))
    assert run.runner.failure is None
    run.see(UNKNOWN, blocks=3)
    assert run.runner.failure is not None
    assert run.runner.failure.endswith("no lock within 300 s")
