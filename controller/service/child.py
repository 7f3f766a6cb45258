"""The loop process as the service sees it: started, listened to, ended, and cleaned up after."""

from __future__ import annotations

import subprocess
import time
from pathlib import Path

from controller.service.link import EndRun, News
from controller.service.linked_process import LinkedProcess
from controller.service.loop_process import Job
from controller.service.processes import start_process
from controller.settings import Configuration

STOP_WITHIN_S = 5.0  # for a loop to turn everything off when it is told so
TAKES_SIGNAL_S = 1.0  # for a loop that is terminated
CLEAN_UP_WITHIN_S = 15.0  # for an instrument to be opened anew and stopped
LOOP = "controller.service.loop_process"


class LoopChild(LinkedProcess):
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
        self._configuration, self._source = configuration, source
        self.heard_s = time.monotonic()  # when there were news last
        super().__init__(
            LOOP,
            lambda link_folder: Job(
                configuration=configuration,
                source=source,
                folder=folder,
                link_folder=link_folder,
                stops_first=stops_first,
            ),
        )

    @property
    def unheard_s(self) -> float:
        """How long there were no news [s]."""
        return time.monotonic() - self.heard_s

    def news(self) -> list[News]:
        """What has come since the last call, some at a time."""
        news: list[News] = super().news()
        if news:
            self.heard_s = time.monotonic()
        return news

    def end(self) -> None:
        """Ask for the end; the last of the news is `Ended`."""
        self.order(EndRun())

    def kill(self) -> None:
        """End a process that does not answer; one that can takes its tones off first."""
        self.terminate()
        if not self.is_ended_within(TAKES_SIGNAL_S):
            super().kill()

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
