"""Means of a track: weighed, and as uncertain as the track is restless."""

from __future__ import annotations

import math

import numpy as np
import pytest

from controller.records import ModeId
from controller.replay_loops.line_means import LineMeans, WeighedMean


def test_what_is_known_better_weighs_more() -> None:
    mean = WeighedMean()
    mean.add(1.0e6, 1.0)
    mean.add(1.0e6 + 5.0, 2.0)
    assert mean.value == pytest.approx(1.0e6 + 1.0, abs=1e-9)  # weights of 4 to 1


def test_averaging_values_of_one_track_does_not_shrink_their_sigma() -> None:
    mean = WeighedMean()
    for _ in range(100):
        mean.add(3.0, 0.2)
    assert mean.sigma == pytest.approx(0.2)


def test_a_track_that_wanders_is_uncertain_by_its_spread() -> None:
    values = np.random.default_rng(2).standard_normal(400)
    mean = WeighedMean()
    for value in values:
        mean.add(1.0e6 + value, 0.01)
    assert mean.sigma == pytest.approx(math.hypot(0.01, values.std()), rel=1e-6)


@pytest.mark.parametrize(
    ("value", "sigma"), [(math.nan, 1.0), (1.0, math.nan), (1.0, 0.0), (1.0, math.inf)]
)
def test_what_is_not_known_does_not_count(value: float, sigma: float) -> None:
    mean = WeighedMean()
    mean.add(value, sigma)
    assert not mean.is_known


def test_without_a_difference_there_are_no_results() -> None:
    means = LineMeans()
    means.add_line(ModeId.LOWER, (100.0, 0.1), (-0.5, 0.01))
    assert means.results() == {}


def test_a_decay_time_is_given_where_the_line_decays_for_sure() -> None:
    means = LineMeans()
    means.add_difference(1.3, 0.01)
    means.add_line(ModeId.LOWER, (100.0, 0.1), (-0.5, 0.01))
    means.add_line(ModeId.UPPER, (101.3, 0.1), (-0.005, 0.01))
    means.add_amplitude(ModeId.LOWER, 2.0)
    means.add_amplitude(ModeId.LOWER, 1.0)  # later, and fallen
    lines = means.results()["lines"]
    lower, upper = (lines[mode.value] for mode in ModeId)
    assert lower["decay_time_s"] == pytest.approx(2.0)
    assert lower["decay_time_s_sigma"] == pytest.approx(0.01 / 0.5**2)
    assert lower["amplitude"] == 2.0
    assert upper["decay_time_s"] is None and upper["decay_rate_per_s"] == pytest.approx(0.005)
    assert lines["difference"] == {"frequency_hz": 1.3, "frequency_hz_sigma": pytest.approx(0.01)}
