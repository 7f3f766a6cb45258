"""`tracks.csv`: the header, the digits, the unknown, and equal bytes."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest

from controller.errors import InputError
from controller.records import ModeId, ModeRecord, Record, TrackerState
from controller.runtime.log.export import write_tracks_csv
from controller.runtime.log.reader import LogReader
from controller.runtime.log.writer import LogWriter
from tests.support.sample_log import STREAM, SampleRun, write_log

HEADER = (
    "time_s,lower_hz,lower_sigma_hz,lower_amplitude,lower_state,"
    "upper_hz,upper_sigma_hz,upper_amplitude,upper_state,"
    "difference_hz,difference_sigma_hz,pump_hz,pump_amplitude,pump_state"
)


def exported(log: Path) -> str:
    """The table of a log as text."""
    with LogReader(log) as reader:
        write_tracks_csv(reader, log.with_name("tracks.csv"))
    return log.with_name("tracks.csv").read_text(encoding="utf-8")


def test_header_and_one_row_for_each_record(tmp_path: Path) -> None:
    write_log(tmp_path / "log.sqlite", SampleRun(duration_s=20.0))
    lines = exported(tmp_path / "log.sqlite").split("\n")
    assert lines[0] == HEADER
    assert len(lines) == 1 + 200 + 1
    assert lines[-1] == ""


def test_floats_read_back_to_the_same_bits_and_unknown_is_empty(tmp_path: Path) -> None:
    writer = LogWriter(tmp_path / "log.sqlite", settings="{}", stream=STREAM, tones={})
    known = ModeRecord(
        state=TrackerState.LOCKED, frequency_hz=1.4e6 + 1e-7, frequency_sigma_hz=math.nan
    )
    unknown = ModeRecord(state=TrackerState.LOST, frequency_sigma_hz=math.inf)
    writer.record(
        Record(sample_index=0, time_s=0.1 + 0.2, modes={ModeId.LOWER: known, ModeId.UPPER: unknown})
    )
    writer.close("done")
    [row] = csv.DictReader(exported(tmp_path / "log.sqlite").splitlines())
    assert float(row["time_s"]) == 0.1 + 0.2
    assert row["lower_hz"] == repr(1.4e6 + 1e-7)
    assert row["lower_sigma_hz"] == row["upper_sigma_hz"] == row["upper_hz"] == ""
    assert row["pump_hz"] == row["difference_hz"] == ""
    assert (row["pump_amplitude"], row["pump_state"]) == ("0.0", "off")
    assert (row["lower_state"], row["upper_state"]) == ("locked", "lost")


def test_equal_logs_give_equal_bytes(tmp_path: Path) -> None:
    texts = []
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        write_log(tmp_path / name / "log.sqlite", SampleRun(duration_s=20.0))
        texts.append(exported(tmp_path / name / "log.sqlite"))
    assert texts[0] == texts[1]


def test_a_table_that_cannot_be_written_is_one_line(tmp_path: Path) -> None:
    write_log(tmp_path / "log.sqlite", SampleRun(duration_s=2.0))
    with (
        LogReader(tmp_path / "log.sqlite") as reader,
        pytest.raises(InputError, match="cannot be written"),
    ):
        write_tracks_csv(reader, tmp_path / "nowhere" / "tracks.csv")
