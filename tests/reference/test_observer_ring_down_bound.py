"""The observer against the Cramer-Rao bounds of modes that move freely.

A ring-down from a large amplitude in white detector noise: Fisher information of
amplitude, phase, frequency and decay rate from the very readings that the observer
is given; S. M. Kay, Fundamentals of Statistical Signal Processing: Estimation
Theory, Prentice Hall 1993, eq. 3.33 (from memory). That matrix is itself checked
against the closed form for a damped tone in Y.-X. Yao and S. M. Pandit, IEEE Trans.
Signal Processing 43, 878 (1995) (from memory; recomputed).

Scatter over seeds tells little to better than 6 %; what an observer loses is seen
more sharply in how far it lies from the maximum-likelihood estimate on the same
readings, which reaches the bound. The two parts of an error are independent where
an estimate is close to efficient (C. R. Rao: an efficient estimate and what any
other unbiased one differs from it are uncorrelated).

A mode in thermal motion, seen almost without noise: what is known of its frequency
is that of the drift of an Ornstein-Uhlenbeck process, derived in the tests.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
import pytest
from scipy.stats import chi2

from controller.tracking.observer_motion import ObserverInput
from tests.support.observer_bounds import decay_rates, observer_but_for

TWO_PI = 2.0 * math.pi
CHANCE = 1.0e-3  # that a sound observer fails one of the two-sided tests

STEP_S = 0.1
DURATION_S = 20.0  # two amplitude decay times of the lower mode: more buys little
TIMES_S = STEP_S * np.arange(round(DURATION_S / STEP_S) + 1)
DECAY_RATES_PER_S = (0.2, 0.16)
FREQUENCY_PRIOR_HZ = (0.02, 0.03)
DECAY_PRIOR = 0.2  # relative
SEEDS = 60
# An error that the observer adds to the smallest possible one, in units of that, so
# that the whole is 10 % above the bound.
LARGEST_EXCESS = math.sqrt(1.1**2 - 1.0)
QUIET, NOISY = 1.0e-3, 1.0e-2  # detector, per root hertz, of a start at 1
QUANTITIES = ("lower_hz", "difference_hz", "lower_decay_per_s", "upper_decay_per_s")


@dataclass(frozen=True, kw_only=True)
class DampedTone:
    """A exp(i phase + (2 pi i f - gamma/2) t)."""

    amplitude: float
    phase_rad: float
    frequency_hz: float
    decay_rate_per_s: float

    def samples(self, times_s: np.ndarray) -> np.ndarray:
        rate = TWO_PI * 1j * self.frequency_hz - 0.5 * self.decay_rate_per_s
        return self.amplitude * np.exp(1j * self.phase_rad + rate * times_s)

    def slopes(self, times_s: np.ndarray) -> np.ndarray:
        """By amplitude, phase, frequency and decay rate; shape (4, n)."""
        s = self.samples(times_s)
        return np.stack([s / self.amplitude, 1j * s, TWO_PI * 1j * times_s * s, -0.5 * times_s * s])

    def information(self, times_s: np.ndarray, variance: float) -> np.ndarray:
        """Fisher matrix from noise of `variance` in each quadrature; shape (4, 4)."""
        slopes = self.slopes(times_s)
        return (slopes.conj() @ slopes.T).real / variance

    def bounds(self, times_s: np.ndarray, variance: float) -> np.ndarray:
        """Smallest standard deviations of the four."""
        return np.sqrt(np.diag(np.linalg.inv(self.information(times_s, variance))))

    def fitted(self, times_s: np.ndarray, readings: np.ndarray) -> DampedTone:
        """Maximum likelihood by Gauss and Newton, begun here (at the truth)."""
        tone = self
        for _ in range(4):  # each step squares the error, from at most 5 %
            slopes = tone.slopes(times_s)
            normal = (slopes.conj() @ slopes.T).real
            residual = readings - tone.samples(times_s)
            move = np.linalg.solve(normal, (slopes.conj() @ residual).real)
            tone = DampedTone(
                amplitude=tone.amplitude + move[0],
                phase_rad=tone.phase_rad + move[1],
                frequency_hz=tone.frequency_hz + move[2],
                decay_rate_per_s=tone.decay_rate_per_s + move[3],
            )
        return tone


@dataclass(frozen=True, kw_only=True)
class RingDowns:
    """All in units of the bounds; shape (seeds, quantities)."""

    errors: np.ndarray
    excesses: np.ndarray  # against maximum likelihood
    sigmas: np.ndarray  # as stated

    def of(self, quantity: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        column = QUANTITIES.index(quantity)
        return self.errors[:, column], self.excesses[:, column], self.sigmas[:, column]


def quantities(lower: DampedTone, upper: DampedTone) -> np.ndarray:
    """In the order of QUANTITIES."""
    return np.array(
        [
            lower.frequency_hz,
            upper.frequency_hz - lower.frequency_hz,
            lower.decay_rate_per_s,
            upper.decay_rate_per_s,
        ]
    )


def ring_down(density: float, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Errors, excesses and stated sigmas of one seed, in units of the bounds."""
    rng = np.random.default_rng([seed, round(1.0 / density)])
    variance = density**2 / STEP_S
    offsets_hz = np.cumsum(np.array(FREQUENCY_PRIOR_HZ) * rng.standard_normal(2))
    lower, upper = tones = tuple(
        DampedTone(
            amplitude=1.0,
            phase_rad=rng.uniform(-math.pi, math.pi),
            frequency_hz=offset_hz,
            decay_rate_per_s=rate,
        )
        for offset_hz, rate in zip(offsets_hz, DECAY_RATES_PER_S, strict=True)
    )
    noise = rng.standard_normal((2, len(TIMES_S))) + 1j * rng.standard_normal((2, len(TIMES_S)))
    readings = np.stack([tone.samples(TIMES_S) for tone in tones]) + math.sqrt(variance) * noise
    believed = [rate * math.exp(DECAY_PRIOR * rng.standard_normal()) for rate in DECAY_RATES_PER_S]
    observer = observer_but_for(
        detector_noise=(density, density),
        decay_rate_per_s=tuple(believed),
        decay_rate_sigma=DECAY_PRIOR,
        frequency_sigma_hz=FREQUENCY_PRIOR_HZ,
    )
    for of_lower, of_upper in readings.T:
        last = observer.process((of_lower, of_upper), STEP_S, ObserverInput())
    decays = decay_rates(observer)
    estimates = np.array([last.lower_hz, last.difference_hz, *(value for value, _ in decays)])
    sigmas = np.array(
        [last.lower_sigma_hz, last.difference_sigma_hz, *(sigma for _, sigma in decays)]
    )
    fits = [tone.fitted(TIMES_S, seen) for tone, seen in zip(tones, readings, strict=True)]
    # Two modes that share nothing: the bound of the difference is the hypotenuse.
    of_lower, of_upper = (tone.bounds(TIMES_S, variance)[2:] for tone in tones)
    bounds = np.array([of_lower[0], math.hypot(of_lower[0], of_upper[0]), of_lower[1], of_upper[1]])
    truth, likeliest = quantities(lower, upper), quantities(fits[0], fits[1])
    return (estimates - truth) / bounds, (estimates - likeliest) / bounds, sigmas / bounds


