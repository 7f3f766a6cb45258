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
    """Lock states, with a clock that goes on by a second with every look."""

    def __init__(self) -> None:
        self.clock = LoopClock(RATE_HZ)
        self.clock.begin(0)
        self.locks = LockStates(self.clock)

    def seen(
        self, lower: TrackerState, upper: TrackerState, *, is_observed: bool = False, **lower_: Any
    ) -> list[str]:
        """Texts of what is told a second later."""
        block = SampleBlock(self.clock.now_index, np.zeros(round(RATE_HZ)), False)
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
