"""The table of states lets through what it lists, and nothing else."""

from __future__ import annotations

import itertools

import pytest

from controller.records import TrackerState
from controller.tracking.states import TRANSITIONS, checked, drawing

PAIRS = list(itertools.product(TrackerState, TrackerState))


@pytest.mark.parametrize(
    ("old", "new"), [pair for pair in PAIRS if pair[1] in TRANSITIONS[pair[0]]]
)
def test_a_listed_change_is_made(old: TrackerState, new: TrackerState) -> None:
    assert checked(old, new) is new


@pytest.mark.parametrize(
    ("old", "new"), [pair for pair in PAIRS if pair[1] not in TRANSITIONS[pair[0]]]
)
def test_an_unlisted_change_is_refused_by_name(old: TrackerState, new: TrackerState) -> None:
    with pytest.raises(ValueError, match=f"from {old} to {new}"):
        checked(old, new)


def test_every_state_can_be_left_and_reached() -> None:
    assert set(TRANSITIONS) == set(TrackerState)
    assert all(TRANSITIONS.values())
    assert {new for targets in TRANSITIONS.values() for new in targets} == set(TrackerState)


def test_only_a_line_that_was_seen_is_called_locked() -> None:
    before = {old for old, targets in TRANSITIONS.items() if TrackerState.LOCKED in targets}
    assert before == {TrackerState.PULLING_IN, TrackerState.HOLDING}


def test_the_drawing_has_a_line_for_every_change() -> None:
    lines = drawing().splitlines()
    changes = [(old, new) for old, targets in TRANSITIONS.items() for new in targets]
    assert len(lines) == len(changes)
    for drawn, (old, new) in zip(lines, changes, strict=True):
        assert drawn.split()[:3] == [old.value, "->", new.value]
