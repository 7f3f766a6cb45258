"""Where a mode is looked for: around what is foretold, as strong as what is left of it."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pytest

from controller.records import ModeId
from controller.supervisor.searching import SearchTarget
from controller.supervisor.whereabouts import LEAST_SEARCH_AGAIN_HZ, Whereabouts

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER
RATE_HZ = 50_000.0
SECOND = round(RATE_HZ)
DECAY_PER_S = 0.09
TARGETS = {
    LOWER: SearchTarget(frequency_hz=1.0437e6, half_width_hz=200.0),
    UPPER: SearchTarget(frequency_hz=1.0503e6, half_width_hz=200.0),
}
LOCKED_HZ = {LOWER: 1_043_728.0, UPPER: 1_050_371.0}


class Joint:
    """Foretells that both modes drift by 1 Hz a second, and how well that is known."""

    def __init__(self, sigma_hz: float = 0.1, drift_hz_per_s: float = 1.0) -> None:
        self.sigma_hz, self.drift_hz_per_s = sigma_hz, drift_hz_per_s

    def foretold(self, duration_s: float) -> Any:
        """What the modes will be."""
        moved_hz = self.drift_hz_per_s * duration_s
        return SimpleNamespace(
            lower_hz=LOCKED_HZ[LOWER] + moved_hz,
            lower_sigma_hz=self.sigma_hz,
            upper_hz=LOCKED_HZ[UPPER] + moved_hz,
            upper_sigma_hz=2.0 * self.sigma_hz,
        )


def pair(off_hz: float = 0.0, sigma_hz: float = 0.01, joint: Joint | None = None) -> Any:
    """A pair whose loops stand `off_hz` from where they were locked."""
    return SimpleNamespace(
        frequency_hz=lambda mode: LOCKED_HZ[mode] + off_hz,
        trackers={mode: SimpleNamespace(frequency_sigma_hz=sigma_hz) for mode in ModeId},
        joint=joint or Joint(),
    )


def tick(center_index: float) -> Any:
    return SimpleNamespace(center_index=center_index)


def known() -> Whereabouts:
    """Both modes were locked after ten seconds."""
    made = Whereabouts(TARGETS, dict.fromkeys(ModeId, DECAY_PER_S), RATE_HZ)
    for mode in ModeId:
        made.note_lock(mode, 10 * SECOND, 2.0)
    return made


def test_a_mode_that_was_never_locked_is_expected_where_it_is_configured() -> None:
    made = Whereabouts(TARGETS, dict.fromkeys(ModeId, DECAY_PER_S), RATE_HZ)
    for mode in ModeId:
        assert made.wide_target(mode, 5 * SECOND) == TARGETS[mode]
        assert made.last_place(mode, pair(), None, 5 * SECOND) == TARGETS[mode]


def test_what_is_left_of_a_motion_has_decayed_since_the_lock() -> None:
    target = known().wide_target(UPPER, 30 * SECOND)
    assert target.frequency_hz == TARGETS[UPPER].frequency_hz
    assert target.expected_amplitude == pytest.approx(2.0 * math.exp(-0.5 * DECAY_PER_S * 20.0))


@pytest.mark.parametrize("mode", list(ModeId))
def test_the_last_place_goes_with_the_drift(mode: ModeId) -> None:
    """Three seconds after the last tick, 1 Hz a second."""
    target = known().last_place(mode, pair(off_hz=3.0), tick(12 * SECOND), 15 * SECOND)
    assert target.frequency_hz == LOCKED_HZ[mode] + 3.0
    assert target.half_width_hz == LEAST_SEARCH_AGAIN_HZ
    assert target.expected_amplitude == pytest.approx(2.0 * math.exp(-0.5 * DECAY_PER_S * 5.0))


def test_the_range_is_five_sigmas_wide_where_that_is_more() -> None:
    vague = pair(joint=Joint(sigma_hz=6.0, drift_hz_per_s=0.0), sigma_hz=8.0)
    target = known().last_place(LOWER, vague, tick(12 * SECOND), 15 * SECOND)
    assert target.half_width_hz == pytest.approx(50.0)  # 5 hypot(6, 8)


def test_a_loop_that_went_elsewhere_widens_the_range() -> None:
    strayed = pair(off_hz=12.0, sigma_hz=0.0, joint=Joint(sigma_hz=0.0, drift_hz_per_s=0.0))
    target = known().last_place(LOWER, strayed, tick(12 * SECOND), 12 * SECOND)
    assert target.frequency_hz == LOCKED_HZ[LOWER]
    assert target.half_width_hz == pytest.approx(60.0)


def test_the_range_is_never_wider_than_the_configured_one() -> None:
    vague = pair(joint=Joint(sigma_hz=1000.0))
    target = known().last_place(LOWER, vague, tick(12 * SECOND), 12 * SECOND)
    assert target.half_width_hz == TARGETS[LOWER].half_width_hz


def test_a_place_far_outside_the_configured_range_is_not_believed() -> None:
    far = Joint(drift_hz_per_s=401.0 / 5.0)
    target = known().last_place(LOWER, pair(joint=far), tick(10 * SECOND), 16 * SECOND)
    assert target.frequency_hz == TARGETS[LOWER].frequency_hz


def test_before_the_first_tick_the_loops_tell() -> None:
    target = known().last_place(LOWER, pair(off_hz=2.5, sigma_hz=5.0), None, 11 * SECOND)
    assert target.frequency_hz == LOCKED_HZ[LOWER] + 2.5
    assert target.half_width_hz == 25.0


def test_the_newest_lock_counts() -> None:
    made = known()
    made.note_lock(LOWER, 20 * SECOND, 1.0)
    assert made.wide_target(LOWER, 20 * SECOND).expected_amplitude == 1.0


def test_copy_is_independent_and_reset_is_new() -> None:
    made = known()
    twin = made.copy()
    made.reset()
    assert "lower, upper" in repr(twin) and "lower" not in repr(made)
    assert made.wide_target(LOWER, SECOND) == TARGETS[LOWER]
    assert twin.wide_target(LOWER, SECOND) != TARGETS[LOWER]


def test_stray_lines_of_an_earlier_search_stay_known() -> None:
    """A later search looks at a part of the range; what it sees again counts once."""
    whereabouts = known()
    assert whereabouts.strays_hz(LOWER) == ()
    whereabouts.note_strays(LOWER, (1_043_665.0, 1_043_800.0))
    whereabouts.note_strays(LOWER, (1_043_800.3,))
    assert whereabouts.strays_hz(LOWER) == (1_043_800.3, 1_043_665.0)
    assert whereabouts.strays_hz(UPPER) == ()
