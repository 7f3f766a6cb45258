"""The joint estimate keeps its promises: gaps, chirps, a pump on and off, jumps foretold."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from controller.records import ModeId
from controller.tracking.joint import JointEstimator
from controller.tracking.joint_bank import Strengths
from controller.tracking.joint_motion import PumpAction
from controller.tracking.joint_prior import JointConfig
from tests.support.joint_estimates import (
    CONFIG,
    NOTHING,
    PHASES,
    REFERENCE_HZ,
    TICK_S,
    fed,
    is_right,
    reading,
    settled,
)

# -- the standard facts ----------------------------------------


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


# -- what an exchange has told ----------------------------------------


def test_a_coupling_that_is_told_narrows_the_pull_as_a_reading_would() -> None:
    """Independent readings of the coupling's parts leave sigma and reading averaged."""
    config = dataclasses.replace(CONFIG, coupling_hz=0.1, coupling_sigma_hz=6e-3)
    made = JointEstimator(config)
    for axis, told in ((np.array([1.0, 0.0, 0.0]), 0.106), (np.array([0.0, 0.0, 1.0]), 3e-3)):
        made.learn_coupling(axis, told, 3e-3**2 if axis[0] else 1e-4**2)
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


# -- known Duffing shifts ----------------------------------------


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
