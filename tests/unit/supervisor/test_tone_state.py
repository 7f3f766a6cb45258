"""The state of a tone: what the commands say that an output does."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.instrument import Tone
from controller.supervisor.tone_state import ToneState

RATE_HZ = 50_000.0


def tone(at: int, hz: float, amplitude: float = 1.0, phase_rad: float | None = None) -> Tone:
    return Tone("pump", at, hz, amplitude, phase_rad)


def test_a_new_state_is_silent() -> None:
    state = ToneState(RATE_HZ)
    assert state.amplitude == 0.0 and state.amplitude_at(10.0) == 0.0


def test_phase_runs_from_the_commanded_one() -> None:
    state = ToneState(RATE_HZ)
    state.process(tone(1000, 6000.0, 0.5, math.pi / 2))
    assert state.turns_at(1000) == pytest.approx(0.25)
    assert state.turns_at(1025) == pytest.approx(0.25 + 6000.0 * 25 / RATE_HZ)
    assert (state.amplitude_at(999), state.amplitude_at(1000)) == (0.0, 0.5)


def test_a_newer_command_cancels_what_would_start_at_or_after_it() -> None:
    state = ToneState(RATE_HZ)
    state.process(tone(0, 6000.0, 0.5, 0.0))
    state.process(tone(500, 6001.0, 0.7))
    state.process(tone(500, 6002.0, 0.0))
    assert state.amplitude_at(1e6) == 0.0
    assert state.frequency_at(499) == 6000.0


def test_a_pending_command_is_not_in_effect_yet() -> None:
    state = ToneState(RATE_HZ)
    state.process(tone(0, 6000.0, 0.5, 0.0))
    state.process(tone(500, 6001.0, 0.7))
    assert state.amplitude_at(499) == 0.5 and state.frequency_at(499) == 6000.0


def test_phasors_are_amplitude_and_phase_in_the_frame() -> None:
    state = ToneState(RATE_HZ)
    state.process(tone(0, 6000.0, 0.5, 0.3))
    state.process(tone(52, 6003.0, 2.0))
    indices = np.arange(40.0, 60.0, 2.5)
    frame = 6001.0 * indices / RATE_HZ
    expected = [
        state.amplitude_at(i) * np.exp(2j * np.pi * (state.turns_at(i) - f))
        for i, f in zip(indices, frame, strict=True)
    ]
    np.testing.assert_allclose(state.phasors(indices, frame), expected, atol=1e-12)


def chirped(at: int, hz: float, hz_per_s: float, phase_rad: float | None = None) -> Tone:
    return Tone("pump", at, hz, 1.0, phase_rad, hz_per_s)


def test_a_chirp_moves_frequency_and_phase() -> None:
    """phase(t) = phase + 2 pi (f t + chirp t^2 / 2), as `controller.instrument` has it."""
    state = ToneState(RATE_HZ)
    state.process(chirped(1000, 6000.0, 4.0, 0.5))
    t = 30_000 / RATE_HZ
    assert state.frequency_at(31_000) == 6000.0 + 4.0 * t
    expected = 0.5 / (2.0 * math.pi) + 6000.0 * t + 2.0 * t * t
    assert state.turns_at(31_000) == pytest.approx(expected, abs=1e-9)
    assert state.frequency_hz == 6000.0  # as it was set


def test_after_a_chirp_the_phase_goes_on() -> None:
    state = ToneState(RATE_HZ)
    state.process(chirped(0, 6000.0, 4.0, 0.0))
    before = state.turns_at(50_000)
    state.process(tone(50_000, 6004.0))
    assert state.turns_at(50_000) == pytest.approx(before % 1.0, abs=1e-9)
    assert state.frequency_at(60_000) == 6004.0


def test_phasors_follow_a_chirp() -> None:
    state = ToneState(RATE_HZ)
    state.process(chirped(0, 6000.0, 50.0, 0.3))
    state.process(chirped(2000, 6002.0, -50.0))
    indices = np.linspace(1000.0, 3000.0, 9)
    frame = 6001.0 * indices / RATE_HZ
    expected = [
        np.exp(2j * np.pi * (state.turns_at(i) - f)) for i, f in zip(indices, frame, strict=True)
    ]
    np.testing.assert_allclose(state.phasors(indices, frame), expected, atol=1e-12)


def shape(waveform: str, pulse_s: float, hz: float) -> np.ndarray:
    """One period of a waveform by its definition, finely sampled."""
    turns = (np.arange(200_000) + 0.5) / 200_000
    if waveform == "square":
        return np.where(np.cos(2.0 * np.pi * turns) > 0.0, 1.0, -1.0)
    half = 0.5 * pulse_s * hz
    near = np.abs((turns + 0.5) % 1.0 - 0.5) < half
    opposite = np.abs(turns - 0.5) < half
    return near.astype(float) - opposite


@pytest.mark.parametrize(("waveform", "pulse_s"), [("square", 0.0), ("pulses", 3.2e-5)])
def test_what_couples_and_what_shifts_follow_from_the_waveform(
    waveform: str, pulse_s: float
) -> None:
    """By the definition: the Fourier component at phase 0, and twice the mean square."""
    hz, amplitude = 6600.0, 0.4
    state = ToneState(RATE_HZ)
    state.process(Tone("pump", 10, hz, amplitude, waveform=waveform, pulse_s=pulse_s))
    values = amplitude * shape(waveform, pulse_s, hz)
    turns = (np.arange(len(values)) + 0.5) / len(values)
    fundamental = 2.0 * np.mean(values * np.cos(2.0 * np.pi * turns))
    # Two edges each half a sample off, of 200 000.
    assert state.fundamental_at(20) == pytest.approx(fundamental, abs=1e-5)
    assert state.squared_at(20) == pytest.approx(2.0 * np.mean(values**2), abs=1e-5)
    assert (state.fundamental_at(9), state.squared_at(9)) == (0.0, 0.0)
    assert state.amplitude_at(20) == amplitude


def test_a_sine_couples_and_shifts_with_its_amplitude() -> None:
    state = ToneState(RATE_HZ)
    state.process(tone(0, 6600.0, 0.4))
    assert state.fundamental_at(5) == 0.4
    assert state.squared_at(5) == pytest.approx(0.16)


def test_copy_is_independent_and_reset_is_new() -> None:
    state = ToneState(RATE_HZ)
    state.process(tone(0, 6000.0, 0.5, 0.0))
    other = state.copy()
    state.process(tone(10, 6000.0, 0.0))
    assert (state.amplitude, other.amplitude) == (0.0, 0.5)
    assert "6000" in repr(other)
    other.reset()
    assert other.amplitude == 0.0


@settings(derandomize=True, deadline=None)
@given(
    steps=st.lists(
        st.tuples(st.integers(0, 5000), st.floats(100.0, 20_000.0), st.floats(0.0, 2.0)),
        min_size=1,
        max_size=30,
    )
)
def test_phase_is_continuous_where_no_phase_is_commanded(
    steps: list[tuple[int, float, float]],
) -> None:
    state = ToneState(RATE_HZ)
    at = 0
    for gap, hz, amplitude in steps:
        at += gap
        before = state.turns_at(at)
        state.process(tone(at, hz, amplitude))
        # 1e-9 turn: float64 rounding of some thousand turns (2^-52 * 2^12 = 1e-12).
        assert abs((state.turns_at(at) - before + 0.5) % 1.0 - 0.5) < 1e-9
        assert state.amplitude_at(at) == amplitude
