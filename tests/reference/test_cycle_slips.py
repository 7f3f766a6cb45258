"""Mean time between cycle slips against runs of a noisy second-order loop."""

import math

import numpy as np
import pytest

from controller.tracking.loop_figures import mean_slip_time_s, second_order_gains

UPDATE_S = 0.01  # B_L T = 0.0053: the delay of an update is 1 % of the loop time
BANDWIDTH_HZ = 0.530330  # omega_n = 1 rad/s at a damping of 0.7071
PATHS = 600


def slip_times_s(signal_to_noise: float, seed: int) -> np.ndarray:
    """First passage to +-2 pi of loops with a sine detector, shape (PATHS,)."""
    rng = np.random.default_rng(seed)
    gains = second_order_gains(BANDWIDTH_HZ, math.sqrt(0.5), UPDATE_S)
    noise_sigma = math.sqrt(1 / (signal_to_noise * 2 * BANDWIDTH_HZ * UPDATE_S))
    phases, frequencies = np.zeros(PATHS), np.zeros(PATHS)
    passed: list[float] = []
    updates = 0
    while len(phases):
        detected = -np.sin(phases) + noise_sigma * rng.standard_normal(len(phases))
        frequencies += gains.frequency_per_s * detected
        phases += gains.phase * detected + frequencies * UPDATE_S
        updates += 1
        slipped = np.abs(phases) >= 2 * math.pi
        if slipped.any():
            passed += [updates * UPDATE_S] * int(slipped.sum())
            phases, frequencies = phases[~slipped], frequencies[~slipped]
    return np.array(passed)


@pytest.mark.parametrize(
    ("signal_to_noise", "expected", "expected_error"), [(1.0, 6.13, 0.09), (2.0, 23.1, 0.4)]
)
def test_slip_times_of_a_second_order_loop(
    signal_to_noise: float, expected: float, expected_error: float
) -> None:
    """T B_L at 1/sigma^2 = 1 and 2, damping 0.707: R (an unrelated run of 3000 paths).

    The rule exp(pi/(2 sigma^2)) (Gardner, after Sanneman and Rowbotham: M) is rough: 4.8 and
    23.1, at most 30 % off here.
    """
    times = slip_times_s(signal_to_noise, seed=5) * BANDWIDTH_HZ
    standard_error = math.hypot(times.std() / math.sqrt(PATHS), expected_error)
    assert times.mean() == pytest.approx(expected, abs=4 * standard_error)
    rule = mean_slip_time_s(1 / math.sqrt(signal_to_noise), BANDWIDTH_HZ) * BANDWIDTH_HZ
    assert rule == pytest.approx(expected, rel=0.3)
