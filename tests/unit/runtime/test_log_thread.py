"""A log that is written by a thread: nothing waits, nothing is lost that it does not tell."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from controller.errors import InputError
from controller.records import Baseband, Section
from controller.runtime.last_known import load_last_known
from controller.runtime.log.keeper import BUSY_S
from controller.runtime.log.reader import LogReader
from controller.runtime.log.thread import Logging
from tests.support.log_threads import (
    PATIENCE_S,
    event,
    opened,
    pump_tone,
    record,
    wait_for,
)

pytestmark = pytest.mark.live


def test_all_that_is_handed_over_comes_back(tmp_path: Path) -> None:
    log = opened(tmp_path / "log.sqlite", started="2031-04-05T06:07:08+00:00")
    asked = pump_tone(1)
    section = Section(name="free", kind="wait", start_s=0.0, end_s=1.0)
    baseband = Baseband(
        sample_index=50,
        time_s=0.001,
        lower=1j,
        upper=2.0 + 0j,
        duration_s=0.02,
        pump_amplitude=0.5,
        pump_phase_rad=0.1,
        drive_lower=0j,
        drive_upper=0j,
    )
    log.record(record(1))
    log.event(event(1, "note", "µ"))
    log.tone(asked, None, "refused", at_index=7)
    log.section(section)
    log.baseband(baseband)
    log.allan(5000, "difference", [1.0], [2.0], [0.5])
    log.result("fit", {"value": 2.0})
    log.close("done", "as planned")
    with LogReader(tmp_path / "log.sqlite") as reader:
        assert reader.columns(["time_s"])["time_s"].tolist() == [0.1]
        assert [each.text for each in reader.events()] == ["µ"]
        [tone] = reader.tones()
        assert (tone.asked, tone.set_tone, tone.sample_index) == (asked, None, 7)
        assert list(reader.sections()) == [section]
        assert reader.basebands()["upper"].tolist() == [2.0]
        assert reader.allan()["difference"].deviations_hz.tolist() == [2.0]
        assert reader.results() == {"fit": {"value": 2.0}}
        assert (reader.outcome, reader.reason) == ("done", "as planned")
        assert reader.started == "2031-04-05T06:07:08+00:00"
    assert log.state.state is Logging.CLOSED
    assert (log.state.rows, log.state.waiting, log.state.dropped) == (7, 0, 0)


def test_commits_come_by_the_clock(tmp_path: Path) -> None:
    log = opened(tmp_path / "log.sqlite", commit_every_s=0.1)
    with sqlite3.connect(tmp_path / "log.sqlite") as watcher:
        log.record(record(0))
        wait_for(log, lambda state: state.rows == 1)
        assert watcher.execute("SELECT count(*) FROM records").fetchone() == (1,)
    log.close("done")


def test_a_log_can_be_read_while_it_is_written(tmp_path: Path) -> None:
    log = opened(tmp_path / "log.sqlite")
    for place in range(200):
        log.record(record(place))
        if place % 20 == 19:
            assert log.wait_until_written(PATIENCE_S)
            with LogReader(tmp_path) as reader:
                assert reader.record_count == place + 1
                assert reader.outcome is None
    log.close("done")


def test_handing_over_does_not_wait_for_a_locked_file(tmp_path: Path) -> None:
    log = opened(tmp_path / "log.sqlite")
    with sqlite3.connect(tmp_path / "log.sqlite", isolation_level=None) as other:
        other.execute("BEGIN IMMEDIATE")
        log.record(record(0))
        log.commit()
        slowest_s = 0.0
        for place in range(1, 500):
            began_s = time.perf_counter()
            log.record(record(place))
            slowest_s = max(slowest_s, time.perf_counter() - began_s)
        stopped = wait_for(log, lambda state: state.state is Logging.STOPPED)
        assert "locked" in stopped.reason
        assert stopped.waiting == 500
        assert slowest_s < BUSY_S  # for so long the thread waits for the lock
        other.execute("ROLLBACK")
    wait_for(log, lambda state: state.state is Logging.WRITING and not state.waiting)
    log.close("done")
    with LogReader(tmp_path / "log.sqlite") as reader:
        assert reader.record_count == 500
        [resumed] = reader.events()
        assert (resumed.source, resumed.kind) == ("log", "resumed")
        assert "locked" in resumed.text


def test_a_read_only_file_stops_the_log_and_it_resumes(tmp_path: Path) -> None:
    log = opened(tmp_path / "log.sqlite")
    database = log._keeper._writer._database
    database.execute("PRAGMA query_only = ON")  # SQLite answers as on a read-only file system
    log.record(record(0))
    assert "readonly" in wait_for(log, lambda state: state.state is Logging.STOPPED).reason
    database.execute("PRAGMA query_only = OFF")
    assert log.wait_until_written(PATIENCE_S)
    log.close("done")
    with LogReader(tmp_path / "log.sqlite") as reader:
        assert reader.record_count == 1
        assert [each.kind for each in reader.events()] == ["resumed"]


def test_what_does_not_fit_is_dropped_counted_and_told(tmp_path: Path) -> None:
    log = opened(tmp_path / "log.sqlite", backlog_entries=10)
    with sqlite3.connect(tmp_path / "log.sqlite", isolation_level=None) as other:
        other.execute("BEGIN IMMEDIATE")
        log.record(record(0))
        wait_for(log, lambda state: state.state is Logging.STOPPED)
        for place in range(1, 15):
            log.record(record(place))
        log.event(event(15, "note"))
        assert log.state.dropped == 5
        other.execute("ROLLBACK")
    wait_for(log, lambda state: state.state is Logging.WRITING and not state.waiting)
    log.close("done")
    with LogReader(tmp_path / "log.sqlite") as reader:
        assert reader.record_count == 11
        texts = {each.kind: each.text for each in reader.events()}
    assert texts["dropped"].startswith("1 event, 4 record did not fit")


@pytest.mark.parametrize("text", ["\ud800", object()])
def test_a_value_that_no_table_takes_costs_its_row_and_no_other(
    tmp_path: Path, text: object
) -> None:
    log = opened(tmp_path / "log.sqlite")
    log.record(record(0))
    log.event(replace(event(1, "note"), text=text))  # type: ignore[arg-type]
    log.record(replace(record(2), pump_amplitude=float("nan")))  # has to be known
    log.result("fit", {"value": object()})
    log.record("no record at all")  # type: ignore[arg-type]
    log.record(record(3))
    log.close("done")
    assert log.state.dropped == 4
    with LogReader(tmp_path / "log.sqlite") as reader:
        assert reader.columns(["time_s"])["time_s"].tolist() == [0.0, 0.3]
        assert {each.kind for each in reader.events()} == {"unfit"}


def test_a_file_that_cannot_be_made_is_refused_at_once(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be made"):
        opened(tmp_path / "nowhere" / "log.sqlite")


def test_closing_twice_keeps_the_first_outcome_and_what_comes_later_is_counted(
    tmp_path: Path,
) -> None:
    log = opened(tmp_path / "log.sqlite")
    log.close("failed", "no lock")
    log.record(record(0))
    log.close("done")
    assert log.state.dropped == 1
    with LogReader(tmp_path / "log.sqlite") as reader:
        assert (reader.outcome, reader.record_count) == ("failed", 0)


def test_a_folder_that_vanishes_stops_the_log_and_closing_still_ends(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    folder.mkdir()
    log = opened(folder / "log.sqlite")
    for path in folder.iterdir():
        path.unlink()
    folder.rmdir()
    log.record(record(0))
    stopped = wait_for(log, lambda state: state.state is Logging.STOPPED)
    assert "cannot be made here" in stopped.reason
    assert stopped.free_bytes is None
    log.close("done")
    assert log.state.state is Logging.CLOSED


def test_a_defect_stops_it_for_good_and_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log = opened(tmp_path / "log.sqlite")
    monkeypatch.setattr(log._last_known, "save_if_due", lambda: [][0])
    log.record(record(0))
    failed = wait_for(log, lambda state: state.state is Logging.FAILED)
    assert failed.reason == "IndexError: list index out of range"
    monkeypatch.undo()
    log.record(record(1))
    assert not log.wait_until_written(0.1)
    log.close("failed", failed.reason)
    assert log.state.state is Logging.CLOSED
    with LogReader(tmp_path / "log.sqlite") as reader:
        assert (reader.outcome, reader.record_count) == ("failed", 2)


def test_an_entry_that_breaks_whoever_takes_it_costs_no_other(tmp_path: Path) -> None:
    class Odd(dict[str, object]):
        def __iter__(self) -> Iterator[str]:
            raise RuntimeError("a defect")

        items = keys = __iter__  # type: ignore[assignment]

    log = opened(tmp_path / "log.sqlite")
    log.record(record(0))
    log.result("odd", Odd(number=1))
    log.record(record(1))
    assert log.wait_until_written(PATIENCE_S)
    log.close("done")
    assert log.state.dropped == 1
    with LogReader(tmp_path / "log.sqlite") as reader:
        assert (reader.outcome, reader.record_count) == ("done", 2)


def test_the_last_known_modes_are_left_beside_the_log(tmp_path: Path) -> None:
    log = opened(tmp_path / "log.sqlite")
    log.record(record(0))
    log.record(record(7))
    log.close("done")
    assert load_last_known(tmp_path).lower.frequency_hz == 870_220.4
