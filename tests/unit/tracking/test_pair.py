"""Two trackers on one stream: rates, ticks, gaps, retuning, strong neighbours."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable

import numpy as np
import pytest

from controller.records import ModeId, TrackerState
from controller.tracking.joint import JointEstimator
from controller.tracking.joint_bank import Strengths
from controller.tracking.joint_motion import PumpAction
from controller.tracking.joint_prior import JointConfig
from controller.tracking.pair import (
    Influence,
    PairConfig,
    Tick,
    TrackedPair,
    mean_and_early_action,
    pair_config,
)
from controller.tracking.phase_tracker import PhaseTracker, PhaseTrackerConfig

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER
RATE_HZ, CENTER_HZ = 50.0e3, 1.0e6
CONFIG = pair_config(RATE_HZ, CENTER_HZ, True, 6.0e3, 0.1)
DENSITY = 1.0e-5
FOUND_HZ = {LOWER: CENTER_HZ - 3000.2, UPPER: CENTER_HZ + 2999.7}
TRUE_HZ = {LOWER: CENTER_HZ - 3000.0, UPPER: CENTER_HZ + 3000.0}


class Nothing:
    """Neither drive nor pump."""

    def feedthrough(self, mode: ModeId, mix_hz: float, centers: np.ndarray) -> None:
        """No leak."""
        return

    def action(self, pair: TrackedPair, center_index: float) -> PumpAction:
        """No pull."""
        return PumpAction()


NOTHING = Nothing()


def tracked_pair(
    config: PairConfig = CONFIG,
    first_index: int = 0,
    amplitudes: tuple[float, float] = (1.0, 1.0),
) -> TrackedPair:
    """A pair that was told of both lines."""
    trackers = {}
    for mode, amplitude in zip(ModeId, amplitudes, strict=True):
        trackers[mode] = PhaseTracker(
            PhaseTrackerConfig(update_s=config.update_s, detector_noise=DENSITY, settle_s=0.2)
        )
        trackers[mode].start(turns=0.0, offset_hz=0.0, frequency_sigma_hz=0.3, amplitude=amplitude)
    joint = JointEstimator(
        JointConfig(
            lower_reference_hz=FOUND_HZ[LOWER],
            upper_reference_hz=FOUND_HZ[UPPER],
            frequency_sigma_hz=0.3,
            strengths=Strengths(shared_walk=1.0e-6, separate_walk=1.0e-8),
        )
    )
    return TrackedPair(config, FOUND_HZ, trackers, joint, first_index)


def turns_of(mode: ModeId, indices: np.ndarray, chirp_hz_per_s: float = 0.0) -> np.ndarray:
    """Phase of a line against the centre of the stream [turns]."""
    t = indices / RATE_HZ
    return (TRUE_HZ[mode] - CENTER_HZ) * t + 0.5 * chirp_hz_per_s * t * t + 0.1


def stream(
    first_index: int,
    samples: int,
    *,
    amplitudes: tuple[float, float] = (1.0, 1.0),
    chirp_hz_per_s: float = 0.0,
) -> np.ndarray:
    """Both lines with detector noise."""
    indices = first_index + np.arange(samples)
    rng = np.random.default_rng(first_index)
    noise = DENSITY * math.sqrt(RATE_HZ) * rng.standard_normal((2, samples))
    total = noise[0] + 1j * noise[1]
    for mode, amplitude in zip(ModeId, amplitudes, strict=True):
        total += amplitude * np.exp(2j * np.pi * turns_of(mode, indices, chirp_hz_per_s))
    return total.astype(np.complex64)


def fed(
    pair: TrackedPair,
    samples: np.ndarray,
    first_index: int,
    lengths: Iterable[int],
    influence: Influence = NOTHING,
) -> list[Tick]:
    """Ticks from a record that is handed over in blocks, the last one with the rest."""
    ticks, start = [], 0
    for length in (*lengths, len(samples)):
        block = samples[start : start + length]
        ticks += pair.process(block, first_index + start, influence)
        start += len(block)
    return ticks


SECOND = round(RATE_HZ)


def locked() -> TrackedPair:
    """A pair after a second and a half of the stream."""
    pair = tracked_pair()
    fed(pair, stream(0, 3 * SECOND // 2), 0, [])
    assert all(tracker.state is TrackerState.LOCKED for tracker in pair.trackers.values())
    return pair


# -- rates ----------------------------------------


@pytest.mark.parametrize("rate_hz", [4.0e3, 48.0e3, 50.0e3, 5.0e6])
@pytest.mark.parametrize("spacing_hz", [1.02, 5.65, 120.0, 7.5e3])
def test_the_neighbour_lies_in_the_stop_band(rate_hz: float, spacing_hz: float) -> None:
    config = pair_config(rate_hz, 0.0, False, spacing_hz, 0.1)
    baseband_hz = rate_hz / config.decimation
    # Decimation is a whole number: half of one in `decimation` either way.
    assert spacing_hz >= 0.9 * baseband_hz * (1.0 - 0.5 / config.decimation)
    assert config.samples_per_update >= 1
    assert config.updates_per_tick >= 1


def test_wide_spacing_gives_updates_of_20_ms_and_the_wanted_ticks() -> None:
    assert CONFIG.update_s == pytest.approx(0.02)
    assert CONFIG.tick_s == pytest.approx(0.1)


# -- the standard facts ----------------------------------------


@pytest.mark.parametrize("lengths", [[1] * 40, [0, 3, 0, 997, 1], [12_345] * 5])
def test_any_split_gives_the_same_ticks(lengths: list[int]) -> None:
    samples = stream(77, SECOND)
    whole = fed(tracked_pair(first_index=77), samples, 77, [])
    split = fed(tracked_pair(first_index=77), samples, 77, lengths)
    assert [tick.center_index for tick in split] == [tick.center_index for tick in whole]
    for one, other in zip(split, whole, strict=True):
        # float32 products in another order: 1e-6 of an amplitude, in 20 ms.
        assert one.modes[LOWER].frequency_hz == pytest.approx(
            other.modes[LOWER].frequency_hz, abs=1.0e-6 / (2.0 * math.pi * 0.02)
        )


def test_a_copy_goes_on_alike_and_on_its_own() -> None:
    original = locked()
    twin = original.copy()
    following = stream(3 * SECOND // 2, SECOND // 2)
    ticks = fed(original, following, 3 * SECOND // 2, [])
    assert repr(twin) != repr(original)
    again = fed(twin, following, 3 * SECOND // 2, [])
    assert again == ticks
    assert repr(twin) == repr(original)


def test_reset_equals_new() -> None:
    pair = locked()
    fed(pair, stream(3 * SECOND // 2, 333), 3 * SECOND // 2, [])
    pair.reset(9)
    new = tracked_pair(first_index=9)
    for made in (pair, new):
        for tracker in made.trackers.values():
            tracker.reset()
            tracker.start(turns=0.0, offset_hz=0.0, frequency_sigma_hz=0.3, amplitude=1.0)
    samples = stream(9, SECOND // 2)
    assert fed(pair, samples, 9, []) == fed(new, samples, 9, [])


def test_the_repr_shows_both_states() -> None:
    assert repr(locked()).count("locked") == 2


# -- ticks ----------------------------------------


def test_ticks_follow_on_one_another_from_the_first_update_on() -> None:
    ticks = fed(tracked_pair(), stream(0, SECOND), 0, [])
    centers = np.array([tick.center_index for tick in ticks])
    np.testing.assert_array_equal(np.diff(centers), CONFIG.tick_s * RATE_HZ)
    assert all(set(tick.modes) == set(ModeId) for tick in ticks)


@pytest.mark.parametrize(
    ("samples_per_update", "updates_per_tick"), [(1, 1), (1, 2), (8, 1), (8, 2), (3, 4)]
)
def test_short_updates_and_ticks_do(samples_per_update: int, updates_per_tick: int) -> None:
    config = dataclasses.replace(
        CONFIG, samples_per_update=samples_per_update, updates_per_tick=updates_per_tick
    )
    ticks = fed(tracked_pair(config), stream(0, 2 * SECOND), 0, [5000] * 8)
    last = ticks[-1]
    np.testing.assert_allclose(
        np.diff([tick.center_index for tick in ticks]), config.tick_s * RATE_HZ
    )
    for mode in ModeId:
        snapshot = last.modes[mode]
        assert snapshot.state is TrackerState.LOCKED
        assert abs(snapshot.frequency_hz - TRUE_HZ[mode]) < 4.0 * snapshot.frequency_sigma_hz


def test_the_joint_estimate_has_the_difference() -> None:
    ticks = fed(tracked_pair(), stream(0, 4 * SECOND), 0, [])
    joint = ticks[-1].joint
    assert abs(joint.difference_hz - 6000.0) < 4.0 * joint.difference_sigma_hz
    assert abs(joint.lower_hz - TRUE_HZ[LOWER]) < 4.0 * joint.lower_sigma_hz
    assert abs(joint.upper_hz - TRUE_HZ[UPPER]) < 4.0 * joint.upper_sigma_hz


@pytest.mark.parametrize("mode", list(ModeId))
def test_the_motion_has_the_phase_of_the_displacement(mode: ModeId) -> None:
    pair = locked()
    index = 3 * SECOND // 2 + 123.5
    # Absolute phase: that against the centre, and the centre's own.
    true_turns = float(turns_of(mode, np.array([index]))[0]) + CENTER_HZ * index / RATE_HZ
    error = (pair.motion_turns(mode, index) - true_turns + 0.5) % 1.0 - 0.5
    noise_turns = DENSITY / math.sqrt(CONFIG.update_s) / (2.0 * math.pi)
    late_s = 0.05  # since the last update's centre, by the filter's delay
    sigma_turns = math.hypot(noise_turns, late_s * pair.trackers[mode].frequency_sigma_hz)
    assert abs(error) < 5.0 * sigma_turns
    assert pair.motion_hz(mode) == pytest.approx(TRUE_HZ[mode], abs=0.01)


# -- gaps ----------------------------------------


@pytest.mark.parametrize("into_the_tick", [0.01, 0.03, 0.07])
def test_a_gap_anywhere_in_a_tick_leaves_whole_ticks(into_the_tick: float) -> None:
    pair = tracked_pair()
    stop = round((1.5 + into_the_tick) * RATE_HZ)
    before = fed(pair, stream(0, stop), 0, [])
    resume = stop + SECOND // 3
    pair.interrupt(resume, "a gap")
    assert all(tracker.state is TrackerState.HOLDING for tracker in pair.trackers.values())
    after = fed(pair, stream(resume, SECOND), resume, [])
    first = after[0]
    assert set(first.modes) == set(ModeId)
    assert first.center_index > resume
    assert first.modes[LOWER].state is TrackerState.HOLDING
    assert first.modes[LOWER].frequency_hz == before[-1].modes[LOWER].frequency_hz or (
        first.modes[LOWER].frequency_sigma_hz > before[-1].modes[LOWER].frequency_sigma_hz
    )
    assert first.joint.difference_sigma_hz > before[-1].joint.difference_sigma_hz
    assert after[-1].modes[LOWER].state is TrackerState.LOCKED
    for mode in ModeId:
        snapshot = after[-1].modes[mode]
        assert abs(snapshot.frequency_hz - TRUE_HZ[mode]) < 4.0 * snapshot.frequency_sigma_hz


def test_the_joint_estimate_bridges_a_gap() -> None:
    """Its phases go on: after the gap the difference is known better than from before it."""
    pair = tracked_pair()
    before = fed(pair, stream(0, 2 * SECOND), 0, [])
    resume = 2 * SECOND + SECOND // 2
    pair.interrupt(resume, "a gap")
    after = fed(pair, stream(resume, SECOND), resume, [])
    last = after[-1].joint
    assert last.difference_sigma_hz < before[-1].joint.difference_sigma_hz
    assert abs(last.difference_hz - 6000.0) < 4.0 * last.difference_sigma_hz


# -- retuning ----------------------------------------


def test_a_retune_leaves_phases_ticks_and_lock_as_they_were() -> None:
    """Both lines drift by 14 Hz; a quarter of the pass band is 10 Hz."""
    chirp_hz_per_s, seconds = 2.0, 7
    pair = tracked_pair()
    turns: dict[ModeId, list[float]] = {mode: [] for mode in ModeId}
    taken = pair.joint.process

    def note(duration_s, reading, pump, **more):  # type: ignore[no-untyped-def]
        if reading.lower_turns is not None and reading.upper_turns is not None:
            turns[LOWER].append(reading.lower_turns)
            turns[UPPER].append(reading.upper_turns)
        return taken(duration_s, reading, pump, **more)

    pair.joint.process = note  # type: ignore[method-assign]
    samples = stream(0, seconds * SECOND, chirp_hz_per_s=chirp_hz_per_s)
    ticks = fed(pair, samples, 0, [777] * 400)
    mixed_by_hz = FOUND_HZ[LOWER] - (pair.frequency_hz(LOWER) - pair.trackers[LOWER].offset_hz)
    assert abs(mixed_by_hz) > 9.0  # it was mixed anew
    np.testing.assert_array_equal(
        np.diff([tick.center_index for tick in ticks]), CONFIG.tick_s * RATE_HZ
    )
    for mode in ModeId:
        assert ticks[-1].modes[mode].state is TrackerState.LOCKED
        assert ticks[-1].modes[mode].cycle_slips == 0
        # A chirp has the constant second difference chirp * tick^2.
        second = np.diff(turns[mode], 2) - chirp_hz_per_s * CONFIG.tick_s**2
        noise_turns = DENSITY / math.sqrt(CONFIG.tick_s) / (2.0 * math.pi)
        assert np.abs(second).max() < 5.0 * math.sqrt(6.0) * noise_turns + 1.0e-6  # float32


def test_a_mode_at_the_edge_of_the_stream_is_not_mixed_beyond_it() -> None:
    edge_hz = CENTER_HZ + 0.5 * RATE_HZ
    pair = tracked_pair()
    pair.trackers[UPPER].offset_hz = edge_hz + 50.0 - FOUND_HZ[UPPER]
    pair.trackers[UPPER].state = TrackerState.LOCKED
    pair.center_index = 1000.0
    frequency_hz = pair.frequency_hz(UPPER)
    pair._retune_if_needed()
    assert pair.frequency_hz(UPPER) == pytest.approx(frequency_hz, abs=1e-6)
    assert pair.trackers[UPPER].offset_hz == pytest.approx(50.0, abs=1e-6)


# -- strong neighbour ----------------------------------------


def test_a_neighbour_60_db_stronger_does_not_pull() -> None:
    """What is left of it after the stop band, -100 dB, is 1 % of the weak line.

    It turns against the weak line, so the phase swings by at most 0.01 rad and comes back:
    over a time T the frequency is off by less than 2 * 0.01 / (2 pi T).
    """
    amplitudes = (1.0, 1.0e-3)
    pair = tracked_pair(amplitudes=amplitudes)
    seconds = 5
    ticks = fed(pair, stream(0, seconds * SECOND, amplitudes=amplitudes), 0, [])
    settled = [tick.modes[UPPER] for tick in ticks if tick.center_index > SECOND]
    assert all(snapshot.state is TrackerState.LOCKED for snapshot in settled)
    swing_turns = 1.0e-2 / (2.0 * math.pi)
    noise_hz = math.sqrt(12.0) * DENSITY / amplitudes[1] / (seconds - 1) ** 1.5 / (2.0 * math.pi)
    mean_hz = np.mean([snapshot.frequency_hz for snapshot in settled])
    assert abs(mean_hz - TRUE_HZ[UPPER]) < 2.0 * swing_turns / (seconds - 1) + 4.0 * noise_hz
    for snapshot in settled:
        assert abs(snapshot.frequency_hz - TRUE_HZ[UPPER]) < 5.0 * snapshot.frequency_sigma_hz
        # Amplitude likewise.
        assert abs(snapshot.amplitude / amplitudes[1] - 1.0) < 0.01 + 5.0 * (
            snapshot.amplitude_sigma / amplitudes[1]
        )


# -- actions ----------------------------------------


def test_a_steady_action_is_its_own_mean() -> None:
    action = PumpAction(squared=0.25, lower_pull=0.5j, upper_known_hz=0.01)
    assert mean_and_early_action([action] * 5) == (action, action)


def test_what_came_early_weighs_by_the_time_that_was_left() -> None:
    """An action over the first part of n has (2 n - 1) / n of its mean's weight."""
    parts = [PumpAction(squared=1.0, lower_pull=2.0, upper_known_hz=3.0)] + [PumpAction()] * 4
    mean, early = mean_and_early_action(parts)
    assert mean.squared == pytest.approx(0.2)
    assert early.squared == pytest.approx(0.2 * 9.0 / 5.0)
    assert early.lower_pull == pytest.approx(2.0 * early.squared)
    late = mean_and_early_action(parts[::-1])[1]
    assert late.squared == pytest.approx(0.2 / 5.0)


