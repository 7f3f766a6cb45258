"""Writes the log of a run: rows are buffered and committed once a second.

One thread at a time owns the writer. A run that is killed loses at most the
last second of stream time; a commit that fails keeps its rows for the next.
Nothing here decides or computes.
"""

from __future__ import annotations

import json
import sqlite3
from collections import Counter
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

from controller.errors import InputError, RunFailed
from controller.instrument import StreamFormat, Tone, ToneChannel
from controller.records import Baseband, Event, Record, Section
from controller.runtime.log import FORMAT_VERSION
from controller.runtime.log.columns import RECORD_COLUMNS, record_row


def _plain(value: Any) -> Any:
    """Numpy's numbers and arrays as Python's own."""
    if isinstance(value, np.generic | np.ndarray):
        return value.tolist()
    raise TypeError(f"{value!r} is no number, text, list or table: the log cannot hold it")


# SQLite would store a numpy integer as a blob of bytes, silently.
for _kind in (np.int32, np.int64, np.uint64, np.float32):
    sqlite3.register_adapter(_kind, _plain)

_COLUMN_COUNTS = {
    "records": len(RECORD_COLUMNS),
    "basebands": 13,
    "sections": 9,
    "events": 5,
    "tones": 18,
    "allan": 6,
    "results": 2,
}

BUSY_S = 5.0  # how long a commit waits for another program that holds the file

# What Python and SQLite raise for a value that a table cannot hold: a text that is no
# Unicode, a number beyond 64 bits, NaN where something has to be known, a foreign type.
_UNFIT = (
    TypeError,
    ValueError,
    OverflowError,
    sqlite3.IntegrityError,
    sqlite3.InterfaceError,
    sqlite3.ProgrammingError,
)


class UnfitRow(RunFailed):
    """A row holds a value that its table cannot; the file itself is in order."""


def _insert(table: str, columns: Sequence[str] = ()) -> str:
    names = f"({', '.join(columns)})" if columns else ""
    marks = ", ".join("?" * _COLUMN_COUNTS[table])
    # A second record at one sample index corrects the first.
    return f"INSERT OR REPLACE INTO {table} {names} VALUES ({marks})"


_INSERTS = {
    "records": _insert("records", RECORD_COLUMNS),
    "basebands": _insert("basebands"),
    "sections": _insert("sections"),
    "events": _insert("events"),
    "tones": _insert("tones"),
    "allan": _insert("allan"),
    "results": _insert("results"),
}


