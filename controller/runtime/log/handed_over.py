"""Calls of a log's methods that are carried out elsewhere: by a thread, or another process."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from controller.instrument import Tone
from controller.records import Baseband, Event, Record, Section


@dataclass(frozen=True, slots=True)
class Entry:
    """A call of one of LogWriter's methods."""

    method: str
    arguments: tuple[Any, ...]
    options: Mapping[str, Any] = field(default_factory=dict)


class HandedOver(ABC):
    """The methods with which LogWriter is given rows; each hands its call over at once."""

    def record(self, record: Record) -> None:
        """Hand over one record."""
        self._hand_over("record", record)

    def baseband(self, baseband: Baseband) -> None:
        """Hand over both modes and all tones of one update."""
        self._hand_over("baseband", baseband)

    def section(self, section: Section) -> None:
        """Hand over a step of a protocol that has ended."""
        self._hand_over("section", section)

    def event(self, event: Event) -> None:
        """Hand over one event."""
        self._hand_over("event", event)

    def tone(
        self, asked: Tone, set_: Tone | None, reason: str = "", *, at_index: int | None = None
    ) -> None:
        """Hand over one tone command, as in LogWriter."""
        self._hand_over("tone", asked, set_, reason, at_index=at_index)

    def allan(
        self,
        sample_index: int,
        series: str,
        taus_s: Sequence[float] | np.ndarray,
        deviations: Sequence[float] | np.ndarray,
        sigmas: Sequence[float] | np.ndarray,
    ) -> None:
        """Hand over the running Allan deviation of one series, as in LogWriter."""
        self._hand_over("allan", sample_index, series, taus_s, deviations, sigmas)

    def result(self, name: str, result: Mapping[str, Any]) -> None:
        """Hand over the result of a protocol step or a fit."""
        self._hand_over("result", name, result)

    @abstractmethod
    def _hand_over(self, method: str, *arguments: Any, **options: Any) -> None:
        """Take a call that is to be carried out."""
