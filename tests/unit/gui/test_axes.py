"""Ticks are round and not too many; ranges stay put while data fit."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gui.models.axes import (
    extent,
    linear_ticks,
    logarithmic_ticks,
    round_reference,
    steady_range,
    time_ticks,
)

spans = st.floats(1e-9, 1e9)
places = st.floats(-1e3, 1e3)


@given(places, spans, st.integers(2, 12))
def test_linear_ticks_lie_inside_and_are_not_too_many(place: float, span: float, most: int) -> None:
    low = place * span
    ticks = linear_ticks(low, low + span, most)
    assert len(ticks) <= most + 1
    assert all(low - 1e-6 * span <= tick <= low + span * (1 + 1e-6) for tick in ticks)
    if len(ticks) > 1:
        step = ticks[1] - ticks[0]
        mantissa = step / 10.0 ** math.floor(math.log10(step) + 1e-9)
        assert min(abs(mantissa - m) for m in (1.0, 2.0, 5.0)) < 1e-3


def test_ticks_of_a_time_are_times_on_a_clock() -> None:
    assert time_ticks(0.0, 60.0, 7) == ([0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0], 10.0)
    assert time_ticks(0.0, 86400.0, 8)[1] == 10800.0
    assert time_ticks(0.0, 10 * 86400.0, 5)[1] == 2 * 86400.0
    assert linear_ticks(0.0, math.nan, 3) == time_ticks(1.0, 1.0, 3)[0] == []


def test_logarithmic_ticks_are_decades_or_round_values_between() -> None:
    assert logarithmic_ticks(-4.5, -0.5, 5) == [-4.0, -3.0, -2.0, -1.0]
    assert logarithmic_ticks(-8.2, 0.2, 3) == [-8.0, -5.0, -2.0]
    within = [10.0**tick for tick in logarithmic_ticks(-0.1, 0.9, 5)]
    assert within == pytest.approx([1.0, 2.0, 5.0])
    narrow = [10.0**tick for tick in logarithmic_ticks(math.log10(6.1), math.log10(7.9), 4)]
    assert narrow == pytest.approx([6.5, 7.0, 7.5])
    # One alone would give no scale: of 5e-5, 1e-4 and 2e-4 the outer two.
    low_plot = [10.0**tick for tick in logarithmic_ticks(-4.5, -3.5, 2)]
    assert low_plot == pytest.approx([5.0e-5, 2.0e-4])
    assert logarithmic_ticks(-9.2, -8.9, 1) == [-9.0]


@given(st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=30), st.floats(1e-6, 10.0))
def test_a_range_holds_its_data_and_is_kept_while_they_fit(
    values: list[float], least: float
) -> None:
    data = extent(np.array(values))
    assert data is not None
    shown = steady_range(None, data, least)
    assert shown is not None
    assert shown[0] <= data[0] and data[1] <= shown[1]
    assert shown[1] - shown[0] >= 0.999 * least
    assert steady_range(shown, data, least) == shown


def test_a_range_follows_data_that_have_left_it_or_use_little_of_it() -> None:
    assert steady_range((0.0, 1.0), (0.2, 1.4), 0.1)[1] > 1.4  # type: ignore[index]
    low, high = steady_range((0.0, 1.0), (0.5, 0.6), 0.05)  # type: ignore[misc]
    assert high - low < 0.2
    assert steady_range((0.0, 1.0), None, 0.1) == (0.0, 1.0)
    assert extent(np.array([np.nan])) is None


def test_a_reference_is_round_and_near() -> None:
    assert round_reference(6643.25, 6643.28) == pytest.approx(6643.2)  # and never above
    assert round_reference(1043728.05, 1043728.31) == pytest.approx(1043728.0)
