"""The files that a run leaves, made from its log alone."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from controller.errors import InputError
from controller.runtime.log.writer import LogWriter
from controller.runtime.outputs import write_outputs, write_report
from tests.support.sample_log import PUMP, STREAM, SampleRun, write_log, write_truth

RUN = SampleRun(duration_s=40.0)


def test_summary_tracks_and_report_come_from_log_and_truth(tmp_path: Path) -> None:
    write_log(tmp_path / "log.sqlite", RUN)
    write_truth(tmp_path, RUN)
    summary = write_outputs(tmp_path, tmp_path / "log.sqlite")
    assert json.loads((tmp_path / "summary.json").read_text(encoding="utf-8")) == summary
    assert summary["truth"]["difference_rms_error_hz"] > 0.0
    assert (tmp_path / "tracks.csv").read_text(encoding="utf-8").count("\n") == 401
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "Sample run" in page
    assert "difference − truth" in page
    assert "pump tone − truth" in page
    assert "difference, predicted" in page
    names = {path.name for path in tmp_path.iterdir()}
    assert names == {
        "log.sqlite",
        "truth.csv",
        "truth.json",
        "summary.json",
        "tracks.csv",
        "report.html",
    }


def test_made_again_the_files_are_the_same(tmp_path: Path) -> None:
    write_log(tmp_path / "log.sqlite", RUN)
    texts = []
    for _ in range(2):
        write_outputs(tmp_path, tmp_path / "log.sqlite")
        texts.append(
            [
                (tmp_path / name).read_bytes()
                for name in ("summary.json", "tracks.csv", "report.html")
            ]
        )
    assert texts[0] == texts[1]


def test_a_log_without_a_single_record_has_outputs(tmp_path: Path) -> None:
    LogWriter(tmp_path / "log.sqlite", settings="{}", stream=STREAM, tones={"pump": PUMP}).close(
        "failed", "the stream never came"
    )
    summary = write_outputs(tmp_path, tmp_path / "log.sqlite")
    assert (summary["outcome"], summary["reason"]) == ("failed", "the stream never came")
    assert "the stream never came" in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_the_report_goes_beside_the_log_unless_told_otherwise(tmp_path: Path) -> None:
    write_log(tmp_path / "log.sqlite", RUN)
    assert write_report(tmp_path / "log.sqlite") == tmp_path / "report.html"
    assert write_report(tmp_path / "log.sqlite", tmp_path / "other.html").is_file()


def test_a_page_that_cannot_be_written_is_one_line(tmp_path: Path) -> None:
    write_log(tmp_path / "log.sqlite", SampleRun(duration_s=2.0))
    with pytest.raises(InputError, match=r"nowhere.*cannot be written"):
        write_report(tmp_path / "log.sqlite", tmp_path / "nowhere" / "report.html")
