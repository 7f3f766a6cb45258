"""The list of events: bounded, in order, each once, searchable."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

from controller.service.client import Event, EventEntry
from gui.models.wording import clock_text

MOST_EVENTS = 20_000  # of a live run; a log has what it has

MARK_KINDS = frozenset(("state", "interlock_open", "gap", "overload", "mute", "mark", "note"))
"""Kinds that are marked on the time axis."""


@dataclass(frozen=True, slots=True)
class EventLine:
    """One event as it stands in the list."""

    number: int  # in order of arrival
    time_s: float
    source: str
    kind: str
    text: str

    @property
    def searched(self) -> str:
        """What a search looks at."""
        return f"{clock_text(self.time_s)} {self.source} {self.kind} {self.text}".casefold()

    def has_all(self, words: Iterable[str]) -> bool:
        """Whether each of the words occurs somewhere."""
        searched = self.searched
        return all(word in searched for word in words)


class EventList:
    """Events as they come; owned by the window's one thread.

    Parameters
    ----------
    most : int or None
        So many of the newest are kept; None: all.
    """

    def __init__(self, most: int | None = MOST_EVENTS) -> None:
        self._lines: deque[EventLine] = deque(maxlen=most)
        self._known: set[Event] = set()  # of the newest hundreds: a picture repeats them
        self._recent: deque[Event] = deque()
        self._count = 0

    def __repr__(self) -> str:
        return f"EventList({len(self._lines)} events)"

    def __len__(self) -> int:
        return len(self._lines)

    @property
    def count(self) -> int:
        """How many have come in all."""
        return self._count

    def clear(self) -> None:
        """Forget everything."""
        self._lines.clear()
        self._known.clear()
        self._recent.clear()

    def take(self, event: Event) -> bool:
        """Add an event, unless it is here already; whether it was added."""
        if event in self._known:
            return False
        self._known.add(event)
        self._recent.append(event)
        if len(self._recent) > 500:
            self._known.discard(self._recent.popleft())
        self._count += 1
        self._lines.append(
            EventLine(self._count, event.time_s, event.source, event.kind, event.text)
        )
        return True

    def take_all(self, entries: Iterable[EventEntry]) -> bool:
        """Add the events of a picture; whether any of them is new."""
        return sum(self.take(entry.event) for entry in entries) > 0

    def since(self, number: int) -> list[EventLine]:
        """The events after one of a number."""
        return [line for line in self._lines if line.number > number]

    def matching(self, search: str) -> list[EventLine]:
        """The events in which all the words occur, in order."""
        words = search.casefold().split()
        return [line for line in self._lines if line.has_all(words)]

    def last(self, source: str, *kinds: str) -> EventLine | None:
        """The newest event of a source and of one of the kinds."""
        lines = reversed(self._lines)
        return next((line for line in lines if line.source == source and line.kind in kinds), None)

    def marks(self, source: str, start_s: float, end_s: float) -> list[EventLine]:
        """The events of a source that are marked between two times."""
        return [
            line
            for line in self._lines
            if line.source == source and line.kind in MARK_KINDS and start_s <= line.time_s <= end_s
        ]
