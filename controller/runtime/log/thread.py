"""A log that never keeps its caller waiting: one thread writes, all others hand over.

Every method of LogWriter is here and returns at once. What is handed over
waits in a backlog of bounded length; the thread commits it twice a second.
While the file cannot be written (a full disk, a lock, a file system that
became read-only) the backlog is kept and the thread tries again; what does
not fit is dropped and counted, and the log says so when it goes on. Beside the
log, `last_known.json` is kept for the next start.
"""

from __future__ import annotations

import shutil
import threading
from collections import Counter, deque
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import Any

from controller.instrument import StreamFormat, ToneChannel
from controller.records import Knowledge, Record
from controller.runtime.last_known import LAST_KNOWN_NAME, LastKnownFile
from controller.runtime.log.handed_over import Entry, HandedOver
from controller.runtime.log.keeper import LogKeeper
from controller.runtime.log.pieces import ONE_PIECE, Rotation, utc_today

BACKLOG_ENTRIES = 50_000  # ten minutes at 80 calls a second; about 30 MB
COMMIT_EVERY_S = 0.5  # a killed process loses at most a second
CLOSE_WITHIN_S = 5.0


class Logging(StrEnum):
    """Whether a log is written."""

    WRITING = "writing"
    STOPPED = "stopped"  # the file cannot be written; tried again every second
    FAILED = "failed"  # by a defect of this program; not tried again
    CLOSED = "closed"


@dataclass(frozen=True, slots=True, kw_only=True)
class LogState:
    """What a log that is written by a thread is at."""

    state: Logging
    reason: str = ""  # why it is stopped, or what else is wrong
    rows: int = 0  # committed
    waiting: int = 0  # handed over, not committed yet
    dropped: int = 0  # did not fit into the backlog, or held values that no table takes
    file: str = ""  # the piece that is written
    free_bytes: int | None = None  # on its disk


