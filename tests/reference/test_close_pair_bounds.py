"""A close pair against the bound of Cramer and Rao, and its stated uncertainty against its error.

Witness: the Fisher matrix of two damped real lines in white noise, whose square
roots of the diagonal of the inverse no unbiased estimator undercuts. For one
damped line it is checked here against the closed form (Y.-X. Yao and S. M.
Pandit, IEEE Trans. Signal Processing 43, 878 (1995); the factor C(r) as in C.
Gemmel et al., Eur. Phys. J. D 57, 303 (2010)) on top of the undamped bound of D. C.
Rife and R. R. Boorstyn, IEEE Trans. Inf. Theory 20, 591 (1974).

The sum of the squares of N independent normalised errors has a chi-square
distribution; each check allows one failure in a thousand.
"""

from __future__ import annotations

import functools
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2

from controller.records import ModeId, TrackerState
from controller.replay import ReplayEngine
from tests.support.line_streams import MODES, TwoLines, blocks_of

LINES = TwoLines(sample_rate_hz=200.0, duration_s=12.0, frequencies_hz=(40.0, 41.3))
GIVEN_HZ = (40.02, 41.28)
SEEDS = 100
# The filter before the baseband takes its length from both ends, half of which still counts.
FILTER_S = 0.53


def line_slopes(
    times_s: np.ndarray, frequency_hz: float, amplitude: float, decay_s: float, phase_rad: float
) -> np.ndarray:
    """Slopes of A exp(-d t) cos(2 pi f t + phase) by f, d, A and phase, shape (n, 4)."""
    fall = np.exp(-times_s / decay_s)
    angle = 2.0 * np.pi * frequency_hz * times_s + phase_rad
    return np.column_stack(
        [
            -amplitude * fall * np.sin(angle) * 2.0 * np.pi * times_s,
            -amplitude * fall * np.cos(angle) * times_s,
            fall * np.cos(angle),
            -amplitude * fall * np.sin(angle),
        ]
    )


def least_covariance(slopes: np.ndarray, density: float, sample_rate_hz: float) -> np.ndarray:
    """Inverse of the Fisher matrix for white noise of the variance S^2 f_s / 2."""
    return 0.5 * density**2 * sample_rate_hz * np.linalg.inv(slopes.T @ slopes)


def least_sigmas(lines: TwoLines, from_s: float, to_s: float) -> dict[str, float]:
    """Bounds for both lines from a stretch of the record."""
    times_s = np.arange(from_s, to_s, 1.0 / lines.sample_rate_hz)
    slopes = [
        line_slopes(times_s, *line)
        for line in zip(
            lines.frequencies_hz, lines.amplitudes, lines.decay_times_s, (0.3, 1.7), strict=True
        )
    ]
    covariance = least_covariance(np.hstack(slopes), lines.noise_density, lines.sample_rate_hz)
    sigmas = np.sqrt(np.diag(covariance))
    spacing = np.array([-1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0])
    return {
        "lower frequency": sigmas[0],
        "lower decay rate": sigmas[1],
        "upper frequency": sigmas[4],
        "upper decay rate": sigmas[5],
        "spacing": math.sqrt(spacing @ covariance @ spacing),
    }


@pytest.mark.parametrize(
    ("ratio", "factor"), [(0.5, 7.8067830), (1.0, 2.7941451), (10.0, 1.1055387)]
)
def test_the_fisher_matrix_of_one_line_is_the_published_bound(ratio: float, factor: float) -> None:
    duration_s, density, rate_hz = 100.0, 1.0e-2, 100.0
    times_s = np.arange(0.0, duration_s, 1.0 / rate_hz)
    slopes = line_slopes(times_s, 23.7, 1.0, ratio * duration_s, 0.3)
    least_hz = math.sqrt(least_covariance(slopes, density, rate_hz)[0, 0])
    undamped_hz = math.sqrt(12.0 * density**2 / duration_s**3) / (2.0 * math.pi)
    # The closed form is that of a long record of many periods: to 1/N and 1/(f T).
    assert least_hz == pytest.approx(math.sqrt(factor) * undamped_hz, rel=2e-3)


