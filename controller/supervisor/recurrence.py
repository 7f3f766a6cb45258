"""What comes again and again: told at once the first time, then counted.

A mode that is followed with a wrong idea of its noise changes its state ten times a second,
for as long as it takes; a line for each would hide everything else.
"""

from __future__ import annotations

import copy

AGAIN_S = 1.0  # what comes again within this time is no news: a person reads no faster
SAY_EVERY_S = 10.0  # what is counted is told so often; arbitrary between 5 and 30


class Recurrence:
    """How often one thing came again since it was told; owned by whoever tells of it.

    Parameters
    ----------
    sample_rate_hz : float
        Rate of the stream [Hz].
    """

    def __init__(self, sample_rate_hz: float) -> None:
        self._rate_hz = sample_rate_hz
        self.reset()

    def reset(self) -> None:
        """It has never come."""
        self._last_index: int | None = None
        self._told_index = 0
        self._count = 0

    def copy(self) -> Recurrence:
        """An independent count that goes on alike."""
        return copy.deepcopy(self)

    def __repr__(self) -> str:
        return f"Recurrence({self._count} untold)"

    def is_news(self, sample_index: int) -> bool:
        """It comes: whether that is to be told at once; else it is counted.

        Parameters
        ----------
        sample_index : int
            When [samples].

        Returns
        -------
        bool
            False where it came a moment ago, or is still to be told.
        """
        is_news = self.is_over(sample_index)
        self._last_index = sample_index
        if is_news:
            self._told_index = sample_index
        else:
            self._count += 1
        return is_news

    def is_over(self, sample_index: int) -> bool:
        """Whether all is told, and it would be news if it came now."""
        last_index = self._last_index
        was_long_ago = last_index is None or sample_index - last_index > AGAIN_S * self._rate_hz
        return was_long_ago and not self._count

    def summary(self, sample_index: int, *, at_once: bool = False) -> str:
        """How often it came since it was told, where that is due; the count begins anew then.

        Parameters
        ----------
        sample_index : int
            Now [samples].
        at_once : bool
            Whether it is due whenever something was counted.

        Returns
        -------
        str
            A few words; empty while nothing is to be told.
        """
        since_s = (sample_index - self._told_index) / self._rate_hz
        if not self._count or (since_s < SAY_EVERY_S and not at_once):
            return ""
        words = f"{self._count} more within {since_s:.1f} s"
        self._count, self._told_index = 0, sample_index
        return words
