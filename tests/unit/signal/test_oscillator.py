"""The oscillator's phase arithmetic against exact rational numbers."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.signal.oscillator import (
    COUNTS_PER_TURN,
    counts_per_sample,
    rotation,
    turns_at,
)

FREQUENCIES_HZ = st.floats(-1e7, 1e7)
COUNTS = st.integers(0, COUNTS_PER_TURN - 1)
INDICES = st.integers(-(10**15), 10**15)


@settings(derandomize=True, deadline=None)
@given(FREQUENCIES_HZ, st.floats(1.0, 1e8))
def test_counts_are_the_ratio_to_half_a_count(frequency_hz: float, sample_rate_hz: float) -> None:
    exact = Fraction(frequency_hz) / Fraction(sample_rate_hz) * COUNTS_PER_TURN
    error = (exact - counts_per_sample(frequency_hz, sample_rate_hz)) % COUNTS_PER_TURN
    assert min(error, COUNTS_PER_TURN - error) <= Fraction(1, 2)


def test_a_quarter_of_the_rate_is_a_quarter_turn() -> None:
    assert counts_per_sample(2.5e6, 1e7) == COUNTS_PER_TURN // 4
    assert counts_per_sample(-2.5e6, 1e7) == 3 * COUNTS_PER_TURN // 4


@pytest.mark.parametrize("frequency_hz", [float("nan"), float("inf")])
def test_a_frequency_that_is_not_finite_is_refused(frequency_hz: float) -> None:
    with pytest.raises(ValueError, match="frequency_hz"):
        counts_per_sample(frequency_hz, 1e6)


@pytest.mark.parametrize("sample_rate_hz", [0.0, -1.0, float("nan")])
def test_a_bad_sample_rate_is_refused(sample_rate_hz: float) -> None:
    with pytest.raises(ValueError, match="sample_rate_hz"):
        counts_per_sample(1.0, sample_rate_hz)


@settings(derandomize=True, deadline=None)
@given(COUNTS, INDICES)
def test_turns_stay_below_one_and_match_the_exact_phase(counts: int, sample_index: int) -> None:
    turns = turns_at(counts, sample_index)
    exact = Fraction(counts * sample_index % COUNTS_PER_TURN, COUNTS_PER_TURN)
    assert 0.0 <= turns < 1.0
    assert 0 <= exact - Fraction(turns) < Fraction(1, 2**53)


@settings(derandomize=True, deadline=None)
@given(COUNTS, INDICES, st.integers(0, 20))
def test_rotation_is_exact_at_any_index(counts: int, first_index: int, length: int) -> None:
    turns = np.array([turns_at(counts, first_index + n) for n in range(length)])
    # A few roundings of a phase below 2 pi.
    np.testing.assert_allclose(
        rotation(counts, first_index, length), np.exp(2j * np.pi * turns), atol=4e-15
    )


def test_phase_after_a_week_at_ten_megasamples() -> None:
    # An eighth of the rate plus one count: after 2**61 samples, an eighth of a turn more.
    counts = COUNTS_PER_TURN // 8 + 1
    assert turns_at(counts, 2**61) == 0.125
    assert abs(rotation(counts, 2**61, 1)[0] - np.exp(0.25j * np.pi)) < 1e-15
