"""Fringes against a free time: what two pulses say of the difference.

What the last pulse hands over depends on how far the pump has run away from the modes
during the free time. The pump's phase is known from the log, and the phase with which the
modes begin is read after the first pulse; the rest is a fit of fringes to shares of energy.
Ramsey fringes and echoes are both read with it.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from controller.analysis.protocols.data import (
    TWO_PI,
    Facts,
    ProtocolData,
    ProtocolFailure,
    propagated,
)
from controller.analysis.protocols.transfers import (
    LOWER,
    UPPER,
    Decay,
    Passage,
    diffusion_rad2,
    fraction_lower,
    fraction_sigma,
    inflation,
    mean_turning_hz,
    read_count,
    tracked_mean,
)
from controller.analysis.protocols.two_mode import propagators

FEWEST_FRINGE_SIGMAS = 5.0  # of the contrast; noise alone has 2 or 3 at the best frequency
SEARCH_POINTS = 801
MOST_SIGMAS = 3.0  # of the share with which the difference follows the lower mode
PASSES = 3  # the noise of a point depends on where it should be
LINE_POINTS = 400  # of the fitted curve
CONTRAST, PHASE, LOSS, EXCESS = range(4)  # first numbers of a fit of fringes
COUNT = 4
EXCESS_SIGMA_RAD = 0.2  # of a quarter exchange: an eighth, before the coupling is known well


@dataclass(frozen=True, slots=True, kw_only=True)
class FreeTime:
    """What the pump and the modes did while the pump was off between two pulses."""

    start_s: float
    end_s: float
    lead_rad: float  # of the pump's phase on that of the modes' difference, at the start
    pump_turned_rad: float  # from there to the start of the next pulse, with its step
    lower_hz: float  # mean, against its reference, modulo the update rate
    update_hz: float  # basebands in a second
    powers_m2: tuple[float, float]  # mean squared amplitudes, lower and upper

    @property
    def duration_s(self) -> float:
        """From pulse to pulse."""
        return self.end_s - self.start_s

    def lower_drift_hz(self, since: FreeTime) -> float:
        """How far the lower mode has drifted since another free time, modulo the update rate."""
        return math.remainder(self.lower_hz - since.lower_hz, self.update_hz)


@dataclass(frozen=True, slots=True, kw_only=True)
class LastPulse:
    """The pulse that turns phases into energies, and what decays while it is on."""

    duration_s: float
    decays_per_s: tuple[float, float]  # energy, lower and upper

    def transferred(
        self, angle_rad: float, phases_rad: np.ndarray, tilts: np.ndarray
    ) -> np.ndarray:
        """Share of the lower mode after it.

        Parameters
        ----------
        angle_rad : float
            Twice the coupling times the duration: pi/2 for a quarter exchange [rad].
        phases_rad : ndarray of float64, shape (n,)
            By which the pump is ahead of the modes, and the coupling's own [rad].
        tilts : ndarray of float64, shape (n,)
            Share of the lower less that of the upper mode before it.

        Returns
        -------
        ndarray of float64, shape (n,)
            Of modes alike, (1 + root(1 - tilt^2) sin(phase))/2 for a quarter exchange.
        """
        inside = np.clip(tilts, -1.0, 1.0)
        before = np.stack(
            [
                np.sqrt(0.5 * (1.0 + inside)),
                np.sqrt(0.5 * (1.0 - inside)) * np.exp(-1j * phases_rad),
            ]
        )
        coupling = complex(0.5 * angle_rad / self.duration_s)
        turn = propagators(self.decays_per_s, coupling, 0.0, np.zeros(1), self.duration_s)[:, :, 0]
        lower, upper = np.abs(turn @ before) ** 2
        return np.asarray(lower / (lower + upper))


@dataclass(frozen=True, slots=True, kw_only=True)
class Points:
    """Transferred fractions of several sequences, shape (n,) each."""

    free_s: np.ndarray  # in all
    fractions: np.ndarray
    diffusions_rad2: np.ndarray
    leads_rad: np.ndarray  # with what phase the fringes begin
    turned_rad: np.ndarray  # what the pump's phase adds to it in the free time
    tilts: np.ndarray  # share of the lower less that of the upper mode before the last pulse
    last_pulse: LastPulse

    def sigmas(self, expected: np.ndarray) -> np.ndarray:
        """Of the fractions, where these are expected."""
        inside = np.clip(expected, 0.0, 1.0)
        return np.array(
            [
                fraction_sigma(float(fraction), float(diffusion))
                for fraction, diffusion in zip(inside, self.diffusions_rad2, strict=True)
            ]
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Fringes:
    """A fit of fringes; see `fringe_law`."""

    values: np.ndarray  # C, chi, L, excess, then what the phases depend on
    covariance: np.ndarray
    expected: np.ndarray  # fractions, (n,)
    sigmas: np.ndarray  # of the fractions, (n,)
    chi_square_ratio: float  # per degree of freedom

    @property
    def contrast(self) -> tuple[float, float]:
        """At no free time, with its sigma."""
        sigma = math.sqrt(float(self.covariance[CONTRAST, CONTRAST]))
        return float(self.values[CONTRAST]), sigma

    def dephasing_time_s(self, decay: Decay) -> tuple[float, float]:
        """Decay time of the fringes in the energy, energy lost and all, with its sigma.

        Parameters
        ----------
        decay : Decay
            Of the energy.

        Returns
        -------
        (float, float)
            Time and sigma [s].

        Raises
        ------
        ProtocolFailure
            If the fringes do not decay.
        """
        rate_per_s, sigma = decay.mean_rate_per_s
        rate_per_s += float(self.values[LOSS])
        sigma = math.hypot(sigma, math.sqrt(float(self.covariance[LOSS, LOSS])))
        if not rate_per_s > sigma:
            raise ProtocolFailure(
                f"the fringes fade by {rate_per_s:.2g} a second, known to {sigma:.2g}: "
                "more or longer free times are needed to tell how fast"
            )
        return 1.0 / rate_per_s, sigma / rate_per_s**2


def curve(
    points: Points, fringes: Fringes, turned_rad: np.ndarray, line_s: np.ndarray
) -> np.ndarray:
    """The fitted fringes between the points, for sequences that begin as they did.

    Parameters
    ----------
    points : Points
        Their phases at the start are averaged.
    fringes : Fringes
        The fit.
    turned_rad : ndarray of float64, shape (n,)
        Phase gained since then [rad].
    line_s : ndarray of float64, shape (n,)
        Free times [s].

    Returns
    -------
    ndarray of float64, shape (n,)
    """
    lead_rad = float(np.angle(np.exp(1j * points.leads_rad).sum()))
    tilts = np.full(len(line_s), float(points.tilts.mean()))
    return fringe_law(fringes.values, lead_rad + turned_rad, line_s, tilts, points.last_pulse)


def frame_of(found: Sequence[Passage], data: ProtocolData) -> float:
    """A frequency near the difference, against that of the references [Hz].

    Parameters
    ----------
    found : sequence of Passage
        All sequences.
    data : ProtocolData
        With records, if the difference may lie further off than half the update rate.

    Returns
    -------
    float
        Phases are counted from it, so that they turn slowly; nothing else depends on it.
    """
    tracked = tracked_mean(
        data, [(float(each.times_s[0]), float(each.times_s[-1])) for each in found]
    )
    if tracked is not None:
        return tracked[0]
    pump = np.exp(1j * found[0].basebands["pump_phase_rad"])
    return mean_turning_hz(pump[found[0].turned_on[-1] :], found[0].spacing_s)


def free_times(
    passage: Passage, pulse_names: Sequence[str], facts: Facts, frame_hz: float
) -> tuple[FreeTime, ...]:
    """The free times of a sequence, each before a pulse.

    Parameters
    ----------
    passage : Passage
        The sequence.
    pulse_names : sequence of str
        All pulses but the first one.
    facts : Facts
        How long the phase at the start is read.
    frame_hz : float
        As from `frame_of`.

    Returns
    -------
    tuple of FreeTime

    Raises
    ------
    ProtocolFailure
        If there are other pulses, or too little between them.
    """
    ons, offs = passage.turned_on[-len(pulse_names) :], passage.turned_off
    if len(offs) != len(pulse_names) + 1 or len(ons) != len(pulse_names):
        raise ProtocolFailure(
            f"the pump went off {len(offs)} times in the sequence at {passage.times_s[0]:.1f} s; "
            f"it should have {len(pulse_names) + 1} pulses"
        )
    steps_rad = [passage.parameters[name].get("phase_rad", 0.0) for name in pulse_names]
    return tuple(
        _free_time(passage, start, end, step_rad, frame_hz, read_count(passage, facts))
        for start, end, step_rad in zip(offs[:-1], ons, steps_rad, strict=True)
    )


def _free_time(
    passage: Passage, start: int, end: int, step_rad: float, frame_hz: float, count: int
) -> FreeTime:
    """Between two basebands; the pump's phase goes on, and makes about a step at the end."""
    if end - start < 2:
        raise ProtocolFailure(
            f"the free time at {passage.edge_s(start):.1f} s is too short to be seen"
        )
    start_s, end_s = passage.edge_s(start), passage.edge_s(end)
    within, times_s = passage.basebands[start:end], passage.times_s
    pump = np.exp(
        1j * (passage.basebands["pump_phase_rad"] - TWO_PI * frame_hz * (times_s - start_s))
    )
    modes = (within["lower"].conj() * within["upper"])[:count]
    modes_rad = TWO_PI * frame_hz * (times_s[start : start + count] - start_s)
    overlap = complex((modes * np.exp(-1j * modes_rad) * pump[start : start + count].conj()).sum())
    rate_rad_s = TWO_PI * mean_turning_hz(pump[start:end], passage.spacing_s)
    expected_rad = rate_rad_s * (times_s[end] - times_s[end - 1]) + step_rad
    beyond_rad = float(np.angle(pump[end] * pump[end - 1].conj() * np.exp(-1j * expected_rad)))
    return FreeTime(
        start_s=start_s,
        end_s=end_s,
        lead_rad=-cmath.phase(overlap),
        pump_turned_rad=rate_rad_s * (end_s - start_s) + step_rad + beyond_rad,
        lower_hz=mean_turning_hz(within["lower"], passage.spacing_s),
        update_hz=1.0 / passage.spacing_s,
        powers_m2=(
            float((np.abs(within["lower"]) ** 2).mean()),
            float((np.abs(within["upper"]) ** 2).mean()),
        ),
    )


