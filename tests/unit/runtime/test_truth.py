"""The comparison with a truth: interpolation, errors, coverage, limits."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from controller.errors import InputError
from controller.records import ModeId
from controller.runtime.log.reader import LogReader
from controller.runtime.truth import TRUTH_COLUMNS, TruthComparison, TruthTrack, predicted_allan_hz
from controller.tracking.limits import difference_model, joint_difference_limit_hz
from tests.support.sample_log import SampleRun, write_log, write_truth

RUN = SampleRun(duration_s=120.0)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run with its truth."""
    folder = tmp_path_factory.mktemp("run")
    write_log(folder / "log.sqlite", RUN)
    write_truth(folder, RUN)
    return folder


@pytest.fixture(scope="module")
def section(folder: Path) -> dict:
    """The section `truth` of its summary."""
    with LogReader(folder / "log.sqlite") as reader:
        return TruthComparison(folder).compare(reader)


def test_a_folder_without_a_truth_has_none(tmp_path: Path) -> None:
    assert TruthComparison.found_in(tmp_path) is None


def test_errors_are_those_that_were_put_in(section: dict) -> None:
    # White errors of known sigma: the rms of n of them is known to 1/sqrt(2 n).
    tolerance = 4.0 / math.sqrt(2 * section["compared_records"])
    assert section["compared"] == "pump on"
    assert section["difference_rms_error_hz"] == pytest.approx(RUN.sigma_hz, rel=tolerance)
    assert section["lower_rms_error_hz"] == pytest.approx(3 * RUN.sigma_hz, rel=tolerance)
    assert section["difference_normalised_error"] == pytest.approx(1.0, rel=2 * tolerance)
    # The pump carries the error of the difference and a fifth of it of its own.
    expected_hz = RUN.sigma_hz * math.hypot(1.0, 0.2)
    assert section["pump_rms_error_hz"] == pytest.approx(expected_hz, rel=tolerance)


def test_coverage_is_that_of_a_normal_distribution(section: dict) -> None:
    for name, expected in (("difference_coverage_68", 0.6827), ("difference_coverage_95", 0.95)):
        tolerance = 4.0 * math.sqrt(expected * (1 - expected) / section["compared_records"])
        assert section[name] == pytest.approx(expected, abs=tolerance)


def test_the_limit_is_that_of_the_true_device(folder: Path, section: dict) -> None:
    device = json.loads((folder / "truth.json").read_text())
    model = difference_model(device, dict.fromkeys(ModeId, 1e-9), 0.01)
    assert section["difference_limit_hz"] == pytest.approx(joint_difference_limit_hz(model))
    assert section["difference_independent_limit_hz"] > section["difference_limit_hz"]
    assert section["difference_error_over_limit"] == pytest.approx(
        section["difference_rms_error_hz"] / section["difference_limit_hz"]
    )


def test_without_a_pump_locked_records_are_compared_once_settled(tmp_path: Path) -> None:
    run = SampleRun(duration_s=60.0, lock_after_s=10.0, has_pump=False)
    write_log(tmp_path / "log.sqlite", run)
    write_truth(tmp_path, run)
    with LogReader(tmp_path / "log.sqlite") as reader:
        section = TruthComparison(tmp_path).compare(reader)
    assert section["compared"] == "both modes locked"
    assert section["compared_records"] == 200  # from 10 s + 30 s to 60 s, ten a second
    assert section["pump_rms_error_hz"] is None


def test_a_quiet_detector_has_no_limit(tmp_path: Path) -> None:
    write_log(tmp_path / "log.sqlite", SampleRun(duration_s=30.0))
    write_truth(tmp_path, SampleRun(duration_s=30.0))
    device = json.loads((tmp_path / "truth.json").read_text())
    device["detector_noise_m_per_root_hz"] = 0.0
    (tmp_path / "truth.json").write_text(json.dumps(device))
    with LogReader(tmp_path / "log.sqlite") as reader:
        section = TruthComparison(tmp_path).compare(reader)
    assert section["difference_limit_hz"] is None
    assert section["difference_error_over_limit"] is None


