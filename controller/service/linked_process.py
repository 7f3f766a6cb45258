"""A process that the service starts with a private link to it, from its start to its end."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import zmq

from controller.service.ends import ServiceEnd
from controller.service.processes import start_process


class LinkedProcess:
    """A process and the service's end of its link; owned by one thread.

    Parameters
    ----------
    module : str
        What it runs.
    job_at : callable
        Its job, given the folder of the link.

    Raises
    ------
    RunFailed
        If it ends before it has its job.
    """

    def __init__(self, module: str, job_at: Callable[[Path], object]) -> None:
        # mkdtemp makes it open to its owner alone, which the link relies on.
        self._link_folder = Path(tempfile.mkdtemp(prefix="difftone-"))
        self._link = ServiceEnd(self._link_folder)
        try:
            self._process = start_process(module, job_at(self._link_folder))
        except BaseException:
            self.close()
            raise

    def __repr__(self) -> str:
        return f"{type(self).__name__}({self.pid}, {self.exit_status})"

    @property
    def socket(self) -> zmq.Socket[bytes]:
        """Readable when there are news."""
        return self._link.socket

    @property
    def pid(self) -> int:
        """Of the process."""
        return self._process.pid

    @property
    def exit_status(self) -> int | None:
        """How it ended, negative for a signal; None while it runs."""
        return self._process.poll()

    @property
    def dropped(self) -> int:
        """Orders that it did not take in time."""
        return self._link.dropped

    def order(self, order: object) -> None:
        """Tell it, if there is room in its queue."""
        self._link.order(order)

    def news(self) -> list[Any]:
        """What has come since the last call, some at a time."""
        return self._link.news()

    def is_ended_within(self, limit_s: float) -> bool:
        """Wait for the end of the process [s]."""
        try:
            self._process.wait(limit_s)
        except subprocess.TimeoutExpired:
            return False
        return True

    def terminate(self) -> None:
        """Ask for its end by a signal."""
        self._process.terminate()

    def kill(self) -> None:
        """End it at once."""
        self._process.kill()
        self._process.wait()

    def close(self) -> None:
        """Close the link; the process has ended."""
        self._link.close()
        shutil.rmtree(self._link_folder, ignore_errors=True)
