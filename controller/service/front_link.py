"""What passes between the service and the process of its public sockets."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path

TOO_MUCH_MEMORY = 3  # exit status of a process that clients have filled


@dataclass(frozen=True, slots=True, kw_only=True)
class FrontJob:
    """What the process is told at its start."""

    address: str
    command_port: int
    telemetry_port: int
    keys: Path | None
    most_memory_bytes: int  # beyond what it has after its start
    link_folder: Path
    service_pid: int = field(default_factory=os.getpid)  # whoever makes the job


# --- news ----------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Bound:
    """Clients can connect."""

    command_port: int
    telemetry_port: int


@dataclass(frozen=True, slots=True)
class NotBound:
    """They cannot, and why."""

    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FrontState:
    """How the sockets are, at each change."""

    topics: frozenset[str] = frozenset()  # that somebody subscribes to
    client_count: int = 0
    is_picture_wanted: bool = False
    malformed: int = 0
    strangers: int = 0
    access_complaint: str = ""


# --- orders --------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Reply:
    """An answer, and the way to whom it is for."""

    route: tuple[bytes, ...]
    content: bytes


@dataclass(frozen=True, slots=True)
class Publication:
    """A message for whoever subscribes to its topic."""

    topic: str
    content: bytes


@dataclass(frozen=True, slots=True)
class CloseFront:
    """The end, once answers and telemetry that are under way have got through."""

    linger_ms: int
