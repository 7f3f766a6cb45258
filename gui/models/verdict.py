"""Is the pump on the difference? The answer as a number, a sentence and a level."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from controller.service.client import ModeId, PumpState, Record, Status, TrackerState
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
        How far the pump is from where it is wanted, in line widths, and the
        uncertainty of the difference; None: the pump is not on, or the
        difference is not known.
    error_hz : float or None
        The same in Hz.
    offset_widths : float
        Where it is wanted: pump less difference, as asked, in line widths.
    measure : str
        What `error_widths` is a number of.
    """

    level: Level
    sentence: str
    detail: str = ""
    error_widths: float | None = None
    sigma_widths: float | None = None
    error_hz: float | None = None
    offset_widths: float = 0.0
    measure: str = "line widths away"


def verdict_on(present: Present) -> Verdict:
    """The verdict on what is known now."""
    if present.origin is Origin.NOTHING:
        return Verdict(level=Level.QUIET, sentence="Nothing is open")
    if present.origin is Origin.LOG:
        return Verdict(level=Level.QUIET, sentence="A finished run", detail=present.ending)
    record, status = present.record, present.status
    if record is None or status is None:
        return Verdict(level=Level.QUIET, sentence="Starting")
    step = "" if status.protocol is None else status.protocol.step
    pump = record.pump_state  # ten times a second, beside the frequencies it belongs to
    if pump is PumpState.ON:
        return _verdict_on_running(record, status, present.line_width_hz, step)
    if pump is PumpState.MUTED:
        last = present.events.last("pump", "mute", "state", "request")
        return Verdict(level=Level.BAD, sentence=_muted_by(present), detail=_reason(last))
    if pump is PumpState.ARMED:
        last = present.events.last("pump", "interlock_open", "again", "interlock_closed")
        why = last.text if last is not None and last.kind != "interlock_closed" else ""
        return Verdict(
            level=Level.WARNING,
            sentence="Armed: waits until all is well",
            detail=why,
        )
    return _verdict_on_silence(record, step)


def _verdict_on_running(
    record: Record, status: Status, width_hz: float | None, step: str
) -> Verdict:
    if record.pump_hz is None or record.difference_hz is None or not width_hz:
        return Verdict(level=Level.WARNING, sentence="Pump on; the difference is not known")
    sigma = None
    if record.difference_sigma_hz is not None:
        sigma = record.difference_sigma_hz / width_hz
    away_hz = record.pump_hz - record.difference_hz
    chirp_hz_per_s = status.pump_chirp_hz_per_s
    if chirp_hz_per_s != 0.0:
        return Verdict(
            level=Level.QUIET,
            sentence=f"Swept by {quantity_text(chirp_hz_per_s, 'Hz/s', 2)}, as asked",
            detail=step,
            error_widths=away_hz / width_hz,
            sigma_widths=sigma,
            error_hz=away_hz,
            measure="line widths away now",
        )
    offset_hz = status.pump_offset_hz
    error_hz = away_hz - offset_hz
    error = error_hz / width_hz
    level, sentence = _judged(error, sigma, offset_hz / width_hz)
    side = "above" if offset_hz > 0.0 else "below"
    where = f"{quantity_text(abs(offset_hz), 'Hz')} {side} the difference" if offset_hz else ""
    return Verdict(
        level=level,
        sentence=sentence,
        detail="; ".join(part for part in (where, step) if part),
        error_widths=error,
        sigma_widths=sigma,
        error_hz=error_hz,
        offset_widths=offset_hz / width_hz,
        measure="line widths from there" if offset_hz else "line widths away",
    )


def _judged(error: float, sigma: float | None, offset: float) -> tuple[Level, str]:
    """Level and sentence; all in line widths."""
    wanted = f"Detuned by {widths_text(offset)} line widths, as asked"
    if abs(error) > WITHIN:
        where = "off its detuning" if offset else "away"
        return Level.WARNING, f"Pump on, {widths_text(error)} line widths {where}"
    if sigma is None or sigma > WITHIN:
        on = wanted if offset else "On the difference"
        return Level.WARNING, f"{on}, known only to {widths_text(sigma)} of the line"
    return Level.GOOD, wanted if offset else "On the difference, within a tenth of the line"


def _verdict_on_silence(record: Record, step: str) -> Verdict:
    for state, words in _MISSING.items():
        modes = [mode for mode in ModeId if record.modes[mode].state is state]
        if modes:
            which = "both modes" if len(modes) == len(ModeId) else f"the {modes[0]} mode"
            return Verdict(level=Level.QUIET, sentence=f"Off: {words} {which}", detail=step)
    known = quantity_text(record.difference_sigma_hz, "Hz", 2)
    return Verdict(
        level=Level.QUIET,
        sentence="Off: both modes locked",
        detail=step or f"the difference is known to {known}",
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
