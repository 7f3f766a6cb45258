"""The ring-down fit against the Cramer-Rao bound, and against the limit by thermal motion.

Detector noise alone: an endless damped tone of amplitude A and decay rate d of the
amplitude in white noise of one-sided density S^2 is known to var(d) = 8 S^2 d^3 / A^2,
with unknown amplitude, phase and frequency: Y.-X. Yao and S. M. Pandit, IEEE Trans.
Signal Processing 43, 878 (1995) (attribution from memory; the form was verified with a
Fisher matrix). With Q = 1e8 at 1.4 MHz and A / S = 1e4 root hertz that is a sigma of Q
of 5.9318e-5 of its value.

Thermal motion alone: 2 x_th / A of an endless record (derived: the logarithm of the
amplitude walks by gamma x_th^2 / r^2 a second).
"""

from __future__ import annotations

import math

import numpy as np
from scipy.stats import chi2

from controller.analysis.protocols.data import BASEBAND_DTYPE, Facts, ModeFacts, ProtocolData
from controller.analysis.protocols.ring_down import ring_down
from tests.support.two_modes import Bench, Stage, protocols

TWO_PI = 2.0 * math.pi
CHANCE = 1.0e-3  # that a sound fit fails a two-sided test
FREQUENCY_HZ, QUALITY = 1.4e6, 1e8
DECAY_PER_S = math.pi * FREQUENCY_HZ / QUALITY  # of the amplitude
AMPLITUDE_M = 1e-9
DENSITY = 1e-4 * AMPLITUDE_M  # per root hertz
UPDATE_S = 0.02
DURATION_S = 5.0 / DECAY_PER_S  # what is later adds e^-10 of the information
SEEDS = 200


def ring_down_data(seed: int) -> ProtocolData:
    """The lower mode rings down without thermal motion, the upper one is driven."""
    rng = np.random.default_rng(seed)
    count = round(DURATION_S / UPDATE_S)
    times_s = UPDATE_S * (np.arange(count) + 0.5)
    phases_rad = TWO_PI * rng.random() + TWO_PI * 0.3 * times_s
    noise = rng.standard_normal((4, count)) * DENSITY / math.sqrt(UPDATE_S)
    table = np.zeros(count, BASEBAND_DTYPE)
    table["time_s"], table["duration_s"] = times_s, UPDATE_S
    table["lower"] = AMPLITUDE_M * np.exp(1j * phases_rad - DECAY_PER_S * times_s)
    table["lower"] += noise[0] + 1j * noise[1]
    table["upper"] = AMPLITUDE_M + noise[2] + 1j * noise[3]
    table["drive_upper"] = 1j
    facts = ModeFacts(
        frequency_hz=FREQUENCY_HZ,
        quality_factor=QUALITY,
        mass_kg=1e-12,
        detector_noise_m_per_root_hz=DENSITY,
    )
    return ProtocolData(
        sections=(),
        basebands=table,
        lower_reference_hz=FREQUENCY_HZ,
        upper_reference_hz=FREQUENCY_HZ + 7e3,
        facts=Facts(lower=facts, upper=facts, temperature_k=1e-9, gain_walk_per_root_s=0.0),
    )


def quality_factor(data: ProtocolData) -> tuple[float, float]:
    result = ring_down(data)
    assert result.results is not None, result.failure
    lower = result.results["lower"]
    assert isinstance(lower, dict)
    value, sigma = lower["quality_factor"], lower["quality_factor_sigma"]
    assert isinstance(value, float) and isinstance(sigma, float)
    return value, sigma


def test_the_quality_factor_scatters_as_the_bound_says() -> None:
    """Neither more nor less, within what 200 seeds can tell; and the stated sigma is it.

    The record ends when means over 0.1 s come to five times their noise: at
    A / sigma = 3162 that is after 6.4 decay times, beyond its end.
    """
    bound = 5.9318e-5
    rate_bound = math.sqrt(8.0 * DENSITY**2 * DECAY_PER_S**3) / AMPLITUDE_M / DECAY_PER_S
    assert abs(rate_bound / bound - 1.0) < 1e-4
    pairs = np.array([quality_factor(ring_down_data(seed)) for seed in range(SEEDS)])
    square = float((((pairs[:, 0] / QUALITY - 1.0) / bound) ** 2).sum())
    low, high = chi2.ppf([CHANCE / 2, 1 - CHANCE / 2], SEEDS)
    assert low < square < high
    # Each scale is learnt from 1100 residuals, to 2 %; the mean of 200 of them to 0.2 %.
    assert abs(pairs[:, 1].mean() / QUALITY / bound - 1.0) < 0.01


def test_thermal_motion_leaves_twice_its_share_of_the_amplitude() -> None:
    bench = Bench(detector_noise=1e-16, gain_walk_per_root_s=0.0)
    stages = [
        Stage(
            kind="release",
            duration_s=80.0,
            set_lower_m=AMPLITUDE_M,
            set_upper_m=AMPLITUDE_M,
            drive_upper=True,
        )
    ]
    [outcome] = protocols(bench, stages, [1])
    value, sigma = quality_factor(outcome.data)
    expected = 2.0 * bench.lower.thermal_m(bench.temperature_k) / AMPLITUDE_M
    # The scale is learnt from 800 residuals, to 2.5 %.
    assert abs(sigma / value / expected - 1.0) < 0.1
