"""Keys at a terminal become requests, and the terminal is as before afterwards."""

from __future__ import annotations

import os
import termios
from collections.abc import Iterator

import pytest

from controller.runtime.terminal_keys import KEYS, KEYS_HELP, terminal_keys
from controller.supervisor.requests import RequestKind


@pytest.fixture
def terminal() -> Iterator[tuple[int, int]]:
    """Where an operator types, and what the program reads."""
    typed, read = os.openpty()
    yield typed, read
    os.close(typed)
    os.close(read)


def test_each_key_asks_for_what_the_help_says(terminal: tuple[int, int]) -> None:
    typed, read = terminal
    with terminal_keys(read) as pressed:
        assert pressed is not None
        assert pressed() == ()
        os.write(typed, b"prsmq")
        kinds = [request.kind for request in pressed()]
        assert kinds == [
            RequestKind.PAUSE,
            RequestKind.RESUME,
            RequestKind.SKIP,
            RequestKind.MARK,
            RequestKind.STOP,
        ]
        assert pressed() == ()
    assert all(f"{key} {words}" in KEYS_HELP for key, (_, words) in KEYS.items())


def test_capitals_do_and_other_keys_are_left_alone(terminal: tuple[int, int]) -> None:
    typed, read = terminal
    with terminal_keys(read) as pressed:
        assert pressed is not None
        os.write(typed, "x \x1b[A\u00e4S\n".encode())
        assert [request.kind for request in pressed()] == [RequestKind.SKIP]


def test_the_terminal_is_as_before_also_after_an_error(terminal: tuple[int, int]) -> None:
    _, read = terminal
    before = termios.tcgetattr(read)
    with pytest.raises(RuntimeError), terminal_keys(read):
        local_modes = termios.tcgetattr(read)[3]
        assert not local_modes & (termios.ICANON | termios.ECHO)
        assert local_modes & termios.ISIG  # Ctrl-C interrupts as ever
        raise RuntimeError
    assert termios.tcgetattr(read) == before


def test_a_terminal_that_goes_away_leaves_the_run_alone() -> None:
    typed, read = os.openpty()
    with terminal_keys(read) as pressed:
        assert pressed is not None
        os.close(typed)
        assert pressed() == ()
    os.close(read)


def test_what_is_no_terminal_is_not_read() -> None:
    read, write = os.pipe()
    os.write(write, b"q")
    with terminal_keys(read) as pressed:
        assert pressed is None
    assert os.read(read, 10) == b"q"
    os.close(read)
    os.close(write)
