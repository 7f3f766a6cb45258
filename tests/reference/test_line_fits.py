"""Line fits against the Cramer-Rao bound, in covariance and in scatter.

Single line: D. C. Rife and R. R. Boorstyn, IEEE Trans. Inf. Theory 20, 591
(1974), complex tone, noise variance s2 per component. Damped line: Y.-X. Yao
and S. M. Pandit, IEEE Trans. Signal Process. 43, 878 (1995); the factor over
the undamped bound in the closed form of C. Gemmel et al., Eur. Phys. J. D
57, 303 (2010). Two lines: no published table; extremes over the relative
phase from the Fisher matrix, computed apart from this code.

A scatter significantly below the bound is a failure as well: it would mean
that the noise is not what the test says.
"""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats
from numpy.typing import NDArray

from controller.signal.lines import LinesFit, fit_lines

SEEDS = 300


def noisy(clean: NDArray, sigma: float, seed: int) -> NDArray:
    rng = np.random.default_rng(seed)
    count = len(clean)
    return clean + sigma * (rng.standard_normal(count) + 1j * rng.standard_normal(count))


def scatter_is_the_bound(errors: NDArray, variance: float) -> bool:
    """Sum of squares within the central 99.99 % of chi-square."""
    total = np.sum(np.square(errors)) / variance
    low, high = scipy.stats.chi2.interval(0.9999, len(errors))
    return bool(low < total < high)


def clean_fit(samples: NDArray, guesses_hz: list[float], *, damped: bool, s2: float) -> LinesFit:
    """Fit at sample rate 1 with the noise declared, so that the covariance is exact."""
    return fit_lines(samples, 1.0, guesses_hz, damped=damped, noise_density=s2**0.5)


def test_covariance_of_a_lone_line_is_the_rife_boorstyn_bound() -> None:
    # N = 100, A = 1, s2 = 0.5: var(w) = 12 s2/(A2 N (N2 - 1)), var(phase at n = 0)
    # = 2 s2 (2N - 1)/(A2 N (N + 1)), var(A) = s2/N.
    samples = np.exp(2j * np.pi * 0.1234 * np.arange(100) + 0.4j)
    line = clean_fit(samples, [0.123], damped=False, s2=0.5).lines[0]
    assert (2.0 * np.pi * line.frequency_sigma_hz) ** 2 == pytest.approx(6.00060006e-06, rel=1e-7)
    assert line.phase_sigma_rad**2 == pytest.approx(1.97029703e-02, rel=1e-7)
    assert line.magnitude_sigma**2 == pytest.approx(5e-03, rel=1e-7)


@pytest.mark.parametrize(
    ("ratio", "duration_s", "sigma_hz"),
    [(1e3, 1.0, 5.51328895e-4), (1e4, 1.0, 5.51328895e-5), (1e4, 10.0, 1.74345505e-6)],
)
def test_record_form_of_the_bound(ratio: float, duration_s: float, sigma_hz: float) -> None:
    # sigma_f = sqrt(12 S/(A2 T3))/(2 pi), S one-sided; the sum replaces the integral to 1/N2.
    rate_hz = 1000.0 / duration_s
    samples = np.exp(2j * np.pi * 0.05 * np.arange(1000))
    fit = fit_lines(samples, rate_hz, [0.05 * rate_hz], damped=False, noise_density=1.0 / ratio)
    assert fit.lines[0].frequency_sigma_hz == pytest.approx(sigma_hz, rel=2e-6)


def test_scatter_of_a_lone_line_is_the_bound() -> None:
    count, s2 = 100, 0.01
    clean = np.exp(2j * np.pi * 0.1234 * np.arange(count) + 0.4j)
    fits = [
        fit_lines(noisy(clean, s2**0.5, seed), 1.0, [0.125], damped=False) for seed in range(SEEDS)
    ]
    rates = np.array([2.0 * np.pi * (fit.lines[0].frequency_hz - 0.1234) for fit in fits])
    phases = np.array([fit.lines[0].phase_rad - 0.4 for fit in fits])
    magnitudes = np.array([fit.lines[0].magnitude - 1.0 for fit in fits])
    assert scatter_is_the_bound(rates, 12.0 * s2 / (count * (count**2 - 1)))
    assert scatter_is_the_bound(phases, 2.0 * s2 * (2 * count - 1) / (count * (count + 1)))
    assert scatter_is_the_bound(magnitudes, s2 / count)


def test_stated_variance_is_right_on_average() -> None:
    # Noise from the residuals: s2 averages right, with sqrt(2/(2N)) scatter each.
    count, s2 = 100, 0.01
    clean = np.exp(2j * np.pi * 0.1234 * np.arange(count))
    fits = [fit_lines(noisy(clean, s2**0.5, seed), 1.0, [0.1234]) for seed in range(SEEDS)]
    mean = np.mean([fit.noise_density**2 for fit in fits])
    assert mean == pytest.approx(s2, rel=4.0 * (2.0 / (2 * count) / SEEDS) ** 0.5)


