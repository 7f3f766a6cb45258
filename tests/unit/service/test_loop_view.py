"""What the service keeps of what the loop tells, and what clients are told of it."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from controller.records import Event, Knowledge, ModeId, PumpState
from controller.runtime.block_clock import LatencyFigures
from controller.runtime.log.handed_over import Entry
from controller.service.link import LoopState
from controller.service.loop_view import LoopView
from controller.service.messages import EventMessage, RecordMessage
from tests.support.little_service import SETTINGS, record

WALK = 0.03
NO_SHIFT = dict.fromkeys(ModeId, 0.0)
KNOWLEDGE = Knowledge(
    shared_walk_hz_per_root_s=1.0,
    separate_walk_hz_per_root_s=WALK,
    drift_ratio=1.0,
    drift_ratio_sigma=0.1,
    coupling_hz_per_unit=0.0,
    coupling_sigma_hz_per_unit=1.0,
    pump_shift_hz_per_unit2=NO_SHIFT,
    pump_shift_sigma_hz_per_unit2=NO_SHIFT,
)
STATE = LoopState(
    time_s=3.0,
    line="both modes locked",
    pump_state=PumpState.OFF,
    pump_amplitude=0.5,
    pump_offset_hz=0.0,
    pump_chirp_hz_per_s=0.0,
    protocol=None,
    latency=LatencyFigures(),
    knowledge=KNOWLEDGE,
)


@pytest.fixture
def view() -> LoopView:
    """Nothing is told yet."""
    return LoopView(SETTINGS)


def deviations(series: str) -> Entry:
    """Running deviations at 3 s and 12 s."""
    return Entry("allan", (0, series, (3.0, 12.0), (0.1, 0.2), (0.01, 0.02)))


def test_records_and_events_are_news_and_time_goes_on_with_them(view: LoopView) -> None:
    assert view.time_s == 0.0
    told = record(2.0)
    assert view.take_entry(Entry("record", (told,))) == [RecordMessage(time_s=2.0, record=told)]
    event = Event(sample_index=50_000, time_s=1.0, source="run", kind="mark", text="lid closed")
    assert view.take_entry(Entry("event", (event,))) == [EventMessage(time_s=1.0, event=event)]
    assert (view.record, view.time_s) == (told, 2.0)
    assert view.take_state(STATE) == []
    assert (view.state, view.time_s) == (STATE, 3.0)


def test_the_difference_cannot_be_quieter_than_the_walks_that_were_learnt(view: LoopView) -> None:
    view.take_entry(deviations("difference"))
    assert view.allan["difference"].limits_hz == []
    view.take_state(STATE)
    view.take_state(replace(STATE, knowledge=None))  # what was learnt stays
    for series in ("difference", "lower"):
        assert view.take_entry(deviations(series)) == []
    # A random walk of frequency: deviation = walk * sqrt(tau / 3).
    limits_hz = [WALK, 2.0 * WALK]
    assert view.allan["difference"].limits_hz == pytest.approx(limits_hz)
    assert math.isclose(view.allan["lower"].deviations_hz[1], 0.2)
    assert view.allan["lower"].limits_hz == []
