"""The loop process as the service sees it: started, listened to, ended, and cleaned up after.

Whatever becomes of it, `last_word` says whether its tones are known to be off.
"""

from __future__ import annotations

import subprocess
import time
from collections import deque
from collections.abc import Callable, Iterator
from pathlib import Path

from controller.runtime.ending import FAILED
from controller.runtime.log.handed_over import Entry
from controller.service.link import Ended, EndRun, LoopState, Ready, Refused
from controller.service.linked_process import LinkedProcess
from controller.service.loop_process import Job
from controller.service.processes import start_process
from controller.settings import Configuration

STOP_WITHIN_S = 5.0  # for a loop to turn everything off when it is told so
TAKES_SIGNAL_S = 1.0  # for a loop that is terminated
CLEAN_UP_WITHIN_S = 15.0  # for an instrument to be opened anew and stopped
POLL_MS = 100  # longest wait for something to happen
# A loop that is not heard for so long hangs: longer than a stop by SIGSTOP that it survives,
# and than the time-outs that end a run.
SILENT_S = 10.0
LOOP = "controller.service.loop_process"

Told = Ready | Refused | Entry | LoopState | Ended
"""One piece of news."""


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
    now_s : callable
        A clock that never goes back [s].
    """

    def __init__(
        self,
        configuration: Configuration,
        source: Path,
        folder: Path,
        *,
        stops_first: bool = False,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._configuration, self._source = configuration, source
        self.last_word: Ended | None = None  # its tones are off
        self._told: deque[Told] = deque()  # heard, not taken yet
        self._now_s, self._heard_s = now_s, now_s()
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

    def hear(self, timeout_ms: int) -> None:
        """Wait for news, and keep them until they are taken."""
        self.socket.poll(timeout_ms)
        for news in self.news():
            self._heard_s = self._now_s()
            self._told.extend(news if isinstance(news, tuple) else (news,))

    def told(self) -> Iterator[Told]:
        """Take what the loop has told, one after the other; the rest waits."""
        self.hear(0)
        while self._told:
            told = self._told.popleft()
            if isinstance(told, Ended):
                self.last_word = self.last_word or told  # the first word counts
            elif isinstance(told, Refused):
                self.last_word = Ended(outcome=FAILED, reason=told.text)
            yield told

    @property
    def silent_s(self) -> float:
        """After how long without news it hangs [s]."""
        run = self._configuration.run
        return max(SILENT_S, 2.0 * run.read_timeout_s * (run.timeouts_allowed + 1))

    def is_silent(self) -> bool:
        """Whether there is nothing to hear, and has not been for long.

        A service that was itself kept waiting, by a busy machine, listens before it judges.
        """
        if self._is_unheard():
            self.hear(POLL_MS)
        return self._is_unheard()

    def _is_unheard(self) -> bool:
        return self._now_s() - self._heard_s > self.silent_s

    def end(self, take_news: Callable[[], None]) -> None:
        """Ask for the end, and see to it.

        Parameters
        ----------
        take_news : callable
            Takes what the loop still tells.
        """
        if self.exit_status is None:
            self.order(EndRun())
            given_up_s = self._now_s() + STOP_WITHIN_S
            while self.last_word is None and self._now_s() < given_up_s:
                has_ended = self.exit_status is not None
                self.hear(POLL_MS)
                take_news()
                if has_ended:
                    break
        if not self.is_ended_within(STOP_WITHIN_S):
            self.kill()

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
