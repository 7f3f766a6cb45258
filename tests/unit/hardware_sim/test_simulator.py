"""The simulated membrane behind the instrument interface."""

from __future__ import annotations

import csv
import json
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
from hardware_sim.simulator import SimulatedMembrane

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


def test_the_source_draws_nothing_from_the_others(tmp_path: Path) -> None:
    """Detector's noise and drift of a seed are the same with it and without."""
    cold = {**RICH, "environment": {"film_sigma_k": 1e-4, "temperature_k": 0.0}}
    plain = started(**cold)
    more = started(**cold, source={"coupling_hz": 1e-12, "coherence_s": 1.0})
    np.testing.assert_array_equal(stream(plain, 30), stream(more, 30))
    drifts = [truth_of(each, tmp_path)["lower_hz"] for each in (plain, more)]
    np.testing.assert_array_equal(*drifts)


def test_without_a_sample_there_is_no_next_position() -> None:
    with pytest.raises(InputError, match=r"sample\.shift_hz"):
        silent().next_position()


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
