"""The fit of two coupled modes to the complex amplitudes of one stretch of data.

In the frame in which the upper amplitude turns with the pump, the modes obey

    db_1/dt = [i w_1 - gamma_1/2] b_1 + i G rho  b_2 + noise
    db_2/dt = [i (w_1 - Delta) - gamma_2/2] b_2 + i G*/rho b_1 + noise

with G = g e^(-i chi), chi what lines and coupling add to the pump's phase, and
Delta = pump less difference. The drift w_1 that both modes share is far larger
than all the rest: each step from one mean to the next has a common phase of its
own, which is eliminated in closed form. What remains of a step is one number along
the motion (common decay) and two across it (exchange, detuning), driven by thermal
kicks, so that the errors of the steps are all but independent.

Means over adjacent intervals share kicks and noise: their errors have a correlation
from one step to the next, which is known and taken out by a Cholesky factor. The
difference may wander: it is linear between nodes, which are tied by its random walk.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.linalg import block_diag
from scipy.optimize import least_squares

from controller.analysis.protocols.banded import factor, whitened
from controller.analysis.protocols.data import (
    TWO_PI,
    Facts,
    ProtocolFailure,
    Run,
    summed_rad,
    unwrapped_rad,
)
from controller.records import ModeId

SHARED = (
    *("coupling_re", "coupling_im"),  # G [rad/s]
    *("decay_lower", "decay_upper"),  # energy [1/s]
    *("asymmetry", "drift_ratio"),  # ln rho; difference per lower frequency
    *("duffing_lower", "duffing_upper"),  # difference by |a|^2 [Hz/m^2]
)
COUNT = len(SHARED)
RE, IM, DECAY_LOWER, DECAY_UPPER = range(4)
ASYMMETRY, DRIFT_RATIO, DUFFING_LOWER, DUFFING_UPPER = range(4, COUNT)

NODE_SPACING_S = 5.0  # the walk of the difference hardly moves a phase within
MOST_NODES = 21
LONGEST_STEP_S = 0.2
STEP_RAD = 0.25  # of the exchange, within one step
FEWEST_STEPS = 40  # three numbers each, against about ten parameters
PASSES = 4  # the noise and the drift settle to 1e-3 of a sigma within three
DIFFERENCE = 1.0e-6  # for slopes, per second or relative: curvature and rounding both 1e-6
SMALLEST_GAIN = 1.0e-7  # of chi-square, about a thousand: 0.01 sigma
LARGEST_NOISE_RATIO = 10.0  # of the variance of the residuals; masses are known to a factor
LEAST_NOISE_RATIO = 1.0e-9  # data without any noise
COMMON_SMOOTHING_S = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Steps:
    """Means of both amplitudes in the pump's frame, without the drift they share."""

    step_s: float
    amplitudes: np.ndarray  # (2, n + 1), complex [m]
    times_s: np.ndarray  # (n + 1,), middle of each mean
    pump_hz: np.ndarray  # (n,), during each step, against the references' difference
    turned_hz: np.ndarray  # (n,), what was taken out of both

    @property
    def count(self) -> int:
        """Number of steps."""
        return len(self.pump_hz)


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoModeFit:
    """What one stretch says of the two modes."""

    shared: np.ndarray  # (COUNT,), in the order of SHARED
    shared_covariance: np.ndarray
    prior: np.ndarray  # (COUNT,), information that the facts gave to each of SHARED
    prior_means: np.ndarray  # (COUNT,)
    detuning_hz: tuple[float, float]  # pump less true difference, mean; and sigma
    difference_start_hz: tuple[float, float]  # bare, against the references, at the start
    shared_with_detuning: np.ndarray  # (COUNT,), covariance of SHARED and the mean detuning
    noise_ratio: float  # variance of the residuals against what was expected
    steps: Steps
    lower_hz: np.ndarray  # (n,), frequency of the lower mode during each step, less its reference

    @property
    def coupling_hz(self) -> float:
        """g / 2 pi."""
        return math.hypot(self.shared[RE], self.shared[IM]) / TWO_PI

    @property
    def coupling_detuning_covariance(self) -> np.ndarray:
        """Of g / 2 pi and the mean detuning, shape (2, 2) [Hz^2]."""
        slopes = np.zeros(COUNT)
        slopes[[RE, IM]] = self.shared[[RE, IM]] / (TWO_PI**2 * self.coupling_hz)
        both = float(slopes @ self.shared_with_detuning)
        coupling = float(slopes @ self.shared_covariance @ slopes)
        return np.array([[coupling, both], [both, self.detuning_hz[1] ** 2]])


