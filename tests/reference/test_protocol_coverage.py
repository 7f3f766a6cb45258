"""Stated sigmas of every result over some seeds; the long run is in tests/benchmarks."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from tests.support import pulses
from tests.support.protocol_cases import CASES, TWO_SIDED_95, errors_in_sigmas
from tests.support.sensitivity import sensitivity_errors, weak_results
from tests.support.two_modes import Bench

SEEDS = {
    "exchange": 40,
    "exchange_duffing": 30,
    "exchange_weak_light": 30,
    "splitting_map": 30,
    "rate_calibration": 30,
    "ring_down": 30,
}
CHANCE = 1.0e-4  # that a sound result fails; there are about 40


def check_coverage(path: str, errors: np.ndarray) -> None:
    """As many errors within the 95 % interval as chance allows."""
    inside, fewest = (
        int(np.sum(np.abs(errors) < TWO_SIDED_95)),
        binom.ppf(CHANCE, len(errors), 0.95),
    )
    assert inside >= fewest, f"{path}: {inside} of {len(errors)} within the 95 % interval"


@pytest.mark.parametrize("name", CASES)
def test_the_interval_contains_the_truth_as_often_as_it_says(name: str) -> None:
    for path, errors in errors_in_sigmas(name, range(SEEDS[name])).items():
        check_coverage(path, errors)
        # And no sigma is far too large: the rms of so many errors is known to 1 / root 2 n.
        rms = float(np.sqrt(np.mean(errors**2)))
        assert rms > 1.0 - 4.0 / np.sqrt(2.0 * len(errors)), (
            f"{path}: rms {rms:.2f} of stated sigmas"
        )


def test_the_largest_measured_transfer_is_known_as_well_as_it_says() -> None:
    errors = pulses.errors_in_sigmas("adiabatic_transfer", range(12), Bench())
    check_coverage("largest_measured_transfer", errors["largest_measured_transfer"])


def test_fringes_and_loop_disagree_by_no_more_than_they_say() -> None:
    check_coverage("difference_disagreement_hz", pulses.disagreement_errors(range(20), Bench()))


def test_what_could_be_seen_is_known_as_well_as_it_says() -> None:
    for name, errors in sensitivity_errors(weak_results(range(20))).items():
        check_coverage(name, errors)
