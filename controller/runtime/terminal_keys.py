"""Single keys by which an operator at the terminal steers a protocol.

Keys are read without Enter and without waiting; the terminal is as before afterwards.
Where standard input is no terminal (a pipe, a service, a system without termios), nothing
is read and nothing changes.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from types import ModuleType

from controller.runtime.loop import RequestSource
from controller.supervisor.requests import Request, RequestKind

KEYS = {
    "p": (RequestKind.PAUSE, "pause before the next step"),
    "r": (RequestKind.RESUME, "resume"),
    "s": (RequestKind.SKIP, "skip this step"),
    "m": (RequestKind.MARK, "mark"),
    "q": (RequestKind.STOP, "stop"),
}
KEYS_HELP = "keys: " + ", ".join(f"{key} {words}" for key, (_, words) in KEYS.items())
MOST_KEYS = 64  # of one look


@contextmanager
def terminal_keys(descriptor: int | None = None) -> Iterator[RequestSource | None]:
    """Read single keys from a terminal for as long as a run lasts.

    Parameters
    ----------
    descriptor : int, optional
        File descriptor of the terminal; None: standard input.

    Yields
    ------
    callable or None
        What the keys that were pressed since the last call ask for; None: there
        is no terminal whose keys could be read.
    """
    terminal = _standard_input() if descriptor is None else descriptor
    control = _terminal_control()
    if control is None or terminal is None or not _is_ours(terminal):
        yield None
        return
    before = control.tcgetattr(terminal)
    single = control.tcgetattr(terminal)
    local_modes, characters = 3, 6  # their places; see termios(3)
    # No line editing, no echo; Ctrl-C still interrupts. A read returns what there is.
    single[local_modes] &= ~(control.ICANON | control.ECHO)
    single[characters][control.VMIN], single[characters][control.VTIME] = 0, 0
    control.tcsetattr(terminal, control.TCSADRAIN, single)
    try:
        yield lambda: _pressed(terminal)
    finally:
        if _is_ours(terminal):
            # What was typed too late is no command for the shell.
            control.tcsetattr(terminal, control.TCSAFLUSH, before)


def _pressed(terminal: int) -> tuple[Request, ...]:
    """What the keys ask that were pressed since the last look."""
    if not _is_ours(terminal):
        return ()
    try:
        typed = os.read(terminal, MOST_KEYS).decode("ascii", "ignore")
    except OSError:  # the terminal has gone; the run goes on
        return ()
    return tuple(Request(kind=KEYS[key][0]) for key in typed.lower() if key in KEYS)


def _standard_input() -> int | None:
    """File descriptor of standard input; None where it has none."""
    try:
        return sys.stdin.fileno()
    except (AttributeError, OSError, ValueError):
        return None


def _terminal_control() -> ModuleType | None:
    """The module that sets a terminal's modes; None where the system has none."""
    try:
        import termios
    except ImportError:
        return None
    return termios


def _is_ours(terminal: int) -> bool:
    """Whether it is a terminal, and not one that a job in the background would be stopped by."""
    if not os.isatty(terminal):
        return False
    try:
        return os.tcgetpgrp(terminal) == os.getpgrp()
    except OSError:  # a terminal that controls no job of this session
        return True
