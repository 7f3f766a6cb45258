"""Stated sigmas of every result over some seeds; the long run is in tests/benchmarks."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from tests.support.protocol_cases import CASES, TWO_SIDED_95, errors_in_sigmas

SEEDS = {
    "exchange": 40,
    "exchange_duffing": 30,
    "exchange_weak_light": 30,
    "splitting_map": 30,
    "rate_calibration": 30,
    "ring_down": 30,
}
CHANCE = 1.0e-4  # that a sound result fails; there are about 40


@pytest.mark.parametrize("name", CASES)
def test_the_interval_contains_the_truth_as_often_as_it_says(name: str) -> None:
    count = SEEDS[name]
    fewest = int(binom.ppf(CHANCE, count, 0.95))
    for path, errors in errors_in_sigmas(name, range(count)).items():
        inside = int(np.sum(np.abs(errors) < TWO_SIDED_95))
        assert inside >= fewest, f"{path}: {inside} of {count} within the 95 % interval"
        # And no sigma is far too large: the rms of so many errors is known to 1 / root 2 n.
        rms = float(np.sqrt(np.mean(errors**2)))
        assert rms > 1.0 - 4.0 / np.sqrt(2.0 * count), f"{path}: rms {rms:.2f} of stated sigmas"
