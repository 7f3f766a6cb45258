"""Stability statistics on vectors with known answers, and the running estimate's promises."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from controller.tracking.stability import (
    AllanEstimate,
    NoiseType,
    RunningAllan,
    allan_deviation,
    hadamard_deviation,
    modified_allan_deviation,
    overlapping_allan_deviation,
    overlapping_freedom,
    overlapping_hadamard_deviation,
    phases_from,
)

Deviation = Callable[[NDArray, float, int], float]

ALL_DEVIATIONS: list[Deviation] = [
    allan_deviation,
    overlapping_allan_deviation,
    modified_allan_deviation,
    hadamard_deviation,
    overlapping_hadamard_deviation,
]


def running(values: NDArray, tau0_s: float = 1.0, lengths: list[int] | None = None) -> RunningAllan:
    estimate = RunningAllan(tau0_s)
    start = 0
    for length in [*(lengths or []), len(values)]:
        estimate.process(values[start : start + length])
        start += length
    return estimate


def assert_same(one: AllanEstimate, other: AllanEstimate) -> None:
    np.testing.assert_array_equal(one.taus_s, other.taus_s)
    np.testing.assert_array_equal(one.deviations, other.deviations)
    np.testing.assert_array_equal(one.sigmas, other.sigmas)


# --- batch -----------------------------------------------------------------------------------


def test_linear_drift() -> None:
    # y = D t: Allan D tau/sqrt 2 (overlapping or not, and modified), Hadamard 0.
    times_s = 0.5 * np.arange(1001)
    phases = 0.5 * 3.0 * times_s**2
    for factor in (1, 5, 40):
        expected = 3.0 * factor * 0.5 / math.sqrt(2.0)
        for deviation in (allan_deviation, overlapping_allan_deviation, modified_allan_deviation):
            assert deviation(phases, 0.5, factor) == pytest.approx(expected, rel=1e-9)
        # Phases of 4e5 are rounded by 5e-11; the third difference holds eight of them.
        limit = 8.0 * 5e-11 / (0.5 * factor)
        assert hadamard_deviation(phases, 0.5, factor) < limit
        assert overlapping_hadamard_deviation(phases, 0.5, factor) < limit


@pytest.mark.parametrize(("cycles", "expected"), [(0.371, 0.7246114), (0.5, 0.6366198), (1.0, 0.0)])
def test_sinusoidal_modulation(cycles: float, expected: float) -> None:
    # y_p sin^2(pi f tau)/(pi f tau); many periods, so that the mean square is met.
    factor = 1000
    modulation_hz = cycles / factor
    times_s = np.arange(0, 1_000_000 + 2 * factor + 1)
    phases = np.sin(2.0 * np.pi * modulation_hz * times_s) / (2.0 * np.pi * modulation_hz)
    deviation = overlapping_allan_deviation(phases, 1.0, factor)
    # 371 to 1000 periods, the last one perhaps cut: 1/(4 pi 371).
    assert deviation == pytest.approx(expected, rel=3e-4, abs=1e-9)


def test_white_phase() -> None:
    phases = np.random.default_rng(2).standard_normal(200_000)
    for factor in (1, 10, 50):
        # Second differences of white phase share samples with few others (Allan: half as
        # many independent terms), those of m averaged phases with m neighbours (modified).
        assert overlapping_allan_deviation(phases, 1.0, factor) == pytest.approx(
            math.sqrt(3.0) / factor, rel=4.0 / 100_000**0.5
        )
        assert modified_allan_deviation(phases, 1.0, factor) == pytest.approx(
            math.sqrt(3.0) / factor**1.5, rel=4.0 / (200_000 / factor) ** 0.5
        )


def test_white_frequency_and_random_walk() -> None:
    steps = np.random.default_rng(3).standard_normal(400_000)
    white, walk = phases_from(steps, 1.0), phases_from(np.cumsum(steps), 1.0)
    for factor in (1, 4, 10):
        tolerance = 4.0 / math.sqrt(2.0 * 400_000 / factor)
        assert overlapping_allan_deviation(white, 1.0, factor) == pytest.approx(
            factor**-0.5, rel=tolerance
        )
        expected = math.sqrt((2.0 * factor**2 + 1.0) / (6.0 * factor))
        assert overlapping_allan_deviation(walk, 1.0, factor) == pytest.approx(
            expected, rel=tolerance
        )


@settings(derandomize=True, deadline=None, max_examples=20)
@given(st.floats(-100.0, 100.0), st.floats(-100.0, 100.0), st.floats(0.01, 100.0))
@pytest.mark.parametrize("deviation", ALL_DEVIATIONS)
def test_offsets_do_not_count_and_scale_does(
    deviation: Deviation, phase: float, frequency: float, scale: float
) -> None:
    phases = np.cumsum(np.random.default_rng(4).standard_normal(200))
    changed = scale * phases + phase + frequency * np.arange(200)
    # Phases up to 2e4 rounded by 4e-12, against deviations of 0.01 / 10 or more.
    assert deviation(changed, 1.0, 7) == pytest.approx(scale * deviation(phases, 1.0, 7), rel=1e-6)


@pytest.mark.parametrize(
    ("deviation", "needed"), list(zip(ALL_DEVIATIONS, (7, 7, 9, 10, 10), strict=True))
)
def test_short_records_are_refused(deviation: Deviation, needed: int) -> None:
    phases = np.arange(needed, dtype=float)
    deviation(phases, 1.0, 3)
    with pytest.raises(ValueError, match=str(needed)):
        deviation(phases[:-1], 1.0, 3)
    with pytest.raises(ValueError, match="factor is 0"):
        deviation(phases, 1.0, 0)


@pytest.mark.parametrize("noise", NoiseType)
@pytest.mark.parametrize("factor", [1, 2, 16, 1000])
def test_freedom_lies_between_one_and_the_terms(noise: NoiseType, factor: int) -> None:
    for count in (2 * factor + 1, 3 * factor + 1, 10 * factor + 5):
        assert 1.0 <= overlapping_freedom(count, factor, noise) <= count - 2 * factor


# --- running ---------------------------------------------------------------------------------


def test_running_is_the_overlapping_deviation_up_to_sixteen() -> None:
    values = 1.0e6 + np.random.default_rng(5).standard_normal(1000)
    estimate = running(values, 0.1).estimate()
    phases = phases_from(values - 1.0e6, 0.1)
    for tau_s, deviation in list(zip(estimate.taus_s, estimate.deviations, strict=True))[:5]:
        expected = overlapping_allan_deviation(phases, 0.1, round(tau_s / 0.1))
        # Values of 1e6 are rounded by 1e-10.
        assert deviation == pytest.approx(expected, rel=1e-8)


def test_running_takes_every_sixteenth_of_an_averaging_time_beyond() -> None:
    values = np.random.default_rng(6).standard_normal(10_000)
    estimate = running(values).estimate()
    phases = phases_from(values, 1.0)
    assert estimate.taus_s.tolist() == [2.0**k for k in range(13)]
    for tau_s, deviation in zip(estimate.taus_s[5:], estimate.deviations[5:], strict=True):
        stride = round(tau_s) // 16
        expected = overlapping_allan_deviation(phases[::stride], float(stride), 16)
        assert deviation == pytest.approx(expected, rel=1e-9)


def test_thinning_costs_next_to_nothing() -> None:
    """Scatter of the thinned deviation about the full one is small against its uncertainty."""
    ratios = []
    for seed in range(20):
        values = np.random.default_rng(seed).standard_normal(4000)
        estimate = running(values).estimate()
        full = overlapping_allan_deviation(phases_from(values, 1.0), 1.0, 256)
        position = estimate.taus_s.tolist().index(256.0)
        ratios.append((estimate.deviations[position] - full) / estimate.sigmas[position])
    assert np.sqrt(np.mean(np.square(ratios))) < 0.15


def test_stated_uncertainty_is_the_scatter() -> None:
    squares, stated = [], []
    for seed in range(200):
        walk = np.cumsum(np.random.default_rng(seed).standard_normal(1000))
        estimate = running(walk).estimate()
        position = estimate.taus_s.tolist().index(32.0)
        squares.append(estimate.deviations[position] ** 2)
        stated.append(estimate.sigmas[position] / estimate.deviations[position])
    # A deviation scatters by half as much, relatively, as its square; 200 seeds know the
    # scatter to 1/sqrt(400), and the simple formula is good to 10 %.
    scatter = 0.5 * np.std(squares) / np.mean(squares)
    assert stated[0] == pytest.approx(scatter, rel=4.0 / 400**0.5 + 0.1)


@settings(derandomize=True, deadline=None, max_examples=30)
@given(st.lists(st.integers(0, 60), max_size=15))
def test_any_split_gives_the_same(lengths: list[int]) -> None:
    values = np.random.default_rng(7).standard_normal(500)
    assert_same(running(values, lengths=lengths).estimate(), running(values).estimate())


def test_copy_goes_on_alike_and_apart() -> None:
    values = np.random.default_rng(8).standard_normal(300)
    original = running(values[:100])
    twin = original.copy()
    assert repr(twin) == repr(original)
    original.process(values[100:])
    twin.process(values[100:])
    assert_same(twin.estimate(), original.estimate())
    twin.process(values)
    assert original.estimate().deviations[0] == running(values).estimate().deviations[0]


def test_reset_equals_new() -> None:
    values = np.random.default_rng(9).standard_normal(300)
    estimate = running(values)
    estimate.reset()
    assert estimate.estimate().taus_s.shape == (0,)
    estimate.process(values)
    assert_same(estimate.estimate(), running(values).estimate())


def test_no_difference_reaches_across_a_gap() -> None:
    values = np.random.default_rng(10).standard_normal(400)
    estimate = RunningAllan(1.0)
    estimate.process(values[:200])
    estimate.interrupt()
    estimate.process(values[200:] + 1e6)
    found = estimate.estimate()
    parts = [phases_from(values[:200], 1.0), phases_from(values[200:], 1.0)]
    for tau_s, deviation in zip(found.taus_s[:5], found.deviations[:5], strict=True):
        squares = [overlapping_allan_deviation(part, 1.0, round(tau_s)) ** 2 for part in parts]
        # Both stretches have as many terms.
        assert deviation == pytest.approx(np.mean(squares) ** 0.5, rel=1e-7)


def test_a_value_that_is_not_finite_is_a_gap() -> None:
    values = np.random.default_rng(11).standard_normal(100)
    marked = running(np.concatenate([values[:50], [np.nan], values[50:]]))
    told = RunningAllan(1.0)
    told.process(values[:50])
    told.interrupt()
    told.process(values[50:])
    assert_same(marked.estimate(), told.estimate())


def test_memory_does_not_grow_with_the_series() -> None:
    estimate = RunningAllan(1.0)
    estimate.process(np.zeros(20_000))
    kept = sum(len(octave._phases) for octave in estimate._octaves)
    # 15 octaves of 33 phases or fewer.
    assert kept <= 15 * 33


@pytest.mark.parametrize("count", [0, 1])
def test_too_few_values_give_nothing(count: int) -> None:
    assert running(np.zeros(count)).estimate().deviations.shape == (0,)


@pytest.mark.parametrize("tau0_s", [0.0, -1.0, float("nan")])
def test_a_bad_interval_is_refused_with_its_value(tau0_s: float) -> None:
    with pytest.raises(ValueError, match=str(tau0_s)):
        RunningAllan(tau0_s)


# --- one averaging time ------------------------------------------------------------------------


def test_the_deviation_at_a_time_is_that_of_the_nearest_octave() -> None:
    estimate = running(np.random.default_rng(8).standard_normal(200), tau0_s=0.1)
    known = estimate.estimate()
    for index, tau_s in enumerate(known.taus_s):
        for asked_s in (tau_s, 1.4 * tau_s, tau_s / 1.4):  # within half an octave
            assert estimate.deviation_at(float(asked_s)) == known.deviations[index]


def test_a_deviation_at_a_time_that_was_not_reached_is_not_known() -> None:
    estimate = running(np.random.default_rng(8).standard_normal(200), tau0_s=0.1)
    longest_s = float(estimate.estimate().taus_s[-1])
    assert estimate.deviation_at(1.5 * longest_s) is None
    assert RunningAllan(0.1).deviation_at(0.1) is None
