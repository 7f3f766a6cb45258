"""Surprises cost certainty, not honesty, and are forgotten."""

from __future__ import annotations

import math

import numpy as np
import pytest

from controller.records import ModeId
from controller.tracking.joint_surprises import ALERT_S, DOUBT_S, Surprises
from tests.support.joint_estimates import (
    PHASES,
    REFERENCE_HZ,
    TICK_S,
    fed,
    settled,
)


@pytest.mark.parametrize("place", [0, 1])
def test_a_disturbed_phase_costs_certainty_but_not_honesty(place: int) -> None:
    """A spike of 0.05 rad in one window: hundreds of times the noise."""
    turns = PHASES.turns.T[:500].copy()
    turns[400, place] += 0.05 / (2.0 * math.pi)
    made = settled(400)
    before = made.estimate()
    for ticks, estimate in enumerate(fed(made, turns[400:]), start=401):
        error_hz = estimate.difference_hz - REFERENCE_HZ - PHASES.difference_hz[ticks - 1]
        assert abs(error_hz) < 5.0 * estimate.difference_sigma_hz
    assert estimate.difference_sigma_hz < 2.0 * before.difference_sigma_hz


# -- surprises alone ----------------------------------------

ONES = np.ones(3)


def surprised(mode: ModeId, sigmas: float = 7.0) -> Surprises:
    """Just now, by the centre's innovation of a mode."""
    made = Surprises()
    made.begin_window(TICK_S)
    made.excess(mode, np.array([sigmas, 0.0, 0.0]), ONES)
    return made


def test_nothing_within_six_sigmas_surprises() -> None:
    assert Surprises().excess(ModeId.LOWER, np.array([5.9, -5.9, 0.0]), ONES) is None


def test_the_excess_is_what_was_not_expected_of_those_who_are_surprised() -> None:
    excess = Surprises().excess(ModeId.LOWER, np.array([7.0, 5.0, -9.0]), ONES)
    assert excess == pytest.approx([48.0, 0.0, 80.0])


def test_after_a_surprise_less_is_taken_for_chance_for_a_while() -> None:
    made, three = surprised(ModeId.UPPER), np.full(3, 3.0)
    assert made.excess(ModeId.LOWER, three, ONES) is None  # the other mode was calm
    made.begin_window(0.9 * ALERT_S)
    assert made.excess(ModeId.UPPER, three, ONES) == pytest.approx([8.0] * 3)
    made.begin_window(0.2 * ALERT_S)
    assert made.excess(ModeId.UPPER, three, ONES) is None


def test_what_a_surprise_has_moved_is_doubted_and_fades() -> None:
    made = surprised(ModeId.UPPER)
    assert made.doubt(TICK_S, before_hz=5.0, after_hz=6.0, sigma_hz=1e-3)
    assert made.doubted_hz == pytest.approx(math.exp(-TICK_S / DOUBT_S))
    for _ in range(4):  # the difference stays where it has gone
        made.begin_window(DOUBT_S)
        assert made.doubt(DOUBT_S, before_hz=6.0, after_hz=6.0, sigma_hz=1e-3)
    assert made.doubted_hz == pytest.approx(math.exp(-TICK_S / DOUBT_S - 4.0))
    assert f"{made.doubted_hz:.2g}" in repr(made)


def test_a_doubt_that_counts_no_more_ends() -> None:
    made = surprised(ModeId.UPPER)
    made.doubt(TICK_S, before_hz=5.0, after_hz=6.0, sigma_hz=1e-3)
    made.begin_window(10.0 * DOUBT_S)  # the alert is over, e^-10 is left
    assert made.doubt(10.0 * DOUBT_S, before_hz=6.0, after_hz=6.0, sigma_hz=1e-3)
    assert made.doubted_hz == 0.0
    assert not made.doubt(TICK_S, before_hz=6.0, after_hz=7.0, sigma_hz=1e-3)


def test_what_both_modes_share_puts_no_difference_in_doubt() -> None:
    made = surprised(ModeId.LOWER)
    assert not made.doubt(TICK_S, before_hz=5.0, after_hz=6.0, sigma_hz=1e-3)
    assert made.doubted_hz == 0.0
