"""How the joint estimate meets changes of the amplitudes, whose Duffing shifts are not known well.

Whatever a coefficient is wrong by is in the frequencies that were seen, and shows as far as
the amplitudes leave those at which they were seen. At new amplitudes it is seen anew, in
about the time in which the amplitudes of today become the usual ones.
"""

from __future__ import annotations

import math

import numpy as np

USUAL_S = 20.0  # until amplitudes count as usual: arbitrary between 5 and 60
FLUCTUATION_RATIO = 0.1  # of a power that is held; arbitrary, some times what noise does to it


class SeenPowers:
    """Squared amplitudes of lower and upper at which the frequencies were seen.

    Owned by a joint estimator; one thread. All in sample units squared.
    """

    def __init__(self) -> None:
        self.more = np.zeros(2)  # now, less those at the start
        self._first: np.ndarray | None = None  # those that the rest stands for
        self._usual: np.ndarray | None = None
        self._change2 = 0.0  # from the usual ones to where they are, squared

    def __repr__(self) -> str:
        return f"SeenPowers({self.now.tolist()})"

    @property
    def now(self) -> np.ndarray:
        """The powers of now, shape (2,); zeros before any were seen."""
        return self.more + (0.0 if self._first is None else self._first)

    def process(self, powers: tuple[float, float], duration_s: float) -> float:
        """Go on to the powers of a window.

        Parameters
        ----------
        powers : (float, float)
            Squared amplitudes of lower and upper, on average over the window.
        duration_s : float
            Time since the last window's end [s].

        Returns
        -------
        float
            By how much they have gone further from the usual ones than they had been, as
            a change squared, >= 0.
        """
        seen = np.array(powers)
        if self._first is None or self._usual is None:
            self._first = self._usual = seen
        self.more = seen - self._first
        grown2 = max(_change2(seen, self._usual) - self._change2, 0.0)
        share = -math.expm1(-duration_s / USUAL_S)
        self._usual = self._usual + share * (seen - self._usual)
        self._change2 = _change2(seen, self._usual)
        return grown2


def _change2(powers: np.ndarray, usual: np.ndarray) -> float:
    """How far powers are from the usual ones, squared, beyond what they always fluctuate by."""
    beyond = np.maximum(np.abs(powers - usual) - FLUCTUATION_RATIO * usual, 0.0)
    return float(np.sum(beyond**2))
