"""What each command does: the orders it gives to the loop, and the answer.

Whether a client may is `controller.service.control`'s to say, and is asked
first. Every change leaves an event with the name of who asked.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

from controller.errors import InputError
from controller.service.commands import (
    Arm,
    CheckProtocol,
    Command,
    Disarm,
    Heartbeat,
    Look,
    Mark,
    Mute,
    Note,
    PauseProtocol,
    Protocols,
    PumpAmplitude,
    PumpOffset,
    ResumeProtocol,
    ShutDown,
    SkipStep,
    StartProtocol,
    StopProtocol,
    name_of,
)
from controller.service.control import ABOUT_CONTROL, ClientId, Control
from controller.service.link import Order
from controller.service.measurements import Measurements
from controller.service.messages import PictureMessage, PumpLimits
from controller.service.sockets import Incoming
from controller.supervisor.requests import Request, RequestKind

SILENT = (Heartbeat,)  # changes that are no news: ten of them a minute

PROTOCOL_KINDS: Mapping[type[Command], tuple[RequestKind, str]] = {
    PauseProtocol: (RequestKind.PAUSE, "the protocol waits before its next step"),
    ResumeProtocol: (RequestKind.RESUME, "the protocol goes on"),
    SkipStep: (RequestKind.SKIP, "the present step of the protocol ends"),
    StopProtocol: (RequestKind.STOP, "the protocol ends, the pump goes off"),
}


@dataclass(frozen=True, slots=True)
class Reply:
    """The answer to a command."""

    ok: bool
    text: str = ""
    data: Mapping[str, Any] = field(default_factory=dict)


class Desk(Protocol):
    """What commands act on; see `controller.service.server`."""

    @property
    def control(self) -> Control:
        """Who may change things."""
        ...

    @property
    def measurements(self) -> Measurements:
        """The protocols."""
        ...

    @property
    def pump_limits(self) -> PumpLimits:
        """What the pump may be told."""
        ...

    def order(self, order: Order) -> None:
        """Tell the loop."""
        ...

    def picture(self) -> PictureMessage:
        """Everything at once."""
        ...

    def note(self, kind: str, text: str, who: str = "") -> None:
        """Leave an event."""
        ...

    def end(self, reason: str) -> None:
        """End the service, after the answer."""
        ...


class Dispatcher:
    """Carries out commands; owned by the service's one thread.

    Parameters
    ----------
    desk : Desk
        What they act on.
    now_s : callable
        A clock that never goes back [s].
    """

    def __init__(self, desk: Desk, now_s: Callable[[], float]) -> None:
        self._desk, self._now_s = desk, now_s
        self.refused = 0  # commands that were answered with no
        self._handlers: Mapping[type[Command], Callable[[Any], Reply]] = {
            Look: self._look,
            Protocols: self._protocols,
            CheckProtocol: self._check_protocol,
            Mute: self._mute,
            Note: self._note,
            Mark: self._mark,
            Arm: self._arm,
            Disarm: self._disarm,
            PumpAmplitude: self._pump_amplitude,
            PumpOffset: self._pump_offset,
            StartProtocol: self._start_protocol,
            ShutDown: self._shut_down,
            **dict.fromkeys(PROTOCOL_KINDS, self._steer_protocol),
        }

    def __repr__(self) -> str:
        return f"Dispatcher({self.refused} refused)"

    def reply(self, incoming: Incoming) -> Reply:
        """Carry out a command.

        Parameters
        ----------
        incoming : Incoming
            The command, and who sent it.

        Returns
        -------
        Reply
            What was done, or why not.
        """
        command, control = incoming.command, self._desk.control
        client = ClientId(incoming.identity, incoming.who)
        refusal = control.refusal(client, incoming.role, command, self._now_s())
        if refusal:
            reply = Reply(False, refusal)
        elif isinstance(command, ABOUT_CONTROL):
            reply = Reply(*control.carry_out(client, command, self._now_s()))
        else:
            reply = self._carried_out(command)
        self.refused += not reply.ok
        if reply.ok and command.changes and not isinstance(command, SILENT):
            kind = "note" if isinstance(command, Note) else "command"
            self._desk.note(kind, f"{_described(command)} by {incoming.who}", incoming.who)
        return reply

    def _carried_out(self, command: Command) -> Reply:
        try:
            return self._handlers[type(command)](command)
        except InputError as error:
            return Reply(False, f"{name_of(command)}: {' '.join(str(error).split())}")

    # -- for everybody -----------------------------------------------------------

    def _look(self, command: Look) -> Reply:
        picture = self._desk.picture().model_dump(mode="json")
        return Reply(True, data={"picture": picture})

    def _protocols(self, command: Protocols) -> Reply:
        return Reply(True, data={"protocols": self._desk.measurements.shipped()})

    def _check_protocol(self, command: CheckProtocol) -> Reply:
        timeline = self._desk.measurements.timeline(command.protocol, command.parameters)
        return Reply(True, "it can be carried out", {"timeline": timeline})

    # -- for whoever may change things ---------------------------------------------

    def _mute(self, command: Mute) -> Reply:
        self._request(RequestKind.MUTE, command)
        return Reply(True, "the pump goes off, until it is armed")

    def _note(self, command: Note) -> Reply:
        return Reply(True, "noted")

    def _mark(self, command: Mark) -> Reply:
        self._request(RequestKind.MARK, command, text=command.text)
        return Reply(True, "marked")

    def _arm(self, command: Arm) -> Reply:
        self._request(RequestKind.ARM, command)
        if self._desk.measurements.is_on:
            return Reply(True, "a mute is lifted; the pump comes on as the protocol says")
        return Reply(True, "the pump comes on as soon as all has been well for the healthy time")

    def _disarm(self, command: Disarm) -> Reply:
        is_stopped = self._desk.measurements.is_on
        if is_stopped:  # otherwise the protocol would ask for the pump again
            self._request(RequestKind.STOP, command)
        self._request(RequestKind.DISARM, command)
        return Reply(True, "the protocol ends, the pump goes off" if is_stopped else "pump off")

    def _pump_amplitude(self, command: PumpAmplitude) -> Reply:
        limit = self._desk.pump_limits.max_amplitude
        if command.value > limit:
            raise InputError(f"{command.value:g}: must be at most {limit:g}")
        self._refuse_during_protocol()
        self._request(RequestKind.SET_AMPLITUDE, command, value=command.value)
        return Reply(True, f"pump amplitude {command.value:g}")

    def _pump_offset(self, command: PumpOffset) -> Reply:
        limit_hz = self._desk.pump_limits.offset_limit_hz
        if limit_hz is not None and abs(command.value) > limit_hz:
            raise InputError(f"{command.value:g} Hz: must be at most {limit_hz:g} Hz either way")
        self._refuse_during_protocol()
        self._request(RequestKind.SET_OFFSET, command, value=command.value)
        return Reply(True, f"pump detuned by {command.value:g} Hz")

    def _start_protocol(self, command: StartProtocol) -> Reply:
        self._desk.order(self._desk.measurements.begin(command.protocol, command.parameters))
        return Reply(True, "the protocol begins")

    def _steer_protocol(self, command: Command) -> Reply:
        if not self._desk.measurements.is_on:
            raise InputError("no protocol is being carried out")
        kind, text = PROTOCOL_KINDS[type(command)]
        self._request(kind, command)
        return Reply(True, text)

    def _shut_down(self, command: ShutDown) -> Reply:
        self._desk.end(f"shut down by {command.who}")
        self._desk.control.holder = None  # whoever held it need not wait to give it back
        return Reply(True, "tones off, and the end")

    def _refuse_during_protocol(self) -> None:
        if self._desk.measurements.is_on:
            raise InputError("the protocol that is being carried out sets the pump")

    def _request(
        self, kind: RequestKind, command: Command, *, value: float = 0.0, text: str = ""
    ) -> None:
        self._desk.order(Request(kind=kind, value=value, text=text, who=command.who))


def _described(command: Command) -> str:
    """A command in a few words, for the log."""
    if isinstance(command, Note | Mark):
        return command.text
    parts = [name_of(command)]
    if isinstance(command, PumpAmplitude | PumpOffset):
        parts.append(f"{command.value:g}")
    if isinstance(command, StartProtocol):
        first_line = command.protocol.strip().partition("\n")[0]
        parts.append(first_line[:60])
        parts.extend(f"{name}={value:g}" for name, value in command.parameters.items())
    return " ".join(parts)
