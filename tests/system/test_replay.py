"""A driven pair of the simulated membrane, recorded with a gap, replays to the truth.

The modes are driven by the engine on the simulator without a pump; what the
detector saw is written as a recording and followed through the command line.
Witness: the simulator's truth.
"""

from __future__ import annotations

import csv
import json
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from controller.cli import main
from controller.engine import Engine
from controller.instrument import SampleBlock, StreamTimeout
from controller.runtime.instruments.recording import write_recording
from controller.settings import Configuration
from hardware_sim.simulator import SimulatedMembrane

SCENARIO = Path(__file__).resolve().parents[2] / "hardware_sim" / "scenarios" / "quiet_room.toml"
FROM_S, TO_S = 15.0, 55.0  # the drives have rung both modes up
GAP_S = (32.0, 34.0)
MODES = "1043728,1050372"
RECORDED = ("lower", "upper", "difference")


@pytest.fixture(scope="module")
def replayed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with the recording's truth and the replay of it."""
    folder = tmp_path_factory.mktemp("driven")
    table = tomllib.loads(SCENARIO.read_text(encoding="utf-8"))
    table["pump"]["amplitude"] = 0.0
    configuration = Configuration.model_validate(table)
    simulator = SimulatedMembrane(**configuration.instrument.options)
    recording = write_recording(
        folder / "driven", simulator.stream, _driven(configuration, simulator)
    )
    simulator.write_truth(folder)
    assert main(["replay", str(recording), "--modes", MODES, "--out", str(folder / "run")]) == 0
    return folder


def _driven(configuration: Configuration, simulator: SimulatedMembrane) -> Iterator[SampleBlock]:
    """Blocks of the driven membrane, counted from FROM_S, without those of the gap."""
    rate_hz = simulator.stream.sample_rate_hz
    engine = Engine(configuration, simulator.stream, simulator.tones)
    simulator.start()
    time_s = 0.0
    while time_s < TO_S:
        try:
            block = simulator.read(1.0)
        except StreamTimeout:
            continue
        for tone in engine.step(block).tones:
            engine.tone_set(tone, simulator.set_tone(tone))
        if time_s >= FROM_S and not GAP_S[0] <= time_s < GAP_S[1]:
            yield replace(block, first_sample=block.first_sample - round(FROM_S * rate_hz))
        time_s = (block.first_sample + len(block.samples)) / rate_hz


def columns(path: Path) -> dict[str, np.ndarray]:
    """A table as columns of text."""
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return {name: np.array([row[name] for row in rows]) for name in rows[0]}


def truth_at(folder: Path, times_s: np.ndarray) -> dict[str, np.ndarray]:
    """True frequencies at times of the recording [Hz]."""
    truth = {name: values.astype(float) for name, values in columns(folder / "truth.csv").items()}
    return {
        name: np.interp(times_s + FROM_S, truth["time_s"], truth[f"{name}_hz"]) for name in RECORDED
    }


def test_every_locked_row_is_as_certain_as_stated(replayed: Path) -> None:
    tracks = columns(replayed / "run" / "tracks.csv")
    is_locked = (tracks["lower_state"] == "locked") & (tracks["upper_state"] == "locked")
    assert is_locked.mean() > 0.85  # all but pulling in, and what is held after the gap
    is_known = is_locked & (tracks["difference_hz"] != "")
    assert is_known.sum() >= is_locked.sum() - 1  # the row of the lock may stand just before it
    times_s = tracks["time_s"][is_known].astype(float)
    true_hz = truth_at(replayed, times_s)
    for name in RECORDED:
        errors_hz = tracks[f"{name}_hz"][is_known].astype(float) - true_hz[name]
        normalised = errors_hz / tracks[f"{name}_sigma_hz"][is_known].astype(float)
        squares = np.square(normalised)
        print(name, np.sqrt(np.mean(errors_hz**2)), np.mean(squares), np.max(squares))
        # Some twenty independent errors, by the loop's memory of a second or two.
        assert np.mean(squares) < 2.5
        assert np.max(squares) < 5.0**2


def test_the_means_are_within_their_sigmas(replayed: Path) -> None:
    summary = json.loads((replayed / "run" / "summary.json").read_text(encoding="utf-8"))
    lines = summary["results"]["lines"]
    true_hz = truth_at(replayed, np.arange(1.0, TO_S - FROM_S - 1.0, 0.1))
    for name in RECORDED:
        off_hz = lines[name]["frequency_hz"] - np.mean(true_hz[name])
        print(name, off_hz, lines[name]["frequency_hz_sigma"])
        assert abs(off_hz) < 3.0 * lines[name]["frequency_hz_sigma"]
    assert summary["difference"]["frequency_hz"] == lines["difference"]["frequency_hz"]


def test_the_gap_is_in_the_log_and_no_row_claims_a_measurement_in_it(replayed: Path) -> None:
    tracks = columns(replayed / "run" / "tracks.csv")
    times_s = tracks["time_s"].astype(float)
    in_gap = (times_s > GAP_S[0] - FROM_S + 0.1) & (times_s < GAP_S[1] - FROM_S)
    assert not np.any(tracks["lower_state"][in_gap] == "locked")
    assert np.any(times_s > GAP_S[1] - FROM_S + 5.0)
    assert "100000 samples lost" in (replayed / "run" / "report.html").read_text(encoding="utf-8")
