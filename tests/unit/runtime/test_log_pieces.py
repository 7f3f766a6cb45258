"""A long log in pieces: each can be understood alone, all are read as one."""

from __future__ import annotations

import sqlite3
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from controller.errors import InputError
from controller.runtime.log.handed_over import Entry
from controller.runtime.log.keeper import LogKeeper
from controller.runtime.log.pieces import Rotation, beside, piece_path, piece_paths
from controller.runtime.log.reader import LogReader
from controller.runtime.outputs import write_outputs
from controller.runtime.summary import pump_account
from tests.support.log_threads import event, pump_tone, record
from tests.support.sample_log import PUMP, STREAM, SampleRun, write_log

FIRST_DAY, SECOND_DAY = date(2031, 4, 5), date(2031, 4, 6)


class Calendar:
    """A day that tests turn."""

    def __init__(self) -> None:
        self.day = FIRST_DAY

    def today(self) -> date:
        return self.day


def kept(folder: Path, calendar: Calendar, **options: object) -> LogKeeper:
    """A log with a piece for each day."""
    return LogKeeper(
        folder / "log.sqlite",
        settings='{"title": "Long run"}',
        stream=STREAM,
        tones={"pump": PUMP},
        rotation=Rotation(daily=True),
        today=calendar.today,
        **options,  # type: ignore[arg-type]
    )


def added(log: LogKeeper, *places: int) -> None:
    """Records, each with a tone of the pump."""
    for place in places:
        tone = pump_tone(place)
        log.write(
            [
                Entry("record", (record(place),)),
                Entry("tone", (tone, tone), {"at_index": tone.at_sample}),
            ],
            {},
        )


def three_days(folder: Path) -> None:
    """Three pieces: records 0 to 8, the pump on from 1 on, results and deviations."""
    calendar = Calendar()
    log = kept(folder, calendar)
    log.write([Entry("event", (event(0, "interlock_closed"),))], {})
    added(log, 0, 1, 2)
    log.write([Entry("result", ("fit", {"value": 1}))], {})
    log.write([Entry("allan", (0, "difference", [1.0], [3.0], [1.0]))], {})
    calendar.day = SECOND_DAY
    log.commit()
    added(log, 3, 4)
    log.write([Entry("result", ("fit", {"value": 2}))], {})
    log.write([Entry("allan", (9, "difference", [1.0, 2.0], [2.0, 2.0], [1.0, 1.0]))], {})
    calendar.day = FIRST_DAY  # a clock that was set
    log.commit()
    added(log, 5, 6, 7, 8)
    assert log.close("done", "as planned")


def test_a_day_begins_a_piece(tmp_path: Path) -> None:
    three_days(tmp_path)
    names = ["log.sqlite", "log-2.sqlite", "log-3.sqlite"]
    assert [path.name for path in piece_paths(tmp_path)] == names
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(names)


def test_the_folder_is_read_as_one_log(tmp_path: Path) -> None:
    three_days(tmp_path)
    with LogReader(tmp_path) as reader:
        assert reader.record_count == 9
        times_s = reader.columns(["time_s"])["time_s"]
        assert times_s.tolist() == [place / 10 for place in range(9)]
        assert [tone.asked for tone in reader.tones("pump")] == [pump_tone(p) for p in range(9)]
        kinds = [each.kind for each in reader.events()]
        assert kinds == ["interlock_closed", "piece", "piece"]
        assert reader.results() == {"fit": {"value": 2}}
        assert reader.allan()["difference"].taus_s.tolist() == [1.0, 2.0]
        assert (reader.outcome, reader.reason) == ("done", "as planned")
        assert reader.end_s == 0.8
        assert reader.settings == {"title": "Long run"}
        assert sum(len(rows) for rows in reader.tracks()) == 9


def test_a_piece_is_read_alone_with_what_was_in_force_when_it_began(tmp_path: Path) -> None:
    three_days(tmp_path)
    with LogReader(tmp_path / "log-2.sqlite") as reader:
        assert reader.columns(["time_s"])["time_s"].tolist() == [0.3, 0.4]
        assert [tone.asked for tone in reader.tones()] == [pump_tone(p) for p in (2, 3, 4)]
        assert [each.kind for each in reader.events()] == ["interlock_closed", "piece"]
        assert (reader.outcome, reader.reason) == ("continued", "goes on in log-3.sqlite")
        # The pump was on when the piece began, and permitted.
        assert pump_account(reader, reader.end_s)["on_outside_interlock_s"] == 0.0


def test_where_a_piece_is_missing_the_next_one_tells_what_was_in_force(tmp_path: Path) -> None:
    three_days(tmp_path)
    (tmp_path / "log-2.sqlite").unlink()
    with LogReader(tmp_path) as reader:
        assert [tone.asked for tone in reader.tones()] == [
            pump_tone(place) for place in (0, 1, 2, 4, 5, 6, 7, 8)
        ]
    (tmp_path / "log.sqlite").unlink()
    with LogReader(tmp_path) as reader:
        assert reader.record_count == 4


