"""What an operator may ask of the loop while it runs."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class RequestKind(StrEnum):
    """The operator's requests."""

    ARM = "arm"  # let the pump come on when all is well
    DISARM = "disarm"  # pump off, and not again
    MUTE = "mute"  # pump off at once, until ARM
    SET_AMPLITUDE = "set_amplitude"
    SET_OFFSET = "set_offset"
    RELEASE = "release"  # drives off, the modes ring down; text: one mode, or both
    DRIVE = "drive"  # drives on again; text: one mode, or both
    MARK = "mark"


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """One request; value for the kinds that set something, text for a mark or a mode."""

    kind: RequestKind
    value: float = 0.0
    text: str = ""
    who: str = "operator"
