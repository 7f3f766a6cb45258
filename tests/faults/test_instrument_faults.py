"""The loop on an instrument that misbehaves, at every stage of a run.

Whatever comes, and whenever: the pump is never on outside the interlock, no lock
is claimed without data, time never runs back, and when the fault is over the loop
finds its way to the pump by itself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from controller.instrument import SampleBlock, Tone
from controller.records import ModeId, PumpState, TrackerState
from tests.support.rehearsals import Rehearsal, prepared, with_pump_early

FAULTS = "instrument.options.faults."
LISTEN_S = 2.0
SHORT = with_pump_early(**{"drive.listen_s": LISTEN_S, "pump.healthy_s": 0.5})
STAGES_S = {
    "the first block": 0.0,
    "the look": 0.5,
    "the ping": 1.1,
    "the end of the ping": 1.2,
    "listening": 2.5,
    "pulling in": 3.5,
    "ringing up": 4.5,
    "the pump coming on": 6.49,
    "the pump being on": 8.0,
}
RATE_HZ = 50_000.0


def spoilt(
    how: Callable[[SampleBlock], list[SampleBlock]], from_s: float, until_s: float
) -> Callable[[SampleBlock], list[SampleBlock]]:
    """A stream whose blocks are spoilt for a while."""
    return lambda block: how(block) if from_s <= block.first_sample / RATE_HZ < until_s else [block]


SPOILERS: dict[str, Callable[[SampleBlock], list[SampleBlock]]] = {
    "lost": lambda block: [],
    "not a number": lambda block: [
        replace(block, samples=np.full_like(block.samples, complex(np.nan, 0.0)))
    ],
    "a constant": lambda block: [replace(block, samples=np.zeros_like(block.samples))],
    "overloaded": lambda block: [replace(block, overload=True)],
    "twice": lambda block: [block, block],
    "backwards": lambda block: [
        SampleBlock(block.first_sample + 500, block.samples[500:], False),
        SampleBlock(block.first_sample, block.samples[:500], False),
    ],
    "longer than its index says": lambda block: [
        replace(block, samples=np.concatenate((block.samples, block.samples)))
    ],
    "noise only": lambda block: [
        replace(
            block,
            samples=(1e-4 * np.random.default_rng(block.first_sample).standard_normal(2000))
            .astype(np.float32)
            .view(np.complex64),
        )
    ],
}


def assert_sound(rehearsal: Rehearsal) -> None:
    """What holds whatever happens."""
    assert rehearsal.account()["on_outside_interlock_s"] == 0.0
    assert np.all(np.diff(rehearsal.times_s()) > 0.0)
    indices = [event.sample_index for event in rehearsal.events]
    assert indices == sorted(indices)
    for record in rehearsal.records:
        for mode in record.modes.values():
            values = (mode.frequency_hz, mode.frequency_sigma_hz, mode.amplitude)
            assert all(value is None or np.isfinite(value) for value in values)
            if mode.state in (TrackerState.LOCKED, TrackerState.HOLDING):
                assert mode.frequency_hz is not None
        assert (record.pump_amplitude > 0.0) <= (record.pump_state is PumpState.ON)


@pytest.mark.parametrize("stage", STAGES_S)
@pytest.mark.parametrize("what", SPOILERS)
def test_a_tenth_of_a_second_of_anything_is_survived_at_every_stage(what: str, stage: str) -> None:
    from_s = STAGES_S[stage]
    rehearsal = prepared(
        "quiet_room", SHORT, filtered=spoilt(SPOILERS[what], from_s, from_s + 0.1)
    ).until(15.0)
    assert_sound(rehearsal)
    assert rehearsal.pump_is_on()
    assert rehearsal.records[-1].pump_hz == pytest.approx(6643.249, abs=5e-3)


@pytest.mark.parametrize("what", ["lost", "not a number", "a constant", "noise only"])
def test_no_lock_is_claimed_while_there_is_nothing_to_see(what: str) -> None:
    rehearsal = prepared("quiet_room", SHORT, filtered=spoilt(SPOILERS[what], 8.0, 11.0)).until(
        11.0
    )
    assert_sound(rehearsal)
    during = [r for r in rehearsal.records if r.time_s > 8.15]
    for record in during:
        assert all(m.state is not TrackerState.LOCKED for m in record.modes.values())
        assert record.pump_state is not PumpState.ON
    assert not rehearsal.pump_is_on()


def test_while_holding_the_stated_uncertainty_grows() -> None:
    rehearsal = prepared(
        "quiet_room", SHORT, filtered=spoilt(SPOILERS["noise only"], 8.0, 14.0)
    ).until(14.0)
    for mode in ModeId:
        held = [
            r.modes[mode].frequency_sigma_hz
            for r in rehearsal.records
            if r.modes[mode].state is TrackerState.HOLDING
        ]
        assert len(held) > 40 and np.all(np.diff(held) > 0.0)  # type: ignore[arg-type]


def test_late_blocks_take_the_pump_off_until_the_stream_is_healthy_again() -> None:
    """The runner asks for silence when a block stays away; 500 blocks are ten seconds."""
    rehearsal = prepared("quiet_room", {**SHORT, FAULTS + "timeouts": [500, 501]}).until(12.0)
    assert_sound(rehearsal)
    [mute] = rehearsal.events_of("pump", "mute")
    assert mute.time_s == pytest.approx(10.02)
    assert "the stream stayed away" in mute.text
    back_s = rehearsal.on_again_s(10.0)
    assert back_s is not None and back_s - 10.0 >= 0.5


# -- the ping ------------------------------------------------------------------------------


def test_a_ping_that_overloads_is_repeated_more_quietly_and_limits_the_drive() -> None:
    """Feed-through of 1.5 nm per volt: both drives at 10 V make 30 nm of a range of 20 nm."""
    loud = {"instrument.options.detector.drive_feedthrough_m_per_unit": [1.5e-9, 0.0]}
    rehearsal = prepared("quiet_room", {**SHORT, **loud}).until(40.0)
    assert len(rehearsal.events_of("search", "quieter")) == 1
    assert rehearsal.pump_is_on()
    driven = [t.asked.amplitude for t in rehearsal.tones if t.asked.channel == "drive_lower"]
    assert max(driven[5:]) <= 2.5
    assert_sound(rehearsal)


def test_a_detector_that_is_always_overloaded_is_not_pinged_ever_more_quietly() -> None:
    rehearsal = prepared(
        "quiet_room", SHORT, filtered=lambda block: [replace(block, overload=True)]
    ).until(15.0)
    assert len(rehearsal.events_of("search", "quieter")) == 7
    # It may lock in spite of the flag, but the pump never comes on.
    rehearsal.until(40.0)
    assert rehearsal.pump_edges_s() == []


# -- modes -----------------------------------------------------------------------------------


def test_two_trackers_on_one_line_keep_the_pump_off() -> None:
    """Both ranges hold one line only: whatever is followed, the difference is not that."""
    one = {
        "instrument.options.lower.frequency_hz": 1_043_700.0,
        "modes.lower.frequency_hz": 1_050_330.0,
        "modes.lower.search_hz": 100.0,
        "modes.upper.frequency_hz": 1_050_340.0,
        "modes.upper.search_hz": 100.0,
    }
    rehearsal = prepared("quiet_room", {**SHORT, **one}).until(40.0)
    assert rehearsal.pump_edges_s() == []
    assert_sound(rehearsal)


def test_trackers_that_come_to_one_line_leave_the_window() -> None:
    """A jump brings the upper mode's frequency down to the lower one's tracker."""
    rehearsal = prepared("quiet_room", SHORT).until(8.0)
    pair = rehearsal.following.pair
    assert rehearsal.pump_is_on()
    real = pair.joint.process
    pair.joint.process = lambda *args, **more: replace(  # type: ignore[method-assign]
        real(*args, **more), difference_hz=0.02
    )
    rehearsal.until(8.2)
    assert not rehearsal.pump_is_on()
    assert "left 6450 to 6850 Hz" in rehearsal.events_of("pump", "interlock_open")[-1].text


def test_a_dead_drive_leaves_its_mode_in_thermal_motion_and_the_pump_off() -> None:
    dead = {"instrument.options.upper.drive_newton_per_unit": 0.0}
    rehearsal = prepared("quiet_room", {**SHORT, **dead, "drive.ping_s": 0.05}).until(30.0)
    assert rehearsal.pump_edges_s() == []
    assert_sound(rehearsal)


# -- tones -------------------------------------------------------------------------------------


@pytest.mark.parametrize("channel", ["drive_lower", "drive_upper", "pump"])
@pytest.mark.parametrize("failing", [(1,), (2,), (3, 4), (10, 11, 12), (40,), (41, 45)])
def test_any_refused_command_is_survived(channel: str, failing: tuple[int, ...]) -> None:
    count = 0

    def refuses(tone: Tone) -> bool:
        nonlocal count
        count += tone.channel == channel
        return tone.channel == channel and count in failing

    rehearsal = prepared("quiet_room", SHORT, refuses=refuses).until(16.0)
    assert_sound(rehearsal)
    assert rehearsal.pump_is_on()


def test_a_pump_that_is_always_refused_is_never_called_on_for_long() -> None:
    def refuses(tone: Tone) -> bool:
        return tone.channel == "pump" and tone.amplitude > 0.0

    rehearsal = prepared("quiet_room", SHORT, refuses=refuses).until(12.0)
    assert all(record.pump_amplitude == 0.0 for record in rehearsal.records)
    assert rehearsal.events_of("pump", "mute")
    assert_sound(rehearsal)


@pytest.mark.parametrize("options", [{}, {"instrument.options.block_s": 1.0}])
def test_the_end_of_a_run_leaves_every_output_silent(options: dict[str, Any]) -> None:
    rehearsal = prepared("quiet_room", {**SHORT, **options}).until(10.0).finish()
    last = {entry.asked.channel: entry.asked.amplitude for entry in rehearsal.tones}
    assert last == {"pump": 0.0, "drive_lower": 0.0, "drive_upper": 0.0}
