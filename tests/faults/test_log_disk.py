"""A full disk, a piece that cannot be made, a file that breaks: the log says so and goes on."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.runtime.log.pieces import Rotation
from controller.runtime.log.reader import LogReader
from controller.runtime.log.thread import Logging
from tests.support.log_threads import PATIENCE_S, opened, record, wait_for

pytestmark = pytest.mark.live

ROOT = Path(__file__).resolve().parents[2]

# No file of the process may grow beyond 400 kB, until that is lifted: what a disk answers
# that is full for a while. Its shared index (32 kB) and the log itself fit at first.
FULL_FOR_A_WHILE = """
import json, resource, sys
from pathlib import Path
from controller.runtime.log.thread import Logging
from tests.support.log_threads import PATIENCE_S, opened, record, wait_for

hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, hard))
log = opened(Path(sys.argv[1]), backlog_entries=2000)
place = 0
while log.state.state is Logging.WRITING:
    log.record(record(place))
    place += 1
    if place % 100 == 0:
        log.wait_until_written(1.0)
stopped = log.state
for place in range(place, place + 5000):
    log.record(record(place))
full = log.state
resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
wait_for(log, lambda state: state.state is Logging.WRITING and not state.waiting)
log.record(record(place + 1))
log.close("done")
print(json.dumps({
    "reason": stopped.reason, "rows": stopped.rows, "given": place + 2,
    "dropped": full.dropped, "end": log.state.state, "dropped_at_the_end": log.state.dropped,
}))
"""


def test_a_full_disk_stops_the_log_and_it_resumes_when_there_is_room(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    done = subprocess.run(
        [sys.executable, "-c", FULL_FOR_A_WHILE, str(path)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    told = json.loads(done.stdout)
    assert "full" in told["reason"] or "disk I/O" in told["reason"]
    assert told["rows"] > 100
    assert told["dropped"] >= 3000
    assert told["dropped_at_the_end"] == told["dropped"]
    with LogReader(path) as reader:
        # All that was handed over is there, but for what was counted.
        assert reader.record_count == told["given"] - told["dropped"]
        kinds = {each.kind: each.text for each in reader.events()}
        assert reader.outcome == "done"
    assert set(kinds) == {"resumed", "dropped"}
    assert f"{told['dropped']} record did not fit" in kinds["dropped"]
    assert told["reason"] in kinds["resumed"]
    with sqlite3.connect(path) as database:
        assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of one megabyte; only root can make one."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "none", str(folder)],
        capture_output=True,
        check=False,
    )
    if mounted.returncode != 0:
        pytest.skip("a small file system cannot be mounted here")
    yield folder
    subprocess.run(["umount", "--lazy", str(folder)], check=False)


def test_a_small_disk_fills_up_and_is_cleared(small_disk: Path) -> None:
    ballast = small_disk / "ballast"
    ballast.write_bytes(b"x" * 500_000)
    log = opened(small_disk / "log.sqlite")
    place = 0
    while log.state.state is Logging.WRITING:
        log.record(record(place))
        place += 1
        if place % 50 == 0:
            log.wait_until_written(1.0)
    stopped = log.state
    assert "full" in stopped.reason
    assert stopped.free_bytes is not None and stopped.free_bytes < 100_000
    with LogReader(small_disk) as reader:  # what was committed can be read meanwhile
        assert reader.record_count == stopped.rows
    ballast.unlink()
    assert log.wait_until_written(PATIENCE_S)
    log.close("done")
    with LogReader(small_disk) as reader:
        assert reader.record_count == place
        assert [each.kind for each in reader.events()] == ["resumed"]


def test_where_the_next_piece_cannot_be_made_the_present_one_goes_on(tmp_path: Path) -> None:
    in_the_way = tmp_path / "log-2.sqlite-wal"  # where SQLite wants a file
    in_the_way.mkdir()
    log = opened(tmp_path / "log.sqlite", rotation=Rotation(largest_mb=0.05))
    places = iter(range(10_000))
    while not log.state.reason:
        log.record(record(next(places)))
        assert log.wait_until_written(PATIENCE_S)
    assert log.state.state is Logging.WRITING
    assert "log-2.sqlite: the log cannot be made here" in log.state.reason
    log.record(record(next(places)))
    assert log.wait_until_written(PATIENCE_S)
    assert log.state.file == "log.sqlite"
    in_the_way.rmdir()
    wait_for(log, lambda state: state.file == "log-2.sqlite" and not state.reason)
    log.close("done")
    with LogReader(tmp_path) as reader:
        assert reader.record_count == next(places)
        assert reader.file_names == ("log.sqlite", "log-2.sqlite")


def test_a_file_that_breaks_is_left_for_the_next_piece(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log = opened(tmp_path / "log.sqlite")
    log.record(record(0))
    assert log.wait_until_written(PATIENCE_S)
    monkeypatch.setattr(log._keeper._writer, "_database", BrokenDatabase())
    log.record(record(1))
    assert log.wait_until_written(PATIENCE_S)
    log.close("done")
    with LogReader(tmp_path) as reader:
        assert reader.columns(["time_s"])["time_s"].tolist() == [0.0, 0.1]
        assert "malformed" in [each.text for each in reader.events()][-1]
        assert reader.file_names == ("log.sqlite", "log-2.sqlite")


class BrokenDatabase:
    """Answers as SQLite does where it meets a page that is no page."""

    in_transaction = False

    def execute(self, statement: str, values: tuple[object, ...] = ()) -> None:
        error = sqlite3.DatabaseError("database disk image is malformed")
        error.sqlite_errorname = "SQLITE_CORRUPT"
        raise error

    def close(self) -> None:
        pass