def steps_of(run: Run, step_s: float) -> Steps:
    """A run as means in the pump's frame, the shared turning taken out.

    Parameters
    ----------
    run : Run
        Evenly spaced basebands.
    step_s : float
        Averaging time of a mean, rounded to whole basebands [s].

    Returns
    -------
    Steps
    """
    basebands, spacing_s = run.basebands, run.spacing_s
    pump_rad = unwrapped_rad(basebands["pump_phase_rad"])
    both = np.stack([basebands["lower"], basebands["upper"] * np.exp(-1j * pump_rad)])
    turned_rad = _shared_turning_rad(both, spacing_s)
    both = both * np.exp(-1j * turned_rad)
    per_mean = max(1, round(step_s / spacing_s))
    means = both.shape[1] // per_mean

    def averaged(series: np.ndarray) -> np.ndarray:
        used = series[..., : means * per_mean]
        return used.reshape(*series.shape[:-1], means, per_mean).mean(axis=-1)

    step_s = per_mean * spacing_s
    return Steps(
        step_s=step_s,
        amplitudes=averaged(both),
        times_s=averaged(basebands["time_s"]),
        pump_hz=np.diff(averaged(pump_rad)) / (TWO_PI * step_s),
        turned_hz=np.diff(averaged(turned_rad)) / (TWO_PI * step_s),
    )


def _shared_turning_rad(both: np.ndarray, spacing_s: float) -> np.ndarray:
    """How far both amplitudes have turned together, smoothed so that no noise goes in."""
    products = (both[:, 1:] * both[:, :-1].conj()).sum(axis=0)
    width = min(len(products), max(1, round(COMMON_SMOOTHING_S / spacing_s)))
    return summed_rad(np.convolve(products, np.ones(width), mode="same"))


def propagators(
    decays_per_s: tuple[float, float],
    coupling: complex,
    asymmetry: float,
    detuning_rad_s: np.ndarray,
    step_s: float,
) -> np.ndarray:
    """exp(A dt) of every step at once, from the closed form for 2 x 2 matrices.

    Parameters
    ----------
    decays_per_s : (float, float)
        gamma of lower and upper [1/s].
    coupling : complex
        G [rad/s].
    asymmetry : float
        ln rho.
    detuning_rad_s : ndarray of float64, shape (n,)
        Delta of each step [rad/s].
    step_s : float
        Length of a step [s].

    Returns
    -------
    ndarray of complex128, shape (2, 2, n)

    Notes
    -----
    exp(M) = e^h [cosh s + (M - h) sinh(s)/s], h half the trace, s^2 = -det(M - h).
    """
    lower, upper = decays_per_s
    half = step_s * (-(lower + upper) / 4.0 - 0.5j * detuning_rad_s)
    tilt = step_s * ((upper - lower) / 4.0 + 0.5j * detuning_rad_s)
    root = np.sqrt(tilt**2 - (step_s * abs(coupling)) ** 2 + 0j)
    is_small = np.abs(root) < 1e-6
    safe = np.where(is_small, 1.0, root)
    up = np.exp(safe)
    down, whole = 1.0 / up, np.exp(half)
    slope = whole * np.where(is_small, 1.0, 0.5 * (up - down) / safe)
    middle = whole * np.where(is_small, 1.0, 0.5 * (up + down))
    rho = math.exp(asymmetry)
    onto_lower = 1j * coupling * rho * step_s
    onto_upper = 1j * coupling.conjugate() / rho * step_s
    return np.array(
        [
            [middle + slope * tilt, slope * onto_lower],
            [slope * onto_upper, middle - slope * tilt],
        ]
    )


