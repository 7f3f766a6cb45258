"""Commands: what a client may ask of the service, and the answers.

One JSON object each way over a DEALER socket. Whatever bytes arrive give a
command or `MalformedCommand`, nothing else. The comment beside a field is
its meaning in MESSAGES.md.
"""

from __future__ import annotations

import difflib
from typing import Annotated, Any, ClassVar, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError
from pydantic_core import from_json

from controller.service.messages import Part

MOST_BYTES = 64 * 1024
"""Longer messages are dropped by the socket."""

_NO_CONTROL_CHARACTERS = r"^[^\x00-\x1f\x7f-\x9f]*$"
_LARGEST_INTEGER = 2**53  # that every JSON reader keeps exactly

Line = Annotated[
    str, StringConstraints(min_length=1, max_length=500, pattern=_NO_CONTROL_CHARACTERS)
]
Name = Annotated[
    str, StringConstraints(min_length=1, max_length=40, pattern=_NO_CONTROL_CHARACTERS)
]
RequestId = (
    Annotated[int, Field(ge=-_LARGEST_INTEGER, le=_LARGEST_INTEGER)]
    | Annotated[str, StringConstraints(max_length=64)]
)


class MalformedCommand(Exception):
    """Bytes that are no command, and why, in one line.

    Parameters
    ----------
    text : str
        What is wrong.
    request : int, str or None
        The client's number of it, where that much could be read.
    """

    def __init__(self, text: str, request: int | str | None = None) -> None:
        super().__init__(text)
        self.request = request


class Command(BaseModel):
    """Base of the commands: every argument known, in its range, of its type."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", allow_inf_nan=False, strict=True, defer_build=True
    )

    changes: ClassVar[bool] = False  # needs a key of a controller
    needs_control: ClassVar[bool] = False  # and that the client holds control

    request: RequestId  # the client's own number or text; the answer carries it
    who: Name  # a name for the log


class _Change(Command):
    """A command for whoever may control, at any time."""

    changes = True


class _Control(Command):
    """A command for the one client that holds control."""

    changes = True
    needs_control = True


class Look(Command):
    """Everything at once: data.picture is what a new subscriber gets."""

    command: Literal["look"] = "look"


class Protocols(Command):
    """The shipped protocols: data.protocols lists name, title and parameters."""

    command: Literal["protocols"] = "protocols"


class CheckProtocol(Command):
    """What a protocol would do, or why not; nothing is switched: data.timeline is a text."""

    command: Literal["check_protocol"] = "check_protocol"
    protocol: Annotated[str, StringConstraints(min_length=1)]  # shipped name, or text of a file
    parameters: Annotated[dict[Name, float], Field(max_length=100)] = {}  # other values of some


class Note(_Change):
    """Write a line into the log."""

    command: Literal["note"] = "note"
    text: Line


class Mute(_Change):
    """Pump off at once, until it is armed again; needs no control."""

    command: Literal["mute"] = "mute"


class TakeControl(_Change):
    """Ask for the right to change things; refused while another client holds it."""

    command: Literal["take_control"] = "take_control"
    seconds: Annotated[float, Field(ge=1.0, le=3600.0)] = 5.0  # until it expires unheard


class Heartbeat(_Control):
    """Keep control for as long again."""

    command: Literal["heartbeat"] = "heartbeat"


class HandOver(_Control):
    """Give control to another client that was heard within the last minute."""

    command: Literal["hand_over"] = "hand_over"
    to: Name  # its `who`


class GiveUpControl(_Control):
    """Give control back."""

    command: Literal["give_up_control"] = "give_up_control"


class Arm(_Control):
    """Let the pump come on as soon as all is well, also before `run.pump_from_s`."""

    command: Literal["arm"] = "arm"


class Disarm(_Control):
    """Pump off, and not on again by itself."""

    command: Literal["disarm"] = "disarm"


class PumpAmplitude(_Control):
    """Set the pump's amplitude, within the limits in the picture."""

    command: Literal["pump_amplitude"] = "pump_amplitude"
    value: Annotated[float, Field(ge=0.0)]  # in the unit of the channel "pump"


class PumpOffset(_Control):
    """Set the deliberate detuning of the pump, within the limits in the picture."""

    command: Literal["pump_offset_hz"] = "pump_offset_hz"
    value: float  # Hz


