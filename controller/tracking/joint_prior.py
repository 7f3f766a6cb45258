"""What the joint estimate knows of a pair before the first reading."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from controller.tracking.joint_bank import Strengths
from controller.tracking.joint_motion import RATE_TIME_S
from controller.tracking.joint_states import (
    ASYMMETRY,
    COUPLING,
    LOWER_DUFFING,
    LOWER_TURNS,
    QUADRATURE,
    RATE,
    RATIO,
    REST_HZ,
    SHARED_HZ,
    SHIFT,
    SHIFT_DIFFERENCE,
    STATES,
    UPPER_DUFFING,
    UPPER_TURNS,
)

ANY_PHASE_TURNS = 0.3  # of a phase that may be anywhere in a turn: 1 / sqrt 12


@dataclass(frozen=True, slots=True, kw_only=True)
class JointConfig:
    """Prior knowledge of the pair.

    Raises
    ------
    ValueError
        If a reference, the frequency's sigma or a strength is not positive.
    """

    lower_reference_hz: float
    upper_reference_hz: float
    frequency_sigma_hz: float  # of each mode at the start
    strengths: Strengths
    learnt: tuple[bool, bool, bool, bool] = (True, True, True, True)
    drift_ratio: float | None = None  # of the shared drift, upper over lower; None: as frequencies
    drift_ratio_sigma: float = 0.01
    pump_shift_hz: tuple[float, float] = (0.0, 0.0)  # per unit^2: lower, upper
    pump_shift_sigma_hz: tuple[float, float] = (0.05, 0.05)
    coupling_hz: float = 0.0  # g / 2 pi per unit
    coupling_sigma_hz: float = 1.0
    coupling_quadrature_sigma_hz: float = 1.0  # across its expected phase
    # What shifts the difference by the squared amplitude of lower and upper mode, and how well
    # each coefficient that shifts a mode is known [Hz/sample unit^2].
    difference_duffing_hz: tuple[float, float] = (0.0, 0.0)
    duffing_sigma_hz: float = 0.0
    asymmetry_sigma: float = 0.01  # of ln sqrt(m_upper w_upper / (m_lower w_lower))

    def __post_init__(self) -> None:
        for name in ("lower_reference_hz", "upper_reference_hz", "frequency_sigma_hz"):
            if not getattr(self, name) > 0.0:
                raise ValueError(f"{name} is {getattr(self, name)}; it has to be positive")
        logs = self.strengths.as_logs()
        if not np.all(np.isfinite(logs)):
            raise ValueError(f"strengths are {self.strengths}; each has to be positive")

    @property
    def expected_kappa(self) -> float:
        """By how much more the shared drift is expected to move the upper mode, relative."""
        return (self.drift_ratio or self.upper_reference_hz / self.lower_reference_hz) - 1.0


def prior_state(config: JointConfig) -> tuple[np.ndarray, np.ndarray]:
    """The states before the first reading.

    Parameters
    ----------
    config : JointConfig
        What is known of the pair.

    Returns
    -------
    ndarray of float64, shape (STATES,)
        Means.
    ndarray of float64, shape (STATES, STATES)
        Covariance.
    """
    c = config
    mean = np.zeros(STATES)
    mean[SHIFT] = c.pump_shift_hz[0]
    mean[SHIFT_DIFFERENCE] = c.pump_shift_hz[1] - c.pump_shift_hz[0]
    mean[COUPLING] = c.coupling_hz
    sigmas = np.zeros(STATES)
    sigmas[[LOWER_TURNS, UPPER_TURNS]] = ANY_PHASE_TURNS
    sigmas[[SHARED_HZ, REST_HZ]] = c.frequency_sigma_hz
    sigmas[RATE] = math.sqrt(c.strengths.shared_walk / RATE_TIME_S)
    sigmas[RATIO] = c.drift_ratio_sigma
    sigmas[SHIFT] = c.pump_shift_sigma_hz[0]
    sigmas[SHIFT_DIFFERENCE] = math.hypot(*c.pump_shift_sigma_hz)
    sigmas[COUPLING] = c.coupling_sigma_hz
    sigmas[QUADRATURE] = c.coupling_quadrature_sigma_hz
    sigmas[ASYMMETRY] = c.asymmetry_sigma
    sigmas[[LOWER_DUFFING, UPPER_DUFFING]] = math.sqrt(2.0) * c.duffing_sigma_hz
    covariance = np.diag(sigmas**2)
    shared_variance = c.pump_shift_sigma_hz[0] ** 2  # the lower shift is in both states
    covariance[SHIFT, SHIFT_DIFFERENCE] = covariance[SHIFT_DIFFERENCE, SHIFT] = -shared_variance
    return mean, covariance
