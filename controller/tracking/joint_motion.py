"""How drift, pump and amplitudes move the phases of both modes over a window.

The transition of the states over a window in which phases are averaged, and the noise
that comes in meanwhile; see `joint` for the model and `joint_states` for the states.
Everything here follows from the window's length: functions without a state.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from controller.tracking.joint_states import (
    ASYMMETRY,
    COUPLING,
    LASTING,
    LOWER_DUFFING,
    LOWER_MEAN,
    LOWER_TURNS,
    MIDDLE_HZ,
    QUADRATURE,
    RATE,
    RATIO,
    REST_HZ,
    SHARED_HZ,
    SHIFT,
    SHIFT_DIFFERENCE,
    STATES,
    UPPER_MEAN,
    UPPER_TURNS,
)

# Products of these with one another move the phases: ratio times drift and its rate,
# asymmetry times coupling.
MULTIPLIED = [RATIO, SHARED_HZ, RATE, ASYMMETRY, COUPLING, QUADRATURE]

# The ratio may change a little with what is warmed: 1e-3 in a quarter of an hour.
RATIO_WALK2_PER_S = 1.0e-9
RATE_TIME_S = 60.0  # the rate of the shared drift is remembered for about a minute


@dataclass(frozen=True, slots=True, kw_only=True)
class PumpAction:
    """What pump and drives did to the phases, on average over some time."""

    squared: float = 0.0  # pump amplitude squared [unit^2]
    # The coupling adds the rate Re(g / 2 pi * pull): pull is the amplitude [unit] times
    # the ratio of the other mode's amplitude to this one's, turned by psi.
    lower_pull: complex = 0j
    upper_pull: complex = 0j
    lower_known_hz: float = 0.0  # rates that are known: a drive off 90 degrees
    upper_known_hz: float = 0.0
    # Known parts of the bare frequencies themselves: Duffing shifts by what the amplitudes
    # differ from where they are held.
    lower_duffing_hz: float = 0.0
    upper_duffing_hz: float = 0.0
    # Squared amplitudes of lower and upper [sample units^2]; None: as before.
    powers: tuple[float, float] | None = None


@lru_cache(maxsize=16)
def transition_parts(dt: float, ratio: float) -> tuple[np.ndarray, np.ndarray]:
    """Transition over a window without a pump: constant, and per multiplied state.

    A frequency moves the phase at the end by frequency * dt and the mean phase by half
    of it. A rate fades as exp(-t / RATE_TIME_S): its integrals over t, t' and t'' give
    what it does to frequency, phase and mean phase.

    Parameters
    ----------
    dt : float
        Length of the window [s].
    ratio : float
        Of the drifts, upper over lower, beforehand.

    Returns
    -------
    ndarray of float64, shape (STATES, STATES)
        What does not depend on the states.
    ndarray of float64, shape (6, STATES, STATES)
        What each of the states MULTIPLIED, times this, adds to the derivative.
    """
    tau, faded_s = RATE_TIME_S, -RATE_TIME_S * math.expm1(-dt / RATE_TIME_S)
    constant, bilinear = np.zeros((STATES, STATES)), np.zeros((6, STATES, STATES))
    per_ratio, per_drift, per_rate = bilinear[:3]
    constant[:LASTING, :LASTING] = np.eye(LASTING)
    constant[SHARED_HZ, RATE] = faded_s
    constant[RATE, RATE] = math.exp(-dt / tau)
    constant[MIDDLE_HZ, [SHARED_HZ, RATE]] = 1.0, -tau * math.expm1(-dt / 2.0 / tau)
    for lower, upper, time_s, rate_s2 in (
        (LOWER_TURNS, UPPER_TURNS, dt, tau * (dt - faded_s)),
        (LOWER_MEAN, UPPER_MEAN, dt / 2.0, tau * (dt / 2.0 - tau + tau * faded_s / dt)),
    ):
        constant[lower, LOWER_TURNS] = constant[upper, UPPER_TURNS] = 1.0
        constant[lower, [SHARED_HZ, RATE]] = time_s, rate_s2
        constant[upper, [SHARED_HZ, RATE]] = ratio * time_s, ratio * rate_s2
        constant[upper, REST_HZ] = time_s
        per_ratio[upper, [SHARED_HZ, RATE]] = time_s, rate_s2
        per_drift[upper, RATIO] = time_s
        per_rate[upper, RATIO] = rate_s2
    return constant, bilinear


def with_pump(
    constant: np.ndarray, bilinear: np.ndarray, dt: float, pump: PumpAction, early: PumpAction
) -> tuple[np.ndarray, np.ndarray]:
    """The same with what the pump adds: shift, and the pull Re(coupling * pull).

    Parameters
    ----------
    constant, bilinear : ndarray of float64
        From `transition_parts`.
    dt : float
        Length of the window [s].
    pump, early : PumpAction
        What it did on average, and weighed by the time that was left in the window.

    Returns
    -------
    (ndarray, ndarray)
        Of the shapes of the first two.
    """
    constant, bilinear = constant.copy(), bilinear.copy()
    per_asymmetry, per_coupling, per_quadrature = bilinear[3:]
    for lower, upper, time_s, action in (
        (LOWER_TURNS, UPPER_TURNS, dt, pump),
        (LOWER_MEAN, UPPER_MEAN, dt / 2.0, early),
    ):
        shift = action.squared * time_s
        constant[lower, SHIFT] = constant[upper, SHIFT] = shift
        constant[upper, SHIFT_DIFFERENCE] = shift
        for row, pull, sign in ((lower, action.lower_pull, 1.0), (upper, action.upper_pull, -1.0)):
            in_phase, across = pull.real * time_s, -pull.imag * time_s
            constant[row, COUPLING], constant[row, QUADRATURE] = in_phase, across
            per_asymmetry[row, COUPLING], per_asymmetry[row, QUADRATURE] = (
                sign * in_phase,
                sign * across,
            )
            per_coupling[row, ASYMMETRY] = sign * in_phase
            per_quadrature[row, ASYMMETRY] = sign * across
    return constant, bilinear


def with_duffing(constant: np.ndarray, dt: float, more_powers: np.ndarray) -> np.ndarray:
    """The constant part with what amplitudes add to the difference, beyond what is known.

    Parameters
    ----------
    constant : ndarray of float64, shape (STATES, STATES)
        The constant part of the transition.
    dt : float
        Length of the window [s].
    more_powers : ndarray of float64, shape (2,)
        Squared amplitudes of lower and upper less those at the start [sample units^2].

    Returns
    -------
    ndarray
        Of the shape of `constant`.
    """
    constant = constant.copy()
    constant[UPPER_TURNS, LOWER_DUFFING:LASTING] = dt * more_powers
    constant[UPPER_MEAN, LOWER_DUFFING:LASTING] = dt / 2.0 * more_powers
    return constant


@lru_cache(maxsize=16)
def noise_parts(dt: float) -> np.ndarray:
    """Covariance that a window adds, per strength.

    A step of a walk that has a time s to go moves the frequency by 1, the phase at
    the end by s and the mean phase by s^2 / (2 dt), and the frequency in the middle
    only if s > dt / 2. A step of a diffusing phase moves the phase by 1 and its mean
    by s / dt. The parts are integrals of products of these over s: polynomials of
    fourth degree in each half, which three Gauss nodes integrate exactly.

    Parameters
    ----------
    dt : float
        Length of the window [s].

    Returns
    -------
    ndarray of float64, shape (7, STATES * STATES)
        For the shared walk, the same times ratio and times ratio squared, the separate walk,
        the diffusion of the lower and of the upper phase, and what does not depend on them.
    """
    nodes, weights = np.polynomial.legendre.leggauss(3)
    half = (nodes + 1.0) / 4.0
    s, ds = dt * np.concatenate((half, half + 0.5)), dt / 4.0 * np.tile(weights, 2)
    lower, upper, rest, lower_phase, upper_phase = np.zeros((5, STATES, len(s)))
    lower[[SHARED_HZ, LOWER_TURNS, LOWER_MEAN]] = np.ones_like(s), s, s * s / (2.0 * dt)
    lower[MIDDLE_HZ] = s > dt / 2.0
    upper[[UPPER_TURNS, UPPER_MEAN]] = s, s * s / (2.0 * dt)
    rest[:] = upper
    rest[REST_HZ] = 1.0
    lower_phase[[LOWER_TURNS, LOWER_MEAN]] = np.ones_like(s), s / dt
    upper_phase[[UPPER_TURNS, UPPER_MEAN]] = np.ones_like(s), s / dt
    cross = (lower * ds) @ upper.T
    shared = (lower * ds) @ lower.T
    # A rate that keeps for RATE_TIME_S and amounts, over that time, to the walk.
    shared[RATE, RATE] = 2.0 * dt / RATE_TIME_S**2
    constant = np.zeros((STATES, STATES))
    constant[RATIO, RATIO] = RATIO_WALK2_PER_S * dt
    parts = [shared, cross + cross.T]
    parts += [(step * ds) @ step.T for step in (upper, rest, lower_phase, upper_phase)]
    return np.array([*parts, constant]).reshape(7, -1)
