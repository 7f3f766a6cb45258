"""Reads the log of a run: finished, running, or killed.

Only reads. What comes back is arrays of bounded length, so that the memory
used does not grow with the length of the run. A long log in several files is
read as one. Every fault of a file is an InputError of one sentence.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np

from controller.errors import InputError
from controller.instrument import Tone
from controller.records import Event, Section
from controller.runtime.log.columns import RECORD_COLUMNS, STATE_COLUMNS
from controller.runtime.log.open_piece import EmptyPiece, OpenPiece
from controller.runtime.log.pieces import LOG_NAME, piece_paths

# Rows held at a time: large enough that the cost per row is that of SQLite,
# small enough to stay at a few megabytes (arbitrary between 1e3 and 1e5).
CHUNK_ROWS = 8192

TABLES = ("records", "basebands", "sections", "events", "tones", "allan", "results")
"""The tables of a log besides its head, as in schema.sql."""

# The members of a Tone in their order, as asked and as set: a day has millions.
_TONE_COLUMNS = (
    "sample_index, time_s, channel, reason,"
    " asked_at_sample, asked_frequency_hz, asked_amplitude, asked_phase_rad,"
    " asked_chirp_hz_per_s, asked_ramp_s, waveform, pulse_s,"
    " set_at_sample, set_frequency_hz, set_amplitude, set_phase_rad,"
    " set_chirp_hz_per_s, set_ramp_s, waveform, pulse_s"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggedTone:
    """One tone command: as asked, and as really set."""

    sample_index: int  # end of the stream read when it was commanded
    time_s: float
    asked: Tone
    set_tone: Tone | None  # None: refused, the channel kept what it had
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AllanSeries:
    """The newest running Allan deviation of one series."""

    taus_s: np.ndarray  # (n,)
    deviations_hz: np.ndarray  # (n,)
    sigmas_hz: np.ndarray  # (n,)


class LogReader:
    """The log of one run, open for reading.

    Parameters
    ----------
    path : Path or str
        A log file, which is read alone, or the folder of a run: all pieces
        of its log as one.

    Attributes
    ----------
    settings : dict
        The configuration of the run.
    stream : StreamFormat
        What the samples mean.
    channels : dict of str to ToneChannel
        The tone outputs by name.
    outcome : str or None
        "done", "failed" or "interrupted", of a piece alone also "continued";
        None: running, or killed.
    reason : str
        Why it ended so.
    started : str
        Wall-clock start in UTC, empty where it was not stamped.

    Raises
    ------
    InputError
        If the file is missing, damaged, or not a log of this project, or the
        pieces are not of one run. The iterators raise it too, when they come
        to a damaged page.
    """

    def __init__(self, path: Path | str) -> None:
        self.path = Path(path)
        paths = [self.path]
        if self.path.is_dir():
            paths = piece_paths(self.path)
            if not paths:
                raise InputError(
                    f"{self.path}: no such file as {LOG_NAME} in it; give the folder of a run"
                )
        self._pieces: list[OpenPiece] = []
        try:
            for each in paths:
                with suppress(*([EmptyPiece] if self._pieces else ())):
                    self._pieces.append(OpenPiece(each))
            self._read_heads()
        except InputError:
            self.close()
            raise

    def _read_heads(self) -> None:
        first = self._pieces[0].head
        for piece in self._pieces:
            if not piece.head.is_of_the_run_of(first):
                raise InputError(
                    f"{piece.path}: belongs to another run than {self._pieces[0].path.name};"
                    " keep each run in a folder of its own"
                )
        self.started, self.settings, self.stream = first.started, first.settings, first.stream
        self.channels = first.channels
        self.outcome, self.reason = self._pieces[-1].head.outcome, self._pieces[-1].head.reason

    @property
    def folder(self) -> Path:
        """The folder of the run."""
        return self._pieces[0].path.parent

    @property
    def file_names(self) -> tuple[str, ...]:
        """The files that are read, in order."""
        return tuple(piece.path.name for piece in self._pieces)

    def __enter__(self) -> LogReader:
        return self

    def __exit__(self, *details: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the files."""
        for piece in self._pieces:
            piece.close()

    def _rows(self, query: str, values: Sequence[Any] = ()) -> Iterator[tuple[Any, ...]]:
        for rows in self._row_chunks(query, values):
            yield from rows

    def _row_chunks(
        self, query: str, values: Sequence[Any] = (), rows: int = CHUNK_ROWS
    ) -> Iterator[list[tuple[Any, ...]]]:
        """What a query finds in each piece; the pieces follow each other in time."""
        for piece in self._pieces:
            yield from piece.row_chunks(query, values, rows)

    def _own_rows(
        self, columns: str, table: str, where: str = "1", values: Sequence[Any] = ()
    ) -> Iterator[tuple[Any, ...]]:
        """Rows as they were written, without what a piece repeats of the one before it."""
        before: int | None = None
        for piece in self._pieces:
            follows = before == piece.head.number - 1
            skipped = piece.head.carried.get(table, 0) if follows else 0
            # Where nothing is skipped a row id may be anything: it may be a sample index.
            own = f"rowid > {skipped}" if skipped else "1"
            query = f"SELECT {columns} FROM {table} WHERE {where} AND {own} ORDER BY rowid"
            for rows in piece.row_chunks(query, values, CHUNK_ROWS):
                yield from rows
            before = piece.head.number

    @property
    def record_count(self) -> int:
        """Number of records committed so far."""
        return sum(int(count) for (count,) in self._rows("SELECT count(*) FROM records"))

    @property
    def end_s(self) -> float:
        """Stream time of the newest row of any kind [s]; 0.0 in an empty log."""
        ends_s = self._rows(
            "SELECT max("
            " coalesce((SELECT time_s FROM records ORDER BY sample_index DESC LIMIT 1), 0.0),"
            " coalesce((SELECT max(time_s) FROM events), 0.0),"
            " coalesce((SELECT max(time_s) FROM tones), 0.0))"
        )
        return max(float(end_s) for (end_s,) in ends_s)

    def chunks(
        self, names: Sequence[str] = RECORD_COLUMNS, *, rows: int = CHUNK_ROWS
    ) -> Iterator[dict[str, np.ndarray]]:
        """Records in order, as columns of a bounded number of rows.

        Parameters
        ----------
        names : sequence of str
            Columns of the `records` table (schema.sql).
        rows : int
            Largest number of rows in a piece.

        Yields
        ------
        dict of str to ndarray, shape (n,)
            States as text, all else as float64 with NaN for unknown.

        Raises
        ------
        ValueError
            If a name is not a column.
        InputError
            If the file is damaged.
        """
        if unknown := sorted(set(names) - set(RECORD_COLUMNS)):
            raise ValueError(f"no such column in the records: {', '.join(unknown)}")
        query = f"SELECT {', '.join(names)} FROM records ORDER BY sample_index"
        for chunk in self._row_chunks(query, rows=rows):
            yield _columns(names, chunk)

    def columns(self, names: Sequence[str] = RECORD_COLUMNS) -> dict[str, np.ndarray]:
        """All records at once, as `chunks` gives them; for logs that fit in memory."""
        pieces = list(self.chunks(names))
        if not pieces:
            return _columns(names, [])
        return {name: np.concatenate([piece[name] for piece in pieces]) for name in names}

    def tracks(self) -> Iterator[list[tuple[Any, ...]]]:
        """Rows of the view `tracks`, in bounded pieces; None is unknown."""
        return self._row_chunks("SELECT * FROM tracks")

    def events(self) -> Iterator[Event]:
        """Events in the order in which they happened."""
        for index, time_s, source, kind, text in self._own_rows(
            "sample_index, time_s, source, kind, text", "events"
        ):
            yield Event(sample_index=index, time_s=time_s, source=source, kind=kind, text=text)

    def sections(self) -> Iterator[Section]:
        """Steps of the protocol in the order in which they ended."""
        query = (
            "SELECT number, name, kind, parameters, start_s, end_s, completed, attempt, reason"
            " FROM sections ORDER BY rowid"
        )
        for number, name, kind, parameters, start_s, end_s, completed, *last in self._rows(query):
            yield Section(
                number=number,
                name=name,
                kind=kind,
                parameters=self._json(parameters),
                start_s=start_s,
                end_s=end_s,
                completed=bool(completed),
                attempt=last[0],
                reason=last[1],
            )

    def basebands(self) -> dict[str, np.ndarray]:
        """Updates that a protocol recorded, as columns of equal length n.

        Returns
        -------
        dict of str to ndarray, shape (n,)
            time_s, duration_s, pump_amplitude, pump_phase_rad as float64;
            lower, upper, drive_lower, drive_upper as complex128.
        """
        names = ("time_s", "duration_s", "pump_amplitude", "pump_phase_rad")
        pairs = ("lower", "upper", "drive_lower", "drive_upper")
        parts = [f"{name}_{part}" for name in pairs for part in ("real", "imag")]
        query = f"SELECT {', '.join((*names, *parts))} FROM basebands ORDER BY sample_index"
        table = np.array(list(self._rows(query)), dtype=float).reshape(-1, len(names) + len(parts))
        columns: dict[str, np.ndarray] = dict(zip(names, table.T, strict=False))
        for place, name in enumerate(pairs):
            real, imaginary = table.T[len(names) + 2 * place : len(names) + 2 * place + 2]
            columns[name] = real + 1j * imaginary
        return columns

    def table(self, name: str) -> Iterator[dict[str, np.ndarray]]:
        """Any table as it was written, as columns of a bounded number of rows.

        Parameters
        ----------
        name : str
            One of TABLES.

        Yields
        ------
        dict of str to ndarray, shape (n,)
            As `column_types` tells.

        Raises
        ------
        InputError
            If the file is damaged.
        """
        types = self.column_types(name)
        rows = self._own_rows(", ".join(types), name)
        while chunk := list(islice(rows, CHUNK_ROWS)):
            columns = zip(*chunk, strict=True)
            yield {
                column: np.array(values, dtype=types[column])
                for column, values in zip(types, columns, strict=True)
            }

    def column_types(self, table: str) -> dict[str, np.dtype]:
        """The columns of a table by the names of schema.sql, and what they are read as.

        Parameters
        ----------
        table : str
            One of TABLES.

        Returns
        -------
        dict of str to dtype
            int64 for a whole number that is always known, float64 with NaN
            for unknown elsewhere; text as objects, None for unknown.

        Raises
        ------
        ValueError
            If there is no such table.
        """
        if table not in TABLES:
            raise ValueError(f"no such table in a log: {table}")
        described = self._pieces[0].rows(f"PRAGMA table_info({table})")
        return {
            name: np.dtype(_dtype(declared, bool(is_known or is_key)))
            for _, name, declared, is_known, _, is_key in described
        }

    def _json(self, text: str) -> dict[str, Any]:
        try:
            return dict(json.loads(text))
        except ValueError as error:
            raise InputError(f"{self.path}: the log is damaged ({error})") from error

    def tones(self, channel: str | None = None) -> Iterator[LoggedTone]:
        """Tone commands in the order in which they were given.

        Parameters
        ----------
        channel : str or None
            One channel only; None: all of them.
        """
        chosen: tuple[str, Sequence[str]] = ("1", ())
        if channel is not None:
            chosen = ("channel = ?", (channel,))
        for row in self._own_rows(_TONE_COLUMNS, "tones", *chosen):
            yield _logged_tone(row)

    def allan(self) -> dict[str, AllanSeries]:
        """The newest running Allan deviation of each series."""
        query = (
            "SELECT series, tau_s, deviation_hz, sigma_hz FROM allan AS row WHERE sample_index ="
            " (SELECT max(sample_index) FROM allan WHERE series = row.series) ORDER BY tau_s"
        )
        found: dict[str, np.ndarray] = {}
        for piece in self._pieces:
            rows: dict[str, list[tuple[float, ...]]] = {}
            for chunk in piece.row_chunks(query, (), CHUNK_ROWS):
                for series, *values in chunk:
                    rows.setdefault(series, []).append(tuple(values))
            found |= {name: np.array(values, dtype=float).T for name, values in rows.items()}
        return {
            name: AllanSeries(taus_s=taus_s, deviations_hz=deviations_hz, sigmas_hz=sigmas_hz)
            for name, (taus_s, deviations_hz, sigmas_hz) in found.items()
        }

    def results(self) -> dict[str, Any]:
        """Results of protocol steps and fits by name."""
        try:
            return {
                name: json.loads(value)
                for name, value in self._rows("SELECT name, value FROM results ORDER BY rowid")
            }
        except ValueError as error:
            raise InputError(f"{self.path}: a result in the log is damaged ({error})") from error


def _dtype(declared: str, is_known: bool) -> type:
    """What a column of SQLite's type is read as."""
    if declared == "TEXT":
        return object
    return np.int64 if declared == "INTEGER" and is_known else np.float64


def _columns(names: Sequence[str], rows: list[tuple[Any, ...]]) -> dict[str, np.ndarray]:
    values = zip(*rows, strict=True) if rows else (() for _ in names)
    return {
        name: np.array(column, dtype=str if name in STATE_COLUMNS else float)
        for name, column in zip(names, values, strict=True)
    }


def _logged_tone(row: tuple[Any, ...]) -> LoggedTone:
    index, time_s, channel, reason = row[:4]
    asked, really_set = row[4:12], row[12:]
    return LoggedTone(
        sample_index=index,
        time_s=time_s,
        asked=Tone(channel, *asked),
        set_tone=None if really_set[0] is None else Tone(channel, *really_set),
        reason=reason,
    )
