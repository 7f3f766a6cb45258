"""A client of the service, for scripts and for the desktop.

    with Client() as client, client.control():
        client.arm()

A thread of its own owns the sockets, so that whoever uses the client waits
only where it asks to: for an answer, or for a message. What comes is kept
in a bounded queue. It connects again by itself when the service comes back,
and a command that could not be sent at once is not sent later. Nothing of
the loop is imported here.
"""

from __future__ import annotations

import itertools
import json
import socket as plain_socket
import threading
import time
import uuid
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future
from concurrent.futures import TimeoutError as FutureTimeout
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import zmq
from pydantic import ValidationError
from zmq.utils.monitor import recv_monitor_message

from controller.errors import ServiceError, ServiceRefused, ServiceUnreachable
from controller.records import (
    EstimateSource,
    Event,
    ModeId,
    ModeRecord,
    PumpState,
    Record,
    TrackerState,
)
from controller.service.access import (
    ClientKeys,
    connection_mark,
    read_client_keys,
    watch_connection,
)
from controller.service.commands import Answer
from controller.service.messages import (
    MESSAGES,
    AllanSeries,
    ControlStatus,
    Deadlines,
    EventEntry,
    EventMessage,
    LogStatus,
    PictureMessage,
    ProtocolStatus,
    PumpLimits,
    RecentCurves,
    RecordMessage,
    ResultEntry,
    ResultMessage,
    ServiceInfo,
    SpectrumMessage,
    Status,
    StatusMessage,
    Telemetry,
    ToneLimits,
    read_telemetry,
)

__all__ = [
    "AllanSeries",
    "Answer",
    "Client",
    "ControlStatus",
    "Deadlines",
    "EstimateSource",
    "Event",
    "EventEntry",
    "EventMessage",
    "LogStatus",
    "ModeId",
    "ModeRecord",
    "PictureMessage",
    "ProtocolStatus",
    "PumpLimits",
    "PumpState",
    "RecentCurves",
    "Record",
    "RecordMessage",
    "ResultEntry",
    "ResultMessage",
    "ServiceError",
    "ServiceInfo",
    "ServiceRefused",
    "ServiceUnreachable",
    "SpectrumMessage",
    "Status",
    "StatusMessage",
    "Telemetry",
    "ToneLimits",
    "TrackerState",
]

MESSAGES_KEPT = 1000  # until they are fetched: a minute of all telemetry
SILENT_S = 3.0  # the status comes every second; after three without, nobody is there
LEASE_S = 5.0
HEARTBEATS_PER_LEASE = 5
REOPEN_S = 2.0  # between two tries after the service did not let us in
RECONNECT_MS, SLOWEST_RECONNECT_MS = 100, 2000
LONGEST_PAUSE_S = 0.5  # between two looks at what has to be done by time
CLOSED_WITHIN_S = 2.0  # the thread takes half a second at most; nobody waits longer
MOST_AT_ONCE = 200  # messages, before questions get their turn

_TROUBLES = {
    int(zmq.EVENT_HANDSHAKE_FAILED_AUTH): "the service does not let this key in",
    int(zmq.EVENT_HANDSHAKE_FAILED_PROTOCOL): "the service wants keys, or this is no such service",
    int(zmq.EVENT_HANDSHAKE_FAILED_NO_DETAIL): "the service has another key than expected",
}


