"""Two lines too close for filters: both followed in one baseband.

When the lines are a hertz apart, a filter that parts them takes longer than
they ring. Here both loops share one baseband and one innovation: an extended
Kalman filter over phase, frequency, logarithm of the amplitude and growth rate
of each line,

    y(t) = A_1 exp(2 pi i theta_1) + A_2 exp(2 pi i theta_2) + noise,

so that each line is tracked on what the other leaves over. How much the
frequencies wander is not known; a few filters that assume different walks run
side by side, and each counts as its innovations are likely.

Afterwards the record is run through once more with the walk that made all of it
the most likely, and a backward pass (Rauch, Tung and Striebel 1965) gives each
moment the benefit of the whole record.
"""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass

import numpy as np

from controller.signal.lines import LinesFit

TWO_PI = 2.0 * math.pi
TURNS, OFFSET_HZ, LOG_AMPLITUDE, GROWTH = range(4)
PER_LINE = 4
STATES = 2 * PER_LINE

# Walks of the frequencies that are tried, in parts of the spacing per root second:
# from a clock-locked line to one that glides by a per cent of the spacing a second.
WALK_RATIOS = (1.0e-5, 1.0e-4, 1.0e-3, 4.0e-3, 1.5e-2)
EPOCH_UPDATES = 12  # two beats at six updates a beat: after it all filters go on together
NOISE_AVERAGING = 0.06  # some 16 updates: what the lines stand in changes as a struck body rings
# A first part holds what dies soon (an attack, short partials); the fit's covariance
# takes it for white noise and is too sure.
FIRST_FIT_DISTRUST = 3.0
CARRIED = 0.8  # of the likelihoods of the epochs before
KEPT_UPDATES = 20000  # for the backward pass; a longer record keeps its last part