def test_a_refused_tone_is_not_carried_over(tmp_path: Path) -> None:
    calendar = Calendar()
    log = kept(tmp_path, calendar)
    added(log, 1)
    log.write([Entry("tone", (pump_tone(2, 0.7), None, "too strong"), {"at_index": 2})], {})
    calendar.day = SECOND_DAY
    log.commit()
    log.close("done")
    with LogReader(tmp_path / "log-2.sqlite") as reader:
        assert [tone.asked for tone in reader.tones()] == [pump_tone(1)]


def test_size_begins_a_piece() -> None:
    rotation = Rotation(largest_mb=2.0)
    assert not rotation.is_due(1_999_999, FIRST_DAY, SECOND_DAY)
    assert rotation.is_due(2_000_000, FIRST_DAY, FIRST_DAY)
    assert not Rotation().is_due(10**12, FIRST_DAY, SECOND_DAY)


def test_a_piece_that_holds_next_to_nothing_is_not_full(tmp_path: Path) -> None:
    log = LogKeeper(
        tmp_path / "log.sqlite",
        settings="{}",
        stream=STREAM,
        tones={},
        rotation=Rotation(largest_mb=1e-6),
    )
    for place in range(5):
        log.write([Entry("record", (record(place),))], {})
    log.close("done")
    assert len(piece_paths(tmp_path)) == 1


def test_a_file_that_vanishes_is_followed_by_the_next_piece(tmp_path: Path) -> None:
    log = kept(tmp_path, Calendar())
    added(log, 1)
    (tmp_path / "log.sqlite").unlink()
    added(log, 2)
    log.close("done")
    with LogReader(tmp_path) as reader:
        assert reader.file_names == ("log-2.sqlite",)
        assert reader.columns(["time_s"])["time_s"].tolist() == [0.2]
        assert "log.sqlite has vanished" in [each.text for each in reader.events()]


def test_a_name_that_is_taken_is_left_alone(tmp_path: Path) -> None:
    calendar = Calendar()
    log = kept(tmp_path, calendar)
    (tmp_path / "log-2.sqlite").write_text("of somebody else")
    calendar.day = SECOND_DAY
    added(log, 1)
    assert log.path.name == "log-3.sqlite"
    assert (tmp_path / "log-2.sqlite").read_text() == "of somebody else"
    log.close("done")


def test_a_piece_that_was_just_being_made_is_passed_over(tmp_path: Path) -> None:
    three_days(tmp_path)
    sqlite3.connect(tmp_path / "log-4.sqlite").execute("PRAGMA journal_mode = WAL").close()
    with LogReader(tmp_path) as reader:
        assert reader.record_count == 9


def test_pieces_of_another_run_are_refused(tmp_path: Path) -> None:
    three_days(tmp_path)
    write_log(tmp_path / "log-9.sqlite", SampleRun(duration_s=1.0))
    with pytest.raises(InputError, match=r"log-9\.sqlite: belongs to another run"):
        LogReader(tmp_path)


def test_a_damaged_piece_is_named(tmp_path: Path) -> None:
    three_days(tmp_path)
    (tmp_path / "log-2.sqlite").write_bytes(b"SQLite format 3\0" + b"x" * 99)
    with pytest.raises(InputError, match=r"log-2\.sqlite"):
        LogReader(tmp_path)


def test_outputs_are_made_of_all_pieces(tmp_path: Path) -> None:
    three_days(tmp_path)
    summary = write_outputs(tmp_path, tmp_path)
    assert summary["outcome"] == "done"
    assert len((tmp_path / "tracks.csv").read_text().splitlines()) == 10
    assert "log-3.sqlite" in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_a_log_from_before_there_were_pieces_is_read(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    write_log(path, SampleRun(duration_s=30.0))
    with LogReader(path) as reader:
        columns, tones = reader.columns(), list(reader.tones())
    with sqlite3.connect(path) as database:
        for name in ("piece", "carried_tones", "carried_events"):
            database.execute(f"ALTER TABLE run DROP COLUMN {name}")
        database.execute("UPDATE run SET format_version = 2")
    for place in (path, tmp_path):
        with LogReader(place) as reader:
            assert list(reader.tones()) == tones
            for name, column in reader.columns().items():
                np.testing.assert_array_equal(column, columns[name])


def test_names() -> None:
    assert piece_path(Path("a/log.sqlite"), 1) == Path("a/log.sqlite")
    assert piece_path(Path("a/log.sqlite"), 12) == Path("a/log-12.sqlite")
    assert beside(Path("a/log.sqlite"), "report.html") == Path("a/report.html")
    assert beside(Path("a/log-12.sqlite"), "report.html") == Path("a/report-12.html")
    assert beside(Path("a/kept-12.sqlite"), "report.html") == Path("a/report.html")
