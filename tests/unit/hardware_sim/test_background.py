"""What is seen beside the two modes: leaks of the tones, stray lines, neighbours."""

from __future__ import annotations

import math

import numpy as np
import pytest

from controller.instrument import Tone
from tests.unit.hardware_sim.test_simulator import LOWER_HZ, silent, stream


def test_feedthrough_follows_the_drive() -> None:
    membrane = silent(
        lower={"drive_newton_per_unit": 0.0},
        detector={"drive_feedthrough_m_per_unit": (3e-11, 4e-11)},
    )
    membrane.set_tone(Tone("drive_lower", 100, LOWER_HZ, 2.0, phase_rad=0.5))
    samples = stream(membrane, 1)
    times_s = (np.arange(1000) - 100) / 50e3
    expected = 2.0 * (3e-11 + 4e-11j) * np.exp(0.5j + 2j * np.pi * LOWER_HZ * times_s)
    expected *= np.exp(-2j * np.pi * 1.047e6 * np.arange(1000) / 50e3)
    expected[:100] = 0.0
    # 900 samples at 1 MHz: the phase of the reference itself is good to 1e-8.
    np.testing.assert_allclose(samples, expected, atol=1e-16)


def test_pump_feedthrough_is_in_the_raw_stream_alone() -> None:
    detector = {"pump_feedthrough_m_per_v": (1e-9, 0.0)}
    raw = silent(stream={"kind": "raw"}, detector=detector, pump={"latency_samples": 0})
    around = silent(detector=detector, pump={"latency_samples": 0})
    for membrane in (raw, around):
        membrane.set_tone(Tone("pump", 0, 6200.0, 1.0, phase_rad=0.0))
    expected = 1e-9 * np.cos(2.0 * np.pi * 6200.0 * np.arange(100_000) / 5e6)
    np.testing.assert_allclose(stream(raw, 1), expected, atol=0.51 * 2e-8 / 32767)
    assert np.all(stream(around, 1) == 0.0)


@pytest.mark.parametrize("kind", ["raw", "complex"])
def test_pulses_feed_their_harmonics_through_near_the_modes(kind: str) -> None:
    """Of 16.7 kHz: 61 and 63 times that; 16.7 kHz itself is in the raw stream alone."""
    pulse_s, pump_hz = 2e-5, 16.7e3
    membrane = silent(
        stream={"kind": kind, "sample_rate_hz": {"raw": 5e6, "complex": 80e3}[kind]},
        detector={"pump_feedthrough_m_per_v": (1e-8, 0.0)},
        pump={"latency_samples": 0},
    )
    tone = Tone("pump", 0, pump_hz, 1.0, 0.4, waveform="pulses", pulse_s=pulse_s)
    membrane.set_tone(tone)
    found = stream(membrane, 1)
    low_hz, high_hz = membrane.options.band_hz
    times_s = np.arange(len(found)) / membrane.stream.sample_rate_hz
    expected = np.zeros(len(found), complex)
    for order in (1, 61, 63):
        if low_hz < order * pump_hz < high_hz:
            height = 1e-8 * 4.0 / (math.pi * order) * math.sin(math.pi * order * pump_hz * pulse_s)
            turns = (order * pump_hz - membrane.stream.center_hz) * times_s
            expected += height * np.exp(1j * (order * 0.4 + 2.0 * math.pi * turns))
    rounding = 0.51 * 2e-8 / 32767 if kind == "raw" else 1e-15
    wanted = expected.real if kind == "raw" else expected
    np.testing.assert_allclose(found, wanted, atol=rounding)
    assert np.max(np.abs(expected)) > 1e-11


def test_a_stray_line_drifts() -> None:
    line = {"frequency_hz": 1.0471e6, "amplitude_m": 1e-11, "drift_hz_per_s": 40.0}
    membrane = silent(detector={"lines": [line, {"frequency_hz": 2e6, "amplitude_m": 1.0}]})
    samples = stream(membrane, 25)
    times_s = np.arange(len(samples)) / 50e3
    phase = 2.0 * np.pi * (100.0 * times_s + 20.0 * times_s**2)
    # Within a step of h the frequency stands still: pi drift h^2 / 4 at most.
    errors = np.angle(samples * np.exp(-1j * phase))
    assert np.max(np.abs(errors)) < np.pi * 40.0 * 0.02**2 / 4.0 + 1e-5


def test_a_neighbour_answers_the_drive_and_rings_down() -> None:
    neighbour = {"frequency_hz": 1.0441e6, "quality_factor": 1e5, "mass_kg": 1e-11}
    membrane = silent(lower={"drive_newton_per_unit": 0.0}, detector={"neighbours": [neighbour]})
    membrane.set_tone(Tone("drive_lower", 0, 1.0441e6, 1.0))
    membrane.set_tone(Tone("drive_lower", 50_000, 1.0441e6, 0.0))
    samples = stream(membrane, 60)
    omega = 2.0 * math.pi * 1.0441e6
    steady_m = 5e-14 * 1e5 / (1e-11 * omega**2)
    assert abs(samples[49_999]) == pytest.approx(steady_m, rel=1e-5)
    fallen = math.exp(-omega / 2e5 * 0.1)
    assert abs(samples[55_000]) == pytest.approx(steady_m * fallen, rel=1e-4)
