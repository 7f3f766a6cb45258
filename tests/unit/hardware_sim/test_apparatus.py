"""What tones, pump and tip do to the modes, and what is seen of it."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from controller.instrument import Tone
from hardware_sim.simulator import SimulatedMembrane
from tests.unit.hardware_sim.test_simulator import (
    LOWER_HZ,
    UPPER_HZ,
    silent,
    started,
    stream,
    truth_of,
)


@pytest.mark.parametrize("pump_v", [0.0, 1.0])
def test_the_waveform_has_no_jumps(pump_v: float) -> None:
    """Across steps, blocks, ramps and kicks: the envelope moves by what moves it."""
    membrane = started(
        lower={"start_amplitude_m": 1e-9},
        upper={"start_amplitude_m": 0.0},
        detector={"noise_m_per_root_hz": 0.0, "gain_sigma": 0.05, "gain_time_s": 1.0},
        environment={"temperature_k": 3e5},
        pump={"coupling_hz_per_v": 1.0},
    )
    membrane.read(1.0)
    membrane.set_tone(Tone("pump", 0, UPPER_HZ - LOWER_HZ, pump_v, ramp_s=0.01))
    membrane.set_tone(Tone("drive_upper", 1777, UPPER_HZ, 5.0, ramp_s=0.013))
    samples = stream(membrane, 6)
    # Both lines removed by one short filter: 1 + z^-1 at each line's frequency.
    for line_hz in (LOWER_HZ, UPPER_HZ):
        turn = np.exp(2j * np.pi * (line_hz - 1.047e6) / 50e3)
        samples = samples[1:] - turn * samples[:-1]
    # A jump of one part in a thousand of 1 nm would leave 1e-12 m and more.
    assert np.max(np.abs(samples)) < 2e-13


def test_a_drive_on_resonance_rings_the_mode_up() -> None:
    """a = F Q / (m w^2) (1 - e^{-t/tau}), 90 degrees behind the force."""
    membrane = silent(lower={"quality_factor": 1e6})
    membrane.set_tone(Tone("drive_lower", 0, LOWER_HZ, 2.0, phase_rad=0.3))
    samples = stream(membrane, 50)
    start, rate_hz = 100, 50e3
    times_s = (np.arange(len(samples)) - start) / rate_hz
    omega = 2.0 * math.pi * LOWER_HZ
    steady_m = 2.0 * 5e-14 * 1e6 / (1.2e-11 * omega**2)
    risen = -np.expm1(-omega / 2e6 * np.maximum(times_s, 0.0))
    # A drive set for sample 0 and started late has the phase it would have had.
    carrier = np.exp(2j * np.pi * (LOWER_HZ - 1.047e6) * np.arange(len(samples)) / rate_hz)
    expected = -1j * steady_m * np.exp(0.3j) * risen * carrier
    np.testing.assert_allclose(samples, expected, atol=1e-6 * steady_m)


def test_a_tone_far_away_pushes_the_mode_that_it_is_nearer_to(tmp_path: Path) -> None:
    membrane = silent()
    membrane.set_tone(Tone("drive_lower", 0, UPPER_HZ, 10.0))
    stream(membrane, 50)
    found = truth_of(membrane, tmp_path)
    assert found["lower_amplitude_m"][-1] == 0.0
    assert found["upper_amplitude_m"][-1] > 1e-10


def test_the_pump_exchanges_the_modes_and_shifts_them(tmp_path: Path) -> None:
    membrane = silent(
        lower={"start_amplitude_m": 1e-9, "quality_factor": 1e9, "pump_shift_hz_per_v2": 0.04},
        upper={"quality_factor": 1e9, "pump_shift_hz_per_v2": 0.04},
        pump={"coupling_hz_per_v": 2.0, "latency_samples": 0},
    )
    # g / 2 pi = 1 Hz: all is in the upper mode after a quarter of a second.
    membrane.set_tone(Tone("pump", 0, UPPER_HZ - LOWER_HZ, 0.5))
    stream(membrane, 25)
    found = truth_of(membrane, tmp_path)
    assert found["lower_amplitude_m"][0] == 1e-9
    times_s = found["time_s"]
    left = np.exp(-np.pi * LOWER_HZ / 1e9 * times_s)  # the upper's is 0.6 % quicker: 1e-5
    expected = 1e-9 * left * abs(np.cos(2 * np.pi * times_s))
    np.testing.assert_allclose(found["lower_amplitude_m"], expected, atol=2e-5 * 1e-9)
    assert found["pump_amplitude"][-1] == 0.5
    assert found["lower_hz"][-1] - LOWER_HZ == pytest.approx(0.01, abs=1e-9)
    assert found["difference_hz"][-1] == pytest.approx(UPPER_HZ - LOWER_HZ, abs=1e-9)


def test_a_square_pump_couples_by_its_fourier_component(tmp_path: Path) -> None:
    membrane = silent(
        lower={"start_amplitude_m": 1e-9, "quality_factor": 1e10},
        upper={"quality_factor": 1e10},
        pump={"coupling_hz_per_v": 1.0, "latency_samples": 0},
    )
    volts = 0.5 * math.pi / 4.0  # g / 2 pi = 0.5 Hz
    membrane.set_tone(Tone("pump", 0, UPPER_HZ - LOWER_HZ, volts, waveform="square"))
    stream(membrane, 25)  # half a swap: 0.5 s is all of it
    assert truth_of(membrane, tmp_path)["lower_amplitude_m"][-1] < 1e-13


def scanned(**sample: Any) -> SimulatedMembrane:
    """Both modes in motion, a sample of three positions, a coupling that does nothing."""
    return silent(
        lower={"start_amplitude_m": 1e-9, "quality_factor": 1e9},
        upper={"start_amplitude_m": 1e-9, "quality_factor": 1e9},
        pump={"coupling_hz_per_v": 0.0, "latency_samples": 0, "coupling_phase_rad": 0.5},
        sample={
            "shift_hz": (0.1, 0.2, -0.3),
            "background_hz": (1.0, 2.0, 3.0),
            **sample,
        },
    )


def pulses(at_sample: int, amplitude: float, phase_rad: float) -> Tone:
    return Tone(
        *("pump", at_sample, UPPER_HZ - LOWER_HZ, amplitude),
        phase_rad=phase_rad,
        waveform="pulses",
        pulse_s=3e-5,
    )


def test_the_sign_of_the_train_moves_the_difference_of_a_sample(tmp_path: Path) -> None:
    membrane = scanned()
    # Both modes begin with phase 0 and, by the background alone, are apart by a turn
    # after a second; the phases are such that the train couples them in step or against it.
    for start_s, lead_rad in ((0.0, 0.0), (0.4, math.pi), (0.8, 0.0)):
        beat_turns = start_s * (UPPER_HZ - LOWER_HZ) + truth_turns(start_s)
        phase_rad = 2.0 * math.pi * beat_turns - 0.5 + lead_rad
        membrane.set_tone(pulses(round(start_s * 50e3), 0.5, phase_rad))
        stream(membrane, 10)
        membrane.set_tone(pulses(0, 0.0, 0.0))
        stream(membrane, 10)
    found = truth_of(membrane, tmp_path)
    shifts_hz = found["difference_hz"] - (UPPER_HZ - LOWER_HZ)
    expected = [1.0, 1.1, 1.1, 1.0, 1.0, 0.9, 0.9, 1.0, 1.0, 1.1, 1.1, 1.0, 1.0]
    np.testing.assert_allclose(shifts_hz, expected, atol=1e-9)
    np.testing.assert_allclose(found["upper_hz"] - UPPER_HZ, shifts_hz / 2.0, atol=1e-9)


def truth_turns(time_s: float) -> float:
    """By how much a beat is ahead of the frames after trains of 0.2 s in each 0.4 s."""
    return {0.0: 0.0, 0.4: 0.42, 0.8: 0.80}[time_s]


def test_a_scan_moves_the_background_and_the_truth_tells_when(tmp_path: Path) -> None:
    membrane = scanned(dwell_s=0.13)
    stream(membrane, 25)
    found = truth_of(membrane, tmp_path)
    shifts_hz = found["difference_hz"] - (UPPER_HZ - LOWER_HZ)
    np.testing.assert_allclose(shifts_hz, [1.0, 1.0, 2.0, 3.0, 1.0, 1.0], atol=1e-9)
    device = json.loads((tmp_path / "truth.json").read_text())
    assert device["sample"]["moves"] == [[0.0, 0], [0.13, 1], [0.26, 2], [0.39, 0]]
    assert device["sample"]["shift_hz"] == [0.1, 0.2, -0.3]
    # The beat turns by 1 Hz, 2 Hz and 3 Hz for 0.13 s each, then 1 Hz: exactly so, at
    # each sample of the move.
    samples = stream(scanned(dwell_s=0.13), 25)
    turns = np.interp(
        np.arange(25_000) / 50e3, [0.0, 0.13, 0.26, 0.39, 0.5], [0.0, 0.13, 0.39, 0.78, 0.89]
    )
    times_s = np.arange(25_000) / 50e3
    lower = np.exp(2j * np.pi * ((LOWER_HZ - 1.047e6) * times_s - turns / 2.0))
    upper = np.exp(2j * np.pi * ((UPPER_HZ - 1.047e6) * times_s + turns / 2.0))
    left = math.pi * UPPER_HZ / 1e9 * 0.5  # of the amplitudes, by damping
    np.testing.assert_allclose(samples, 1e-9 * (lower + upper), atol=2.5e-9 * left)


def test_a_script_moves_the_tip_over_the_sample(tmp_path: Path) -> None:
    membrane = scanned()
    stream(membrane, 10)
    membrane.next_position()
    stream(membrane, 10)
    shifts_hz = truth_of(membrane, tmp_path)["difference_hz"] - (UPPER_HZ - LOWER_HZ)
    np.testing.assert_allclose(shifts_hz, [1.0, 1.0, 1.0, 2.0, 2.0], atol=1e-9)
