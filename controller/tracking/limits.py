"""The smallest possible error of the difference frequency.

Here stands what an estimator that knows every parameter could reach in
steady state: jointly from both phases, or with one optimal filter for each
mode. Nothing here tracks; trackers are measured against these numbers.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.linalg import block_diag

from controller.errors import InputError
from controller.records import ModeId
from controller.tracking.phase_model import (
    FloatArray,
    LinearModel,
    PhaseModel,
    SteadyState,
    discretised,
    mode_phase_model,
    require_positive,
    stationary_covariance,
    steady_state,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedDrift:
    """A temperature that both modes feel: Ornstein-Uhlenbeck noise.

    Raises
    ------
    InputError
        If sigma or time is not above zero, or a coefficient not finite.
    """

    sigma_k: float  # standard deviation [K]
    time_s: float  # correlation time [s]
    lower_hz_per_k: float
    upper_hz_per_k: float

    def __post_init__(self) -> None:
        require_positive("sigma_k", self.sigma_k)
        require_positive("time_s", self.time_s)
        for name in ("lower_hz_per_k", "upper_hz_per_k"):
            if not math.isfinite(getattr(self, name)):
                raise InputError(f"{name} is {getattr(self, name)!r}: it must be finite")

    def hz_per_k(self, mode: ModeId) -> float:
        """How far one mode moves per kelvin [Hz/K]."""
        return self.lower_hz_per_k if mode == ModeId.LOWER else self.upper_hz_per_k


@dataclass(frozen=True, slots=True, kw_only=True)
class DifferenceModel:
    """Both modes: each with its own noise and walk, and what they share.

    Raises
    ------
    InputError
        If the updates differ or a mode's model has a rate of its own.
    """

    lower: PhaseModel  # its walk is what this mode does not share
    upper: PhaseModel
    shared_drifts: tuple[SharedDrift, ...] = ()

    def __post_init__(self) -> None:
        if self.lower.update_s != self.upper.update_s:
            raise InputError(
                f"update_s is {self.lower.update_s!r} for the lower and "
                f"{self.upper.update_s!r} for the upper mode: both phases must be "
                "measured together"
            )
        if self.lower.order != 2 or self.upper.order != 2:
            raise InputError(
                "rate_walk_hz_per_s_per_root_s is set: the limit of the difference knows "
                "walking frequencies and shared drifts only"
            )

    @property
    def update_s(self) -> float:
        """Time from one pair of measured phases to the next [s]."""
        return self.lower.update_s

    def of(self, mode: ModeId) -> PhaseModel:
        """The model of one mode."""
        return self.lower if mode == ModeId.LOWER else self.upper


@dataclass(frozen=True, slots=True, kw_only=True)
class FrequencyLimits:
    """Standard deviations of filtered frequencies in steady state."""

    lower_hz: float
    upper_hz: float
    difference_hz: float


def joint_limits(model: DifferenceModel) -> FrequencyLimits:
    """Errors of the optimal filter that sees both phases.

    Parameters
    ----------
    model : DifferenceModel
        Everything that moves the two phases.

    Returns
    -------
    FrequencyLimits
        Just after an update, causal (no smoothing) [Hz].

    Notes
    -----
    States: two phases, two own walks, one temperature for each shared
    drift. A measured phase counts as taken at the end of its averaging
    time, so update_s has to be short against every correlation time and
    against the filter; the limit settles as it falls.
    """
    system = _system_of(model, tuple(ModeId))
    covariance = steady_state(system.linear).filtered_covariance
    return _limits_from(system.frequencies_hz @ covariance @ system.frequencies_hz.T)


def independent_limits(model: DifferenceModel) -> FrequencyLimits:
    """Errors of two optimal filters that each see one phase.

    Parameters
    ----------
    model : DifferenceModel
        Everything that moves the two phases.

    Returns
    -------
    FrequencyLimits
        Just after an update; the error of the difference counts that both
        filters lag behind the same drift [Hz].

    Notes
    -----
    Derived here: what moves one mode is a closed part z = S x of all states,
    so the stacked error of both filters follows
    e(n) = (I - K H) (F e(n-1) + S w(n-1)) - K v(n) with block-diagonal F, H
    and K; its covariance solves a Lyapunov equation.
    """
    joint = _system_of(model, tuple(ModeId))
    separate = {mode: _system_of(model, (mode,)) for mode in ModeId}
    filters = {mode: steady_state(separate[mode].linear) for mode in ModeId}
    selection = np.vstack([_selection(separate[mode], joint) for mode in ModeId])
    correction = block_diag(*(_correction(separate[mode].linear, filters[mode]) for mode in ModeId))
    transition = block_diag(*(separate[mode].linear.transition for mode in ModeId))
    gain = block_diag(*(filters[mode].gain for mode in ModeId))
    process = selection @ joint.linear.process_covariance @ selection.T
    noise = gain @ joint.linear.measurement_covariance @ gain.T
    covariance = stationary_covariance(
        correction @ transition, correction @ process @ correction.T + noise
    )
    frequencies_hz = block_diag(*(separate[mode].frequencies_hz for mode in ModeId))
    return _limits_from(frequencies_hz @ covariance @ frequencies_hz.T)


def joint_difference_limit_hz(model: DifferenceModel) -> float:
    """Smallest rms error of the difference, from both phases [Hz]."""
    return joint_limits(model).difference_hz


def independent_difference_limit_hz(model: DifferenceModel) -> float:
    """Rms error of the difference of two optimal single filters [Hz]."""
    return independent_limits(model).difference_hz


def difference_model(
    truth: Mapping[str, Any], amplitudes_m: Mapping[ModeId, float], update_s: float
) -> DifferenceModel:
    """Model of both modes from a simulator's record of the truth.

    Parameters
    ----------
    truth : Mapping
        Keys "temperature_k", "detector_noise_m_per_root_hz", "modes" (by
        name: "frequency_hz", "quality_factor", "mass_kg",
        "walk_hz_per_root_s") and "shared_drifts" (each: "sigma_k",
        "time_s", "lower_hz_per_k", "upper_hz_per_k").
    amplitudes_m : Mapping of ModeId to float
        Peak amplitude of each mode [m], > 0.
    update_s : float
        Time from one pair of measured phases to the next [s], > 0.

    Returns
    -------
    DifferenceModel
        Without drifts whose sigma_k is 0.

    Raises
    ------
    InputError
        If a key is missing, a value not a number or outside its range.
    """
    modes = {
        mode: mode_phase_model(
            frequency_hz=_number(truth, "modes", mode, "frequency_hz"),
            quality_factor=_number(truth, "modes", mode, "quality_factor"),
            mass_kg=_number(truth, "modes", mode, "mass_kg"),
            temperature_k=_number(truth, "temperature_k"),
            amplitude_m=amplitudes_m[mode],
            detector_noise=_number(truth, "detector_noise_m_per_root_hz"),
            walk_hz_per_root_s=_number(truth, "modes", mode, "walk_hz_per_root_s"),
            update_s=update_s,
        )
        for mode in ModeId
    }
    drifts = tuple(
        SharedDrift(
            **{
                name: _number(truth, "shared_drifts", position, name)
                for name in ("sigma_k", "time_s", "lower_hz_per_k", "upper_hz_per_k")
            }
        )
        for position in range(len(truth.get("shared_drifts", ())))
        if _number(truth, "shared_drifts", position, "sigma_k") != 0.0
    )
    return DifferenceModel(
        lower=modes[ModeId.LOWER], upper=modes[ModeId.UPPER], shared_drifts=drifts
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _System:
    """States of some modes, named, with the rows that read off frequencies."""

    states: tuple[tuple[str, object], ...]
    linear: LinearModel
    frequencies_hz: FloatArray  # shape (modes, states)


def _system_of(model: DifferenceModel, modes: tuple[ModeId, ...]) -> _System:
    """The closed system of one mode or of both.

    A walk of zero has no state: its frequency is known in the long run, and
    a state that nothing moves would leave the Riccati equation singular.
    """
    walking = [mode for mode in modes if model.of(mode).frequency_walk_hz_per_root_s > 0.0]
    states: tuple[tuple[str, object], ...] = (
        *(("phase", mode) for mode in modes),
        *(("walk", mode) for mode in walking),
        *(("drift", position) for position in range(len(model.shared_drifts))),
    )
    place = {state: index for index, state in enumerate(states)}
    frequencies_hz = np.zeros((len(modes), len(states)))
    for row, mode in enumerate(modes):
        if mode in walking:
            frequencies_hz[row, place["walk", mode]] = 1.0
        for position, drift in enumerate(model.shared_drifts):
            frequencies_hz[row, place["drift", position]] = drift.hz_per_k(mode)

    rates = np.zeros((len(states), len(states)))
    diffusion = np.zeros(len(states))
    rates[: len(modes)] = 2.0 * math.pi * frequencies_hz
    for mode in modes:
        diffusion[place["phase", mode]] = model.of(mode).phase_diffusion_rad2_per_s
    for mode in walking:
        diffusion[place["walk", mode]] = model.of(mode).frequency_walk_hz_per_root_s ** 2
    for position, drift in enumerate(model.shared_drifts):
        index = place["drift", position]
        rates[index, index] = -1.0 / drift.time_s
        diffusion[index] = 2.0 * drift.sigma_k**2 / drift.time_s

    transition, covariance = discretised(rates, np.diag(diffusion), model.update_s)
    measured = np.diag([model.of(mode).measurement_variance_rad2 for mode in modes])
    return _System(
        states=states,
        linear=LinearModel(
            transition=transition,
            process_covariance=covariance,
            observation=np.eye(len(modes), len(states)),
            measurement_covariance=measured,
        ),
        frequencies_hz=frequencies_hz,
    )


def _selection(part: _System, whole: _System) -> FloatArray:
    """The rows S with part states = S whole states."""
    return np.eye(len(whole.states))[[whole.states.index(state) for state in part.states]]


def _correction(linear: LinearModel, filtered: SteadyState) -> FloatArray:
    """I - K H: what an update leaves of an error."""
    return np.eye(len(linear.transition)) - filtered.gain @ linear.observation


def _limits_from(covariance_hz2: FloatArray) -> FrequencyLimits:
    """Standard deviations from the covariance of (lower, upper)."""
    difference = np.array([-1.0, 1.0])
    return FrequencyLimits(
        lower_hz=math.sqrt(covariance_hz2[0, 0]),
        upper_hz=math.sqrt(covariance_hz2[1, 1]),
        difference_hz=math.sqrt(max(0.0, difference @ covariance_hz2 @ difference)),
    )


def _number(truth: Mapping[str, Any], *path: str | int) -> float:
    """A number of the truth, or one line that names its place."""
    value: Any = truth
    place = ".".join(str(key) for key in path)
    for key in path:
        try:
            value = value[key]
        except (KeyError, IndexError, TypeError):
            raise InputError(f"the truth has no {place}: a number is needed there") from None
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise InputError(f"{place} of the truth is {value!r}: a number is needed there")
    return float(value)
