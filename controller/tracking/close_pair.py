"""Two lines too close for filters: both followed in one baseband.

When the lines are a hertz apart, a filter that parts them takes longer than
they ring. Here both loops share one baseband and one innovation: an extended
Kalman filter over phase, frequency, logarithm of the amplitude and growth rate
of each line,

    y(t) = A_1 exp(2 pi i theta_1) + A_2 exp(2 pi i theta_2) + noise,

so that each line is tracked on what the other leaves over. How much the
frequencies wander is not known; a few filters that assume different walks run
side by side, and each counts as its innovations are likely.

Afterwards each filter runs through the record once more, a backward pass
(Rauch, Tung and Striebel 1965) gives each moment the benefit of the whole
record, and each filter counts as the whole record is likely.

Arrays in, estimates out; when a pair is believed, held or given up is decided
by whoever owns it.
"""

from __future__ import annotations

import copy
import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from controller.signal.lines import LinesFit

TWO_PI = 2.0 * math.pi
TURNS, OFFSET_HZ, LOG_AMPLITUDE, GROWTH = range(4)
PER_LINE = 4
STATES = 2 * PER_LINE

# Walks of the frequencies that are tried, in parts of the spacing per root second:
# from a clock-locked line to one that glides by a per cent of the spacing a second.
WALK_RATIOS = (1.0e-5, 1.0e-4, 1.0e-3, 4.0e-3, 1.5e-2)
# The growth rate walks by so many radians for each turn of the frequency; the decay of a struck
# body changes less than its pitch (arbitrary between 0.1 and 1, see test_close_pair_bounds).
GROWTH_WALK = 0.2 * TWO_PI
EPOCH_UPDATES = 12  # two beats at six updates a beat: after it all filters go on together
INNOVATION_AVERAGING = 0.05  # of the ratio that is shown
NOISE_AVERAGING = 0.12  # some 8 updates: what the lines stand in dies as they do
# The first fit takes what dies soon (an attack, short partials) for white noise and is too
# sure; and its samples are taken once more by the filter: at 3 they count 1/9 too much.
FIRST_FIT_DISTRUST = 3.0
CARRIED = 0.8  # of the likelihoods of the epochs before
# In logarithms: a filter a thousand times less likely than the best has lost the lines, and
# begins again with a part in 150 (arbitrary: between what is overlooked and what blurs).
LOST_LOG_RATIO, RESTART_LOG_RATIO = 7.0, 5.0
LARGEST_STEP_SIGMAS = 4.0  # beyond, step as if it were so many: a knock, a click
# Beyond so much an innovation says no more about noise and walks than that they are wrong.
LARGEST_INNOVATION2 = 30.0
FLOAT32_ROUNDING = 1.0e-7  # no baseband is quieter, against its lines
KEPT_PART_UPDATES = 4000  # for the backward pass: the last one or two parts, some 60 MB
LEAST_WEIGHT = 1.0e-3  # of a filter whose backward pass counts


@dataclass(frozen=True, slots=True, kw_only=True)
class ClosePairConfig:
    """The shared baseband.

    Raises
    ------
    ValueError
        If the rate, the spacing or the noise bandwidth is not positive.
    """

    rate_hz: float
    spacing_hz: float
    noise_bandwidth_hz: float | None = None  # of the filter before; None: white up to the rate

    def __post_init__(self) -> None:
        if not (self.rate_hz > 0.0 and self.spacing_hz > 0.0 and self.noise_ratio > 0.0):
            raise ValueError(
                f"rate_hz {self.rate_hz}, spacing_hz {self.spacing_hz} and noise_bandwidth_hz "
                f"{self.noise_bandwidth_hz} have to be positive"
            )

    @property
    def noise_ratio(self) -> float:
        """Variance of white noise as dense as at the lines, over that of a sample's noise."""
        return 1.0 if self.noise_bandwidth_hz is None else self.rate_hz / self.noise_bandwidth_hz


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


@dataclass(slots=True)
class _Member:
    """One filter of the bank."""

    walk_hz_per_root_s: float
    x: np.ndarray
    p: np.ndarray
    noise2: float  # of one quadrature of a sample, as it is learnt
    noise_ratio: float  # see ClosePairConfig
    log_likelihood: float = 0.0
    fitted_to_come: int = 0  # samples that the first fit has seen: they tell no walks apart


