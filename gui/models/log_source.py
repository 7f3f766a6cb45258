"""The log of a finished run as something that the window can draw."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from controller.runtime.log.reader import CHUNK_ROWS, LogReader
from controller.service.client import AllanSeries, ModeId, ResultEntry
from gui.models.columns import COLUMNS, LOG_COLUMNS, log_rows
from gui.models.events import EventList
from gui.models.history import DAY_ROWS, History
from gui.models.present import Origin, Present
from gui.models.wording import duration_text

LOG_NAME = "log.sqlite"

_ENDINGS = {
    "done": "done",
    "failed": "failed",
    "interrupted": "ended by its operator",
    "continued": "continued in the next file",
    None: "still running, or killed",
}


def read_log(
    path: Path,
    progress: Callable[[float], None] = lambda share: None,
    most_rows: int = DAY_ROWS,
) -> Present:
    """Read a log for the window.

    Parameters
    ----------
    path : Path
        A log, or the folder of a run.
    progress : callable
        Told what share has been read.
    most_rows : int
        A log that has more records than this is thinned to least and largest
        values of neighbouring ones.

    Returns
    -------
    Present
        As of the end of the run.

    Raises
    ------
    InputError
        If it is no log, or a damaged one.
    """
    with LogReader(path) as reader:
        count = reader.record_count
        present = Present(
            Origin.LOG,
            str(reader.folder if path.is_dir() else path),
            History(max(count, most_rows)),
            EventList(None),
        )
        merged = 2 * (-(-count // most_rows)) if count > most_rows else 1
        for read, rows in enumerate(_pieces(reader, merged), start=1):
            present.history.append(rows)
            progress(min(read * CHUNK_ROWS / max(count, 1), 1.0))
        present.look_at(present.newest_s)
        for event in reader.events():
            present.events.take(event)
        present.results = {
            name: ResultEntry(name=name, result=result, files=_figures(reader.folder, name))
            for name, result in reader.results().items()
            if isinstance(result, dict)
        }
        present.allan = {
            name: AllanSeries(
                taus_s=series.taus_s.tolist(),
                deviations_hz=_known(series.deviations_hz),
                sigmas_hz=_known(series.sigmas_hz),
            )
            for name, series in reader.allan().items()
        }
        present.line_widths_hz = _line_widths_hz(reader.settings)
        present.metres_per_unit = reader.stream.metres_per_unit
        present.started_utc = reader.started
        present.ending = _ending(reader, count, merged)
    return present


def _pieces(reader: LogReader, merged: int) -> Iterator[np.ndarray]:
    for chunk in reader.chunks(LOG_COLUMNS, rows=CHUNK_ROWS):
        rows = log_rows(chunk)
        yield rows if merged == 1 else _thinned(rows, merged)


def _thinned(rows: np.ndarray, merged: int) -> np.ndarray:
    """Two rows for each `merged`: the least values, then the largest."""
    edges = np.arange(0, len(rows), merged)
    least = np.fmin.reduceat(rows, edges, axis=0)
    largest = np.fmax.reduceat(rows, edges, axis=0)
    return np.stack((least, largest), axis=1).reshape(-1, len(COLUMNS))


def _figures(folder: Path, name: str) -> list[str]:
    """Figures of an analysis, in the folder of its run."""
    return [str(path) for path in sorted(folder.glob(f"{name}-*.svg"))]


def _known(values: np.ndarray) -> list[float | None]:
    return [float(value) if np.isfinite(value) else None for value in values]


def _line_widths_hz(settings: dict[str, object]) -> dict[ModeId, float]:
    """Of the modes that the log's settings describe; a replay may describe none."""
    modes = settings.get("modes")
    if not isinstance(modes, dict):
        return {}
    return {
        mode: float(modes[mode]["frequency_hz"]) / float(modes[mode]["quality_factor"])
        for mode in ModeId
        if modes.get(mode) and modes[mode].get("quality_factor")
    }


def _ending(reader: LogReader, count: int, merged: int) -> str:
    parts = [_ENDINGS.get(reader.outcome, str(reader.outcome))]
    if reader.reason:
        parts.append(reader.reason)
    parts.append(f"{duration_text(reader.end_s)}, {count} records")
    if merged > 1:
        parts.append(f"least and largest of {merged} records each are shown")
    return ", ".join(parts)
