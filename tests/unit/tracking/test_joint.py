"""The joint estimate keeps its promises: gaps, flips, pump on and off, chirps."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable
from typing import Any

import numpy as np
import pytest

from controller.records import ModeId
from controller.tracking.joint import (
    JointEstimate,
    JointEstimator,
    JointReading,
)
from controller.tracking.joint_bank import Strengths
from controller.tracking.joint_motion import PumpAction
from controller.tracking.joint_prior import JointConfig
from tests.support.phases import Room, phases_of

TICK_S = 0.1
ROOM = Room()
NOISE_TURNS2 = ROOM.noise_turns2_s / TICK_S
CONFIG = JointConfig(
    lower_reference_hz=1.043e6,
    upper_reference_hz=1.050e6,
    frequency_sigma_hz=0.2,
    strengths=Strengths(
        shared_walk=ROOM.shared_walk,
        separate_walk=sum(walk**2 for walk in ROOM.walks_hz_per_root_s),
    ),
)
REFERENCE_HZ = CONFIG.upper_reference_hz - CONFIG.lower_reference_hz
PHASES = phases_of(ROOM, TICK_S, 700, seed=3)


def reading(
    lower_turns: float | None,
    upper_turns: float | None,
    diffusion_turns2_per_s: float = ROOM.diffusion_turns2_per_s,
) -> JointReading:
    return JointReading(
        lower_turns=lower_turns,
        lower_variance_turns2=NOISE_TURNS2,
        upper_turns=upper_turns,
        upper_variance_turns2=NOISE_TURNS2,
        lower_diffusion_turns2_per_s=diffusion_turns2_per_s,
        upper_diffusion_turns2_per_s=diffusion_turns2_per_s,
    )


NOTHING = reading(None, None)


def fed(made: JointEstimator, turns: Iterable[np.ndarray]) -> list[JointEstimate]:
    """Estimates from pairs of phases, one a tick, without a pump."""
    return [made.process(TICK_S, reading(*pair), PumpAction()) for pair in turns]


def settled(ticks: int = 400) -> JointEstimator:
    made = JointEstimator(CONFIG)
    fed(made, PHASES.turns.T[:ticks])
    return made


def is_right(estimate: JointEstimate, ticks: int) -> bool:
    """Whether the difference after some ticks of PHASES is within four sigmas."""
    error_hz = estimate.difference_hz - REFERENCE_HZ - PHASES.difference_hz[ticks - 1]
    return abs(error_hz) < 4.0 * estimate.difference_sigma_hz


# -- the standard facts ----------------------------------------


@pytest.mark.parametrize(
    ("changes", "complaint"),
    [
        ({"lower_reference_hz": -1.0}, "lower_reference_hz is -1.0"),
        ({"frequency_sigma_hz": 0.0}, "frequency_sigma_hz is 0.0"),
        ({"strengths": Strengths(shared_walk=0.0, separate_walk=1.0)}, "shared_walk=0.0"),
    ],
)
def test_a_bad_config_is_refused_with_its_value(changes: dict[str, Any], complaint: str) -> None:
    with (
        np.errstate(divide="ignore"),
        pytest.raises(ValueError, match=complaint),
    ):
        dataclasses.replace(CONFIG, **changes)


def test_a_copy_goes_on_alike_and_on_its_own() -> None:
    original = settled()
    twin = original.copy()
    following = PHASES.turns.T[400:450]
    ahead = fed(original, following)
    assert repr(twin) != repr(original)
    assert fed(twin, following) == ahead


def test_reset_equals_new() -> None:
    made = settled(ticks=650)  # beyond a minute: the origin of the drift has moved
    made.reset()
    assert made.estimate() == JointEstimator(CONFIG).estimate()
    turns = PHASES.turns.T[:50]
    assert fed(made, turns) == fed(JointEstimator(CONFIG), turns)


def test_the_repr_shows_the_difference() -> None:
    assert "7000.0" in repr(JointEstimator(CONFIG))


# -- phases ----------------------------------------


def test_whole_turns_make_no_difference() -> None:
    whole = PHASES.turns.T[:300].copy()
    whole[100:, 0] += 3.0
    whole[200:, 1] -= 11.0
    plain = fed(JointEstimator(CONFIG), PHASES.turns.T[:300])[-1]
    turned = fed(JointEstimator(CONFIG), whole)[-1]
    # The turns are binary fractions; only their last digits differ, 1e-15 turns a tick.
    assert turned.difference_hz == pytest.approx(plain.difference_hz, abs=1e-10)


@pytest.mark.parametrize("place", [0, 1])
def test_a_flip_of_one_phase_is_taken_as_a_new_phase(place: int) -> None:
    """The fringe has flipped: half a turn says nothing of the frequency."""
    flipped = PHASES.turns.T[:500].copy()
    flipped[400:, place] += 0.5
    made = settled(400)
    before = made.estimate()
    after = fed(made, flipped[400:401])[0]
    assert abs(after.difference_hz - before.difference_hz) < 5.0 * before.difference_sigma_hz
    assert is_right(fed(made, flipped[401:])[-1], 500)


def test_a_flip_far_from_the_reference_is_taken_as_a_new_phase() -> None:
    """With 5 Hz of drift the phase turns by a quarter within half a window."""
    made = JointEstimator(CONFIG)
    times_s = TICK_S * (np.arange(600) + 0.5)
    drifted_hz = np.minimum(0.1 * times_s, 5.0)
    turns = PHASES.turns.T[:600] + (TICK_S * np.cumsum(drifted_hz))[:, None]
    turns[560:] += 0.5
    fed(made, turns[:560])
    before = made.estimate()
    for estimate in fed(made, turns[560:]):
        assert abs(estimate.difference_hz - before.difference_hz) < 5e-3
        assert estimate.difference_sigma_hz < 5.0 * before.difference_sigma_hz


@pytest.mark.parametrize(
    ("lower_hz", "upper_hz"), [(3.0, 3.0), (-3.0, 0.0), (0.0, 4.5), (2.0, 3.0)]
)
def test_a_jump_of_a_frequency_is_no_endless_row_of_new_phases(
    lower_hz: float, upper_hz: float
) -> None:
    """Up to half a turn a window, that is 5 Hz; the estimate knows at once that it knows little."""
    turns = PHASES.turns.T[:450].copy()
    since_s = np.maximum(TICK_S * (np.arange(450) - 399.5), 0.0)
    turns += since_s[:, None] * np.array([lower_hz, upper_hz])
    made = settled(400)
    before = made.estimate()
    estimates = fed(made, turns[400:])
    true_hz = REFERENCE_HZ + PHASES.difference_hz[400:450] + (upper_hz - lower_hz)
    # Two windows show that phases are broken, and by what; the third measures.
    for estimate, difference_hz in zip(estimates[2:], true_hz[2:], strict=True):
        assert abs(estimate.difference_hz - difference_hz) < 5.0 * estimate.difference_sigma_hz
    assert estimates[-1].difference_sigma_hz < 3.0 * before.difference_sigma_hz
    lower_error_hz = estimates[-1].lower_hz - CONFIG.lower_reference_hz - lower_hz
    assert abs(lower_error_hz - PHASES.frequencies_hz[0, 449]) < 5.0 * estimates[-1].lower_sigma_hz


@pytest.mark.parametrize("place", [0, 1])
def test_a_disturbed_phase_costs_certainty_but_not_honesty(place: int) -> None:
    """A spike of 0.05 rad in one window: hundreds of times the noise."""
    turns = PHASES.turns.T[:500].copy()
    turns[400, place] += 0.05 / (2.0 * math.pi)
    made = settled(400)
    before = made.estimate()
    for ticks, estimate in enumerate(fed(made, turns[400:]), start=401):
        error_hz = estimate.difference_hz - REFERENCE_HZ - PHASES.difference_hz[ticks - 1]
        assert abs(error_hz) < 5.0 * estimate.difference_sigma_hz
    assert estimate.difference_sigma_hz < 2.0 * before.difference_sigma_hz


def test_one_missing_phase_leaves_the_other() -> None:
    made = settled()
    for turns in PHASES.turns[0, 400:430]:
        estimate = made.process(TICK_S, reading(turns, None), PumpAction())
    lower_error_hz = estimate.lower_hz - CONFIG.lower_reference_hz - PHASES.frequencies_hz[0, 429]
    assert abs(lower_error_hz) < 4.0 * estimate.lower_sigma_hz
    # The upper one follows by what they share, at the price of what they do not.
    assert is_right(estimate, 430)
    walked_hz = math.sqrt(CONFIG.strengths.separate_walk * 30 * TICK_S)
    assert estimate.difference_sigma_hz > walked_hz / 2.0  # the bank may think it half


# -- gaps ----------------------------------------


def test_without_readings_the_difference_stays_and_its_sigma_grows() -> None:
    made = settled()
    before = made.estimate()
    sigmas_hz = []
    for _ in range(100):
        after = made.process(TICK_S, NOTHING, PumpAction())
        sigmas_hz.append(after.difference_sigma_hz)
    assert all(np.diff(sigmas_hz) > 0.0)
    # The shared rate goes on: its share in the difference is a hundredth of it.
    assert abs(after.difference_hz - before.difference_hz) < after.difference_sigma_hz


@pytest.mark.parametrize("chirp_hz_per_s", [0.05, -0.2])
def test_what_is_foretold_follows_the_drift_and_changes_nothing(chirp_hz_per_s: float) -> None:
    made = JointEstimator(CONFIG)
    times_s = TICK_S * (np.arange(600) + 0.5)
    turns = np.stack((0.5 * chirp_hz_per_s * times_s**2,) * 2, axis=1)
    fed(made, turns)
    before = made.estimate()
    foretold = made.foretold(20.0)
    assert made.estimate() == before
    # A drift is taken for a walk for the most part: only some of its rate is remembered.
    moved_hz = foretold.lower_hz - before.lower_hz
    assert 0.0 < moved_hz / (20.0 * chirp_hz_per_s) < 1.0
    assert foretold.lower_sigma_hz > before.lower_sigma_hz


def test_a_gap_counts_like_as_many_ticks_without_readings() -> None:
    gap_s = 7.0
    by_ticks, at_once = settled(), settled()
    for _ in range(round(gap_s / TICK_S)):
        by_ticks.process(TICK_S, NOTHING, PumpAction())
    slow = by_ticks.process(TICK_S, NOTHING, PumpAction())
    fast = at_once.process(gap_s + TICK_S, NOTHING, PumpAction(), window_s=TICK_S)
    assert fast.difference_hz == pytest.approx(slow.difference_hz, abs=1e-9)
    # The rate's own noise is taken at the end of a step: a few per cent over seven seconds.
    assert fast.difference_sigma_hz == pytest.approx(slow.difference_sigma_hz, rel=0.05)


def test_after_a_gap_the_estimate_is_right_again() -> None:
    made = settled(300)
    gap = 60
    late = PHASES.turns.T[300 + gap]
    made.process((gap + 1) * TICK_S, reading(*late), PumpAction(), window_s=TICK_S)
    assert is_right(fed(made, PHASES.turns.T[301 + gap : 500])[-1], 500)


# -- drift beyond the model ----------------------------------------


@pytest.mark.parametrize("chirp_hz_per_s", [-2.0, 0.2, 5.0])
def test_a_common_chirp_far_beyond_the_walk_leaves_the_difference(chirp_hz_per_s: float) -> None:
    """A hundred to a thousand times what the walk allows; the ratio is 1 % off the prior."""
    config = dataclasses.replace(
        CONFIG, strengths=Strengths(shared_walk=1.0e-6, separate_walk=1.0e-8)
    )
    made = JointEstimator(config)
    times_s = TICK_S * (np.arange(100) + 0.5)
    # The mean of t^2 over a window exceeds that of its middle by a twelfth of the window's.
    turns = 0.5 * chirp_hz_per_s * (times_s**2 + TICK_S**2 / 12.0)
    ratio = CONFIG.upper_reference_hz / CONFIG.lower_reference_hz
    estimates = fed(made, np.stack((turns, ratio * turns), axis=1))
    last = estimates[-1]
    true_hz = REFERENCE_HZ + (ratio - 1.0) * chirp_hz_per_s * times_s[-1]
    assert abs(last.difference_hz - true_hz) < 4.0 * last.difference_sigma_hz
    assert last.difference_sigma_hz < 0.02 * abs(chirp_hz_per_s)
    true_lower_hz = CONFIG.lower_reference_hz + chirp_hz_per_s * times_s[-1]
    assert abs(last.lower_hz - true_lower_hz) < 4.0 * last.lower_sigma_hz


def test_the_origin_of_the_drift_moves_without_a_trace() -> None:
    """After a minute the drift counts from where it is: nothing jumps."""
    estimates = fed(JointEstimator(CONFIG), PHASES.turns.T)
    errors_hz = [e.difference_hz - REFERENCE_HZ for e in estimates] - PHASES.difference_hz
    around = np.abs(np.diff(errors_hz[590:610]))
    assert around.max() < 5.0 * np.median(np.abs(np.diff(errors_hz[400:590])))


# -- pump ----------------------------------------

SHIFT_HZ = (0.012, -0.007)
COUPLING_HZ = 0.02


def pumped(config: JointConfig, psi_rad_per_tick: float) -> JointEstimator:
    """Pump on and off for 4 s each; the coupling's phase turns as given.

    Phases without noise or drift, so that only what the pump does is to be found. The
    ramp lies in the middle of a tick.
    """
    made = JointEstimator(config)
    means = np.zeros(2)
    starts = np.zeros(2)
    for tick in range(630):
        psi = psi_rad_per_tick * tick
        on = [(tick * 5 + part) % 400 >= 202 for part in range(5)]
        ratios = np.array([2.0, 0.5])  # of the other's amplitude to one's own
        phasor = complex(math.cos(psi), math.sin(psi))
        rates_hz = np.array([np.array(SHIFT_HZ) + COUPLING_HZ * ratios * phasor.real] * 5)
        rates_hz *= np.array(on)[:, None]
        step_s = TICK_S / 5
        inside = starts + np.cumsum(rates_hz, axis=0) * step_s - rates_hz * step_s / 2.0
        means = inside.mean(axis=0)
        starts = starts + rates_hz.sum(axis=0) * step_s
        actions = [PumpAction(squared=1.0, lower_pull=2.0 * phasor, upper_pull=0.5 * phasor)]
        share = sum(on) / 5
        early = sum((9 - 2 * part) for part, is_on in enumerate(on) if is_on) / 25
        made.process(
            TICK_S,
            reading(*means, diffusion_turns2_per_s=1.0e-12),
            _scaled(actions[0], share),
            early=_scaled(actions[0], early),
        )
    return made


def _scaled(action: PumpAction, share: float) -> PumpAction:
    return PumpAction(
        squared=share * action.squared,
        lower_pull=share * action.lower_pull,
        upper_pull=share * action.upper_pull,
    )


PUMPED = dataclasses.replace(
    CONFIG,
    strengths=Strengths(shared_walk=1.0e-10, separate_walk=1.0e-12),
    learnt=(False,) * 4,
    asymmetry_sigma=1.0e-6,
)


def test_shift_and_coupling_are_learnt_while_the_pump_goes_on_and_off() -> None:
    made = pumped(PUMPED, psi_rad_per_tick=0.05)
    estimate = made.estimate()
    assert abs(estimate.coupling_hz - COUPLING_HZ) < 4.0 * estimate.coupling_sigma_hz
    assert estimate.coupling_sigma_hz < 0.02 * COUPLING_HZ
    # The pump is on at the end: the bare frequencies hold its shift, not its pull.
    assert abs(estimate.difference_hz - REFERENCE_HZ - (SHIFT_HZ[1] - SHIFT_HZ[0])) < (
        4.0 * estimate.difference_sigma_hz
    )
    assert abs(estimate.lower_hz - CONFIG.lower_reference_hz - SHIFT_HZ[0]) < (
        4.0 * estimate.lower_sigma_hz
    )


def test_the_shifts_that_are_learnt_are_stated_honestly() -> None:
    made = pumped(PUMPED, psi_rad_per_tick=0.05)
    for (shift_hz, sigma_hz), truth_hz in zip(
        made.pump_shifts_hz().values(), SHIFT_HZ, strict=True
    ):
        assert abs(shift_hz - truth_hz) < 4.0 * sigma_hz
        assert sigma_hz < 0.5 * PUMPED.pump_shift_sigma_hz[0]
    before = JointEstimator(PUMPED).pump_shifts_hz()
    assert [sigma_hz for _, sigma_hz in before.values()] == pytest.approx(
        PUMPED.pump_shift_sigma_hz
    )


def test_a_pump_that_comes_on_within_a_tick_is_no_surprise() -> None:
    """All is known beforehand, so every innovation is rounding."""
    config = dataclasses.replace(
        PUMPED,
        frequency_sigma_hz=1.0e-6,
        pump_shift_hz=SHIFT_HZ,
        pump_shift_sigma_hz=(1.0e-6, 1.0e-6),
        coupling_hz=COUPLING_HZ,
        coupling_sigma_hz=1.0e-6,
        coupling_quadrature_sigma_hz=1.0e-6,
    )
    made = pumped(config, psi_rad_per_tick=0.05)
    # What a pump does in the middle of a part is taken as what it does all along.
    assert made.innovation_ratio < 1.0e-3


def test_the_pull_is_what_the_coupling_says() -> None:
    made = JointEstimator(dataclasses.replace(CONFIG, coupling_hz=0.03))
    pulls_hz = made.coupling_pulls_hz(PumpAction(squared=1.0, lower_pull=2.0, upper_pull=0.5j))
    assert pulls_hz[ModeId.LOWER] == pytest.approx(0.06)
    assert pulls_hz[ModeId.UPPER] == pytest.approx(0.0, abs=1e-15)


def test_an_uncertain_asymmetry_counts_in_the_difference_of_the_pulls() -> None:
    """At equal amplitudes the pulls cancel to within twice the asymmetry."""
    config = dataclasses.replace(
        CONFIG,
        coupling_hz=0.03,
        coupling_sigma_hz=1.0e-9,
        coupling_quadrature_sigma_hz=1.0e-9,
        asymmetry_sigma=0.02,
    )
    made = JointEstimator(config)
    made.process(TICK_S, NOTHING, PumpAction(squared=1.0, lower_pull=1.0, upper_pull=1.0))
    assert made.pull_sigma_hz(ModeId.LOWER) == pytest.approx(0.03 * 0.02, rel=1e-6)
    assert made.pull_sigma_hz(ModeId.UPPER) == pytest.approx(0.03 * 0.02, rel=1e-6)


# -- the bank ----------------------------------------


def test_strengths_that_are_not_to_be_learnt_stay() -> None:
    made = JointEstimator(dataclasses.replace(CONFIG, learnt=(False,) * 4))
    last = fed(made, PHASES.turns.T[:200])[-1]
    assert last.shared_walk_hz_per_root_s == pytest.approx(math.sqrt(ROOM.shared_walk))
    assert last.separate_walk_hz_per_root_s == pytest.approx(
        math.sqrt(CONFIG.strengths.separate_walk)
    )
    assert last.diffusion_scale == pytest.approx(1.0)


def test_the_estimate_does_not_jump_where_the_bank_is_centred_anew() -> None:
    """Members are averaged, so a new centre is not a new estimate."""
    wrong = Strengths(shared_walk=100.0 * ROOM.shared_walk, separate_walk=1.0e-6)
    made = JointEstimator(dataclasses.replace(CONFIG, strengths=wrong))
    estimates = fed(made, PHASES.turns.T)
    walks = np.array([e.separate_walk_hz_per_root_s for e in estimates])
    errors_hz = [e.difference_hz - REFERENCE_HZ for e in estimates] - PHASES.difference_hz
    sigmas_hz = np.array([e.difference_sigma_hz for e in estimates])
    assert walks[-1] < 0.5 * walks[0]
    assert np.all(np.abs(np.diff(errors_hz[50:])) < 5.0 * sigmas_hz[51:])


def test_a_ratio_that_was_measured_is_begun_with() -> None:
    """Before anything can have been learnt the difference is known the better for it."""
    measured = dataclasses.replace(CONFIG, drift_ratio=ROOM.ratio, drift_ratio_sigma=1e-4)
    knowing, learning = JointEstimator(measured), JointEstimator(CONFIG)
    assert knowing.estimate().drift_ratio == ROOM.ratio
    frequencies = CONFIG.upper_reference_hz / CONFIG.lower_reference_hz
    assert learning.estimate().drift_ratio == pytest.approx(frequencies)
    for made in (knowing, learning):
        fed(made, PHASES.turns.T[:100])
    assert abs(knowing.estimate().drift_ratio - ROOM.ratio) < 4e-4
    assert is_right(knowing.estimate(), 100)
    before, after = learning.estimate(), knowing.estimate()
    assert after.difference_sigma_hz < before.difference_sigma_hz


# -- what an exchange has told ---------------------------------------------------------


def test_a_coupling_that_is_told_narrows_the_pull_as_a_reading_would() -> None:
    """Independent readings of the coupling's parts leave sigma and reading averaged."""
    config = dataclasses.replace(CONFIG, coupling_hz=0.1, coupling_sigma_hz=6e-3)
    made = JointEstimator(config)
    for axis, reading in ((np.array([1.0, 0.0, 0.0]), 0.106), (np.array([0.0, 0.0, 1.0]), 3e-3)):
        made.learn_coupling(axis, reading, 3e-3**2 if axis[0] else 1e-4**2)
    pull = 0.5 + 0.0j
    made.process(TICK_S, NOTHING, PumpAction(squared=0.25, lower_pull=pull, upper_pull=pull))
    weight = 6e-3**2 / (6e-3**2 + 3e-3**2)
    coupling_hz = 0.1 + weight * 6e-3
    asymmetry = 3e-3 * 0.01**2 / (0.01**2 + 1e-4**2)
    pulls_hz = made.coupling_pulls_hz(PumpAction(lower_pull=pull, upper_pull=pull))
    assert pulls_hz[ModeId.LOWER] == pytest.approx((1.0 + asymmetry) * coupling_hz * 0.5)
    assert pulls_hz[ModeId.UPPER] == pytest.approx((1.0 - asymmetry) * coupling_hz * 0.5)
    sigma_hz = 0.5 * math.hypot(
        (1.0 + asymmetry) * 6e-3 * math.sqrt(1.0 - weight), 1e-4 * coupling_hz
    )
    assert made.pull_sigma_hz(ModeId.LOWER) == pytest.approx(sigma_hz, rel=1e-3)


