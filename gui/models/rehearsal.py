"""A service on the simulated membrane, started for this window and ended with it."""

from __future__ import annotations

import os
import re
import subprocess
import tempfile
import threading
from collections.abc import Iterable, Sequence
from contextlib import suppress
from pathlib import Path

ENDS_WITHIN_S = 10.0

_ANNOUNCED = re.compile(
    r"commands on (?P<address>\S+) port (?P<commands>\d+), "
    r"telemetry on port (?P<telemetry>\d+), log in (?P<folder>.+)$"
)


class Rehearsal:
    """One service process; `poll` tells how it gets on, and never waits.

    Parameters
    ----------
    command : sequence of str
        What starts the service; it announces its ports on a line of its own.
    """

    def __init__(self, command: Sequence[str]) -> None:
        # Its state file is of no use to anybody else: it lives as long as the rehearsal.
        self._state_folder = tempfile.TemporaryDirectory(prefix="difftone-rehearsal-")
        self._process = subprocess.Popen(
            list(command),
            env={**os.environ, "XDG_STATE_HOME": self._state_folder.name},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,  # Ctrl-C in the terminal is ours to answer
        )
        self._lines: list[str] = []
        self._complaints: list[str] = []
        for stream, kept in (
            (self._process.stdout, self._lines),
            (self._process.stderr, self._complaints),
        ):
            threading.Thread(target=_collect, args=(stream, kept), daemon=True).start()
        self.address, self.command_port, self.telemetry_port = "", 0, 0
        self.folder: Path | None = None

    def __repr__(self) -> str:
        return f"Rehearsal(process {self._process.pid})"

    @property
    def pid(self) -> int:
        """Of the service."""
        return self._process.pid

    @property
    def is_ready(self) -> bool:
        """Whether it has announced its ports."""
        if not self.command_port:
            for line in list(self._lines):
                found = _ANNOUNCED.search(line)
                if found is not None:
                    self.address = found["address"]
                    self.command_port = int(found["commands"])
                    self.telemetry_port = int(found["telemetry"])
                    self.folder = Path(found["folder"])
        return bool(self.command_port)

    @property
    def failure(self) -> str:
        """Why it has ended; empty: it runs."""
        status = self._process.poll()
        if status is None:
            return ""
        complaint = " ".join(" ".join(self._complaints).split())
        return complaint or f"the service ended with status {status}"

    def end(self) -> None:
        """Tones off, log closed, process gone; may be called twice."""
        if self._process.poll() is None:
            self._process.terminate()
            try:
                self._process.wait(ENDS_WITHIN_S)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
        with suppress(OSError):
            self._state_folder.cleanup()


def _collect(stream: Iterable[str], kept: list[str]) -> None:
    """Lines as they come, until the process closes its end."""
    kept.extend(line.rstrip("\n") for line in stream)
