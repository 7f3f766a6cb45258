"""The list of events."""

from __future__ import annotations

from controller.service.client import EventEntry
from gui.models.events import EventList
from tests.support.desk import event

STATE = event(1.0, "lower", "state", "pulling_in -> locked: the phase error stayed small")
MUTE = event(2.0, "pump", "mute", "the operator muted it")
STEP = event(3.0, "protocol", "step", "3 of 12: ring_up lower")


def filled() -> EventList:
    """All three."""
    events = EventList()
    for each in (STATE, MUTE, STEP):
        events.take(each)
    return events


def test_an_event_is_taken_once() -> None:
    events = filled()
    assert not events.take(MUTE)
    assert not events.take_all([EventEntry(event=STATE), EventEntry(event=STEP)])
    assert events.take_all([EventEntry(event=STEP), EventEntry(event=event(4.0, "a", "b", "c"))])
    assert len(events) == 4


def test_a_search_wants_all_its_words_in_any_column() -> None:
    events = filled()
    assert [line.kind for line in events.matching("PUMP operator")] == ["mute"]
    assert [line.kind for line in events.matching("lower")] == ["state", "step"]
    assert len(events.matching("")) == 3
    assert events.matching("lower operator") == []


def test_news_are_what_came_after_a_number() -> None:
    events = filled()
    assert [line.number for line in events.since(1)] == [2, 3]
    assert events.count == 3


def test_the_last_of_a_kind_is_found() -> None:
    events = filled()
    last = events.last("pump", "mute", "state")
    assert last is not None and last.text == MUTE.text
    assert events.last("pump", "gap") is None


def test_marks_are_changes_of_state_within_a_stretch() -> None:
    events = filled()
    assert [mark.time_s for mark in events.marks("lower", 0.0, 9.0)] == [1.0]
    assert events.marks("protocol", 0.0, 9.0) == []
    assert events.marks("lower", 1.5, 9.0) == []


def test_only_the_newest_are_kept() -> None:
    events = EventList(most=10)
    for n in range(1000):
        events.take(event(float(n), "run", "note", str(n)))
    assert len(events) == 10 and events.count == 1000
