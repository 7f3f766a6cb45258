"""Loop design from the noise: optimal gains and the errors they lead to.

The loop of least error is the steady-state optimal filter of a
`PhaseModel`. Here stand its design, what it predicts (errors, slips, Allan
deviation), and the tables that show it. What any loop does whatever its
gains came from stands in `loop_figures`. No samples are processed here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from controller.errors import InputError
from controller.records import ModeId
from controller.settings import LoopSettings
from controller.tracking.limits import (
    DifferenceModel,
    SharedDrift,
    independent_limits,
    joint_limits,
)
from controller.tracking.loop_figures import (
    LoopFigures,
    LoopGains,
    closed_loop_response,
    controlled_root_gains,
    drift_phase_error_rad,
    loop_figures,
    mean_slip_time_s,
    second_order_gains,
)
from controller.tracking.phase_model import (
    FloatArray,
    PhaseModel,
    mode_phase_model,
    require_positive,
    steady_state,
    thermal_variance_m2,
)

__all__ = [
    "LoopDesign",
    "LoopFigures",
    "LoopGains",
    "PhaseModel",
    "closed_loop_response",
    "controlled_root_gains",
    "describe",
    "design_loop",
    "design_report",
    "drift_phase_error_rad",
    "estimate_allan_deviation_hz",
    "frequency_error_allan_deviation_hz",
    "loop_figures",
    "mean_slip_time_s",
    "mode_phase_model",
    "second_order_gains",
]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoopDesign:
    """The optimal loop for a model, with the errors it predicts."""

    model: PhaseModel
    figures: LoopFigures
    phase_sigma_rad: float  # of the phase just after an update
    predicted_phase_sigma_rad: float  # of the phase just before an update
    innovation_sigma_rad: float  # of the measured phase error
    frequency_sigma_hz: float  # of the frequency just after an update
    rate_sigma_hz_per_s: float | None
    error_covariance: FloatArray  # just after an update, shape (order, order), rad, rad/s, ...

    @property
    def gains(self) -> LoopGains:
        """The steady-state gains."""
        return self.figures.gains


def design_loop(model: PhaseModel) -> LoopDesign:
    """The loop of least error for a model of phase and noise.

    Parameters
    ----------
    model : PhaseModel
        With a frequency walk or a rate walk above zero.

    Returns
    -------
    LoopDesign
        Steady-state gains and the errors they lead to.

    Raises
    ------
    InputError
        If nothing moves the frequency: the best gain then falls to zero
        with time and there is no steady loop.
    """
    if model.order == 2 and model.frequency_walk_hz_per_root_s == 0.0:
        raise InputError(
            "frequency_walk_hz_per_root_s is 0.0: a loop needs a frequency that moves, "
            "so it must be above 0"
        )
    optimum = steady_state(model.linear())
    gains = _gains_of(optimum.gain[:, 0])
    sigmas = np.sqrt(np.diag(optimum.filtered_covariance))
    return LoopDesign(
        model=model,
        figures=loop_figures(gains, model.update_s),
        phase_sigma_rad=float(sigmas[0]),
        predicted_phase_sigma_rad=math.sqrt(optimum.predicted_covariance[0, 0]),
        innovation_sigma_rad=math.sqrt(optimum.innovation_covariance[0, 0]),
        frequency_sigma_hz=float(sigmas[1]) / (2.0 * math.pi),
        rate_sigma_hz_per_s=float(sigmas[2]) / (2.0 * math.pi) if model.order == 3 else None,
        error_covariance=optimum.filtered_covariance,
    )


def _gains_of(filter_gain: FloatArray) -> LoopGains:
    """Loop gains from the gain vector of a filter, shape (order,)."""
    return LoopGains(
        phase=float(filter_gain[0]),
        frequency_per_s=float(filter_gain[1]),
        rate_per_s2=float(filter_gain[2]) if len(filter_gain) == 3 else 0.0,
    )


def frequency_error_allan_deviation_hz(
    design: LoopDesign, taus_s: Sequence[float] | np.ndarray
) -> FloatArray:
    """Allan deviation of the error of the tracked frequency.

    Parameters
    ----------
    design : LoopDesign
        The error is that of the frequency just after each update.
    taus_s : sequence of float, shape (n,)
        Averaging times [s], > 0; rounded to whole updates, at least one.

    Returns
    -------
    ndarray of float64, shape (n,)
        Allan deviation [Hz].

    Raises
    ------
    InputError
        If a tau is not above zero.

    Notes
    -----
    With V(m) the variance of a sum of m errors in a row,
    AVAR = (2 V(m) - V(2m)/2) / m^2. For two states it tends to
    sqrt((q + (K_phase/K_frequency)^2 q_f) / tau) / (2 pi): the diffusion q
    of the phase, which no loop can tell from a frequency, and the lag
    behind a frequency that walks by q_f.
    """
    counts = _update_counts(taus_s, design.model.update_s)
    single = _sum_variances_rad2_per_s2(design, counts)
    double = _sum_variances_rad2_per_s2(design, 2 * counts)
    allan = (2.0 * single - double / 2.0) / counts**2.0
    return np.asarray(np.sqrt(np.maximum(allan, 0.0)) / (2.0 * math.pi))


def _sum_variances_rad2_per_s2(design: LoopDesign, counts: np.ndarray) -> FloatArray:
    """Variance of the sum of each count of frequency errors in a row.

    The errors follow e(n) = (I - K H) (F e(n-1) + w) - K v. A running sum
    of their frequency is one more state; the covariance after m steps is
    composed from those after powers of two.
    """
    linear = design.model.linear()
    order = design.model.order
    gain = np.array([design.gains.phase, design.gains.frequency_per_s, design.gains.rate_per_s2])
    gain = gain[:order, np.newaxis]
    correction = np.eye(order) - gain @ linear.observation
    noise = (
        correction @ linear.process_covariance @ correction.T
        + gain @ linear.measurement_covariance @ gain.T
    )
    with_sum = np.vstack([np.eye(order), np.eye(1, order, k=1)])
    step = np.eye(order + 1)[:, order:] @ np.eye(1, order + 1, k=order)
    step[:, :order] = with_sum @ correction @ linear.transition
    start = np.zeros((order + 1, order + 1))
    start[:order, :order] = design.error_covariance
    return np.array(
        [
            _covariance_after(int(count), step, with_sum @ noise @ with_sum.T, start)[-1, -1]
            for count in counts
        ]
    )


def _covariance_after(
    steps: int, transition: FloatArray, noise: FloatArray, covariance: FloatArray
) -> FloatArray:
    """Covariance of x(n+1) = F x(n) + w(n) after some steps, by squaring."""
    while steps:
        if steps % 2:
            covariance = transition @ covariance @ transition.T + noise
        noise = transition @ noise @ transition.T + noise
        transition = transition @ transition
        steps //= 2
    return covariance


def _update_counts(taus_s: Sequence[float] | np.ndarray, update_s: float) -> np.ndarray:
    """Averaging times in whole updates, at least one."""
    taus = np.asarray(taus_s, dtype=float)
    for tau_s in taus:
        require_positive("taus_s", float(tau_s))
    return np.maximum(np.rint(taus / update_s), 1.0).astype(np.int64)


def estimate_allan_deviation_hz(
    design: LoopDesign, taus_s: Sequence[float] | np.ndarray
) -> FloatArray:
    """Allan deviation of the frequencies that the loop reports.

    Parameters
    ----------
    design : LoopDesign
        Of two states.
    taus_s : sequence of float, shape (n,)
        Averaging times [s], > 0; rounded to whole updates, at least one.

    Returns
    -------
    ndarray of float64, shape (n,)
        Allan deviation [Hz]; infinite for three states, whose frequency
        wanders too fast for the two-sample variance to exist.

    Raises
    ------
    InputError
        If a tau is not above zero.

    Notes
    -----
    An optimal loop's phase errors are white, so its frequency is a random
    walk of step s = K_frequency times their sigma, and for m updates
    AVAR = s^2 (2 m^2 + 1) / (6 m): that of the mode's own walk.
    """
    counts = _update_counts(taus_s, design.model.update_s)
    if design.model.order == 3:
        return np.full(len(counts), np.inf)
    step_hz = design.gains.frequency_per_s * design.innovation_sigma_rad / (2.0 * math.pi)
    return np.asarray(step_hz * np.sqrt((2.0 * counts**2 + 1.0) / (6.0 * counts)))


_TABLE_TAUS_S = (0.1, 1.0, 10.0, 100.0)
_DRIFT_SHOWN_HZ_PER_S = 0.01


def describe(design: LoopDesign, taus_s: Sequence[float] = _TABLE_TAUS_S) -> str:
    """The figures of a loop as a plain-text table.

    Parameters
    ----------
    design : LoopDesign
        The loop.
    taus_s : sequence of float
        Averaging times of the Allan deviations [s], > 0.

    Returns
    -------
    str
        Lines without a newline at the end.

    Raises
    ------
    InputError
        If a tau is not above zero.
    """
    lines = [f"{name:<{_NAME_WIDTH}}{value}" for name, value in _figure_rows(design)]
    lines += ["", f"{'averaging time':<{_NAME_WIDTH}}{'Allan deviation [Hz] of'}"]
    lines += [f"{'[s]':<{_NAME_WIDTH}}{'the error':<16}{'the estimates'}"]
    errors_hz = frequency_error_allan_deviation_hz(design, taus_s)
    estimates_hz = estimate_allan_deviation_hz(design, taus_s)
    for tau_s, error_hz, estimate_hz in zip(taus_s, errors_hz, estimates_hz, strict=True):
        lines.append(f"{tau_s:<{_NAME_WIDTH}g}{error_hz:<16.3e}{estimate_hz:.3e}")
    return "\n".join(lines)


_NAME_WIDTH = 34


def _figure_rows(design: LoopDesign) -> list[tuple[str, str]]:
    """Name and value of each figure, in the order of the table."""
    model, figures, gains = design.model, design.figures, design.gains
    slip_time_s = mean_slip_time_s(design.predicted_phase_sigma_rad, figures.noise_bandwidth_hz)
    static_rad = drift_phase_error_rad(figures, _DRIFT_SHOWN_HZ_PER_S)
    rows = [
        ("loop", f"type {gains.order}, update every {figures.update_s:.4g} s"),
        ("phase noise (white)", f"{model.phase_noise_rad2_s:.4g} rad^2 s"),
        ("phase diffusion (thermal)", f"{model.phase_diffusion_rad2_per_s:.4g} rad^2/s"),
        ("frequency walk", f"{model.frequency_walk_hz_per_root_s:.4g} Hz/sqrt(s)"),
        ("gain to phase", f"{gains.phase:.6g}"),
        ("gain to frequency", f"{gains.frequency_per_s:.6g} 1/s"),
    ]
    if gains.order == 3:
        rows.append(("gain to frequency rate", f"{gains.rate_per_s2:.6g} 1/s^2"))
    rows += [
        ("poles (z plane)", "  ".join(f"{pole:.6f}" for pole in figures.poles)),
        ("noise bandwidth B_L", f"{figures.noise_bandwidth_hz:.4g} Hz, one-sided"),
    ]
    if figures.natural_frequency_rad_per_s is not None:
        rows += [
            ("natural frequency", f"{figures.natural_frequency_rad_per_s:.4g} rad/s"),
            ("damping ratio", f"{figures.damping_ratio:.4g}"),
        ]
    three_db = figures.three_db_bandwidth_hz
    rows += [
        ("3 dB bandwidth", f"{three_db:.4g} Hz" if three_db else "beyond half the update rate"),
        ("peaking", f"{figures.peaking_db:.3g} dB"),
        ("phase error after an update", f"{design.phase_sigma_rad:.4g} rad rms"),
        ("phase error before an update", f"{design.predicted_phase_sigma_rad:.4g} rad rms"),
        ("frequency error", f"{design.frequency_sigma_hz:.4g} Hz rms"),
        (f"phase error at {_DRIFT_SHOWN_HZ_PER_S:g} Hz/s", f"{static_rad:.4g} rad, static"),
        ("mean time between cycle slips", _long_time(slip_time_s)),
    ]
    return rows


def _long_time(seconds: float) -> str:
    """A mean time in words where it says no more than "never"."""
    age_of_the_universe_s = 4e17
    return f"{seconds:.3g} s, roughly" if seconds < age_of_the_universe_s else "never"


_ASSUMED_DETECTOR_NOISE = 1.0e-14  # m/sqrt(Hz): a quiet interferometer; common practice, no source
_ASSUMED_COMMON_WALK = 5.0e-3  # Hz/sqrt(s): a drifting room; common practice, no source
_ASSUMED_SEPARATE_WALK = 2.0e-5  # Hz/sqrt(s): adsorption; common practice, no source
_WALK_MEMORY_S = 1.0e6  # an Ornstein-Uhlenbeck drift of this memory walks over any run


def design_report(
    settings: LoopSettings,
    *,
    detector_noise: float | None = None,
    common_walk_hz_per_root_s: float | None = None,
    separate_walk_hz_per_root_s: float | None = None,
    update_s: float = 0.02,
) -> str:
    """Loop designs of both modes and the difference, as plain text.

    Parameters
    ----------
    settings : LoopSettings
        Modes, drive and tracking of a configuration.
    detector_noise : float, optional
        One-sided density [m/sqrt(Hz)], > 0; None: the setting, or an
        assumed value that is marked as such. So for the walks.
    common_walk_hz_per_root_s : float, optional
        Walk that both modes share, as the lower one sees it; the upper one
        walks f_upper / f_lower times as far [Hz/sqrt(s)], > 0.
    separate_walk_hz_per_root_s : float, optional
        Walk of each mode on its own [Hz/sqrt(s)], > 0.
    update_s : float
        Time between updates of the loops [s], > 0.

    Returns
    -------
    str
        Several tables, ending with a newline.

    Raises
    ------
    InputError
        If a value is outside its range.
    """
    tracking = settings.tracking
    noise = _Chosen.of(detector_noise, tracking.detector_noise, _ASSUMED_DETECTOR_NOISE)
    common = _Chosen.of(
        common_walk_hz_per_root_s, tracking.common_walk_hz_per_root_s, _ASSUMED_COMMON_WALK
    )
    separate = _Chosen.of(
        separate_walk_hz_per_root_s, tracking.separate_walk_hz_per_root_s, _ASSUMED_SEPARATE_WALK
    )
    ratio = settings.modes.upper.frequency_hz / settings.modes.lower.frequency_hz
    common_walks = {ModeId.LOWER: common.value, ModeId.UPPER: common.value * ratio}

    def model_of(mode: ModeId, walk_hz_per_root_s: float) -> PhaseModel:
        return _configured_model(
            settings, mode, noise.value, walk_hz_per_root_s=walk_hz_per_root_s, update_s=update_s
        )

    sections = [
        "\n".join(
            [
                f"{'temperature':<{_NAME_WIDTH}}{tracking.temperature_k:.4g} K",
                f"{'detector noise':<{_NAME_WIDTH}}{noise.text('m/sqrt(Hz)')}",
                f"{'walk that both modes share':<{_NAME_WIDTH}}{common.text('Hz/sqrt(s)')}",
                f"{'walk of each mode on its own':<{_NAME_WIDTH}}{separate.text('Hz/sqrt(s)')}",
            ]
        )
    ]
    for mode in ModeId:
        total_walk = math.hypot(common_walks[mode], separate.value)
        sections.append(
            f"{mode} mode: {_mode_line(settings, mode)}\n"
            + describe(design_loop(model_of(mode, total_walk)))
        )
    difference = DifferenceModel(
        lower=model_of(ModeId.LOWER, separate.value),
        upper=model_of(ModeId.UPPER, separate.value),
        shared_drifts=(_shared_walk(common.value, ratio),),
    )
    sections.append(_difference_table(difference))
    return "\n\n".join(sections) + "\n"


@dataclass(frozen=True, slots=True)
class _Chosen:
    """A value with where it came from."""

    value: float
    origin: str

    @classmethod
    def of(cls, given: float | None, setting: float | None, assumed: float) -> _Chosen:
        """The given value, else the setting, else what is assumed."""
        if given is not None:
            return cls(given, "given")
        if setting is not None:
            return cls(setting, "from the settings")
        return cls(assumed, "ASSUMED: neither set nor measured")

    def text(self, unit: str) -> str:
        """Value, unit and origin on one line."""
        return f"{self.value:.4g} {unit} ({self.origin})"


def _amplitude_m(settings: LoopSettings, mode: ModeId) -> float:
    """Peak amplitude that is held; of an undriven mode the thermal rms, sqrt(2) x_th."""
    constants = settings.modes.of(mode)
    thermal_m2 = thermal_variance_m2(
        constants.frequency_hz, constants.mass_kg, settings.tracking.temperature_k
    )
    return settings.drive.amplitude_of(mode) or math.sqrt(2.0 * thermal_m2)


def _configured_model(
    settings: LoopSettings,
    mode: ModeId,
    detector_noise: float,
    *,
    walk_hz_per_root_s: float,
    update_s: float,
) -> PhaseModel:
    """Phase model of a mode of a configuration."""
    constants = settings.modes.of(mode)
    return mode_phase_model(
        frequency_hz=constants.frequency_hz,
        quality_factor=constants.quality_factor,
        mass_kg=constants.mass_kg,
        temperature_k=settings.tracking.temperature_k,
        amplitude_m=_amplitude_m(settings, mode),
        detector_noise=detector_noise,
        walk_hz_per_root_s=walk_hz_per_root_s,
        update_s=update_s,
    )


def _mode_line(settings: LoopSettings, mode: ModeId) -> str:
    """Frequency, quality factor and amplitude of a mode in words."""
    constants = settings.modes.of(mode)
    held = "held at" if settings.drive.amplitude_of(mode) else "in thermal motion of about"
    return (
        f"{constants.frequency_hz:.10g} Hz, quality factor {constants.quality_factor:.4g}, "
        f"{held} {_amplitude_m(settings, mode):.4g} m"
    )


def _shared_walk(walk_hz_per_root_s: float, ratio: float) -> SharedDrift:
    """A random walk that both modes share, in units of the lower mode's hertz."""
    return SharedDrift(
        sigma_k=walk_hz_per_root_s * math.sqrt(_WALK_MEMORY_S / 2.0),
        time_s=_WALK_MEMORY_S,
        lower_hz_per_k=1.0,
        upper_hz_per_k=ratio,
    )


def _difference_table(model: DifferenceModel) -> str:
    """Errors of the difference, joint and independent."""
    joint, independent = joint_limits(model), independent_limits(model)
    return "\n".join(
        [
            "difference: smallest steady error, all parameters known",
            f"{'joint estimate':<{_NAME_WIDTH}}{joint.difference_hz:.4g} Hz rms",
            f"{'two independent loops':<{_NAME_WIDTH}}{independent.difference_hz:.4g} Hz rms",
        ]
    )
