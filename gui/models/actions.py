"""What may be done now, and if not, why not: one line for each action."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

from controller.service.client import PumpState, Status
from gui.models.present import Origin, Present

PROTOCOL_IS_ON = frozenset(("running", "paused", "recovering"))


class Action(StrEnum):
    """What a person may do; the names are those of the commands."""

    TAKE_CONTROL = "take_control"
    GIVE_UP_CONTROL = "give_up_control"
    HAND_OVER = "hand_over"
    ARM = "arm"
    DISARM = "disarm"
    MUTE = "mute"
    PUMP_AMPLITUDE = "pump_amplitude"
    PUMP_OFFSET = "pump_offset_hz"
    START_PROTOCOL = "start_protocol"
    PAUSE_PROTOCOL = "pause_protocol"
    RESUME_PROTOCOL = "resume_protocol"
    SKIP_STEP = "skip_step"
    STOP_PROTOCOL = "stop_protocol"
    MARK = "mark"
    NOTE = "note"
    CHECK_PROTOCOL = "check_protocol"
    SHUT_DOWN = "shut_down"


WITHOUT_CONTROL = frozenset((Action.TAKE_CONTROL, Action.MUTE, Action.NOTE, Action.CHECK_PROTOCOL))
READS_ONLY = "this key may read, not change things"

_ABOUT_PUMP = frozenset(
    (Action.ARM, Action.DISARM, Action.MUTE, Action.PUMP_AMPLITUDE, Action.PUMP_OFFSET)
)


def is_protocol_on(status: Status | None) -> bool:
    """Whether a protocol is being carried out."""
    protocol = None if status is None else status.protocol
    return protocol is not None and protocol.state in PROTOCOL_IS_ON


def hindrances(present: Present, *, has_control: bool) -> Mapping[Action, str]:
    """Why each action cannot be done now; empty: it can.

    Parameters
    ----------
    present : Present
        What is known.
    has_control : bool
        Whether this window holds control.
    """
    return {action: _hindrance(action, present, has_control) for action in Action}


def _hindrance(action: Action, present: Present, has_control: bool) -> str:
    if present.origin is Origin.NOTHING:
        return "nothing is open"
    if present.origin is Origin.LOG:
        return "this is the log of a run, not a running service"
    status = present.status
    if not present.is_reachable or status is None:
        return "there is no connection to the service"
    if present.reads_only and action is not Action.CHECK_PROTOCOL:
        return READS_ONLY
    if action in _ABOUT_PUMP and "pump" not in present.tones:
        return "this instrument has no pump output"
    if action is Action.TAKE_CONTROL:
        return "you hold control already" if has_control else _held_by_other(status)
    if action not in WITHOUT_CONTROL and not has_control:
        return _held_by_other(status) or "take control first"
    return _in_this_state(action, status)


def _held_by_other(status: Status) -> str:
    return f"{status.control.who} holds control" if status.control.who else ""


def _in_this_state(action: Action, status: Status) -> str:
    protocol_is_on = is_protocol_on(status)
    name = status.protocol.name if status.protocol is not None else ""
    paused = status.protocol is not None and status.protocol.state == "paused"
    if action is Action.ARM and status.pump_state is PumpState.ON:
        return "the pump is on"
    if action is Action.ARM and protocol_is_on and status.pump_state is not PumpState.MUTED:
        return "the protocol sets the pump; there is no mute to be lifted"
    if action in (Action.PUMP_AMPLITUDE, Action.PUMP_OFFSET) and protocol_is_on:
        return f"{name} sets the pump while it is carried out"
    if action is Action.START_PROTOCOL and protocol_is_on:
        return f"{name} is being carried out; stop it first"
    if action in (Action.SKIP_STEP, Action.STOP_PROTOCOL) and not protocol_is_on:
        return "no protocol is being carried out"
    if action is Action.PAUSE_PROTOCOL and (not protocol_is_on or paused):
        return "it is paused already" if paused else "no protocol is being carried out"
    if action is Action.RESUME_PROTOCOL and not paused:
        return "no protocol is paused"
    return ""
