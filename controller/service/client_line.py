"""The sockets of a client: connected, and connected again when the service comes back."""

from __future__ import annotations

import socket as plain_socket
import time
import uuid
from collections.abc import Iterator, Sequence

import zmq
from zmq.utils.monitor import recv_monitor_message

from controller.service.access import ClientKeys, connection_mark, watch_connection

REOPEN_S = 2.0  # between two tries after the service did not let us in
RECONNECT_MS, SLOWEST_RECONNECT_MS = 100, 2000
MOST_AT_ONCE = 200  # messages, before questions get their turn

_TROUBLES = {
    int(zmq.EVENT_HANDSHAKE_FAILED_AUTH): "the service does not let this key in",
    int(zmq.EVENT_HANDSHAKE_FAILED_PROTOCOL): "the service wants keys, or this is no such service",
    int(zmq.EVENT_HANDSHAKE_FAILED_NO_DETAIL): "the service has another key than expected",
}


class ClientLine:
    """The sockets of a client; used by its thread alone.

    Parameters
    ----------
    address : str
        Of the service.
    command_port, telemetry_port : int
        Its two ports.
    keys : ClientKeys or None
        None: the service has no keys.
    topics : sequence of str
        Messages to subscribe to.
    """

    def __init__(
        self,
        address: str,
        command_port: int,
        telemetry_port: int,
        *,
        keys: ClientKeys | None,
        topics: Sequence[str],
    ) -> None:
        host = f"[{address}]" if ":" in address else address
        self._command_endpoint = f"tcp://{host}:{command_port}"
        self._telemetry_endpoint = f"tcp://{host}:{telemetry_port}"
        self._keys, self._topics = keys, topics
        # Not to be guessed, so that nobody can pass for this client.
        self._routing_id = uuid.uuid4().hex.encode()
        self.identity = connection_mark(self._routing_id)
        if keys is not None:
            self.identity = keys.pair.public.decode()
        self.trouble = ""
        self._reopen_s = float("inf")
        self._context = zmq.Context()
        self._open()

    def _open(self) -> None:
        self._commands = self._new_socket(zmq.DEALER)
        # What cannot be sent now is not sent when the service comes back.
        self._commands.set(zmq.IMMEDIATE, 1)
        self._commands.set(zmq.ROUTING_ID, self._routing_id)
        self._events = self._commands.get_monitor_socket(
            sum(_TROUBLES) | int(zmq.EVENT_HANDSHAKE_SUCCEEDED)
        )
        self._commands.connect(self._command_endpoint)
        self._telemetry = self._new_socket(zmq.SUB)
        for topic in self._topics:
            self._telemetry.subscribe(topic)
        self._telemetry.connect(self._telemetry_endpoint)

    def _new_socket(self, kind: int) -> zmq.Socket[bytes]:
        socket = self._context.socket(kind)
        socket.linger = 0
        socket.set(zmq.IPV6, 1)
        socket.set(zmq.RECONNECT_IVL, RECONNECT_MS)
        socket.set(zmq.RECONNECT_IVL_MAX, SLOWEST_RECONNECT_MS)
        watch_connection(socket)
        if self._keys is not None:
            socket.curve_serverkey = self._keys.service_public
            socket.curve_publickey = self._keys.pair.public
            socket.curve_secretkey = self._keys.pair.secret
        return socket

    def _close_sockets(self) -> None:
        self._commands.disable_monitor()
        self._events.close(linger=0)
        self._commands.close(linger=0)
        self._telemetry.close(linger=0)

    def close(self) -> None:
        """Close everything."""
        self._close_sockets()
        self._context.term()

    def open_again_if_refused(self) -> None:
        """Try again after the service did not let us in: libzmq itself does not."""
        if time.monotonic() >= self._reopen_s:
            self._reopen_s = float("inf")
            self._close_sockets()
            self._open()

    def wait(
        self, woken: plain_socket.socket, timeout_ms: int, *, wants_to_send: bool = False
    ) -> None:
        """Until something has come or can be sent, or somebody wakes us.

        Parameters
        ----------
        woken : socket
            Readable where somebody wakes us.
        timeout_ms : int
            At most so long.
        wants_to_send : bool
            Whether there is something to send.
        """
        poller = zmq.Poller()
        for socket in (self._telemetry, self._events, woken):
            poller.register(socket, zmq.POLLIN)
        poller.register(self._commands, zmq.POLLIN | (zmq.POLLOUT if wants_to_send else 0))
        poller.poll(timeout_ms)
        self._look_at_events()

    def _look_at_events(self) -> None:
        while self._events.poll(0):
            event = int(recv_monitor_message(self._events)["event"])
            self.trouble = _TROUBLES.get(event, "")
            self._reopen_s = time.monotonic() + REOPEN_S if self.trouble else float("inf")

    def send(self, content: bytes) -> bool:
        """Send a command if there is a connection; whether it was sent."""
        try:
            self._commands.send(content, zmq.NOBLOCK)
        except zmq.Again:
            return False
        return True

    def telemetry(self) -> Iterator[list[bytes]]:
        """What has come."""
        for _ in range(MOST_AT_ONCE):
            try:
                yield self._telemetry.recv_multipart(zmq.NOBLOCK)
            except zmq.Again:
                return

    def answers(self) -> Iterator[bytes]:
        """What has come."""
        for _ in range(MOST_AT_ONCE):
            try:
                yield self._commands.recv_multipart(zmq.NOBLOCK)[-1]
            except zmq.Again:
                return
