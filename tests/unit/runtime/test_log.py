"""The log: what goes in comes out, for a finished, a running and a foreign file."""

from __future__ import annotations

import json
import math
import sqlite3
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from controller.errors import InputError, RunFailed
from controller.instrument import Tone
from controller.records import (
    Baseband,
    Event,
    ModeId,
    ModeRecord,
    PumpState,
    Record,
    Section,
    TrackerState,
)
from controller.runtime.log.columns import RECORD_COLUMNS
from controller.runtime.log.reader import LogReader
from controller.runtime.log.writer import LogWriter
from tests.support.sample_log import PUMP, STREAM, SampleRun, write_log

RATE = STREAM.sample_rate_hz


def opened(folder: Path, settings: str = "{}") -> LogWriter:
    """A fresh log."""
    return LogWriter(folder / "log.sqlite", settings=settings, stream=STREAM, tones={"pump": PUMP})


def record_at(index: int, **values: object) -> Record:
    """A record with both modes locked and little else."""
    mode = ModeRecord(state=TrackerState.LOCKED, frequency_hz=1.0e6 + 1.0e-7, cycle_slips=2)
    return Record(
        sample_index=index,
        time_s=index / RATE,
        modes={ModeId.LOWER: mode, ModeId.UPPER: mode},
        **values,  # type: ignore[arg-type]
    )


def test_every_field_of_a_record_has_its_column_and_no_other(tmp_path: Path) -> None:
    opened(tmp_path).close("done")
    with sqlite3.connect(tmp_path / "log.sqlite") as database:
        columns = [row[1] for row in database.execute("PRAGMA table_info(records)")]
    names = [field.name for field in fields(Record) if field.name != "modes"]
    names += [f"{mode}_{field.name}" for mode in ModeId for field in fields(ModeRecord)]
    assert sorted(columns) == sorted(names) == sorted(RECORD_COLUMNS)


def test_a_record_comes_back_bit_for_bit_and_unknown_as_nan(tmp_path: Path) -> None:
    writer = opened(tmp_path)
    writer.record(record_at(5000, difference_hz=0.1 + 0.2, pump_state=PumpState.MUTED))
    writer.close("done")
    with LogReader(tmp_path / "log.sqlite") as reader:
        columns = reader.columns()
    assert columns["difference_hz"].tolist() == [0.1 + 0.2]
    assert columns["lower_frequency_hz"].tolist() == [1.0e6 + 1.0e-7]
    assert columns["upper_cycle_slips"].tolist() == [2.0]
    assert columns["pump_state"].tolist() == ["muted"]
    assert np.isnan(columns["pump_hz"]).all()
    assert columns["pump_hz"].dtype == float


def test_numpy_numbers_are_stored_as_numbers(tmp_path: Path) -> None:
    writer = opened(tmp_path)
    writer.record(record_at(np.int64(5000), difference_hz=np.float32(0.5)))  # type: ignore[arg-type]
    writer.result("fit", {"value": np.float64(2.0), "counts": np.arange(3)})
    writer.close("done")
    with LogReader(tmp_path / "log.sqlite") as reader:
        columns = reader.columns(["sample_index", "difference_hz"])
        assert reader.results() == {"fit": {"value": 2.0, "counts": [0, 1, 2]}}
    assert columns["sample_index"].tolist() == [5000.0]
    assert columns["difference_hz"].tolist() == [0.5]


def test_events_tones_and_head_come_back(tmp_path: Path) -> None:
    writer = opened(tmp_path, settings='{"title": "t"}')
    event = Event(sample_index=100, time_s=0.002, source="stream", kind="gap", text="lost 3")
    asked = Tone("pump", 50, 6200.5, 0.5, 0.25, chirp_hz_per_s=1e-3, ramp_s=0.005)
    really = Tone("pump", 200, 6200.0, 0.5, 0.25, chirp_hz_per_s=1e-3, ramp_s=0.005)
    writer.event(event)
    writer.tone(asked, really, "armed", at_index=150)
    writer.tone(asked, None, "out of range")
    writer.close("interrupted", "stopped by hand")
    with LogReader(tmp_path / "log.sqlite") as reader:
        assert list(reader.events()) == [event]
        done, refused = reader.tones("pump")
        assert (done.asked, done.set_tone, done.reason) == (asked, really, "armed")
        assert (done.sample_index, done.time_s) == (150, 150 / RATE)
        assert refused.set_tone is None
        assert refused.sample_index == 100  # the newest index that the log had seen
        assert list(reader.tones("drive_lower")) == []
        assert (reader.outcome, reader.reason) == ("interrupted", "stopped by hand")
        assert reader.stream == STREAM
        assert reader.channels == {"pump": PUMP}
        assert reader.settings == {"title": "t"}


