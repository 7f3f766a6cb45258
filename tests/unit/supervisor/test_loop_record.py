"""Rows of the log: what was commanded at the sample of the row, in metres."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.records import ModeId, PumpState, Record, TrackerState
from controller.supervisor.loop_record import searching_record, tracking_record
from controller.tracking.pair import Tick
from tests.support.rehearsals import Rehearsal, prepared, with_pump_early
from tests.unit.supervisor.test_pump import step, switched_on, view

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER


@pytest.fixture(scope="module")
def locked() -> Rehearsal:
    """A loop with its pump on; read only."""
    return prepared(overrides=with_pump_early()).until(11.0)


def tick_of(rehearsal: Rehearsal) -> Tick:
    tick = rehearsal.engine._last_tick
    assert tick is not None
    return tick


def row(rehearsal: Rehearsal, tick: Tick, *, is_known: bool = True) -> Record:
    engine = rehearsal.engine
    assert engine._pair is not None
    return tracking_record(
        tick,
        engine._pair,
        engine._drives,
        engine._pump,
        metres_per_unit=2.0e-8,
        live=engine._live if is_known else None,
    )


def test_a_search_has_rows_without_values() -> None:
    pump, index = switched_on()
    states = {LOWER: TrackerState.SEARCHING, UPPER: TrackerState.LOST}
    record = searching_record(index, 1000.0, pump, states)
    assert record.time_s == index / 1000.0
    assert record.modes[UPPER].state is TrackerState.LOST
    assert record.modes[LOWER].frequency_hz is None and record.difference_hz is None


def test_a_row_stands_for_the_centre_of_its_tick(locked: Rehearsal) -> None:
    record = locked.records[-1]
    assert record.sample_index == round(tick_of(locked).center_index)
    assert record.time_s == record.sample_index / locked.rate_hz


def test_amplitudes_are_metres(locked: Rehearsal) -> None:
    for mode in ModeId:
        assert locked.records[-1].modes[mode].amplitude == pytest.approx(1e-9, rel=0.02)
        assert locked.records[-1].modes[mode].drive_amplitude > 0.0


def test_while_on_a_row_holds_the_tone_of_its_sample(locked: Rehearsal) -> None:
    on = [record for record in locked.records if record.pump_state is PumpState.ON]
    assert on and all(record.pump_amplitude == 0.5 for record in on[1:])
    for record in on[1:]:
        tone = next(
            entry.actual
            for entry in reversed(locked.tones)
            if entry.actual is not None
            and entry.actual.channel == "pump"
            and entry.actual.at_sample <= record.sample_index
        )
        assert record.pump_hz == tone.frequency_hz


def test_off_rows_have_no_pump(locked: Rehearsal) -> None:
    off = [record for record in locked.records if record.pump_state is not PumpState.ON]
    assert off
    assert all(record.pump_hz is None and record.pump_amplitude == 0.0 for record in off)


def test_what_is_not_known_is_not_told(locked: Rehearsal) -> None:
    tick = tick_of(locked)
    record = row(locked, tick, is_known=False)
    assert record.difference_hz is None and record.difference_sigma_hz is None
    silent = {mode: replace(tick.modes[mode], snr_db=-float("inf")) for mode in ModeId}
    assert row(locked, replace(tick, modes=silent)).modes[LOWER].snr_db is None


def test_a_muted_pump_is_muted_in_the_row_of_that_sample() -> None:
    pump, index = switched_on()
    step(pump, view(index, "overload"))
    states = dict.fromkeys(ModeId, TrackerState.LOCKED)
    assert searching_record(index - 1, 1000.0, pump, states).pump_state is PumpState.ON
    assert searching_record(index, 1000.0, pump, states).pump_state is PumpState.MUTED


def test_only_a_free_line_has_a_decay_time() -> None:
    thermal = prepared(overrides={"drive.amplitude_m": 0.0}).until(8.0)
    driven = prepared().until(8.0)
    assert any(r.modes[LOWER].decay_time_s for r in thermal.records)
    assert not any(r.modes[LOWER].decay_time_s for r in driven.records)