@dataclass(slots=True)
class _Part:
    """A part of the record: the filters before it, and its samples with their durations."""

    members: list[_Member]
    samples: list[tuple[complex, float]] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackMean:
    """Mean of a quantity over a record."""

    value: float
    sigma: float  # of the mean
    spread: float  # of the quantity about its mean, rms: how far it moved


class SmoothedPair:
    """A record of a pair, each moment with the benefit of what came later.

    Parameters
    ----------
    parts : sequence of parts of the record
        In their order; the filters before the first one begin.
    """

    def __init__(self, parts: Sequence[_Part]) -> None:
        samples = [each for part in parts for each in part.samples]
        members = copy.deepcopy(parts[0].members)
        passes = [_SmoothedPass(member, samples) for member in members]
        weights = _weights(members)
        self._passes = [
            (weight, one)
            for weight, one in zip(weights / weights.max(), passes, strict=True)
            if weight > LEAST_WEIGHT
        ]

    def __len__(self) -> int:
        return len(self._passes[0][1].states)

    def frequency_hz(self, line: int, is_used: np.ndarray) -> TrackMean:
        """Mean offset of a line [Hz]; `is_used` of shape (n,), not all False."""
        return self._mean(_row(line, OFFSET_HZ), is_used)

    def growth_per_s(self, line: int, is_used: np.ndarray) -> TrackMean:
        """Mean growth rate of a line [1/s]."""
        return self._mean(_row(line, GROWTH), is_used)

    def spacing_hz(self, is_used: np.ndarray) -> TrackMean:
        """Mean of upper less lower frequency [Hz]."""
        return self._mean(_row(1, OFFSET_HZ) - _row(0, OFFSET_HZ), is_used)

    def amplitude(self, line: int, is_used: np.ndarray) -> float:
        """Amplitude of a line at the first update that is used [sample units]."""
        first = int(np.flatnonzero(is_used)[0])
        _, likeliest = max(self._passes, key=lambda each: each[0])
        return math.exp(min(likeliest.states[first, line * PER_LINE + LOG_AMPLITUDE], 700.0))

    def _mean(self, row: np.ndarray, is_used: np.ndarray) -> TrackMean:
        """The mean of one quantity by all filters."""
        means = [one.mean(row, is_used) for _, one in self._passes]
        weights = np.array([weight for weight, _ in self._passes])
        weights /= weights.sum()
        value = float(weights @ [mean.value for mean in means])
        variances = [mean.sigma**2 + (mean.value - value) ** 2 for mean in means]
        return TrackMean(
            value=value,
            sigma=math.sqrt(float(weights @ variances)),
            spread=math.sqrt(float(weights @ [mean.spread**2 for mean in means])),
        )


class _SmoothedPass:
    """One filter run through a record, forwards and backwards.

    Notes
    -----
    Rauch-Tung-Striebel: x_s = x + C (x_s' - x_p'), with C = P F' P_p'^-1, where
    the prime is the next update and p what was predicted for it. Errors of
    two moments have the covariance E[e_k e_n'] = C_k E[e_(k+1) e_n'] (k < n),
    from which the variance of a mean follows.
    """

    def __init__(self, member: _Member, samples: Sequence[tuple[complex, float]]) -> None:
        count = len(samples)
        self.states = np.empty((count, STATES))
        self._covariances = np.empty((count, STATES, STATES))
        self._gains = np.zeros((count, STATES, STATES))  # C of each update to the next
        predictions = []
        for place, (sample, duration_s) in enumerate(samples):
            before_p = member.p
            predicted_x, predicted_p, _ = _step(member, sample, duration_s)
            predictions.append((predicted_x, predicted_p))
            self.states[place], self._covariances[place] = member.x, member.p
            if place:
                cross = before_p @ _transition(duration_s).T
                self._gains[place - 1] = np.linalg.solve(predicted_p.T, cross.T).T
        for place in range(count - 2, -1, -1):
            gain, (predicted_x, predicted_p) = self._gains[place], predictions[place + 1]
            self.states[place] += gain @ (self.states[place + 1] - predicted_x)
            change = self._covariances[place + 1] - predicted_p
            self._covariances[place] += gain @ change @ gain.T

    def mean(self, row: np.ndarray, is_used: np.ndarray) -> TrackMean:
        """Mean of one quantity, each moment weighed by what is known of it."""
        values = self.states @ row
        variances = np.maximum((self._covariances @ row) @ row, np.finfo(float).tiny)
        weights = np.where(is_used, 1.0 / variances, 0.0)
        weights /= weights.sum()
        mean = float(weights @ values)
        spread2 = float(weights @ np.square(values - mean))
        # From the last update on: covariance of its state with the sum so far, and the sum's.
        with_sum, variance = np.zeros(STATES), 0.0
        for place in range(len(values) - 1, -1, -1):
            weight = weights[place]
            with_sum = self._gains[place] @ with_sum
            variance += 2.0 * weight * float(row @ with_sum) + weight**2 * float(variances[place])
            with_sum = with_sum + weight * (self._covariances[place] @ row)
        return TrackMean(value=mean, sigma=math.sqrt(max(variance, 0.0)), spread=math.sqrt(spread2))


