"""The service's two public sockets: commands in, answers and telemetry out.

    commands   ROUTER  one JSON part from a client's DEALER (or REQ), one back
    telemetry  XPUB    topic and JSON to whoever subscribes

Owned by one thread, which calls `poll`, of a process of its own
(`controller.service.front_process`); nothing here waits for a client. A
client that does not read loses messages, one that sends too much is read
more slowly, and bytes that are no message are counted and forgotten. Where
there are keys, a connection is let in by its public key before anything
that it sends is looked at.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import zmq

from controller.errors import InputError
from controller.service.access import (
    Access,
    Role,
    connection_mark,
    is_loopback,
    watch_connection,
)
from controller.service.commands import (
    MOST_BYTES,
    Answer,
    Command,
    MalformedCommand,
    read_command,
)
from controller.service.messages import MESSAGES, PictureMessage, StatusMessage, Telemetry

# Of one client, before it is read more slowly: 64 messages of 64 KiB are 4 MiB.
COMMANDS_WAITING = 64
# For one client that does not read: ten seconds of telemetry, about 1 MiB.
TELEMETRY_WAITING = 200
ANSWERS_WAITING = 64
# At each look, so that a flood of commands does not keep telemetry waiting: the longest, for the
# picture, takes some milliseconds.
MOST_AT_ONCE = 20
MOST_LET_IN_AT_ONCE = 100
MOST_SUBSCRIPTIONS_AT_ONCE = 1000

HANDSHAKE_MS = 5_000  # for a stranger to say who it is
PICTURE_PAUSE_S = 0.2  # between two pictures for new subscribers, however many there are

LIST_EVERY_S = 1.0  # between two looks whether a client was taken off the list
BIND_AGAIN_WITHIN_S = 1.0  # libzmq gives a port free in its own time, mostly a millisecond

# Longer than a handshake with keys, and than any topic.
_LONGEST_SUBSCRIPTION = 1024
_ENCRYPTION_BYTES = 1024  # more than encryption adds to a message
_ZAP_ENDPOINT = "inproc://zeromq.zap.01"
_ZAP_VERSION = b"1.0"
_SUBSCRIBE, _UNSUBSCRIBE = 1, 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Incoming:
    """A command, and who sent it."""

    command: Command
    identity: str  # public key, or a mark of the connection where there are no keys
    role: Role
    route: tuple[bytes, ...] = field(repr=False)  # back to the client

    @property
    def who(self) -> str:
        """The name that the client gives itself."""
        return self.command.who

    def answer(self, *, ok: bool, text: str = "", data: Mapping[str, Any] | None = None) -> bytes:
        """What is sent back.

        Parameters
        ----------
        ok : bool
            Whether it was done.
        text : str
            What was done, or why not.
        data : mapping of str to anything that JSON knows, optional
            What was asked for.

        Returns
        -------
        bytes
            JSON.
        """
        request = self.command.request
        return _encoded(Answer(request=request, ok=ok, text=text, data=dict(data or {})))


class Numbering:
    """Numbers the messages of each topic, from 1 on."""

    def __init__(self) -> None:
        self._last: Counter[str] = Counter()

    def count(self, topic: str) -> int:
        """The number of the next message of a topic, be it sent or not."""
        self._last[topic] += 1
        return self._last[topic]


class ServiceSockets:
    """Commands, answers and telemetry; one thread.

    Parameters
    ----------
    address : str
        Numeric address to listen on.
    command_port, telemetry_port : int
        0: any that is free.
    keys : Path or None
        Folder of keys (`controller.service.access`); None: no keys, on
        loopback alone.

    Raises
    ------
    InputError
        If the address is not loopback and there are no keys, if keys cannot
        be read, or a port is taken.
    """

    def __init__(
        self,
        address: str = "127.0.0.1",
        command_port: int = 8462,
        telemetry_port: int = 8463,
        *,
        keys: Path | None = None,
    ) -> None:
        if not is_loopback(address) and keys is None:
            raise InputError(
                f"service.address = {address!r}: other machines can reach it, so keys are needed; "
                "make them with `difftone keys FOLDER` and set service.keys"
            )
        self._access = None if keys is None else Access(keys)
        self.malformed = 0  # messages that were no command
        self.strangers = 0  # connections with an unknown key, and commands of removed clients
        self._subscriptions: Counter[bytes] = Counter()  # by what they begin with
        self._numbering = Numbering()
        self._is_picture_due = False
        self._last_picture_s = float("-inf")
        self._next_list_s = 0.0
        self._removals_seen = 0
        self._context = zmq.Context()
        try:
            # Before the others are bound: without it any key would be let in.
            self._gate = self._new_gate()
            self._commands = self._new_commands()
            self._telemetry = self._new_telemetry()
            self.command_port = _bound(self._commands, address, command_port, "command_port")
            self.telemetry_port = _bound(self._telemetry, address, telemetry_port, "telemetry_port")
            self._telemetry_endpoint = self._telemetry.get_string(zmq.LAST_ENDPOINT)
        except BaseException:
            self._context.destroy(linger=0)
            raise
        self._poller = zmq.Poller()
        for socket in (self._gate, self._commands, self._telemetry):
            self._poller.register(socket, zmq.POLLIN)

    def __repr__(self) -> str:
        return f"ServiceSockets(ports {self.command_port} and {self.telemetry_port})"

    def __enter__(self) -> ServiceSockets:
        return self

    def __exit__(self, *details: object) -> None:
        self.close()

    def close(self, linger_ms: int = 0) -> None:
        """Close everything; may be called twice.

        Parameters
        ----------
        linger_ms : int
            How long answers and telemetry that are under way may take.
        """
        self._context.destroy(linger=linger_ms)

    def wake_on(self, socket: zmq.Socket[bytes]) -> None:
        """Let `poll` return also when another socket has something to read."""
        self._poller.register(socket, zmq.POLLIN)

    # -- in --------------------------------------------------------------------

    def poll(self, timeout_ms: int, most: int = MOST_AT_ONCE) -> list[Incoming]:
        """What clients have asked for since the last call.

        Parameters
        ----------
        timeout_ms : int
            How long to wait for something to happen; 0: not at all.
        most : int
            How many commands to take; the others wait.

        Returns
        -------
        list of Incoming
            In the order of arrival; each wants an answer. Malformed commands
            have got theirs.
        """
        self._poller.register(self._commands, zmq.POLLIN if most > 0 else 0)
        self._poller.poll(timeout_ms)
        self._look_at_list()
        self._let_in()
        self._take_subscriptions()
        return self._take_commands(most)

    @property
    def is_picture_wanted(self) -> bool:
        """Whether there is a new subscriber to show the picture to."""
        is_pause_over = time.monotonic() - self._last_picture_s >= PICTURE_PAUSE_S
        return self._is_picture_due and is_pause_over

    @property
    def client_count(self) -> int:
        """How many connections subscribe to the status."""
        return self._subscribers(StatusMessage.topic)

    @property
    def topics(self) -> frozenset[str]:
        """The topics that somebody subscribes to."""
        return frozenset(topic for topic in MESSAGES if self._subscribers(topic))

    @property
    def access_complaint(self) -> str:
        """What is wrong with the list of clients since it was changed; empty: nothing."""
        return "" if self._access is None else self._access.complaint

    # -- out -------------------------------------------------------------------

    def answer(
        self, incoming: Incoming, *, ok: bool, text: str = "", data: Mapping[str, Any] | None = None
    ) -> None:
        """Answer a command.

        Parameters
        ----------
        incoming : Incoming
            The command.
        ok, text, data
            As for `Incoming.answer`.
        """
        self.send_answer(incoming.route, incoming.answer(ok=ok, text=text, data=data))

    def send_answer(self, route: tuple[bytes, ...], content: bytes) -> None:
        """Send an answer on its way; to a client that has gone, or does not read, nothing is."""
        with suppress(zmq.Again):
            self._commands.send_multipart((*route, content), zmq.NOBLOCK)

    def publish(self, message: Telemetry) -> None:
        """Send a message to those who subscribe to its topic, with the topic's next number."""
        number = self._numbering.count(message.topic)
        is_wanted = bool(self._subscribers(message.topic))
        self.send(message.topic, message.encoded(number) if is_wanted else b"")

    def send(self, topic: str, content: bytes) -> None:
        """Send a message that is encoded already, to those who subscribe to its topic."""
        if topic == PictureMessage.topic:
            self._is_picture_due = False
            self._last_picture_s = time.monotonic()
        if not self._subscribers(topic):
            return
        # A subscriber whose queue is full loses it; XPUB never waits.
        with suppress(zmq.Again):
            self._telemetry.send_multipart((topic.encode(), content), zmq.NOBLOCK)

    # -- pieces ----------------------------------------------------------------

    def _new_gate(self) -> zmq.Socket[bytes]:
        """Where libzmq asks whether a key may connect (ZeroMQ RFC 27)."""
        socket = self._context.socket(zmq.REP)
        socket.linger = 0
        socket.bind(_ZAP_ENDPOINT)
        return socket

    def _new_commands(self) -> zmq.Socket[bytes]:
        socket = self._new_public(zmq.ROUTER)
        socket.set(zmq.MAXMSGSIZE, MOST_BYTES + _ENCRYPTION_BYTES)
        socket.set(zmq.RCVHWM, COMMANDS_WAITING)
        socket.set(zmq.SNDHWM, ANSWERS_WAITING)
        # A client that comes back is not kept out by its own dead connection.
        socket.set(zmq.ROUTER_HANDOVER, 1)
        return socket

    def _new_telemetry(self) -> zmq.Socket[bytes]:
        socket = self._new_public(zmq.XPUB)
        socket.set(zmq.MAXMSGSIZE, _LONGEST_SUBSCRIPTION)
        socket.set(zmq.SNDHWM, TELEMETRY_WAITING)
        # Also a topic that others have subscribed to already, and every end of one.
        socket.set(zmq.XPUB_VERBOSER, 1)
        return socket

    def _new_public(self, kind: int) -> zmq.Socket[bytes]:
        """A socket for clients, behind the gate where there are keys."""
        socket = self._context.socket(kind)
        socket.linger = 0
        socket.set(zmq.IPV6, 1)
        socket.set(zmq.HANDSHAKE_IVL, HANDSHAKE_MS)
        watch_connection(socket)
        if self._access is not None:
            socket.curve_server = True
            socket.curve_publickey = self._access.pair.public
            socket.curve_secretkey = self._access.pair.secret
        return socket

    def _let_in(self) -> None:
        """Say of each new connection whether its key is known."""
        for _ in range(MOST_LET_IN_AT_ONCE):
            try:
                request = self._gate.recv_multipart(zmq.NOBLOCK)
            except zmq.Again:
                return
            self._gate.send_multipart(self._verdict(request))

    def _verdict(self, request: list[bytes]) -> list[bytes]:
        """The reply to one question of libzmq, as ZeroMQ RFC 27 lays it out."""
        version, request_id, _domain, _address, _routing_id, mechanism, *credentials = request
        public = zmq.utils.z85.encode(credentials[0]) if mechanism == b"CURVE" else b""
        is_known = self._access is not None and self._access.role_of(public) is not None
        self.strangers += not is_known
        status = (b"200", b"OK", public) if is_known else (b"400", b"unknown key", b"")
        return [version, request_id, *status, b""]

    def _look_at_list(self) -> None:
        """Part with everybody who listens when a client was taken off; the others come back."""
        if self._access is None or time.monotonic() < self._next_list_s:
            return
        self._next_list_s = time.monotonic() + LIST_EVERY_S
        self._access.look()
        if self._access.removals == self._removals_seen:
            return
        self._removals_seen = self._access.removals
        self._poller.unregister(self._telemetry)
        self._telemetry.close(linger=0)
        self._subscriptions.clear()
        self._telemetry = self._new_telemetry()
        _bind_again(self._telemetry, self._telemetry_endpoint)
        self._poller.register(self._telemetry, zmq.POLLIN)

    def _take_subscriptions(self) -> None:
        for _ in range(MOST_SUBSCRIPTIONS_AT_ONCE):
            try:
                change = self._telemetry.recv(zmq.NOBLOCK)
            except zmq.Again:
                return
            if not change or change[0] not in (_SUBSCRIBE, _UNSUBSCRIBE):
                continue
            begins = change[1:]
            if not any(topic.encode().startswith(begins) for topic in MESSAGES):
                continue
            self._subscriptions[begins] += 1 if change[0] == _SUBSCRIBE else -1
            if change[0] == _SUBSCRIBE and PictureMessage.topic.encode().startswith(begins):
                self._is_picture_due = True

    def _take_commands(self, most: int) -> list[Incoming]:
        taken = []
        for _ in range(most):
            try:
                frames = self._commands.recv_multipart(zmq.NOBLOCK, copy=False)
            except zmq.Again:
                break
            incoming = self._understood(frames)
            if incoming is not None:
                taken.append(incoming)
        return taken

    def _understood(self, frames: list[zmq.Frame]) -> Incoming | None:
        """A command with its sender, or None for what is none."""
        *before, content = frames
        route = tuple(frame.bytes for frame in before[:2])
        identity, role = self._sender(content, route[0])
        if role is None:
            self.strangers += 1
            return None
        # A REQ socket parts its route from the content by an empty frame.
        is_one_part = len(before) == 1 or (len(before) == 2 and not route[1])
        if not is_one_part or len(content) > MOST_BYTES:
            self.malformed += 1
            return None
        try:
            command = read_command(content.bytes)
        except MalformedCommand as error:
            self.malformed += 1
            if error.request is not None:
                answer = Answer(request=error.request, ok=False, text=str(error))
                self.send_answer(route, _encoded(answer))
            return None
        return Incoming(command=command, identity=identity, role=role, route=route)

    def _sender(self, frame: zmq.Frame, route: bytes) -> tuple[str, Role | None]:
        """Who sent a frame, and what it may do."""
        if self._access is None:
            return connection_mark(route), Role.CONTROLLER
        public = str(frame.get("User-Id"))
        return public, self._access.role_of(public.encode())

    def _subscribers(self, topic: str) -> int:
        return sum(
            count
            for begins, count in self._subscriptions.items()
            if topic.encode().startswith(begins)
        )


def _encoded(answer: Answer) -> bytes:
    return answer.model_dump_json().encode()


def _bound(socket: zmq.Socket[bytes], address: str, port: int, key: str) -> int:
    """Bind a socket; the port that it has."""
    host = f"[{address}]" if ":" in address else address
    try:
        socket.bind(f"tcp://{host}:{port or '*'}")
    except zmq.ZMQError as error:
        raise InputError(
            f"service.{key} = {port}: {address} port {port}: {error.strerror}; "
            "choose another port, or 0 for any that is free"
        ) from error
    return int(socket.get_string(zmq.LAST_ENDPOINT).rpartition(":")[2])


def _bind_again(socket: zmq.Socket[bytes], endpoint: str) -> None:
    """Bind where a socket was closed just now."""
    given_up_s = time.monotonic() + BIND_AGAIN_WITHIN_S
    while True:
        try:
            socket.bind(endpoint)
            return
        except zmq.ZMQError as error:
            if error.errno != zmq.EADDRINUSE or time.monotonic() > given_up_s:
                raise InputError(f"{endpoint}: {error.strerror}") from error
        time.sleep(0.001)