def test_the_truth_is_interpolated_across_the_borders_of_its_pieces() -> None:
    times_s = np.arange(10) / 10
    rows = [
        {name: times_s[piece] * (place + 1) for place, name in enumerate(TRUTH_COLUMNS)}
        for piece in (slice(0, 3), slice(3, 4), slice(4, 10))
    ]
    track = TruthTrack(iter(rows))
    asked = [np.array([-0.1, 0.05, 0.25]), np.array([0.25, 0.35]), np.array([0.85, 0.95])]
    found = np.concatenate([track.at(times)["upper_hz"] for times in asked])
    expected = 3.0 * np.array([np.nan, 0.05, 0.25, 0.25, 0.35, 0.85, np.nan])
    np.testing.assert_allclose(found, expected)


def test_a_truth_without_rows_is_unknown() -> None:
    assert np.isnan(TruthTrack(iter(())).at(np.array([0.0, 1.0]))["lower_hz"]).all()


def test_half_a_row_at_the_end_is_left_out(tmp_path: Path) -> None:
    write_truth(tmp_path, SampleRun(duration_s=1.0))
    with (tmp_path / "truth.csv").open("a") as file:
        file.write("1.0,870213.4,8750")
    [rows] = TruthComparison(tmp_path).rows()
    assert len(rows["time_s"]) == 10


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("truth.csv", "time,lower\n1,2\n"),
        ("truth.csv", ",".join(TRUTH_COLUMNS) + "\n1,2,x,4,5,6,7,8\n"),
        ("truth.csv", ",".join(TRUTH_COLUMNS) + "\n1,2\n"),
        ("truth.json", "{"),
        ("truth.json", "[]"),
    ],
)
def test_a_damaged_truth_is_one_line_with_the_file(tmp_path: Path, name: str, content: str) -> None:
    write_log(tmp_path / "log.sqlite", SampleRun(duration_s=2.0))
    write_truth(tmp_path, SampleRun(duration_s=2.0))
    (tmp_path / name).write_text(content)
    with LogReader(tmp_path / "log.sqlite") as reader, pytest.raises(InputError) as caught:
        TruthComparison(tmp_path).compare(reader)
    assert name in str(caught.value)
    assert "\n" not in str(caught.value)


def test_the_predicted_deviation_has_the_limits_of_a_walk() -> None:
    device = {
        "temperature_k": 0.0,
        "detector_noise_m_per_root_hz": 1e-14,
        "modes": {
            mode: {
                "frequency_hz": 1e6,
                "quality_factor": 1e8,
                "mass_kg": 1e-11,
                "walk_hz_per_root_s": walk,
            }
            for mode, walk in (("lower", 3e-4), ("upper", 4e-4))
        },
        "shared_drifts": [],
    }
    amplitudes = dict.fromkeys(ModeId, 1e-9)
    taus_s = np.array([1.0, 10.0])
    # IEEE Std 1139: random-walk frequency of q Hz^2/s has the Allan variance q tau/3.
    walk_hz = predicted_allan_hz(difference_model(device, amplitudes, 0.01), taus_s)
    np.testing.assert_allclose(walk_hz, 5e-4 * np.sqrt(taus_s / 3.0))
    # An Ornstein-Uhlenbeck drift is a walk of 2 s^2/T at times short against T, and white at
    # times long against it: means over tau then have the variance 2 s^2 T/tau.
    device["shared_drifts"] = [
        {"sigma_k": 1.0, "time_s": 50.0, "lower_hz_per_k": 10.0, "upper_hz_per_k": 10.5}
    ]
    for mode in ModeId:
        device["modes"][mode]["walk_hz_per_root_s"] = 0.0  # type: ignore[index]
    model = difference_model(device, amplitudes, 0.01)
    short_s, long_s = 0.05, 5e4
    found = predicted_allan_hz(model, np.array([short_s, long_s]))
    expected = 0.5 * np.sqrt([2.0 * short_s / 50.0 / 3.0, 2.0 * 50.0 / long_s])
    # The next terms of both expansions are tau/T and T/tau.
    np.testing.assert_allclose(found, expected, rtol=2e-3)