@functools.cache
def ring_downs(density: float) -> RingDowns:
    """The same ring-down under many seeds."""
    errors, excesses, sigmas = (
        np.array(each)
        for each in zip(*(ring_down(density, seed) for seed in range(SEEDS)), strict=True)
    )
    return RingDowns(errors=errors, excesses=excesses, sigmas=sigmas)


def rms(values: np.ndarray) -> float:
    return math.sqrt(np.mean(np.square(values)))


@pytest.mark.parametrize(
    ("decay_times", "factor"),
    [(0.25, 43.618076), (0.5, 7.8067830), (1.0, 2.7941451), (2.0, 1.6618854)],
)
def test_the_bound_is_that_of_a_damped_tone(decay_times: float, factor: float) -> None:
    """Variance over that of a steady tone, 12 S^2 / (A^2 T^3), by r = amplitude decay time
    over duration: C(r) = (e^(2/r) - 1) / (3 r^3 cosh(2/r) - 3 r (r^2 + 2)).
    """
    count, density, duration_s = 4000, 1.0e-3, 20.0
    step_s = duration_s / count
    tone = DampedTone(
        amplitude=1.0,
        phase_rad=0.7,
        frequency_hz=0.3,
        decay_rate_per_s=2.0 / (decay_times * duration_s),
    )
    bound_hz = tone.bounds(step_s * (np.arange(count) + 0.5), density**2 / step_s)[2]
    steady_hz = math.sqrt(12.0 * density**2 / duration_s**3) / TWO_PI
    # The sum over samples is an integral but for the square of step over decay time.
    assert bound_hz == pytest.approx(math.sqrt(factor) * steady_hz, rel=1e-5)


