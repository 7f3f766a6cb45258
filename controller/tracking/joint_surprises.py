"""How the joint estimate meets surprises: readings that its model cannot have meant.

A door, a stray line or a knock moves phases by more than any walk that has been learnt.
What surprises is put down half to the frequency and half to the phase, and as far as it
has moved the difference, the difference is in doubt for a while. Phases that cannot be
read at all are met in `joint_breaks`.
"""

from __future__ import annotations

import math

import numpy as np

from controller.records import ModeId

SURPRISE2 = 36.0  # beyond 6 sigma (by chance once in years) the model has been outrun
# What outran the model once (a door, a stray line, a knock) is likely to do so again: for
# a while, the beat of a line at 0.1 Hz, less is taken for chance.
ALERT_SURPRISE2 = 4.0
ALERT_S = 10.0
# One window cannot tell a frequency that walked from a phase that was disturbed: half of
# what surprises is put down to either. What is real comes again in the next windows.
WALK_SHARE = 0.5
# As far as surprises have moved the difference it is uncertain, until the new place is as
# old as this: between a quarter and half of such a beat.
DOUBT_S = 4.0
LEAST_DOUBT_SIGMAS = 0.1  # of the other uncertainty: less changes no sigma by a per cent


class Surprises:
    """What has surprised of late, and how far it has moved the difference.

    Owned by a joint estimator; one thread.
    """

    def __init__(self) -> None:
        self.doubted_hz = 0.0  # how far surprises have moved the difference, fading
        self._undoubted_hz: float | None = None  # where it was before; None: no doubt
        self._alert_s = dict.fromkeys(ModeId, 0.0)
        self._is_surprised = False  # by what is not shared in the last window

    def __repr__(self) -> str:
        return f"Surprises(doubted {self.doubted_hz:.2g} Hz)"

    def begin_window(self, duration_s: float) -> None:
        """Go on by a time step; nothing in it has surprised yet."""
        self._alert_s = {mode: left_s - duration_s for mode, left_s in self._alert_s.items()}
        self._is_surprised = False

    def excess(
        self, mode: ModeId, innovations: np.ndarray, variances: np.ndarray
    ) -> np.ndarray | None:
        """By how much squared innovations exceed what was expected, where they surprise.

        Parameters
        ----------
        mode : ModeId
            Whose phase was read.
        innovations : ndarray of float64, shape (members,)
            Of each member, the centre first [turns].
        variances : ndarray of float64, shape (members,)
            That each expected of them [turns^2].

        Returns
        -------
        ndarray of float64, shape (members,), or None
            0 for members that are not surprised; None: nobody is [turns^2].
        """
        normalised2 = innovations**2 / variances
        surprised = normalised2 > (ALERT_SURPRISE2 if self._alert_s[mode] > 0.0 else SURPRISE2)
        if not surprised.any():
            return None
        self._is_surprised = mode is ModeId.UPPER and bool(surprised[0])
        if normalised2[0] > SURPRISE2:
            self._alert_s[mode] = ALERT_S
        return np.where(surprised, innovations**2 - variances, 0.0)

    def doubt(
        self, duration_s: float, *, before_hz: float, after_hz: float, sigma_hz: float
    ) -> bool:
        """Count as uncertain how far surprises have moved the difference from where it was.

        Parameters
        ----------
        duration_s : float
            Of the step [s].
        before_hz, after_hz : float
            The difference before and after the window's readings [Hz].
        sigma_hz : float
            One sigma after them [Hz].

        Returns
        -------
        bool
            Whether there was any doubt, so that `doubted_hz` has changed.
        """
        if self._is_surprised and self._undoubted_hz is None:
            self._undoubted_hz = before_hz
        if self._undoubted_hz is None:
            return False
        left = math.exp(-duration_s / DOUBT_S)
        self.doubted_hz = left * (after_hz - self._undoubted_hz)
        self._undoubted_hz = after_hz - self.doubted_hz
        is_calm = self._alert_s[ModeId.UPPER] <= 0.0
        if is_calm and abs(self.doubted_hz) < LEAST_DOUBT_SIGMAS * sigma_hz:
            self._undoubted_hz, self.doubted_hz = None, 0.0
        return True