def test_the_newest_allan_deviation_of_each_series_is_read(tmp_path: Path) -> None:
    writer = opened(tmp_path)
    writer.allan(1000, "difference", [1.0, 2.0], [9.0, 9.0], [1.0, 1.0])
    writer.allan(2000, "difference", [1.0, 2.0, 4.0], [3.0, 2.0, math.nan], [0.1, 0.2, math.nan])
    writer.allan(1500, "lower", [1.0], [7.0], [1.0])
    writer.close("done")
    with LogReader(tmp_path / "log.sqlite") as reader:
        allan = reader.allan()
    assert allan["difference"].deviations_hz[:2].tolist() == [3.0, 2.0]
    assert np.isnan(allan["difference"].deviations_hz[2])
    assert allan["lower"].taus_s.tolist() == [1.0]


def test_rows_are_committed_once_a_second_of_stream_time(tmp_path: Path) -> None:
    writer = opened(tmp_path)
    counts = []
    with sqlite3.connect(tmp_path / "log.sqlite") as watcher:
        for index in (25_000, 49_999, 50_000, 99_999, 100_000):
            writer.record(record_at(index))
            writer.commit_if_due(index)
            counts += watcher.execute("SELECT count(*) FROM records").fetchone()
    writer.close("done")
    assert counts == [0, 0, 3, 3, 5]


def test_the_log_is_in_wal_mode(tmp_path: Path) -> None:
    writer = opened(tmp_path)
    with sqlite3.connect(tmp_path / "log.sqlite") as watcher:
        assert watcher.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    writer.close("done")


def test_a_running_log_can_be_read(tmp_path: Path) -> None:
    writer = opened(tmp_path)
    writer.record(record_at(0))
    writer.commit()
    with LogReader(tmp_path / "log.sqlite") as reader:
        assert reader.record_count == 1
        writer.record(record_at(5000))
        writer.commit()
        assert reader.record_count == 2
        assert reader.outcome is None
    writer.close("done")


def test_reading_a_finished_log_leaves_no_files_beside_it(tmp_path: Path) -> None:
    opened(tmp_path).close("done")
    with LogReader(tmp_path / "log.sqlite") as reader:
        assert reader.record_count == 0
        assert reader.columns(["time_s"])["time_s"].shape == (0,)
    assert [path.name for path in tmp_path.iterdir()] == ["log.sqlite"]


def test_chunks_put_together_are_the_whole(tmp_path: Path) -> None:
    write_log(tmp_path / "log.sqlite", SampleRun(duration_s=30.0))
    with LogReader(tmp_path / "log.sqlite") as reader:
        whole = reader.columns()
        pieces = list(reader.chunks(rows=7))
    assert {len(piece["time_s"]) for piece in pieces[:-1]} == {7}
    for name, column in whole.items():
        np.testing.assert_array_equal(np.concatenate([piece[name] for piece in pieces]), column)


def test_an_unknown_column_is_refused(tmp_path: Path) -> None:
    opened(tmp_path).close("done")
    with LogReader(tmp_path / "log.sqlite") as reader, pytest.raises(ValueError, match="nonsense"):
        list(reader.chunks(["nonsense"]))


def test_a_log_is_never_overwritten(tmp_path: Path) -> None:
    opened(tmp_path).close("done")
    with pytest.raises(InputError, match=r"log\.sqlite: a log is there already"):
        opened(tmp_path)


def test_a_folder_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be made"):
        opened(tmp_path / "nowhere")


def test_closing_twice_keeps_the_first_outcome(tmp_path: Path) -> None:
    writer = opened(tmp_path)
    writer.close("failed", "no lock")
    writer.close("done")
    with LogReader(tmp_path / "log.sqlite") as reader:
        assert reader.outcome == "failed"


def test_a_full_disk_is_a_failed_run(tmp_path: Path) -> None:
    writer = opened(tmp_path)
    # SQLite's own bound on the size of the file answers like a full disk.
    writer._database.execute("PRAGMA max_page_count = 1")
    for index in range(2000):
        writer.record(record_at(index))
    with pytest.raises(RunFailed, match=r"cannot be written .*full"):
        writer.commit()
    with pytest.raises(RunFailed):
        writer.close("failed")
    with LogReader(tmp_path / "log.sqlite") as reader:
        assert reader.outcome is None