@pytest.mark.parametrize("density", [QUIET, NOISY])
@pytest.mark.parametrize("quantity", QUANTITIES)
def test_scatter_of_ring_downs_is_that_of_the_bound(quantity: str, density: float) -> None:
    """Significantly less than the bound would be a fault of the test."""
    errors, _, _ = ring_downs(density).of(quantity)
    low, high = chi2.ppf([CHANCE / 2, 1 - CHANCE / 2], SEEDS)
    assert low < np.sum(errors**2) < high


@pytest.mark.parametrize("density", [QUIET, NOISY])
@pytest.mark.parametrize("quantity", QUANTITIES)
def test_a_ring_down_is_known_within_a_tenth_of_the_bound(quantity: str, density: float) -> None:
    """Against maximum likelihood; as much that the mean square over seeds leaves no doubt."""
    _, excesses, _ = ring_downs(density).of(quantity)
    doubt = math.sqrt(SEEDS / chi2.ppf(CHANCE, SEEDS))
    assert rms(excesses) * doubt < LARGEST_EXCESS


@pytest.mark.parametrize("density", [QUIET, NOISY])
@pytest.mark.parametrize("quantity", QUANTITIES)
def test_stated_sigmas_of_a_ring_down_are_the_bound(quantity: str, density: float) -> None:
    """For every seed within a tenth."""
    _, _, sigmas = ring_downs(density).of(quantity)
    assert sigmas.min() > 0.9
    assert sigmas.max() < 1.1


# A mode in thermal motion, the other one held by its drive.

THERMAL = 2.7e-3  # x_th, of the held amplitude
THERMAL_DENSITY = 1.0e-6  # noise of a reading: 2 % of the kick within a step, and less
THERMAL_DECAY_PER_S, HELD_DECAY_PER_S = 0.5, 0.1
THERMAL_STEP_S = 0.06
THERMAL_STEPS = 1200
THERMAL_PRIOR_HZ = 0.05
THERMAL_SEEDS = 20


@dataclass(frozen=True, kw_only=True)
class ThermalRun:
    """One seed, at its end."""

    error_hz: float
    sigma_hz: float
    information: float  # of the frequency, that lay in this motion; with the prior [1/Hz^2]