class StartProtocol(_Control):
    """Carry out a protocol."""

    command: Literal["start_protocol"] = "start_protocol"
    protocol: Annotated[str, StringConstraints(min_length=1)]  # shipped name, or text of a file
    parameters: Annotated[dict[Name, float], Field(max_length=100)] = {}  # other values of some


class PauseProtocol(_Control):
    """Wait before the next step."""

    command: Literal["pause_protocol"] = "pause_protocol"


class ResumeProtocol(_Control):
    """Go on after a pause."""

    command: Literal["resume_protocol"] = "resume_protocol"


class SkipStep(_Control):
    """End the present step of the protocol at once."""

    command: Literal["skip_step"] = "skip_step"


class StopProtocol(_Control):
    """End the protocol; the pump goes off."""

    command: Literal["stop_protocol"] = "stop_protocol"


class Mark(_Control):
    """Write a mark into the log; a protocol may wait for it."""

    command: Literal["mark"] = "mark"
    text: Line


class ShutDown(_Control):
    """Tones off, the log closed, the service ended."""

    command: Literal["shut_down"] = "shut_down"


class Answer(Part):
    """What became of a command."""

    request: int | str  # the client's own
    ok: bool
    text: str = ""  # what was done, or why not, in one line
    data: dict[str, Any] = Field(default_factory=dict)  # what was asked for


COMMANDS: dict[str, type[Command]] = {
    kind.model_fields["command"].default: kind
    for kind in (
        *(Look, Protocols, CheckProtocol),
        *(Mute, Note, TakeControl),
        *(Heartbeat, HandOver, GiveUpControl),
        *(Arm, Disarm, PumpAmplitude, PumpOffset),
        *(StartProtocol, PauseProtocol, ResumeProtocol, SkipStep, StopProtocol),
        *(Mark, ShutDown),
    )
}
"""The commands by name."""


def name_of(command: Command) -> str:
    """The name by which a client calls a command."""
    return str(type(command).model_fields["command"].default)


def read_command(content: bytes) -> Command:
    """The command that a client sent.

    Parameters
    ----------
    content : bytes
        Anything.

    Returns
    -------
    Command
        Every argument checked.

    Raises
    ------
    MalformedCommand
        If it is no JSON object, no known command, or has an argument that is
        missing, unknown or out of range.
    """
    try:
        fields = from_json(content)
    except ValueError:
        raise MalformedCommand("this is no JSON") from None
    if not isinstance(fields, dict):
        raise MalformedCommand("this is no JSON object")
    request = _request_id(fields)
    name = fields.get("command")
    kind = COMMANDS.get(name) if isinstance(name, str) else None
    if kind is None:
        raise MalformedCommand(_unknown_command(name), request)
    try:
        return kind.model_validate(fields)
    except ValidationError as error:
        raise MalformedCommand(f"{name}: {_first_mistake(error)}", request) from None


def _request_id(fields: dict[str, Any]) -> int | str | None:
    """What the client calls its request, if an answer can carry that."""
    request = fields.get("request")
    if isinstance(request, bool):
        return None
    if isinstance(request, int) and abs(request) <= _LARGEST_INTEGER:
        return request
    return request if isinstance(request, str) and len(request) <= 64 else None


def _unknown_command(name: object) -> str:
    if not isinstance(name, str):
        return "command: is missing; it is the name of a command"
    near = difflib.get_close_matches(name[:64], COMMANDS, n=1)
    remedy = f"did you mean {near[0]}?" if near else f"there are {', '.join(COMMANDS)}"
    return f"command = {name[:64]!r}: is no command; {remedy}"


def _first_mistake(error: ValidationError) -> str:
    """Argument and remedy of the first mistake; an unknown argument comes first."""
    mistakes = error.errors(include_url=False, include_context=False)
    mistakes.sort(key=lambda mistake: mistake["type"] != "extra_forbidden")
    mistake = mistakes[0]
    # What comes after the argument's name says which of several types was tried.
    argument = str(mistake["loc"][0])[:64] if mistake["loc"] else "command"
    if mistake["type"] == "extra_forbidden":
        return f"{argument!r}: there is no such argument"
    if mistake["type"] == "missing":
        return f"{argument}: is missing"
    if mistake["type"] == "string_pattern_mismatch":
        return f"{argument}: must be one line without control characters"
    shown = repr(mistake["input"])
    shown = shown if len(shown) <= 60 else f"{shown[:57]}..."
    return f"{argument} = {shown}: {mistake['msg'].lower()}"