def points_of(
    found: Sequence[Passage],
    frees: Sequence[Sequence[FreeTime]],
    facts: Facts,
    decay: Decay,
    *,
    signs: Sequence[float],
) -> Points:
    """What each sequence has transferred.

    Parameters
    ----------
    found : sequence of Passage
        The sequences.
    frees : sequence of sequences of FreeTime
        Of each.
    facts : Facts
        Thermal motion and noise.
    decay : Decay
        What both modes lose during the last pulse.
    signs : sequence of float
        By which the pump's phase in each free time counts.

    Returns
    -------
    Points
    """
    fractions, diffusions, tilts = [], [], []
    for passage in found:
        start, end = passage.turned_off[0], passage.turned_off[-1]
        count, on = read_count(passage, facts), passage.turned_on[-1]
        fractions.append(fraction_lower(passage, slice(end, end + count)))
        tilts.append(2.0 * fraction_lower(passage, slice(max(start, on - count), on)) - 1.0)
        diffusions.append(diffusion_rad2(passage, slice(start, end + 1), facts))
    return Points(
        free_s=np.array([sum(free.duration_s for free in each) for each in frees]),
        fractions=np.array(fractions),
        diffusions_rad2=np.array(diffusions),
        tilts=np.array(tilts),
        last_pulse=LastPulse(
            duration_s=float(np.mean([_last_pulse_s(passage) for passage in found])),
            decays_per_s=(float(decay.rates_per_s[LOWER]), float(decay.rates_per_s[UPPER])),
        ),
        leads_rad=np.array([signs[0] * each[0].lead_rad for each in frees]),
        turned_rad=np.array(
            [
                sum(s * free.pump_turned_rad for s, free in zip(signs, each, strict=True))
                for each in frees
            ]
        ),
    )