class ClosePair:
    """Joint tracker of two close lines; owned by the replay, one thread."""

    def __init__(self, config: ClosePairConfig) -> None:
        self.config = config
        self.reset()

    def reset(self) -> None:
        """Forget both lines."""
        self._members: list[_Member] = []
        self._kept: deque[_Part] = deque(maxlen=2)
        self._in_epoch = 0
        self._innovation_ratio = 1.0
        self._phase_errors = (0.0, 0.0)

    def copy(self) -> ClosePair:
        """An independent filter that goes on alike."""
        return copy.deepcopy(self)

    def __repr__(self) -> str:
        if not self.has_lines:
            return "ClosePair(no lines yet)"
        now = self.estimate()
        return f"ClosePair(spacing {now.spacing_hz:.6f} ± {now.spacing_sigma_hz:.2g} Hz)"

    @property
    def has_lines(self) -> bool:
        """Whether `start` was called."""
        return bool(self._members)

    def start(self, fit: LinesFit) -> None:
        """Begin with a fit of the first part of the record.

        Parameters
        ----------
        fit : LinesFit
            Two lines, lower first, with their covariance. The first sample
            to come is the first of the fitted ones, with no time before it.
        """
        x = np.zeros(STATES)
        for place, line in enumerate(fit.lines):
            first = place * PER_LINE
            x[first : first + PER_LINE] = (
                line.phase_rad / TWO_PI,
                line.frequency_hz,
                math.log(line.magnitude),
                -line.decay_rate_per_s,
            )
        p = FIRST_FIT_DISTRUST**2 * _state_covariance(fit)
        rounding = FLOAT32_ROUNDING * max(line.magnitude for line in fit.lines)
        noise2 = fit.noise_density**2 * self.config.rate_hz / self.config.noise_ratio + rounding**2
        duration_s = len(fit.residuals) / self.config.rate_hz
        self.reset()
        self._members = [
            _Member(
                walk_hz_per_root_s=walk,
                x=x,
                # The fit took for constant what walked meanwhile.
                p=p + np.diag(np.diag(_process_noise(walk, duration_s))),
                noise2=noise2,
                noise_ratio=self.config.noise_ratio,
                fitted_to_come=len(fit.residuals),
            )
            for walk in (ratio * self.config.spacing_hz for ratio in WALK_RATIOS)
        ]
        self._kept.append(_Part(copy.deepcopy(self._members)))

    def process(self, sample: complex, duration_s: float) -> PairEstimate:
        """Take one baseband sample.

        Parameters
        ----------
        sample : complex
            The shared baseband [sample units].
        duration_s : float
            Time since the last sample, 0 or more [s].

        Returns
        -------
        PairEstimate
            The estimate at this sample.

        Raises
        ------
        ValueError
            If there are no lines yet, or the duration is negative.
        """
        if not self.has_lines:
            raise ValueError("no lines yet: start() comes before process()")
        if not duration_s >= 0.0:
            raise ValueError(f"duration_s is {duration_s}; it must be 0 or more")
        if len(self._kept[-1].samples) == KEPT_PART_UPDATES:
            self._kept.append(_Part(copy.deepcopy(self._members)))
        self._kept[-1].samples.append((sample, duration_s))
        likeliest = max(self._members, key=lambda member: member.log_likelihood)
        for member in self._members:
            predicted_x, _, innovation2 = _step(member, sample, duration_s)
            if member is likeliest:
                self._take_statistics(sample, predicted_x, innovation2)
        self._in_epoch += 1
        if self._in_epoch == EPOCH_UPDATES:
            self._end_epoch()
        return self.estimate()

    def estimate(self) -> PairEstimate:
        """Both lines now, by all filters, each as likely as it is."""
        members = self._members
        weights = _weights(members)
        x, p = _mixture([member.x for member in members], [m.p for m in members], weights)
        sigmas = np.sqrt(np.maximum(np.diag(p), 0.0))
        lower, upper = (
            _line_estimate(x[first : first + PER_LINE], sigmas[first : first + PER_LINE])
            for first in (0, PER_LINE)
        )
        row = _row(1, OFFSET_HZ) - _row(0, OFFSET_HZ)
        return PairEstimate(
            lines=(lower, upper),
            spacing_hz=upper.offset_hz - lower.offset_hz,
            spacing_sigma_hz=math.sqrt(max(float(row @ p @ row), 0.0)),
            innovation_ratio=self._innovation_ratio,
            phase_error_rad=self._phase_errors,
            noise=math.sqrt(float(weights @ [member.noise2 for member in members])),
            walk_hz_per_root_s=float(weights @ [member.walk_hz_per_root_s for member in members]),
        )

    def phase_sigmas_after_rad(self, duration_s: float) -> tuple[float, float]:
        """Uncertainty of both phases if nothing is measured for a while.

        Parameters
        ----------
        duration_s : float
            Length of the gap [s].

        Returns
        -------
        (float, float)
            One standard deviation, lower line first [rad].
        """
        predicted = [_predicted(member, duration_s) for member in self._members]
        means, covariances = zip(*predicted, strict=True)
        _, p = _mixture(means, covariances, _weights(self._members))
        lower, upper = (p[first + TURNS, first + TURNS] for first in (0, PER_LINE))
        return TWO_PI * math.sqrt(max(lower, 0.0)), TWO_PI * math.sqrt(max(upper, 0.0))

    def smoothed(self) -> SmoothedPair:
        """The kept record: all of it up to KEPT_PART_UPDATES, the end of a longer one."""
        return SmoothedPair(self._kept)

    # -- inside -----------------------------------------------------------------

    def _end_epoch(self) -> None:
        """Let filters that have become unlikely go on from the common estimate.

        So a narrow filter that lost the lines takes over once they stand still,
        and a wide one is there when they begin to move.
        """
        members = self._members
        weights = _weights(members)
        x, p = _mixture([member.x for member in members], [m.p for m in members], weights)
        highest = max(member.log_likelihood for member in members)
        for member in members:
            if member.log_likelihood < highest - LOST_LOG_RATIO:
                member.x, member.p = x, p
                member.log_likelihood = highest - RESTART_LOG_RATIO
            member.log_likelihood = CARRIED * (member.log_likelihood - highest)
        self._in_epoch = 0

    def _take_statistics(self, sample: complex, x: np.ndarray, innovation2: float) -> None:
        """Innovation statistics and phase errors, by the likeliest filter's prediction."""
        self._innovation_ratio += INNOVATION_AVERAGING * (
            0.5 * innovation2 - self._innovation_ratio
        )
        phasors = [_phasor(x, line) for line in range(2)]
        rest = sample - sum(phasors)
        # Of what is left for a line: itself, and what no line explains.
        lower, upper = (float(np.angle((p + rest) * p.conjugate())) for p in phasors)
        self._phase_errors = (lower, upper)


