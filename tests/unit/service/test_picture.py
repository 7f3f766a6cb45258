"""The picture: what was published, thinned."""

from __future__ import annotations

import pytest

from controller.records import Event, ModeId, PumpState
from controller.service.messages import (
    MOST_EVENTS,
    MOST_RECENT_POINTS,
    EventMessage,
    RecordMessage,
    ResultMessage,
    Status,
    StatusMessage,
)
from controller.service.picture import pump_limits
from controller.settings import LoopSettings
from tests.support.little_service import LOWER_HZ, SETTINGS, TONES, UPPER_HZ, picture, record


def test_it_shows_the_last_record_and_status() -> None:
    shown = picture()
    shown.take(RecordMessage(time_s=0.1, record=record(0.1)))
    shown.take(RecordMessage(time_s=0.2, record=record(0.2)))
    shown.take(StatusMessage(time_s=0.2, status=Status(line="well", pump_state=PumpState.ON)))
    message = shown.message()
    assert message.record == record(0.2)
    assert message.status.line == "well"
    assert message.time_s == 0.2


def test_the_curves_are_ten_minutes_one_point_a_second() -> None:
    shown = picture()
    for tenth in range(20_000):
        shown.take(RecordMessage(time_s=tenth / 10, record=record(tenth / 10)))
    recent = shown.message().recent
    assert len(recent.time_s) == MOST_RECENT_POINTS
    steps = [b - a for a, b in zip(recent.time_s, recent.time_s[1:], strict=False)]
    assert min(steps) == pytest.approx(1.0)
    assert max(steps) == pytest.approx(1.0)
    assert recent.time_s[-1] == pytest.approx(1999.0)
    lengths = {len(column) for _, column in recent}
    assert lengths == {MOST_RECENT_POINTS}
    assert recent.lower_hz[0] == LOWER_HZ
    assert recent.lower_state[0] == "locked"


def test_curves_from_before_a_long_gap_are_not_shown() -> None:
    shown = picture()
    shown.take(RecordMessage(time_s=1.0, record=record(1.0)))
    shown.take(RecordMessage(time_s=1000.0, record=record(1000.0)))
    assert shown.message().recent.time_s == [1000.0]


def test_the_last_hundred_events_are_shown_with_who_caused_them() -> None:
    shown = picture()
    for number in range(150):
        event = Event(sample_index=number, time_s=0.0, source="run", kind="note", text=str(number))
        shown.take(EventMessage(time_s=0.0, event=event, who="ann"))
    events = shown.message().events
    assert len(events) == MOST_EVENTS
    assert (events[-1].event.text, events[-1].who) == ("149", "ann")


def test_a_newer_result_takes_the_place_of_the_older() -> None:
    shown = picture()
    for value in (1.0, 2.0):
        shown.take(ResultMessage(time_s=0.0, name="exchange", result={"rate_hz": value}))
    shown.take(ResultMessage(time_s=0.0, name="ring_down", result={}))
    assert [(r.name, r.result) for r in shown.message().results] == [
        ("exchange", {"rate_hz": 2.0}),
        ("ring_down", {}),
    ]


def test_line_widths_are_frequency_over_quality_factor() -> None:
    widths_hz = picture().message().line_widths_hz
    quality_factor = SETTINGS.modes.lower.quality_factor
    assert widths_hz == {
        ModeId.LOWER: LOWER_HZ / quality_factor,
        ModeId.UPPER: UPPER_HZ / quality_factor,
    }


def test_the_detuning_stays_within_half_the_window() -> None:
    def limit_hz(window_hz: tuple[float, float] | None) -> float | None:
        settings = SETTINGS.model_dump() | {"pump": {"difference_window_hz": window_hz}}
        limits = pump_limits(LoopSettings.model_validate(settings), TONES, 50_000.0)
        assert limits.max_amplitude == TONES["pump"].max_amplitude
        assert limits.difference_window_hz == window_hz
        return limits.offset_limit_hz

    assert limit_hz((6900.0, 7100.0)) == 100.0
    assert limit_hz(None) == pytest.approx(0.1 * (UPPER_HZ - LOWER_HZ))


def test_without_a_pump_channel_the_pump_can_do_nothing() -> None:
    assert pump_limits(SETTINGS, {}, 50_000.0).max_amplitude == 0.0