class LogThread(HandedOver):
    """The log of one run, written by a thread of its own.

    Parameters
    ----------
    path : Path or str
        The file of the first piece; it must not exist.
    settings : str
        The configuration of the run as JSON.
    stream : StreamFormat
        What the samples mean.
    tones : mapping of str to ToneChannel
        The tone outputs by name.
    started : str
        Wall-clock start in UTC, ISO 8601; empty: not stamped.
    rotation : Rotation
        When the log goes on in its next piece; by default never.
    backlog_entries : int
        Longest backlog; as much again may be kept of a commit that failed.
    commit_every_s : float
        Longest time between two commits, and between two tries of a log
        that is stopped [s].
    today : callable
        The day in UTC, for a daily rotation.

    Raises
    ------
    InputError
        If the file exists or cannot be made. Later nothing is raised: `state`
        tells what is wrong.
    """

    def __init__(
        self,
        path: Path | str,
        *,
        settings: str,
        stream: StreamFormat,
        tones: Mapping[str, ToneChannel],
        started: str = "",
        rotation: Rotation = ONE_PIECE,
        backlog_entries: int = BACKLOG_ENTRIES,
        commit_every_s: float = COMMIT_EVERY_S,
        today: Callable[[], date] = utc_today,
    ) -> None:
        self._keeper = LogKeeper(
            Path(path),
            settings=settings,
            stream=stream,
            tones=tones,
            started=started,
            rotation=rotation,
            today=today,
        )
        self._last_known = LastKnownFile(Path(path).with_name(LAST_KNOWN_NAME))
        self._knowledge: Knowledge | None = None
        self._backlog_entries = backlog_entries
        self._commit_every_s = commit_every_s
        self._backlog: deque[Entry] = deque()
        self._dropped: Counter[str] = Counter()  # since the log last said so
        self._dropped_count = 0
        self._given = self._settled = 0  # entries that were taken into the backlog, and committed
        self._is_hurried = False
        self._ending: tuple[str, str] | None = None
        self._news = threading.Condition()
        self._told = self._look(Logging.WRITING)
        self._thread = threading.Thread(target=self._work, name="difftone-log", daemon=True)
        self._thread.start()

    # --- what LogWriter has ----------------------------------------------------------------

    def knowledge(self, knowledge: Knowledge) -> None:
        """Hand over what the loop has learnt, for `last_known.json`."""
        self._knowledge = knowledge

    def commit_if_due(self, sample_index: int) -> None:
        """Nothing: the thread commits by the clock, however fast the stream is."""

    def commit(self) -> None:
        """Ask for a commit now."""
        with self._news:
            self._is_hurried = True
            self._news.notify_all()

    def close(self, outcome: str, reason: str = "", *, within_s: float = CLOSE_WITHIN_S) -> None:
        """Commit all, state how the run ended, and close the file.

        Parameters
        ----------
        outcome : str
            "done", "failed" or "interrupted".
        reason : str
            Why, in words.
        within_s : float
            How long is waited for that [s]; this is the one method that waits.
        """
        with self._news:
            if self._ending is None:
                self._ending = (outcome, reason)
            self._news.notify_all()
        self._thread.join(within_s)

    # --- what it has besides ---------------------------------------------------------------

    @property
    def state(self) -> LogState:
        """Whether the log is written, and how far."""
        with self._news:
            return replace(
                self._told,
                waiting=self._given - self._settled,
                dropped=self._told.dropped + self._dropped_count,
            )

    @property
    def path(self) -> Path:
        """The piece that is written."""
        return self._keeper.path

    def wait_until_written(self, within_s: float) -> bool:
        """Wait until all that was handed over before is committed.

        Parameters
        ----------
        within_s : float
            The longest wait [s].

        Returns
        -------
        bool
            Whether it is; an entry that was dropped does not count.
        """
        with self._news:
            given = self._given
            self._is_hurried = True
            self._news.notify_all()
            return self._news.wait_for(lambda: self._settled >= given, within_s)

    def __repr__(self) -> str:
        return f"LogThread({self.state})"

    def _hand_over(self, method: str, *arguments: Any, **options: Any) -> None:
        with self._news:
            if self._ending is None and len(self._backlog) < self._backlog_entries:
                self._backlog.append(Entry(method, arguments, options))
                self._given += 1
                return
            self._dropped[method] += 1
            self._dropped_count += 1

    # --- the thread ------------------------------------------------------------------------

    def _work(self) -> None:
        while True:
            with self._news:
                self._news.wait_for(self._is_called, self._commit_every_s)
                self._is_hurried = False
                ending = self._ending
            told = self._told_of_turn()
            if ending is not None:
                told = self._closed(*ending)
            with self._news:
                self._told = told
                self._news.notify_all()
            if ending is not None:
                return
            if told.state is Logging.FAILED:
                self._wait_for_the_end()

    def _is_called(self) -> bool:
        return self._is_hurried or self._ending is not None

    def _wait_for_the_end(self) -> None:
        with self._news:
            self._news.wait_for(lambda: self._ending is not None)

    def _told_of_turn(self) -> LogState:
        """Write what waits; where that fails by a defect, say so."""
        try:
            self._turn()
            return self._look(self._progress())
        except Exception as error:  # whoever owns the log decides what that means
            return self._failed(error)

    def _failed(self, error: Exception) -> LogState:
        with self._news:
            reason = f"{type(error).__name__}: {error}"
            return replace(self._told, state=Logging.FAILED, reason=reason)

    def _turn(self) -> None:
        """Commit what waits, if the file can be written at all."""
        with suppress(OSError):  # what is wrong with the disk, the log tells
            self._last_known.save_if_due()
        if self._keeper.stopped_because and not self._keeper.commit():
            return
        with self._news:
            entries, self._backlog = self._backlog, deque()
            dropped, self._dropped = self._dropped, Counter()
            given = self._given
        if self._keeper.write(entries, dropped):
            with self._news:
                self._settled = given
        self._note_last(entries)

    def _note_last(self, entries: deque[Entry]) -> None:
        """Remember the last record."""
        last = next((entry for entry in reversed(entries) if entry.method == "record"), None)
        if last is not None and isinstance(last.arguments[0], Record):
            self._last_known.note(last.arguments[0], self._knowledge)

    def _progress(self) -> Logging:
        return Logging.STOPPED if self._keeper.stopped_because else Logging.WRITING

    def _closed(self, outcome: str, reason: str) -> LogState:
        with suppress(OSError):
            self._last_known.save()
        try:
            self._keeper.close(outcome, reason)
            return self._look(Logging.CLOSED)
        except Exception as error:  # nobody is left who could be told otherwise
            return replace(self._failed(error), state=Logging.CLOSED)

    def _look(self, state: Logging) -> LogState:
        """The state as the thread sees it, without what waits before it."""
        keeper = self._keeper
        try:
            free_bytes = shutil.disk_usage(keeper.path.parent).free
        except OSError:
            free_bytes = None
        return LogState(
            state=state,
            reason=keeper.stopped_because or keeper.complaint,
            rows=keeper.rows,
            dropped=keeper.unfit.total(),
            file=keeper.path.name,
            free_bytes=free_bytes,
        )
