"""Steps are carried out in order, by what the loop shows, and repeated where it fails."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import pytest

from controller.protocol.runner import (
    DEFAULT_TIMEOUT_S,
    KNOWN_WITHIN_S,
    LoopView,
    ProtocolRunner,
    ProtocolStep,
)
from controller.records import Event, ModeId, PumpState, Section
from controller.supervisor.requests import PumpWish, Request, RequestKind
from tests.unit.protocol.plans import loop_settings, plan_of

BLOCK_S = 0.125  # a power of two: times are exact
RATE_HZ = 1000.0

NOWHERE = LoopView(
    sample_index=0,
    time_s=0.0,
    are_followed=False,
    are_known=False,
    are_locked=False,
    amplitudes_m=dict.fromkeys(ModeId, 0.0),
    difference_sigma_hz=None,
    tick_s=BLOCK_S,
    differences_hz=(),
    release_refusal=lambda mode: "",
    pump_state=PumpState.OFF,
    is_pump_over=False,
)
LOCKED = replace(
    NOWHERE,
    are_followed=True,
    are_known=True,
    are_locked=True,
    amplitudes_m=dict.fromkeys(ModeId, 1.0e-9),
    difference_sigma_hz=1.0e-4,
)
UNKNOWN = replace(LOCKED, are_known=False, are_locked=False, difference_sigma_hz=None)
PUMPED = replace(LOCKED, pump_state=PumpState.ON)
MUTED = replace(LOCKED, pump_state=PumpState.MUTED)
OVER = replace(LOCKED, is_pump_over=True)


@dataclass
class Played:
    """A protocol that is shown one view after the other."""

    runner: ProtocolRunner
    time_s: float = 0.0
    sections: list[Section] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    requests: list[Request] = field(default_factory=list)

    def see(self, view: LoopView, *requests: Request, blocks: int = 1) -> ProtocolStep:
        """Go on by some blocks that all show the same."""
        for _ in range(blocks):
            self.time_s += BLOCK_S
            now = replace(view, time_s=self.time_s, sample_index=round(self.time_s * RATE_HZ))
            step = self.runner.process(now, requests)
            self.sections += step.sections
            self.events += step.events
            self.requests += step.requests
        return step

    @property
    def kinds(self) -> list[str]:
        """Kinds of the sections, in order."""
        return [section.kind for section in self.sections]

    def said(self, kind: str) -> list[str]:
        """Texts of the events of a kind."""
        return [event.text for event in self.events if event.kind == kind]


def played(*steps: Mapping[str, Any], **tables: Any) -> Played:
    """A protocol of these steps, from the first one on, without find and lock."""
    plan = plan_of(*steps, ready=False, **tables)
    return Played(ProtocolRunner.of(plan, loop_settings()))


def operator(kind: RequestKind) -> Request:
    return Request(kind=kind)


HOLD = {"step": "hold", "duration_s": 1.0}
WAIT = {"step": "wait", "duration_s": 1.0}
RING_UP = {"step": "ring_up", "mode": "upper", "amplitude_m": 1.0e-9}
PUMP_ON = {"step": "pump_on", "amplitude": 0.3}
SHORT_PUMP = PUMP_ON | {"duration_s": 2.0}


# -- one step after the other ---------------------------------------------------------


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


# -- what steps ask of the loop --------------------------------------------------------


def asked_by(step: Mapping[str, Any], view: LoopView = LOCKED) -> Request:
    """What a step asks when it begins."""
    run = played(step, HOLD)
    [request] = run.see(view).requests
    assert request.who == "protocol"
    return request


def test_a_ring_up_asks_for_its_mode_and_amplitude() -> None:
    request = asked_by(RING_UP)
    assert (request.kind, request.text, request.value) == (RequestKind.DRIVE, "upper", 1.0e-9)
    both = asked_by({"step": "ring_up", "amplitude_m": 2.0e-9})
    assert (both.text, both.value) == ("", 2.0e-9)


@pytest.mark.parametrize(("mode", "text"), [("lower", "lower"), ("both", "")])
def test_release_and_drive_name_their_mode(mode: str, text: str) -> None:
    release = asked_by({"step": "release", "mode": mode})
    assert (release.kind, release.text) == (RequestKind.RELEASE, text)
    drive = asked_by({"step": "drive", "mode": mode})
    assert (drive.kind, drive.text, drive.value) == (RequestKind.DRIVE, text, 0.0)


def test_a_pump_is_wished_as_it_is_written() -> None:
    request = asked_by(
        {
            "step": "pump_on",
            "amplitude": 0.3,
            "detuning_hz": 0.02,
            "chirp_hz_per_s": -0.01,
            "phase_rad": 1.5,
            "continues": True,
            "waveform": "pulses",
            "pulse_s": 3.2e-5,
            "duration_s": 4.0,
        }
    )
    assert request.kind is RequestKind.PUMP
    assert request.wish == PumpWish(
        amplitude=0.3,
        offset_hz=0.02,
        phase_rad=1.5,
        continues=True,
        waveform="pulses",
        pulse_s=3.2e-5,
        chirp_hz_per_s=-0.01,
        duration_s=4.0,
    )


def test_without_a_duration_a_pump_is_on_until_it_is_told() -> None:
    assert asked_by(PUMP_ON).wish == PumpWish(amplitude=0.3)
    run = played(PUMP_ON, HOLD, {"step": "pump_off"}, HOLD)
    run.see(LOCKED, blocks=3)
    assert run.kinds == []
    run.see(PUMPED, blocks=12)
    assert run.kinds == ["pump_on", "hold"]
    assert run.requests[-1].kind is RequestKind.DISARM
    run.see(PUMPED, blocks=2)
    assert run.kinds == ["pump_on", "hold"]
    run.see(LOCKED)
    assert run.kinds == ["pump_on", "hold", "pump_off"]


def test_a_pump_with_a_duration_is_done_when_it_is_over() -> None:
    run = played(SHORT_PUMP, HOLD)
    run.see(LOCKED, blocks=4)
    run.see(PUMPED, blocks=20)
    assert run.kinds == []
    run.see(OVER)
    assert run.kinds == ["pump_on"]
    # What was on for its time may be off from then on.
    run.see(LOCKED, blocks=12)
    assert run.kinds == ["pump_on", "hold"] and run.runner.is_finished


# -- recording ---------------------------------------------------------------------------


def test_basebands_are_wanted_while_a_recorded_step_lasts() -> None:
    run = played(HOLD, {"step": "record", "duration_s": 1.0}, WAIT | {"record": True}, HOLD)
    wanted = []
    while not run.runner.is_finished:
        run.see(LOCKED)
        wanted.append((len(run.kinds), run.runner.is_recording))
    assert wanted == [(done, done in (1, 2)) for done, _ in wanted]


# -- marks ---------------------------------------------------------------------------------


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


# -- interruptions -----------------------------------------------------------------------


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


# -- the operator ----------------------------------------------------------------------------


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


# -- the standard facts -----------------------------------------------------------------------


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
