"""The interlock: open while anything speaks against the pump."""

from __future__ import annotations

import copy
from collections.abc import Iterator

from controller.records import Event
from controller.supervisor.recurrence import AGAIN_S, Recurrence


class Interlock:
    """Keeps the evidence against the pump, and how long there has been none.

    Owned by the pump's supervisor. It is open from the start: nothing has been
    seen yet that would allow a pump. Its events alternate, closed first; the
    account of a run is drawn up from them. That it has closed is told once all has been
    well for a moment, so that evidence that comes and goes is one opening, which is told
    to last; how often it came is told as "again".

    Parameters
    ----------
    sample_rate_hz : float
        Rate of the stream [Hz].
    healthy_s : float
        How long all must be well before the pump comes on [s]: no later is the closing told.
    """

    def __init__(self, sample_rate_hz: float, healthy_s: float) -> None:
        self._rate_hz = sample_rate_hz
        self._settled_s = min(healthy_s, AGAIN_S)
        self._openings = Recurrence(sample_rate_hz)
        self.reset()

    def reset(self) -> None:
        """Open, and nothing healthy yet."""
        self.is_open = self._is_told_open = True
        self._openings.reset()
        self._why = ""  # it opened last
        self._healthy_since: int | None = None

    def copy(self) -> Interlock:
        """An independent interlock that goes on alike."""
        return copy.deepcopy(self)

    def __repr__(self) -> str:
        return f"Interlock({'open' if self.is_open else 'closed'})"

    def process(self, sample_index: int, reasons: tuple[str, ...]) -> tuple[Event, ...]:
        """Take the evidence of a block.

        Parameters
        ----------
        sample_index : int
            End of the block [samples].
        reasons : tuple of str
            What speaks against the pump; nothing closes the interlock.

        Returns
        -------
        tuple of Event
            "interlock_open" or "interlock_closed" where that changed, "again" where
            it kept opening.
        """
        was_open, self.is_open = self.is_open, bool(reasons)
        if reasons:
            self._healthy_since = None
        elif self._healthy_since is None:
            self._healthy_since = sample_index
        return tuple(
            Event(
                sample_index=sample_index,
                time_s=sample_index / self._rate_hz,
                source="pump",
                kind=kind,
                text=text,
            )
            for kind, text in self._news(sample_index, was_open, "; ".join(reasons))
        )

    def _news(self, index: int, was_open: bool, why: str) -> Iterator[tuple[str, str]]:
        """Kinds and texts of what is to be told."""
        closes = self._is_told_open and not self.is_open
        closes = closes and self.healthy_s(index) >= self._settled_s
        if self.is_open and not was_open:
            self._why = why
            if not self._is_told_open:
                self._openings.reset()
                yield "interlock_open", why
            self._is_told_open = True
            self._openings.is_news(index)
        if words := self._openings.summary(index, at_once=closes):
            yield "again", f"{self._why} ({words})"
        if closes:
            self._is_told_open = False
            yield "interlock_closed", "all is well"

    def distrust(self) -> None:
        """Let the healthy time begin anew with the next block."""
        self._healthy_since = None

    def healthy_s(self, sample_index: int) -> float:
        """How long all has been well at a sample [s]."""
        if self._healthy_since is None:
            return 0.0
        return (sample_index - self._healthy_since) / self._rate_hz
