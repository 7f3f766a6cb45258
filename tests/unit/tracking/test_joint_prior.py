"""What is known beforehand is checked, stated once and begun with."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest

from controller.tracking.joint import JointEstimator
from controller.tracking.joint_bank import Strengths
from controller.tracking.joint_prior import prior_state
from controller.tracking.joint_states import SHIFT, SHIFT_DIFFERENCE
from tests.support.joint_estimates import (
    CONFIG,
    PHASES,
    ROOM,
    fed,
    is_right,
)


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


def test_each_modes_shift_by_the_pump_is_as_uncertain_as_it_is_said_to_be() -> None:
    """The difference of two independent shifts hangs on both of them."""
    config = dataclasses.replace(
        CONFIG, pump_shift_hz=(0.02, -0.01), pump_shift_sigma_hz=(0.03, 0.04)
    )
    mean, covariance = prior_state(config)
    shifts = [SHIFT, SHIFT_DIFFERENCE]
    block = covariance[np.ix_(shifts, shifts)]
    upper = np.array([1.0, 1.0])
    assert upper @ mean[shifts] == pytest.approx(-0.01)
    assert upper @ block @ upper == pytest.approx(0.04**2)
    assert block[0, 0] == pytest.approx(0.03**2)
    assert block[1, 1] == pytest.approx(0.05**2)
