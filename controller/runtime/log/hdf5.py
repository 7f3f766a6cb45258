"""Exports a log as HDF5: every table a group, every column a dataset with its unit.

For other programs to read. The log itself is no HDF5: such a file is lost
when its program is killed. Nothing here computes.
"""

from __future__ import annotations

import importlib
import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from controller.errors import InputError
from controller.instrument import StreamFormat, ToneChannel, amplitude_unit
from controller.records import ModeId
from controller.runtime.log import FORMAT_VERSION
from controller.runtime.log.reader import CHUNK_ROWS, TABLES, LogReader

SCHEMA = "difftone.log.hdf5/1"

SAMPLES = "sample"  # since the first one of the stream
DIMENSIONLESS = "1"
OF_THE_CHANNEL = "as the channel's amplitude_unit"

_UNIT_BY_ENDING = {
    "_hz_per_s": "Hz/s",
    "_hz": "Hz",
    "_s": "s",
    "_rad": "rad",
    "_db": "dB",
    "_at_sample": SAMPLES,
    "_index": SAMPLES,
}
_OUTPUTS = {"pump": "pump", **{f"{mode}_drive": f"drive_{mode}" for mode in ModeId}}


def write_hdf5(reader: LogReader, path: Path | str) -> None:
    """Write a whole log as one HDF5 file.

    Parameters
    ----------
    reader : LogReader
        The log, of one piece or of all.
    path : Path or str
        The file; an older one is replaced. It appears under its name only
        when it is complete.

    Raises
    ------
    InputError
        If h5py is not installed, the log is damaged, or the file cannot be
        written.

    Notes
    -----
    Each group has the columns of its table in schema.sql, of equal length;
    unknown is NaN, and an empty text where a text is unknown. Each dataset
    has the attribute `unit`. Settings, stream and tone channels are JSON in
    attributes of the file.
    """
    h5py = _h5py()
    path = Path(path)
    partial = path.with_name(path.name + ".partial")
    try:
        with h5py.File(partial, "w") as file:
            _write_head(reader, file)
            text = h5py.string_dtype("utf-8")
            for table in TABLES:
                _write_table(reader, table, file.create_group(table), text)
        partial.replace(path)
    except OSError as error:
        partial.unlink(missing_ok=True)
        raise InputError(f"{path}: cannot be written ({error.strerror or error})") from error


def _h5py() -> Any:
    try:
        return importlib.import_module("h5py")
    except ImportError as error:
        raise InputError(
            "--to hdf5: needs the package h5py; install it by pip install 'difftone[hdf5]'"
        ) from error


def _write_head(reader: LogReader, file: Any) -> None:
    file.attrs.update(
        {
            "schema": SCHEMA,
            "log_format": FORMAT_VERSION,
            "files": ", ".join(reader.file_names),
            "started": reader.started,
            "outcome": reader.outcome or "unfinished",
            "reason": reader.reason,
            "settings": json.dumps(reader.settings, ensure_ascii=False),
            "stream": json.dumps(asdict(reader.stream)),
            "tones": json.dumps({name: asdict(each) for name, each in reader.channels.items()}),
        }
    )


def _write_table(reader: LogReader, table: str, group: Any, text: np.dtype) -> None:
    for name, dtype in reader.column_types(table).items():
        is_text = dtype == np.dtype(object)
        column = group.create_dataset(
            name,
            shape=(0,),
            maxshape=(None,),
            chunks=(CHUNK_ROWS,),
            dtype=text if is_text else dtype,
            compression="gzip",
            shuffle=not is_text,
        )
        if not is_text:
            column.attrs["unit"] = column_unit(name, reader.stream, reader.channels)
    count = 0
    for chunk in reader.table(table):
        end = count + len(next(iter(chunk.values())))
        for name, values in chunk.items():
            group[name].resize((end,))
            group[name][count:end] = _texts(values) if values.dtype == object else values
        count = end


def _texts(values: np.ndarray) -> list[str]:
    """Texts as HDF5 can hold them: one that it would end early loses its null characters."""
    return ["" if value is None else str(value).replace("\0", "") for value in values]


def column_unit(name: str, stream: StreamFormat, channels: dict[str, ToneChannel]) -> str:
    """The unit of a column of numbers, by its name.

    Parameters
    ----------
    name : str
        As in schema.sql.
    stream : StreamFormat
        Tells whether motions are in metres.
    channels : dict of str to ToneChannel
        Tell the units of what the outputs put out.

    Returns
    -------
    str
        A unit, "1" for a pure number.
    """
    for ending, unit in _UNIT_BY_ENDING.items():
        if name.endswith(ending):
            return unit
    if name in ("asked_amplitude", "set_amplitude"):
        return OF_THE_CHANNEL
    for beginning, channel in _OUTPUTS.items():
        if name == f"{beginning}_amplitude":
            return channels[channel].amplitude_unit if channel in channels else DIMENSIONLESS
    for mode in ModeId:
        if name in (f"drive_{mode}_real", f"drive_{mode}_imag"):
            channel = f"drive_{mode}"
            return channels[channel].amplitude_unit if channel in channels else DIMENSIONLESS
        if name in (f"{mode}_{part}" for part in ("amplitude", "amplitude_sigma", "real", "imag")):
            return amplitude_unit(stream)
    return DIMENSIONLESS
