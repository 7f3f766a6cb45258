"""Fourier components and mean squares of the pump's waveforms, against scipy.fft.

A period of N samples that are held stands for the waveform. A held sample has the
component of a continuous line times (pi/N) / sin(pi/N) = 1 + (pi/N)^2 / 6 + ...:
the tolerances are twice that.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import fft

from controller.signal.waveforms import fundamental_factor, power_ratio

SAMPLES = 4096
TOLERANCE = 2.0 * (math.pi / SAMPLES) ** 2 / 6.0
WIDTHS = (1, 101, 869, 1025, 2047)  # samples, odd: a pulse is centred on one


def pulse_period(width: int, sign: float = 1.0) -> np.ndarray:
    """One period of +1 around sample 0 and -1 around half the period."""
    period = np.zeros(SAMPLES)
    half = width // 2
    for center, value in ((0, sign), (SAMPLES // 2, -sign)):
        period[np.arange(center - half, center + half + 1) % SAMPLES] = value
    return period


def cosine_component(period: np.ndarray, harmonic: int = 1) -> complex:
    """The b in b cos(harmonic * phase), complex for what is not in phase."""
    return complex(2.0 / SAMPLES * fft.fft(period)[harmonic])


@pytest.mark.parametrize("width", WIDTHS)
def test_the_component_of_alternating_pulses(width: int) -> None:
    found = cosine_component(pulse_period(width))
    expected = fundamental_factor("pulses", width / SAMPLES)
    assert found.real == pytest.approx(expected, rel=TOLERANCE)
    assert abs(found.imag) < 1e-12


@pytest.mark.parametrize("width", WIDTHS)
def test_pulses_the_other_way_round_have_the_other_sign(width: int) -> None:
    found = cosine_component(pulse_period(width, sign=-1.0))
    assert found.real == pytest.approx(-fundamental_factor("pulses", width / SAMPLES), rel=1e-5)


def test_a_pair_of_pulses_has_no_even_harmonics_and_no_mean() -> None:
    spectrum = fft.fft(pulse_period(101)) / SAMPLES
    assert np.max(np.abs(spectrum[0::2])) < 1e-12


def test_the_component_of_a_square() -> None:
    """Samples between the edges: half a sample late, which is turned back."""
    phases = 2.0 * math.pi * (np.arange(SAMPLES) + 0.5) / SAMPLES
    found = cosine_component(np.sign(np.cos(phases))) * np.exp(-1j * math.pi / SAMPLES)
    assert found.real == pytest.approx(fundamental_factor("square"), rel=TOLERANCE)


def test_the_component_of_a_sine_is_its_amplitude() -> None:
    phases = 2.0 * math.pi * np.arange(SAMPLES) / SAMPLES
    assert cosine_component(np.cos(phases)).real == pytest.approx(fundamental_factor("sine"))


@pytest.mark.parametrize("width", WIDTHS)
def test_mean_squares_by_parsevals_theorem(width: int) -> None:
    spectrum = fft.fft(pulse_period(width)) / SAMPLES
    mean_square = float(np.sum(np.abs(spectrum) ** 2))
    assert mean_square == pytest.approx(0.5 * power_ratio("pulses", width / SAMPLES))


def test_an_unknown_waveform_is_a_mistake_of_the_caller() -> None:
    for figure in (fundamental_factor, power_ratio):
        with pytest.raises(ValueError, match="there are sine, square, pulses"):
            figure("saw")


def test_a_square_is_what_pulses_of_half_a_period_are() -> None:
    assert fundamental_factor("pulses", 0.5) == pytest.approx(fundamental_factor("square"))
    assert power_ratio("pulses", 0.5) == power_ratio("square") == 2.0 * power_ratio("sine")
