"""The bank goes where the likelihood points, and no estimate jumps with it."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from controller.tracking.joint import JointEstimator
from controller.tracking.joint_bank import FORGET_S, LEAST_LEAD, MOVE_AT, StrengthBank, Strengths
from tests.support.joint_estimates import (
    CONFIG,
    PHASES,
    REFERENCE_HZ,
    ROOM,
    fed,
)


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


# -- the bank alone ----------------------------------------

CENTER = Strengths(shared_walk=1.0e-6, separate_walk=1.0e-7)
SHARED_8_FOLD, DETECTOR_4_FOLD = 2, 13  # members


def bank_of_all() -> StrengthBank:
    return StrengthBank(CENTER, (True,) * 4)


def favour(bank: StrengthBank, member: int, lead: float) -> None:
    """Let a reading make a member likelier than all others by a log-likelihood."""
    normalised2 = np.full(len(bank), 2.0 * lead)
    normalised2[member] = 0.0
    bank.judge(normalised2, np.ones(len(bank)))


def test_every_member_differs_from_the_centre_in_one_strength() -> None:
    logs = np.log(bank_of_all().strengths())
    differs = np.abs(logs - logs[0]) > 1.0e-9
    assert not differs[0].any()
    assert np.all(differs[1:].sum(axis=1) == 1)
    assert np.array_equal(logs[0], CENTER.as_logs())
    assert "15 members" in repr(bank_of_all())


def test_weights_are_the_likelihoods_of_normal_innovations() -> None:
    bank, rng = bank_of_all(), np.random.default_rng(1)
    innovations, variances = rng.standard_normal(len(bank)), rng.uniform(0.5, 2.0, len(bank))
    bank.judge(innovations**2 / variances, variances)
    weights, strengths = bank.weighed()
    likelihoods = np.exp(-0.5 * innovations**2 / variances) / np.sqrt(variances)
    assert weights == pytest.approx(likelihoods / likelihoods.sum())
    assert np.log(strengths) == pytest.approx(weights @ np.log(bank.strengths()))


def test_what_was_told_long_ago_counts_for_less() -> None:
    bank = bank_of_all()
    favour(bank, 1, lead=1.0)
    bank.forget(FORGET_S)
    weights, _ = bank.weighed()
    assert math.log(weights[1] / weights[0]) == pytest.approx(math.exp(-1.0))


def test_a_member_that_is_far_behind_can_return() -> None:
    bank = bank_of_all()
    for _ in range(10):
        favour(bank, 0, lead=20.0)
        weights, _ = bank.weighed()
    assert np.log(weights[1:] / weights[0]) == pytest.approx(LEAST_LEAD)


def test_the_centre_stays_while_no_member_is_clearly_likelier() -> None:
    bank = bank_of_all()
    favour(bank, SHARED_8_FOLD, lead=0.99 * MOVE_AT)
    before = bank.strengths()
    assert bank.recentred() is None
    assert np.array_equal(bank.strengths(), before)


def test_members_that_stay_in_the_bank_keep_their_filters() -> None:
    bank = bank_of_all()
    favour(bank, SHARED_8_FOLD, lead=1.5 * MOVE_AT)
    before = np.log(bank.strengths())
    new = bank.recentred()
    assert new is not None
    after = np.log(bank.strengths())
    assert after[0] == pytest.approx(before[SHARED_8_FOLD])
    assert new.sources[0] == SHARED_8_FOLD
    for member, logs in enumerate(after):
        same = np.flatnonzero(np.all(np.abs(before - logs) < 1.0e-9, axis=1))
        if len(same):
            assert new.sources[member] == same[0]
    assert np.all(new.widening == 1.0)  # for a walk; only noise is taken for motion


def test_who_took_noise_for_motion_knows_the_less() -> None:
    """Beyond four times the noise there was nobody: a filter of half the sigma takes over."""
    bank = bank_of_all()
    favour(bank, DETECTOR_4_FOLD, lead=1.5 * MOVE_AT)
    new = bank.recentred()
    assert new is not None
    assert new.widening[DETECTOR_4_FOLD] == pytest.approx(2.0)
    assert np.delete(new.widening, DETECTOR_4_FOLD) == pytest.approx(1.0)