# -- Duffing ------------------------------------------------------------------------------------


def test_known_duffing_shifts_move_the_bare_frequencies_and_nothing_else() -> None:
    """Phases that turn faster by the shifts mean the same drift below them."""
    lower_hz, upper_hz = 0.3, -0.2
    count = 400
    times_s = TICK_S * (np.arange(count) + 0.5)
    plain, shifted = JointEstimator(CONFIG), JointEstimator(CONFIG)
    action = PumpAction(lower_duffing_hz=lower_hz, upper_duffing_hz=upper_hz)
    before = fed(plain, PHASES.turns.T[:count])
    after = [
        shifted.process(TICK_S, reading(lower + lower_hz * at_s, upper + upper_hz * at_s), action)
        for (lower, upper), at_s in zip(PHASES.turns.T[:count], times_s, strict=True)
    ]
    # 1e-9 Hz: rounding of phases of some turns over a tick.
    assert after[-1].lower_hz - before[-1].lower_hz == pytest.approx(lower_hz, abs=1e-8)
    assert after[-1].upper_hz - before[-1].upper_hz == pytest.approx(upper_hz, abs=1e-8)
    apart_hz = after[-1].difference_hz - before[-1].difference_hz
    assert apart_hz == pytest.approx(upper_hz - lower_hz, abs=1e-8)
    assert after[-1].difference_sigma_hz == pytest.approx(before[-1].difference_sigma_hz)
    assert after[-1].innovation_ratio == pytest.approx(before[-1].innovation_ratio)


