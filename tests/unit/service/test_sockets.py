"""The sockets, from outside and with pyzmq alone: who gets what, and that nobody is waited for."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
import zmq

from controller.errors import InputError
from controller.service.access import (
    ClientKeys,
    Role,
    make_client_key,
    make_service_key,
    read_client_keys,
    remove_client,
)
from controller.service.commands import MOST_BYTES, Arm, Look
from controller.service.messages import RecordMessage
from controller.service.sockets import Incoming, ServiceSockets
from tests.support.little_service import DEADLINE_S, picture, record

pytestmark = pytest.mark.live

# A stranger is refused by the answer to its handshake, which takes milliseconds; in this time a
# client that is let in has its answer several times over.
STRANGER_MS = 500


@contextmanager
def plain_socket(
    kind: int, port: int, keys: ClientKeys | None = None, **options: Any
) -> Iterator[zmq.Socket[bytes]]:
    """A client's socket."""
    with zmq.Context() as context, context.socket(kind) as socket:
        socket.linger = 0
        for name, value in options.items():
            socket.set(getattr(zmq, name), value)
        if keys is not None:
            socket.curve_serverkey = keys.service_public
            socket.curve_publickey = keys.pair.public
            socket.curve_secretkey = keys.pair.secret
        if kind == zmq.SUB:
            socket.subscribe("")
        socket.connect(f"tcp://127.0.0.1:{port}")
        yield socket


@pytest.fixture
def sockets() -> Iterator[ServiceSockets]:
    """On loopback, without keys."""
    with ServiceSockets(command_port=0, telemetry_port=0) as sockets:
        yield sockets


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with the service's key and two clients."""
    folder = tmp_path / "keys"
    make_service_key(folder)
    make_client_key(folder, "ann", Role.CONTROLLER)
    make_client_key(folder, "bob", Role.READER)
    return folder


def keys_of(folder: Path, name: str) -> ClientKeys:
    """What a client takes with it."""
    return read_client_keys(folder / f"{name}.key")


def stranger_keys(folder: Path, tmp_path: Path) -> ClientKeys:
    """A client that knows the service's public key but is not on the list."""
    other = tmp_path / "other"
    make_service_key(other)
    own = read_client_keys(make_client_key(other, "mallory", Role.CONTROLLER)).pair
    return ClientKeys(pair=own, service_public=keys_of(folder, "ann").service_public)


def until_asked(sockets: ServiceSockets) -> Incoming:
    """The next command."""
    until_s = time.monotonic() + DEADLINE_S
    while time.monotonic() < until_s:
        for incoming in sockets.poll(20):
            return incoming
    raise AssertionError("no command came")


def until_wanted(sockets: ServiceSockets) -> None:
    """Wait for a subscriber."""
    until_s = time.monotonic() + DEADLINE_S
    while not sockets.is_picture_wanted:
        assert time.monotonic() < until_s, "nobody subscribed"
        sockets.poll(20)


def received(sockets: ServiceSockets, socket: zmq.Socket[bytes]) -> Any:
    """The JSON object that comes to a client while the service goes on."""
    until_s = time.monotonic() + DEADLINE_S
    while time.monotonic() < until_s:
        sockets.poll(1)
        if socket.poll(20):
            return json.loads(socket.recv_multipart()[-1])
    raise AssertionError("nothing came")


def comes(sockets: ServiceSockets, socket: zmq.Socket[bytes]) -> bool:
    """Whether anything comes to a stranger while the service goes on, with a lot to tell."""
    until_s = time.monotonic() + STRANGER_MS / 1e3
    while time.monotonic() < until_s:
        for incoming in sockets.poll(5):
            raise AssertionError(f"a stranger was heard: {incoming}")
        sockets.publish(RecordMessage(time_s=0.0, record=record(0.0)))
        if socket.poll(5):
            return True
    return False


