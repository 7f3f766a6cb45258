"""The filters move, correct and take over as the equations of a Kalman filter say."""

from __future__ import annotations

import numpy as np
import pytest

from controller.records import ModeId
from controller.tracking.joint_bank import NewMembers
from controller.tracking.joint_filter import JointFilters, WindowAction
from controller.tracking.joint_motion import PumpAction
from controller.tracking.joint_prior import prior_state
from controller.tracking.joint_states import (
    ASYMMETRY,
    FOLLOWED,
    LOWER_MEAN,
    LOWER_TURNS,
    RATIO,
    REST_HZ,
    SHARED_HZ,
    STATES,
    UPPER_MEAN,
    UPPER_TURNS,
    phase_mean,
)
from tests.support.joint_estimates import CONFIG, TICK_S

MEMBERS = 3
KAPPA = CONFIG.expected_kappa
QUIET = WindowAction(
    pump=PumpAction(),
    early=PumpAction(),
    diffusion_turns2_per_s=(0.0, 0.0),
    more_powers=np.zeros(2),
)
STILL = np.zeros((MEMBERS, 4))  # strengths


def fresh() -> JointFilters:
    return JointFilters(*prior_state(CONFIG), members=MEMBERS, kappa=KAPPA)


def scattered(seed: int = 5) -> JointFilters:
    """States and covariances of no special kind."""
    filters, rng = fresh(), np.random.default_rng(seed)
    filters.means = rng.normal(size=(MEMBERS, STATES))
    roots = rng.normal(size=(MEMBERS, STATES, STATES))
    filters.covariances = roots @ roots.transpose(0, 2, 1)
    return filters


def upper_hz(filters: JointFilters) -> np.ndarray:
    """Frequency of the upper mode, as each member knows it."""
    x = filters.means
    return filters.base_hz[1] + filters.drift_ratios * x[:, SHARED_HZ] + x[:, REST_HZ]


def upper_variances(filters: JointFilters) -> np.ndarray:
    """Of that frequency."""
    rows = np.zeros((MEMBERS, STATES))
    rows[:, REST_HZ], rows[:, SHARED_HZ] = 1.0, filters.drift_ratios
    rows[:, RATIO] = filters.means[:, SHARED_HZ]
    return np.einsum("mi,mij,mj->m", rows, filters.covariances, rows)


def test_phases_turn_by_the_frequencies_and_their_means_by_half_of_it() -> None:
    filters = fresh()
    filters.means[:, [SHARED_HZ, REST_HZ, RATIO]] = 2.0, 0.5, 0.01
    filters.base_hz[:] = 0.1, -0.3
    filters.predict(TICK_S, QUIET, STILL)
    lower, upper = 2.0 + 0.1, (1.0 + KAPPA + 0.01) * 2.0 + 0.5 - 0.3
    assert filters.means[:, LOWER_TURNS] == pytest.approx(lower * TICK_S)
    assert filters.means[:, LOWER_MEAN] == pytest.approx(lower * TICK_S / 2.0)
    assert filters.means[:, UPPER_TURNS] == pytest.approx(upper * TICK_S)
    assert filters.means[:, UPPER_MEAN] == pytest.approx(upper * TICK_S / 2.0)


def test_each_member_walks_by_its_own_strength() -> None:
    filters, still = fresh(), fresh()
    strengths = STILL.copy()
    strengths[:, 1] = 1.0, 2.0, 4.0
    filters.predict(TICK_S, QUIET, strengths)
    still.predict(TICK_S, QUIET, STILL)
    added = (filters.covariances - still.covariances)[:, REST_HZ, REST_HZ]
    assert added == pytest.approx(TICK_S * strengths[:, 1])


def test_a_new_origin_of_the_drift_changes_no_frequency() -> None:
    filters = scattered()
    lower_hz = filters.base_hz[0] + filters.means[:, SHARED_HZ]
    before_hz, before = upper_hz(filters), upper_variances(filters)
    filters.rebase()
    assert filters.means[0, SHARED_HZ] == 0.0
    assert filters.base_hz[0] + filters.means[:, SHARED_HZ] == pytest.approx(lower_hz)
    assert upper_hz(filters) == pytest.approx(before_hz)
    assert upper_variances(filters) == pytest.approx(before)


def test_whole_turns_are_no_innovation() -> None:
    filters = fresh()
    filters.means[:, LOWER_MEAN] = 0.1, 0.2, 0.3
    assert filters.innovations(ModeId.LOWER, 7.15) == pytest.approx([0.05, -0.05, -0.15])