def _last_pulse_s(passage: Passage) -> float:
    return passage.edge_s(passage.turned_off[-1]) - passage.edge_s(passage.turned_on[-1])


def tracked_each_hz(
    frees: Sequence[FreeTime], data: ProtocolData, frame_hz: float
) -> np.ndarray | None:
    """The reported difference in each free time, against the frame.

    Parameters
    ----------
    frees : sequence of FreeTime
        One per sequence.
    data : ProtocolData
        With records.
    frame_hz : float
        As from `frame_of`.

    Returns
    -------
    ndarray of float64, shape (n,), or None
        [Hz]; None: not reported in all of them.
    """
    means = [tracked_mean(data, [(free.start_s, free.end_s)]) for free in frees]
    known = [mean[0] - frame_hz for mean in means if mean is not None]
    return np.array(known) if len(known) == len(means) else None


def step_hz(found: Sequence[Passage], points: Points) -> float:
    """By how much the second pulses are turned for each second of free time [Hz].

    Parameters
    ----------
    found : sequence of Passage
        With a step `second_pulse`.
    points : Points
        Their free times.

    Returns
    -------
    float

    Raises
    ------
    ProtocolFailure
        If they are not turned: on which side the pump is would remain open.
    """
    steps_rad = sum(passage.parameters["second_pulse"].get("phase_rad", 0.0) for passage in found)
    turned_hz = float(steps_rad / points.free_s.sum()) / TWO_PI
    if not turned_hz > 0.0:
        raise ProtocolFailure(
            "the second pulses are not turned: give them a phase_rad that grows with the free "
            "time, or nothing tells on which side of the difference the pump is"
        )
    return turned_hz


