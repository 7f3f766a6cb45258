"""Every state has a place of its own."""

from __future__ import annotations

from controller.records import ModeId
from controller.tracking import joint_states
from controller.tracking.joint_states import LASTING, STATES, phase_at_end, phase_mean

NOT_PLACES = {"LASTING", "STATES", "FOLLOWED"}


def test_the_places_are_all_there_and_each_is_taken_once() -> None:
    places = [
        value
        for name, value in vars(joint_states).items()
        if name.isupper() and name not in NOT_PLACES
    ]
    assert sorted(places) == list(range(STATES))


def test_each_mode_has_its_phases_and_only_means_belong_to_the_window() -> None:
    ends, means = map(phase_at_end, ModeId), map(phase_mean, ModeId)
    assert all(place < LASTING for place in ends)
    assert len({place for place in means if place >= LASTING}) == len(ModeId)
