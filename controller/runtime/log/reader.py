"""Reads the log of a run: finished, running, or killed.

Only reads. What comes back is arrays in bounded pieces, so that the memory
used does not grow with the length of the run. Every fault of the file is an
InputError of one sentence.
"""

from __future__ import annotations

import json
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np

from controller.errors import InputError
from controller.instrument import StreamFormat, Tone, ToneChannel
from controller.records import Event, Section
from controller.runtime.log import APPLICATION_ID, FORMAT_VERSION
from controller.runtime.log.columns import RECORD_COLUMNS, STATE_COLUMNS

# Rows held at a time: large enough that the cost per row is that of SQLite,
# small enough to stay at a few megabytes (arbitrary between 1e3 and 1e5).
CHUNK_ROWS = 8192

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
        A log file.

    Attributes
    ----------
    settings : dict
        The configuration of the run.
    stream : StreamFormat
        What the samples mean.
    channels : dict of str to ToneChannel
        The tone outputs by name.
    outcome : str or None
        "done", "failed" or "interrupted"; None: running, or killed.
    reason : str
        Why it ended so.
    started : str
        Wall-clock start in UTC, empty where it was not stamped.

    Raises
    ------
    InputError
        If the file is missing, damaged, or not a log of this project. The
        iterators raise it too, when they come to a damaged page.
    """

    def __init__(self, path: Path | str) -> None:
        self.path = Path(path)
        if not self.path.is_file():
            raise InputError(f"{self.path}: no such file; give the log.sqlite of a run")
        self._copy: tempfile.TemporaryDirectory[str] | None = None
        self._database = self._opened()
        try:
            self._read_head()
        except InputError:
            self.close()
            raise

    def _opened(self) -> sqlite3.Connection:
        """A read-only connection that sees what a killed run left in its WAL."""
        write_ahead = self.path.with_name(self.path.name + "-wal")
        if not write_ahead.exists():
            # Closed properly: nobody writes it any more, and SQLite need not
            # set up (and leave behind) the shared index of a WAL.
            return self._connected(self.path, "mode=ro&immutable=1")
        with suppress(InputError):
            return self._connected(self.path, "mode=ro")
        # Where the folder may not be written, SQLite cannot set up the shared
        # index of the WAL: read a copy.
        self._copy = tempfile.TemporaryDirectory(prefix="difftone-log-")
        copy = Path(self._copy.name) / "log.sqlite"
        try:
            shutil.copyfile(self.path, copy)
            shutil.copyfile(write_ahead, copy.with_name("log.sqlite-wal"))
        except OSError as error:
            raise InputError(f"{self.path}: the log cannot be read ({error.strerror})") from error
        return self._connected(copy, "mode=rw")

    def _connected(self, path: Path, options: str) -> sqlite3.Connection:
        """A connection that has proved it can read the file."""
        database: sqlite3.Connection | None = None
        try:
            database = sqlite3.connect(f"{path.absolute().as_uri()}?{options}", uri=True)
            database.execute("SELECT count(*) FROM sqlite_master").fetchone()
        except sqlite3.Error as error:
            if database is not None:
                database.close()
            raise InputError(
                f"{self.path}: not a readable log; give the log.sqlite of a run ({error})"
            ) from error
        return database

    def _read_head(self) -> None:
        [(application_id,)] = self._rows("PRAGMA application_id")
        if application_id != APPLICATION_ID:
            raise InputError(f"{self.path}: not a log of difftone; give the log.sqlite of a run")
        head = list(
            self._rows(
                "SELECT format_version, started, settings, stream, tones, outcome, reason FROM run"
            )
        )
        if len(head) != 1 or head[0][0] != FORMAT_VERSION:
            raise InputError(
                f"{self.path}: log format {head[0][0] if head else 'unknown'};"
                f" this version of difftone reads format {FORMAT_VERSION}"
            )
        _, self.started, settings, stream, tones, self.outcome, self.reason = head[0]
        try:
            self.settings: dict[str, Any] = json.loads(settings)
            self.stream = StreamFormat(**json.loads(stream))
            self.channels = {
                name: ToneChannel(**{**channel, "waveforms": tuple(channel["waveforms"])})
                for name, channel in json.loads(tones).items()
            }
        except (ValueError, TypeError, KeyError) as error:
            raise InputError(f"{self.path}: the head of the log is damaged ({error})") from error

    def __enter__(self) -> LogReader:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._database.close()
        if self._copy is not None:
            self._copy.cleanup()

    def _rows(self, query: str, values: Sequence[Any] = ()) -> Iterator[tuple[Any, ...]]:
        for rows in self._row_chunks(query, values):
            yield from rows

    def _row_chunks(
        self, query: str, values: Sequence[Any] = (), rows: int = CHUNK_ROWS
    ) -> Iterator[list[tuple[Any, ...]]]:
        try:
            with closing(self._database.execute(query, values)) as cursor:
                while chunk := cursor.fetchmany(rows):
                    yield chunk
        except sqlite3.Error as error:
            raise InputError(f"{self.path}: the log is damaged ({error})") from error

    @property
    def record_count(self) -> int:
        """Number of records committed so far."""
        [(count,)] = self._rows("SELECT count(*) FROM records")
        return int(count)

    @property
    def end_s(self) -> float:
        """Stream time of the newest row of any kind [s]; 0.0 in an empty log."""
        [(end_s,)] = self._rows(
            "SELECT max("
            " coalesce((SELECT time_s FROM records ORDER BY sample_index DESC LIMIT 1), 0.0),"
            " coalesce((SELECT max(time_s) FROM events), 0.0),"
            " coalesce((SELECT max(time_s) FROM tones), 0.0))"
        )
        return float(end_s)

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
        for index, time_s, source, kind, text in self._rows(
            "SELECT sample_index, time_s, source, kind, text FROM events ORDER BY rowid"
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
        chosen = "" if channel is None else "WHERE channel = ?"
        query = f"SELECT {_TONE_COLUMNS} FROM tones {chosen} ORDER BY rowid"
        for row in self._rows(query, () if channel is None else (channel,)):
            yield _logged_tone(row)

    def allan(self) -> dict[str, AllanSeries]:
        """The newest running Allan deviation of each series."""
        rows: dict[str, list[tuple[float, ...]]] = {}
        for series, *values in self._rows(
            "SELECT series, tau_s, deviation_hz, sigma_hz FROM allan AS row WHERE sample_index ="
            " (SELECT max(sample_index) FROM allan WHERE series = row.series) ORDER BY tau_s"
        ):
            rows.setdefault(series, []).append(tuple(values))
        found = {name: np.array(values, dtype=float).T for name, values in rows.items()}
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