def test_a_duffing_shift_that_comes_and_goes_teaches_no_walk() -> None:
    """Amplitudes that swing move both frequencies by known amounts."""
    made, blind = JointEstimator(CONFIG), JointEstimator(CONFIG)
    swing = 0.05 * np.sin(2.0 * np.pi * TICK_S * (np.arange(400) + 0.5) / 8.0)
    turned = TICK_S * (np.cumsum(swing) - 0.5 * swing)
    for (lower, upper), hz, turns in zip(PHASES.turns.T[:400], swing, turned, strict=True):
        seen = reading(lower, upper + turns)
        known = made.process(TICK_S, seen, PumpAction(upper_duffing_hz=hz))
        not_known = blind.process(TICK_S, seen, PumpAction())
    error_hz = known.difference_hz - swing[-1] - REFERENCE_HZ - PHASES.difference_hz[399]
    assert abs(error_hz) < 4.0 * known.difference_sigma_hz
    assert known.separate_walk_hz_per_root_s < 0.2 * not_known.separate_walk_hz_per_root_s


FALL_S, SIGMA_HZ = 4.0, 2.0e-3


def fallen(duffing_sigma_hz: float, by_hz: float) -> tuple[JointEstimate, float]:
    """The lower mode falls to nothing; its frequency then lacks a shift that nobody knew of.

    The estimate five seconds later, and the true difference.
    """
    made = JointEstimator(dataclasses.replace(CONFIG, duffing_sigma_hz=duffing_sigma_hz))
    fed_until, turns = 400, 0.0
    for number, (lower, upper) in enumerate(PHASES.turns.T[: fed_until + 50]):
        before = max(0.0, (number - fed_until) * TICK_S)
        power = math.exp(-before / (FALL_S / 4.0))
        missing_hz = by_hz * (power - 1.0)
        seen = reading(lower + turns + 0.5 * missing_hz * TICK_S, upper)
        turns += missing_hz * TICK_S
        estimate = made.process(TICK_S, seen, PumpAction(powers=(power, 1.0)))
    return estimate, REFERENCE_HZ + PHASES.difference_hz[fed_until + 49] + by_hz


