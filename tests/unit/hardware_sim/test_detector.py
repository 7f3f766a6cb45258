"""From motion to samples: the sum of exponentials, gain and converter."""

from __future__ import annotations

import math

import numpy as np
import pytest

from hardware_sim.detector import Converter, Gain, exponential_sum
from hardware_sim.membrane import Motion
from hardware_sim.options import DetectorOptions, parsed_options


def motion(rng: np.random.Generator, terms: int) -> Motion:
    made = Motion()
    for _ in range(terms):
        made.add(complex(*rng.standard_normal(2)), complex(rng.uniform(-5, 5), rng.uniform(-9, 9)))
    return made


@pytest.mark.parametrize("count", [1, 2, 3, 99, 100, 101, 1000])
@pytest.mark.parametrize("terms", [1, 7])
def test_sum_of_exponentials(count: int, terms: int) -> None:
    made = motion(np.random.default_rng(count), terms)
    times_s = np.arange(count) * 1e-3
    rates, weights = np.array(made.rates), np.array(made.coefficients)
    expected = np.exp(np.multiply.outer(times_s, rates)) @ weights
    found = exponential_sum(made, 1e-3, count, real=False)
    np.testing.assert_allclose(found, expected, rtol=1e-10, atol=1e-12)
    real = exponential_sum(made, 1e-3, count, real=True)
    # Single precision, twice a rounding per factor and term, growth up to e^5.
    np.testing.assert_allclose(real, expected.real, atol=terms * 8 * 6e-8 * math.exp(5.0))


def test_gain_is_one_unless_told_otherwise() -> None:
    gain = Gain(DetectorOptions(), 50e3, 0.02, np.random.default_rng(1))
    assert gain.at(123, 0.5) == (1.0, 0.0)


def test_gain_has_no_jumps() -> None:
    options = DetectorOptions(gain_sigma=0.1, gain_time_s=1.0, gain_cycle=0.2, gain_cycle_s=3.0)
    gain = Gain(options, 50e3, 0.02, np.random.default_rng(1))
    for step in range(100):
        start, growth = gain.at(step, 0.0)
        middle, _ = gain.at(step, 0.25)
        assert start * math.exp(growth * 0.005) == pytest.approx(middle)
        assert start * math.exp(growth * 0.02) == pytest.approx(gain.at(step + 1, 0.0)[0])


def test_flips_change_the_sign() -> None:
    options = DetectorOptions(gain_flips_at_s=(2.0, 1.0))
    gain = Gain(options, 1000.0, 0.02, np.random.default_rng(1))
    assert gain.flips == [1000, 2000]
    assert [gain.sign_at(sample) for sample in (999, 1000, 1999, 2000)] == [1.0, -1.0, -1.0, 1.0]


def converter(**stream: object) -> Converter:
    options = parsed_options({"stream": stream, "detector": {"noise_m_per_root_hz": 0.0}})
    return Converter(options, np.random.default_rng(1))


def test_converter_clips_and_says_so() -> None:
    made = converter(full_scale_m=2e-8, metres_per_unit=1e-8)
    parts = np.array([1.9, -2.5, 2.1], np.float32)
    assert made.convert(parts) is True
    np.testing.assert_array_equal(parts, np.array([1.9, -2.0, 2.0], np.float32))
    assert made.convert(np.array([1.9, -1.9], np.float32)) is False


def test_converter_rounds_to_its_levels() -> None:
    made = converter(bits=3)  # full scale 1.0 in three levels either way
    parts = np.array([0.3, 0.5, -0.6, 0.99], np.float32)
    made.convert(parts)
    np.testing.assert_allclose(parts * 3.0, [1.0, 2.0, -2.0, 3.0], rtol=1e-6)