def ask(socket: zmq.Socket[bytes], command: str = "look", **arguments: Any) -> None:
    """Send a command, if the service has not thrown us out yet: there is nobody to send to then."""
    with suppress(zmq.Again):
        fields = {"request": 1, "command": command, "who": "test", **arguments}
        socket.send_json(fields, zmq.NOBLOCK)


# --- without keys --------------------------------------------------------


@pytest.mark.parametrize("kind", [zmq.DEALER, zmq.REQ])
def test_a_command_comes_in_and_its_answer_goes_back(sockets: ServiceSockets, kind: int) -> None:
    with plain_socket(kind, sockets.command_port) as socket:
        ask(socket)
        incoming = until_asked(sockets)
        assert incoming.command == Look(request=1, who="test")
        assert incoming.role is Role.CONTROLLER
        sockets.answer(incoming, ok=True, text="here", data={"x": 1})
        answer = received(sockets, socket)
    assert answer == {"request": 1, "ok": True, "text": "here", "data": {"x": 1}}


def test_two_connections_are_two_clients(sockets: ServiceSockets) -> None:
    identities = set()
    for _ in range(2):
        with plain_socket(zmq.DEALER, sockets.command_port) as socket:
            ask(socket)
            identities.add(until_asked(sockets).identity)
    assert len(identities) == 2


def test_a_mistake_is_answered_here(sockets: ServiceSockets) -> None:
    with plain_socket(zmq.DEALER, sockets.command_port) as socket:
        ask(socket, "pump_amplitude", value="much")
        answer = received(sockets, socket)
    assert answer["ok"] is False
    assert "value = 'much'" in answer["text"]
    assert sockets.malformed == 1


@pytest.mark.parametrize("parts", [[b"{}"], [b"\xff\x00"], [b"a", b"b"], [b"", b"", b"{}"]])
def test_what_cannot_be_answered_is_counted(sockets: ServiceSockets, parts: list[bytes]) -> None:
    with plain_socket(zmq.DEALER, sockets.command_port) as socket:
        socket.send_multipart(parts)
        ask(socket)  # comes after it
        until_asked(sockets)
    assert sockets.malformed == 1


def test_a_message_that_is_too_large_ends_only_its_connection(sockets: ServiceSockets) -> None:
    with plain_socket(zmq.DEALER, sockets.command_port) as socket:
        socket.send(b" " * (2 * MOST_BYTES))
        assert sockets.poll(50) == []
    with plain_socket(zmq.DEALER, sockets.command_port) as socket:
        ask(socket)
        until_asked(sockets)


def test_a_subscriber_wants_the_picture(sockets: ServiceSockets) -> None:
    assert not sockets.is_picture_wanted
    with plain_socket(zmq.SUB, sockets.telemetry_port) as socket:
        until_wanted(sockets)
        sockets.publish(picture().message())
        assert not sockets.is_picture_wanted
        assert received(sockets, socket)["message"] == "picture"
        assert sockets.client_count == 1


def test_a_second_subscriber_to_the_same_wants_it_too(sockets: ServiceSockets) -> None:
    with plain_socket(zmq.SUB, sockets.telemetry_port):
        until_wanted(sockets)
        sockets.publish(picture().message())
        with plain_socket(zmq.SUB, sockets.telemetry_port) as second:
            until_wanted(sockets)
            sockets.publish(picture().message())
            assert received(sockets, second)["number"] == 2
            assert sockets.client_count == 2


def test_subscribers_that_leave_are_counted_off(sockets: ServiceSockets) -> None:
    for _ in range(3):
        with plain_socket(zmq.SUB, sockets.telemetry_port):
            until_wanted(sockets)
            sockets.publish(picture().message())
    until_s = time.monotonic() + DEADLINE_S
    while sockets.client_count:
        assert time.monotonic() < until_s
        sockets.poll(20)