@pytest.mark.parametrize("mode", ModeId)
def test_a_reading_narrows_a_phase_as_two_means_narrow_each_other(mode: ModeId) -> None:
    filters, noise = scattered(), 0.5
    expected = filters.phase_variances(mode).copy()
    before = filters.means[:, phase_mean(mode)].copy()
    innovations = filters.innovations(mode, 0.2)
    filters.correct(mode, innovations, expected + noise)
    weights = expected / (expected + noise)
    assert filters.means[:, phase_mean(mode)] == pytest.approx(before + weights * innovations)
    assert filters.phase_variances(mode) == pytest.approx(weights * noise)


def test_a_reading_leaves_the_asymmetry_as_it_was() -> None:
    filters, before = scattered(), scattered()
    expected = filters.phase_variances(ModeId.UPPER) + 0.5
    filters.correct(ModeId.UPPER, filters.innovations(ModeId.UPPER, 0.2), expected)
    assert np.array_equal(filters.means[:, ASYMMETRY], before.means[:, ASYMMETRY])
    variances = filters.covariances[:, ASYMMETRY, ASYMMETRY]
    assert variances == pytest.approx(before.covariances[:, ASYMMETRY, ASYMMETRY])


def test_what_is_told_of_a_state_narrows_it() -> None:
    filters, before = scattered(), scattered()
    row = np.zeros(STATES)
    row[REST_HZ] = 1.0
    filters.learn(row, 0.4, 0.25)
    variances = before.covariances[:, REST_HZ, REST_HZ]
    weights = variances / (variances + 0.25)
    moved = weights * (0.4 - before.means[:, REST_HZ])
    assert filters.means[:, REST_HZ] == pytest.approx(before.means[:, REST_HZ] + moved)
    assert filters.covariances[:, REST_HZ, REST_HZ] == pytest.approx(0.25 * weights)


@pytest.mark.parametrize("mode", ModeId)
def test_a_wider_walk_widens_the_mean_phase_by_what_is_said(mode: ModeId) -> None:
    filters, before = scattered(), scattered()
    added = np.array([0.0, 0.1, 0.2])
    filters.widen_walk(mode, TICK_S, added)
    assert filters.phase_variances(mode) - before.phase_variances(mode) == pytest.approx(added)
    other = ModeId.UPPER if mode is ModeId.LOWER else ModeId.LOWER
    is_shared = mode is ModeId.LOWER  # the shared drift moves both, the rest the upper one alone
    widened = filters.phase_variances(other) - before.phase_variances(other)
    assert np.allclose(widened, 0.0) is not is_shared


def test_a_variance_that_is_replaced_hangs_on_nothing() -> None:
    filters = scattered()
    filters.replace_variance(REST_HZ, 3.0)
    alone = np.zeros(STATES)
    alone[REST_HZ] = 3.0
    assert np.array_equal(filters.covariances[:, REST_HZ, :], np.tile(alone, (MEMBERS, 1)))
    filters.add_variance(REST_HZ, 1.0)
    assert filters.covariances[:, REST_HZ, REST_HZ] == pytest.approx(4.0)


def test_members_take_over_from_their_sources_and_widen_what_they_follow() -> None:
    filters, before = scattered(), scattered()
    filters.take_over(NewMembers(sources=np.array([2, 2, 0]), widening=np.array([1.0, 2.0, 1.0])))
    assert np.array_equal(filters.means, before.means[[2, 2, 0]])
    assert np.array_equal(filters.covariances[[0, 2]], before.covariances[[2, 0]])
    sigmas, source = (np.sqrt(np.diag(p)) for p in (filters.covariances[1], before.covariances[2]))
    assert sigmas[FOLLOWED] == pytest.approx(2.0 * source[FOLLOWED])
    learnt = np.setdiff1d(np.arange(STATES), FOLLOWED)
    assert sigmas[learnt] == pytest.approx(source[learnt])


def test_the_whole_bank_is_as_uncertain_as_its_members_and_their_disagreement() -> None:
    filters, weights = scattered(), np.array([0.5, 0.3, 0.2])
    mean, covariance = filters.mixed(weights)
    second_moments = filters.covariances + np.einsum("mi,mj->mij", filters.means, filters.means)
    total = np.einsum("m,mij->ij", weights, second_moments)
    assert mean == pytest.approx(weights @ filters.means)
    assert covariance == pytest.approx(total - np.outer(mean, mean))
    assert repr(filters) == "JointFilters(3 members)"