def thermal_run(seed: int) -> ThermalRun:
    """The upper mode in equilibrium, by the exact step of its process.

    Derived: a' = e^{(2 pi i f - gamma/2) dt} a + w with E w^2 = x_th^2 (1 - e^{-gamma dt})
    in each quadrature; so a step tells of f as much as
    |2 pi dt e^{-gamma dt/2} a|^2 / (x_th^2 (1 - e^{-gamma dt})).
    """
    rng = np.random.default_rng(seed)
    gamma_dt = THERMAL_DECAY_PER_S * THERMAL_STEP_S
    offset_hz = THERMAL_PRIOR_HZ * rng.standard_normal()
    observer = observer_but_for(
        detector_noise=(THERMAL_DENSITY, THERMAL_DENSITY),
        thermal_amplitude=(0.0, THERMAL),
        decay_rate_per_s=(HELD_DECAY_PER_S, THERMAL_DECAY_PER_S),
        frequency_sigma_hz=(0.0, THERMAL_PRIOR_HZ),
    )
    act = ObserverInput(push=(0.5 * HELD_DECAY_PER_S, 0j))
    step = np.exp(TWO_PI * 1j * offset_hz * THERMAL_STEP_S - 0.5 * gamma_dt)
    kick = THERMAL * math.sqrt(-math.expm1(-gamma_dt))
    read = THERMAL_DENSITY / math.sqrt(THERMAL_STEP_S)
    draws = rng.standard_normal((THERMAL_STEPS + 1, 3, 2)) @ np.array([1.0, 1j])
    amplitude, information = THERMAL * draws[0, 2], THERMAL_PRIOR_HZ**-2
    first = (1.0 + read * draws[0, 0], amplitude + read * draws[0, 1])
    last = observer.process(first, THERMAL_STEP_S, act)
    for at_lower, at_upper, push in draws[1:]:
        information += abs(TWO_PI * THERMAL_STEP_S * step * amplitude / kick) ** 2
        amplitude = step * amplitude + kick * push
        readings = (1.0 + read * at_lower, amplitude + read * at_upper)
        last = observer.process(readings, THERMAL_STEP_S, act)
    return ThermalRun(
        error_hz=last.difference_hz - offset_hz,
        sigma_hz=last.difference_sigma_hz,
        information=information,
    )


@functools.cache
def thermal_runs() -> tuple[ThermalRun, ...]:
    return tuple(thermal_run(seed) for seed in range(THERMAL_SEEDS))


def test_stated_sigma_of_a_thermal_mode_is_what_its_motion_tells() -> None:
    """Seed by seed. The observer takes thermal kicks to first order, gamma x_th^2 dt:
    so its variance is larger by gamma dt / (1 - e^{-gamma dt}), about gamma dt / 2.
    """
    overstated = 0.5 * THERMAL_DECAY_PER_S * THERMAL_STEP_S
    for run in thermal_runs():
        assert 0.99 < run.sigma_hz**2 * run.information < 1.0 + 2.0 * overstated


def test_errors_of_a_thermal_mode_are_as_stated() -> None:
    total = sum((run.error_hz / run.sigma_hz) ** 2 for run in thermal_runs())
    low, high = chi2.ppf([CHANCE / 2, 1 - CHANCE / 2], THERMAL_SEEDS)
    assert low < total < high


def test_a_thermal_mode_is_known_to_the_root_of_decay_over_twice_the_time() -> None:
    """sigma_f = sqrt(gamma / (2 T)) / (2 pi), whatever the temperature. Derived:

    da = (2 pi i f - gamma/2) a dt + noise of gamma x_th^2 dt in each quadrature tells
    (2 pi)^2 |a|^2 dt / (gamma x_th^2) of f; in equilibrium E|a|^2 = 2 x_th^2. The mean
    of |a|^2 over T scatters by sqrt(2 / (gamma T)): its energy forgets at gamma.
    """
    duration_s = THERMAL_STEPS * THERMAL_STEP_S
    bound_hz = math.sqrt(THERMAL_DECAY_PER_S / (2.0 * duration_s)) / TWO_PI
    gained = np.mean([run.sigma_hz**-2 - THERMAL_PRIOR_HZ**-2 for run in thermal_runs()])
    scatter = math.sqrt(2.0 / (THERMAL_DECAY_PER_S * duration_s * THERMAL_SEEDS))
    overstated = 0.5 * THERMAL_DECAY_PER_S * THERMAL_STEP_S
    assert abs(gained * bound_hz**2 - 1.0) < 3.3 * scatter + overstated
