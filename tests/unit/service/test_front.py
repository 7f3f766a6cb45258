"""The process of the public sockets: what it hands on, and that nothing is lost with it."""

from __future__ import annotations

import json
import os
import signal
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import pytest
import zmq

from controller.errors import InputError
from controller.service.commands import Mute
from controller.service.front import Front
from controller.service.messages import PictureMessage, RecordMessage
from controller.service.processes import resident_bytes
from controller.service.sockets import MOST_AT_ONCE, Incoming
from tests.support.little_service import DEADLINE_S, picture, record
from tests.support.malformed import GREETING, ready

pytestmark = pytest.mark.live

LITTLE_MEMORY_BYTES = 32 * 2**20  # what a flood fills in a tenth of a second


@pytest.fixture
def front() -> Iterator[Front]:
    """On loopback, without keys, with little memory."""
    with Front("127.0.0.1", 0, 0, most_memory_bytes=LITTLE_MEMORY_BYTES) as front:
        yield front


@pytest.fixture
def commands(front: Front) -> Iterator[zmq.Socket[bytes]]:
    """A client's socket for commands."""
    with zmq.Context() as context, context.socket(zmq.DEALER) as socket:
        socket.linger = 0
        socket.connect(f"tcp://127.0.0.1:{front.command_port}")
        yield socket


@pytest.fixture
def telemetry(front: Front) -> Iterator[zmq.Socket[bytes]]:
    """A client's socket for telemetry."""
    with zmq.Context() as context, context.socket(zmq.SUB) as socket:
        socket.linger = 0
        socket.subscribe("")
        socket.connect(f"tcp://127.0.0.1:{front.telemetry_port}")
        yield socket


def until(front: Front, is_so: Callable[[list[Incoming]], object]) -> list[Incoming]:
    """Go on as a service does; the commands that came until something is so."""
    until_s = time.monotonic() + DEADLINE_S
    came: list[Incoming] = []
    while not is_so(came):
        assert time.monotonic() < until_s, "it did not come to that"
        came += front.poll(20)
    return came


def asked(command: str, request: int = 1) -> bytes:
    """A command as it is sent."""
    return json.dumps({"request": request, "command": command, "who": "test"}).encode()


def peer(port: int, kind: bytes) -> socket.socket:
    """A connection that has shaken hands, and may now send anything."""
    connection = socket.create_connection(("127.0.0.1", port), timeout=DEADLINE_S)
    connection.sendall(GREETING + ready(kind))
    heard = b""
    while b"READY" not in heard:
        heard += connection.recv(4096)
    return connection


def assert_serves(front: Front, commands: zmq.Socket[bytes]) -> None:
    """A command comes in, and its answer goes back."""
    commands.send(asked("mute"))
    [incoming] = until(front, bool)
    assert incoming.command == Mute(request=1, who="test")
    front.answer(incoming, ok=True, text="here", data={"x": 1})
    until(front, lambda _: commands.poll(0))
    assert commands.recv_json() == {"request": 1, "ok": True, "text": "here", "data": {"x": 1}}


def test_commands_come_in_and_answers_go_back(front: Front, commands: zmq.Socket[bytes]) -> None:
    assert_serves(front, commands)
    commands.send(b"no command")
    until(front, lambda _: front.malformed == 1)


def test_who_subscribes_wants_the_picture_and_gets_what_is_told(
    front: Front, telemetry: zmq.Socket[bytes]
) -> None:
    front.publish(RecordMessage(time_s=1.0, record=record(1.0)))  # to nobody, but it counts
    until(front, lambda _: front.is_picture_wanted)
    assert front.client_count == 1
    front.publish(picture().message())
    assert not front.is_picture_wanted
    front.publish(RecordMessage(time_s=2.0, record=record(2.0)))
    told = [telemetry.recv_multipart() for _ in range(2)]
    assert [topic for topic, _ in told] == [PictureMessage.topic.encode(), b"record"]
    assert [json.loads(content)["number"] for _, content in told] == [1, 2]
    telemetry.unsubscribe("")
    until(front, lambda _: front.client_count == 0)


