"""Bytes that are no message: mutilated commands, and streams that are no ZeroMQ."""

from __future__ import annotations

import json
import socket
from collections.abc import Iterator

import numpy as np

from controller.service.commands import COMMANDS, MalformedCommand, read_command

# The start of a connection (ZMTP 3.1, ZeroMQ RFC 37): signature, version 3.1, mechanism, not as
# server, filler; then the command READY with its properties.
GREETING = b"\xff" + bytes(8) + b"\x7f" + b"\x03\x01" + b"NULL".ljust(20, b"\0") + bytes(32)
_LONG_COMMAND, _MORE = 0x04, 0x01


def ready(kind: bytes) -> bytes:
    """The command READY of a socket of a kind."""
    body = b"\x05READY\x0bSocket-Type" + len(kind).to_bytes(4, "big") + kind
    return bytes([_LONG_COMMAND, len(body)]) + body


def _frames(content: bytes) -> bytes:
    """Noise as it would be sent: short frames, of which some say that more follow."""
    pieces = [content[start : start + 50] for start in range(0, len(content), 50)]
    return b"".join(
        bytes([_MORE if piece[0] & 1 else 0, len(piece)]) + piece for piece in pieces if piece
    )


SAMPLES = [
    json.dumps(
        {"request": 1, "command": name, "who": "fuzz", "value": 0.5, "text": "x", "to": "y"}
    ).encode()
    for name in COMMANDS
]
ODD_VALUES: tuple[object, ...] = (
    *(None, True, -1, 2**70, 1e308, float("nan"), float("inf"), "", "\x00", "ü" * 50),
    *([], {}, [[[]]], {"a": {"b": [1]}}, "9" * 5000),
)


def malformed_commands(rng: np.random.Generator, count: int) -> Iterator[list[bytes]]:
    """Parts of messages of which none is a command.

    Parameters
    ----------
    rng : Generator
        Source of all randomness.
    count : int
        How many.

    Yields
    ------
    list of bytes
        One message.
    """
    made = 0
    while made < count:
        kind = rng.integers(5)
        if kind == 0:
            parts = [rng.bytes(int(rng.integers(0, 200)))]
        elif kind == 1:
            parts = [_mutilated(rng, SAMPLES[rng.integers(len(SAMPLES))])]
        elif kind == 2:
            parts = [_odd_command(rng)]
        elif kind == 3:
            parts = [b"x" * int(rng.integers(0, 20)) for _ in range(int(rng.integers(2, 6)))]
        else:
            parts = [rng.choice([b"[", b'{"a":', b'"']) * int(rng.integers(1, 2000))]
        if not _is_command(parts):
            made += 1
            yield parts


def malformed_streams(rng: np.random.Generator, count: int) -> Iterator[bytes]:
    """What connections may send instead of ZeroMQ: noise, and its greeting gone wrong.

    Parameters
    ----------
    rng : Generator
        Source of all randomness.
    count : int
        How many.

    Yields
    ------
    bytes
        Everything that one connection sends.
    """
    for _ in range(count):
        noise = rng.bytes(int(rng.integers(0, 600)))
        hello = ready(bytes(rng.choice([b"DEALER", b"SUB", b"REQ", b"PUB", b"?"])))
        kind = rng.integers(6)
        if kind == 0:
            yield noise
        elif kind == 1:
            yield b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n" + noise
        elif kind == 2:
            yield _mutilated(rng, GREETING) + noise
        elif kind == 3:
            yield GREETING + _mutilated(rng, hello) + noise
        elif kind == 4:
            yield GREETING + hello + noise
        else:
            yield GREETING + hello + _frames(noise)


def send_and_hang_up(place: tuple[str, int], content: bytes) -> None:
    """Connect, send everything, and stay until the other side has taken it in or hung up.

    Parameters
    ----------
    place : (str, int)
        Address and port.
    content : bytes
        What to send.
    """
    with socket.create_connection(place, timeout=10.0) as connection:
        try:
            connection.sendall(content)
            connection.shutdown(socket.SHUT_WR)
            while connection.recv(4096):
                pass
        except TimeoutError:
            raise AssertionError(f"held for ten seconds after {content!r}") from None
        except OSError:
            pass  # thrown out in the middle of it


def _mutilated(rng: np.random.Generator, content: bytes) -> bytes:
    """Some bytes changed, and perhaps the end cut off or something put in."""
    changed = bytearray(content)
    for _ in range(int(rng.integers(1, 4))):
        changed[int(rng.integers(len(changed)))] = int(rng.integers(256))
    if rng.random() < 0.3:
        del changed[int(rng.integers(len(changed))) :]
    elif rng.random() < 0.3:
        place = int(rng.integers(len(changed)))
        changed[place:place] = rng.bytes(int(rng.integers(1, 20)))
    return bytes(changed)


def _odd_command(rng: np.random.Generator) -> bytes:
    """A command with an odd value in one place."""
    fields = json.loads(SAMPLES[rng.integers(len(SAMPLES))])
    fields[str(rng.choice([*fields, "other"]))] = ODD_VALUES[rng.integers(len(ODD_VALUES))]
    return json.dumps(fields).encode()


def _is_command(parts: list[bytes]) -> bool:
    """Whether luck has made a command after all: of one part, or of a REQ socket."""
    content = parts[-1]
    if len(parts) > 2 or (len(parts) == 2 and parts[0]):
        return False
    try:
        read_command(content)
    except MalformedCommand:
        return False
    return True
