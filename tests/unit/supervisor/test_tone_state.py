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