@pytest.mark.parametrize(
    ("r", "factor"),
    [
        (0.25, 43.618076),
        (0.5, 7.8067830),
        (1.0, 2.7941451),
        (2.0, 1.6618854),
        (10.0, 1.1055387),
        (100.0, 1.0100535),
    ],
)
def test_covariance_of_a_damped_line(r: float, factor: float) -> None:
    # C(r) = (exp(2/r) - 1)/(3 r3 cosh(2/r) - 3 r (r2 + 2)), r = decay time / duration.
    count = 2000
    duration_s = float(count)
    decay = 1.0 / (r * duration_s)
    samples = np.exp((2j * np.pi * 0.1 - decay) * np.arange(count))
    line = clean_fit(samples, [0.1], damped=True, s2=1.0).lines[0]
    undamped = 12.0 / count**3
    # The sum replaces the integral to (decay per sample), times the few in the exponent.
    tolerance = 4.0 * max(decay, 1.0 / count)
    assert (2.0 * np.pi * line.frequency_sigma_hz) ** 2 == pytest.approx(
        factor * undamped, rel=tolerance
    )
    # Frequency and decay of one line are equally well known.
    assert line.decay_rate_sigma_per_s == pytest.approx(
        2.0 * np.pi * line.frequency_sigma_hz, rel=1e-6
    )


def test_infinite_record_of_a_ring_down() -> None:
    # var(w) = var(decay) = 8 S d3/A2 for a record many decay times long (here 20).
    rate_hz, decay = 1000.0, 1.0
    samples = np.exp((2j * np.pi * 3.0 - decay) * np.arange(20_000) / rate_hz)
    line = fit_lines(samples, rate_hz, [3.0], noise_density=1e-4).lines[0]
    # S here is the density squared; the sum differs from the integral by decay/rate.
    assert line.decay_rate_sigma_per_s**2 == pytest.approx(8.0 * 1e-8, rel=4e-3)


@pytest.mark.parametrize("r", [0.25, 1.0])
def test_scatter_of_a_damped_line_is_the_bound(r: float) -> None:
    count, sigma = 400, 0.02
    decay = 1.0 / (r * count)
    clean = np.exp((2j * np.pi * 0.1 - decay) * np.arange(count))
    bound = clean_fit(clean, [0.1], damped=True, s2=sigma**2).lines[0]
    fits = [fit_lines(noisy(clean, sigma, seed), 1.0, [0.1002]).lines[0] for seed in range(SEEDS)]
    assert scatter_is_the_bound(
        np.array([line.frequency_hz - 0.1 for line in fits]), bound.frequency_sigma_hz**2
    )
    assert scatter_is_the_bound(
        np.array([line.decay_rate_per_s - decay for line in fits]), bound.decay_rate_sigma_per_s**2
    )


@pytest.mark.parametrize(
    ("bins", "least", "most"),
    [
        (0.25, 24.05, 1392.3),
        (0.5, 5.836, 88.99),
        (1.0, 1.4370, 6.0641),
        (1.5, 1.0064, 1.5217),
        (2.0, 1.0824, 1.1124),
        (5.0, 1.0124, 1.0130),
        (10.0, 1.0032, 1.0032),
    ],
)
def test_what_a_second_line_costs(bins: float, least: float, most: float) -> None:
    # Variance relative to a lone line, N = 100. By symmetry about the middle of the record
    # the extremes lie where the lines stand there at 0, 90 or 180 degrees to each other.
    count = 100
    lone = 12.0 / (count * (count**2 - 1))
    times = np.arange(count) - 0.5 * (count - 1)
    frequencies_hz = [0.1, 0.1 + bins / count]
    ratios = []
    for phase_rad in (0.0, 0.5 * np.pi, np.pi):
        samples = np.exp(2j * np.pi * frequencies_hz[0] * times)
        samples += np.exp(1j * (2.0 * np.pi * frequencies_hz[1] * times + phase_rad))
        line = clean_fit(samples, frequencies_hz, damped=False, s2=1.0).lines[0]
        ratios.append((2.0 * np.pi * line.frequency_sigma_hz) ** 2 / lone)
    # To the digits that are stated.
    assert min(ratios) == pytest.approx(least, rel=1e-4)
    assert max(ratios) == pytest.approx(most, rel=1e-4)


def test_scatter_of_the_difference_of_close_lines() -> None:
    count, sigma = 200, 0.02
    times = np.arange(count)
    clean = np.exp(2j * np.pi * 0.1 * times) + 0.5j * np.exp(2j * np.pi * 0.107 * times)
    bound = clean_fit(clean, [0.1, 0.107], damped=False, s2=sigma**2)
    errors = []
    for seed in range(SEEDS):
        fit = fit_lines(noisy(clean, sigma, seed), 1.0, [0.1002, 0.1068], damped=False)
        errors.append(fit.lines[1].frequency_hz - fit.lines[0].frequency_hz - 0.007)
    assert scatter_is_the_bound(np.array(errors), bound.difference_sigma_hz(1, 0) ** 2)