@pytest.mark.parametrize("by_hz", [-1.5 * SIGMA_HZ, SIGMA_HZ])
def test_an_unknown_duffing_shift_shows_where_amplitudes_change(by_hz: float) -> None:
    estimate, truth_hz = fallen(SIGMA_HZ, by_hz)
    assert abs(estimate.difference_hz - truth_hz) < 4.0 * estimate.difference_sigma_hz
    unwarned, _ = fallen(0.0, by_hz)  # takes it for a walk, which it then expects to go on
    walks = estimate.separate_walk_hz_per_root_s, unwarned.separate_walk_hz_per_root_s
    assert walks[0] < 0.5 * walks[1]


def test_an_unknown_duffing_shift_costs_nothing_while_amplitudes_stay() -> None:
    plain, unsure = (
        settled(),
        JointEstimator(dataclasses.replace(CONFIG, duffing_sigma_hz=SIGMA_HZ)),
    )
    for pair in PHASES.turns.T[:400]:
        estimate = unsure.process(TICK_S, reading(*pair), PumpAction(powers=(1.0, 1.0)))
    assert estimate == plain.estimate()


def test_what_a_fall_of_an_amplitude_taught_is_known_and_honest() -> None:
    """The lower mode falls, rises and falls again: the second time nothing surprises.

    Ninety-five of a hundred learnt terms lie within 1.96 sigmas, give or take what a
    binomial of this many seeds allows.
    """
    inside, seeds = 0, 60
    for seed in range(seeds):
        config = dataclasses.replace(CONFIG, duffing_sigma_hz=SIGMA_HZ)
        made, turns = JointEstimator(config), 0.0
        by_hz = math.sqrt(2.0) * SIGMA_HZ * np.random.default_rng(seed).standard_normal()
        for number, (lower, upper) in enumerate(phases_of(ROOM, TICK_S, 600, seed=seed).turns.T):
            power = 1.0 if number < 200 or 300 <= number < 400 else 0.0
            missing_hz = by_hz * (power - 1.0)
            seen = reading(lower, upper + turns + 0.5 * missing_hz * TICK_S)
            turns += missing_hz * TICK_S
            made.process(TICK_S, seen, PumpAction(powers=(power, 1.0)))
        known = made.knowledge()
        sigma_hz = math.sqrt(known.covariance[2, 2])
        assert sigma_hz < 0.5 * SIGMA_HZ
        inside += abs(known.mean[2] - by_hz) < 1.96 * sigma_hz
    # Binomial: 0.95 * 60 = 57, sigma 1.7; 3.5 of them below.
    assert inside >= 51