def test_each_topic_is_numbered_by_itself(sockets: ServiceSockets) -> None:
    with plain_socket(zmq.SUB, sockets.telemetry_port) as socket:
        until_wanted(sockets)
        sockets.publish(picture().message())
        for _ in range(2):
            sockets.publish(RecordMessage(time_s=0.0, record=record(0.0)))
        heard = [received(sockets, socket) for _ in range(3)]
    assert [(message["message"], message["number"]) for message in heard] == [
        ("picture", 1),
        ("record", 1),
        ("record", 2),
    ]


def test_a_subscriber_that_does_not_read_slows_nobody(sockets: ServiceSockets) -> None:
    message = RecordMessage(time_s=0.0, record=record(0.0))
    with (
        plain_socket(zmq.SUB, sockets.telemetry_port, RCVHWM=1) as sleeper,
        plain_socket(zmq.SUB, sockets.telemetry_port) as listener,
    ):
        while sockets.client_count < 2:
            sockets.poll(20)
        # Enough to fill what lies between: queues of 200 messages, and the kernel's buffers.
        count = 20_000
        began_s = time.monotonic()
        for _ in range(count):
            sockets.publish(message)
            while listener.poll(0):
                listener.recv_multipart()
        assert time.monotonic() - began_s < DEADLINE_S
        heard = 0
        while heard <= count:  # the newest still comes to who reads
            sockets.publish(message)
            heard = received(sockets, listener)["number"]
        kept = 0
        while sleeper.poll(50):
            sleeper.recv_multipart()
            kept += 1
        assert kept < count


def test_a_client_that_does_not_read_its_answers_slows_nobody(sockets: ServiceSockets) -> None:
    with plain_socket(zmq.DEALER, sockets.command_port, RCVHWM=1) as socket:
        ask(socket)
        incoming = until_asked(sockets)
        began_s = time.monotonic()
        for _ in range(2000):
            sockets.answer(incoming, ok=True, data={"x": "y" * 10_000})
        assert time.monotonic() - began_s < DEADLINE_S


def test_an_answer_to_a_client_that_has_gone_is_nothing(sockets: ServiceSockets) -> None:
    with plain_socket(zmq.DEALER, sockets.command_port) as socket:
        ask(socket)
        incoming = until_asked(sockets)
    for _ in range(5):
        assert sockets.poll(20) == []
        sockets.answer(incoming, ok=True)
    with plain_socket(zmq.DEALER, sockets.command_port) as socket:  # others are served as before
        ask(socket)
        assert until_asked(sockets).identity != incoming.identity


# --- where it may listen -------------------------------------------------


@pytest.mark.parametrize("address", ["0.0.0.0", "::", "192.168.0.1"])
def test_other_machines_are_not_served_without_keys(address: str) -> None:
    with pytest.raises(InputError, match="keys are needed"):
        ServiceSockets(address, 0, 0)


def test_with_keys_any_address_may_be_served(folder: Path) -> None:
    with ServiceSockets("0.0.0.0", 0, 0, keys=folder) as sockets:
        assert sockets.command_port != sockets.telemetry_port


def test_a_port_that_is_taken_is_named(sockets: ServiceSockets) -> None:
    with pytest.raises(InputError, match=r"service\.command_port = \d+: .*in use"):
        ServiceSockets(command_port=sockets.command_port, telemetry_port=0)


def test_ports_are_free_again_after_closing() -> None:
    with ServiceSockets(command_port=0, telemetry_port=0) as first:
        ports = first.command_port, first.telemetry_port
    first.close()
    with ServiceSockets("127.0.0.1", *ports) as second:
        assert (second.command_port, second.telemetry_port) == ports


# --- with keys -----------------------------------------------------------


@pytest.fixture
def locked(folder: Path) -> Iterator[ServiceSockets]:
    """With keys."""
    with ServiceSockets(command_port=0, telemetry_port=0, keys=folder) as sockets:
        yield sockets


