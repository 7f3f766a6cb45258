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

import socket as plain_socket
import threading
import time
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future
from concurrent.futures import TimeoutError as FutureTimeout
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

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
from controller.service.access import read_client_keys
from controller.service.client_line import ClientLine
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
from controller.service.questions import LEASE_S, Lease, Question, Questions

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
LONGEST_PAUSE_S = 0.5  # between two looks at what has to be done by time
CLOSED_WITHIN_S = 2.0  # the thread takes half a second at most; nobody waits longer


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
        self._line = ClientLine(
            address,
            command_port,
            telemetry_port,
            keys=None if keys is None else read_client_keys(Path(keys)),
            topics=tuple(topics),
        )
        self._lease = Lease()
        self._questions = Questions(who)
        self._closed = False
        self._condition = threading.Condition()
        self._messages: deque[Telemetry] = deque()
        self._last_numbers: dict[str, int] = {}
        self._heard_s: float | None = None
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
        return self._lease.is_held

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
            self._questions.forget(question)

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
        self._begin_lease(seconds)
        return answer.text

    def hand_over(self, to: str) -> str:
        """Give control to another client, by its `who`."""
        answer = self._done("hand_over", to=to)
        self._lease.end()
        return answer.text

    def give_up_control(self) -> str:
        """Give control back."""
        self._lease.end()
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
        if self._lease.is_held:
            with suppress(ServiceError):
                self.ask("give_up_control", within_s=min(self.timeout_s, CLOSED_WITHIN_S))
            self._lease.end()

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
        self._lease.end()
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
    ) -> Question:
        """Let the thread send a command, if it can within a time."""
        if self._closed:
            raise ServiceUnreachable(f"{command}: this client is closed")
        question = self._questions.ask(command, arguments, timeout_s)
        self._rouse()
        return question

    def _rouse(self) -> None:
        """Let the thread look at what there is to send."""
        with suppress(OSError):  # many bytes are waiting already, or the thread has ended
            self._wake.send(b"\0")

    def _begin_lease(self, length_s: float) -> None:
        self._lease.begin(length_s)
        self._rouse()  # a heartbeat may be due before the thread meant to look

    # -- the thread ------------------------------------------------------------

    def _serve(self) -> None:
        """Own the sockets until the client is closed."""
        try:
            while not self._closed:
                self._line.open_again_if_refused()
                wants_to_send = self._questions.wait_to_be_sent
                self._line.wait(self._woken, self._pause_ms(), wants_to_send=wants_to_send)
                with suppress(BlockingIOError):
                    self._woken.recv(4096)
                for parts in self._line.telemetry():
                    self._take_telemetry(parts)
                for content in self._line.answers():
                    if self._questions.take_answer(content):
                        self._heard_s = time.monotonic()
                self._beat()
                self._questions.send(self._line.send)
        finally:
            self._line.close()
            self._woken.close()

    def _pause_ms(self) -> int:
        """How long nothing has to be done without being woken."""
        pause_s = min(self._lease.due_in_s, LONGEST_PAUSE_S)
        return max(round(1e3 * pause_s), 0)

    def _beat(self) -> None:
        """Keep control."""
        if self._lease.due_in_s > 0.0:
            return
        self._lease.renew()
        question = self._hand_to_thread("heartbeat", {}, self._lease.length_s)
        question.future.add_done_callback(self._on_heartbeat)
        self._questions.forget_late()

    def _on_heartbeat(self, future: Future[Answer]) -> None:
        if not future.result().ok:
            self._lease.end()

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
        if is_ours and not self._lease.is_held:
            self._begin_lease(control.expires_in_s or LEASE_S)
