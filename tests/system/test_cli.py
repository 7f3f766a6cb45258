"""The commands from end to end: what they leave, say and return."""

from __future__ import annotations

import csv
import json
import os
import re
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from controller import cli
from tests.rules.sources import ROOT
from tests.rules.test_readme import code_blocks

RUN_FILES = {
    *("summary.json", "tracks.csv", "log.sqlite", "report.html"),
    *("truth.csv", "truth.json"),
}
TRACK_HEADER = (
    "time_s,lower_hz,lower_sigma_hz,lower_amplitude,lower_state,"
    "upper_hz,upper_sigma_hz,upper_amplitude,upper_state,"
    "difference_hz,difference_sigma_hz,pump_hz,pump_amplitude,pump_state"
)


@pytest.fixture(scope="module")
def rehearsal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a minute in the quiet room."""
    folder = tmp_path_factory.mktemp("rehearsal") / "run"
    arguments = ["rehearse", "quiet_room", "--duration-s", "60", "--quiet", "--out", str(folder)]
    assert cli.main(arguments) == 0
    return folder


def test_a_rehearsal_leaves_its_files(rehearsal: Path) -> None:
    assert {path.name for path in rehearsal.iterdir()} == RUN_FILES
    summary = json.loads((rehearsal / "summary.json").read_text())
    assert summary["schema"] == "difftone.summary/1"
    assert [mode["name"] for mode in summary["modes"]] == ["lower", "upper"]
    assert summary["pump"]["on_s"] > 0.0
    assert summary["pump"]["on_outside_interlock_s"] == 0


def test_tracks_have_the_agreed_columns_and_claim_nothing_unknown(rehearsal: Path) -> None:
    with (rehearsal / "tracks.csv").open() as file:
        assert file.readline().strip() == TRACK_HEADER
        rows = list(csv.DictReader(file, TRACK_HEADER.split(",")))
    assert len(rows) > 500
    for row in rows:
        for mode in ("lower", "upper"):
            if row[f"{mode}_state"] in ("locked", "holding"):
                assert float(row[f"{mode}_hz"]) > 0.0
                assert float(row[f"{mode}_sigma_hz"]) > 0.0


def test_one_seed_gives_one_result(rehearsal: Path, tmp_path: Path) -> None:
    arguments = ["rehearse", "--duration-s", "60", "--quiet", "--out"]
    assert cli.main([*arguments, str(tmp_path / "again")]) == 0
    assert cli.main([*arguments, str(tmp_path / "other"), "--seed", "4242"]) == 0
    tracks = (rehearsal / "tracks.csv").read_bytes()
    assert (tmp_path / "again" / "tracks.csv").read_bytes() == tracks
    assert (tmp_path / "other" / "tracks.csv").read_bytes() != tracks


def test_report_and_export_come_from_the_log_alone(
    rehearsal: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = str(rehearsal / "log.sqlite")
    assert cli.main(["export", log, "--to", "csv", "--out", str(tmp_path / "t.csv")]) == 0
    assert (tmp_path / "t.csv").read_bytes() == (rehearsal / "tracks.csv").read_bytes()
    assert cli.main(["report", log, "--out", str(tmp_path / "r.html")]) == 0
    assert (tmp_path / "r.html").read_text().startswith("<!")
    assert capsys.readouterr().out.split() == [str(tmp_path / "t.csv"), str(tmp_path / "r.html")]


def test_design_prints_the_loop(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["design", "quiet_room"]) == 0
    assert "noise bandwidth" in capsys.readouterr().out


def test_the_list_names_every_scenario(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["rehearse", "--list"]) == 0
    listed = [line.split()[0] for line in capsys.readouterr().out.splitlines()]
    assert "quiet_room" in listed and len(listed) >= 6


def test_the_instrument_of_the_readme_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "bench.py").write_text(code_blocks("python")[0])
    (tmp_path / "bench.toml").write_text(code_blocks("toml")[0])
    monkeypatch.setattr(sys, "path", list(sys.path))
    monkeypatch.delitem(sys.modules, "bench", raising=False)
    folder = tmp_path / "run"
    assert cli.main(["run", str(tmp_path / "bench.toml"), "--quiet", "--out", str(folder)]) == 0
    difference = json.loads((folder / "summary.json").read_text())["difference"]
    # The sines of the example stand exactly 62.8 Hz apart; five sigma, so that one run in two
    # million of honest uncertainties would fail.
    assert abs(difference["frequency_hz"] - 62.8) < 5.0 * difference["sigma_hz"]


# --- the operator, and worse ---------------------------------------------


def started(folder: Path, *, until_s: float) -> subprocess.Popen[str]:
    """A rehearsal in real time as a process of its own, once its display has reached a time."""
    process = subprocess.Popen(
        [
            *(sys.executable, "-m", "controller.cli", "rehearse", "quiet_room"),
            *("--paced", "--progress", "--out", str(folder)),
        ],
        cwd=ROOT,
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
        text=True,
    )
    assert process.stderr is not None
    for line in process.stderr:  # the display's returns are line ends to a text stream
        shown = re.match(r" *\d+ % (\d+)/", line)
        if shown and float(shown[1]) >= until_s:
            return process
    raise AssertionError(f"ended too early with status {process.wait()}")


def logged(folder: Path, query: str) -> list[tuple[object, ...]]:
    """Rows of a log."""
    with sqlite3.connect(folder / "log.sqlite") as database:
        return database.execute(query).fetchall()


@pytest.mark.live
def test_ctrl_c_ends_a_run_in_order(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    process = started(folder, until_s=1.0)
    process.send_signal(signal.SIGINT)
    output, _ = process.communicate(timeout=60.0)
    assert process.returncode == 0
    assert "interrupted" in output
    assert {path.name for path in folder.iterdir()} == RUN_FILES
    assert logged(folder, "SELECT outcome, reason FROM run") == [
        ("interrupted", "stopped by the operator")
    ]
    # The last command of each channel is to be silent.
    last = logged(folder, "SELECT set_amplitude FROM tones GROUP BY channel HAVING max(rowid)")
    assert set(last) == {(0.0,)}


@pytest.mark.live
def test_a_killed_run_can_be_read(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    process = started(folder, until_s=3.0)
    process.kill()
    process.communicate(timeout=60.0)
    assert cli.main(["report", str(folder / "log.sqlite")]) == 0
    assert cli.main(["export", str(folder / "log.sqlite"), "--to", "csv"]) == 0
    assert (folder / "report.html").exists()
    assert logged(folder, "SELECT outcome FROM run") == [(None,)]
    assert logged(folder, "SELECT count(*) FROM tones") > [(0,)]
