"""Between the window and what it shows: opens a source, drains it, and asks it things.

The client has a thread of its own; a timer takes what has come twenty times
a second. Whatever waits for an answer waits in a worker thread. Lives in the
window's thread.
"""

from __future__ import annotations

import getpass
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from PySide6.QtCore import QObject, QTimer, Signal

from controller.runtime.log.reader import InputError
from controller.service.client import Client, ServiceError
from gui.models.actions import READS_ONLY, Action, hindrances
from gui.models.log_source import read_log
from gui.models.present import Changed, Origin, Present
from gui.models.rehearsal import Rehearsal

DRAIN_EVERY_MS = 50
WORKERS = 4  # questions that wait at the same time; mute has a thread of its own
STARTS_WITHIN_S = 90.0
LOOPBACK = "127.0.0.1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """Where a service is, and how to be let in."""

    host: str = LOOPBACK
    command_port: int = 8462
    telemetry_port: int = 8463
    keys: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rehearsals:
    """What can be rehearsed.

    Attributes
    ----------
    scenarios : mapping of str to str
        Titles by name.
    command : callable
        What starts the service on a scenario, by its name.
    """

    scenarios: Mapping[str, str] = field(default_factory=dict)
    command: Callable[[str], Sequence[str]] = lambda scenario: [sys.executable, "-c", ""]


def own_name() -> str:
    """What the log calls whoever sits here."""
    with suppress(OSError, KeyError, ImportError):
        return getpass.getuser()[:40] or "desk"
    return "desk"


class Session(QObject):
    """One source at a time: a service, a rehearsal or a log.

    Parameters
    ----------
    rehearsals : Rehearsals
        What can be rehearsed.
    """

    changed = Signal(object)  # set of Changed
    answered = Signal(str, bool, str, object)  # action, whether done, text, data
    opening = Signal(str)  # what is being waited for; empty: it is over
    failed = Signal(str)  # why nothing was opened, or what has ended
    _log_read = Signal(object, str)  # Present or None, complaint
    _rights_told = Signal(object, bool)  # Client that asked, whether it may only read

    def __init__(self, rehearsals: Rehearsals | None = None) -> None:
        super().__init__()
        self.rehearsals = rehearsals or Rehearsals()
        self.present = Present()
        self.who = own_name()
        self.client: Client | None = None
        self.rehearsal: Rehearsal | None = None
        self._rehearsal_began_s = 0.0
        self._heard_at = ""  # local time of the last news
        self._had_control = False
        self._has_key = False  # without one everybody may change things
        self._workers = ThreadPoolExecutor(WORKERS, thread_name_prefix="desk question")
        self._mute_worker = ThreadPoolExecutor(1, thread_name_prefix="desk mute")
        self._log_read.connect(self._take_log)
        self._rights_told.connect(self._take_rights)
        self._timer = QTimer(self)
        self._timer.setInterval(DRAIN_EVERY_MS)
        self._timer.timeout.connect(self.drain)
        self._timer.start()

    # -- sources -------------------------------------------------------------------

    def open_rehearsal(self, scenario: str) -> None:
        """Start a service on the simulator, and open it as soon as it is there."""
        self.close_source()
        self.opening.emit(f"starting a rehearsal of {scenario}")
        try:
            self.rehearsal = Rehearsal(self.rehearsals.command(scenario))
        except OSError as error:
            self._fail(f"the rehearsal cannot be started: {error.strerror}")
            return
        self._rehearsal_began_s = time.monotonic()

    def open_service(self, address: Address, origin: Origin = Origin.SERVICE) -> None:
        """Connect to a service; it may come later."""
        if origin is Origin.SERVICE:
            self.close_source()
        try:
            self.client = Client(
                address.host,
                address.command_port,
                address.telemetry_port,
                who=self.who,
                keys=address.keys,
                timeout_s=5.0,
            )
        except InputError as error:
            self._fail(str(error))
            return
        self._has_key = address.keys is not None
        self.present = Present(origin, f"{address.host} port {address.command_port}")
        self.opening.emit("")
        self.changed.emit(set(Changed))

    def open_log(self, path: Path) -> None:
        """Read a log, in a worker thread."""
        self.close_source()
        self.opening.emit(f"reading {path}")
        self._workers.submit(self._read_log, path)

    def close_source(self) -> None:
        """Leave what is open; a rehearsal ends."""
        client, rehearsal = self.client, self.rehearsal
        self.client = self.rehearsal = None
        self.present = Present()
        self._had_control = False
        if client is not None or rehearsal is not None:
            self._workers.submit(_end, client, rehearsal)
        self.changed.emit(set(Changed))

    def close(self) -> None:
        """Leave everything; waits until a rehearsal has ended."""
        self._timer.stop()
        _end(self.client, self.rehearsal)
        self.client = self.rehearsal = None
        self._workers.shutdown(cancel_futures=True)
        self._mute_worker.shutdown()

    def _fail(self, why: str) -> None:
        self.opening.emit("")
        self.failed.emit(why)

    def _read_log(self, path: Path) -> None:
        try:
            self._log_read.emit(read_log(path), "")
        except InputError as error:
            self._log_read.emit(None, str(error))

    def _take_log(self, present: Present | None, complaint: str) -> None:
        if present is None:
            self._fail(complaint)
            return
        self.present = present
        self.opening.emit("")
        self.changed.emit(set(Changed))

    # -- news ----------------------------------------------------------------------

    def drain(self) -> None:
        """Take what has come."""
        if self.rehearsal is not None:
            self._look_at_rehearsal(self.rehearsal)
        if self.client is None:
            return
        changed = self.present.take(self.client.messages())
        if self.present.is_reachable and not self.client.is_connected:
            self.present.lose()
            changed |= {Changed.SOURCE, Changed.STATUS}
        elif self.present.is_reachable:
            self._heard_at = time.strftime("%H:%M:%S")
        if self.client.has_control != self._had_control:
            self._had_control = self.client.has_control
            changed.add(Changed.STATUS)
        if Changed.SOURCE in changed and self.present.is_reachable and self._has_key:
            self._workers.submit(self._ask_for_rights, self.client)
        if changed:
            self.changed.emit(changed)

    def _ask_for_rights(self, client: Client) -> None:
        """What our key lets us do, in a worker thread.

        A heartbeat tells: it changes nothing where we hold no control, and a key that may only
        read is refused even that.
        """
        with suppress(ServiceError):
            answer = client.ask("heartbeat")
            self._rights_told.emit(client, not answer.ok and READS_ONLY in answer.text)

    def _take_rights(self, client: Client, reads_only: bool) -> None:
        if client is self.client and reads_only != self.present.reads_only:
            self.present.reads_only = reads_only
            self.changed.emit({Changed.STATUS})

    def _look_at_rehearsal(self, rehearsal: Rehearsal) -> None:
        if self.client is not None:
            if rehearsal.failure:
                self.rehearsal = None
                rehearsal.end()
                self._fail(f"the rehearsal is over: {rehearsal.failure}")
        elif rehearsal.is_ready:
            address = Address(
                host=rehearsal.address,
                command_port=rehearsal.command_port,
                telemetry_port=rehearsal.telemetry_port,
            )
            self.open_service(address, Origin.REHEARSAL)
        elif rehearsal.failure or time.monotonic() - self._rehearsal_began_s > STARTS_WITHIN_S:
            why = rehearsal.failure or f"it did not begin within {STARTS_WITHIN_S:g} s"
            self.close_source()
            self._fail(f"the rehearsal has not begun: {why}")

    @property
    def heard_at(self) -> str:
        """Local time of the last news; empty: there was none."""
        return self._heard_at

    @property
    def trouble(self) -> str:
        """Why the service does not let us in; empty: it does, or is not there."""
        return "" if self.client is None else self.client.trouble

    # -- actions -------------------------------------------------------------------

    @property
    def has_control(self) -> bool:
        """Whether this window may change things."""
        return self.client is not None and self.client.has_control

    def hindrances(self) -> Mapping[Action, str]:
        """Why each action cannot be done now; empty: it can."""
        return hindrances(self.present, has_control=self.has_control)

    def do(self, action: Action, *arguments: Any) -> None:
        """Ask the service; `answered` tells what became of it.

        Parameters
        ----------
        action : Action
            Which.
        *arguments
            Of the client's method of the same name.
        """
        if self.client is None:
            self.answered.emit(str(action), False, "nothing is open", None)
            return
        worker = self._mute_worker if action is Action.MUTE else self._workers
        worker.submit(self._ask, str(action), getattr(self.client, str(action)), arguments)

    def ask(self, question: str, *arguments: Any) -> None:
        """Ask for something that changes nothing: "protocols" or "check_protocol"."""
        if self.client is not None:
            self._workers.submit(self._ask, question, getattr(self.client, question), arguments)

    def _ask(self, name: str, method: Callable[..., Any], arguments: Sequence[Any]) -> None:
        """In a worker thread."""
        try:
            found = method(*arguments)
        except ServiceError as error:
            self.answered.emit(name, False, str(error), None)
            return
        except (LookupError, ValueError):
            self.answered.emit(name, False, f"{name}: the answer cannot be understood", None)
            return
        text = found if isinstance(found, str) else ""
        self.answered.emit(name, True, text, found)


def _end(client: Client | None, rehearsal: Rehearsal | None) -> None:
    if client is not None:
        client.close()
    if rehearsal is not None:
        rehearsal.end()
