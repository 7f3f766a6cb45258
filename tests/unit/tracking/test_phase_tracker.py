"""The phase tracker keeps its promises: locks, holds, returns, and says how sure it is."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pytest
from scipy.stats import chi2

from controller.records import TrackerState
from controller.tracking.phase_tracker import PhaseTracker, PhaseTrackerConfig
from tests.support.phases import (
    BASEBAND_RATE_HZ,
    SAMPLES_PER_UPDATE,
    UPDATE_S,
    follow,
    line,
    times_s,
)

TWO_PI = 2.0 * math.pi
DENSITY = 1.0e-4
OFFSET_HZ = 0.31
CONFIG = PhaseTrackerConfig(update_s=UPDATE_S, detector_noise=DENSITY)


def started(config: PhaseTrackerConfig = CONFIG, *, amplitude: float = 1.0) -> PhaseTracker:
    made = PhaseTracker(config)
    made.start(turns=0.0, offset_hz=0.3, frequency_sigma_hz=0.05, amplitude=amplitude)
    return made


def steady(
    duration_s: float, *, from_s: float = 0.0, seed: int = 1, offset_hz: float = OFFSET_HZ
) -> np.ndarray:
    """A line of amplitude 1 with detector noise; its phase goes on from `from_s`."""
    rng = np.random.default_rng(seed)
    return line(offset_hz * (from_s + times_s(duration_s)) + 0.2, 1.0, DENSITY, rng)


def locked(config: PhaseTrackerConfig = CONFIG) -> PhaseTracker:
    """A tracker that has followed `steady` for two seconds."""
    made = started(config)
    follow(made, steady(2.0))
    assert made.state is TrackerState.LOCKED
    return made


def states_over(made: PhaseTracker, samples: np.ndarray) -> list[TrackerState]:
    """The states a tracker went through, repeats left out."""
    states = [made.state]

    def note(_: object) -> None:
        if made.state is not states[-1]:
            states.append(made.state)

    follow(made, samples, note)
    return states


# -- the standard facts ------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("update_s", 0.0),
        ("detector_noise", -1.0e-4),
        ("settle_s", 0.0),
        ("hold_s", -3.0),
        ("relock_s", 0.0),
        ("learning_s", 0.0),
        ("thermal_amplitude", -0.5),
        ("decay_rate_per_s", -0.25),
        ("walk_hz_per_root_s", -0.125),
        ("growth_walk_per_s_per_root_s", -2.0),
        ("update_s", math.nan),
    ],
)
def test_a_bad_config_is_refused_with_its_value(name: str, value: float) -> None:
    changes: dict[str, Any] = {name: value}
    with pytest.raises(ValueError, match=f"{name} is {value}"):
        dataclasses.replace(CONFIG, **changes)


def test_a_copy_goes_on_alike_and_on_its_own() -> None:
    original = locked()
    twin = original.copy()
    follow(original, steady(1.0, from_s=2.0, seed=2))
    ahead = original.turns
    follow(twin, steady(1.0, from_s=2.0, seed=2))
    assert twin.turns == ahead == original.turns
    assert vars(twin) == vars(original)


def test_reset_equals_new() -> None:
    made = locked()
    made.walk_hz_per_root_s, made.diffusion_scale = 1.0, 2.0
    made.reset()
    assert vars(made) == vars(PhaseTracker(CONFIG))


def test_the_repr_shows_the_state() -> None:
    assert "locked" in repr(locked())


def test_updates_of_one_sample_do() -> None:
    config = dataclasses.replace(CONFIG, update_s=1.0 / BASEBAND_RATE_HZ)
    made = started(config)
    for sample in steady(2.0):
        made.process(np.array([sample]), np.zeros(1), config.update_s)
    assert made.state is TrackerState.LOCKED
    assert abs(made.offset_hz - OFFSET_HZ) < 4.0 * made.frequency_sigma_hz


@pytest.mark.parametrize("state", [TrackerState.SEARCHING, TrackerState.LOST])
def test_without_a_line_nothing_is_read(state: TrackerState) -> None:
    made = PhaseTracker(CONFIG)
    made.state = state
    before = vars(made.copy())
    reading = made.process(np.ones(8), np.zeros(8), UPDATE_S)
    assert not reading.is_valid
    assert vars(made) == before


# -- locking -------------------------------------------------------------------------


def test_a_found_line_is_pulled_in_and_locked() -> None:
    made = PhaseTracker(CONFIG)
    assert made.state is TrackerState.SEARCHING
    made.start(turns=0.0, offset_hz=0.3, frequency_sigma_hz=0.05, amplitude=1.0)
    assert states_over(made, steady(1.0)) == [TrackerState.PULLING_IN, TrackerState.LOCKED]


def test_it_is_not_locked_before_the_settling_time() -> None:
    made = started()
    follow(made, steady(CONFIG.settle_s - UPDATE_S))
    assert made.state is TrackerState.PULLING_IN


def test_long_updates_take_several_to_settle() -> None:
    config = dataclasses.replace(CONFIG, update_s=2.0)
    made = started(config)
    seen = []
    for index in range(6):
        sample = line(np.array([OFFSET_HZ * config.update_s * index]))
        made.process(sample, np.zeros(1), config.update_s)
        seen.append(made.state)
    assert seen[:3] == [TrackerState.PULLING_IN] * 3
    assert seen[-1] is TrackerState.LOCKED


def test_readings_carry_on_the_phase_without_a_wrap() -> None:
    made, turns = started(), []
    follow(made, steady(8.0), lambda reading: turns.append(reading.turns))
    expected = OFFSET_HZ * UPDATE_S * np.arange(len(turns))
    noise_turns = DENSITY / math.sqrt(UPDATE_S) / TWO_PI
    assert np.ptp(np.array(turns) - expected) < 10.0 * noise_turns


def test_the_tracked_frequency_is_bare_of_what_pulls_the_phase() -> None:
    made = started()
    follow(made, steady(4.0), pull_hz=0.05)
    assert abs(made.offset_hz - (OFFSET_HZ - 0.05)) < 4.0 * made.frequency_sigma_hz


def test_a_phase_that_never_settles_ends_in_lost() -> None:
    """It jumps to and fro by 0.7 rad about its mean; 0.6 rad is the gate."""
    made = started(dataclasses.replace(CONFIG, detector_noise=0.03))
    sides = 1.0 - 2.0 * (np.arange(round(21 * CONFIG.settle_s / UPDATE_S)) % 2)
    jumping = np.repeat(0.7 / TWO_PI * sides, SAMPLES_PER_UPDATE)
    follow(made, line(jumping + 0.3 * UPDATE_S * np.arange(len(jumping)) / SAMPLES_PER_UPDATE))
    assert made.state is TrackerState.LOST
    assert made.reason == "the loop does not settle"


@pytest.mark.parametrize("stray", [0.05, 0.3, 0.9])
@pytest.mark.parametrize("density", [1.0e-6, 1.0e-4])
def test_a_stray_line_60_hz_away_does_not_stop_the_lock(stray: float, density: float) -> None:
    """Nor does it pull: it turns 1.2 times in an update and adds like noise."""
    made = started(dataclasses.replace(CONFIG, detector_noise=density))
    beat = stray * np.exp(2j * np.pi * 60.0 * times_s(12.0))
    rng = np.random.default_rng(4)
    follow(made, line(OFFSET_HZ * times_s(12.0), 1.0, density, rng) + beat)
    assert made.state is TrackerState.LOCKED
    assert abs(made.offset_hz - OFFSET_HZ) < 2.0 * made.frequency_sigma_hz


def test_a_jump_of_the_frequency_is_followed() -> None:
    made = locked()
    phase_turns = OFFSET_HZ * 2.0 + (OFFSET_HZ + 1.0) * times_s(2.0) + 0.2
    follow(made, line(phase_turns, 1.0, DENSITY, np.random.default_rng(5)))
    assert made.state is TrackerState.LOCKED
    assert abs(made.offset_hz - OFFSET_HZ - 1.0) < 5.0 * made.frequency_sigma_hz


# -- holding and coming back -----------------------------------------------------------


def test_a_gap_keeps_the_frequency_and_its_sigma_grows() -> None:
    made = locked(dataclasses.replace(CONFIG, learning_s=math.inf))
    frequency_hz, sigma_hz = made.offset_hz, made.frequency_sigma_hz
    made.hold("a gap")
    gap_s = 5.0
    made.process(steady(UPDATE_S, from_s=2.0 + gap_s), np.zeros(8), gap_s)
    assert made.state is TrackerState.HOLDING
    assert made.offset_hz == frequency_hz
    grown_hz = math.sqrt(sigma_hz**2 + CONFIG.walk_hz_per_root_s**2 * gap_s)
    assert made.frequency_sigma_hz == pytest.approx(grown_hz, rel=1e-12)


def test_a_line_that_is_where_it_was_predicted_is_locked_again() -> None:
    made = locked()
    made.hold("a gap")
    assert states_over(made, steady(1.0, from_s=2.0)) == [
        TrackerState.HOLDING,
        TrackerState.LOCKED,
    ]
    assert made.cycle_slips == 0


def test_a_line_that_was_never_locked_is_pulled_in_after_a_gap() -> None:
    made = started()
    follow(made, steady(0.2))
    made.hold("a gap")
    assert states_over(made, steady(2.0, from_s=0.2))[1:3] == [
        TrackerState.PULLING_IN,
        TrackerState.LOCKED,
    ]


def test_after_a_gap_that_leaves_the_phase_open_the_line_is_pulled_in() -> None:
    """Half a minute at 20 mHz/rt(s): the phase may be turns off, the frequency is not."""
    config = dataclasses.replace(CONFIG, walk_hz_per_root_s=20.0e-3, hold_s=60.0)
    made = locked(config)
    frequency_hz = made.offset_hz
    made.hold("a gap")
    made.process(steady(UPDATE_S, from_s=32.0), np.zeros(8), 30.0)
    assert made.phase_sigma_rad > TWO_PI
    states = states_over(made, steady(0.3, from_s=32.0 + UPDATE_S))
    assert states == [TrackerState.HOLDING, TrackerState.PULLING_IN]
    # A wrapped phase says nothing of the frequency over the gap: a turn in 30 s would
    # have moved it by a multiple of 33 mHz.
    assert abs(made.offset_hz - frequency_hz) < 5.0e-3


def test_a_flip_of_the_fringe_is_held_pulled_in_and_locked() -> None:
    made = locked()
    states = states_over(made, -steady(2.0, from_s=2.0, seed=6))
    assert states == [
        TrackerState.LOCKED,
        TrackerState.HOLDING,
        TrackerState.PULLING_IN,
        TrackerState.LOCKED,
    ]
    assert made.cycle_slips == 1
    assert abs(made.offset_hz - OFFSET_HZ) < 4.0 * made.frequency_sigma_hz


def test_a_flip_is_seen_in_the_update_that_holds_it() -> None:
    made = locked()
    follow(made, -steady(UPDATE_S, from_s=2.0))
    assert made.state is TrackerState.HOLDING


@pytest.mark.parametrize("left", [0.0, 0.2])
def test_an_amplitude_that_falls_out_is_seen_within_the_update(left: float) -> None:
    made = locked()
    update = steady(UPDATE_S, from_s=2.0)
    update[SAMPLES_PER_UPDATE - 3 :] *= left  # the last three samples are looked at
    follow(made, update)
    assert made.state is TrackerState.HOLDING


@pytest.mark.parametrize("factor", [8.0, 100.0])
def test_a_spike_is_held_and_leaves_amplitude_and_frequency(factor: float) -> None:
    made = locked()
    samples = steady(1.0, from_s=2.0, seed=2)
    samples[: 2 * SAMPLES_PER_UPDATE] *= factor
    states = states_over(made, samples)
    assert states == [TrackerState.LOCKED, TrackerState.HOLDING, TrackerState.LOCKED]
    assert made.amplitude == pytest.approx(1.0, abs=0.01)
    assert abs(made.offset_hz - OFFSET_HZ) < 5.0 * made.frequency_sigma_hz
    assert made.cycle_slips == 0


@pytest.mark.parametrize("gain", [0.3, 0.5, 2.0, 4.0])
def test_another_gain_is_no_other_phase(gain: float) -> None:
    """The same line with another amplitude: locked again, not pulled in anew."""
    made = locked()
    states = states_over(made, gain * steady(1.0, from_s=2.0, seed=2))
    assert set(states) <= {TrackerState.LOCKED, TrackerState.HOLDING}
    assert states[-1] is TrackerState.LOCKED
    assert made.amplitude == pytest.approx(gain, rel=0.01)
    assert made.cycle_slips == 0


def test_an_amplitude_that_is_gone_ends_in_lost() -> None:
    config = dataclasses.replace(CONFIG, hold_s=3.0)
    made = locked(config)
    noise = line(np.zeros(round(4.0 * BASEBAND_RATE_HZ)), 0.0, DENSITY, np.random.default_rng(7))
    assert states_over(made, noise) == [
        TrackerState.LOCKED,
        TrackerState.HOLDING,
        TrackerState.LOST,
    ]


@pytest.mark.parametrize("offset_hz", [-30.0, 15.0])
def test_a_line_that_has_gone_far_away_is_not_waited_for(offset_hz: float) -> None:
    """It is there and turns: lost in a second and a bit, not after the longest holdover."""
    made = locked()
    states = states_over(made, steady(1.5, offset_hz=offset_hz))
    assert states == [TrackerState.LOCKED, TrackerState.HOLDING, TrackerState.LOST]
    assert made.reason == "the line is at another frequency"


def test_while_held_the_amplitude_decays_freely() -> None:
    """What drove the line up rests: no growth is predicted."""
    config = dataclasses.replace(CONFIG, decay_rate_per_s=0.2)
    made = started(config)
    growing = np.exp(0.3 * times_s(3.0))
    follow(made, growing * steady(3.0))
    assert made.growth_per_s > 0.2
    before = made.amplitude
    made.hold("a gap")
    made.process(np.zeros(8), np.zeros(8), 2.0)
    assert made.amplitude == pytest.approx(before * math.exp(-0.1 * 2.0), rel=1e-9)


def test_a_line_in_the_noise_is_held() -> None:
    config = dataclasses.replace(CONFIG, detector_noise=0.1, hold_s=1000.0)
    made = PhaseTracker(config)
    made.start(turns=0.0, offset_hz=0.0, frequency_sigma_hz=0.05, amplitude=1.0)
    follow(made, line(np.zeros(800), 1.0, 0.1, np.random.default_rng(8)))
    assert made.state is TrackerState.HOLDING
    assert made.reason == "the amplitude is in the noise"


def test_hold_does_nothing_without_a_line() -> None:
    made = PhaseTracker(CONFIG)
    made.hold("a gap")
    assert made.state is TrackerState.SEARCHING


# -- retuning ----------------------------------------------------------------------------


def test_a_retune_leaves_the_line_where_it_is() -> None:
    made, reference = locked(), locked()
    made.retune(0.25, 0.4)
    assert made.offset_hz + 0.25 == pytest.approx(reference.offset_hz, rel=1e-15)
    assert made.turns + 0.4 == pytest.approx(reference.turns, rel=1e-15)
    assert made.frequency_sigma_hz == reference.frequency_sigma_hz


# -- amplitude -----------------------------------------------------------------------------


def test_a_ring_down_is_followed_in_amplitude_and_decay() -> None:
    """Errors of both over their sigmas, squared, average to one over seeds."""
    seeds, decay_rate_per_s, duration_s = 60, 0.6, 6.0
    config = dataclasses.replace(
        CONFIG, detector_noise=1.0e-3, growth_walk_per_s_per_root_s=0.0, decay_rate_per_s=0.3
    )
    amplitudes, growths = [], []
    final = math.exp(-0.5 * decay_rate_per_s * (duration_s - 0.5 * UPDATE_S))
    for seed in range(seeds):
        made = started(config)
        falling = np.exp(-0.5 * decay_rate_per_s * times_s(duration_s))
        noise = line(np.zeros(len(falling)), 0.0, 1.0e-3, np.random.default_rng(seed))
        follow(made, line(OFFSET_HZ * times_s(duration_s), falling) + noise)
        amplitudes.append((made.amplitude - final) / made.amplitude_sigma)
        growths.append((made.growth_per_s + 0.5 * decay_rate_per_s) / made.growth_sigma_per_s)
    low, high = chi2.ppf([5e-4, 1 - 5e-4], seeds)
    assert low < np.sum(np.square(amplitudes)) < high
    assert low < np.sum(np.square(growths)) < high


def test_the_loop_narrows_as_the_amplitude_falls() -> None:
    made = started(dataclasses.replace(CONFIG, decay_rate_per_s=1.0))
    bandwidths = []
    falling = np.exp(-0.5 * times_s(6.0))
    follow(made, line(OFFSET_HZ * times_s(6.0), falling))
    bandwidths.append(made.noise_bandwidth_hz)
    follow(made, line(OFFSET_HZ * (6.0 + times_s(4.0)), falling[-1] * np.exp(-0.5 * times_s(4.0))))
    assert made.state is TrackerState.LOCKED
    assert made.noise_bandwidth_hz < bandwidths[0]


def test_signal_to_noise_is_carrier_power_over_noise_power() -> None:
    made = locked()
    expected = 10.0 * math.log10(0.5 / (DENSITY**2 / UPDATE_S))
    # The amplitude is known to its sigma, 7e-4 of it an update: 0.01 dB.
    assert made.snr_db == pytest.approx(expected, abs=0.02)
    assert PhaseTracker(CONFIG).snr_db == -math.inf