@pytest.mark.parametrize(
    "content", [b"", b"time_s,lower_hz\n1,2\n", b"SQLite format 3\0" + b"x" * 99]
)
def test_what_is_not_a_log_is_refused_in_one_line(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "foreign"
    path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        LogReader(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_missing_log_and_a_folder_are_refused(tmp_path: Path) -> None:
    for path in (tmp_path / "log.sqlite", tmp_path):
        with pytest.raises(InputError, match="no such file"):
            LogReader(path)


def test_another_database_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "other.sqlite"
    with sqlite3.connect(path) as database:
        database.execute("CREATE TABLE run (x)")
    with pytest.raises(InputError, match="not a log of difftone"):
        LogReader(path)


def test_a_log_of_another_format_is_refused(tmp_path: Path) -> None:
    opened(tmp_path).close("done")
    with sqlite3.connect(tmp_path / "log.sqlite") as database:
        database.execute("UPDATE run SET format_version = 99")
    with pytest.raises(InputError, match="format 99"):
        LogReader(tmp_path / "log.sqlite")


def test_a_truncated_log_is_an_input_error_when_the_hole_is_met(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    write_log(path, SampleRun(duration_s=60.0))
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])
    with pytest.raises(InputError) as caught, LogReader(path) as reader:
        reader.columns()
    assert str(path) in str(caught.value)


def test_settings_survive_as_json(tmp_path: Path) -> None:
    settings = {"pump": {"offset_hz": 0.25}, "title": "µ"}
    opened(tmp_path, json.dumps(settings)).close("done")
    with LogReader(tmp_path / "log.sqlite") as reader:
        assert reader.settings == settings


# -- protocols --------------------------------------------------------------------------------


def section(**values: object) -> Section:
    members: dict[str, object] = {
        "number": 3,
        "name": "exchange",
        "kind": "pump_on",
        "parameters": {"amplitude": 0.1 + 0.2, "waveform": "sine", "record": True},
        "start_s": 1.5,
        "end_s": 2.5,
        "completed": False,
        "attempt": 2,
        "reason": "the pump was muted",
    }
    return Section(**{**members, **values})  # type: ignore[arg-type]


def baseband(index: int) -> Baseband:
    """Every part another number, none of them round."""
    return Baseband(
        sample_index=index,
        time_s=(index + 0.5) / RATE,
        lower=complex(0.1, -0.2) * 1e-9,
        upper=complex(0.3, 0.7) * 1e-9,
        duration_s=0.02,
        pump_amplitude=0.5,
        pump_phase_rad=2.1,
        drive_lower=complex(0.01, 0.02),
        drive_upper=complex(-0.03, 0.04),
    )


def test_sections_come_back_in_the_order_in_which_they_ended(tmp_path: Path) -> None:
    writer = opened(tmp_path)
    first, again = section(), section(completed=True, attempt=3, reason="", start_s=9.0, end_s=9.5)
    writer.section(first)
    writer.section(again)
    writer.close("done")
    with LogReader(tmp_path / "log.sqlite") as reader:
        assert list(reader.sections()) == [first, again]


def test_basebands_come_back_bit_for_bit_and_in_order(tmp_path: Path) -> None:
    writer = opened(tmp_path)
    for index in (3000, 1000, 2000):
        writer.baseband(baseband(index))
    writer.close("done")
    with LogReader(tmp_path / "log.sqlite") as reader:
        columns = reader.basebands()
    assert columns["time_s"].tolist() == [(index + 0.5) / RATE for index in (1000, 2000, 3000)]
    expected = baseband(0)
    for field in fields(Baseband):
        if field.name not in ("sample_index", "time_s"):
            assert columns[field.name].tolist() == [getattr(expected, field.name)] * 3


def test_without_a_protocol_there_are_no_sections_and_empty_columns(tmp_path: Path) -> None:
    opened(tmp_path).close("done")
    with LogReader(tmp_path / "log.sqlite") as reader:
        assert list(reader.sections()) == []
        columns = reader.basebands()
    assert {values.shape for values in columns.values()} == {(0,)}
    assert columns["lower"].dtype == complex and columns["time_s"].dtype == float


def test_damaged_parameters_of_a_section_are_an_input_error(tmp_path: Path) -> None:
    writer = opened(tmp_path)
    writer.section(section())
    writer.close("done")
    with sqlite3.connect(tmp_path / "log.sqlite") as database:
        database.execute("UPDATE sections SET parameters = '{'")
    with (
        LogReader(tmp_path / "log.sqlite") as reader,
        pytest.raises(InputError, match="the log is damaged"),
    ):
        list(reader.sections())
