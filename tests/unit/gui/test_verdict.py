"""The verdict: on the difference or not, in line widths and in words."""

from __future__ import annotations

import pytest

from controller.records import PumpState, TrackerState
from controller.service.messages import EventMessage
from gui.models.present import Origin, Present
from gui.models.verdict import Level, verdict_on
from tests.support.desk import (
    WIDTH_HZ,
    event,
    present_with,
    protocol,
    pumped_record,
    status,
    with_states,
)


def silent(pump: PumpState) -> Present:
    """A pump that is not on."""
    return present_with(status(pump), pumped_record(1.0, pump_state=pump, pump_hz=None))


def test_the_error_is_the_pump_less_the_difference_in_widths_of_the_narrower_line() -> None:
    record = pumped_record(1.0, error_hz=0.05 * WIDTH_HZ, sigma_hz=0.02 * WIDTH_HZ)
    verdict = verdict_on(present_with(status(), record))
    assert verdict.level is Level.GOOD
    assert verdict.sentence == "On the difference, within a tenth of the line"
    assert verdict.error_widths == pytest.approx(0.05, rel=1e-6)
    assert verdict.sigma_widths == pytest.approx(0.02)


@pytest.mark.parametrize(
    ("offset", "sentence", "where"),
    [
        (3.0, "Detuned by 3.0 line widths, as asked", "243 mHz above the difference"),
        (-0.7, "Detuned by 0.70 line widths, as asked", "56.8 mHz below the difference"),
    ],
)
def test_a_deliberate_detuning_is_no_error(offset: float, sentence: str, where: str) -> None:
    told = status(pump_offset_hz=offset * WIDTH_HZ)
    beside = pumped_record(1.0, error_hz=(offset + 0.02) * WIDTH_HZ)
    verdict = verdict_on(present_with(told, beside))
    assert verdict.level is Level.GOOD
    assert (verdict.sentence, verdict.detail) == (sentence, where)
    assert verdict.error_widths == pytest.approx(0.02, rel=1e-6)
    assert verdict.offset_widths == pytest.approx(offset)
    assert verdict.measure == "line widths from there"


def test_a_pump_that_is_not_where_it_was_detuned_to_is_said_so() -> None:
    told = status(pump_offset_hz=3.0 * WIDTH_HZ)
    verdict = verdict_on(present_with(told, pumped_record(1.0)))  # on the difference instead
    assert verdict.level is Level.WARNING
    assert verdict.sentence == "Pump on, 3.0 line widths off its detuning"


def test_a_detuning_by_a_protocol_is_told_beside_its_step() -> None:
    running = protocol("running").model_copy(update={"step": "detuned: pump_on (9 of 20)"})
    told = status(pump_offset_hz=WIDTH_HZ, protocol=running)
    verdict = verdict_on(present_with(told, pumped_record(1.0, error_hz=WIDTH_HZ)))
    assert verdict.detail == "81.1 mHz above the difference; detuned: pump_on (9 of 20)"


def test_a_pump_beside_the_line_is_said_so() -> None:
    verdict = verdict_on(present_with(status(), pumped_record(1.0, error_hz=0.4 * WIDTH_HZ)))
    assert verdict.level is Level.WARNING
    assert verdict.sentence == "Pump on, 0.40 line widths away"


def test_a_difference_that_is_hardly_known_is_not_called_good() -> None:
    verdict = verdict_on(present_with(status(), pumped_record(1.0, sigma_hz=0.3 * WIDTH_HZ)))
    assert verdict.level is Level.WARNING
    assert "known only to 0.30 of the line" in verdict.sentence


def test_a_pump_that_is_swept_is_not_judged() -> None:
    running = protocol("running").model_copy(update={"step": "sweep: chirp (3 of 9)"})
    told = status(pump_offset_hz=-4.0 * WIDTH_HZ, pump_chirp_hz_per_s=0.085, protocol=running)
    verdict = verdict_on(present_with(told, pumped_record(1.0, error_hz=-2.0 * WIDTH_HZ)))
    assert verdict.level is Level.QUIET
    assert verdict.sentence == "Swept by 85 mHz/s, as asked"
    assert verdict.detail == "sweep: chirp (3 of 9)"
    assert verdict.error_widths == pytest.approx(-2.0)
    assert verdict.measure == "line widths away now"


@pytest.mark.parametrize(
    ("lower", "upper", "sentence"),
    [
        ("searching", "searching", "Off: searching for both modes"),
        ("searching", "locked", "Off: searching for the lower mode"),
        ("locked", "pulling_in", "Off: pulling in on the upper mode"),
        ("locked", "holding", "Off: holding over on the upper mode"),
        ("locked", "locked", "Off: both modes locked"),
    ],
)
def test_a_silent_pump_says_what_is_missing(lower: str, upper: str, sentence: str) -> None:
    record = with_states(pumped_record(1.0), TrackerState(lower), TrackerState(upper))
    verdict = verdict_on(present_with(status(PumpState.OFF), record))
    assert verdict.sentence == sentence
    assert verdict.error_widths is None


def test_a_mute_names_who_muted() -> None:
    present = silent(PumpState.MUTED)
    for each in (
        event(2.0, "pump", "request", "mute by ann"),
        event(2.0, "pump", "mute", "the operator muted it"),
    ):
        present.take([EventMessage(time_s=2.0, event=each)])
    verdict = verdict_on(present)
    assert verdict.level is Level.BAD
    assert (verdict.sentence, verdict.detail) == ("Muted by ann", "the operator muted it")


def test_a_mute_by_the_loop_names_nobody() -> None:
    present = silent(PumpState.MUTED)
    for each in (
        event(2.0, "pump", "request", "arm by ann"),
        event(3.0, "pump", "state", "on -> muted: overload"),
    ):
        present.take([EventMessage(time_s=3.0, event=each)])
    verdict = verdict_on(present)
    assert (verdict.sentence, verdict.detail) == ("Muted", "on -> muted: overload")


def test_an_armed_pump_says_what_it_waits_for() -> None:
    present = silent(PumpState.ARMED)
    opened = event(2.0, "pump", "interlock_open", "the upper mode is not locked")
    present.take([EventMessage(time_s=2.0, event=opened)])
    assert verdict_on(present).detail == "the upper mode is not locked"
    closed = event(3.0, "pump", "interlock_closed", "all is well")
    present.take([EventMessage(time_s=3.0, event=closed)])
    assert verdict_on(present).detail == ""


def test_the_step_of_a_protocol_is_told() -> None:
    told = protocol("running").model_copy(update={"step": "release both"})
    verdict = verdict_on(present_with(status(protocol=told)))
    assert verdict.detail == "release both"


def test_without_news_nothing_is_claimed() -> None:
    assert verdict_on(Present()).sentence == "Nothing is open"
    assert verdict_on(Present(Origin.SERVICE)).sentence == "Starting"
    log = Present(Origin.LOG)
    log.ending = "done"
    assert verdict_on(log).detail == "done"
