"""Amplitudes that change tell of Duffing terms; amplitudes that stay cost nothing."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from controller.tracking.joint import JointEstimate, JointEstimator
from controller.tracking.joint_amplitudes import FLUCTUATION_RATIO, USUAL_S, SeenPowers
from controller.tracking.joint_motion import PumpAction
from tests.support.joint_estimates import (
    CONFIG,
    PHASES,
    REFERENCE_HZ,
    ROOM,
    TICK_S,
    reading,
    settled,
)
from tests.support.phases import phases_of

FALL_S, SIGMA_HZ = 4.0, 2.0e-3


def fallen(duffing_sigma_hz: float, by_hz: float) -> tuple[JointEstimate, float]:
    """The lower mode falls to nothing; its frequency then lacks a shift that nobody knew of.

    The estimate five seconds later, and the true difference.
    """
    made = JointEstimator(dataclasses.replace(CONFIG, duffing_sigma_hz=duffing_sigma_hz))
    fed_until, turns = 400, 0.0
    for number, (lower, upper) in enumerate(PHASES.turns.T[: fed_until + 50]):
        before = max(0.0, (number - fed_until) * TICK_S)
        power = math.exp(-before / (FALL_S / 4.0))
        missing_hz = by_hz * (power - 1.0)
        seen = reading(lower + turns + 0.5 * missing_hz * TICK_S, upper)
        turns += missing_hz * TICK_S
        estimate = made.process(TICK_S, seen, PumpAction(powers=(power, 1.0)))
    return estimate, REFERENCE_HZ + PHASES.difference_hz[fed_until + 49] + by_hz


@pytest.mark.parametrize("by_hz", [-1.5 * SIGMA_HZ, SIGMA_HZ])
def test_an_unknown_duffing_shift_shows_where_amplitudes_change(by_hz: float) -> None:
    estimate, truth_hz = fallen(SIGMA_HZ, by_hz)
    assert abs(estimate.difference_hz - truth_hz) < 4.0 * estimate.difference_sigma_hz
    unwarned, _ = fallen(0.0, by_hz)  # takes it for a walk, which it then expects to go on
    walks = estimate.separate_walk_hz_per_root_s, unwarned.separate_walk_hz_per_root_s
    assert walks[0] < 0.5 * walks[1]


def test_an_unknown_duffing_shift_costs_nothing_while_amplitudes_stay() -> None:
    plain, unsure = (
        settled(),
        JointEstimator(dataclasses.replace(CONFIG, duffing_sigma_hz=SIGMA_HZ)),
    )
    for pair in PHASES.turns.T[:400]:
        estimate = unsure.process(TICK_S, reading(*pair), PumpAction(powers=(1.0, 1.0)))
    assert estimate == plain.estimate()


def test_what_a_fall_of_an_amplitude_taught_is_known_and_honest() -> None:
    """The lower mode falls, rises and falls again: the second time nothing surprises.

    Ninety-five of a hundred learnt terms lie within 1.96 sigmas, give or take what a
    binomial of this many seeds allows.
    """
    inside, seeds = 0, 60
    for seed in range(seeds):
        config = dataclasses.replace(CONFIG, duffing_sigma_hz=SIGMA_HZ)
        made, turns = JointEstimator(config), 0.0
        by_hz = math.sqrt(2.0) * SIGMA_HZ * np.random.default_rng(seed).standard_normal()
        for number, (lower, upper) in enumerate(phases_of(ROOM, TICK_S, 600, seed=seed).turns.T):
            power = 1.0 if number < 200 or 300 <= number < 400 else 0.0
            missing_hz = by_hz * (power - 1.0)
            seen = reading(lower, upper + turns + 0.5 * missing_hz * TICK_S)
            turns += missing_hz * TICK_S
            made.process(TICK_S, seen, PumpAction(powers=(power, 1.0)))
        known = made.knowledge()
        sigma_hz = math.sqrt(known.covariance[2, 2])
        assert sigma_hz < 0.5 * SIGMA_HZ
        inside += abs(known.mean[2] - by_hz) < 1.96 * sigma_hz
    # Binomial: 0.95 * 60 = 57, sigma 1.7; 3.5 of them below.
    assert inside >= 51


# -- the powers alone ----------------------------------------


def test_amplitudes_that_are_held_do_not_change_however_they_fluctuate() -> None:
    seen = SeenPowers()
    assert seen.process((1.0, 4.0), TICK_S) == 0.0
    assert seen.process((1.0 + 0.9 * FLUCTUATION_RATIO, 4.0), TICK_S) == 0.0


def test_a_change_counts_once() -> None:
    seen = SeenPowers()
    seen.process((1.0, 4.0), TICK_S)
    assert seen.process((0.0, 4.0), TICK_S) == pytest.approx((1.0 - FLUCTUATION_RATIO) ** 2)
    assert seen.process((0.0, 4.0), TICK_S) == 0.0


def test_what_has_become_usual_is_left_when_it_goes_back() -> None:
    seen = SeenPowers()
    seen.process((1.0, 4.0), TICK_S)
    seen.process((0.0, 4.0), TICK_S)
    for _ in range(10):
        seen.process((0.0, 4.0), USUAL_S)
    usual = math.exp(-10.0)
    assert seen.process((1.0, 4.0), TICK_S) == pytest.approx(1.0, abs=3.0 * usual)


def test_more_counts_from_the_first_powers() -> None:
    seen = SeenPowers()
    assert seen.now.tolist() == [0.0, 0.0]
    seen.process((1.0, 4.0), TICK_S)
    assert seen.more.tolist() == [0.0, 0.0]
    seen.process((0.5, 5.0), TICK_S)
    assert seen.more.tolist() == [-0.5, 1.0]
    assert seen.now.tolist() == [0.5, 5.0]
    assert repr(seen) == "SeenPowers([0.5, 5.0])"