def test_a_flood_does_not_keep_others_waiting(front: Front, commands: zmq.Socket[bytes]) -> None:
    with zmq.Context() as context, context.socket(zmq.DEALER) as other:
        other.linger = 0
        other.connect(f"tcp://127.0.0.1:{front.command_port}")
        for number in range(1000):
            commands.send(asked("look", number))
        first = until(front, bool)
        other.send(asked("mute"))
        after = 0
        while not any(isinstance(incoming.command, Mute) for incoming in first):
            for incoming in first:
                after += 1
                front.answer(incoming, ok=True)
            first = until(front, bool)
    # What is under way between the processes, what the client had sent before, and each one's turn.
    assert after <= 10 * MOST_AT_ONCE


def test_it_is_started_again_where_it_was(
    front: Front, commands: zmq.Socket[bytes], telemetry: zmq.Socket[bytes]
) -> None:
    assert_serves(front, commands)
    until(front, lambda _: front.client_count == 1)
    ports = front.command_port, front.telemetry_port
    commands.send(b"no command")
    until(front, lambda _: front.malformed == 1)
    assert front.pid is not None
    os.kill(front.pid, signal.SIGKILL)
    until(front, lambda _: front.client_count == 0)
    assert front.troubles() == [
        "the process of the sockets ended with SIGKILL; it is started again"
    ]
    # The listener is back by itself; libzmq subscribes anew when its socket is looked at.
    until(front, lambda _: telemetry.poll(0) or front.is_picture_wanted)
    assert_serves(front, commands)
    assert (front.command_port, front.telemetry_port) == ports
    assert front.malformed == 1 and front.troubles() == []


def test_a_peer_that_dies_with_heartbeats_unread_costs_no_more_than_the_sockets(
    front: Front, commands: zmq.Socket[bytes]
) -> None:
    """libzmq 4.3.5 aborts ("Assertion failed: !_io_error"); a later one may not."""
    command, ping = asked("look"), b"\x04\x07\x04PING\x00\x00"
    frame = b"\x00" + bytes([len(command)]) + command
    with peer(front.command_port, b"DEALER") as connection:
        # More than fit into the queues, in less than libzmq reads at once (8 KiB).
        connection.sendall(110 * frame + ping + 10 * frame)
        came = until(front, lambda came: len(came) == MOST_AT_ONCE)
    troubles: list[str] = []
    until_s = time.monotonic() + 1.0
    while not troubles and time.monotonic() < until_s:
        for incoming in came:
            front.answer(incoming, ok=True)
        came, troubles = front.poll(20), front.troubles()
    died = "the process of the sockets ended with SIGABRT; it is started again"
    assert troubles in ([died], [])  # it takes its hearing of the end before it reads on
    assert_serves(front, commands)


@pytest.mark.parametrize(
    ("kind", "size"), [(b"DEALER", 60_000), (b"SUB", 200)], ids=["commands", "telemetry"]
)
def test_a_message_without_end_does_not_fill_the_memory(
    front: Front, commands: zmq.Socket[bytes], kind: bytes, size: int
) -> None:
    """Parts of a message that is not whole yet are kept where nobody can read or drop them."""
    assert_serves(front, commands)
    port = front.command_port if kind == b"DEALER" else front.telemetry_port
    part = b"\x03" + size.to_bytes(8, "big") + bytes(size)
    own_bytes, sent = resident_bytes(), 0
    with peer(port, kind) as connection, suppress(OSError):
        connection.settimeout(0.01)
        until_s = time.monotonic() + DEADLINE_S
        while front.pid is not None and time.monotonic() < until_s:
            with suppress(TimeoutError):
                sent += connection.send(part)
            if sent % 2**20 < size:
                front.poll(0)
    until(front, lambda _: front.pid is None)
    assert sent < 20 * LITTLE_MEMORY_BYTES
    assert resident_bytes() - own_bytes < LITTLE_MEMORY_BYTES / 4
    [trouble] = front.troubles()
    assert trouble == "clients filled the memory of the process of the sockets; it is started again"
    assert_serves(front, commands)


def test_what_cannot_be_bound_is_bad_input(front: Front, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=f"service.command_port = {front.command_port}: "):
        Front("127.0.0.1", front.command_port, 0)
    with pytest.raises(InputError, match=r"service.address = '192.0.2.1': .*keys are needed"):
        Front("192.0.2.1", 0, 0)
    with pytest.raises(InputError, match="nowhere"):
        Front("127.0.0.1", 0, 0, keys=tmp_path / "nowhere")


def test_it_ends_with_its_service(front: Front) -> None:
    pid = front.pid
    front.close()
    front.close()
    assert pid is not None
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)
