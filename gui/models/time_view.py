"""Which stretch of time all plots show: one for all of them."""

from __future__ import annotations

import math
from dataclasses import dataclass

SPANS_S = {
    "1 min": 60.0,
    "10 min": 600.0,
    "1 h": 3600.0,
    "6 h": 21600.0,
    "1 day": 86400.0,
}
"""The lengths that are offered."""

SHORTEST_S, LONGEST_S = 1.0, 31 * 86400.0
AHEAD = 0.03  # of the span, free beyond the newest record


@dataclass(slots=True)
class TimeView:
    """A stretch of stream time, which may move on with the newest record.

    Attributes
    ----------
    start_s, end_s : float
        Shown now [s].
    follows : bool
        Whether it moves on.
    """

    start_s: float = 0.0
    end_s: float = 60.0
    follows: bool = True
    _followed_to_s: float = -math.inf

    @property
    def span_s(self) -> float:
        """Length [s]."""
        return self.end_s - self.start_s

    def move_to(self, newest_s: float, oldest_s: float, step_s: float = 0.0) -> bool:
        """Follow the newest record.

        Parameters
        ----------
        newest_s, oldest_s : float
            Its time, and that of the oldest one [s]: a run that has just begun
            fills the stretch from the left.
        step_s : float
            What is less than this is not worth a new picture.

        Returns
        -------
        bool
            Whether there is something new to be seen.
        """
        if not self.follows or abs(newest_s - self._followed_to_s) < step_s:
            return False
        self._followed_to_s = newest_s
        end_s = max(newest_s + AHEAD * self.span_s, oldest_s + self.span_s)
        self.start_s, self.end_s = end_s - self.span_s, end_s
        return True

    def show_last(self, span_s: float, newest_s: float, oldest_s: float) -> None:
        """Show so much of the past, and follow."""
        self.follows = True
        self.start_s, self.end_s = newest_s - span_s, newest_s
        self.move_to(newest_s, oldest_s)

    def show(self, start_s: float, end_s: float) -> None:
        """Show a stretch, and stay there."""
        span_s = min(max(end_s - start_s, SHORTEST_S), LONGEST_S)
        self.follows = False
        self.start_s, self.end_s = start_s, start_s + span_s

    def zoom(self, factor: float, around_s: float) -> None:
        """Make the span longer by a factor; a time keeps its place, or the newest record."""
        span_s = min(max(self.span_s * factor, SHORTEST_S), LONGEST_S)
        if self.follows:
            self.start_s = self.end_s - span_s
            return
        share = (around_s - self.start_s) / self.span_s
        self.start_s = around_s - share * span_s
        self.end_s = self.start_s + span_s