class KnownPull(Nothing):
    """A drive off 90 degrees: it turns the lower phase by 0.05 Hz."""

    def action(self, pair: TrackedPair, center_index: float) -> PumpAction:
        """The pull."""
        return PumpAction(lower_known_hz=0.05)


def test_what_is_known_to_pull_is_not_in_the_bare_frequency() -> None:
    pair = tracked_pair()
    last = fed(pair, stream(0, 3 * SECOND), 0, [], KnownPull())[-1]
    snapshot = last.modes[LOWER]
    bare_hz = TRUE_HZ[LOWER] - 0.05
    assert abs(snapshot.frequency_hz - bare_hz) < 4.0 * snapshot.frequency_sigma_hz
    assert abs(last.joint.lower_hz - bare_hz) < 4.0 * last.joint.lower_sigma_hz
    assert abs(last.joint.difference_hz - 6000.05) < 4.0 * last.joint.difference_sigma_hz
    assert pair.motion_hz(LOWER) == pytest.approx(pair.frequency_hz(LOWER) + 0.05)


class Leak(Nothing):
    """The drive of the lower mode on the detector, 7 Hz beside it and half as strong."""

    def __init__(self) -> None:
        self.turns_per_sample = (TRUE_HZ[LOWER] + 7.0 - CENTER_HZ) / RATE_HZ

    def in_stream(self, indices: np.ndarray) -> np.ndarray:
        """As the stream has it, around the centre."""
        return 0.5 * np.exp(2j * np.pi * self.turns_per_sample * indices)

    def feedthrough(self, mode: ModeId, mix_hz: float, centers: np.ndarray) -> np.ndarray | None:
        """As the baseband has it."""
        if mode is not LOWER:
            return None
        turns = self.turns_per_sample - (mix_hz - CENTER_HZ) / RATE_HZ
        return 0.5 * np.exp(2j * np.pi * turns * centers)