def fringe_law(
    values: np.ndarray,
    phases_rad: np.ndarray,
    free_s: np.ndarray,
    tilts: np.ndarray,
    last_pulse: LastPulse,
) -> np.ndarray:
    """Transferred fractions.

    Parameters
    ----------
    values : ndarray of float64
        C, chi, L and what the last pulse is beyond a quarter exchange, in sigmas of what
        was known; others behind them do not matter.
    phases_rad : ndarray of float64, shape (n,)
        Psi [rad].
    free_s : ndarray of float64, shape (n,)
        T [s].
    tilts : ndarray of float64, shape (n,)
        Share of the lower less that of the upper mode before the last pulse.
    last_pulse : LastPulse
        What it does.

    Returns
    -------
    ndarray of float64, shape (n,)
        1/2 + C exp(-L T) (P - 1/2), with P what the last pulse makes of Psi + chi.
    """
    angle_rad = 0.5 * math.pi + EXCESS_SIGMA_RAD * float(values[EXCESS])
    whole = last_pulse.transferred(angle_rad, phases_rad + values[PHASE], tilts)
    return np.asarray(0.5 + values[CONTRAST] * np.exp(-values[LOSS] * free_s) * (whole - 0.5))


def linear_start(points: Points, phases_rad: np.ndarray) -> tuple[np.ndarray, float]:
    """Contrast and phase of fringes that do not fade, at known phases.

    Parameters
    ----------
    points : Points
        Fractions.
    phases_rad : ndarray of float64, shape (n,)
        Psi [rad].

    Returns
    -------
    (ndarray of float64, shape (4,), float)
        C, chi, 0 and 0, and the sum of weighted squares that they leave.
    """
    weights = 1.0 / points.sigmas(np.full(len(phases_rad), 0.5))
    columns = 0.5 * np.stack([np.sin(phases_rad), np.cos(phases_rad)], axis=1)
    readings = points.fractions - 0.5
    solution = np.linalg.lstsq(columns * weights[:, None], readings * weights, rcond=None)[0]
    errors = (columns @ solution - readings) * weights
    contrast, phase_rad = math.hypot(*solution), math.atan2(solution[1], solution[0])
    return np.array([contrast, phase_rad, 0.0, 0.0]), float(errors @ errors)