# -- jumps that are announced ----------------------------------------


@pytest.mark.parametrize("place", [0.0, 0.3, 0.9])
@pytest.mark.parametrize("jump_hz", [-0.02, 0.0075])
def test_an_announced_jump_is_followed_at_once_and_honestly(jump_hz: float, place: float) -> None:
    """The jump comes at some place of tick 401, as an extra phase that both means show."""
    made, twin = settled(), settled()
    left_s = (1.0 - place) * TICK_S
    for number, (lower, upper) in enumerate(PHASES.turns.T[400:405]):
        jumped = 0.5 * left_s**2 / TICK_S if number == 0 else left_s + (number - 0.5) * TICK_S
        seen = reading(lower, upper + jump_hz * jumped)
        sigma_hz = 0.01 if number == 0 else 0.0
        estimate = made.process(TICK_S, seen, PumpAction(), jump_sigma_hz=sigma_hz)
        unwarned = twin.process(TICK_S, seen, PumpAction())
        truth_hz = REFERENCE_HZ + PHASES.difference_hz[400 + number] + jump_hz
        if number > 0:
            error_hz = abs(estimate.difference_hz - truth_hz)
            assert error_hz < 4.0 * estimate.difference_sigma_hz
    assert estimate.difference_sigma_hz < unwarned.difference_sigma_hz


def test_an_announced_jump_that_does_not_come_costs_certainty_for_a_moment() -> None:
    made, twin = settled(), settled()
    ratios = []
    for number, pair in enumerate(PHASES.turns.T[400:500]):
        sigma_hz = 0.01 if number == 0 else 0.0
        told = made.process(TICK_S, reading(*pair), PumpAction(), jump_sigma_hz=sigma_hz)
        untold = twin.process(TICK_S, reading(*pair), PumpAction())
        assert abs(told.difference_hz - untold.difference_hz) < 4.0 * told.difference_sigma_hz
        ratios.append(told.difference_sigma_hz / untold.difference_sigma_hz)
    assert ratios[0] > 3.0
    assert ratios[-1] < 1.3