@dataclass(frozen=True, slots=True, kw_only=True)
class ClosePairConfig:
    """The shared baseband.

    Raises
    ------
    ValueError
        If the rate or the spacing is not positive.
    """

    rate_hz: float
    spacing_hz: float

    def __post_init__(self) -> None:
        if not (self.rate_hz > 0.0 and self.spacing_hz > 0.0):
            raise ValueError(
                f"rate_hz {self.rate_hz} and spacing_hz {self.spacing_hz} have to be positive"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class LineEstimate:
    """One line at one time, with one-sigma uncertainties."""

    offset_hz: float
    offset_sigma_hz: float
    amplitude: float
    amplitude_sigma: float
    growth_per_s: float
    growth_sigma_per_s: float
    phase_sigma_rad: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PairEstimate:
    """Both lines, lower first, and their spacing."""

    lines: tuple[LineEstimate, LineEstimate]
    spacing_hz: float
    spacing_sigma_hz: float
    innovation_ratio: float
    phase_error_rad: tuple[float, float]
    noise: float  # of one quadrature of an update [sample units]
    walk_hz_per_root_s: float


@dataclass(frozen=True, slots=True)
class _Update:
    """One update: its prediction, and what is known after it."""

    transition: np.ndarray
    predicted_x: np.ndarray
    predicted_p: np.ndarray
    filtered_x: np.ndarray
    filtered_p: np.ndarray
    innovation2: float  # 2 expected


@dataclass(slots=True)
class _Member:
    """One filter of the bank."""

    walk_hz_per_root_s: float
    x: np.ndarray
    p: np.ndarray
    noise2: float
    log_likelihood: float


class ClosePair:
    """Joint tracker of two close lines; owned by the replay, one thread."""

    def __init__(self, config: ClosePairConfig) -> None:
        self.config = config
        self.reset()

    def reset(self) -> None:
        """Forget both lines."""
        self._members: list[_Member] = []
        self._anchor: list[_Member] = []  # the filters before the kept samples
        self._kept: list[tuple[complex, float]] = []
        self._in_epoch = 0
        self.innovation_ratio = 1.0
        self._phase_errors = (0.0, 0.0)

    def copy(self) -> ClosePair:
        """An independent filter that goes on alike."""
        return copy.deepcopy(self)

    def __repr__(self) -> str:
        if not self._members:
            return "ClosePair(no lines yet)"
        e = self.estimate()
        return f"ClosePair(spacing {e.spacing_hz:.6f} +- {e.spacing_sigma_hz:.2g} Hz)"

    @property
    def has_lines(self) -> bool:
        """Whether `start` was called."""
        return bool(self._members)

    def start(self, fit: LinesFit, elapsed_s: float) -> None:
        """Begin with a fit of the first part of the record.

        Parameters
        ----------
        fit : LinesFit
            Two lines, lower first, with their covariance.
        elapsed_s : float
            Time from the start of the fitted record to the last sample in it [s].
        """
        x = np.zeros(STATES)
        for place, line in enumerate(fit.lines):
            start = place * PER_LINE
            x[start : start + PER_LINE] = (
                line.phase_rad / TWO_PI + line.frequency_hz * elapsed_s,
                line.frequency_hz,
                math.log(line.magnitude) - line.decay_rate_per_s * elapsed_s,
                -line.decay_rate_per_s,
            )
        p = FIRST_FIT_DISTRUST**2 * _state_covariance(fit, elapsed_s)
        noise2 = max(fit.noise_density**2 * self.config.rate_hz, 1e-300)
        self._members = [
            _Member(
                walk_hz_per_root_s=ratio * self.config.spacing_hz,
                x=x.copy(),
                p=p.copy(),
                noise2=noise2,
                log_likelihood=0.0,
            )
            for ratio in WALK_RATIOS
        ]
        self._anchor, self._kept = copy.deepcopy(self._members), []

    def process(self, sample: complex, duration_s: float) -> PairEstimate:
        """Take one baseband sample.

        Parameters
        ----------
        sample : complex
            The shared baseband [sample units].
        duration_s : float
            Time since the last sample [s].

        Returns
        -------
        PairEstimate
            The estimate at this sample.
        """
        if len(self._kept) == KEPT_UPDATES:
            self._anchor, self._kept = copy.deepcopy(self._members), []
        self._kept.append((sample, duration_s))
        likeliest = max(self._members, key=lambda member: member.log_likelihood)
        for member in self._members:
            update = _step(member, sample, duration_s)
            if member is likeliest:
                self._take_statistics(sample, update)
        self._in_epoch += 1
        if self._in_epoch == EPOCH_UPDATES:
            self._end_epoch()
        return self.estimate()

    def estimate(self) -> PairEstimate:
        """Both lines now, by all filters, each as likely as it is."""
        x, p, weights = self._mixture()
        noise2 = float(weights @ [member.noise2 for member in self._members])
        walk = float(weights @ [member.walk_hz_per_root_s for member in self._members])
        return self._estimate_of(x, p, noise2, walk)

    def smoothed(self) -> list[PairEstimate]:
        """The whole kept record, each moment with the benefit of what came later.

        Returns
        -------
        list of PairEstimate
            One per kept update, in their order.

        Notes
        -----
        Rauch-Tung-Striebel: x_s = x + C (x_s' - x_p'), with C = P F' P_p'^-1,
        where the prime is the next update and p what was predicted for it.
        """
        passes = []
        for member in copy.deepcopy(self._anchor):
            member.log_likelihood = 0.0
            updates = [_step(member, sample, duration_s) for sample, duration_s in self._kept]
            passes.append((member, updates))
        member, updates = max(passes, key=lambda one: one[0].log_likelihood)
        if not updates:
            return [self.estimate()]
        x, p = updates[-1].filtered_x, updates[-1].filtered_p
        noise2, walk = member.noise2, member.walk_hz_per_root_s
        smoothed = [self._estimate_of(x, p, noise2, walk)]
        for this, following in zip(updates[-2::-1], updates[:0:-1], strict=True):
            cross = this.filtered_p @ following.transition.T
            gain = np.linalg.solve(following.predicted_p.T, cross.T).T
            x = this.filtered_x + gain @ (x - following.predicted_x)
            p = this.filtered_p + gain @ (p - following.predicted_p) @ gain.T
            smoothed.append(self._estimate_of(x, p, noise2, walk))
        return smoothed[::-1]

    # -- inside -----------------------------------------------------------------

    def _end_epoch(self) -> None:
        """Let all filters go on from their common estimate.

        Going on together lets a narrow filter take over once a wide one has caught
        the lines.
        """
        x, p, _ = self._mixture()
        for member in self._members:
            member.x, member.p = x, p
            member.log_likelihood *= CARRIED
        self._in_epoch = 0

    def _mixture(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Mean, covariance and weights of the bank: a sum of Gaussians."""
        logs = np.array([member.log_likelihood for member in self._members])
        weights = np.exp(logs - logs.max())
        weights /= weights.sum()
        reference = self._members[int(np.argmax(weights))].x
        apart = np.array([member.x - reference for member in self._members])
        # Phases of filters that disagree by whole turns are the same.
        apart[:, [TURNS, PER_LINE + TURNS]] -= np.round(apart[:, [TURNS, PER_LINE + TURNS]])
        mean = weights @ apart
        spread = apart - mean
        p = sum(
            weight * (member.p + np.outer(away, away))
            for weight, member, away in zip(weights, self._members, spread, strict=True)
        )
        return reference + mean, np.asarray(p), weights

    def _take_statistics(self, sample: complex, update: _Update) -> None:
        """Innovation statistics and phase errors, by the likeliest filter."""
        ratio = min(0.5 * update.innovation2, 50.0)
        self.innovation_ratio += 0.05 * (ratio - self.innovation_ratio)
        phasors = [_phasor(update.predicted_x, place) for place in range(2)]
        rest = sample - sum(phasors)
        lower, upper = (float(np.angle(1.0 + rest / phasor)) for phasor in phasors)
        self._phase_errors = (lower, upper)

    def _estimate_of(
        self, x: np.ndarray, p: np.ndarray, noise2: float, walk: float
    ) -> PairEstimate:
        lines = []
        for place in range(2):
            start = place * PER_LINE
            amplitude = math.exp(min(x[start + LOG_AMPLITUDE], 700.0))
            sigmas = np.sqrt(np.maximum(np.diag(p)[start : start + PER_LINE], 0.0))
            lines.append(
                LineEstimate(
                    offset_hz=float(x[start + OFFSET_HZ]),
                    offset_sigma_hz=float(sigmas[OFFSET_HZ]),
                    amplitude=amplitude,
                    amplitude_sigma=amplitude * float(sigmas[LOG_AMPLITUDE]),
                    growth_per_s=float(x[start + GROWTH]),
                    growth_sigma_per_s=float(sigmas[GROWTH]),
                    phase_sigma_rad=TWO_PI * float(sigmas[TURNS]),
                )
            )
        row = np.zeros(STATES)
        row[[OFFSET_HZ, PER_LINE + OFFSET_HZ]] = -1.0, 1.0
        return PairEstimate(
            lines=(lines[0], lines[1]),
            spacing_hz=lines[1].offset_hz - lines[0].offset_hz,
            spacing_sigma_hz=math.sqrt(max(float(row @ p @ row), 0.0)),
            innovation_ratio=self.innovation_ratio,
            phase_error_rad=self._phase_errors,
            noise=math.sqrt(noise2),
            walk_hz_per_root_s=walk,
        )


def _step(member: _Member, sample: complex, duration_s: float) -> _Update:
    """Predict and correct one filter."""
    transition = _transition(duration_s)
    x = transition @ member.x
    p = transition @ member.p @ transition.T + _process_noise(member.walk_hz_per_root_s, duration_s)
    slopes = np.zeros((2, STATES))
    rest = sample
    for place in range(2):
        start = place * PER_LINE
        phasor = _phasor(x, place)
        rest -= phasor
        slopes[:, start + TURNS] = (1j * TWO_PI * phasor).real, (1j * TWO_PI * phasor).imag
        slopes[:, start + LOG_AMPLITUDE] = phasor.real, phasor.imag
    innovation = np.array([rest.real, rest.imag])
    total = slopes @ p @ slopes.T + member.noise2 * np.eye(2)
    innovation2 = float(innovation @ np.linalg.solve(total, innovation))
    gain = p @ slopes.T @ np.linalg.inv(total)
    # Beyond 4 sigma step as if it were 4: a knock, a click.
    bound = min(1.0, math.sqrt(16.0 / innovation2)) if innovation2 > 0.0 else 1.0
    member.x = x + bound * (gain @ innovation)
    corrected = p - gain @ slopes @ p
    member.p = 0.5 * (corrected + corrected.T)
    member.log_likelihood -= 0.5 * (min(innovation2, 30.0) + float(np.linalg.slogdet(total)[1]))
    # The noise around the lines is learnt: it rests where innovations are as predicted.
    member.noise2 *= math.exp(NOISE_AVERAGING * (0.5 * min(innovation2, 20.0) - 1.0))
    return _Update(transition, x, p, member.x, member.p, innovation2)


def _phasor(x: np.ndarray, place: int) -> complex:
    """A line's share of the baseband."""
    start = place * PER_LINE
    angle = TWO_PI * (x[start + TURNS] % 1.0)
    amplitude = math.exp(min(x[start + LOG_AMPLITUDE], 700.0))
    return complex(amplitude * math.cos(angle), amplitude * math.sin(angle))


def _transition(duration_s: float) -> np.ndarray:
    """Phase by frequency, logarithm of the amplitude by growth."""
    one = np.eye(PER_LINE)
    one[TURNS, OFFSET_HZ] = duration_s
    one[LOG_AMPLITUDE, GROWTH] = duration_s
    return np.kron(np.eye(2), one)


def _process_noise(walk_hz_per_root_s: float, duration_s: float) -> np.ndarray:
    """Random walk of the frequency, and of the growth rate by as many radians."""
    walk = walk_hz_per_root_s**2
    one = np.zeros((PER_LINE, PER_LINE))
    for level, slope, scale in ((TURNS, OFFSET_HZ, 1.0), (LOG_AMPLITUDE, GROWTH, TWO_PI**2)):
        one[level, level] = scale * walk * duration_s**3 / 3.0
        one[level, slope] = one[slope, level] = scale * walk * duration_s**2 / 2.0
        one[slope, slope] = scale * walk * duration_s
    return np.kron(np.eye(2), one)


def _state_covariance(fit: LinesFit, elapsed_s: float) -> np.ndarray:
    """The fit's covariance, in the filter's states at a later time."""
    p = np.zeros((STATES, STATES))
    for place, line in enumerate(fit.lines):
        # From (frequency, decay, magnitude, phase) at the start of the record.
        change = np.zeros((PER_LINE, 4))
        change[TURNS, 0], change[TURNS, 3] = elapsed_s, 1.0 / TWO_PI
        change[OFFSET_HZ, 0] = 1.0
        change[LOG_AMPLITUDE, 1], change[LOG_AMPLITUDE, 2] = -elapsed_s, 1.0 / line.magnitude
        change[GROWTH, 1] = -1.0
        start = place * PER_LINE
        p[start : start + PER_LINE, start : start + PER_LINE] = change @ line.covariance @ change.T
    return p
