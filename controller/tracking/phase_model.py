"""The linear model of a phase and its steady state: what designs and limits stand on.

Here live the model of one mode's phase (thermal diffusion, walking
frequency, white detector noise), its exact discretisation, and the steady
state of the optimal filter for a linear model. What is made of them stands
in `design` (loops) and `limits` (the smallest possible error). No samples
are processed here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.constants import Boltzmann
from scipy.linalg import expm

from controller.errors import InputError

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseModel:
    """One mode as a phase tracker sees it, once per update.

    The phase diffuses and integrates the frequency; the frequency walks at
    random and, in a three-state model, integrates a rate that does so too.

    Raises
    ------
    InputError
        If a value is negative, not finite, or zero where it may not be.
    """

    update_s: float  # time from one measured phase to the next
    phase_noise_rad2_s: float  # white; a phase averaged over a time has this over the time
    phase_diffusion_rad2_per_s: float  # growth of the phase variance by the thermal force
    frequency_walk_hz_per_root_s: float
    rate_walk_hz_per_s_per_root_s: float | None = None  # None: a two-state model

    def __post_init__(self) -> None:
        require_positive("update_s", self.update_s)
        require_positive("phase_noise_rad2_s", self.phase_noise_rad2_s)
        require_not_negative("phase_diffusion_rad2_per_s", self.phase_diffusion_rad2_per_s)
        require_not_negative("frequency_walk_hz_per_root_s", self.frequency_walk_hz_per_root_s)
        if self.rate_walk_hz_per_s_per_root_s is not None:
            require_positive("rate_walk_hz_per_s_per_root_s", self.rate_walk_hz_per_s_per_root_s)

    @property
    def order(self) -> int:
        """Number of states: phase [rad], frequency [rad/s], rate [rad/s^2]."""
        return 2 if self.rate_walk_hz_per_s_per_root_s is None else 3

    @property
    def measurement_variance_rad2(self) -> float:
        """Variance of one measured phase [rad^2]."""
        return self.phase_noise_rad2_s / self.update_s

    def linear(self) -> LinearModel:
        """The model per update, in rad, rad/s and rad/s^2.

        Returns
        -------
        LinearModel
            `order` states and one measured phase.
        """
        diffusion = [
            self.phase_diffusion_rad2_per_s,
            (2.0 * math.pi * self.frequency_walk_hz_per_root_s) ** 2,
        ]
        if self.rate_walk_hz_per_s_per_root_s is not None:
            diffusion.append((2.0 * math.pi * self.rate_walk_hz_per_s_per_root_s) ** 2)
        integrators = np.eye(self.order, k=1)
        transition, covariance = discretised(integrators, np.diag(diffusion), self.update_s)
        return LinearModel(
            transition=transition,
            process_covariance=covariance,
            observation=np.eye(1, self.order),
            measurement_covariance=np.array([[self.measurement_variance_rad2]]),
        )


def thermal_variance_m2(frequency_hz: float, mass_kg: float, temperature_k: float) -> float:
    """Mean squared thermal displacement, k_B T / (m omega^2) [m^2]."""
    return Boltzmann * temperature_k / (mass_kg * (2.0 * math.pi * frequency_hz) ** 2)


def mode_phase_model(
    *,
    frequency_hz: float,
    quality_factor: float,
    mass_kg: float,
    temperature_k: float,
    amplitude_m: float,
    detector_noise: float,
    walk_hz_per_root_s: float,
    update_s: float,
    rate_walk_hz_per_s_per_root_s: float | None = None,
) -> PhaseModel:
    """Phase model of a mode from its physical constants.

    Parameters
    ----------
    frequency_hz, quality_factor, mass_kg : float
        Resonance [Hz], quality factor and effective mass [kg], all > 0.
    temperature_k : float
        Temperature of the thermal force [K], >= 0.
    amplitude_m : float
        Peak amplitude [m], > 0.
    detector_noise : float
        One-sided density of the detector's white noise [m/sqrt(Hz)], > 0.
    walk_hz_per_root_s : float
        Random walk of the frequency [Hz/sqrt(s)], >= 0.
    update_s : float
        Time from one measured phase to the next [s], > 0.
    rate_walk_hz_per_s_per_root_s : float, optional
        Random walk of the frequency rate [Hz/s/sqrt(s)]; None: no such state.

    Returns
    -------
    PhaseModel
        With white phase noise S^2/A^2 and diffusion gamma x_th^2/A^2.

    Raises
    ------
    InputError
        If a value is outside its range.

    Notes
    -----
    The thermal force has one quadrature along the phase: in the rotating
    frame E[zeta zeta*] = 2 gamma x_th^2 delta, half of it in each
    quadrature, so the phase variance grows by gamma x_th^2/A^2 per second.
    The detector adds S^2/T per quadrature to a mean over T, hence a phase
    variance of S^2/(T A^2), the Cramer-Rao bound at a known frequency.
    """
    require_positive("frequency_hz", frequency_hz)
    require_positive("quality_factor", quality_factor)
    require_positive("mass_kg", mass_kg)
    require_not_negative("temperature_k", temperature_k)
    require_positive("amplitude_m", amplitude_m)
    require_positive("detector_noise", detector_noise)
    decay_rate = 2.0 * math.pi * frequency_hz / quality_factor
    thermal_m2 = thermal_variance_m2(frequency_hz, mass_kg, temperature_k)
    return PhaseModel(
        update_s=update_s,
        phase_noise_rad2_s=(detector_noise / amplitude_m) ** 2,
        phase_diffusion_rad2_per_s=decay_rate * thermal_m2 / amplitude_m**2,
        frequency_walk_hz_per_root_s=walk_hz_per_root_s,
        rate_walk_hz_per_s_per_root_s=rate_walk_hz_per_s_per_root_s,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LinearModel:
    """x(n+1) = F x(n) + w(n), z(n) = H x(n) + v(n); w and v white."""

    transition: FloatArray  # F, shape (states, states)
    process_covariance: FloatArray  # of w, shape (states, states)
    observation: FloatArray  # H, shape (measured, states)
    measurement_covariance: FloatArray  # of v, shape (measured, measured), regular


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SteadyState:
    """The optimal filter of a linear model after its transient."""

    predicted_covariance: FloatArray  # of the error before an update, shape (states, states)
    filtered_covariance: FloatArray  # of the error after an update, shape (states, states)
    innovation_covariance: FloatArray  # shape (measured, measured)
    gain: FloatArray  # x += gain @ innovation, shape (states, measured)


def discretised(
    rates: FloatArray, diffusion: FloatArray, interval_s: float
) -> tuple[FloatArray, FloatArray]:
    """Transition and noise covariance over an interval, exact.

    Parameters
    ----------
    rates : ndarray of float64, shape (states, states)
        A in dx = A x dt + dw [1/s in the states' units].
    diffusion : ndarray of float64, shape (states, states)
        E[dw dw'] = diffusion dt.
    interval_s : float
        Length of the interval [s], > 0.

    Returns
    -------
    transition, covariance : ndarray of float64, shape (states, states)
        F = exp(A T) and Q = integral of exp(A s) diffusion exp(A' s).

    References
    ----------
    C. F. Van Loan, IEEE Trans. Automatic Control 23, 395 (1978):
    exp([[-A, D], [0, A']] T) = [[.., F^-1 Q], [0, F']].
    """
    states = len(rates)
    block = np.block([[-rates, diffusion], [np.zeros_like(rates), rates.T]]) * interval_s
    exponential = expm(block)
    transition = exponential[states:, states:].T
    return transition, symmetric(transition @ exponential[:states, states:])


def steady_state(model: LinearModel) -> SteadyState:
    """Steady state of the optimal filter for a linear model.

    Parameters
    ----------
    model : LinearModel
        Every state that does not die out by itself is seen in the
        measurements and kept alive by noise.

    Returns
    -------
    SteadyState
        Covariances in the squared units of the states.

    Raises
    ------
    ArithmeticError
        If the doubling does not settle: the model is not as required.

    Notes
    -----
    Solves the discrete algebraic Riccati equation
    P = F (P - P H' (H P H' + R)^-1 H P) F' + Q by doubling: step k holds
    the covariance after 2^k updates. A solver that splits the eigenvalues
    of the symplectic pencil at the unit circle (`solve_discrete_are`) gives
    up where drift of long memory brings them within about 1e-7 of it;
    doubling keeps eight digits there.

    References
    ----------
    B. D. O. Anderson, Int. J. Control 28, 295 (1978): doubling for the
    Riccati equation.
    """
    observation, noise = model.observation, model.measurement_covariance
    identity = np.eye(len(model.transition))
    propagator = model.transition.T
    information = observation.T @ np.linalg.solve(noise, observation)
    predicted = model.process_covariance
    for _ in range(_MOST_DOUBLINGS):
        shared = np.linalg.inv(identity + information @ predicted)
        growth = symmetric(propagator.T @ predicted @ shared @ propagator)
        information = symmetric(information + propagator @ shared @ information @ propagator.T)
        propagator = propagator @ shared @ propagator
        predicted = predicted + growth
        if _is_negligible(growth, predicted):
            return _filter_of(predicted, observation, noise)
    raise ArithmeticError("the optimal filter has no steady state: check the model")


def stationary_covariance(transition: FloatArray, covariance: FloatArray) -> FloatArray:
    """Covariance of x(n+1) = F x(n) + w(n) for a stable F.

    Parameters
    ----------
    transition : ndarray of float64, shape (states, states)
        F, every eigenvalue inside the unit circle.
    covariance : ndarray of float64, shape (states, states)
        Of the white noise w.

    Returns
    -------
    ndarray of float64, shape (states, states)
        X = F X F' + covariance, summed by doubling.

    Raises
    ------
    ArithmeticError
        If the sum does not settle: F is not stable.
    """
    total = covariance
    for _ in range(_MOST_DOUBLINGS):
        growth = symmetric(transition @ total @ transition.T)
        total = total + growth
        if _is_negligible(growth, total):
            return total
        transition = transition @ transition
    raise ArithmeticError("no stationary covariance: the system is not stable")


def symmetric(matrix: FloatArray) -> FloatArray:
    """The symmetric part: rounding must not build up an odd one."""
    return (matrix + matrix.T) / 2.0


def require_positive(name: str, value: float) -> None:
    """Raise InputError unless the value is finite and above zero."""
    if not (math.isfinite(value) and value > 0.0):
        raise InputError(f"{name} is {value!r}: it must be a finite number above 0")


def require_not_negative(name: str, value: float) -> None:
    """Raise InputError unless the value is finite and at least zero."""
    if not (math.isfinite(value) and value >= 0.0):
        raise InputError(f"{name} is {value!r}: it must be a finite number, 0 or more")


_MOST_DOUBLINGS = 60  # 2^60 updates: longer than any memory that a double can resolve


def _is_negligible(growth: FloatArray, total: FloatArray) -> bool:
    """Whether no variance grew by more than rounding."""
    return bool(np.all(np.diag(growth) <= 4.0 * np.finfo(float).eps * np.diag(total)))


def _filter_of(predicted: FloatArray, observation: FloatArray, noise: FloatArray) -> SteadyState:
    """Gain and covariances that follow from the predicted covariance."""
    innovation = observation @ predicted @ observation.T + noise
    gain = predicted @ observation.T @ np.linalg.inv(innovation)
    return SteadyState(
        predicted_covariance=predicted,
        filtered_covariance=symmetric(predicted - gain @ observation @ predicted),
        innovation_covariance=innovation,
        gain=gain,
    )
