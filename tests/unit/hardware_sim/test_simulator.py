"""The simulated membrane behind the instrument interface."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from controller.errors import (
    InputError,
    InstrumentFault,
    StreamEnded,
    StreamTimeout,
    ToneRefused,
)
from controller.instrument import Instrument, SampleBlock, Tone
from hardware_sim.simulator import Pacer, SimulatedMembrane

LOWER_HZ, UPPER_HZ = 1.0437e6, 1.0499e6
SILENT: dict[str, Any] = {
    "lower": {"walk_hz_per_root_s": 0.0, "start_amplitude_m": 0.0},
    "upper": {"walk_hz_per_root_s": 0.0, "start_amplitude_m": 0.0},
    "environment": {"temperature_k": 0.0, "room_sigma_k": 0.0},
    "detector": {"noise_m_per_root_hz": 0.0},
}


def started(**options: Any) -> SimulatedMembrane:
    membrane = SimulatedMembrane(**options)
    membrane.start()
    return membrane


def silent(**changes: Any) -> SimulatedMembrane:
    """No temperature, no noise, no motion; tables are merged into the options."""
    merged = {key: {**SILENT.get(key, {}), **table} for key, table in changes.items()}
    return started(**{**SILENT, **merged})


def stream(membrane: SimulatedMembrane, blocks: int) -> np.ndarray:
    """Blocks in a row [m]."""
    samples = [membrane.read(1.0).samples for _ in range(blocks)]
    return np.concatenate(samples) * membrane.stream.metres_per_unit


def truth_of(membrane: SimulatedMembrane, folder: Path) -> dict[str, np.ndarray]:
    membrane.write_truth(folder)
    with (folder / "truth.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    return {name: np.array([float(row[name]) for row in rows]) for name in rows[0]}


def test_it_is_an_instrument() -> None:
    membrane = SimulatedMembrane()
    assert isinstance(membrane, Instrument)
    assert set(membrane.tones) == {"drive_lower", "drive_upper", "pump"}
    assert membrane.stream.dtype == "complex64"
    assert not membrane.paced


def test_a_bad_option_is_refused() -> None:
    with pytest.raises(InputError, match=r"instrument\.options\.colour"):
        SimulatedMembrane(colour="red")


@pytest.mark.parametrize("kind", ["complex", "raw"])
def test_blocks_follow_each_other(kind: str) -> None:
    membrane = started(stream={"kind": kind})
    expected = 0
    for _ in range(3):
        block = membrane.read(1.0)
        assert block.first_sample == expected
        assert block.samples.dtype == membrane.stream.dtype
        expected += len(block.samples)


def test_the_stream_ends_after_its_duration() -> None:
    membrane = started(duration_s=0.05)
    assert [len(membrane.read(1.0).samples) for _ in range(3)] == [1000, 1000, 500]
    with pytest.raises(StreamEnded):
        membrane.read(1.0)


def test_reading_needs_a_start() -> None:
    with pytest.raises(InstrumentFault, match="not started"):
        SimulatedMembrane().read(1.0)


def tuned(membrane: SimulatedMembrane, blocks: int) -> list[SampleBlock]:
    """Blocks of a run that sets all three tones now and then."""
    found = []
    for index in range(blocks):
        found.append(membrane.read(1.0))
        if index % 5 == 0:
            membrane.set_tone(Tone("drive_lower", 0, LOWER_HZ + index, 1.0, ramp_s=0.005))
            membrane.set_tone(Tone("drive_upper", 0, UPPER_HZ, 0.5, phase_rad=0.1))
            membrane.set_tone(Tone("pump", 0, UPPER_HZ - LOWER_HZ, 0.5, ramp_s=0.003))
    return found


RICH: dict[str, Any] = {
    "environment": {"film_sigma_k": 1e-4},
    "pump": {"shares_clock": False, "keeps_phase": False, "clock_error_ppm": 1.0},
    "detector": {
        "gain_sigma": 0.1,
        "drive_feedthrough_m_per_unit": (1e-11, 2e-11),
        "lines": [{"frequency_hz": 1.0431e6, "amplitude_m": 1e-12}],
        "neighbours": [{"frequency_hz": 1.0441e6}],
    },
}


def test_one_seed_gives_the_same_blocks_bit_for_bit() -> None:
    first, second = tuned(started(**RICH), 30), tuned(started(**RICH), 30)
    for one, other in zip(first, second, strict=True):
        assert one.first_sample == other.first_sample
        assert one.samples.tobytes() == other.samples.tobytes()


def test_another_seed_gives_other_blocks() -> None:
    assert not np.array_equal(stream(started(seed=1), 1), stream(started(seed=2), 1))


def test_the_drift_depends_neither_on_blocks_nor_on_tones(tmp_path: Path) -> None:
    runs = []
    for block_s, blocks in ((0.02, 200), (0.032, 125)):
        membrane = started(block_s=block_s)
        (tuned if block_s == 0.02 else stream)(membrane, blocks)
        runs.append(truth_of(membrane, tmp_path))
    assert len(runs[0]["time_s"]) == 41
    np.testing.assert_array_equal(runs[0]["lower_hz"], runs[1]["lower_hz"])
    np.testing.assert_array_equal(runs[0]["upper_hz"], runs[1]["upper_hz"])


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


def test_without_a_sample_there_is_no_next_position() -> None:
    with pytest.raises(InputError, match=r"sample\.shift_hz"):
        silent().next_position()


def test_the_source_draws_nothing_from_the_others(tmp_path: Path) -> None:
    """Detector's noise and drift of a seed are the same with it and without."""
    cold = {**RICH, "environment": {"film_sigma_k": 1e-4, "temperature_k": 0.0}}
    plain = started(**cold)
    more = started(**cold, source={"coupling_hz": 1e-12, "coherence_s": 1.0})
    np.testing.assert_array_equal(stream(plain, 30), stream(more, 30))
    drifts = [truth_of(each, tmp_path)["lower_hz"] for each in (plain, more)]
    np.testing.assert_array_equal(*drifts)


