"""A run that is killed leaves a log that opens and lacks at most a second."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from controller.runtime.log.reader import LogReader
from controller.runtime.outputs import write_outputs
from tests.support.log_kills import killed as killed_writer
from tests.support.sample_log import STREAM, SampleRun, write_log

pytestmark = pytest.mark.live

ROOT = Path(__file__).resolve().parents[2]
NOBODY = 65534  # the user with no rights of its own, by convention

# Writes the sample run and dies without a word where a killed process would.
KILLED = """
import os, signal, sys
from pathlib import Path
from tests.support.sample_log import SampleRun, write_log
write_log(Path(sys.argv[1]), SampleRun(duration_s=30.35), is_closed=False)
os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.fixture(scope="module")
def killed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The log of a process that was killed after 30.3 s of stream."""
    path = tmp_path_factory.mktemp("killed") / "log.sqlite"
    process = subprocess.run([sys.executable, "-c", KILLED, str(path)], cwd=ROOT, check=False)
    assert process.returncode == -signal.SIGKILL
    return path


def test_at_most_the_last_second_is_lost(killed: Path) -> None:
    with LogReader(killed) as reader:
        times_s = reader.columns(["time_s"])["time_s"]
        assert reader.outcome is None
        assert 30.2 - times_s[-1] <= 1.0
        assert len(times_s) == round(times_s[-1] * 10) + 1  # none is missing in between
        assert len(list(reader.tones())) > 0


def test_the_file_is_sound(killed: Path) -> None:
    with sqlite3.connect(killed) as database:
        assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def test_all_outputs_can_be_made(killed: Path) -> None:
    summary = write_outputs(killed.parent, killed)
    assert summary["outcome"] == "unfinished"
    assert summary["modes"][0]["frequency_hz"] is not None
    assert summary["pump"]["on_outside_interlock_s"] == 0.0
    assert "unfinished" in (killed.parent / "report.html").read_text(encoding="utf-8")


def test_what_the_wal_holds_is_read_without_its_shared_index(tmp_path: Path) -> None:
    """As on another machine, to which log and WAL were copied."""
    (tmp_path / "run").mkdir()
    writer = write_log(tmp_path / "run" / "log.sqlite", SampleRun(duration_s=5.0), is_closed=False)
    for name in ("log.sqlite", "log.sqlite-wal"):
        (tmp_path / name).write_bytes((tmp_path / "run" / name).read_bytes())
    with LogReader(tmp_path / "log.sqlite") as reader:
        assert reader.record_count == 41  # committed at 1, 2, 3 and 4 s
    writer.close("done")


@contextmanager
def an_ordinary_user() -> Iterator[None]:
    """Root may write everywhere: go without its rights for a while."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)


def test_a_killed_log_in_a_folder_that_may_not_be_written_is_read(tmp_path: Path) -> None:
    writer = write_log(tmp_path / "log.sqlite", SampleRun(duration_s=5.0), is_closed=False)
    with tempfile.TemporaryDirectory() as name:  # pytest's own folders are for root alone
        kept = Path(name)
        for file in ("log.sqlite", "log.sqlite-wal"):
            (kept / file).write_bytes((tmp_path / file).read_bytes())
        kept.chmod(0o555)
        with an_ordinary_user():
            assert not os.access(kept, os.W_OK, effective_ids=True)
            with LogReader(kept / "log.sqlite") as reader:
                assert reader.record_count == 41
            assert len(list(kept.iterdir())) == 2
        kept.chmod(0o700)
    writer.close("done")


def test_a_torn_wal_loses_its_end_and_nothing_before(tmp_path: Path) -> None:
    """As after a power cut in the middle of a commit."""
    (tmp_path / "run").mkdir()
    writer = write_log(tmp_path / "run" / "log.sqlite", SampleRun(duration_s=40.0), is_closed=False)
    content = (tmp_path / "run" / "log.sqlite").read_bytes()
    ahead = (tmp_path / "run" / "log.sqlite-wal").read_bytes()
    writer.close("done")
    counts = []
    for place, share in enumerate((1.0, 0.8, 0.5)):
        path = tmp_path / f"{place}.sqlite"
        path.write_bytes(content)
        path.with_name(path.name + "-wal").write_bytes(ahead[: int(len(ahead) * share)])
        with LogReader(path) as reader:
            times_s = reader.columns(["time_s"])["time_s"]
        counts.append(len(times_s))
        expected = first_times_s(len(times_s))
        assert times_s.tolist() == expected
    assert counts[0] > counts[1] > counts[2] > 0


def first_times_s(record_count: int) -> list[float]:
    """Times of the first records of the sample run."""
    rate_hz = STREAM.sample_rate_hz
    return [round(place / 10 * rate_hz) / rate_hz for place in range(record_count)]


@pytest.mark.parametrize("is_paced", [True, False])
def test_a_killed_thread_loses_no_committed_row_and_less_than_a_second(
    tmp_path: Path, is_paced: bool
) -> None:
    """Once each; `tests.benchmarks.log_kills` does it a hundred times."""
    left = killed_writer(tmp_path, 1.2, is_paced=is_paced)
    assert left.complaint == ""
    assert left.acknowledged > 0
    assert left.lost_committed == 0
    assert left.lost_s <= 1.0
