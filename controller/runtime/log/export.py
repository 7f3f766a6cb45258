"""Exports a log: `tracks.csv`, one row per record.

Equal logs give equal bytes. Nothing here computes.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path
from typing import Any

from controller.errors import InputError
from controller.runtime.log.reader import LogReader

TRACK_COLUMNS = (
    "time_s",
    "lower_hz",
    "lower_sigma_hz",
    "lower_amplitude",
    "lower_state",
    "upper_hz",
    "upper_sigma_hz",
    "upper_amplitude",
    "upper_state",
    "difference_hz",
    "difference_sigma_hz",
    "pump_hz",
    "pump_amplitude",
    "pump_state",
)


def write_tracks_csv(reader: LogReader, path: Path | str) -> None:
    """Write `tracks.csv` from a log.

    Floats are written as Python's repr (they read back to the same bits), an
    unknown value is an empty field. The file appears under its name only
    when it is complete.

    Parameters
    ----------
    reader : LogReader
        The log.
    path : Path or str
        The file to write; an older one is replaced.

    Raises
    ------
    InputError
        If the log is damaged or the file cannot be written.
    """
    path = Path(path)
    partial = path.with_name(path.name + ".partial")
    try:
        with partial.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(TRACK_COLUMNS)
            for rows in reader.tracks():
                writer.writerows(map(_known_fields, rows))
        partial.replace(path)
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error.strerror})") from error


def _known_fields(row: tuple[Any, ...]) -> list[Any]:
    """The row with an infinite value as unknown; NaN is NULL in the log already."""
    return [None if isinstance(value, float) and math.isinf(value) else value for value in row]
