"""`difftone serve` as a process of its own, on the paced simulator and free ports."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from controller.runtime.scenarios import scenario_path
from controller.service.front import FRONT

NAME = "test"
ENDS_WITHIN_S = 60.0


class LiveService:
    """Runs from its making to `stop`.

    Parameters
    ----------
    folder : Path
        For its configuration, its state and its run.
    scenario : str
        A shipped scenario.
    service : str
        More lines of the table [service].
    out : str
        Name of its run's folder.
    arguments : sequence of str
        More of the command line.
    """

    def __init__(
        self,
        folder: Path,
        scenario: str = "quiet_room",
        service: str = "",
        out: str = "run",
        arguments: Sequence[str] = (),
    ) -> None:
        text = scenario_path(scenario).read_text(encoding="utf-8")
        text = text.replace("[instrument.options]\n", "[instrument.options]\npaced = true\n", 1)
        configuration = folder / f"{NAME}.toml"
        configuration.write_text(
            f"{text}\n[service]\ncommand_port = 0\ntelemetry_port = 0\n{service}", encoding="utf-8"
        )
        self.run_folder = folder / out
        self.process = subprocess.Popen(
            [
                *(sys.executable, "-m", "controller.cli", "serve", str(configuration)),
                *("--out", str(self.run_folder), "--name", NAME, *arguments),
            ],
            env={**os.environ, "XDG_STATE_HOME": str(folder)},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout is not None
        self.announced = self.process.stdout.readline()
        assert self.announced, f"it did not start: {self.process.communicate()[1]}"
        self._state_path = folder / "difftone" / f"{NAME}.json"

    def __enter__(self) -> LiveService:
        return self

    def __exit__(self, *details: object) -> None:
        self.stop()

    @property
    def state(self) -> dict[str, Any]:
        """What its state file says: ports, pids, how it ended."""
        return json.loads(self._state_path.read_text(encoding="utf-8"))

    def stop(self) -> tuple[int, str]:
        """End it as an operator would; its exit status and what it complained of."""
        if self.process.poll() is None:
            self.process.terminate()
        return self.ended()

    def ended(self) -> tuple[int, str]:
        """Wait for its end; its exit status and what it complained of."""
        _, complaints = self.process.communicate(timeout=ENDS_WITHIN_S)
        return self.process.returncode, complaints


def free_port() -> int:
    """One that is free, and so is the next, where the system gives none away by itself."""
    for port in range(20_000, 30_000, 2):
        with suppress(OSError), socket.socket() as first, socket.socket() as second:
            first.bind(("127.0.0.1", port))
            second.bind(("127.0.0.1", port + 1))
            return port
    raise AssertionError("no port is free")


def front_pid(service_pid: int) -> int:
    """The process of the public sockets of a service."""
    listing = ["ps", "--ppid", str(service_pid), "-o", "pid=,args="]
    lines = subprocess.run(listing, capture_output=True, text=True, check=True).stdout.splitlines()
    [line] = [line for line in lines if FRONT in line]
    return int(line.split()[0])