def test_a_known_leak_is_taken_out() -> None:
    leak = Leak()
    samples = stream(0, 2 * SECOND) + leak.in_stream(np.arange(2 * SECOND)).astype(np.complex64)
    last = fed(tracked_pair(), samples, 0, [], leak)[-1].modes[LOWER]
    assert last.state is TrackerState.LOCKED
    assert abs(last.frequency_hz - TRUE_HZ[LOWER]) < 4.0 * last.frequency_sigma_hz
    # The pass band is flat to 0.01 dB: a thousandth of the leak may stay.
    assert last.amplitude == pytest.approx(1.0, abs=0.5e-3 + 4.0 * last.amplitude_sigma)


# -- kept means --------------------------------------------------------------------------


def absolute_turns(mode: ModeId, index: float) -> float:
    """Phase of a line of the stream, with that of the centre [turns]."""
    return float(turns_of(mode, np.array([index]))[0]) + CENTER_HZ * index / RATE_HZ


def test_means_are_kept_while_they_are_wanted_and_handed_over_once() -> None:
    pair = locked()
    assert pair.kept_means() == []
    pair.keeps_means = True
    fed(pair, stream(3 * SECOND // 2, SECOND // 2), 3 * SECOND // 2, [1234] * 7)
    kept = pair.kept_means()
    assert np.all(np.diff([each.center_index for each in kept]) == CONFIG.update_s * RATE_HZ)
    assert len(kept) == round(0.5 / CONFIG.update_s)
    assert pair.kept_means() == []
    pair.keeps_means = False
    fed(pair, stream(2 * SECOND, SECOND // 10), 2 * SECOND, [])
    assert pair.kept_means() == []


def test_kept_means_are_the_lines_against_the_mix_oscillators() -> None:
    pair = locked()
    pair.keeps_means = True
    fed(pair, stream(3 * SECOND // 2, SECOND // 2), 3 * SECOND // 2, [])
    noise = DENSITY / math.sqrt(CONFIG.update_s)  # in each quadrature (physics.md)
    for each in pair.kept_means():
        assert each.duration_s == CONFIG.update_s
        for mean, turns, mode in zip(each.means, each.oscillator_turns, ModeId, strict=True):
            expected = np.exp(2j * np.pi * (absolute_turns(mode, each.center_index) - turns))
            # 1e-3: the pass band is flat to 0.01 dB.
            assert abs(mean - expected) < 1.0e-3 + 5.0 * noise


def test_a_line_off_its_oscillator_keeps_its_amplitude_in_the_mean() -> None:
    """5 Hz off would cost (pi 5 Hz 20 ms)^2 / 6 = 1.6 % in a plain mean."""
    pair = tracked_pair()
    pair.keeps_means = True
    # Slow enough for the loop, and stopped before the oscillators are moved (at 10 Hz).
    fed(pair, stream(0, 3 * SECOND, chirp_hz_per_s=2.0), 0, [])
    last = pair.kept_means()[-1]
    assert pair.trackers[LOWER].offset_hz > 5.0
    for mean in last.means:
        assert abs(mean) == pytest.approx(1.0, abs=2.0e-3)


def test_a_known_leak_is_not_in_the_means() -> None:
    leak = Leak()
    pair = tracked_pair()
    pair.keeps_means = True
    samples = stream(0, 2 * SECOND) + leak.in_stream(np.arange(2 * SECOND)).astype(np.complex64)
    fed(pair, samples, 0, [], leak)
    for each in pair.kept_means()[-20:]:
        # A thousandth of the leak may stay; the beat of all of it would be 0.5.
        assert abs(each.means[0]) == pytest.approx(1.0, abs=3.0e-3)


# -- rest ------------------------------------------------------------------------------------


def test_a_joint_estimate_at_rest_keeps_what_it_knew() -> None:
    """Its sigma grows as without readings, while the loops go on."""
    pair = locked()
    twin = pair.copy()
    pair.is_joint_resting = True
    samples = stream(3 * SECOND // 2, SECOND)
    resting = fed(pair, samples, 3 * SECOND // 2, [])[-1]
    awake = fed(twin, samples, 3 * SECOND // 2, [])[-1]
    before = resting.joint.difference_sigma_hz
    assert before > awake.joint.difference_sigma_hz
    assert resting.modes == awake.modes
    pair.is_joint_resting = False
    later = fed(pair, stream(5 * SECOND // 2, SECOND), 5 * SECOND // 2, [])[-1]
    assert later.joint.difference_sigma_hz < before
    assert abs(later.joint.difference_hz - 6000.0) < 4.0 * later.joint.difference_sigma_hz


def test_reset_forgets_observer_and_what_was_wanted() -> None:
    pair = locked()
    pair.keeps_means = pair.is_joint_resting = True
    pair.observer = object()  # type: ignore[assignment]
    pair.reset()
    assert pair.observer is None
    assert not pair.keeps_means and not pair.is_joint_resting


def test_duffing_shifts_are_weighed_like_the_rest_of_an_action() -> None:
    parts = [PumpAction(lower_duffing_hz=1.0, upper_duffing_hz=-2.0), PumpAction()]
    mean, early = mean_and_early_action(parts)
    assert (mean.lower_duffing_hz, mean.upper_duffing_hz) == (0.5, -1.0)
    assert (early.lower_duffing_hz, early.upper_duffing_hz) == (0.75, -1.5)


def test_powers_are_weighed_where_all_are_known() -> None:
    parts = [PumpAction(powers=(1.0, 3.0)), PumpAction(powers=(2.0, 1.0))]
    mean, early = mean_and_early_action(parts)
    assert mean.powers == pytest.approx((1.5, 2.0))
    assert early.powers == pytest.approx((1.25, 2.5))
    assert mean_and_early_action([parts[0], PumpAction()])[0].powers is None


def test_an_announced_jump_widens_the_ticks_that_it_may_lie_in_and_no_others() -> None:
    """In the middle of a tick it is seen by that one, near an edge by both."""
    start = 3 * SECOND // 2
    ticks = fed(locked(), stream(start, SECOND), start, [])
    first = ticks[3].center_index
    tick = ticks[4].center_index - first
    for place, widened in ((0.0, {3}), (0.5, {3, 4}), (1.1, {4})):
        pair = locked()
        pair.announce_jump(round(first + place * tick), 0.05)
        sigmas_hz = [
            t.joint.difference_sigma_hz for t in fed(pair, stream(start, SECOND), start, [])
        ]
        plain_hz = [t.joint.difference_sigma_hz for t in ticks]
        rises = [
            n for n in range(1, len(ticks)) if sigmas_hz[n] > 1.5 * max(sigmas_hz[n - 1], 1e-9)
        ]
        assert sigmas_hz[:3] == plain_hz[:3]
        assert sigmas_hz[min(widened)] > plain_hz[min(widened)]
        assert set(rises) <= widened