def _line_estimate(x: np.ndarray, sigmas: np.ndarray) -> LineEstimate:
    amplitude = math.exp(min(x[LOG_AMPLITUDE], 700.0))
    return LineEstimate(
        offset_hz=float(x[OFFSET_HZ]),
        offset_sigma_hz=float(sigmas[OFFSET_HZ]),
        amplitude=amplitude,
        amplitude_sigma=amplitude * float(sigmas[LOG_AMPLITUDE]),
        growth_per_s=float(x[GROWTH]),
        growth_sigma_per_s=float(sigmas[GROWTH]),
        phase_sigma_rad=TWO_PI * float(sigmas[TURNS]),
    )


def _row(line: int, quantity: int) -> np.ndarray:
    """Picks one quantity of one line from the state."""
    row = np.zeros(STATES)
    row[line * PER_LINE + quantity] = 1.0
    return row


def _weights(members: Sequence[_Member]) -> np.ndarray:
    """How likely each filter is, by its innovations."""
    logs = np.array([member.log_likelihood for member in members])
    weights = np.exp(logs - logs.max())
    return weights / weights.sum()


def _mixture(
    means: Sequence[np.ndarray], covariances: Sequence[np.ndarray], weights: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Mean and covariance of a weighted sum of Gaussians."""
    reference = means[int(np.argmax(weights))]
    apart = np.array(means) - reference
    # Phases of filters that disagree by whole turns are the same.
    apart[:, [TURNS, PER_LINE + TURNS]] -= np.round(apart[:, [TURNS, PER_LINE + TURNS]])
    mean = weights @ apart
    away = apart - mean
    spread = (away.T * weights) @ away
    return reference + mean, np.tensordot(weights, np.array(covariances), 1) + spread


def _predicted(member: _Member, duration_s: float) -> tuple[np.ndarray, np.ndarray]:
    """State and covariance at a later moment."""
    transition = _transition(duration_s)
    p = transition @ member.p @ transition.T + _process_noise(member.walk_hz_per_root_s, duration_s)
    return transition @ member.x, p


def _step(
    member: _Member, sample: complex, duration_s: float
) -> tuple[np.ndarray, np.ndarray, float]:
    """Predict and correct one filter; its prediction and normalised squared innovation."""
    x, p = _predicted(member, duration_s)
    slopes = np.zeros((2, STATES))
    rest = sample
    for place in range(2):
        first = place * PER_LINE
        phasor = _phasor(x, place)
        rest -= phasor
        slopes[:, first + TURNS] = (1j * TWO_PI * phasor).real, (1j * TWO_PI * phasor).imag
        slopes[:, first + LOG_AMPLITUDE] = phasor.real, phasor.imag
    innovation = np.array([rest.real, rest.imag])
    known = slopes @ p @ slopes.T
    total = known + member.noise2 * np.eye(2)
    innovation2 = float(innovation @ np.linalg.solve(total, innovation))
    # A filter before makes the noise of neighbouring samples alike: each says less.
    gain = p @ slopes.T @ np.linalg.inv(known + member.noise_ratio * member.noise2 * np.eye(2))
    bound = min(1.0, LARGEST_STEP_SIGMAS / math.sqrt(innovation2)) if innovation2 > 0.0 else 1.0
    member.x = x + bound * (gain @ innovation)
    corrected = p - gain @ slopes @ p
    member.p = 0.5 * (corrected + corrected.T)
    innovation2 = min(innovation2, LARGEST_INNOVATION2)
    if member.fitted_to_come:
        member.fitted_to_come -= 1
    else:
        member.log_likelihood -= 0.5 * (innovation2 + float(np.linalg.slogdet(total)[1]))
    # The noise around the lines is learnt: it rests where innovations are as predicted.
    member.noise2 *= math.exp(NOISE_AVERAGING * (0.5 * innovation2 - 1.0))
    return x, p, innovation2


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
    """Random walks of the frequency and of the growth rate."""
    walk = walk_hz_per_root_s**2
    one = np.zeros((PER_LINE, PER_LINE))
    for level, slope, scale in ((TURNS, OFFSET_HZ, 1.0), (LOG_AMPLITUDE, GROWTH, GROWTH_WALK**2)):
        one[level, level] = scale * walk * duration_s**3 / 3.0
        one[level, slope] = one[slope, level] = scale * walk * duration_s**2 / 2.0
        one[slope, slope] = scale * walk * duration_s
    return np.kron(np.eye(2), one)


def _state_covariance(fit: LinesFit) -> np.ndarray:
    """The fit's covariance in the filter's states, at the start of the fitted record."""
    change = np.zeros((STATES, STATES))
    for place, line in enumerate(fit.lines):
        # From (frequency, decay, magnitude, phase).
        first = place * PER_LINE
        change[first + TURNS, first + 3] = 1.0 / TWO_PI
        change[first + OFFSET_HZ, first] = 1.0
        change[first + LOG_AMPLITUDE, first + 2] = 1.0 / line.magnitude
        change[first + GROWTH, first + 1] = -1.0
    return change @ fit.covariance @ change.T