def fit_two_modes(run: Run, facts: Facts) -> TwoModeFit:
    """Coupling, decay rates and detuning from one stretch with the pump on.

    Parameters
    ----------
    run : Run
        Both drives off, the pump on at one amplitude.
    facts : Facts
        Priors for what one stretch says little of; every start comes from the data.

    Returns
    -------
    TwoModeFit

    Raises
    ------
    ProtocolFailure
        Too little data, amplitudes at the noise, no convergence, or residuals far
        beyond what thermal motion and detector explain.
    """
    start = _start(run, facts)
    fastest = max(2.0 * math.hypot(start.shared[RE], start.shared[IM]), abs(start.detuning_rad_s))
    step_s = min(LONGEST_STEP_S, STEP_RAD / max(fastest, 1e-9), run.duration_s / FEWEST_STEPS)
    steps = steps_of(run, step_s)
    return _Fit(run, facts, steps, start).fitted()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Start:
    shared: np.ndarray
    detuning_rad_s: float


def _start(run: Run, facts: Facts) -> _Start:
    """Where the fit begins: a linear regression of what no common phase touches.

    With S = b_1* b_2, P_k = |b_k|^2 and rho from the masses,
        P_1' = -gamma_1 P_1 - 2 rho Im(G S),  P_2' = -gamma_2 P_2 + 2/rho Im(G S),
        S' = -(gamma_1 + gamma_2)/2 S - i Delta S + i G* (P_1/rho - rho P_2).
    """
    steps = steps_of(run, 2.0 * run.spacing_s)
    if steps.count < FEWEST_STEPS:
        raise ProtocolFailure(
            f"the stretch at {run.start_s:.1f} s is too short to be fitted: hold the pump on longer"
        )
    a, b = steps.amplitudes
    noise = max(
        mode.detector_noise_m_per_root_hz / math.sqrt(steps.step_s)
        for mode in (facts.lower, facts.upper)
    )
    thermal_m = max(
        mode.thermal_amplitude_m(facts.temperature_k) for mode in (facts.lower, facts.upper)
    )
    size = math.sqrt(float(np.mean((np.abs(a) ** 2 + np.abs(b) ** 2)[: steps.count // 4 + 1])))
    if size < 3.0 * noise or size < 3.0 * math.sqrt(2.0) * thermal_m:
        raise ProtocolFailure(
            f"the amplitude of {size:.2g} m at {run.start_s:.1f} s is that of thermal motion "
            "and noise: ring the modes up first"
        )
    rho = facts.action_ratio

    def middle(series: np.ndarray) -> np.ndarray:
        return 0.5 * (series[1:] + series[:-1])

    p, q, s = np.abs(a) ** 2, np.abs(b) ** 2, a.conj() * b
    pm, qm, sm = middle(p), middle(q), middle(s)
    drop = pm / rho - rho * qm
    nought = np.zeros_like(pm)
    # Columns: gamma_1, gamma_2, Re G, Im G, Delta
    rows = np.concatenate(
        [
            np.stack([-pm, nought, -2 * rho * sm.imag, -2 * rho * sm.real, nought], axis=1),
            np.stack([nought, -qm, 2 / rho * sm.imag, 2 / rho * sm.real, nought], axis=1),
            np.stack([-sm.real / 2, -sm.real / 2, nought, drop, sm.imag], axis=1),
            np.stack([-sm.imag / 2, -sm.imag / 2, drop, nought, -sm.real], axis=1),
        ]
    )
    slopes = np.concatenate([np.diff(x) for x in (p, q, s.real, s.imag)]) / steps.step_s
    solution = np.linalg.lstsq(rows, slopes, rcond=None)[0]
    lower, upper, re, im, detuning = (float(x) for x in solution)
    shared = np.zeros(COUNT)
    shared[[RE, IM]] = re, im
    for place, rate, mode in (
        (DECAY_LOWER, lower, facts.lower),
        (DECAY_UPPER, upper, facts.upper),
    ):
        # A rate that the regression leaves open: the rough one.
        known = mode.decay_rate_per_s
        shared[place] = rate if 0.1 * known < rate < 10.0 * known else known
    shared[ASYMMETRY] = math.log(rho)
    return _Start(shared=shared, detuning_rad_s=detuning)


class _Fit:
    """The least-squares fit of one stretch, and what it is made of."""

    def __init__(self, run: Run, facts: Facts, steps: Steps, start: _Start) -> None:
        self._run, self._facts, self._steps = run, facts, steps
        duration_s = steps.times_s[-1] - steps.times_s[0]
        self._nodes = int(np.clip(math.ceil(duration_s / NODE_SPACING_S) + 1, 2, MOST_NODES))
        self._node_s = duration_s / (self._nodes - 1)
        middles_s = 0.5 * (steps.times_s[1:] + steps.times_s[:-1])
        since_s = middles_s - steps.times_s[0]
        self._interpolation = _interpolation(since_s, self._node_s, self._nodes)
        powers = np.abs(steps.amplitudes) ** 2
        # The fit sees Duffing coefficients as shifts at this power, so that all are of like size.
        unit_m2 = float(powers.sum(axis=0).max())
        self._units = np.ones(COUNT)
        self._units[DUFFING_LOWER:] = 1.0 / unit_m2
        self._powers = 0.5 * (powers[:, 1:] + powers[:, :-1]) / unit_m2
        self._lower_hz = steps.turned_hz
        self._noise_ratios = (1.0, 1.0)  # along and across the motion
        self._prior_means, self._prior_sigmas = (each / self._units for each in _priors(facts))
        walk_hz = facts.difference_walk_hz_per_root_s * math.sqrt(self._node_s)
        self._prior_slopes = block_diag(
            np.diag(1.0 / self._prior_sigmas), np.diff(np.eye(self._nodes), axis=0) / walk_hz
        )
        self._prior_pulls = np.zeros(len(self._prior_slopes))
        self._prior_pulls[:COUNT] = self._prior_means / self._prior_sigmas
        difference_hz = float(np.mean(steps.pump_hz)) - start.detuning_rad_s / TWO_PI
        start.shared[DRIFT_RATIO:] = self._prior_means[DRIFT_RATIO:]
        self._values = np.concatenate([start.shared, np.full(self._nodes, difference_hz)])

    def fitted(self) -> TwoModeFit:
        for _ in range(PASSES):
            self._weigh()
            solution = least_squares(
                self._residuals, self._values, self._jacobian, x_scale="jac", ftol=SMALLEST_GAIN
            )
            if not solution.success:
                raise ProtocolFailure(
                    f"the two-mode fit of the stretch at {self._run.start_s:.1f} s did not converge"
                )
            self._values = solution.x
            self._learn_noise(solution.fun)
        if min(self._values[[DECAY_LOWER, DECAY_UPPER]]) <= 0.0:
            raise ProtocolFailure(
                f"the stretch at {self._run.start_s:.1f} s shows no decay: hold the pump on longer"
            )
        ratio = max(self._noise_ratios)
        if ratio > LARGEST_NOISE_RATIO:
            raise ProtocolFailure(
                f"the two-mode fit of the stretch at {self._run.start_s:.1f} s leaves residuals "
                f"{math.sqrt(ratio):.1f} times as large as thermal motion and detector explain"
            )
        return self._described(solution.jac)

    # -- model ------------------------------------------------------------------

    def _difference_hz(self, values: np.ndarray) -> np.ndarray:
        """Bare difference during each step, against that of the references."""
        return np.asarray(self._difference_slopes() @ values[DRIFT_RATIO:])

    def _difference_slopes(self) -> np.ndarray:
        """Slopes of the difference by what it is linear in, shape (n, 3 + nodes)."""
        drift_hz = self._lower_hz - np.mean(self._lower_hz)
        return np.column_stack([drift_hz, *self._powers, self._interpolation])

    def _detuning_rad_s(self, values: np.ndarray) -> np.ndarray:
        return np.asarray(TWO_PI * (self._steps.pump_hz - self._difference_hz(values)))

    def _predicted(self, values: np.ndarray, detuning_rad_s: np.ndarray) -> np.ndarray:
        """Means after each step in units of their sigmas, but for the phase they share."""
        step = propagators(
            (values[DECAY_LOWER], values[DECAY_UPPER]),
            complex(values[RE], values[IM]),
            values[ASYMMETRY],
            detuning_rad_s,
            self._steps.step_s,
        )
        now = self._steps.amplitudes[:, :-1]
        return (step[:, 0] * now[0] + step[:, 1] * now[1]) / self._sigmas[:, None]

    def _errors(self, values: np.ndarray, detuning_rad_s: np.ndarray) -> np.ndarray:
        """Of each step: along the motion, and two across it; shape (3, n)."""
        predicted, seen = self._predicted(values, detuning_rad_s), self._seen
        overlap = (predicted.conj() * seen).sum(axis=0)
        size = np.sqrt((np.abs(predicted) ** 2).sum(axis=0))
        # A kick across the motion adds to its size on the average: half its variance.
        along = (np.abs(overlap) - size**2 - 0.5 * self._kick_part) / size
        turn = overlap.conj() / np.abs(overlap)
        across = (predicted[0] * seen[1] - predicted[1] * seen[0]) * turn / size
        return np.stack([along, across.real, across.imag])

    def _residuals(self, values: np.ndarray) -> np.ndarray:
        errors = self._errors(values, self._detuning_rad_s(values))
        return np.concatenate([self._independent(errors).ravel(), self._prior_residuals(values)])

    def _jacobian(self, values: np.ndarray) -> np.ndarray:
        """Slopes of the residuals; what acts by the detuning alone shares one of them."""
        detuning_rad_s = self._detuning_rad_s(values)
        errors = self._errors(values, detuning_rad_s)
        slopes = np.empty((3, self._steps.count, len(values)))
        for place in range(DRIFT_RATIO):
            moved = values.copy()
            moved[place] += DIFFERENCE
            slopes[:, :, place] = (self._errors(moved, detuning_rad_s) - errors) / DIFFERENCE
        by_detuning = (self._errors(values, detuning_rad_s + DIFFERENCE) - errors) / DIFFERENCE
        slopes[:, :, DRIFT_RATIO:] = (
            -TWO_PI * by_detuning[:, :, None] * self._difference_slopes()[None]
        )
        rows = self._independent(slopes).reshape(-1, len(values))
        return np.concatenate([rows, self._prior_slopes])

    def _independent(self, errors: np.ndarray) -> np.ndarray:
        """Errors along and across, shape (3, n) or (3, n, k), without correlations."""
        factors = (self._along_factor, self._across_factor, self._across_factor)
        return np.stack([whitened(f, each) for f, each in zip(factors, errors, strict=True)])

    def _prior_residuals(self, values: np.ndarray) -> np.ndarray:
        """What the facts say of the shared parameters, and the walk between nodes."""
        return np.asarray(self._prior_slopes @ values - self._prior_pulls)

    # -- noise ------------------------------------------------------------------

    def _weigh(self) -> None:
        """Sigmas and correlations of the errors of the steps, from the rates as they are."""
        dt, facts = self._steps.step_s, self._facts
        modes = (facts.lower, facts.upper)
        kicks = np.array(
            [
                max(rate, 0.1 * mode.decay_rate_per_s)
                * mode.thermal_amplitude_m(facts.temperature_k) ** 2
                * dt
                for mode, rate in zip(modes, self._values[[DECAY_LOWER, DECAY_UPPER]], strict=True)
            ]
        )
        noises = np.array([mode.detector_noise_m_per_root_hz**2 / dt for mode in modes])
        # Means over adjacent intervals: a kick's share rises and falls as a triangle.
        variances = 2.0 / 3.0 * kicks + 2.0 * noises
        self._sigmas = np.sqrt(variances)
        self._seen = self._steps.amplitudes[:, 1:] / self._sigmas[:, None]
        self._kick_part = float(np.mean(kicks / variances))
        neighbour = float(np.mean((kicks / 6.0 - noises) / variances))
        powers = (np.abs(self._seen) ** 2).sum(axis=0)
        gain = facts.gain_walk_per_root_s**2 * dt * powers
        along, across = self._noise_ratios
        count = self._steps.count
        self._across_factor = across**0.5 * factor(np.ones(count), np.full(count - 1, neighbour))
        # Across shows how large kicks and noise are; the gain only acts along, and slowly: what
        # it may do over a whole decay does not show from one step to the next.
        self._along_factor = along**0.5 * factor(
            across + 2.0 / 3.0 * gain, across * neighbour + (gain[1:] + gain[:-1]) / 12.0
        )

    def _learn_noise(self, residuals: np.ndarray) -> None:
        """Variances against what was expected; and the drift, now without the coupling's pull."""
        n = self._steps.count
        along, across = residuals[:n], residuals[n : 3 * n]
        # Of the parameters, the mean decay rate is learnt along the motion.
        self._noise_ratios = (
            max(self._noise_ratios[0] * float(along @ along) / (n - 1), 1.0),
            max(self._noise_ratios[1] * float(across @ across) / (2 * n - 5), LEAST_NOISE_RATIO),
        )
        predicted = self._predicted(self._values, self._detuning_rad_s(self._values))
        turn_rad = np.angle((predicted.conj() * self._seen).sum(axis=0))
        self._lower_hz = self._steps.turned_hz + turn_rad / (TWO_PI * self._steps.step_s)

    # -- outcome ----------------------------------------------------------------

    def _described(self, jacobian: np.ndarray) -> TwoModeFit:
        values = self._values
        information = jacobian.T @ jacobian
        units = np.sqrt(np.diag(information))
        covariance = np.linalg.inv(information / np.outer(units, units)) / np.outer(units, units)
        detuning_hz = self._steps.pump_hz - self._difference_hz(values)
        # The mean detuning is linear in what it depends on.
        by_difference = self._difference_slopes()
        slopes = np.zeros(len(values))
        slopes[DRIFT_RATIO:] = -by_difference.mean(axis=0)
        start = np.zeros(len(values))
        start[DRIFT_RATIO], start[COUNT] = by_difference[0, 0], 1.0
        with_detuning = covariance @ slopes
        known = np.isfinite(self._prior_sigmas)
        return TwoModeFit(
            shared=values[:COUNT] * self._units,
            shared_covariance=covariance[:COUNT, :COUNT] * np.outer(self._units, self._units),
            prior=np.where(known, 1.0 / (self._prior_sigmas * self._units) ** 2, 0.0),
            prior_means=self._prior_means * self._units,
            detuning_hz=(float(np.mean(detuning_hz)), math.sqrt(float(slopes @ with_detuning))),
            difference_start_hz=(
                float(start @ values),
                math.sqrt(float(start @ covariance @ start)),
            ),
            shared_with_detuning=with_detuning[:COUNT] * self._units,
            noise_ratio=self._noise_ratios[1],
            steps=self._steps,
            lower_hz=self._lower_hz,
        )


def _priors(facts: Facts) -> tuple[np.ndarray, np.ndarray]:
    """Means and sigmas of the shared parameters; infinite: open."""
    means, sigmas = np.zeros(COUNT), np.full(COUNT, np.inf)
    # ln rho, from g_12 m_1 w_1 = g_21 m_2 w_2
    means[ASYMMETRY] = math.log(facts.action_ratio)
    sigmas[ASYMMETRY] = 0.5 * facts.mass_ratio_sigma
    means[DRIFT_RATIO], sigmas[DRIFT_RATIO] = facts.difference_per_lower, facts.drift_ratio_sigma
    for place, mode in ((DUFFING_LOWER, ModeId.LOWER), (DUFFING_UPPER, ModeId.UPPER)):
        means[place], sigma = facts.difference_duffing_hz_per_m2(mode)
        sigmas[place] = max(sigma, 1.0)  # exactly known: far below any effect
    return means, sigmas


def _interpolation(times_s: np.ndarray, node_s: float, nodes: int) -> np.ndarray:
    """Linear interpolation between evenly spaced nodes as a matrix, shape (n, nodes)."""
    places = times_s[:, None] / node_s - np.arange(nodes)[None, :]
    return np.clip(1.0 - np.abs(places), 0.0, None)