def test_truth_names_its_constants(tmp_path: Path) -> None:
    membrane = started(seed=5, environment={"film_sigma_k": 1e-4})
    membrane.write_truth(tmp_path)
    found = json.loads((tmp_path / "truth.json").read_text())
    assert found["seed"] == 5
    assert found["temperature_k"] == 295.0
    assert found["detector_noise_m_per_root_hz"] == 5e-15
    assert found["modes"]["upper"]["frequency_hz"] == UPPER_HZ
    room, film = found["shared_drifts"]
    assert (room["name"], film["name"]) == ("room", "film")
    assert room["lower_hz_per_k"] == pytest.approx(LOWER_HZ * 1e-4)
    assert film["upper_hz_per_k"] == pytest.approx(UPPER_HZ * -3e-4)
    assert found["source"]["coupling_hz"] == 0.0
    assert found["sample"]["shift_hz"] == found["sample"]["moves"] == []


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


# Tones through the instrument


def test_an_unknown_channel_is_refused() -> None:
    with pytest.raises(ToneRefused, match="drive_middle"):
        started().set_tone(Tone("drive_middle", 0, LOWER_HZ, 1.0))


def test_a_late_tone_starts_at_the_end_of_the_last_block_plus_latency() -> None:
    membrane = started()
    membrane.read(1.0)
    membrane.read(1.0)
    assert membrane.set_tone(Tone("pump", 0, 6200.0, 0.5)).at_sample == 2100


def test_stop_silences_every_tone_and_may_be_called_twice(tmp_path: Path) -> None:
    membrane = silent()
    membrane.set_tone(Tone("pump", 0, 6200.0, 0.5))
    membrane.set_tone(Tone("pump", 90_000, 6200.0, 0.7))
    stream(membrane, 10)
    membrane.stop()
    membrane.stop()
    membrane.start()
    stream(membrane, 100)
    found = truth_of(membrane, tmp_path)["pump_amplitude"]
    assert np.all(found[1:3] == 0.5)  # the row of the very moment is from before
    assert np.all(found[3:] == 0.0)


# Faults


def test_lost_samples_are_a_jump_of_the_index() -> None:
    whole = silent(lower={"start_amplitude_m": 1e-9})
    gappy = silent(
        lower={"start_amplitude_m": 1e-9},
        faults={"lost": [{"at_s": 0.05, "duration_s": 0.13}]},
    )
    expected = stream(whole, 20)
    blocks = [gappy.read(1.0) for _ in range(5)]
    starts = [block.first_sample for block in blocks]
    assert starts == [0, 1000, 9000, 10_000, 11_000]
    for block in blocks:  # time went on in the gap
        found = block.samples * gappy.stream.metres_per_unit
        wanted = expected[block.first_sample : block.first_sample + 1000]
        np.testing.assert_allclose(found, wanted, atol=1e-15)


