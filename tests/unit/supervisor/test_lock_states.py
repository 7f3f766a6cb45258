"""Locks lost and found again: every change is told, and none that cannot be."""

from __future__ import annotations

from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any

import numpy as np

from controller.instrument import SampleBlock
from controller.records import ModeId, TrackerState
from controller.supervisor.lock_states import MOST_FALLS, LockStates
from controller.supervisor.loop_clock import LoopClock
from controller.supervisor.stream_watch import StreamHealth
from controller.tracking.states import TRANSITIONS
from tests.support.rehearsals import prepared, with_pump_early

FAULTS = "instrument.options.faults."


# -- in a loop ----------------------------------------------------------------------------


def test_every_change_of_state_is_one_that_the_table_allows() -> None:
    death = [{"mode": "upper", "at_s": 12.0, "until_s": 30.0}]
    run = prepared(overrides=with_pump_early(**{FAULTS + "mode_dies": death})).until(45.0)
    states = dict.fromkeys(ModeId, TrackerState.SEARCHING)
    changes = 0
    for event in run.events:
        if event.kind == "state" and event.source in tuple(ModeId):
            old, new = event.text.split(":")[0].split(" -> ")
            mode = ModeId(event.source)
            assert states[mode].value == old
            assert TrackerState(new) in TRANSITIONS[states[mode]]
            states[mode] = TrackerState(new)
            changes += 1
    assert changes > 8


def test_a_wrong_quality_factor_fills_no_log_and_the_failure_names_it() -> None:
    broad = {f"modes.{mode}.quality_factor": 1.0e3 for mode in ModeId}
    run = prepared(overrides=broad).until(25.0)
    followed_s = 20.0
    # Three changes at once for each mode, and a line each ten seconds for two of them.
    assert len(run.events_of("lower")) <= 1 + 3 + 2 * followed_s / 10.0
    run.engine._clock.now_index = round(121.0 * run.rate_hz)
    run.engine._lose_patience(StreamHealth(reasons=(), missing_samples=0, is_usable=True))
    failure = run.engine.failure or ""
    assert "the amplitude is in the noise" in failure and "look at quality_factor" in failure


def test_a_line_that_keeps_falling_out_of_lock_is_searched_for_anew() -> None:
    flicker = [
        {"mode": "lower", "at_s": 12.0 + 0.9 * n, "until_s": 12.1 + 0.9 * n}
        for n in range(MOST_FALLS + 3)
    ]
    run = prepared(overrides=with_pump_early(**{FAULTS + "mode_dies": flicker})).until(40.0)
    texts = [event.text for event in run.events_of("run", "search")]
    assert texts == ["a line falls out of lock again and again: the search begins again"]
    assert run.pump_is_on()


# -- without a loop around them ---------------------------------------------------------------

RATE_HZ = 1000.0


@dataclass
class Tracker:
    """What is looked at in a tracker."""

    state: TrackerState
    reason: str = "as the test says"
    phase_error_rad: float = 0.0
    phase_sigma_rad: float = 1.0e-3
    quadrature_sigma: float = 1.0e-3
    amplitude: float = 1.0

    @property
    def config(self) -> Any:
        """An update of 20 ms."""
        return SimpleNamespace(update_s=0.02)


class Watched:
    """Lock states, with a clock that goes on by so much with every look."""

    def __init__(self, step_s: float = 1.0) -> None:
        self.step_samples = round(step_s * RATE_HZ)
        self.clock = LoopClock(RATE_HZ)
        self.clock.begin(0)
        self.locks = LockStates(self.clock)

    def seen(
        self, lower: TrackerState, upper: TrackerState, *, is_observed: bool = False, **lower_: Any
    ) -> list[str]:
        """Texts of what is told a step later."""
        block = SampleBlock(self.clock.now_index, np.zeros(self.step_samples), False)
        self.clock.advance(block)
        self.locks.begin_block()
        trackers = {ModeId.LOWER: Tracker(lower, **lower_), ModeId.UPPER: Tracker(upper)}
        pair: Any = SimpleNamespace(trackers=trackers)
        events = self.locks.note(pair) + self.locks.note_locks(is_observed=is_observed)
        return [event.text for event in events]


LOCKED, HOLDING = TrackerState.LOCKED, TrackerState.HOLDING
PULLING_IN, LOST = TrackerState.PULLING_IN, TrackerState.LOST


