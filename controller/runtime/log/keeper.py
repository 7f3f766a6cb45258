"""Keeps a log going: piece after piece, through full disks and locked files.

What a log is handed stays here until it is committed. When the file cannot be
written, nothing is taken any more; when it can be again, the log goes on and
says for how long it stood still and what it lacks. No thread, no waiting:
`controller.runtime.log.thread` calls this.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from datetime import date
from pathlib import Path
from typing import Any

from controller.errors import DifftoneError, InputError, RunFailed
from controller.instrument import StreamFormat, Tone, ToneChannel
from controller.records import Event
from controller.runtime.log.handed_over import Entry
from controller.runtime.log.pieces import ONE_PIECE, Rotation, piece_path, utc_today
from controller.runtime.log.writer import LogWriter, UnfitRow

# How long a commit waits for another program that holds the file: shorter than the second
# between two looks, so that the state is told in time.
BUSY_S = 0.5

CONTINUED = "continued"  # outcome of a piece that the next one goes on from
SOURCE = "log"  # of the events that the log writes itself

_INTERLOCK_KINDS = ("interlock_open", "interlock_closed")
# A file with these faults does not get well again by waiting.
_LOST_FILES = frozenset({"SQLITE_CORRUPT", "SQLITE_NOTADB"})


class LogKeeper:
    """The log of one run in as many pieces as it takes.

    Parameters
    ----------
    path : Path
        The file of the first piece; it must not exist.
    settings, stream, tones, started
        As in LogWriter.
    rotation : Rotation
        When the next piece is begun.
    today : callable
        The day, for a daily rotation.

    Attributes
    ----------
    rows : int
        Rows committed.
    unfit : Counter of str
        Entries that no table took, by the method's name.
    stopped_because : str
        Why the log cannot be written; empty while it can.
    complaint : str
        What else is wrong: the next piece cannot be made.

    Raises
    ------
    InputError
        If the first piece exists or cannot be made.
    """

    def __init__(
        self,
        path: Path,
        *,
        settings: str,
        stream: StreamFormat,
        tones: Mapping[str, ToneChannel],
        started: str = "",
        rotation: Rotation = ONE_PIECE,
        today: Callable[[], date] = utc_today,
    ) -> None:
        self._first_path = path
        self._head: dict[str, Any] = {
            "settings": settings,
            "stream": stream,
            "tones": tones,
            "started": started,
        }
        self._rate_hz = stream.sample_rate_hz
        self._rotation, self._today = rotation, today
        self._newest_index = 0
        self._carried_tones: dict[str, Entry] = {}  # the last command of each channel
        self._carried_events: tuple[Entry, ...] = ()  # the last word of the interlock
        self._stopped_at_s = 0.0
        self.rows = 0
        self.unfit: Counter[str] = Counter()
        self.stopped_because = self.complaint = ""
        self._number = 1
        self._writer = LogWriter(path, **self._head, busy_s=BUSY_S)
        self._begun, self._empty_bytes = today(), self._writer.size_bytes

    @property
    def path(self) -> Path:
        """The file that is written."""
        return self._writer.path

    def write(self, entries: Iterable[Entry], dropped: Mapping[str, int]) -> bool:
        """Commit entries, and say which ones did not get here.

        Parameters
        ----------
        entries : iterable of Entry
            In order.
        dropped : mapping of str to int
            How many calls of each method were dropped before.

        Returns
        -------
        bool
            Whether all is committed; otherwise it is kept for `commit`.
        """
        for entry in entries:
            self._add(entry)
        if dropped:
            self._note("dropped", f"{_listed(dropped)} did not fit into the backlog and are lost")
        return self.commit()

    def commit(self) -> bool:
        """Commit what is kept; begin the next piece where it is due.

        Returns
        -------
        bool
            Whether all is committed.
        """
        if not self.path.exists() and not self._begin_piece(f"{self.path.name} has vanished"):
            self._stop(self.complaint)
            return False
        if not self._committed():
            return False
        if self.stopped_because:
            stood_s = time.monotonic() - self._stopped_at_s
            self._note("resumed", f"not written for {stood_s:.1f} s ({self.stopped_because})")
            self.stopped_because = ""
            return self._committed()
        size_bytes = self._writer.size_bytes
        # However small pieces may be: one that holds next to nothing is never full.
        grown_bytes = size_bytes if size_bytes >= 2 * self._empty_bytes else 0
        if self._rotation.is_due(grown_bytes, self._begun, self._today()):
            self._begin_piece(f"goes on from {self.path.name}")
        return True

    def close(self, outcome: str, reason: str = "") -> bool:
        """Commit what is kept and state how the run ended.

        Returns
        -------
        bool
            Whether all is committed.
        """
        try:
            self._writer.close(outcome, reason)
        except DifftoneError as error:
            self.stopped_because = str(error)
            return False
        return True

    def _add(self, entry: Entry) -> None:
        try:
            getattr(self._writer, entry.method)(*entry.arguments, **entry.options)
        except Exception:  # whatever it holds, the entries after it belong into the log
            self._leave_out(Counter({entry.method: 1}))
            return
        if entry.method == "event":
            event: Event = entry.arguments[0]
            self._newest_index = max(self._newest_index, event.sample_index)
            if event.kind in _INTERLOCK_KINDS:
                self._carried_events = (entry,)
        elif entry.method == "record":
            self._newest_index = max(self._newest_index, entry.arguments[0].sample_index)
        elif entry.method == "tone" and isinstance(entry.arguments[1], Tone):
            # A refused command leaves the channel as it was.
            self._carried_tones[entry.arguments[0].channel] = entry

    def _committed(self) -> bool:
        """Commit; where it fails, say why."""
        pending = self._writer.pending_rows
        try:
            try:
                self._writer.commit()
            except UnfitRow:
                left_out = self._writer.leave_out_unfit_rows()
                pending -= sum(left_out.values())
                self._leave_out(left_out)
                self._writer.commit()
        except RunFailed as error:
            if _error_name(error) in _LOST_FILES and self._begin_piece(str(error)):
                return self._committed()
            self._stop(_cause(error))
            return False
        self.rows += pending
        return True

    def _stop(self, reason: str) -> None:
        """The log cannot be written."""
        if not self.stopped_because:
            self._stopped_at_s = time.monotonic()
        self.stopped_because = reason

    def _leave_out(self, kinds: Counter[str]) -> None:
        """Say that no table takes these."""
        self.unfit += kinds
        self._note("unfit", f"{_listed(kinds)} held values that the log cannot keep")

    def _begin_piece(self, why: str) -> bool:
        """Go on in the next piece; where it cannot be made, in this one."""
        number = self._number + 1
        while piece_path(self._first_path, number).exists():
            number += 1
        path = piece_path(self._first_path, number)
        try:
            writer = LogWriter(
                path,
                **self._head,
                piece=number,
                carried_tones=len(self._carried_tones),
                carried_events=len(self._carried_events),
                busy_s=BUSY_S,
            )
        except InputError as error:
            self.complaint = str(error)
            return False
        before, self._writer = self._writer, writer
        for entry in (*self._carried_tones.values(), *self._carried_events):
            getattr(writer, entry.method)(*entry.arguments, **entry.options)
        writer.take_rows_of(before)
        with suppress(RunFailed):
            before.close(CONTINUED, f"goes on in {path.name}")
        self._number, self._begun, self.complaint = number, self._today(), ""
        self._empty_bytes = writer.size_bytes
        self._note("piece", why)
        return True

    def _note(self, kind: str, text: str) -> None:
        """An event of the log itself."""
        index = self._newest_index
        self._writer.event(
            Event(
                sample_index=index,
                time_s=index / self._rate_hz,
                source=SOURCE,
                kind=kind,
                text=text,
            )
        )


def _listed(counts: Mapping[str, int]) -> str:
    """Numbers with their names, as in "12 record, 3 tone"."""
    return ", ".join(f"{count} {name}" for name, count in sorted(counts.items()))


def _cause(error: BaseException) -> str:
    """What SQLite said, without the file's name."""
    return str(error.__cause__ or error)


def _error_name(error: BaseException) -> str:
    """SQLite's name of the fault, or nothing."""
    return getattr(error.__cause__, "sqlite_errorname", "")
