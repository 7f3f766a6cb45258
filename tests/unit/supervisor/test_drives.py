"""The drives of both modes: 90 degrees ahead, off where nothing is followed."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from controller.instrument import Tone, ToneChannel
from controller.records import ModeId, TrackerState
from controller.supervisor.drive import DriveConfig
from controller.supervisor.drives import DrivePath, Drives
from tests.support.pairs import KnownPair

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER
RATE_HZ = 50_000.0
CHANNELS = {
    mode: ToneChannel(f"drive_{mode}", "V", 10.0, 1.0e6, 1.1e6, 0, True, True) for mode in ModeId
}
CONFIG = DriveConfig(
    target_amplitude=1.0, decay_rate_per_s=0.09, max_amplitude=10.0, responsivity=0.14
)
STRAIGHT = DrivePath()


def pair() -> KnownPair:
    return KnownPair(
        frequencies_hz={LOWER: 1_043_728.37, UPPER: 1_050_371.62},
        start_turns={LOWER: 0.2, UPPER: 0.9},
    )


def ready(path: DrivePath = STRAIGHT) -> Drives:
    drives = Drives(CHANNELS, RATE_HZ)
    for mode in ModeId:
        drives.adopt(mode, CONFIG, path)
    return drives


def set_all(drives: Drives, tones: list[Tone]) -> None:
    for tone in tones:
        drives.tone_set(tone, tone)


def ahead_turns(tone: Tone, known: KnownPair, mode: ModeId, index: int) -> float:
    """By how much the tone leads the motion, in [-0.5, 0.5)."""
    assert tone.phase_rad is not None
    ahead = tone.phase_rad / (2.0 * math.pi) - known.motion_turns(mode, index)
    return (ahead + 0.5) % 1.0 - 0.5


@pytest.mark.parametrize("phase_turns", [0.0, 0.11, -0.4])
def test_each_force_is_90_degrees_ahead_whatever_its_line_adds(phase_turns: float) -> None:
    drives, known = ready(DrivePath(phase_turns=phase_turns)), pair()
    for mode in ModeId:
        known.trackers[mode].amplitude = 0.5
    for tone, mode in zip(drives.follow(known, 5000, is_disturbed=False), ModeId, strict=True):
        force = ahead_turns(tone, known, mode, 5000) + phase_turns
        assert (force + 0.5) % 1.0 - 0.5 == pytest.approx(0.25, abs=1e-6)
        assert (tone.channel, tone.at_sample) == (f"drive_{mode}", 5000)
        assert tone.frequency_hz == known.motion_hz(mode)
        assert 0.0 < tone.amplitude <= 10.0


def test_a_braking_force_is_90_degrees_behind() -> None:
    drives, known = ready(), pair()
    known.trackers[LOWER].amplitude = 3.0
    tone = drives.follow(known, 5000, is_disturbed=False)[0]
    assert tone.amplitude > 0.0
    assert ahead_turns(tone, known, LOWER, 5000) == pytest.approx(-0.25, abs=1e-6)


@pytest.mark.parametrize(
    "state", [TrackerState.PULLING_IN, TrackerState.HOLDING, TrackerState.LOST]
)
def test_a_mode_that_is_not_locked_is_not_driven(state: TrackerState) -> None:
    drives, known = ready(), pair()
    set_all(drives, drives.follow(known, 5000, is_disturbed=False))
    known.trackers[UPPER].state = state
    lower, upper = drives.follow(known, 10_000, is_disturbed=False)
    assert (upper.channel, upper.amplitude) == ("drive_upper", 0.0)
    assert lower.amplitude > 0.0
    set_all(drives, [lower, upper])
    assert [t.channel for t in drives.follow(known, 15_000, is_disturbed=False)] == ["drive_lower"]


def test_only_channels_that_there_are_are_driven() -> None:
    drives = Drives({LOWER: CHANNELS[LOWER]}, RATE_HZ)
    drives.adopt(LOWER, CONFIG, DrivePath())
    known = pair()
    assert len(drives.follow(known, 100, is_disturbed=False)) == 1
    assert drives.feedthrough(known, UPPER, 1.0, np.array([0.0])) is None
    assert drives.pull_hz(known, UPPER, 0.0, 0.0) == 0.0


def test_a_refused_off_is_asked_again_and_only_that() -> None:
    drives, known = ready(), pair()
    set_all(drives, drives.follow(known, 5000, is_disturbed=False))
    off = drives.off(UPPER, 6000)
    drives.tone_set(off, None)
    assert [(t.channel, t.amplitude) for t in drives.off_again(7000)] == [("drive_upper", 0.0)]
    drives.tone_set(off, off)
    assert drives.off_again(8000) == []
    on = replace(off, amplitude=1.0)
    drives.tone_set(on, None)
    assert drives.off_again(9000) == []


def test_all_off_names_every_channel() -> None:
    assert [t.channel for t in ready().all_off(1)] == ["drive_lower", "drive_upper"]


def test_the_time_between_calls_is_what_the_controller_learns_from() -> None:
    """Blocks of a second bring ten ticks at once, but one command."""
    drives, known = ready(), pair()
    drives.follow(known, 0, is_disturbed=False)
    controller = drives.controllers[LOWER]
    drive = controller.drive_amplitude
    assert drive > 0.0
    # A true responsivity of 0.14 moves the amplitude by b u in one second.
    known.trackers[LOWER].amplitude = 1.0 + (0.14 * drive - 0.045)
    drives.follow(known, round(RATE_HZ), is_disturbed=False)
    assert controller.responsivity == pytest.approx(0.14, rel=0.3)


def test_a_phase_that_slipped_makes_the_sign_doubtful() -> None:
    drives, known = ready(), pair()
    drives.follow(known, 5000, is_disturbed=False)
    known.trackers[LOWER].cycle_slips = 1
    drives.follow(known, 10_000, is_disturbed=False)
    lower, upper = (drives.controllers[mode]._reversal for mode in ModeId)
    assert lower > 10.0 and upper == 0.0


def test_a_drive_has_proven_itself_once_its_mode_is_held() -> None:
    drives, known = ready(), pair()
    known.trackers[UPPER].amplitude = 0.5
    drives.follow(known, 5000, is_disturbed=False)
    assert drives.has_proven(LOWER) and not drives.has_proven(UPPER)
    assert drives.unsettled(known) == [UPPER]


def test_feedthrough_is_the_tone_in_the_frame_of_the_baseband() -> None:
    drives, known = ready(DrivePath(feedthrough=0.02 - 0.01j)), pair()
    centers = np.arange(1000.0, 2000.0, 125.0)
    assert drives.feedthrough(known, LOWER, known.frequencies_hz[LOWER] - 1.0, centers) is None
    tone = Tone("drive_lower", 1300, known.frequencies_hz[LOWER] + 2.0, 4.0, 0.7)
    drives.tone_set(tone, tone)
    found = drives.feedthrough(known, LOWER, known.frequencies_hz[LOWER] - 1.0, centers)
    assert found is not None
    elapsed_s = (centers - 1300) / RATE_HZ
    phase = 0.7 + 2.0 * np.pi * tone.frequency_hz * elapsed_s
    frame = 2.0 * np.pi * np.array([known.oscillator_turns(LOWER, c) for c in centers])
    expected = (0.02 - 0.01j) * 4.0 * np.exp(1j * (phase - frame)) * (centers >= 1300)
    # 1e-6: phases of 1 MHz over 0.02 s are 2e4 turns, and float64 keeps 1e-12 of them.
    np.testing.assert_allclose(found, expected, atol=1e-6)


@pytest.mark.parametrize("off_turns", [0.0, 0.05, -0.1])
@pytest.mark.parametrize("turned", [1.0, -1.0])
def test_a_force_off_90_degrees_pulls_by_b_u_over_a_sine(off_turns: float, turned: float) -> None:
    """physics.md: in equilibrium, b u = gamma A / 2, this is (gamma / 4 pi) tan(off)."""
    drives, known = ready(), pair()
    drives.controllers[LOWER].responsivity *= turned
    drive = 0.045 / 0.14
    lead = 0.25 * turned + off_turns
    tone = Tone(
        "drive_lower",
        0,
        known.frequencies_hz[LOWER],
        drive,
        2.0 * math.pi * (known.start_turns[LOWER] + lead),
    )
    drives.tone_set(tone, tone)
    pull_hz = drives.pull_hz(known, LOWER, known.motion_turns(LOWER, 500.0), 500.0)
    expected_hz = 0.09 / (4.0 * math.pi) * math.sin(2.0 * math.pi * off_turns)
    # 1e-9 turns of rounding at 1 MHz times gamma / 2.
    assert pull_hz == pytest.approx(expected_hz, abs=1e-8)


def test_a_mode_that_is_not_locked_is_not_pulled() -> None:
    drives, known = ready(), pair()
    tone = Tone("drive_lower", 0, known.frequencies_hz[LOWER], 1.0, 0.0)
    drives.tone_set(tone, tone)
    known.trackers[LOWER].state = TrackerState.HOLDING
    assert drives.pull_hz(known, LOWER, 0.0, 100.0) == 0.0


def test_a_mode_is_held_where_it_is_aimed_at() -> None:
    drives, known = ready(), pair()
    drives.aim(UPPER, 0.5)
    lower, upper = drives.follow(known, 5000, is_disturbed=False)
    assert ahead_turns(lower, known, LOWER, 5000) == pytest.approx(0.25, abs=1e-6)
    assert ahead_turns(upper, known, UPPER, 5000) == pytest.approx(-0.25, abs=1e-6)  # it brakes
    known.trackers[UPPER].amplitude = 0.4
    assert drives.unsettled(known) == [UPPER]
    known.trackers[UPPER].amplitude = 0.5
    assert drives.unsettled(known) == []


@pytest.mark.parametrize(
    ("amplitude", "ramps"), [(0.2, True), (0.4, False), (0.7, False), (1, True)]
)
def test_a_drive_ramps_while_it_is_far_from_its_amplitude(amplitude: float, ramps: bool) -> None:
    drives, known = ready(), pair()
    drives.aim(UPPER, 0.5)
    known.trackers[LOWER].amplitude = drives.controllers[LOWER].config.target_amplitude
    known.trackers[UPPER].amplitude = amplitude
    assert drives.are_ramping(known) is ramps
    drives.released.add(UPPER)
    assert not drives.are_ramping(known)


def test_an_aim_keeps_what_was_learnt_of_the_drive() -> None:
    drives = ready()
    drives.controllers[LOWER].responsivity = 0.2
    drives.aim(LOWER, 3.0)
    assert drives.controllers[LOWER].responsivity == 0.2
    assert drives.controllers[LOWER].config.decay_rate_per_s == CONFIG.decay_rate_per_s


def test_a_mode_without_a_drive_cannot_be_aimed_at() -> None:
    drives = Drives({LOWER: CHANNELS[LOWER]}, RATE_HZ)
    drives.aim(UPPER, 1.0)
    assert drives.controllers == {}


def test_a_released_mode_is_not_driven_and_not_waited_for() -> None:
    drives, known = ready(), pair()
    set_all(drives, drives.follow(known, 5000, is_disturbed=False))
    known.trackers[LOWER].amplitude = 0.1
    drives.released.add(LOWER)
    lower, upper = drives.follow(known, 10_000, is_disturbed=False)
    assert (lower.amplitude, upper.amplitude > 0.0) == (0.0, True)
    assert drives.unsettled(known) == []


def test_reset_forgets_everything() -> None:
    drives, known = ready(), pair()
    set_all(drives, drives.follow(known, 5000, is_disturbed=False))
    drives.reset()
    assert drives.follow(known, 10_000, is_disturbed=False) == []
    assert "0.000000 Hz" in repr(drives)
