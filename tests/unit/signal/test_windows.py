"""Window figures: what holds for any window."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import windows

from controller.signal.windows import (
    half_power_width_bins,
    noise_bandwidth_bins,
    scallop_loss_db,
)


@settings(derandomize=True, deadline=None)
@given(st.lists(st.floats(0.01, 1.0), min_size=2, max_size=100), st.floats(0.1, 100.0))
def test_figures_do_not_depend_on_scale(weights: list[float], scale: float) -> None:
    window = np.array(weights)
    assert noise_bandwidth_bins(scale * window) == pytest.approx(noise_bandwidth_bins(window))
    assert scallop_loss_db(scale * window) == pytest.approx(scallop_loss_db(window), abs=1e-9)


@settings(derandomize=True, deadline=None)
@given(st.lists(st.floats(0.01, 1.0), min_size=2, max_size=100))
def test_no_window_passes_less_noise_than_the_rectangular(weights: list[float]) -> None:
    assert noise_bandwidth_bins(np.array(weights)) >= 1.0 - 1e-12


@pytest.mark.parametrize("name", ["boxcar", "hann", "blackmanharris", "flattop"])
def test_half_power_is_where_the_width_says(name: str) -> None:
    window = windows.get_window(name, 512)
    offset_turns = 0.5 * half_power_width_bins(window) / 512
    response = np.sum(window * np.exp(-2j * np.pi * offset_turns * np.arange(512)))
    assert abs(response / np.sum(window)) ** 2 == pytest.approx(0.5, rel=1e-9)
