"""A service that is started again when it fails, by a process that does nothing else.

    this process  --starts-->  service  --starts-->  loop, public sockets

However a service ends, its loop takes the tones off. What it leaves behind is
waited for, so that instrument and ports are free. Then the next one begins as
if an operator had started it: it stops the instrument first if tones may be
left, drives and searches where the modes were, keeps the pump off unless the
configuration arms it, and has a log of its own, whose first event says how the
one before ended. Who starts too often in vain is not started again, and should
this process die, the service ends in order.
"""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

from controller.errors import RunFailed
from controller.runtime.ending import STOPPED_BY_OPERATOR, StopRequest
from controller.service.processes import Pauses, adopt_orphans, end_with_parent, how_it_ended
from controller.service.state_file import write_end_of

DONE_STATUS, BAD_INPUT_STATUS = 0, 2
LOOK_EVERY_S = 0.1
# A loop takes its tones off after its present block; the public sockets end at once.
LEFT_WITHIN_S = 15.0
# Between a failure and the next start. What fails in vain so often and so quickly does not mend
# itself, and each start switches the drives on.
FIRST_PAUSE_S, LONGEST_PAUSE_S = 2.0, 300.0
LONG_LIFE_S = 600.0
MOST_SHORT_LIVES = 10  # nine minutes of pauses
CHILDREN = Path("/proc/self/task")  # proc(5) of Linux


def keep_serving(
    name: str, command: Callable[[int], Sequence[str]], announce: Callable[[str], None]
) -> int:
    """Start a service, and again whenever it fails.

    Parameters
    ----------
    name : str
        Of the service.
    command : callable
        Given the number of a start, from 1: its command line.
    announce : callable
        Told why and when it is started again.

    Returns
    -------
    int
        Exit status of the last one: 0, or that of a first start with bad
        input.

    Raises
    ------
    RunFailed
        If it has failed too often in succession, or when an operator ended it.
    InputError
        If another one of this name was started in place of one that died.
    """
    pauses = Pauses(FIRST_PAUSE_S, LONGEST_PAUSE_S, LONG_LIFE_S)
    adopt_orphans()
    start = 1
    with StopRequest() as stop_request:
        while True:
            started_s = time.monotonic()
            status = _serve_once(name, command(start), stop_request)
            if status == DONE_STATUS or (status == BAD_INPUT_STATUS and start == 1):
                return status
            pause_s = pauses.after(time.monotonic() - started_s)
            reason = f"the service ended with {how_it_ended(status)}"
            if pauses.short_lives >= MOST_SHORT_LIVES:
                raise RunFailed(f"{reason}, {MOST_SHORT_LIVES} times in succession; that was all")
            if not stop_request.is_set:
                when = f"in {pause_s:g} s" if pause_s else "at once"
                announce(f"difftone {name}: {reason}; it is started again {when}")
                _wait(pause_s, stop_request)
            if stop_request.is_set:
                raise RunFailed(f"{STOPPED_BY_OPERATOR}; {reason}")
            start += 1


def _serve_once(name: str, command: Sequence[str], stop_request: StopRequest) -> int:
    """One service from its start until nothing is left of it; its exit status."""
    process = subprocess.Popen(
        command,
        stdin=subprocess.DEVNULL,
        start_new_session=True,  # Ctrl-C is for this process, which hands it on
        preexec_fn=end_with_parent,
    )
    is_told = False
    while process.poll() is None:
        if stop_request.is_set and not is_told:
            is_told = True
            process.terminate()
        time.sleep(LOOK_EVERY_S)
    if not _are_orphans_gone_within(LEFT_WITHIN_S):
        _kill_orphans()
        _are_orphans_gone_within(LEFT_WITHIN_S)
    if process.returncode < 0:  # whoever ends by itself has written why
        write_end_of(
            name, process.pid, f"the service ended with {how_it_ended(process.returncode)}"
        )
    return process.returncode


def _wait(pause_s: float, stop_request: StopRequest) -> None:
    until_s = time.monotonic() + pause_s
    while time.monotonic() < until_s and not stop_request.is_set:
        time.sleep(LOOK_EVERY_S)


def _are_orphans_gone_within(limit_s: float) -> bool:
    """Wait for the ends of what a service has left behind [s]."""
    given_up_s = time.monotonic() + limit_s
    while time.monotonic() < given_up_s:
        try:
            ended, _ = os.waitpid(-1, os.WNOHANG)
        except ChildProcessError:
            return True
        if not ended:
            time.sleep(LOOK_EVERY_S)
    return False


def _kill_orphans() -> None:
    """A loop that hangs has its instrument stopped by the next start."""
    with suppress(OSError):
        children = (CHILDREN / str(os.getpid()) / "children").read_text(encoding="ascii")
        for pid in map(int, children.split()):
            os.kill(pid, signal.SIGKILL)