class FreeFringes:
    """The fit of fringes whose frequency is not known; from the points to `Fringes`.

    Parameters
    ----------
    points : Points
        One per sequence.
    frees : sequence of FreeTime
        Likewise.
    facts : Facts
        How the difference follows the lower mode and the amplitudes, and how it walks.
    turned_hz : float
        By how much the second pulses are turned each second [Hz]: the fringes are
        searched for between none and twice this frequency.
    tracked_hz : ndarray of float64, shape (n,), optional
        Difference that the loop reported in each free time: it says about how the
        difference follows the lower mode, where the search begins. No part of the reading.
    """

    def __init__(
        self,
        points: Points,
        frees: Sequence[FreeTime],
        facts: Facts,
        turned_hz: float,
        tracked_hz: np.ndarray | None = None,
    ) -> None:
        self._points, self._facts, self._turned_hz = points, facts, turned_hz
        drifts_hz = np.array([free.lower_drift_hz(frees[0]) for free in frees])
        lower, upper = facts.lower, facts.upper
        duffing = math.hypot(lower.duffing_sigma_hz_per_m2, upper.duffing_sigma_hz_per_m2)
        means = np.array(
            [
                facts.difference_per_lower,
                upper.duffing_cross_hz_per_m2 - lower.duffing_self_hz_per_m2,
                upper.duffing_self_hz_per_m2 - lower.duffing_cross_hz_per_m2,
            ]
        )
        columns = np.stack([drifts_hz, *np.array([free.powers_m2 for free in frees]).T], axis=1)
        self._known_hz = columns @ means
        # In sigmas of what was known beforehand, so that all are of like size.
        self._columns_hz = columns * np.array([facts.drift_ratio_sigma, duffing, duffing])
        self._likely_share = self._share_of(tracked_hz)
        middles_s = np.array([0.5 * (free.start_s + free.end_s) for free in frees])
        self._walks_hz = facts.difference_walk_hz_per_root_s * np.sqrt(np.diff(middles_s))

    def fitted(self) -> Fringes:
        """The fringes.

        Returns
        -------
        Fringes

        Raises
        ------
        ProtocolFailure
            If there are too few points, no convergence, no fringes, or points far off them.
        """
        count, extra = len(self._points.free_s), self._columns_hz.shape[1]
        return fitted_fringes(
            self._points,
            start=self._start(),
            phases_rad=self._phases_rad,
            prior=lambda values: np.concatenate(
                [values[COUNT : COUNT + extra], np.diff(values[COUNT + extra :]) / self._walks_hz]
            ),
            freedom=count - 4,
        )

    def difference_per_lower(self, fringes: Fringes) -> float:
        """Change of the difference with the lower frequency, as the fringes have it.

        Parameters
        ----------
        fringes : Fringes
            From `fitted`.

        Returns
        -------
        float
        """
        known, sigma = self._facts.difference_per_lower, self._facts.drift_ratio_sigma
        return known + sigma * float(fringes.values[COUNT])

    def mean_difference_hz(self, fringes: Fringes) -> tuple[float, float]:
        """Mean over all free time, against the frame, and its sigma.

        Parameters
        ----------
        fringes : Fringes
            From `fitted`.

        Returns
        -------
        (float, float)
            [Hz]
        """
        weights = self._points.free_s / self._points.free_s.sum()
        return propagated(
            lambda values: float(weights @ self._differences_hz(values)),
            fringes.values,
            fringes.covariance,
        )

    def _differences_hz(self, values: np.ndarray) -> np.ndarray:
        extra = self._columns_hz.shape[1]
        coefficients, walks = values[COUNT : COUNT + extra], values[COUNT + extra :]
        return np.asarray(self._known_hz + self._columns_hz @ coefficients + walks)

    def _phases_rad(self, values: np.ndarray) -> np.ndarray:
        points = self._points
        gained_rad = TWO_PI * self._differences_hz(values) * points.free_s
        return points.leads_rad + points.turned_rad - gained_rad

    def _share_of(self, tracked_hz: np.ndarray | None) -> float:
        """How the difference follows the lower mode, in sigmas beyond what was known."""
        if tracked_hz is None:
            return 0.0
        by_sigma_hz = self._columns_hz[:, 0] - self._columns_hz[:, 0].mean()
        square = float(by_sigma_hz @ by_sigma_hz)
        share = float(by_sigma_hz @ (tracked_hz - self._known_hz)) / square if square else 0.0
        return float(np.clip(share, -MOST_SIGMAS, MOST_SIGMAS))

    def _start(self) -> np.ndarray:
        """The best of many frequencies, each with the waves that go with it."""
        points, count = self._points, len(self._points.free_s)
        pump_hz = float(points.turned_rad.sum() / points.free_s.sum()) / TWO_PI
        shape = (self._columns_hz.shape[1], count)
        best: tuple[float, np.ndarray] | None = None
        for fringe_hz in np.linspace(0.0, 2.0 * self._turned_hz, SEARCH_POINTS)[1:-1]:
            values = np.zeros(COUNT + sum(shape))
            values[COUNT] = self._likely_share
            values[-shape[1] :] = pump_hz - fringe_hz - self._differences_hz(values).mean()
            values[:COUNT], square = linear_start(points, self._phases_rad(values))
            if best is None or square < best[0]:
                best = square, values
        assert best is not None
        return best[1]