class LogWriter:
    """The log of one run, open for writing.

    Parameters
    ----------
    path : Path or str
        The file to make; it must not exist.
    settings : str
        The configuration of the run as JSON.
    stream : StreamFormat
        What the samples mean; its rate turns sample indices into times.
    tones : mapping of str to ToneChannel
        The tone outputs by name.
    started : str
        Wall-clock start in UTC, ISO 8601; empty: not stamped.
    piece : int
        Which piece of a long log this is, from 1.
    carried_tones, carried_events : int
        How many of its first tones and events repeat what the piece before
        has, so that this one can be understood alone.
    busy_s : float
        How long a commit waits for another program that holds the file [s].

    Raises
    ------
    InputError
        If the file exists or cannot be made; what was begun of it is removed.

    Notes
    -----
    `commit` and `close` raise RunFailed if the file cannot be written (full
    disk), and UnfitRow if a row holds what its table cannot.
    """

    def __init__(
        self,
        path: Path | str,
        *,
        settings: str,
        stream: StreamFormat,
        tones: Mapping[str, ToneChannel],
        started: str = "",
        piece: int = 1,
        carried_tones: int = 0,
        carried_events: int = 0,
        busy_s: float = BUSY_S,
    ) -> None:
        self.path = Path(path)
        self._sample_rate_hz = stream.sample_rate_hz
        self._commit_samples = stream.sample_rate_hz  # one second of stream time
        self._committed_index = 0
        self._newest_index = 0
        self._rows: dict[str, list[tuple[Any, ...]]] = {table: [] for table in _INSERTS}
        self._closed = False
        channels = {name: asdict(channel) for name, channel in tones.items()}
        self._database = self._created(
            {
                "format_version": FORMAT_VERSION,
                "started": started,
                "settings": settings,
                "stream": json.dumps(asdict(stream)),
                "tones": json.dumps(channels),
                "piece": piece,
                "carried_tones": carried_tones,
                "carried_events": carried_events,
            },
            busy_s,
        )

    def _created(self, head: Mapping[str, Any], busy_s: float) -> sqlite3.Connection:
        if self.path.exists():
            raise InputError(f"{self.path}: a log is there already; choose an unused folder")
        database: sqlite3.Connection | None = None
        try:
            database = sqlite3.connect(
                self.path, timeout=busy_s, isolation_level=None, check_same_thread=False
            )
            # A commit survives a killed process at once, a power cut at the
            # next checkpoint; neither can leave the file inconsistent.
            database.execute("PRAGMA journal_mode = WAL")
            database.execute("PRAGMA synchronous = NORMAL")
            schema = files("controller.runtime.log").joinpath("schema.sql").read_text("utf-8")
            database.executescript(f"BEGIN;{schema}")
            database.execute(
                f"INSERT INTO run ({', '.join(head)}) VALUES ({', '.join('?' * len(head))})",
                tuple(head.values()),
            )
            database.execute("COMMIT")
            # Without its head no row can be understood: it goes to the file itself.
            database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        except sqlite3.Error as error:
            if database is not None:
                database.close()
            for path in self._files:
                with suppress(OSError):
                    path.unlink()
            raise InputError(f"{self.path}: the log cannot be made here ({error})") from error
        return database

    @property
    def _files(self) -> tuple[Path, Path, Path]:
        """The file itself, its write-ahead log, and the index of that."""
        name = self.path.name
        return self.path, self.path.with_name(f"{name}-wal"), self.path.with_name(f"{name}-shm")

    @property
    def pending_rows(self) -> int:
        """Rows that are not committed yet."""
        return sum(map(len, self._rows.values()))

    @property
    def size_bytes(self) -> int:
        """What the log takes on its disk, with what is not yet in the file itself."""
        return sum(path.stat().st_size for path in self._files[:2] if path.exists())

    def record(self, record: Record) -> None:
        """Add one record."""
        self._rows["records"].append(record_row(record))
        self._newest_index = max(self._newest_index, record.sample_index)

    def baseband(self, baseband: Baseband) -> None:
        """Add both modes and all tones of one update."""
        both = (baseband.lower, baseband.upper)
        drives = (baseband.drive_lower, baseband.drive_upper)
        self._rows["basebands"].append(
            (
                baseband.sample_index,
                baseband.time_s,
                baseband.duration_s,
                *_parts(*both),
                baseband.pump_amplitude,
                baseband.pump_phase_rad,
                *_parts(*drives),
            )
        )

    def section(self, section: Section) -> None:
        """Add a step of a protocol that has ended."""
        self._rows["sections"].append(
            (
                section.number,
                section.name,
                section.kind,
                json.dumps(dict(section.parameters)),
                section.start_s,
                section.end_s,
                int(section.completed),
                section.attempt,
                section.reason,
            )
        )

    def event(self, event: Event) -> None:
        """Add one event."""
        self._rows["events"].append(
            (event.sample_index, event.time_s, event.source, event.kind, event.text)
        )
        self._newest_index = max(self._newest_index, event.sample_index)

    def tone(
        self, asked: Tone, set_: Tone | None, reason: str = "", *, at_index: int | None = None
    ) -> None:
        """Add one tone command.

        Parameters
        ----------
        asked : Tone
            What the supervisor commanded.
        set_ : Tone or None
            What the instrument really set; None: it refused.
        reason : str
            Why it was commanded, or why it was refused.
        at_index : int or None
            End of the stream read when it was commanded [samples]; None: the
            newest sample index that the log has seen.
        """
        index = self._newest_index if at_index is None else at_index
        self._rows["tones"].append(
            (
                index,
                index / self._sample_rate_hz,
                asked.channel,
                *_tone_values(asked),
                *(_tone_values(set_) if set_ is not None else (None,) * 6),
                asked.waveform,
                asked.pulse_s,
                reason,
            )
        )

    def allan(
        self,
        sample_index: int,
        series: str,
        taus_s: Sequence[float] | np.ndarray,
        deviations: Sequence[float] | np.ndarray,
        sigmas: Sequence[float] | np.ndarray,
    ) -> None:
        """Add the running Allan deviation of one series.

        Parameters
        ----------
        sample_index : int
            Where in the stream it stands [samples].
        series : str
            "difference", "lower" or "upper"; "predicted": what the noise
            model predicts for the difference.
        taus_s, deviations, sigmas : sequences of float, shape (n,)
            Averaging times [s], deviations and their standard deviations
            [Hz]; NaN is unknown.
        """
        time_s = sample_index / self._sample_rate_hz
        self._rows["allan"].extend(
            (sample_index, time_s, series, float(tau), float(deviation), float(sigma))
            for tau, deviation, sigma in zip(taus_s, deviations, sigmas, strict=True)
        )

    def result(self, name: str, result: Mapping[str, Any]) -> None:
        """Keep the result of a protocol step or a fit; a newer one replaces it."""
        self._rows["results"].append((name, json.dumps(dict(result), default=_plain)))

    def commit_if_due(self, sample_index: int) -> None:
        """Commit what is buffered if a second of stream time has passed.

        Parameters
        ----------
        sample_index : int
            End of the stream read so far [samples].
        """
        self._newest_index = max(self._newest_index, sample_index)
        if sample_index - self._committed_index >= self._commit_samples:
            self._committed_index = sample_index
            self.commit()

    def commit(self) -> None:
        """Commit what is buffered; if that fails, it stays buffered."""
        try:
            self._database.execute("BEGIN")
            for table, rows in self._rows.items():
                if rows:
                    self._database.executemany(_INSERTS[table], rows)
            self._database.execute("COMMIT")
        except (sqlite3.Error, *_UNFIT) as error:
            self._roll_back()
            if isinstance(error, _UNFIT):
                raise UnfitRow(f"{self.path}: the log cannot hold this ({error})") from error
            raise RunFailed(f"{self.path}: the log cannot be written ({error})") from error
        for rows in self._rows.values():
            rows.clear()

    def _roll_back(self) -> None:
        with suppress(sqlite3.Error):
            if self._database.in_transaction:
                self._database.rollback()

    def leave_out_unfit_rows(self) -> Counter[str]:
        """Drop the buffered rows that their tables cannot hold.

        Returns
        -------
        Counter of str
            How many, by table.

        Raises
        ------
        RunFailed
            If the file cannot be written.
        """
        left_out: Counter[str] = Counter()
        try:
            self._database.execute("BEGIN")
            for table, rows in self._rows.items():
                fitting = [row for row in rows if self._fits(table, row)]
                left_out[table] = len(rows) - len(fitting)
                rows[:] = fitting
        except sqlite3.Error as error:
            raise RunFailed(f"{self.path}: the log cannot be written ({error})") from error
        finally:
            self._roll_back()
        return +left_out

    def _fits(self, table: str, row: tuple[Any, ...]) -> bool:
        try:
            self._database.execute(_INSERTS[table], row)
        except _UNFIT:
            return False
        return True

    def take_rows_of(self, other: LogWriter) -> None:
        """Take over the rows that another writer has not committed."""
        for table, rows in other._rows.items():
            self._rows[table] += rows
            rows.clear()

    def close(self, outcome: str, reason: str = "") -> None:
        """Commit, state how the run ended, and close the file.

        Parameters
        ----------
        outcome : str
            "done", "failed" or "interrupted"; of a piece that the next one
            goes on from "continued".
        reason : str
            Why, in words.

        Raises
        ------
        RunFailed
            If the file cannot be written; it is closed all the same.
        """
        if self._closed:
            return
        self._closed = True
        try:
            self.commit()
            self._database.execute("UPDATE run SET outcome = ?, reason = ?", (outcome, reason))
        except (sqlite3.Error, *_UNFIT) as error:
            raise RunFailed(f"{self.path}: the log cannot be written ({error})") from error
        finally:
            self._database.close()


def _tone_values(tone: Tone) -> tuple[Any, ...]:
    return (
        tone.at_sample,
        tone.frequency_hz,
        tone.amplitude,
        tone.phase_rad,
        tone.chirp_hz_per_s,
        tone.ramp_s,
    )


def _parts(*values: complex) -> tuple[float, ...]:
    return tuple(part for value in values for part in (value.real, value.imag))
