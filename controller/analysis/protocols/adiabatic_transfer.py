"""Adiabatic transfer: the pump is chirped across the difference at a series of rates.

A slow chirp hands the motion over whole, a quick one leaves it. Where the chirp begins and
ends far off the difference, the law of Landau and Zener says how much; here it begins and
ends where modes are still dressed a little, so that the coupling is fitted by the exact
motion through each chirp, and the law is drawn with it.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from controller.analysis.protocols.data import (
    TWO_PI,
    ProtocolData,
    ProtocolFailure,
    ProtocolResult,
    guarded,
    propagated,
    with_sigmas,
)
from controller.analysis.protocols.transfers import (
    LOWER,
    UPPER,
    Decay,
    Passage,
    decay_of,
    diffusion_rad2,
    fraction_lower,
    fraction_sigma,
    inflation,
    passages,
    read_count,
)
from controller.analysis.protocols.two_mode import propagators

SAFE_REST = 0.05  # what a safe chirp leaves behind
FREE_NUMBERS = 2  # coupling and its phase
FEWEST_CHIRPS = FREE_NUMBERS + 1
MOST_STARTS = 5
MOST_EVALUATIONS = 100  # a start near the truth takes about ten
CONVERGED_RATIO = 1e-6  # change of chi-square: a thousandth of a sigma, where that is near 1
FEWEST_STEPS = 20  # of a chirp
STEP_RAD = 0.1  # of the detuning at its largest, within one step of the motion
START_PHASES = 8
START_RATIOS = np.geomspace(0.6, 1.7, 13)  # of the coupling by the law alone
TELLING = (0.03, 0.97)  # transferred fractions that say something of the coupling
LEAST_COUPLING_SIGMAS = 5.0
PASSES = 3  # the noise of a point depends on where it should be
LINE_POINTS = 200  # of the law
COUPLING, PHASE, OFFSET, KNOWN = range(4)  # numbers of the fit; from KNOWN on as in `Decay`


@dataclass(frozen=True, slots=True, kw_only=True)
class Chirp:
    """One chirp: how the motion began, how the pump went, and what was handed over."""

    start: np.ndarray  # (2,), complex: roots of both actions, the upper one in the pump's frame
    detunings_rad_s: np.ndarray  # (n,), pump less tracked difference, over each step
    step_s: float
    last_step_s: float  # up to where the pump went off
    duration_s: float  # while the pump was on
    tracked_sigma_hz: float
    transferred: float  # share of the lower mode's action
    diffusion_rad2: float
    kept: float  # of the sum of the actions, from the start of the chirp to its end

    @property
    def rate_hz_per_s(self) -> float:
        """Of the detuning, by a straight line through it."""
        times_s = self.step_s * np.arange(len(self.detunings_rad_s))
        return float(np.polyfit(times_s, self.detunings_rad_s / TWO_PI, 1)[0])

    @property
    def span_hz(self) -> float:
        """How far the pump went."""
        return abs(self.rate_hz_per_s) * self.duration_s


def adiabatic_transfer(data: ProtocolData) -> ProtocolResult:
    """Coupling and useful chirp rates from transfers at a series of rates.

    Parameters
    ----------
    data : ProtocolData
        Sequences `before`, `chirp`, `after` at three or more rates.

    Returns
    -------
    ProtocolResult
        `coupling_hz` g/2pi. `fastest_safe_chirp_hz_per_s`, which hands over 95 % but for
        the decay; `slowest_useful_chirp_hz_per_s`, during which the decay eats half;
        `largest_transfer`, the share of the energy that arrives at the best rate,
        `best_chirp_hz_per_s`, decay and all; `largest_measured_transfer`, that of the chirps
        that were made, each from the motion that it began with (a little in the lower mode
        helps or hinders by its phase), with the modes' masses as the decay tells them;
        `energy_decay_time_s`; each with its sigma.
        Where the fastest safe chirp is below the slowest useful one, no chirp over this
        span is both. `chi_square_ratio`, per degree of freedom.

    Notes
    -----
    What stays behind is exp(-pi Gamma^2/(2 alpha)) with Gamma = 2 g and
    alpha = d(omega)/dt, that is exp(-g^2/r) with r = alpha/2pi in Hz/s. Decay at the mean
    rate c over a span s takes exp(-c s/r). With a = g^2 and b = c s the best rate is
    a/ln(1 + a/b), where a/(a + b) (b/(a + b))^(b/a) arrives (derived).

    References
    ----------
    L. Novotny, Am. J. Phys. 78, 1199 (2010), Eqs. 15 and 16: Landau-Zener for two
    coupled oscillators.
    """
    return guarded(_adiabatic_transfer, data)


def _adiabatic_transfer(data: ProtocolData) -> ProtocolResult:
    found = passages(data, "before", "after")
    decay = decay_of(found, data.facts)
    chirps = [_chirp(passage, data) for passage in found]
    fit = _Fit(chirps, decay)
    values, sigmas = fit.values, fit.sigmas
    span_hz = float(np.mean([chirp.span_hz for chirp in chirps]))
    quantities = {
        "coupling_hz": lambda v: abs(float(v[COUPLING])) / TWO_PI,
        "fastest_safe_chirp_hz_per_s": lambda v: float(v[COUPLING]) ** 2 / -math.log(SAFE_REST),
        "slowest_useful_chirp_hz_per_s": lambda v: _loss(v, decay, span_hz) / math.log(2.0),
        "best_chirp_hz_per_s": lambda v: _best(float(v[COUPLING]) ** 2, _loss(v, decay, span_hz)),
        "largest_transfer": lambda v: _largest(float(v[COUPLING]) ** 2, _loss(v, decay, span_hz)),
    }
    arrived = [
        _arrived(each, float(s), decay, data) for each, s in zip(chirps, sigmas, strict=True)
    ]
    results = with_sigmas(
        {
            name: propagated(function, values, fit.covariance)
            for name, function in quantities.items()
        }
        | {
            "largest_measured_transfer": max(arrived),
            "energy_decay_time_s": decay.time_s,
        }
    )
    results["chi_square_ratio"] = fit.square / fit.freedom
    rates = np.array([abs(chirp.rate_hz_per_s) for chirp in chirps])
    line = np.geomspace(0.5 * rates.min(), 2.0 * rates.max(), LINE_POINTS)
    law = -np.expm1(-(values[COUPLING] ** 2) / line)
    series = {
        "chirp_hz_per_s": rates,
        "transferred": fit.fractions,
        "transferred_sigma": sigmas,
        "expected": fit.expected(values),
        "arrived": np.array([share for share, _ in arrived]),
        "line_hz_per_s": line,
        "law": law,
        "law_arrived": law * np.exp(-_loss(values, decay, span_hz) / line),
    }
    return ProtocolResult(results=results, series=series)


def _loss(values: np.ndarray, decay: Decay, span_hz: float) -> float:
    """Mean decay rate times the span [Hz/s]."""
    return span_hz * float(_known(values, decay)[:2].mean())


def _best(coupled: float, lost: float) -> float:
    return coupled / math.log1p(coupled / lost)


def _largest(coupled: float, lost: float) -> float:
    total = coupled + lost
    return coupled / total * (lost / total) ** (lost / coupled)


def _arrived(
    chirp: Chirp, share_sigma: float, decay: Decay, data: ProtocolData
) -> tuple[float, float]:
    """Share of the energy that arrived, and its sigma.

    ln N diffuses as the angle does, and the detector's gain may walk meanwhile. Where the
    action comes from the upper mode, an error of the asymmetry counts twice.
    """
    before = np.abs(chirp.start) ** 2
    turned = np.exp(decay.asymmetry * np.array([-1.0, 1.0]))
    lower, upper = before * turned / (before @ turned)
    scale = chirp.kept * float(turned[LOWER] * before.sum() / (before @ turned))
    arrived = scale * chirp.transferred
    asymmetry_sigma = math.sqrt(float(decay.covariance[2, 2]))
    relative = math.hypot(
        math.sqrt(chirp.diffusion_rad2),
        2.0 * data.facts.gain_walk_per_root_s * math.sqrt(chirp.duration_s),
        (1.0 + upper - lower) * asymmetry_sigma,
    )
    return arrived, math.hypot(scale * share_sigma, arrived * relative)


# -- one chirp -----------------------------------------------------------------------------


def _chirp(passage: Passage, data: ProtocolData) -> Chirp:
    basebands, times_s = passage.basebands, passage.times_s
    if len(passage.turned_on) != 1 or len(passage.turned_off) != 1:
        raise ProtocolFailure(
            f"the pump came on {len(passage.turned_on)} times in the sequence at "
            f"{times_s[0]:.1f} s; one chirp is needed"
        )
    on, off = passage.turned_on[0], passage.turned_off[0]
    count, half = read_count(passage, data.facts), read_count(passage, data.facts) // 2
    first = on + half
    if off - first < FEWEST_STEPS:
        raise ProtocolFailure(f"the chirp at {times_s[on]:.1f} s is too short to be followed")
    pump = np.exp(1j * basebands["pump_phase_rad"])
    around = slice(on, first + half + 1)
    overlap = complex((basebands["lower"].conj() * basebands["upper"] * pump.conj())[around].sum())
    roots = np.sqrt(np.maximum(passage.actions[:, around].mean(axis=1), 0.0))
    step_s = passage.spacing_s
    difference_hz, sigma_hz = _tracked_hz(data, times_s[first:off])
    middles_hz = 0.5 * (difference_hz[1:] + difference_hz[:-1])
    # In the frame of the tracked difference the pump's phase turns slowly.
    turns = pump[first + 1 : off] * pump[first : off - 1].conj()
    turns = turns * np.exp(-1j * TWO_PI * step_s * middles_hz)
    detunings, joined = _joined(np.angle(turns) / step_s, step_s)
    before_m2, after_m2 = passage.total[first], passage.total[off : off + count].mean()
    # The sum is read a little off the edges of the chirp: roughly known rates carry it there.
    duration_s = passage.edge_s(off) - passage.edge_s(on)
    read_s = float(times_s[off : off + count].mean() - times_s[first])
    rate_per_s = 0.5 * (data.facts.lower.decay_rate_per_s + data.facts.upper.decay_rate_per_s)
    return Chirp(
        start=np.array([roots[LOWER], roots[UPPER] * cmath.exp(1j * cmath.phase(overlap))]),
        detunings_rad_s=detunings,
        step_s=joined * step_s,
        last_step_s=passage.edge_s(off) - float(times_s[first]) - len(detunings) * joined * step_s,
        duration_s=duration_s,
        tracked_sigma_hz=sigma_hz,
        transferred=fraction_lower(passage, slice(off, off + count)),
        diffusion_rad2=diffusion_rad2(passage, slice(first, off + 1), data.facts),
        kept=float(after_m2 / before_m2) * math.exp(rate_per_s * (read_s - duration_s)),
    )


def _joined(detunings_rad_s: np.ndarray, step_s: float) -> tuple[np.ndarray, int]:
    """Means over as many steps as the motion allows, without a rest; and how many those are."""
    fastest_rad_s = max(float(np.abs(detunings_rad_s).max()), 1e-9)
    joined = int(
        np.clip(
            STEP_RAD / (fastest_rad_s * step_s), 1, max(1, len(detunings_rad_s) // FEWEST_STEPS)
        )
    )
    count = len(detunings_rad_s) // joined
    return detunings_rad_s[: count * joined].reshape(count, joined).mean(axis=1), joined


def _tracked_hz(data: ProtocolData, times_s: np.ndarray) -> tuple[np.ndarray, float]:
    """The reported difference at some times, less that of the references, and its mean sigma."""
    records = data.records
    if {"time_s", "difference_hz", "difference_sigma_hz"} <= set(records):
        is_near = (records["time_s"] >= times_s[0] - 1.0) & (records["time_s"] <= times_s[-1] + 1.0)
        is_near &= np.isfinite(records["difference_hz"])
        is_near &= np.isfinite(records["difference_sigma_hz"])
        if is_near.any():
            reported_hz = np.interp(
                times_s, records["time_s"][is_near], records["difference_hz"][is_near]
            )
            sigma_hz = float(records["difference_sigma_hz"][is_near].mean())
            return reported_hz - data.reference_difference_hz, sigma_hz
    raise ProtocolFailure(
        f"the difference was not reported during the chirp at {times_s[0]:.1f} s, "
        "so that its detuning is not known"
    )


def _known(values: np.ndarray, decay: Decay) -> np.ndarray:
    """Decay rates and asymmetry, which the fit has in their sigmas."""
    before = np.array([*decay.rates_per_s, decay.asymmetry])
    return np.asarray(before + np.linalg.cholesky(decay.covariance) @ values[KNOWN:])


def expected_fraction(chirp: Chirp, values: np.ndarray, decay: Decay) -> float:
    """What a chirp should hand over, by the exact motion, as the detector would show it.

    Parameters
    ----------
    chirp : Chirp
        Start and pump.
    values : ndarray of float64, shape (6,)
        Coupling [rad/s], its phase [rad], tracked less true difference in its sigmas, and
        decay rates and asymmetry in theirs.
    decay : Decay
        Those and their covariance.

    Returns
    -------
    float
        Share of the lower mode.
    """
    lower, upper, asymmetry = _known(values, decay)
    coupling = cmath.rect(values[COUPLING], -values[PHASE])
    detunings = chirp.detunings_rad_s + TWO_PI * chirp.tracked_sigma_hz * values[OFFSET]
    steps = propagators((lower, upper), coupling, 0.0, detunings, chirp.step_s)
    last = propagators((lower, upper), coupling, 0.0, detunings[-1:], chirp.last_step_s)
    seen = np.exp(asymmetry * np.array([-0.5, 0.5]))  # true root of an action over the seen one
    end = last[:, :, 0] @ _product(steps) @ (chirp.start * seen) / seen
    powers = np.abs(end) ** 2
    return float(powers[LOWER] / powers.sum())


def _product(matrices: np.ndarray) -> np.ndarray:
    """Of matrices in the order of time, shape (2, 2, n): the last one stands first."""
    stack = np.moveaxis(matrices, 2, 0)
    while len(stack) > 1:
        odd = stack[-1:] if len(stack) % 2 else stack[:0]
        even = stack[: len(stack) - len(odd)]
        stack = np.concatenate([even[1::2] @ even[::2], odd])
    return np.asarray(stack[0])


# -- the fit ---------------------------------------------------------------------------------


class _Fit:
    """Coupling and its phase from the fractions, by least squares from several starts."""

    def __init__(self, chirps: Sequence[Chirp], decay: Decay) -> None:
        if len(chirps) < FEWEST_CHIRPS:
            raise ProtocolFailure(
                f"there are {len(chirps)} completed chirps, {FEWEST_CHIRPS} are needed"
            )
        self._chirps, self._decay = chirps, decay
        self.fractions = np.array([chirp.transferred for chirp in chirps])
        self.sigmas = self._sigmas_at(np.full(len(chirps), 0.5))
        tried = [self._refined(start) for start in self._starts()]
        solutions = [solution for solution in tried if solution is not None]
        if not solutions:
            raise ProtocolFailure("the fit of the transferred fractions did not converge")
        self.square, self.values, jacobian = min(solutions, key=lambda solution: solution[0])
        self.sigmas = self._sigmas_at(self.expected(self.values))
        self.freedom = len(chirps) - FREE_NUMBERS
        scale = inflation(
            self.square,
            self.freedom,
            "the transferred fractions are not those of a chirp across the difference",
        )
        self.covariance = np.linalg.inv(jacobian.T @ jacobian) * scale
        sigma = math.sqrt(float(self.covariance[COUPLING, COUPLING]))
        if abs(self.values[COUPLING]) < LEAST_COUPLING_SIGMAS * sigma:
            raise ProtocolFailure("the transferred fractions do not tell the coupling")

    def expected(self, values: np.ndarray) -> np.ndarray:
        """Fractions, (n,)."""
        return np.array([expected_fraction(chirp, values, self._decay) for chirp in self._chirps])

    def _sigmas_at(self, shares: np.ndarray) -> np.ndarray:
        pairs = zip(shares, self._chirps, strict=True)
        return np.array([fraction_sigma(float(s), chirp.diffusion_rad2) for s, chirp in pairs])

    def _residuals(self, values: np.ndarray, sigmas: np.ndarray) -> np.ndarray:
        errors = (self.fractions - self.expected(values)) / sigmas
        return np.concatenate([errors, values[OFFSET:]])

    def _starts(self) -> list[np.ndarray]:
        """Every dip of chi-square on a grid: the ripple of a finite chirp makes several."""
        coupling = _law_coupling(self._chirps)
        phases = TWO_PI * np.arange(START_PHASES) / START_PHASES
        trials = np.array(
            [
                [[ratio * coupling, phase, 0.0, 0.0, 0.0, 0.0] for phase in phases]
                for ratio in START_RATIOS
            ]
        )
        squares = np.array(
            [[(self._residuals(trial, self.sigmas) ** 2).sum() for trial in row] for row in trials]
        )
        walled = np.pad(squares, ((1, 1), (0, 0)), constant_values=np.inf)
        is_dip = np.ones(squares.shape, bool)
        for down in (-1, 0, 1):
            for right in (-1, 0, 1):
                is_dip &= squares <= np.roll(walled, (down, right), axis=(0, 1))[1:-1]
        dips = trials[is_dip][np.argsort(squares[is_dip])]
        return list(dips[:MOST_STARTS])

    def _refined(self, values: np.ndarray) -> tuple[float, np.ndarray, np.ndarray] | None:
        """Chi-square, values and Jacobian, the noise of each point as expected there."""
        sigmas = self.sigmas
        for _ in range(PASSES):
            solution = least_squares(
                self._residuals,
                values,
                x_scale="jac",
                args=(sigmas,),
                ftol=CONVERGED_RATIO,
                max_nfev=MOST_EVALUATIONS,
            )
            if not solution.success:
                return None
            values = solution.x
            sigmas = self._sigmas_at(self.expected(values))
        square = float((self._residuals(values, sigmas) ** 2).sum())
        return square, values, solution.jac


def _law_coupling(chirps: Sequence[Chirp]) -> float:
    """The coupling [rad/s] by the law alone, from the fractions that tell something."""
    squares = [
        -math.log1p(-chirp.transferred) * abs(chirp.rate_hz_per_s)
        for chirp in chirps
        if TELLING[0] < chirp.transferred < TELLING[1]
    ]
    if not squares:
        raise ProtocolFailure(
            "every chirp hands over all or nothing: rates between those are needed"
        )
    return math.sqrt(float(np.median(squares)))