def fitted_fringes(
    points: Points,
    *,
    start: np.ndarray,
    phases_rad: Callable[[np.ndarray], np.ndarray],
    prior: Callable[[np.ndarray], np.ndarray],
    freedom: int,
) -> Fringes:
    """Fringes by least squares, the noise of each point learnt on the way.

    Parameters
    ----------
    points : Points
        One per sequence.
    start : ndarray of float64
        C, chi, L, excess and what the phases depend on.
    phases_rad : callable
        From these to the phases of the points.
    prior : callable
        From these to residuals of what was known beforehand.
    freedom : int
        Points less numbers that are free.

    Returns
    -------
    Fringes

    Raises
    ------
    ProtocolFailure
        If there are too few points, no convergence, no fringes, or points far off them.
    """
    if freedom < 1:
        raise ProtocolFailure(
            f"there are {len(points.free_s)} completed sequences; "
            f"{len(points.free_s) - freedom + 1} are needed for a fit of fringes"
        )
    values, sigmas = start, points.sigmas(np.full(len(points.free_s), 0.5))

    def residuals(trial: np.ndarray) -> np.ndarray:
        expected = fringe_law(
            trial, phases_rad(trial), points.free_s, points.tilts, points.last_pulse
        )
        return np.concatenate(
            [
                (points.fractions - expected) / sigmas,
                [trial[EXCESS]],
                prior(trial),
            ]
        )

    for _ in range(PASSES):
        solution = least_squares(residuals, values, x_scale="jac")
        if not solution.success:
            raise ProtocolFailure("the fit of the fringes did not converge")
        values = solution.x
        expected = fringe_law(
            values, phases_rad(values), points.free_s, points.tilts, points.last_pulse
        )
        sigmas = points.sigmas(expected)
    square = float(solution.fun @ solution.fun)
    scale = inflation(square, freedom, "the points lie off the fringes")
    information = solution.jac.T @ solution.jac
    units = np.sqrt(np.diag(information))
    covariance = np.linalg.inv(information / np.outer(units, units)) / np.outer(units, units)
    fringes = Fringes(
        values=values,
        covariance=covariance * scale,
        expected=expected,
        sigmas=sigmas,
        chi_square_ratio=square / freedom,
    )
    contrast, sigma = fringes.contrast
    if contrast < FEWEST_FRINGE_SIGMAS * sigma:
        raise ProtocolFailure(
            f"there are no fringes: the contrast is {contrast:.2g}, known to {sigma:.2g}"
        )
    return fringes
