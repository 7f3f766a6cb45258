"""What a service leaves for the next one of its name: where it listens, how it ended.

One file per name in the user's state folder, for its owner's eyes alone. A
lock beside it is held as long as the service lives, however it dies.
"""

from __future__ import annotations

import fcntl
import json
import os
import re
from contextlib import closing, suppress
from dataclasses import asdict, dataclass, fields, replace
from datetime import UTC, datetime
from pathlib import Path

from controller.errors import InputError
from controller.runtime.ending import FAILED
from controller.runtime.private_file import OWNER_ONLY, write_private

FOLDER_MODE = 0o700
RUNNING, ENDED = "running", "ended"

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceState:
    """The content of a state file."""

    name: str
    state: str = RUNNING  # or "ended"
    pid: int = 0
    loop_pid: int = 0
    address: str = ""
    command_port: int = 0
    telemetry_port: int = 0
    configuration: str = ""
    folder: str = ""  # of the run, with its log
    started_utc: str = ""
    ended_utc: str = ""
    outcome: str = ""  # "done", "failed" or "interrupted"
    reason: str = ""
    tones_off: bool = False  # whether they are known to be

    def with_pids(self, loop_pid: int) -> ServiceState:
        """The same, of this process and its loop process."""
        return replace(self, pid=os.getpid(), loop_pid=loop_pid)

    @property
    def ending(self) -> str:
        """How it ended, in words."""
        if not self.outcome:
            return "ended without a word"
        return f"{self.outcome}: {self.reason}" if self.reason else self.outcome

    @property
    def may_have_left_tones(self) -> bool:
        """Whether the service died without its tones being known to be off."""
        return not self.tones_off


def state_folder() -> Path:
    """Where state files are: `$XDG_STATE_HOME/difftone`, or in the home directory."""
    base = os.environ.get("XDG_STATE_HOME") or "~/.local/state"
    return Path(base).expanduser() / "difftone"


def read_state(name: str, folder: Path | None = None) -> ServiceState | None:
    """What the last service of a name left.

    Parameters
    ----------
    name : str
        Of the service.
    folder : Path, optional
        Where state files are.

    Returns
    -------
    ServiceState or None
        None: there is none, or it is damaged.
    """
    path = _path(name, folder)
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        known = {field.name: content[field.name] for field in fields(ServiceState)}
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return ServiceState(**known)


class StateFile:
    """The state file of a running service, and its lock.

    Parameters
    ----------
    name : str
        Of the service; letters, digits, dot, hyphen and underscore.
    folder : Path, optional
        Where state files are; made if absent.

    Raises
    ------
    InputError
        If a service of this name is running, the name cannot be the name of a
        file, or the folder cannot be written.
    """

    def __init__(self, name: str, folder: Path | None = None) -> None:
        if not _NAME.fullmatch(name):
            raise InputError(f"--name {name!r}: must be letters, digits, '.', '-' or '_'")
        self.path = _path(name, folder)
        self.previous = read_state(name, folder)  # what the last one left
        try:
            self.path.parent.mkdir(mode=FOLDER_MODE, parents=True, exist_ok=True)
            self._lock = os.open(self.path.with_suffix(".lock"), os.O_RDWR | os.O_CREAT, OWNER_ONLY)
        except OSError as error:
            raise InputError(f"{self.path.parent}: cannot be written: {error.strerror}") from error
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            os.close(self._lock)
            pid = self.previous.pid if self.previous else "unknown"
            raise InputError(
                f"a service {name!r} is running (process {pid}); choose another --name"
            ) from None

    def __repr__(self) -> str:
        return f"StateFile({self.path})"

    def write(self, state: ServiceState) -> None:
        """Replace the content, at once and for good.

        Parameters
        ----------
        state : ServiceState
            The new content. A disk that is full changes nothing: the service
            goes on, and the next one finds the last content.
        """
        with suppress(OSError):
            write_private(self.path, json.dumps(asdict(state), indent=1) + "\n")

    def close(self) -> None:
        """Let the next service have the name."""
        os.close(self._lock)


def write_end_of(name: str, pid: int, reason: str) -> None:
    """Write how a service ended that had no time to.

    Parameters
    ----------
    name : str
        Of the service.
    pid : int
        Of its process; the state that another one has left stays.
    reason : str
        How it ended.

    Raises
    ------
    InputError
        If a service of this name is running.
    """
    with closing(StateFile(name)) as state_file:
        left = state_file.previous
        if left is not None and left.pid == pid and left.state == RUNNING:
            state_file.write(
                replace(left, state=ENDED, outcome=FAILED, reason=reason, ended_utc=utc_now())
            )


def utc_now() -> str:
    """The time in UTC, ISO 8601, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def _path(name: str, folder: Path | None) -> Path:
    return (state_folder() if folder is None else folder) / f"{name}.json"
