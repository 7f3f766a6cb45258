"""Is the pump on the difference? The answer as a number, a sentence and a level."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from controller.service.client import ModeId, PumpState, Record, TrackerState
from gui.models.events import EventLine
from gui.models.present import Origin, Present
from gui.models.wording import quantity_text, widths_text

WITHIN = 0.1  # of the line: what counts as on the difference

_MISSING = {
    TrackerState.SEARCHING: "searching for",
    TrackerState.PULLING_IN: "pulling in on",
    TrackerState.LOST: "has lost",
    TrackerState.HOLDING: "holding over on",
}


class Level(StrEnum):
    """How good the news are."""

    GOOD = "good"
    WARNING = "warning"
    BAD = "bad"
    QUIET = "quiet"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The state of the pump in one look.

    Attributes
    ----------
    level : Level
        How good the news are.
    sentence : str
        In plain words.
    detail : str
        What else matters now.
    error_widths, sigma_widths : float or None
        Pump less tracked difference less deliberate detuning, in line widths,
        and the uncertainty of the difference; None: the pump is not on, or
        the difference is not known.
    error_hz : float or None
        The same in Hz.
    """

    level: Level
    sentence: str
    detail: str = ""
    error_widths: float | None = None
    sigma_widths: float | None = None
    error_hz: float | None = None


def verdict_on(present: Present) -> Verdict:
    """The verdict on what is known now."""
    if present.origin is Origin.NOTHING:
        return Verdict(level=Level.QUIET, sentence="Nothing is open")
    if present.origin is Origin.LOG:
        return Verdict(level=Level.QUIET, sentence="A finished run", detail=present.ending)
    record, status = present.record, present.status
    if record is None or status is None:
        return Verdict(level=Level.QUIET, sentence="Starting")
    detail = "" if status.protocol is None else status.protocol.step
    pump = record.pump_state  # ten times a second, beside the frequencies it belongs to
    if pump is PumpState.ON:
        return _verdict_on_running(record, status.pump_offset_hz, present.line_width_hz, detail)
    if pump is PumpState.MUTED:
        last = present.events.last("pump", "mute", "state", "request")
        return Verdict(level=Level.BAD, sentence=_muted_by(present), detail=_reason(last))
    if pump is PumpState.ARMED:
        opened = present.events.last("pump", "interlock_open", "interlock_closed")
        why = opened.text if opened is not None and opened.kind == "interlock_open" else ""
        return Verdict(
            level=Level.WARNING,
            sentence="Armed: waits until all is well",
            detail=why,
        )
    return _verdict_on_silence(record, detail)


def _verdict_on_running(
    record: Record, offset_hz: float, width_hz: float | None, detail: str
) -> Verdict:
    if record.pump_hz is None or record.difference_hz is None or not width_hz:
        return Verdict(level=Level.WARNING, sentence="Pump on; the difference is not known")
    error_hz = record.pump_hz - record.difference_hz - offset_hz
    error = error_hz / width_hz
    sigma = None
    if record.difference_sigma_hz is not None:
        sigma = record.difference_sigma_hz / width_hz
    if offset_hz:
        detail = f"detuned on purpose by {quantity_text(offset_hz, 'Hz')}"
    if abs(error) > WITHIN:
        level, sentence = Level.WARNING, f"Pump on, {widths_text(error)} line widths away"
    elif sigma is None or sigma > WITHIN:
        level = Level.WARNING
        sentence = f"On the difference, known only to {widths_text(sigma)} of the line"
    else:
        level, sentence = Level.GOOD, "On the difference, within a tenth of the line"
    return Verdict(
        level=level,
        sentence=sentence,
        detail=detail,
        error_widths=error,
        sigma_widths=sigma,
        error_hz=error_hz,
    )


def _verdict_on_silence(record: Record, detail: str) -> Verdict:
    for state, words in _MISSING.items():
        modes = [mode for mode in ModeId if record.modes[mode].state is state]
        if modes:
            which = "both modes" if len(modes) == len(ModeId) else f"the {modes[0]} mode"
            return Verdict(level=Level.QUIET, sentence=f"Off: {words} {which}", detail=detail)
    known = quantity_text(record.difference_sigma_hz, "Hz", 2)
    return Verdict(
        level=Level.QUIET,
        sentence="Off: both modes locked",
        detail=detail or f"the difference is known to {known}",
    )


def _muted_by(present: Present) -> str:
    """Who muted it, if a person did."""
    asked = present.events.last("service", "command")
    for line in (present.events.last("pump", "request"), asked):
        if line is not None and line.text.startswith("mute by "):
            return f"Muted by {line.text.removeprefix('mute by ').split()[0]}"
    return "Muted"


def _reason(line: EventLine | None) -> str:
    return "" if line is None else line.text