@functools.cache
def errors() -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Errors and stated sigmas of all results over the seeds."""
    found: dict[str, list[tuple[float, float]]] = {}
    for seed in range(SEEDS):
        lines = replace(LINES, seed=seed)
        engine = ReplayEngine(lines.stream, GIVEN_HZ, None)
        for block in blocks_of(lines.made()[0], 400):
            engine.step(block)
        engine.finish()
        results = dict(engine.results["lines"])
        for mode, frequency_hz, decay_s in zip(
            MODES, lines.frequencies_hz, lines.decay_times_s, strict=True
        ):
            line = results[mode]
            pairs = found.setdefault(f"{mode} frequency", [])
            pairs.append((line["frequency_hz"] - frequency_hz, line["frequency_hz_sigma"]))
            rate, rate_sigma = _rate(line["decay_time_s"], line["decay_time_s_sigma"])
            found.setdefault(f"{mode} decay rate", []).append((rate - 1.0 / decay_s, rate_sigma))
        difference = results["difference"]
        found.setdefault("spacing", []).append(
            (difference["frequency_hz"] - lines.spacing_hz, difference["frequency_hz_sigma"])
        )
    return {name: tuple(np.array(pairs).T) for name, pairs in found.items()}  # type: ignore[misc]


def _rate(decay_s: float, sigma_s: float) -> tuple[float, float]:
    return 1.0 / decay_s, sigma_s / decay_s**2


QUANTITIES = (
    *(f"{mode} {name}" for mode in MODES for name in ("frequency", "decay rate")),
    "spacing",
)


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_stated_uncertainties_are_true(quantity: str) -> None:
    error, sigma = errors()[quantity]
    total = float(np.sum(np.square(error / sigma)))
    print(quantity, math.sqrt(total / SEEDS))
    assert total < chi2.ppf(0.999, SEEDS)
    # How much the lines wander is not known beforehand: what is allowed for it makes the sigma of
    # steady lines up to a half too large.
    assert total > chi2.ppf(0.001, SEEDS) / 1.5**2


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_the_scatter_comes_near_the_bound_and_not_below(quantity: str) -> None:
    error, _ = errors()[quantity]
    scatter2 = float(np.mean(np.square(error)))
    least = least_sigmas(LINES, 0.0, LINES.duration_s)[quantity]
    used = least_sigmas(LINES, FILTER_S, LINES.duration_s - FILTER_S)[quantity]
    print(quantity, math.sqrt(scatter2) / least, math.sqrt(scatter2) / used)
    assert scatter2 > least**2 * chi2.ppf(0.001, SEEDS) / SEEDS
    # The noise is learnt from some eight updates, and wanders by a quarter.
    assert scatter2 < (1.25 * used) ** 2 * chi2.ppf(0.999, SEEDS) / SEEDS


@pytest.mark.parametrize("walk_hz_per_root_s", [1e-3, 4e-3, 1.6e-2])
def test_the_tracked_difference_of_wandering_lines_is_as_certain_as_stated(
    walk_hz_per_root_s: float,
) -> None:
    squares = []
    for seed in range(12):
        lines = replace(LINES, seed=seed, walk_hz_per_root_s=walk_hz_per_root_s)
        samples, true_hz = lines.made()
        engine = ReplayEngine(lines.stream, GIVEN_HZ, None)
        for block in blocks_of(samples, 400):
            for record in engine.step(block).records:
                if all(record.modes[mode].state is TrackerState.LOCKED for mode in ModeId):
                    assert record.difference_hz is not None
                    assert record.difference_sigma_hz is not None
                    truth_hz = true_hz[1, record.sample_index] - true_hz[0, record.sample_index]
                    error_hz = record.difference_hz - truth_hz
                    squares.append((error_hz / record.difference_sigma_hz) ** 2)
    print(walk_hz_per_root_s, np.mean(squares), len(squares))
    # Twelve walks of some five independent errors each scatter by 18 %; the range is wide because
    # a walk has to be learnt while it is followed.
    assert 0.2 < np.mean(squares) < 2.5
