"""Classical gains, and what any loop does."""

import math

import numpy as np
import pytest

from controller.errors import InputError
from controller.tracking.loop_figures import (
    LoopGains,
    closed_loop_response,
    controlled_root_gains,
    drift_phase_error_rad,
    loop_figures,
    mean_slip_time_s,
    second_order_gains,
)

GAINS = LoopGains(phase=0.2, frequency_per_s=1.5, rate_per_s2=3.0)
UPDATE_S = 0.01


def run_loop(gains: LoopGains, update_s: float, phases_rad: np.ndarray) -> np.ndarray:
    """Predicted phases of the loop as the module's head writes it."""
    phase = frequency = rate = 0.0
    predicted = np.empty_like(phases_rad)
    for index, measured in enumerate(phases_rad):
        predicted[index] = phase
        error = measured - phase
        phase += gains.phase * error
        frequency += gains.frequency_per_s * error
        rate += gains.rate_per_s2 * error
        phase += frequency * update_s + rate * update_s**2 / 2
        frequency += rate * update_s
    return predicted


@pytest.mark.parametrize("order", [1, 2, 3])
def test_response_is_that_of_the_loop_as_written(order: int) -> None:
    gains = controlled_root_gains(order, 3.0, UPDATE_S, damping=0.8)
    impulse = np.zeros(4096)
    impulse[0] = 1.0
    expected = np.fft.rfft(run_loop(gains, UPDATE_S, impulse))
    response = closed_loop_response(gains, UPDATE_S, np.fft.rfftfreq(4096, UPDATE_S))
    # 4096 updates are more than 100 decay times of the slowest root.
    np.testing.assert_allclose(response, expected, atol=1e-10)


def test_noise_bandwidth_is_half_the_power_of_the_impulse_response() -> None:
    impulse = np.zeros(20000)
    impulse[0] = 1.0
    power = np.sum(run_loop(GAINS, UPDATE_S, impulse) ** 2)
    figures = loop_figures(GAINS, UPDATE_S)
    assert figures.noise_bandwidth_hz == pytest.approx(power / (2 * UPDATE_S), rel=1e-9)


def test_summing_gains_drive_the_same_phase() -> None:
    """The loop with sums of errors, run beside the loop with states."""
    first, second, third = GAINS.summing(UPDATE_S)
    phases = np.random.default_rng(1).standard_normal(500)
    phase = once = twice = 0.0
    summed = np.empty_like(phases)
    for index, measured in enumerate(phases):
        summed[index] = phase
        error = measured - phase
        once += error
        twice += once
        phase += first * error + second * once + third * twice
    np.testing.assert_allclose(summed, run_loop(GAINS, UPDATE_S, phases), atol=1e-10)


@pytest.mark.parametrize("order", [2, 3])
def test_static_error_is_where_a_drifting_input_settles(order: int) -> None:
    gains = controlled_root_gains(order, 3.0, UPDATE_S)
    drift_hz_per_s = 0.7
    times_s = np.arange(3000) * UPDATE_S
    phases = math.pi * drift_hz_per_s * times_s**2
    settled = phases[-1] - run_loop(gains, UPDATE_S, phases)[-1]
    expected = drift_phase_error_rad(loop_figures(gains, UPDATE_S), drift_hz_per_s)
    # Rounding of phases that have grown to 2000 rad.
    assert settled == pytest.approx(expected, abs=1e-9)


def test_first_order_loop_falls_behind_a_drift_without_end() -> None:
    figures = loop_figures(LoopGains(phase=0.3), UPDATE_S)
    assert drift_phase_error_rad(figures, -0.1) == -math.inf
    assert drift_phase_error_rad(figures, 0.0) == 0.0


@pytest.mark.parametrize("damping", [0.4, 0.7, 1.0, 1.8])
def test_second_order_gains_keep_bandwidth_and_damping(damping: float) -> None:
    figures = loop_figures(second_order_gains(2.5, damping, UPDATE_S), UPDATE_S)
    assert figures.noise_bandwidth_hz == pytest.approx(2.5, rel=1e-9)
    # A double root is known to the square root of rounding only.
    assert figures.damping_ratio == pytest.approx(damping, rel=1e-6)


def test_three_db_point_is_down_three_db() -> None:
    figures = loop_figures(GAINS, UPDATE_S)
    assert figures.three_db_bandwidth_hz is not None
    response = closed_loop_response(GAINS, UPDATE_S, figures.three_db_bandwidth_hz)
    assert abs(response) ** 2 == pytest.approx(0.5, rel=1e-9)


def test_fast_loop_has_no_three_db_point() -> None:
    """With K = 1 the prediction is the last input: flat to half the update rate."""
    figures = loop_figures(LoopGains(phase=0.999), UPDATE_S)
    assert figures.three_db_bandwidth_hz is None
    assert figures.natural_frequency_rad_per_s is None


def test_pole_left_of_zero_has_no_natural_frequency() -> None:
    figures = loop_figures(LoopGains(phase=1.3, frequency_per_s=0.2 / UPDATE_S), UPDATE_S)
    assert figures.natural_frequency_rad_per_s is None and figures.damping_ratio is None


def test_slip_time_grows_beyond_numbers() -> None:
    assert mean_slip_time_s(1e-3, 1.0) == math.inf
    assert mean_slip_time_s(0.7, 2.0) == pytest.approx(math.exp(math.pi / 0.98) / 2)


def test_unstable_gains_are_refused() -> None:
    with pytest.raises(InputError, match="unit circle"):
        loop_figures(LoopGains(phase=2.5), UPDATE_S)


@pytest.mark.parametrize(
    ("order", "bandwidth_hz", "damping", "match"),
    [
        (4, 1.0, 1.0, "order is 4"),
        (2, 0.0, 1.0, "noise_bandwidth_hz"),
        (2, 1.0, -0.5, "damping"),
        (2, 500.0, 1.0, "noise_bandwidth_hz times update_s is 5"),
    ],
)
def test_bad_designs_are_refused(
    order: int, bandwidth_hz: float, damping: float, match: str
) -> None:
    with pytest.raises(InputError, match=match):
        controlled_root_gains(order, bandwidth_hz, UPDATE_S, damping=damping)