class Client:
    """A connection to a service; every method may be called from any thread.

    Parameters
    ----------
    address : str
        Of the service.
    command_port, telemetry_port : int
        Its two ports.
    who : str
        A name for the log.
    keys : Path, str or None
        The client's key file; None: the service has no keys.
    timeout_s : float
        How long to wait for an answer [s].
    topics : sequence of str
        Messages to subscribe to; none: commands alone.

    Raises
    ------
    InputError
        If the key file cannot be read or others may read it.
    """

    def __init__(
        self,
        address: str = "127.0.0.1",
        command_port: int = 8462,
        telemetry_port: int = 8463,
        *,
        who: str = "script",
        keys: Path | str | None = None,
        timeout_s: float = 2.0,
        topics: Sequence[str] = tuple(MESSAGES),
    ) -> None:
        self.who, self.timeout_s = who, timeout_s
        self.missed = 0  # messages that were lost, on the way or because they were not fetched
        self._place = f"{address} ports {command_port} and {telemetry_port}"
        self._line = _Line(
            address,
            command_port,
            telemetry_port,
            keys=None if keys is None else read_client_keys(Path(keys)),
            topics=tuple(topics),
        )
        self._has_control = False
        self._closed = False
        self._condition = threading.Condition()
        self._messages: deque[Telemetry] = deque()
        self._last_numbers: dict[str, int] = {}
        self._numbers = itertools.count(1)
        self._asked: deque[_Question] = deque()  # not yet sent
        self._waiting: dict[int | str, _Question] = {}  # for their answers
        self._heard_s: float | None = None
        self._lease_s = LEASE_S
        self._next_heartbeat_s = float("inf")
        # A byte through this pair wakes the thread.
        self._wake, self._woken = plain_socket.socketpair()
        self._wake.setblocking(False)
        self._woken.setblocking(False)
        self._thread = threading.Thread(target=self._serve, name="difftone client", daemon=True)
        self._thread.start()

    def __repr__(self) -> str:
        state = "connected" if self.is_connected else "not connected"
        return f"Client({self._place}, {state})"

    def __enter__(self) -> Client:
        return self

    def __exit__(self, *details: object) -> None:
        self.close()

    def close(self) -> None:
        """Give control back and close the connection; may be called twice."""
        if self._closed:
            return
        if self.is_connected:
            self._let_control_go()
        self._closed = True
        self._rouse()
        self._thread.join(CLOSED_WITHIN_S)
        self._wake.close()

    # -- the connection --------------------------------------------------------

    @property
    def last_heard_s_ago(self) -> float | None:
        """How long ago the service was heard; None: never [s]."""
        heard_s = self._heard_s
        return None if heard_s is None else time.monotonic() - heard_s

    @property
    def is_connected(self) -> bool:
        """Whether the service was heard within the last seconds."""
        ago_s = self.last_heard_s_ago
        return ago_s is not None and ago_s < SILENT_S

    @property
    def trouble(self) -> str:
        """Why the service did not let us in; empty: it did, or was not there."""
        return self._line.trouble

    @property
    def has_control(self) -> bool:
        """Whether this client holds control, as far as it was told."""
        return self._has_control

    # -- messages --------------------------------------------------------------

    def messages(self) -> list[Telemetry]:
        """What has come since the last call, without waiting."""
        with self._condition:
            messages = list(self._messages)
            self._messages.clear()
        return messages

    def next_message(self, timeout_s: float | None = None) -> Telemetry | None:
        """The next message, as soon as there is one.

        Parameters
        ----------
        timeout_s : float or None
            How long to wait [s]; None: as long as for an answer.

        Returns
        -------
        Telemetry or None
            None: none came in time.
        """
        timeout_s = self.timeout_s if timeout_s is None else timeout_s
        with self._condition:
            self._condition.wait_for(lambda: self._messages, timeout_s)
            return self._messages.popleft() if self._messages else None

    # -- commands --------------------------------------------------------------

    def ask(self, command: str, *, within_s: float | None = None, **arguments: Any) -> Answer:
        """Send a command and wait for its answer.

        Parameters
        ----------
        command : str
            Its name, as in MESSAGES.md.
        within_s : float or None
            How long to wait [s]; None: the client's timeout_s.
        **arguments
            Of the command.

        Returns
        -------
        Answer
            Yes or no, with a text.

        Raises
        ------
        ServiceUnreachable
            If no answer comes in time.
        """
        timeout_s = self.timeout_s if within_s is None else within_s
        question = self._hand_to_thread(command, arguments, timeout_s)
        try:
            return question.future.result(timeout_s)
        except FutureTimeout:
            why = f" ({self.trouble})" if self.trouble else ""
            raise ServiceUnreachable(
                f"{command}: no answer from {self._place} within {timeout_s:g} s{why}"
            ) from None
        finally:
            self._waiting.pop(question.number, None)

    def look(self) -> PictureMessage:
        """Everything at once."""
        return PictureMessage.model_validate(self._done("look").data["picture"])

    def protocols(self) -> list[dict[str, Any]]:
        """The shipped protocols: name, title and parameters."""
        return list(self._done("protocols").data["protocols"])

    def check_protocol(self, protocol: str, parameters: Mapping[str, float] | None = None) -> str:
        """The timeline of a protocol, by its shipped name or the text of a file."""
        answer = self._done("check_protocol", protocol=protocol, parameters=dict(parameters or {}))
        return str(answer.data["timeline"])

    def mute(self) -> str:
        """Pump off at once, until it is armed again."""
        return self._done("mute").text

    def note(self, text: str) -> str:
        """Write a line into the log."""
        return self._done("note", text=text).text

    def take_control(self, seconds: float = LEASE_S) -> str:
        """Ask for the right to change things, and keep it by heartbeats.

        Parameters
        ----------
        seconds : float
            After which control expires if the service hears nothing [s].

        Returns
        -------
        str
            What the service did.
        """
        answer = self._done("take_control", seconds=seconds)
        self._lease_s = seconds
        self._take_note_of_control(True)
        return answer.text

    def hand_over(self, to: str) -> str:
        """Give control to another client, by its `who`."""
        answer = self._done("hand_over", to=to)
        self._take_note_of_control(False)
        return answer.text

    def give_up_control(self) -> str:
        """Give control back."""
        self._take_note_of_control(False)
        return self._done("give_up_control").text

    @contextmanager
    def control(self, seconds: float = LEASE_S) -> Iterator[Client]:
        """Hold control within a `with` statement.

        Parameters
        ----------
        seconds : float
            As in `take_control`.

        Yields
        ------
        Client
            This client.
        """
        self.take_control(seconds)
        try:
            yield self
        finally:
            self._let_control_go()

    def _let_control_go(self) -> None:
        """Give control back, if we hold it, to a service that may be ending and not answer."""
        if self._has_control:
            with suppress(ServiceError):
                self.ask("give_up_control", within_s=min(self.timeout_s, CLOSED_WITHIN_S))
            self._take_note_of_control(False)

    def arm(self) -> str:
        """Let the pump come on as soon as all is well, also before `run.pump_from_s`."""
        return self._done("arm").text

    def disarm(self) -> str:
        """Pump off, and not on again by itself."""
        return self._done("disarm").text

    def pump_amplitude(self, value: float) -> str:
        """Set the pump's amplitude, in the channel's unit."""
        return self._done("pump_amplitude", value=value).text

    def pump_offset_hz(self, value: float) -> str:
        """Set the deliberate detuning of the pump [Hz]."""
        return self._done("pump_offset_hz", value=value).text

    def start_protocol(self, protocol: str, parameters: Mapping[str, float] | None = None) -> str:
        """Carry out a protocol, by its shipped name or the text of a file."""
        return self._done(
            "start_protocol", protocol=protocol, parameters=dict(parameters or {})
        ).text

    def pause_protocol(self) -> str:
        """Wait before the next step."""
        return self._done("pause_protocol").text

    def resume_protocol(self) -> str:
        """Go on after a pause."""
        return self._done("resume_protocol").text

    def skip_step(self) -> str:
        """End the present step at once."""
        return self._done("skip_step").text

    def stop_protocol(self) -> str:
        """End the protocol; the pump goes off."""
        return self._done("stop_protocol").text

    def mark(self, text: str) -> str:
        """Write a mark into the log; a protocol may wait for it."""
        return self._done("mark", text=text).text

    def shut_down(self) -> str:
        """Tones off, the log closed, the service ended."""
        answer = self._done("shut_down")
        self._take_note_of_control(False)
        return answer.text

    def _done(self, command: str, **arguments: Any) -> Answer:
        """Ask, and raise ServiceRefused at a no."""
        answer = self.ask(command, **arguments)
        if not answer.ok:
            raise ServiceRefused(answer.text)
        return answer

    # -- between the threads ---------------------------------------------------

    def _hand_to_thread(
        self, command: str, arguments: Mapping[str, Any], timeout_s: float
    ) -> _Question:
        """Let the thread send a command, if it can within a time."""
        if self._closed:
            raise ServiceUnreachable(f"{command}: this client is closed")
        number = next(self._numbers)
        fields = {**arguments, "request": number, "command": command, "who": self.who}
        question = _Question(
            number=number,
            content=json.dumps(fields).encode(),
            until_s=time.monotonic() + timeout_s,
        )
        self._asked.append(question)
        self._rouse()
        return question

    def _rouse(self) -> None:
        """Let the thread look at what there is to send."""
        with suppress(OSError):  # many bytes are waiting already, or the thread has ended
            self._wake.send(b"\0")

    def _take_note_of_control(self, has_control: bool) -> None:
        self._has_control = has_control
        interval_s = self._lease_s / HEARTBEATS_PER_LEASE
        self._next_heartbeat_s = time.monotonic() + interval_s if has_control else float("inf")
        self._rouse()

    # -- the thread ------------------------------------------------------------

    def _serve(self) -> None:
        """Own the sockets until the client is closed."""
        try:
            while not self._closed:
                self._line.open_again_if_refused()
                self._line.wait(self._woken, self._pause_ms(), wants_to_send=bool(self._asked))
                with suppress(BlockingIOError):
                    self._woken.recv(4096)
                for parts in self._line.telemetry():
                    self._take_telemetry(parts)
                for content in self._line.answers():
                    self._take_answer(content)
                self._beat()
                self._send_asked()
        finally:
            self._line.close()
            self._woken.close()

    def _pause_ms(self) -> int:
        """How long nothing has to be done without being woken."""
        pause_s = min(self._next_heartbeat_s - time.monotonic(), LONGEST_PAUSE_S)
        return max(round(1e3 * pause_s), 0)

    def _send_asked(self) -> None:
        """Send what was asked; what could not be sent in time never is."""
        while self._asked:
            question = self._asked[0]
            if time.monotonic() < question.until_s:
                self._waiting[question.number] = question
                if not self._line.send(question.content):
                    return
            self._asked.popleft()

    def _beat(self) -> None:
        """Keep control."""
        if not self._has_control or time.monotonic() < self._next_heartbeat_s:
            return
        self._next_heartbeat_s = time.monotonic() + self._lease_s / HEARTBEATS_PER_LEASE
        question = self._hand_to_thread("heartbeat", {}, self._lease_s)
        question.future.add_done_callback(self._on_heartbeat)
        for late in [q for q in list(self._waiting.values()) if q.is_late]:
            self._waiting.pop(late.number, None)

    def _on_heartbeat(self, future: Future[Answer]) -> None:
        if not future.result().ok:
            self._take_note_of_control(False)

    def _take_answer(self, content: bytes) -> None:
        try:
            answer = Answer.model_validate_json(content)
        except ValidationError:
            return
        self._heard_s = time.monotonic()
        question = self._waiting.pop(answer.request, None)
        if question is not None:
            question.future.set_result(answer)

    def _take_telemetry(self, parts: list[bytes]) -> None:
        message = read_telemetry(parts)
        self._heard_s = time.monotonic()
        if message is None:
            return
        if isinstance(message, StatusMessage):
            self._look_who_controls(message.status.control)
        with self._condition:
            last = self._last_numbers.get(message.topic)
            # A smaller number: the service was started anew.
            if last is not None and message.number > last + 1:
                self.missed += message.number - last - 1
            self._last_numbers[message.topic] = message.number
            if len(self._messages) >= MESSAGES_KEPT:
                self._messages.popleft()
                self.missed += 1
            self._messages.append(message)
            self._condition.notify_all()

    def _look_who_controls(self, control: ControlStatus) -> None:
        """Notice that another client has handed us control."""
        is_ours = control.who == self.who and control.identity == self._line.identity
        if is_ours and not self._has_control:
            self._lease_s = control.expires_in_s or LEASE_S
            self._take_note_of_control(True)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Question:
    """A command that wants an answer."""

    number: int
    content: bytes
    until_s: float  # monotonic clock; it is not sent after that
    future: Future[Answer] = field(default_factory=Future)

    @property
    def is_late(self) -> bool:
        """Whether nobody waits for its answer any more."""
        return time.monotonic() > self.until_s


class _Line:
    """The sockets of a client; used by its thread alone."""

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
        """Until something has come or can be sent, or somebody wakes us."""
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
