"""A broken phase is a new phase; one that breaks again is a frequency that has jumped."""

from __future__ import annotations

import numpy as np
import pytest

from controller.records import ModeId
from controller.tracking.joint import JointEstimator
from controller.tracking.joint_breaks import RESTART_TURNS, PhaseBreaks
from controller.tracking.joint_filter import JointFilters
from controller.tracking.joint_prior import prior_state
from controller.tracking.joint_states import phase_at_end, phase_mean
from tests.support.joint_estimates import (
    CONFIG,
    PHASES,
    REFERENCE_HZ,
    TICK_S,
    fed,
    is_right,
    settled,
)


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


# -- breaks alone ----------------------------------------


def sharp_filters() -> JointFilters:
    """They expect both phases at 0, to 1e-4 turns."""
    filters = JointFilters(*prior_state(CONFIG), members=3, kappa=CONFIG.expected_kappa)
    for mode in ModeId:
        filters.replace_variance(phase_at_end(mode), 1.0e-8)
        filters.replace_variance(phase_mean(mode), 1.0e-8)
    return filters


def mend(
    breaks: PhaseBreaks, filters: JointFilters, turns: float, diffused_turns2: float = 0.0
) -> bool:
    return breaks.mend(
        filters,
        ModeId.UPPER,
        turns,
        variance_turns2=1.0e-8,
        diffused_turns2=diffused_turns2,
        window_s=TICK_S,
    )


def test_a_phase_that_is_expected_is_left_alone() -> None:
    breaks, filters = PhaseBreaks(), sharp_filters()
    assert not mend(breaks, filters, 3.0 + 1.0e-4)
    assert filters.means == pytest.approx(sharp_filters().means)
    assert repr(breaks) == "PhaseBreaks(none)"


def test_a_first_break_moves_the_phase_and_no_frequency() -> None:
    breaks, filters = PhaseBreaks(), sharp_filters()
    assert mend(breaks, filters, 0.3)
    assert filters.means[:, phase_mean(ModeId.UPPER)] == pytest.approx(0.3)
    end = phase_at_end(ModeId.UPPER)
    assert filters.covariances[:, end, end] == pytest.approx(RESTART_TURNS**2)
    assert not filters.base_hz.any()
    assert repr(breaks) == "PhaseBreaks(upper)"


def test_a_second_break_in_a_row_moves_the_frequency() -> None:
    breaks, filters = PhaseBreaks(), sharp_filters()
    mend(breaks, filters, 0.3)
    assert mend(breaks, filters, 0.3 + 0.2)
    assert filters.base_hz == pytest.approx([0.0, 0.2 / TICK_S])


def test_a_window_in_between_makes_the_next_break_the_first_again() -> None:
    breaks, filters = PhaseBreaks(), sharp_filters()
    mend(breaks, filters, 0.3)
    assert not mend(breaks, filters, 0.3)
    mend(breaks, filters, 0.6)
    assert not filters.base_hz.any()
    breaks.forget(ModeId.UPPER)  # nor does one without a reading
    mend(breaks, filters, 0.9)
    assert not filters.base_hz.any()


def test_a_phase_that_is_lost_in_a_null_tells_of_no_frequency() -> None:
    breaks, filters = PhaseBreaks(), sharp_filters()
    mend(breaks, filters, 0.3, diffused_turns2=0.2)
    assert mend(breaks, filters, 0.6, diffused_turns2=0.2)
    assert not filters.base_hz.any()
