"""One file of a log, open for reading: finished, being written, or killed."""

from __future__ import annotations

import json
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.errors import InputError
from controller.instrument import StreamFormat, ToneChannel
from controller.runtime.log import APPLICATION_ID, READABLE_VERSIONS

_FIRST_WITH_PIECES = 3  # format version


@dataclass(frozen=True, slots=True, kw_only=True)
class LogHead:
    """What stands at the head of a piece."""

    started: str
    settings: dict[str, Any]
    stream: StreamFormat
    channels: dict[str, ToneChannel]
    outcome: str | None
    reason: str
    number: int  # of the piece, from 1
    carried: Mapping[str, int]  # by table: how many first rows repeat the piece before

    def is_of_the_run_of(self, other: LogHead) -> bool:
        """Whether both are heads of one run."""
        return (self.started, self.settings, self.stream, self.channels) == (
            other.started,
            other.settings,
            other.stream,
            other.channels,
        )


class EmptyPiece(InputError):
    """A file without a head: it is just being made, or its program was killed then."""


class OpenPiece:
    """One file of a log.

    Parameters
    ----------
    path : Path
        The file.

    Attributes
    ----------
    head : LogHead
        What stands at its head.

    Raises
    ------
    InputError
        If the file is missing, damaged, or not a log of this project.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        if not self.path.is_file():
            raise InputError(f"{self.path}: no such file; give the log.sqlite of a run")
        self._copy: tempfile.TemporaryDirectory[str] | None = None
        self._database = self._opened()
        try:
            self.head = self._read_head()
        except InputError:
            self.close()
            raise

    def __repr__(self) -> str:
        return f"OpenPiece({self.path})"

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

    def _read_head(self) -> LogHead:
        if list(self.rows("SELECT count(*) FROM sqlite_master")) == [(0,)]:
            raise EmptyPiece(f"{self.path}: nothing is in it; give the log.sqlite of a run")
        [(application_id,)] = self.rows("PRAGMA application_id")
        if application_id != APPLICATION_ID:
            raise InputError(f"{self.path}: not a log of difftone; give the log.sqlite of a run")
        versions = [version for (version,) in self.rows("SELECT format_version FROM run")]
        if len(versions) != 1 or versions[0] not in READABLE_VERSIONS:
            raise InputError(
                f"{self.path}: log format {versions[0] if versions else 'unknown'}; this version"
                f" of difftone reads the formats {', '.join(map(str, READABLE_VERSIONS))}"
            )
        pieces = "piece, carried_tones, carried_events"
        [(started, settings, stream, tones, outcome, reason, number, *carried)] = self.rows(
            "SELECT started, settings, stream, tones, outcome, reason,"
            f" {pieces if versions[0] >= _FIRST_WITH_PIECES else '1, 0, 0'} FROM run"
        )
        try:
            return LogHead(
                started=started,
                settings=json.loads(settings),
                stream=StreamFormat(**json.loads(stream)),
                channels={
                    name: ToneChannel(**{**channel, "waveforms": tuple(channel["waveforms"])})
                    for name, channel in json.loads(tones).items()
                },
                outcome=outcome,
                reason=reason,
                number=number,
                carried=dict(zip(("tones", "events"), carried, strict=True)),
            )
        except (ValueError, TypeError, KeyError) as error:
            raise InputError(f"{self.path}: the head of the log is damaged ({error})") from error

    def rows(self, query: str, values: Sequence[Any] = ()) -> Iterator[tuple[Any, ...]]:
        """What a query finds, row by row."""
        for chunk in self.row_chunks(query, values, rows=1):
            yield from chunk

    def row_chunks(
        self, query: str, values: Sequence[Any], rows: int
    ) -> Iterator[list[tuple[Any, ...]]]:
        """What a query finds, in lists of at most so many rows.

        Parameters
        ----------
        query : str
            In SQL.
        values : sequence
            For its question marks.
        rows : int
            Longest list.

        Yields
        ------
        list of tuple
            Rows.

        Raises
        ------
        InputError
            If the file is damaged.
        """
        try:
            with closing(self._database.execute(query, values)) as cursor:
                while chunk := cursor.fetchmany(rows):
                    yield chunk
        except sqlite3.Error as error:
            raise InputError(f"{self.path}: the log is damaged ({error})") from error

    def close(self) -> None:
        """Close the file."""
        self._database.close()
        if self._copy is not None:
            self._copy.cleanup()
