"""Rows of the log: what was commanded at the sample of the row, in metres."""

from __future__ import annotations

import cmath
import math
from dataclasses import replace

import pytest

from controller.instrument import Tone
from controller.records import Baseband, ModeId, PumpState, Record, TrackerState
from controller.supervisor.drives import Drives
from controller.supervisor.loop_record import baseband, searching_record, tracking_record
from controller.supervisor.tone_state import ToneState
from controller.tracking.pair import Tick, UpdateMeans
from tests.support.rehearsals import Rehearsal, prepared, with_pump_early
from tests.unit.supervisor.pumps import step, switched_on, view
from tests.unit.supervisor.test_drives import CHANNELS, RATE_HZ

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER


@pytest.fixture(scope="module")
def locked() -> Rehearsal:
    """A loop with its pump on; read only."""
    return prepared(overrides=with_pump_early()).until(11.0)


def tick_of(rehearsal: Rehearsal) -> Tick:
    tick = rehearsal.following.last_tick
    assert tick is not None
    return tick


def row(rehearsal: Rehearsal, tick: Tick, *, is_known: bool = True) -> Record:
    engine, following = rehearsal.engine, rehearsal.following
    return tracking_record(
        tick,
        following.pair,
        engine._drives,
        engine._pump,
        metres_per_unit=2.0e-8,
        live=following.live if is_known else None,
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


# -- basebands -----------------------------------------------------------------------------

REFERENCES_HZ = {LOWER: 1.0437e6, UPPER: 1.0503e6}
LINES_HZ = {LOWER: 1_043_728.37, UPPER: 1_050_371.62}
PHASES_RAD = {LOWER: 0.3, UPPER: -1.1}
AT = 123_456.5  # middle of an update, between two samples
# Phases of 1 MHz after 2.5 s are 2.6e6 turns, of which a float64 keeps 6e-10.
ROUNDED = 1.0e-8


def phase_rad(hz: float, phase: float, index: float) -> float:
    """Of a line that has `phase` at sample 0 [rad]."""
    return 2.0 * math.pi * ((hz * index / RATE_HZ) % 1.0) + phase


def update(mix_off_hz: float) -> UpdateMeans:
    """Lines of 2 and 3 units, mixed with oscillators that are somewhere else."""
    oscillators = {mode: (LINES_HZ[mode] + mix_off_hz) * AT / RATE_HZ + 0.37 for mode in ModeId}
    means = {
        mode: cmath.rect(
            size,
            phase_rad(LINES_HZ[mode], PHASES_RAD[mode], AT) - 2.0 * math.pi * oscillators[mode],
        )
        for mode, size in ((LOWER, 2.0), (UPPER, 3.0))
    }
    return UpdateMeans(
        center_index=AT,
        duration_s=0.02,
        oscillator_turns=(oscillators[LOWER], oscillators[UPPER]),
        means=(means[LOWER], means[UPPER]),
    )


def made(
    mix_off_hz: float = 0.2, pump: ToneState | None = None, drives: Drives | None = None
) -> Baseband:
    return baseband(
        update(mix_off_hz),
        drives or Drives({}, RATE_HZ),
        pump or ToneState(RATE_HZ),
        sample_rate_hz=RATE_HZ,
        references_hz=REFERENCES_HZ,
        metres_per_unit=2.0e-8,
    )


@pytest.mark.parametrize("mix_off_hz", [0.0, 0.2, -7.0])
def test_a_line_turns_against_its_fixed_reference_from_sample_0(mix_off_hz: float) -> None:
    """records.Baseband: A exp(i (2 pi (f - reference) t + phi)), whatever it is mixed with."""
    seen = made(mix_off_hz)
    for mode, size in ((LOWER, 2.0), (UPPER, 3.0)):
        off_hz = LINES_HZ[mode] - REFERENCES_HZ[mode]
        expected = cmath.rect(2.0e-8 * size, phase_rad(off_hz, PHASES_RAD[mode], AT))
        found = seen.lower if mode is LOWER else seen.upper
        assert abs(found / expected - 1.0) < ROUNDED


def test_a_baseband_stands_for_the_middle_of_its_update() -> None:
    seen = made()
    assert seen.time_s == AT / RATE_HZ
    assert abs(seen.sample_index - AT) <= 0.5
    assert seen.duration_s == 0.02


def test_the_pumps_phase_is_against_upper_less_lower_reference() -> None:
    pump = ToneState(RATE_HZ)
    pump.process(Tone("pump", 2000, 6643.25, 0.4, 0.9))
    seen = made(pump=pump)
    elapsed_s = (AT - 2000) / RATE_HZ
    reference_hz = REFERENCES_HZ[UPPER] - REFERENCES_HZ[LOWER]
    expected = 0.9 + 2.0 * math.pi * (6643.25 * elapsed_s - reference_hz * AT / RATE_HZ)
    assert seen.pump_amplitude == 0.4
    assert abs(cmath.rect(1.0, seen.pump_phase_rad - expected) - 1.0) < 10.0 * ROUNDED


def test_a_pump_that_is_off_has_no_amplitude() -> None:
    pump = ToneState(RATE_HZ)
    pump.process(Tone("pump", 2000, 6643.25, 0.4, 0.9))
    pump.process(Tone("pump", 100_000, 6643.25, 0.0))
    assert made(pump=pump).pump_amplitude == 0.0
    assert made().pump_amplitude == 0.0


def test_drives_stand_against_the_references_in_their_own_unit() -> None:
    drives = Drives({LOWER: CHANNELS[LOWER]}, RATE_HZ)
    tone = Tone(CHANNELS[LOWER].name, 1000, 1.0437e6 + 3.0, 0.7, 0.2)
    drives.tone_set(tone, tone)
    seen = made(drives=drives)
    turns = tone.frequency_hz * (AT - 1000) / RATE_HZ - REFERENCES_HZ[LOWER] * AT / RATE_HZ
    expected = cmath.rect(0.7, 0.2 + 2.0 * math.pi * (turns % 1.0))
    assert abs(seen.drive_lower / expected - 1.0) < ROUNDED
    assert seen.drive_upper == 0j  # there is no such drive
