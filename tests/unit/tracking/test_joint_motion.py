"""The motion over a window is that over its halves, one after the other."""

from __future__ import annotations

import numpy as np
import pytest

from controller.tracking.joint_motion import (
    PumpAction,
    noise_parts,
    transition_parts,
    with_duffing,
    with_pump,
)
from controller.tracking.joint_states import (
    COUPLING,
    LASTING,
    LOWER_MEAN,
    LOWER_TURNS,
    RATE,
    REST_HZ,
    SHARED_HZ,
    SHIFT,
    STATES,
    UPPER_MEAN,
    UPPER_TURNS,
)

RATIO = 1.007
FIRST_S, SECOND_S = 0.7, 1.9
MEANS = [LOWER_MEAN, UPPER_MEAN]
ENDS = [LOWER_TURNS, UPPER_TURNS]


def constant(dt: float) -> np.ndarray:
    return transition_parts(dt, RATIO)[0]


def test_what_lasts_moves_over_two_windows_as_over_both_at_once() -> None:
    in_turn = (constant(SECOND_S) @ constant(FIRST_S))[:LASTING, :LASTING]
    assert in_turn == pytest.approx(constant(FIRST_S + SECOND_S)[:LASTING, :LASTING], abs=1e-12)


def test_the_mean_phase_is_the_mean_of_the_phases_over_the_window() -> None:
    """By the midpoint rule in a thousand parts: in error by 1/24 million of the curvature."""
    parts, dt = 1000, FIRST_S
    middles_s = dt * (np.arange(parts) + 0.5) / parts
    inside = np.mean([constant(s)[ENDS] for s in middles_s], axis=0)
    assert constant(dt)[MEANS] == pytest.approx(inside, abs=1.0e-6)


@pytest.mark.parametrize("part", [3, 4, 5], ids=["rest", "lower diffusion", "upper diffusion"])
def test_noise_of_two_windows_adds_up_to_that_of_both(part: int) -> None:
    def noise(dt: float) -> np.ndarray:
        return noise_parts(dt)[part].reshape(STATES, STATES)

    second = constant(SECOND_S)
    in_turn = (second @ noise(FIRST_S) @ second.T + noise(SECOND_S))[:LASTING, :LASTING]
    assert in_turn == pytest.approx(noise(FIRST_S + SECOND_S)[:LASTING, :LASTING], abs=1e-12)


def test_a_walk_moves_frequency_phase_and_mean_as_its_integrals_say() -> None:
    """Of a unit walk over T: T, T^3 / 3 and T^3 / 20; derived by hand from s and s^2 / 2 T."""
    dt = 2.0
    walk = noise_parts(dt)[0].reshape(STATES, STATES)
    assert walk[SHARED_HZ, SHARED_HZ] == pytest.approx(dt)
    assert walk[LOWER_TURNS, LOWER_TURNS] == pytest.approx(dt**3 / 3.0)
    assert walk[LOWER_MEAN, LOWER_MEAN] == pytest.approx(dt**3 / 20.0)
    assert walk[SHARED_HZ, LOWER_TURNS] == pytest.approx(dt**2 / 2.0)


def test_a_steady_pump_turns_phases_by_its_time_and_means_by_half_of_it() -> None:
    pump = PumpAction(squared=0.25, lower_pull=0.4 + 0.1j, upper_pull=0.6j)
    pumped, _ = with_pump(*transition_parts(FIRST_S, RATIO), FIRST_S, pump, pump)
    assert pumped[ENDS, SHIFT] == pytest.approx(0.25 * FIRST_S)
    assert pumped[LOWER_TURNS, COUPLING] == pytest.approx(0.4 * FIRST_S)
    assert pumped[MEANS] - constant(FIRST_S)[MEANS] == pytest.approx(
        (pumped[ENDS] - constant(FIRST_S)[ENDS]) / 2.0
    )


def test_what_is_added_leaves_the_kept_parts_as_they_were() -> None:
    """They are kept for the next window of the same length."""
    before = constant(FIRST_S).copy()
    pump = PumpAction(squared=1.0, lower_pull=1.0, upper_pull=1.0)
    with_pump(*transition_parts(FIRST_S, RATIO), FIRST_S, pump, pump)
    with_duffing(constant(FIRST_S), FIRST_S, np.ones(2))
    assert np.array_equal(constant(FIRST_S), before)
    assert before[RATE, RATE] < 1.0 and before[REST_HZ, REST_HZ] == 1.0
