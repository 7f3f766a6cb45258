"""The loop process as the service sees it: started, listened to, ended, and cleaned up after."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
import time
from pathlib import Path

import zmq

from controller.service.ends import ServiceEnd
from controller.service.link import EndRun, News, Order
from controller.service.loop_process import Job
from controller.service.processes import start_process
from controller.settings import Configuration

STOP_WITHIN_S = 5.0  # for a loop to turn everything off when it is told so
CLEAN_UP_WITHIN_S = 15.0  # for an instrument to be opened anew and stopped
LOOP = "controller.service.loop_process"


class LoopChild:
    """The loop process and the link to it; owned by the service's one thread.

    Parameters
    ----------
    configuration : Configuration
        What to run on, and how.
    source : Path
        The configuration's file.
    folder : Path
        Of the run.
    stops_first : bool
        Whether an earlier process may have left tones on.
    """

    def __init__(
        self, configuration: Configuration, source: Path, folder: Path, *, stops_first: bool = False
    ) -> None:
        # mkdtemp makes it open to its owner alone, which the link relies on.
        self._link_folder = Path(tempfile.mkdtemp(prefix="difftone-"))
        self._link = ServiceEnd(self._link_folder)
        self._configuration, self._source = configuration, source
        self.heard_s = time.monotonic()  # when there were news last
        self._process = start_process(
            LOOP,
            Job(
                configuration=configuration,
                source=source,
                folder=folder,
                link_folder=self._link_folder,
                service_pid=os.getpid(),
                stops_first=stops_first,
            ),
        )

    def __repr__(self) -> str:
        return f"LoopChild({self._process.pid}, {self._process.poll()})"

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
    def unheard_s(self) -> float:
        """How long there were no news [s]."""
        return time.monotonic() - self.heard_s

    def order(self, order: Order) -> None:
        """Tell the loop; it looks before each block."""
        self._link.order(order)

    def news(self) -> list[News]:
        """What has come since the last call, some at a time."""
        news = self._link.news()
        if news:
            self.heard_s = time.monotonic()
        return news

    def end(self) -> None:
        """Ask for the end; the last of the news is `Ended`."""
        self.order(EndRun())

    def is_ended_within(self, limit_s: float) -> bool:
        """Wait for the end of the process [s]."""
        try:
            self._process.wait(limit_s)
        except subprocess.TimeoutExpired:
            return False
        return True

    def kill(self) -> None:
        """End a process that does not answer."""
        self._process.terminate()
        if not self.is_ended_within(1.0):
            self._process.kill()
            self._process.wait()

    def clean_up(self) -> str:
        """Stop the instrument that a dead process may have left with tones on.

        Returns
        -------
        str
            Why that failed; empty: it is stopped.
        """
        cleaner = start_process(
            LOOP,
            Job(
                configuration=self._configuration,
                source=self._source,
                folder=Path(),
                link_folder=None,
                service_pid=os.getpid(),
            ),
            stderr=subprocess.PIPE,
        )
        try:
            _, complaint = cleaner.communicate(timeout=CLEAN_UP_WITHIN_S)
        except subprocess.TimeoutExpired:
            cleaner.kill()
            cleaner.wait()
            return f"the instrument could not be stopped within {CLEAN_UP_WITHIN_S:g} s"
        if cleaner.returncode:
            return " ".join(complaint.decode(errors="replace").split()) or "the instrument failed"
        return ""

    def close(self) -> None:
        """Close the link; the process has ended."""
        self._link.close()
        shutil.rmtree(self._link_folder, ignore_errors=True)