def test_the_first_lock_of_both_counts() -> None:
    watched = Watched()
    watched.seen(LOCKED, PULLING_IN)
    assert watched.locks.first_locked_index is None and not watched.locks.are_locked
    watched.seen(LOCKED, LOCKED)
    watched.seen(LOCKED, LOCKED)
    assert watched.locks.first_locked_index == 2000 and watched.locks.are_locked
    assert watched.locks.words == "locked/locked"


def test_it_says_how_long_a_lock_was_lost() -> None:
    watched = Watched()
    assert watched.seen(LOCKED, LOCKED)[-1] == "searching -> locked: as the test says"
    assert watched.seen(LOCKED, HOLDING) == ["locked -> holding: as the test says"]
    assert watched.seen(LOCKED, HOLDING) == []
    assert (
        watched.seen(LOCKED, LOCKED)[-1] == "both modes locked again 3.0 s after the lock was lost"
    )


def test_while_the_observer_counts_no_lock_is_lost() -> None:
    watched = Watched()
    watched.seen(LOCKED, LOCKED)
    watched.seen(LOCKED, HOLDING, is_observed=True)
    assert watched.seen(LOCKED, LOCKED) == ["holding -> locked: as the test says"]


def test_what_speaks_against_a_mode_is_kept_for_a_block() -> None:
    watched = Watched()
    watched.seen(LOCKED, HOLDING, phase_error_rad=0.4)
    assert watched.locks.doubts == (
        "lower jumped: phase error 0.4 rad",
        "upper holding: as the test says",
    )
    watched.seen(LOCKED, LOCKED)
    assert watched.locks.doubts == ()


def test_a_lost_line_and_too_many_falls_ask_for_a_search() -> None:
    watched = Watched()
    for _ in range(MOST_FALLS):
        watched.seen(LOCKED, LOCKED)
        watched.seen(HOLDING, LOCKED)
    assert watched.locks.why_search == ""
    watched.seen(LOCKED, LOCKED)
    watched.seen(HOLDING, LOCKED)
    assert watched.locks.why_search == "a line falls out of lock again and again"
    watched.locks.forget_falls()
    assert watched.locks.why_search == ""
    watched.seen(LOST, LOCKED)
    assert watched.locks.why_search == "a line was lost"


def test_a_state_that_flickers_is_told_once_and_then_counted() -> None:
    watched = Watched(step_s=0.25)
    told = []
    for _ in range(80):
        told += watched.seen(PULLING_IN, LOCKED) + watched.seen(HOLDING, LOCKED)
    again = [text for text in told if "more within" in text]
    at_once = [text for text in told if text not in again]
    assert at_once == [
        "searching -> pulling_in: as the test says",
        "searching -> locked: as the test says",
        "pulling_in -> holding: as the test says",
        "holding -> pulling_in: as the test says",
    ]
    # Two kinds of change, each every half a second for 40 s.
    assert again[0] == "pulling_in -> holding: as the test says (20 more within 10.0 s)"
    assert len(again) <= 2 * 40 / 10


def test_jumps_again_and_again_name_what_may_be_stated_wrong() -> None:
    watched = Watched()
    for _ in range(MOST_FALLS):
        watched.seen(LOCKED, LOCKED, phase_error_rad=0.4)
        assert watched.locks.doubts == ("lower jumped: phase error 0.4 rad",)
        watched.seen(LOCKED, LOCKED)
    watched.seen(LOCKED, LOCKED, phase_error_rad=0.4)
    [doubt] = watched.locks.doubts
    assert "tracking.detector_noise may be stated too small" in doubt
    assert "modes.lower.quality_factor" in doubt
    # One that lasts is one, however often it is looked at.
    other = Watched()
    for _ in range(2 * MOST_FALLS):
        other.seen(LOCKED, LOCKED, phase_error_rad=0.4)
    assert other.locks.doubts == ("lower jumped: phase error 0.4 rad",)


def test_giving_up_takes_the_ways_that_a_tracker_has() -> None:
    watched = Watched()
    watched.seen(LOCKED, PULLING_IN)
    events = watched.locks.give_up(TrackerState.SEARCHING, "enough")
    assert [event.text for event in events] == [
        "locked -> holding: enough",
        "holding -> lost: enough",
        "lost -> searching: enough",
        "pulling_in -> holding: enough",
        "holding -> lost: enough",
        "lost -> searching: enough",
    ]
