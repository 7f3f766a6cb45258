"""Stability statistics against NIST SP 1065 and the allantools package.

W. J. Riley, Handbook of Frequency Stability Analysis, NIST SP 1065 (2008):
Tables 29 and 30, p. 107 (nine frequencies of NBS Monograph 140, Annex 8.E)
and section 12.4, Eq. (73), Tables 31 and 32, pp. 107-109 (1000 points).
allantools 2024.6 is the second implementation, written independently.
"""

from __future__ import annotations

from collections.abc import Callable

import allantools
import numpy as np
import pytest
import scipy.stats

from controller.tracking.stability import (
    NoiseType,
    RunningAllan,
    allan_deviation,
    hadamard_deviation,
    modified_allan_deviation,
    overlapping_allan_deviation,
    overlapping_freedom,
    overlapping_hadamard_deviation,
    phases_from,
    random_walk_deviation,
)

Deviation = Callable[[np.ndarray, float, int], float]

NINE_FREQUENCIES = np.array([892.0, 809.0, 823.0, 798.0, 671.0, 644.0, 883.0, 903.0, 677.0])
NINE_PHASES = np.array(
    [0, 103.11111, 123.22222, 157.33333, 166.44444, 48.55555, -96.33333, -2.22222, 111.88889, 0]
)


def thousand_frequencies() -> np.ndarray:
    """SP 1065, Eq. (73): the series starts with its seed."""
    number, numbers = 1234567890, []
    for _ in range(1000):
        numbers.append(number)
        number = 16807 * number % 2147483647
    return np.array(numbers) / 2147483647


def test_generator_of_the_thousand_points() -> None:
    expected = np.array([1234567890, 395529916, 1209410747, 633705974]) / 2147483647
    np.testing.assert_array_equal(thousand_frequencies()[:4], expected)


@pytest.mark.parametrize(
    ("deviation", "at_1", "at_2"),
    [
        (allan_deviation, 91.22945, 115.8082),
        (overlapping_allan_deviation, 91.22945, 85.95287),
        (modified_allan_deviation, 91.22945, 74.78849),
        (hadamard_deviation, 70.80607, 116.7980),
        (overlapping_hadamard_deviation, 70.80607, 85.61487),
    ],
)
def test_nine_points(deviation: Deviation, at_1: float, at_2: float) -> None:
    # Seven printed digits: relative 5e-7 and half a digit; phases are printed to 5e-6 of 50.
    for phases, tolerance in ((phases_from(NINE_FREQUENCIES, 1.0), 6e-7), (NINE_PHASES, 1e-6)):
        assert deviation(phases, 1.0, 1) == pytest.approx(at_1, rel=tolerance)
        assert deviation(phases, 1.0, 2) == pytest.approx(at_2, rel=tolerance)


@pytest.mark.parametrize(
    ("deviation", "at_1", "at_10", "at_100"),
    [
        (allan_deviation, 2.922319e-01, 9.965736e-02, 3.897804e-02),
        (overlapping_allan_deviation, 2.922319e-01, 9.159953e-02, 3.241343e-02),
        (modified_allan_deviation, 2.922319e-01, 6.172376e-02, 2.170921e-02),
        (hadamard_deviation, 2.943883e-01, 1.052754e-01, 3.910860e-02),
        (overlapping_hadamard_deviation, 2.943883e-01, 9.581083e-02, 3.237638e-02),
    ],
)
def test_thousand_points(deviation: Deviation, at_1: float, at_10: float, at_100: float) -> None:
    phases = phases_from(thousand_frequencies(), 1.0)
    for factor, printed in ((1, at_1), (10, at_10), (100, at_100)):
        # Seven printed digits.
        assert deviation(phases, 1.0, factor) == pytest.approx(printed, rel=5e-7)


def test_degrees_of_freedom_of_the_thousand_points() -> None:
    # SP 1065, Table 32: 146.177 at tau = 10; exact chi-square limits at 95 %.
    freedom = overlapping_freedom(1001, 10, NoiseType.WHITE_FREQUENCY)
    assert freedom == pytest.approx(146.177, abs=5e-4)
    low, high = scipy.stats.chi2.interval(0.95, freedom)
    deviation = overlapping_allan_deviation(phases_from(thousand_frequencies(), 1.0), 1.0, 10)
    assert deviation * (freedom / high) ** 0.5 == pytest.approx(8.219488e-02, rel=1e-6)
    assert deviation * (freedom / low) ** 0.5 == pytest.approx(1.0345357e-01, rel=1e-6)


@pytest.mark.parametrize("factor", [1, 3, 16, 100])
@pytest.mark.parametrize(
    ("deviation", "name"),
    [
        (allan_deviation, "adev"),
        (overlapping_allan_deviation, "oadev"),
        (modified_allan_deviation, "mdev"),
        (hadamard_deviation, "hdev"),
        (overlapping_hadamard_deviation, "ohdev"),
    ],
)
def test_second_implementation(deviation: Deviation, name: str, factor: int) -> None:
    phases = np.cumsum(np.random.default_rng(factor).standard_normal(1500)) * 1e-3
    _, (expected,), _, _ = getattr(allantools, name)(
        phases, rate=10.0, data_type="phase", taus=[factor / 10.0]
    )
    assert deviation(phases, 0.1, factor) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("noise", "alpha"),
    [
        (NoiseType.WHITE_PHASE, 2),
        (NoiseType.WHITE_FREQUENCY, 0),
        (NoiseType.RANDOM_WALK_FREQUENCY, -2),
    ],
)
@pytest.mark.parametrize(("count", "factor"), [(101, 2), (1001, 10), (5000, 1000)])
def test_degrees_of_freedom_of_the_second_implementation(
    noise: NoiseType, alpha: int, count: int, factor: int
) -> None:
    expected = allantools.edf_simple(count, factor, alpha)
    assert overlapping_freedom(count, factor, noise) == pytest.approx(expected, rel=1e-12)


def test_running_estimate_of_the_thousand_points() -> None:
    values = thousand_frequencies()
    running = RunningAllan(1.0)
    for start in range(0, 1000, 7):
        running.process(values[start : start + 7])
    estimate = running.estimate()
    assert estimate.deviations[0] == pytest.approx(2.922319e-01, rel=5e-7)
    taus_s, expected, _, _ = allantools.oadev(values, data_type="freq", taus=[1, 2, 4, 8, 16])
    np.testing.assert_allclose(estimate.taus_s[:5], taus_s)
    np.testing.assert_allclose(estimate.deviations[:5], expected, rtol=1e-9)


def test_a_random_walk_has_the_deviation_that_theory_gives() -> None:
    """A million samples, against the other implementation; 3 % at these averaging times.

    The overlapping variance of a walk has about 1.2 N / m degrees of freedom (SP 1065, Table 5),
    so a deviation at m = 300 is good to 1.1 %.
    """
    rng, interval_s, walk = np.random.default_rng(11), 0.1, 2.5e-5
    frequencies = walk * np.sqrt(interval_s) * np.cumsum(rng.standard_normal(1_000_000))
    taus_s, found, _, _ = allantools.oadev(
        frequencies, rate=1.0 / interval_s, data_type="freq", taus=[3.0, 10.0, 30.0]
    )
    np.testing.assert_allclose(found, random_walk_deviation(walk, taus_s), rtol=0.045)
