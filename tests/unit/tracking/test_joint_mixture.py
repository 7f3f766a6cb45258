"""What is asked of the states follows from them, with its uncertainty."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest

from controller.records import ModeId
from controller.tracking.joint import JointEstimator
from controller.tracking.joint_mixture import JointMixture
from controller.tracking.joint_motion import PumpAction
from controller.tracking.joint_states import (
    LASTING,
    LOWER_DUFFING,
    MIDDLE_HZ,
    RATIO,
    REST_HZ,
    SHIFT_DIFFERENCE,
    STATES,
)
from tests.support.joint_estimates import (
    CONFIG,
    NOTHING,
    TICK_S,
)


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


# -- derivatives ----------------------------------------

STEP = 1.0e-6  # of central differences, which are exact for products of two states but for rounding
MEAN = np.random.default_rng(2).normal(size=STATES)


def mixture(mean: np.ndarray) -> JointMixture:
    return JointMixture(
        mean=mean, covariance=np.eye(STATES), strengths=np.ones(4), expected_kappa=0.007
    )


def slopes(value: Callable[[JointMixture], float]) -> np.ndarray:
    """Derivative of a quantity by every state."""
    steps = STEP * np.eye(STATES)
    return np.array(
        [(value(mixture(MEAN + s)) - value(mixture(MEAN - s))) / (2.0 * STEP) for s in steps]
    )


def test_the_row_of_the_difference_is_its_derivative() -> None:
    squared, more_powers = 0.36, np.array([-0.4, 1.3])

    def difference_hz(at: JointMixture) -> float:
        x = at.mean
        duffing_hz = float(more_powers @ x[LOWER_DUFFING:LASTING])
        kappa = 0.007 + x[RATIO]
        return float(kappa * x[MIDDLE_HZ] + x[REST_HZ] + squared * x[SHIFT_DIFFERENCE]) + duffing_hz

    row = mixture(MEAN).difference_row(squared, more_powers)
    assert row == pytest.approx(slopes(difference_hz), abs=1.0e-8)


@pytest.mark.parametrize("mode", ModeId)
def test_the_row_of_a_pull_is_its_derivative(mode: ModeId) -> None:
    pump = PumpAction(squared=1.0, lower_pull=0.7 - 0.2j, upper_pull=-0.3 + 1.1j)
    row = mixture(MEAN).pull_row(mode, pump)
    assert row == pytest.approx(slopes(lambda at: at.coupling_pulls_hz(pump)[mode]), abs=1.0e-8)


def test_a_sigma_counts_what_hangs_together() -> None:
    made, row = mixture(MEAN), np.zeros(STATES)
    row[[RATIO, REST_HZ]] = 3.0, -4.0
    assert made.sigma(row) == pytest.approx(5.0)
    made.covariance[RATIO, REST_HZ] = made.covariance[REST_HZ, RATIO] = 1.0
    assert made.sigma(row) == pytest.approx(1.0)
