"""Processes that the service starts: each gets a job on standard input, and ends with it."""

from __future__ import annotations

import ctypes
import os
import pickle
import signal
import subprocess
import sys
from contextlib import suppress
from pathlib import Path
from typing import Any

from controller.errors import RunFailed

# Read by BLAS when numpy is first imported; a second thread delays blocks (DEVELOPERS.md).
ONE_THREAD = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")
SET_PARENT_DEATH_SIGNAL, SET_CHILD_SUBREAPER = 1, 36  # prctl(2) of Linux


def start_process(module: str, job: object, stderr: int | None = None) -> subprocess.Popen[bytes]:
    """Start a process with its job.

    Parameters
    ----------
    module : str
        What it runs.
    job : object
        Whatever `job_of_this_process` shall give there; pickled.
    stderr : int, optional
        As for `subprocess.Popen`.

    Returns
    -------
    subprocess.Popen
        In a session of its own: Ctrl-C on a terminal is for the service, which
        then ends the others.

    Raises
    ------
    RunFailed
        If it ends before it has its job.
    """
    process = subprocess.Popen(
        [sys.executable, "-m", module],
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=stderr,
        env={**os.environ, **ONE_THREAD},
        start_new_session=True,
    )
    assert process.stdin is not None
    try:
        process.stdin.write(pickle.dumps(job))
        process.stdin.close()
    except OSError as error:
        raise RunFailed(f"{module} could not be started: {error}") from error
    process.stdin = None  # communicate() must not close it again
    return process


def job_of_this_process() -> Any:
    """The job on standard input; from now on the system ends this process with its service."""
    job = pickle.loads(sys.stdin.buffer.read())
    end_with_parent()
    return job


def end_with_parent() -> None:
    """Let the system terminate this process when the one that has started it ends."""
    # Elsewhere than on Linux whoever does the job has to look at its parent.
    _tell_linux(SET_PARENT_DEATH_SIGNAL, signal.SIGTERM)


def adopt_orphans() -> None:
    """Make what children of this process leave behind its own children, to be waited for."""
    _tell_linux(SET_CHILD_SUBREAPER, 1)


def _tell_linux(what: int, value: int) -> None:
    with suppress(AttributeError, OSError):
        ctypes.CDLL(None).prctl(what, value)


class Pauses:
    """How long to wait before a process that has ended is started again.

    At once the first time and where it has lived long; where it has not, longer each time.

    Parameters
    ----------
    first_s, longest_s : float
        The first wait that is none at once, and the longest; each is twice
        the one before [s].
    long_life_s : float
        What counts as long [s].
    """

    def __init__(self, first_s: float, longest_s: float, long_life_s: float) -> None:
        self._first_s, self._longest_s, self._long_life_s = first_s, longest_s, long_life_s
        self._next_s = 0.0
        self.short_lives = 0  # in succession

    def __repr__(self) -> str:
        return f"Pauses({self.short_lives} short lives, next {self._next_s:g} s)"

    def after(self, life_s: float) -> float:
        """The wait after a process that has lived so long [s]."""
        if life_s > self._long_life_s:
            self._next_s, self.short_lives = 0.0, 0
        else:
            self.short_lives += 1
        pause_s = self._next_s
        self._next_s = min(max(2.0 * pause_s, self._first_s), self._longest_s)
        return pause_s


def resident_bytes(pid: int | str = "self") -> int:
    """Memory of a process, as proc(5) of Linux has it; 0 where the system does not tell."""
    with suppress(OSError):
        pages = int(Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE")
    return 0


def how_it_ended(status: int) -> str:
    """The status of a process that has ended, in a word or two."""
    return signal.Signals(-status).name if status < 0 else f"status {status}"
