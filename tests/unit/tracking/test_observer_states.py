"""Every state of the observer has a place of its own."""

from __future__ import annotations

from controller.tracking import observer_states
from controller.tracking.observer_states import LEARNT, SHARED_HZ, STATES


def test_the_places_are_all_there_and_each_is_taken_once() -> None:
    places = [
        value
        for name, value in vars(observer_states).items()
        if name.isupper() and name not in {"STATES", "LEARNT"}
    ]
    assert sorted(places) == list(range(STATES))


def test_what_lasts_begins_with_what_the_difference_hangs_on() -> None:
    """The place of the rest is the first: the whole difference is handed on there."""
    assert LEARNT[0] == SHARED_HZ + 1
    assert sorted(set(LEARNT)) == LEARNT
