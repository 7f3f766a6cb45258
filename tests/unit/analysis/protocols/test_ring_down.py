"""Ring-downs: results of each mode, and what is said where there are none."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from controller.analysis.protocols.data import ProtocolResult, Results
from controller.analysis.protocols.ring_down import ring_down
from tests.support.two_modes import Bench, Outcome, Stage, protocols, ring_down_stages


@pytest.fixture(scope="module")
def usual() -> Outcome:
    return protocols(Bench(), ring_down_stages(40.0), [3])[0]


def group(result: ProtocolResult, mode: str) -> Results:
    assert result.results is not None, result.failure
    within = result.results[mode]
    assert isinstance(within, dict)
    return within


@pytest.mark.parametrize("mode", ["lower", "upper"])
def test_thermal_motion_limits_the_quality_factor(usual: Outcome, mode: str) -> None:
    """gamma / 2 is the slope of ln r; the kicks and the gain's walk disturb that."""
    results = group(ring_down(usual.data), mode)
    value, sigma = results["quality_factor"], results["quality_factor_sigma"]
    assert isinstance(value, float) and isinstance(sigma, float)
    truth = getattr(Bench(), mode)
    gamma, thermal_m = truth.decay_rate_per_s, truth.thermal_m(295.0)
    gain = Bench().gain_walk_per_root_s  # the detector's gain adds to the kicks
    kicks = gamma * thermal_m**2
    seconds = np.arange(0.0, 40.0, 0.1)
    powers = 1e-18 * np.exp(-gamma * seconds)
    information = 0.25 * float(np.sum(0.1 * powers / (kicks + gain**2 * powers)))
    expected = 1.0 / math.sqrt(information) / gamma
    # The scale is learnt from 400 residuals, to 3.5 %.
    assert sigma / value == pytest.approx(expected, rel=4 * 0.035)


def test_a_gain_that_may_wander_counts_though_the_residuals_do_not_show_it(
    usual: Outcome,
) -> None:
    """d ln r is off by w over root T, so gamma by 2 w / root T at least."""
    walk = 3.0e-2
    facts = dataclasses.replace(usual.data.facts, gain_walk_per_root_s=walk)
    results = group(ring_down(dataclasses.replace(usual.data, facts=facts)), "lower")
    time_s, sigma_s = results["decay_time_s"], results["decay_time_s_sigma"]
    assert isinstance(time_s, float) and isinstance(sigma_s, float)
    assert 2.0 * sigma_s / time_s**2 > 0.95 * 2.0 * walk / math.sqrt(40.0)


def test_an_early_end_leaves_the_thermal_level_open(usual: Outcome) -> None:
    results = group(ring_down(usual.data), "lower")
    assert results["thermal_ratio"] is None and results["thermal_ratio_sigma"] is None


def test_one_released_mode_gives_results_and_the_other_its_reason() -> None:
    stages = ring_down_stages(20.0)[:2]
    result = ring_down(protocols(Bench(), stages, [1])[0].data)
    assert isinstance(group(result, "lower")["quality_factor"], float)
    assert "no stretch" in str(group(result, "upper")["failure"])
    assert result.failure is None


def test_nothing_released_is_a_failure() -> None:
    stages = [Stage(kind="hold", duration_s=5.0, drive_lower=True, drive_upper=True)]
    result = ring_down(protocols(Bench(), stages, [1])[0].data)
    assert result.results is None
    assert "released" in (result.failure or "")


def test_a_mode_in_thermal_motion_is_a_failure() -> None:
    result = ring_down(protocols(Bench(), ring_down_stages(10.0, 5e-12), [1])[0].data)
    assert "ring the mode up further" in str(group(result, "lower")["failure"])


def test_drives_off_90_degrees_do_not_reach_the_chirp() -> None:
    """A lag of 0.1 rad pulls by gamma / 4 pi 0.1: 0.8 mHz, the chirp's sigma is 0.3 mHz."""
    bench = Bench(drive_phase_sigma_rad=0.1)
    still = dataclasses.replace(bench, drive_phase_sigma_rad=0.0)
    values = []
    for each in (bench, still):
        outcome = protocols(each, ring_down_stages(40.0)[:2], [3])[0]
        values.append(group(ring_down(outcome.data), "lower"))
    sigma = values[1]["duffing_difference_hz_per_m2_sigma"]
    move = [value["duffing_difference_hz_per_m2"] for value in values]
    assert isinstance(sigma, float)
    assert abs(move[0] - move[1]) < sigma  # type: ignore[operator]


def test_a_constant_gain_error_shows_in_the_thermal_level() -> None:
    """A detector that reads twice too much: the mean square is 4 times the expected one."""
    outcome = protocols(Bench(gain_walk_per_root_s=0.0), ring_down_stages(200.0)[:2], [2])[0]
    table = outcome.data.basebands.copy()
    table["lower"] *= 2.0
    data = dataclasses.replace(outcome.data, basebands=table)
    results = group(ring_down(data), "lower")
    ratio, sigma = results["thermal_ratio"], results["thermal_ratio_sigma"]
    assert isinstance(ratio, float) and isinstance(sigma, float)
    plain = group(ring_down(outcome.data), "lower")["thermal_ratio"]
    assert isinstance(plain, float)
    # The tail begins where the fitted signal is over, a little later than without the error.
    assert ratio == pytest.approx(4.0 * plain, rel=0.35)


def test_series_show_the_first_ring_down(usual: Outcome) -> None:
    series = ring_down(usual.data).series
    assert len(series["lower_amplitude_m"]) == len(series["lower_time_s"])
    assert len(series["upper_difference_hz"]) == len(series["upper_power_m2"])
