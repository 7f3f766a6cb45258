"""What speaks against an estimate at one moment, and what does not."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pytest

from controller.records import ModeId
from controller.supervisor.evidence import (
    CONTRADICTION_SIGMAS,
    JUMP_RAD_PER_S,
    LARGEST_JUMP_RAD,
    LESS_KNOWN_RATIO,
    SURPRISE_INNOVATION2,
    doubt_of_estimate,
    doubts_of_observer,
    has_jumped,
)
from controller.supervisor.live_difference import HEALTHY_RATIO
from controller.tracking.phase_tracker import GATE_SIGMAS

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER
LOOP_SIGMA_HZ = 3.0e-3  # of each loop
JOINT_SIGMA_HZ = 1.0e-3
DIFFERENCE_HZ = 6600.0


def tick(apart_hz: float = 0.0, **joint: float) -> Any:
    """Two loops, and a joint estimate that is off their difference."""
    modes = {
        mode: SimpleNamespace(frequency_hz=hz, frequency_sigma_hz=LOOP_SIGMA_HZ)
        for mode, hz in ((LOWER, 1.0e6), (UPPER, 1.0e6 + DIFFERENCE_HZ))
    }
    values = {
        "difference_hz": DIFFERENCE_HZ + apart_hz,
        "difference_sigma_hz": JOINT_SIGMA_HZ,
        "tracked_sigma_hz": JOINT_SIGMA_HZ,
        **joint,
    }
    return SimpleNamespace(modes=modes, joint=SimpleNamespace(**values))


def pair(pull_sigma_hz: float = 0.0) -> Any:
    return SimpleNamespace(joint=SimpleNamespace(pull_sigma_hz=lambda mode: pull_sigma_hz))


BOTH_HZ = math.hypot(LOOP_SIGMA_HZ, LOOP_SIGMA_HZ, JOINT_SIGMA_HZ)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_joint_estimate_may_differ_from_the_loops_by_noise(sign: float) -> None:
    near, far = 0.99 * CONTRADICTION_SIGMAS * BOTH_HZ, 1.01 * CONTRADICTION_SIGMAS * BOTH_HZ
    assert doubt_of_estimate(tick(sign * near), pair()) == ""
    assert "disagree by 0.02" in doubt_of_estimate(tick(sign * far), pair())


def test_where_the_pull_is_uncertain_more_is_no_contradiction() -> None:
    apart_hz = 2.0 * CONTRADICTION_SIGMAS * BOTH_HZ
    assert doubt_of_estimate(tick(apart_hz), pair()) != ""
    assert doubt_of_estimate(tick(apart_hz), pair(pull_sigma_hz=0.02)) == ""


def test_a_difference_that_is_no_number_is_in_doubt() -> None:
    assert "disagree" in doubt_of_estimate(tick(math.nan), pair())


def test_an_estimate_that_knows_far_less_than_its_loops_is_in_doubt() -> None:
    loops_hz = math.hypot(LOOP_SIGMA_HZ, LOOP_SIGMA_HZ)
    for ratio, is_doubted in ((0.99, False), (1.01, True)):
        sigma_hz = ratio * LESS_KNOWN_RATIO * loops_hz
        vague = tick(tracked_sigma_hz=sigma_hz, difference_sigma_hz=sigma_hz)
        assert bool(doubt_of_estimate(vague, pair())) is is_doubted


def observed(innovation2: float = 4.0, ratio: float = 1.0) -> Any:
    return SimpleNamespace(
        last_observed=SimpleNamespace(innovation2=innovation2),
        observer=SimpleNamespace(innovation_ratio=ratio),
    )


def test_nothing_speaks_against_an_observer_whose_innovations_are_as_predicted() -> None:
    assert doubts_of_observer(observed()) == ()


def test_an_observer_that_saw_nothing_yet_is_in_doubt() -> None:
    for blank in (
        SimpleNamespace(last_observed=None, observer=object()),
        SimpleNamespace(last_observed=object(), observer=None),
    ):
        assert doubts_of_observer(blank) == ("the observer has seen nothing yet",)  # type: ignore[arg-type]


def test_one_surprise_speaks_against_an_observer_and_so_do_many_small_ones() -> None:
    [surprise] = doubts_of_observer(observed(innovation2=2.0 * SURPRISE_INNOVATION2))
    assert surprise == "the observer is surprised: innovation squared 2e+03"
    [lasting] = doubts_of_observer(observed(ratio=HEALTHY_RATIO))
    assert lasting == "the observer's innovations are 3 fold"


def tracker(error_rad: float, update_s: float = 0.02, noise_rad: float = 1.0e-3) -> Any:
    return SimpleNamespace(
        amplitude=1.0,
        quadrature_sigma=noise_rad,
        phase_sigma_rad=0.0,
        phase_error_rad=error_rad,
        config=SimpleNamespace(update_s=update_s),
    )


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("update_s", [0.005, 0.02, 0.1, 5.0])
def test_a_phase_that_goes_off_faster_than_a_rate_has_jumped(update_s: float, sign: float) -> None:
    limit_rad = min(JUMP_RAD_PER_S * update_s, LARGEST_JUMP_RAD)
    assert not has_jumped(tracker(sign * 0.99 * limit_rad, update_s))
    assert has_jumped(tracker(sign * 1.01 * limit_rad, update_s))


def test_what_noise_explains_is_no_jump() -> None:
    limit_rad = GATE_SIGMAS * 0.05
    assert limit_rad > JUMP_RAD_PER_S * 0.02
    assert not has_jumped(tracker(0.99 * limit_rad, noise_rad=0.05))
    assert has_jumped(tracker(1.01 * limit_rad, noise_rad=0.05))


def test_a_line_below_the_noise_has_no_phase_to_jump() -> None:
    """Its noise counts as a radian at most, six of which are more than half a turn."""
    faint = tracker(3.0)
    faint.amplitude, faint.quadrature_sigma = 1.0e-9, 1.0
    assert not has_jumped(faint)
