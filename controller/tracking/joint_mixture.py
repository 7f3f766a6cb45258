"""What all filters of the joint estimate know together, and what follows from it.

The mean of the states over the bank, weighed by likelihood, with a covariance that counts
how far its members disagree; and how the quantities that are asked for hang on the states.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from controller.records import ModeId
from controller.tracking.joint_motion import PumpAction
from controller.tracking.joint_states import (
    ASYMMETRY,
    COUPLING,
    LASTING,
    LOWER_DUFFING,
    MIDDLE_HZ,
    QUADRATURE,
    RATIO,
    REST_HZ,
    SHIFT,
    SHIFT_DIFFERENCE,
    STATES,
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JointMixture:
    """The states after a window, and the strengths that have been learnt."""

    mean: np.ndarray  # shape (STATES,)
    covariance: np.ndarray  # shape (STATES, STATES)
    strengths: np.ndarray  # shape (4,), in the order of `Strengths`
    expected_kappa: float  # the state RATIO counts from here

    @property
    def kappa(self) -> float:
        """By how much more the shared drift moves the upper mode, relative."""
        return self.expected_kappa + float(self.mean[RATIO])

    @property
    def coupling(self) -> complex:
        """g / 2 pi per unit of the pump [Hz]."""
        return complex(self.mean[COUPLING], self.mean[QUADRATURE])

    def sigma(self, row: np.ndarray) -> float:
        """One standard deviation of a linear combination of the states."""
        return math.sqrt(max(float(row @ self.covariance @ row), 0.0))

    def difference_row(self, squared: float, more_powers: np.ndarray) -> np.ndarray:
        """Derivative of the difference in the middle of the window by the states.

        Parameters
        ----------
        squared : float
            Pump amplitude squared [unit^2].
        more_powers : ndarray of float64, shape (2,)
            Squared amplitudes of lower and upper less those at the start [sample units^2].

        Returns
        -------
        ndarray of float64, shape (STATES,)
            The Duffing terms and the pump's shift included, not its pull.
        """
        row = np.zeros(STATES)
        row[[MIDDLE_HZ, REST_HZ]] = self.kappa, 1.0
        row[[RATIO, SHIFT_DIFFERENCE]] = self.mean[MIDDLE_HZ], squared
        row[LOWER_DUFFING:LASTING] = more_powers
        return row

    def pull_row(self, mode: ModeId, pump: PumpAction) -> np.ndarray:
        """Derivative of the coupling's pull on a mode by the states.

        Parameters
        ----------
        mode : ModeId
            Which is pulled.
        pump : PumpAction
            What the pump does.

        Returns
        -------
        ndarray of float64, shape (STATES,)
            Of the rate that the coupling adds to the mode's phase [Hz].
        """
        asymmetry = self.mean[ASYMMETRY]
        sign = 1.0 if mode is ModeId.LOWER else -1.0
        pull = pump.lower_pull if mode is ModeId.LOWER else pump.upper_pull
        row = np.zeros(STATES)
        row[COUPLING] = pull.real * (1.0 + sign * asymmetry)
        row[QUADRATURE] = -pull.imag * (1.0 + sign * asymmetry)
        row[ASYMMETRY] = sign * (self.coupling * pull).real
        return row

    def coupling_pulls_hz(self, pump: PumpAction) -> dict[ModeId, float]:
        """Rate that the coupling adds to each mode's phase [Hz]."""
        asymmetry = float(self.mean[ASYMMETRY])
        return {
            ModeId.LOWER: (1.0 + asymmetry) * (self.coupling * pump.lower_pull).real,
            ModeId.UPPER: (1.0 - asymmetry) * (self.coupling * pump.upper_pull).real,
        }

    def pump_shifts_hz(self) -> dict[ModeId, tuple[float, float]]:
        """Shift of each mode by the pump's amplitude squared, with one sigma [Hz/unit^2]."""
        lower, upper = np.zeros((2, STATES))
        lower[SHIFT] = 1.0
        upper[[SHIFT, SHIFT_DIFFERENCE]] = 1.0
        return {
            mode: (float(row @ self.mean), self.sigma(row))
            for mode, row in ((ModeId.LOWER, lower), (ModeId.UPPER, upper))
        }