@pytest.mark.parametrize(("name", "role"), [("ann", Role.CONTROLLER), ("bob", Role.READER)])
def test_a_client_is_known_by_its_key(
    locked: ServiceSockets, folder: Path, name: str, role: Role
) -> None:
    keys = keys_of(folder, name)
    with (
        plain_socket(zmq.DEALER, locked.command_port, keys) as socket,
        plain_socket(zmq.SUB, locked.telemetry_port, keys) as listener,
    ):
        ask(socket, "arm")
        incoming = until_asked(locked)
        assert incoming.command == Arm(request=1, who="test")
        assert incoming.role is role
        assert incoming.identity == keys.pair.public.decode()
        locked.answer(incoming, ok=True)
        assert received(locked, socket)["ok"]
        until_wanted(locked)
        locked.publish(picture().message())
        assert received(locked, listener)["message"] == "picture"
    assert locked.strangers == 0


@pytest.mark.parametrize("who", ["no key", "unknown key", "wrong service key"])
def test_a_stranger_gets_nothing(
    locked: ServiceSockets, folder: Path, tmp_path: Path, who: str
) -> None:
    stranger = stranger_keys(folder, tmp_path)
    keys = {
        "no key": None,
        "unknown key": stranger,
        "wrong service key": ClientKeys(
            pair=keys_of(folder, "ann").pair, service_public=stranger.pair.public
        ),
    }[who]
    with (
        plain_socket(zmq.DEALER, locked.command_port, keys) as socket,
        plain_socket(zmq.SUB, locked.telemetry_port, keys) as listener,
    ):
        ask(socket, "mute")
        assert not comes(locked, socket)
        assert not comes(locked, listener)
    assert locked.malformed == 0
    assert not locked.is_picture_wanted
    assert (locked.strangers > 0) == (who == "unknown key")


def test_a_client_that_is_put_on_the_list_is_let_in_at_once(
    locked: ServiceSockets, folder: Path
) -> None:
    keys = read_client_keys(make_client_key(folder, "cy", Role.READER))
    with plain_socket(zmq.DEALER, locked.command_port, keys) as socket:
        ask(socket)
        assert until_asked(locked).role is Role.READER


def test_a_client_that_is_taken_off_the_list_is_obeyed_no_more(
    locked: ServiceSockets, folder: Path
) -> None:
    keys = keys_of(folder, "ann")
    with plain_socket(zmq.DEALER, locked.command_port, keys) as socket:
        ask(socket)
        until_asked(locked)
        remove_client(folder, "ann")
        ask(socket, "mute")
        assert not comes(locked, socket)
    assert locked.strangers > 0
    with plain_socket(zmq.DEALER, locked.command_port, keys) as socket:
        ask(socket, "mute")
        assert not comes(locked, socket)


def test_a_client_that_is_taken_off_the_list_hears_nothing_more(
    locked: ServiceSockets, folder: Path
) -> None:
    ann, bob = keys_of(folder, "ann"), keys_of(folder, "bob")
    with (
        plain_socket(zmq.SUB, locked.telemetry_port, ann) as removed,
        plain_socket(zmq.SUB, locked.telemetry_port, bob) as listener,
    ):
        while locked.client_count < 2:
            locked.poll(20)
        remove_client(folder, "ann")
        until_s = time.monotonic() + DEADLINE_S
        while locked.client_count != 1:
            assert time.monotonic() < until_s
            locked.poll(20)
            listener.poll(0)  # a socket of ZeroMQ subscribes again when it is used
        assert not comes(locked, removed)
        assert received(locked, listener)["message"] == "record"  # came back by itself


def test_a_broken_list_is_complained_of(locked: ServiceSockets, folder: Path) -> None:
    assert locked.access_complaint == ""
    (folder / "clients.toml").write_text("?")
    with plain_socket(zmq.DEALER, locked.command_port, keys_of(folder, "bob")) as socket:
        ask(socket)
        until_asked(locked)
    assert "is no TOML file" in locked.access_complaint
