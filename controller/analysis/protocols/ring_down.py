"""The analysis of ring-downs: quality factor, Duffing coefficients, detector check.

A mode that is released decays by its losses while thermal kicks shake it. From one
mean to the next the size of its amplitude is predicted; the errors of that are
independent but for what adjacent means share, so the whole record counts with its
right weight, whether kicks or the detector limit it. In the limit of a quiet detector
Q is known to 2 x_th/A, however long one listens.

Frequencies come from phases in intervals of a second. Their differences from one
interval to the next hold a drift that walks at random, phases that diffuse, and the
Duffing shift that falls with the square of the amplitude. In the difference of both
modes the shared drift is all but gone; in a single mode it stays, and the sigma says so.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from controller.analysis.protocols.banded import factor, whitened
from controller.analysis.protocols.data import (
    TWO_PI,
    Facts,
    ModeFacts,
    ProtocolData,
    ProtocolFailure,
    ProtocolResult,
    Results,
    Run,
    guarded,
    is_driven,
    runs_where,
    summed_rad,
    with_sigmas,
)
from controller.records import ModeId

SHORTEST_S = 2.0
STEP_S = 0.1
LEAST_OVER_NOISE = 5.0  # of a mean: below, its size says little of the amplitude
LEAST_OVER_THERMAL = 3.0
FEWEST_STEPS = 40
PASSES = 4  # rate, noise and what they imply settle within three
LARGEST_NOISE_RATIO = 10.0  # of the variance of the residuals; masses are known to a factor
HOPELESS_CHANCE = 1.0e-6  # that sound ring-downs disagree so much
INTERVAL_S = 1.0  # of a frequency: the detector's noise no longer matters
FEWEST_INTERVALS = 8
TAIL_SIGNAL = 0.1  # of the thermal mean square: the ring-down is over
LEAST_TAIL = 2.0  # decay times of the energy
TAIL_POINTS = 10  # per decay time of the energy


def ring_down(data: ProtocolData) -> ProtocolResult:
    """Quality factor, Duffing coefficients and thermal level of each released mode.

    Parameters
    ----------
    data : ProtocolData
        With stretches in which one mode is free and the pump off; best with the other
        mode driven.

    Returns
    -------
    ProtocolResult
        For `lower` and `upper`: `quality_factor`, `decay_time_s` (of the amplitude),
        `duffing_difference_hz_per_m2` (difference frequency by this mode's |a|^2),
        `duffing_self_hz_per_m2` (its own frequency; the shared drift is in its sigma)
        and `thermal_ratio` (mean square at the end against what temperature and mass
        say; None where the record ends before), each with its sigma; or `failure`.
    """
    return guarded(_ring_down, data)


def _ring_down(data: ProtocolData) -> ProtocolResult:
    results: Results = {}
    series: dict[str, np.ndarray] = {}
    for mode in ModeId:
        try:
            results[mode.value], curves = _mode_results(data, mode)
            series |= {f"{mode}_{name}": curve for name, curve in curves.items()}
        except ProtocolFailure as failure:
            results[mode.value] = {"failure": str(failure)}
    if not series:
        lower, upper = results["lower"], results["upper"]
        assert isinstance(lower, dict) and isinstance(upper, dict)
        raise ProtocolFailure(f"lower mode: {lower['failure']}; upper mode: {upper['failure']}")
    return ProtocolResult(results=results, series=series)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Decay:
    """The decay of one released mode."""

    rate_per_s: float  # energy
    sigma_per_s: float
    step_s: float
    times_s: np.ndarray  # (n,) since the start of the run
    sizes_m: np.ndarray  # (n,) of the means
    used: int  # means before the amplitude comes to the noise


def _mode_results(data: ProtocolData, mode: ModeId) -> tuple[Results, dict[str, np.ndarray]]:
    runs = _runs(data, mode)
    facts = data.facts.of(mode)
    thermal_m = facts.thermal_amplitude_m(data.facts.temperature_k)
    decays, reasons = [], []
    for run in runs:
        try:
            decays.append((run, _decay(run, mode, data.facts)))
        except ProtocolFailure as failure:
            reasons.append(str(failure))
    if not decays:
        raise ProtocolFailure(reasons[0])
    rate, rate_sigma = _weighted_mean(
        [(decay.rate_per_s, decay.sigma_per_s) for _, decay in decays], "decay rates"
    )
    omega = TWO_PI * facts.frequency_hz
    relative = rate_sigma / rate
    results = with_sigmas(
        {
            "quality_factor": (omega / rate, omega / rate * relative),
            "decay_time_s": (2.0 / rate, 2.0 / rate * relative),
        }
    )
    chirps = [
        chirp
        for run, decay in decays
        if (chirp := _Chirp.of(run, mode, data.facts, decay.used * decay.step_s)) is not None
    ]
    results |= _duffing(chirps)
    noise_m = facts.detector_noise_m_per_root_hz
    tails = [_thermal_ratio(decay, rate, thermal_m, noise_m) for _, decay in decays]
    known = [tail for tail in tails if tail is not None]
    results |= _values("thermal_ratio", _weighted_mean(known, "thermal levels") if known else None)
    first = decays[0][1]
    curves = {
        "time_s": first.times_s,
        "amplitude_m": first.sizes_m,
        "fitted_amplitude_m": _start_m(first, rate) * np.exp(-0.5 * rate * first.times_s),
    }
    if chirps:
        curves |= {"power_m2": chirps[0].powers_m2[0], "difference_hz": chirps[0].difference_hz}
    return results, curves


def _values(name: str, value: tuple[float, float] | None) -> Results:
    return {name: None, f"{name}_sigma": None} if value is None else with_sigmas({name: value})


def _runs(data: ProtocolData, mode: ModeId) -> list[Run]:
    """Where the mode is free and the pump off; those with the other one driven, if any."""
    basebands = data.basebands
    is_free = (basebands["pump_amplitude"] == 0.0) & ~is_driven(basebands, mode)
    other_driven = is_driven(basebands, _other(mode))
    for wanted in (is_free & other_driven, is_free & ~other_driven):
        runs = runs_where(data, wanted, SHORTEST_S)
        if runs:
            return runs
    raise ProtocolFailure(
        f"there is no stretch of {SHORTEST_S:.0f} s with this mode released and the pump off"
    )


def _other(mode: ModeId) -> ModeId:
    return ModeId.UPPER if mode is ModeId.LOWER else ModeId.LOWER


def _weighted_mean(values: Sequence[tuple[float, float]], what: str) -> tuple[float, float]:
    """Mean by inverse variances, and its sigma; fails where the values cannot agree."""
    means, sigmas = np.array(values).T
    weights = sigmas**-2
    mean = float((weights * means).sum() / weights.sum())
    square = float((weights * (means - mean) ** 2).sum())
    if len(means) > 1 and chi2.sf(square, len(means) - 1) < HOPELESS_CHANCE:
        raise ProtocolFailure(
            f"the {what} of {len(means)} ring-downs disagree: chi-square {square:.0f} "
            f"for {len(means) - 1} degrees of freedom"
        )
    return mean, float(weights.sum()) ** -0.5


# -- decay ---------------------------------------------------------------------------


def _sizes(run: Run, mode: ModeId) -> tuple[float, np.ndarray]:
    """Step and sizes of means over it, the turning taken out before."""
    line = run.basebands[mode.value]
    per_mean = max(1, round(STEP_S / run.spacing_s))
    turned = line * np.exp(-1j * _smooth_turning_rad(line, 5 * per_mean))
    means = len(line) // per_mean
    return (
        per_mean * run.spacing_s,
        np.abs(turned[: means * per_mean].reshape(means, per_mean).mean(axis=1)),
    )


def _smooth_turning_rad(line: np.ndarray, width: int) -> np.ndarray:
    """Phase of a line, its rate averaged over some basebands."""
    products = line[1:] * line[:-1].conj()
    smooth = np.convolve(products, np.ones(min(width, len(products))), mode="same")
    return summed_rad(smooth)


def _decay(run: Run, mode: ModeId, facts: Facts) -> _Decay:
    """Energy decay rate of one ring-down.

    r(n+1) = e^(-gamma dt/2) r(n) + q/(2 r) + error, with q = gamma x_th^2 dt the variance
    of a kick in each quadrature: one across the motion adds to its size on the average.
    """
    known = facts.of(mode)
    thermal_m = known.thermal_amplitude_m(facts.temperature_k)
    step_s, sizes_m = _sizes(run, mode)
    noise_m2 = known.detector_noise_m_per_root_hz**2 / step_s
    least_m = max(LEAST_OVER_NOISE * math.sqrt(noise_m2), LEAST_OVER_THERMAL * thermal_m)
    is_low = sizes_m < least_m
    used = int(np.argmax(is_low)) if is_low.any() else len(sizes_m)
    if used < FEWEST_STEPS:
        raise ProtocolFailure(
            f"the ring-down at {run.start_s:.1f} s is above thermal motion and noise "
            f"({least_m:.2g} m) for {used * step_s:.1f} s only: ring the mode up further"
        )
    seen = np.sqrt(np.clip(sizes_m[:used] ** 2 - noise_m2, 0.0, None))
    now, later = seen[:-1], seen[1:]
    # The start: the whole fall of the record.
    rate = max(2.0 * math.log(now[0] / later[-1]) / (len(now) * step_s), 1e-3 / step_s / used)
    ratio = 1.0
    for _ in range(PASSES):
        kick_m2 = rate * thermal_m**2 * step_s
        gain = facts.gain_walk_per_root_s**2 * step_s * now**2
        keeps = math.exp(-0.5 * rate * step_s)
        variances = 2.0 / 3.0 * (kick_m2 + gain) + (1.0 + keeps**2) * noise_m2
        neighbours = (kick_m2 + 0.5 * (gain[1:] + gain[:-1])) / 6.0 - keeps * noise_m2
        weights = factor(variances, neighbours)
        regressor = whitened(weights, now)
        reading = whitened(weights, later - 0.5 * kick_m2 / now)
        information = float(regressor @ regressor)
        kept = float(regressor @ reading) / information
        residuals = reading - kept * regressor
        ratio = float(residuals @ residuals) / (len(now) - 1)
        if not 0.0 < kept < 1.0:
            raise ProtocolFailure(
                f"the amplitude does not decay in the ring-down at {run.start_s:.1f} s: "
                "listen longer"
            )
        rate = -2.0 * math.log(kept) / step_s
    if ratio > LARGEST_NOISE_RATIO:
        raise ProtocolFailure(
            f"the ring-down at {run.start_s:.1f} s leaves residuals {math.sqrt(ratio):.1f} times "
            "as large as thermal motion and detector explain"
        )
    # Residuals tell how large kicks and noise are; the gain, which wanders slowly, hardly shows
    # in them, but counts in full over a whole decay.
    gain_share = float(np.mean(2.0 / 3.0 * gain / variances))
    quiet = max(ratio - gain_share, 0.0) / (1.0 - gain_share)
    scale = float((quiet * kick_m2 + gain.mean()) / (kick_m2 + gain.mean()))
    return _Decay(
        rate_per_s=rate,
        sigma_per_s=2.0 / (kept * step_s) * math.sqrt(scale / information),
        step_s=step_s,
        times_s=step_s * np.arange(len(sizes_m)),
        sizes_m=sizes_m,
        used=used,
    )


# -- thermal level -------------------------------------------------------------------


def _start_m(decay: _Decay, rate_per_s: float) -> float:
    """Amplitude at the start, from the first tenth of a decay time."""
    count = int(np.clip(0.1 / rate_per_s / decay.step_s, 1, len(decay.sizes_m)))
    risen = decay.sizes_m[:count] * np.exp(0.5 * rate_per_s * decay.times_s[:count])
    return float(risen.mean())


def _thermal_ratio(
    decay: _Decay, rate_per_s: float, thermal_m: float, noise_m_per_root_hz: float
) -> tuple[float, float] | None:
    """Mean square after the ring-down against its expectation, and its sigma.

    Past the start the amplitude is s(t) + u(t): the decaying signal and the thermal motion
    that has come since, E[u(t) u*(t')] = 2 x_th^2 (e^(-gamma|t-t'|/2) - e^(-gamma(t+t')/2))
    = C. Then Cov(|a|^2, |a'|^2) = C^2 + 2 s s' C, for Gaussian u (derived).
    """
    thermal_m2 = 2.0 * thermal_m**2
    signal_m = _start_m(decay, rate_per_s) * np.exp(-0.5 * rate_per_s * decay.times_s)
    is_tail = signal_m**2 < TAIL_SIGNAL * thermal_m2
    if is_tail.sum() * decay.step_s * rate_per_s < LEAST_TAIL:
        return None
    noise_m2 = 2.0 * noise_m_per_root_hz**2 / decay.step_s
    grown = 1.0 - np.exp(-rate_per_s * decay.times_s[is_tail])
    excess = decay.sizes_m[is_tail] ** 2 - signal_m[is_tail] ** 2 - noise_m2
    expected_m2 = thermal_m2 * float(grown.mean())
    every = max(1, int(1.0 / (TAIL_POINTS * rate_per_s * decay.step_s)))
    times_s, signals = decay.times_s[is_tail][::every], signal_m[is_tail][::every]
    apart, since = np.abs(np.subtract.outer(times_s, times_s)), np.add.outer(times_s, times_s)
    shared = thermal_m2 * (np.exp(-0.5 * rate_per_s * apart) - np.exp(-0.5 * rate_per_s * since))
    variance = float((shared**2 + 2.0 * np.outer(signals, signals) * shared).mean())
    return float(excess.mean()) / expected_m2, math.sqrt(variance) / expected_m2


# -- Duffing ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Chirp:
    """Frequencies during one ring-down, in intervals."""

    mode: ModeId
    facts: Facts
    own_hz: np.ndarray  # (n,) of the released mode, against its reference
    other_hz: np.ndarray  # (n,) of the other one, the pull of its drive taken out
    powers_m2: np.ndarray  # (2, n) mean |a|^2, of the released and the other one
    variances_hz2: np.ndarray  # (2, n) by diffusion and detector

    @property
    def difference_hz(self) -> np.ndarray:
        """Upper less lower."""
        sign = 1.0 if self.mode is ModeId.UPPER else -1.0
        return sign * (self.own_hz - self.other_hz)

    @staticmethod
    def of(run: Run, mode: ModeId, facts: Facts, used_s: float) -> _Chirp | None:
        """The intervals of a ring-down before it comes to the noise; None if too few."""
        per_interval = max(2, round(INTERVAL_S / run.spacing_s))
        margin = per_interval // 10  # of a phase at the end of an interval, on both sides
        length = min(int(used_s / run.spacing_s), len(run.basebands))
        count = (length - 2 * margin - 1) // per_interval
        if count < FEWEST_INTERVALS:
            return None
        stretch = run.basebands[: count * per_interval + 2 * margin + 1]
        inner = slice(margin, margin + count * per_interval)
        step_s = per_interval * run.spacing_s

        def averaged(series: np.ndarray) -> np.ndarray:
            return np.asarray(series[inner].reshape(count, per_interval).mean(axis=1))

        frequencies, powers, variances = [], [], []
        for each in (mode, _other(mode)):
            known, line = facts.of(each), stretch[each.value]
            frequency_hz = _frequencies_hz(line, per_interval, margin, run.spacing_s)
            drive = stretch[f"drive_{each}"]
            if (drive != 0.0).all():
                frequency_hz = frequency_hz - averaged(_drive_pull_hz(drive / line, known))
            power = averaged(np.abs(line) ** 2)
            frequencies.append(frequency_hz)
            powers.append(power)
            variances.append(_phase_variances(known, facts, power, step_s) / (TWO_PI * step_s) ** 2)
        return _Chirp(
            mode=mode,
            facts=facts,
            own_hz=frequencies[0],
            other_hz=frequencies[1],
            powers_m2=np.array(powers),
            variances_hz2=np.array(variances),
        )

    def by_difference(self) -> tuple[float, float]:
        """Shift of the difference by |a|^2 of the released mode; the shared drift cancels."""
        facts = self.facts
        # What the lower mode does both do, but for the ratio.
        lower_hz = self.own_hz if self.mode is ModeId.LOWER else self.other_hz
        cross, cross_sigma = facts.difference_duffing_hz_per_m2(_other(self.mode))
        return _slope(
            self.difference_hz - facts.difference_per_lower * lower_hz - cross * self.powers_m2[1],
            self.powers_m2[0],
            [(lower_hz, facts.drift_ratio_sigma), (self.powers_m2[1], cross_sigma)],
            self.variances_hz2.sum(axis=0),
            facts.difference_walk_hz_per_root_s,
        )

    def by_itself(self) -> tuple[float, float]:
        """Shift of the released mode by its own |a|^2, against the drift as the other shows it."""
        facts = self.facts
        cross = facts.of(self.mode).duffing_cross_hz_per_m2
        sigma = facts.of(self.mode).duffing_sigma_hz_per_m2
        return _slope(
            self.own_hz - cross * self.powers_m2[1],
            self.powers_m2[0],
            [(self.powers_m2[1], sigma)],
            self.variances_hz2[0],
            _walk_hz_per_root_s(self.other_hz),
        )


def _frequencies_hz(
    line: np.ndarray, per_interval: int, margin: int, spacing_s: float
) -> np.ndarray:
    """Mean frequency in each interval, from phases at its ends averaged over twice the margin."""
    phases_rad = _smooth_turning_rad(line, margin)
    rest = line * np.exp(-1j * phases_rad)
    ends = np.arange(margin, len(line) - margin, per_interval)
    short = np.array([rest[end - margin : end + margin + 1].mean() for end in ends])
    at_ends_rad = phases_rad[ends] + np.unwrap(np.angle(short))
    return np.asarray(np.diff(at_ends_rad) / (TWO_PI * per_interval * spacing_s))


def _drive_pull_hz(ratios: np.ndarray, known: ModeFacts) -> np.ndarray:
    """How far a drive that is not 90 degrees ahead pulls the phase, about its mean.

    In steady state the mean of drive over amplitude makes up the losses: it stands for
    gamma/2, whatever lies between the generator and the mode.
    """
    return np.asarray((ratios / ratios.mean()).imag * known.decay_rate_per_s / (2.0 * TWO_PI))


def _phase_variances(
    known: ModeFacts, facts: Facts, powers_m2: np.ndarray, step_s: float
) -> np.ndarray:
    """Of the phase from end to end of an interval [rad^2]."""
    kick_m2 = known.decay_rate_per_s * known.thermal_amplitude_m(facts.temperature_k) ** 2 * step_s
    noise_m2 = 2.0 * known.detector_noise_m_per_root_hz**2 / (0.2 * step_s)
    return np.asarray((kick_m2 + noise_m2) / powers_m2)


def _walk_hz_per_root_s(frequencies_hz: np.ndarray) -> float:
    """How fast a drift walks: the fastest that it does over one, some and many intervals."""
    lags = {1, max(1, len(frequencies_hz) // 16), max(1, len(frequencies_hz) // 4)}
    return max(
        math.sqrt(float(np.mean((frequencies_hz[lag:] - frequencies_hz[:-lag]) ** 2)) / lag)
        for lag in lags
    ) / math.sqrt(INTERVAL_S)


def _slope(
    frequencies_hz: np.ndarray,
    powers_m2: np.ndarray,
    nuisances: Sequence[tuple[np.ndarray, float]],
    variances_hz2: np.ndarray,
    walk_hz_per_root_s: float,
) -> tuple[float, float]:
    """Slope against a power, beside a walk, diffusion and effects that are roughly known.

    The walk is averaged over each interval, so that its steps have 2/3 of their variance
    and a sixth of it in common with the next.
    """
    walk = walk_hz_per_root_s**2 * INTERVAL_S
    weights = factor(
        variances_hz2[1:] + variances_hz2[:-1] + 2.0 / 3.0 * walk,
        walk / 6.0 - variances_hz2[1:-1],
    )
    # In units of the largest power and of the nuisances' sigmas, for a regular matrix.
    unit = float(powers_m2.max())
    columns = [np.diff(powers_m2) / unit] + [sigma * np.diff(each) for each, sigma in nuisances]
    design = np.stack([whitened(weights, column) for column in columns], axis=1)
    reading = whitened(weights, np.diff(frequencies_hz))
    prior = np.diag([0.0] + [1.0] * len(nuisances))
    covariance = np.linalg.inv(design.T @ design + prior)
    values = covariance @ (design.T @ reading)
    residuals = reading - design @ values
    ratio = max(1.0, float(residuals @ residuals) / (len(reading) - 1))
    return float(values[0]) / unit, math.sqrt(ratio * covariance[0, 0]) / unit


def _duffing(chirps: Sequence[_Chirp]) -> Results:
    """Both coefficients over all ring-downs."""

    def mean(slope: Callable[[_Chirp], tuple[float, float]], what: str) -> tuple[float, float]:
        return _weighted_mean([slope(chirp) for chirp in chirps], what)

    results: Results = {}
    for name, slope in (
        ("duffing_difference_hz_per_m2", _Chirp.by_difference),
        ("duffing_self_hz_per_m2", _Chirp.by_itself),
    ):
        results |= _values(name, mean(slope, "chirps") if chirps else None)
    return results