def test_an_overload_stands_at_full_scale_and_is_flagged() -> None:
    membrane = started(faults={"overload": [{"at_s": 0.03, "duration_s": 0.005}]})
    blocks = [membrane.read(1.0) for _ in range(3)]
    assert [block.overload for block in blocks] == [False, True, False]
    assert np.all(blocks[1].samples.real[500:750] == membrane.stream.full_scale)
    assert np.all(np.abs(blocks[1].samples.real[:500]) < membrane.stream.full_scale)


def test_a_large_signal_overloads_by_itself() -> None:
    membrane = silent(lower={"start_amplitude_m": 3e-8})
    block = membrane.read(1.0)
    assert block.overload
    assert np.max(block.samples.real) == membrane.stream.full_scale


def test_nan_where_it_was_asked_for() -> None:
    membrane = started(faults={"nan": [{"at_s": 0.03, "duration_s": 0.005}]})
    membrane.read(1.0)
    assert list(np.flatnonzero(np.isnan(membrane.read(1.0).samples))) == list(range(500, 750))


def test_a_frozen_stream_repeats_the_block_before() -> None:
    membrane = started(faults={"frozen": [{"at_s": 0.04, "duration_s": 0.04}]})
    blocks = [membrane.read(1.0) for _ in range(5)]
    assert [block.first_sample for block in blocks] == [0, 1000, 2000, 3000, 4000]
    same = [np.array_equal(blocks[1].samples, block.samples) for block in blocks]
    assert same == [False, True, True, True, False]


def test_a_timeout_loses_nothing() -> None:
    membrane = started(faults={"timeouts": [1]})
    membrane.read(1.0)
    with pytest.raises(StreamTimeout):
        membrane.read(1.0)
    assert membrane.read(1.0).first_sample == 1000


def test_a_fault_is_final() -> None:
    membrane = started(faults={"fault_at_s": 0.03})
    membrane.read(1.0)
    membrane.read(1.0)
    for _ in range(2):
        with pytest.raises(InstrumentFault):
            membrane.read(1.0)


def test_a_mode_dies_at_its_sample_and_lives_on_unseen(tmp_path: Path) -> None:
    membrane = silent(
        lower={"start_amplitude_m": 1e-9}, faults={"mode_dies": [{"mode": "lower", "at_s": 0.03}]}
    )
    samples = stream(membrane, 10)
    assert np.all(np.abs(samples[:1500]) > 0.9e-9)
    assert np.all(samples[1500:] == 0.0)
    assert truth_of(membrane, tmp_path)["lower_amplitude_m"][-1] > 0.9e-9


def test_a_jump_of_frequency(tmp_path: Path) -> None:
    membrane = silent(
        lower={"start_amplitude_m": 1e-9},
        faults={"jumps": [{"mode": "lower", "at_s": 0.103, "hz": 2.5}]},
    )
    samples = stream(membrane, 20)
    times_s = np.arange(len(samples)) / 50e3
    turns = (LOWER_HZ - 1.047e6) * times_s + 2.5 * np.maximum(times_s - 0.103, 0.0)
    assert np.max(np.abs(np.angle(samples * np.exp(-2j * np.pi * turns)))) < 1e-5
    found = truth_of(membrane, tmp_path)["lower_hz"]
    np.testing.assert_allclose(found - LOWER_HZ, [0.0, 0.0, 2.5, 2.5, 2.5], atol=1e-9)


def test_a_fringe_flip_turns_the_motion_over() -> None:
    membrane = silent(lower={"start_amplitude_m": 1e-9}, detector={"gain_flips_at_s": [0.013]})
    plain = silent(lower={"start_amplitude_m": 1e-9})
    flipped, straight = stream(membrane, 1), stream(plain, 1)
    np.testing.assert_allclose(flipped[:650], straight[:650], atol=1e-15)
    np.testing.assert_allclose(flipped[650:], -straight[650:], atol=1e-15)


# Pacing


def test_pacing_waits_for_the_clock() -> None:
    now_s, slept_s = [100.0], []

    def sleep(seconds: float) -> None:
        slept_s.append(seconds)
        now_s[0] += seconds

    pacer = Pacer(lambda: now_s[0], sleep)
    assert pacer.wait(0.02, 1.0)
    now_s[0] += 0.05  # the loop was busy
    assert pacer.wait(0.04, 1.0)
    assert pacer.wait(0.10, 1.0)
    assert slept_s == pytest.approx([0.02, 0.03])
    assert not pacer.wait(0.5, 0.1)  # not due within the timeout
    assert slept_s[-1] == pytest.approx(0.1)
