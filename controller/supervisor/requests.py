"""What an operator may ask of the loop while it runs."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class RequestKind(StrEnum):
    """The operator's requests."""

    ARM = "arm"  # let the pump come on when all is well
    DISARM = "disarm"  # pump off, and not again
    MUTE = "mute"  # pump off at once, until ARM
    UNMUTE = "unmute"  # lift a mute, and no more: the pump is as wanted as it was
    SET_AMPLITUDE = "set_amplitude"
    SET_OFFSET = "set_offset"
    RELEASE = "release"  # drives off, the modes ring down; text: one mode, or both
    DRIVE = "drive"  # drives on again; text: one mode, or both; value: amplitude [m], 0: as before
    PUMP = "pump"  # a pump as wished, as soon as all is well; DISARM ends it
    MARK = "mark"
    PAUSE = "pause"  # the protocol, before its next step
    RESUME = "resume"
    SKIP = "skip"  # the protocol's present step
    STOP = "stop"  # the protocol; the run ends


@dataclass(frozen=True, slots=True, kw_only=True)
class PumpWish:
    """How the pump should be while it is on."""

    amplitude: float  # in the channel's unit
    offset_hz: float = 0.0  # deliberate detuning, at the moment it comes on
    phase_rad: float = 0.0  # ahead of the phase that it would come on with
    continues: bool = False  # that is the phase it went off with, gone on at its frequency
    waveform: str = "sine"
    pulse_s: float = 0.0  # width of each pulse
    chirp_hz_per_s: float = 0.0  # of the detuning
    duration_s: float | None = None  # then off; None: until it is told


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """One request; value for the kinds that set something, text for a mark or a mode."""

    kind: RequestKind
    value: float = 0.0
    text: str = ""
    who: str = "operator"
    wish: PumpWish | None = None  # for PUMP
