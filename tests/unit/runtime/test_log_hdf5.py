"""HDF5: all that the log has, with units, read back by h5py itself."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pytest

from controller import cli
from controller.errors import InputError
from controller.runtime.log.hdf5 import column_unit, write_hdf5
from controller.runtime.log.reader import TABLES, LogReader
from controller.runtime.log.thread import LogThread
from tests.support.log_threads import event, opened, pump_tone, record
from tests.support.sample_log import PUMP, STREAM, SampleRun, write_log

h5py = pytest.importorskip("h5py")


def exported(folder: Path) -> Path:
    """The HDF5 file of the log in a folder."""
    with LogReader(folder) as reader:
        write_hdf5(reader, folder / "log.h5")
    return folder / "log.h5"


def test_every_table_and_column_comes_back(tmp_path: Path) -> None:
    write_log(tmp_path / "log.sqlite", SampleRun(duration_s=60.0))
    path = exported(tmp_path)
    with LogReader(tmp_path) as reader, h5py.File(path) as file:
        assert set(file) == set(TABLES)
        for table in TABLES:
            assert list(file[table]) == sorted(reader.column_types(table))
            for chunk in reader.table(table):
                for name, expected in chunk.items():
                    column = file[table][name]
                    if expected.dtype == object:
                        assert column.asstr()[:].tolist() == expected.tolist()
                    else:
                        np.testing.assert_array_equal(column[:], expected)
                        assert column.dtype == expected.dtype
        assert len(file["records/time_s"]) == reader.record_count == 600


def test_unknown_is_nan_and_an_empty_text(tmp_path: Path) -> None:
    log = opened(tmp_path / "log.sqlite")
    log.record(record(1, difference_hz=None))
    log.tone(pump_tone(1), None, "too strong", at_index=9)
    log.event(event(1, "note", "5 µm\0, at the end"))
    log.close("interrupted", "by hand")
    with h5py.File(exported(tmp_path)) as file:
        assert np.isnan(file["records/difference_hz"][0])
        assert np.isnan(file["tones/set_at_sample"][0])
        assert file["tones/sample_index"][0] == 9
        assert file["tones/sample_index"].dtype == np.int64
        assert file["events/text"].asstr()[0] == "5 µm, at the end"
        assert len(file["basebands/time_s"]) == 0


def test_the_head_is_in_attributes(tmp_path: Path) -> None:
    log = LogThread(
        tmp_path / "log.sqlite",
        settings='{"title": "µ"}',
        stream=STREAM,
        tones={"pump": PUMP},
        started="2031-04-05T06:07:08+00:00",
    )
    log.close("interrupted", "by hand")
    with h5py.File(exported(tmp_path)) as file:
        assert json.loads(file.attrs["settings"]) == {"title": "µ"}
        assert json.loads(file.attrs["stream"])["sample_rate_hz"] == STREAM.sample_rate_hz
        assert json.loads(file.attrs["tones"])["pump"]["amplitude_unit"] == "V"
        assert (file.attrs["outcome"], file.attrs["reason"]) == ("interrupted", "by hand")
        assert file.attrs["started"] == "2031-04-05T06:07:08+00:00"
        assert file.attrs["files"] == "log.sqlite"


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("time_s", "s"),
        ("difference_sigma_hz", "Hz"),
        ("asked_chirp_hz_per_s", "Hz/s"),
        ("pump_phase_rad", "rad"),
        ("lower_snr_db", "dB"),
        ("sample_index", "sample"),
        ("asked_at_sample", "sample"),
        ("lower_amplitude", "m"),
        ("upper_imag", "m"),
        ("pump_amplitude", "V"),
        ("lower_drive_amplitude", "1"),  # there is no such channel
        ("set_amplitude", "as the channel's amplitude_unit"),
        ("drift_ratio", "1"),
    ],
)
def test_units(name: str, unit: str) -> None:
    assert column_unit(name, STREAM, {"pump": PUMP}) == unit


def test_every_number_has_a_unit(tmp_path: Path) -> None:
    write_log(tmp_path / "log.sqlite", SampleRun(duration_s=5.0))
    with h5py.File(exported(tmp_path)) as file:
        for table in file.values():
            for column in table.values():
                assert ("unit" in column.attrs) == (h5py.check_string_dtype(column.dtype) is None)


def test_without_h5py_there_is_one_line_that_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    write_log(tmp_path / "log.sqlite", SampleRun(duration_s=5.0))
    monkeypatch.setitem(sys.modules, "h5py", None)
    assert cli.main(["export", str(tmp_path), "--to", "hdf5"]) == 2
    complaint = capsys.readouterr().err
    assert complaint.count("\n") == 1
    assert "pip install 'difftone[hdf5]'" in complaint


def test_a_folder_that_is_not_there_is_refused(tmp_path: Path) -> None:
    write_log(tmp_path / "log.sqlite", SampleRun(duration_s=5.0))
    with LogReader(tmp_path) as reader, pytest.raises(InputError, match="cannot be written"):
        write_hdf5(reader, tmp_path / "nowhere" / "log.h5")


def test_the_command_takes_a_piece_or_a_folder(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_log(tmp_path / "log.sqlite", SampleRun(duration_s=5.0))
    for log in (tmp_path, tmp_path / "log.sqlite"):
        assert cli.main(["export", str(log), "--to", "hdf5"]) == 0
        assert capsys.readouterr().out == f"{tmp_path / 'log.h5'}\n"
        assert cli.main(["export", str(log), "--to", "csv"]) == 0
        assert capsys.readouterr().out == f"{tmp_path / 'tracks.csv'}\n"
