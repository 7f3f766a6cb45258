"""The linear phase model, its discretisation and its steady state."""

import math

import numpy as np
import pytest
from scipy.linalg import solve_discrete_are, solve_discrete_lyapunov

from controller.errors import InputError
from controller.tracking.phase_model import (
    LinearModel,
    PhaseModel,
    discretised,
    mode_phase_model,
    stationary_covariance,
    steady_state,
)

MODE = {
    "frequency_hz": 1.183e6,
    "quality_factor": 6.0e7,
    "mass_kg": 1.2e-11,
    "temperature_k": 295.0,
    "amplitude_m": 1.0e-9,
    "detector_noise": 1.0e-14,
    "walk_hz_per_root_s": 5.0e-3,
    "update_s": 1.0e-3,
}


def three_state_model(update_s: float = 0.02) -> PhaseModel:
    return PhaseModel(
        update_s=update_s,
        phase_noise_rad2_s=1e-6,
        phase_diffusion_rad2_per_s=3e-5,
        frequency_walk_hz_per_root_s=2e-3,
        rate_walk_hz_per_s_per_root_s=5e-4,
    )


def test_process_covariance_holds_every_cross_term() -> None:
    """Integrals of t^a t^b / (a! b!) over one update, written out."""
    interval = 0.02
    phase, frequency, rate = 3e-5, (2 * math.pi * 2e-3) ** 2, (2 * math.pi * 5e-4) ** 2
    expected = np.diag([phase * interval, 0.0, 0.0])
    expected[:2, :2] += frequency * np.array(
        [[interval**3 / 3, interval**2 / 2], [interval**2 / 2, interval]]
    )
    expected += rate * np.array(
        [
            [interval**5 / 20, interval**4 / 8, interval**3 / 6],
            [interval**4 / 8, interval**3 / 3, interval**2 / 2],
            [interval**3 / 6, interval**2 / 2, interval],
        ]
    )
    linear = three_state_model(interval).linear()
    np.testing.assert_allclose(linear.process_covariance, expected, rtol=1e-12)
    np.testing.assert_allclose(
        linear.transition, [[1, interval, interval**2 / 2], [0, 1, interval], [0, 0, 1]]
    )


def test_discretised_decay_keeps_its_stationary_variance() -> None:
    """dx = -x/tau dt + dw with 2 s^2/tau has variance s^2 whatever the step."""
    transition, covariance = discretised(np.array([[-1 / 7.0]]), np.array([[2 * 9.0 / 7.0]]), 2.0)
    assert transition[0, 0] == pytest.approx(math.exp(-2 / 7), rel=1e-14)
    assert covariance[0, 0] == pytest.approx(9.0 * (1 - math.exp(-4 / 7)), rel=1e-13)


@pytest.mark.parametrize("update_s", [1e-3, 2e-2, 0.5])
def test_steady_state_agrees_with_a_second_solver(update_s: float) -> None:
    linear = three_state_model(update_s).linear()
    expected = solve_discrete_are(
        linear.transition.T,
        linear.observation.T,
        linear.process_covariance,
        linear.measurement_covariance,
    )
    # The second solver loses digits as its eigenvalues near the unit circle.
    np.testing.assert_allclose(steady_state(linear).predicted_covariance, expected, rtol=1e-7)


def test_an_update_and_a_prediction_give_the_steady_state_again() -> None:
    linear = three_state_model().linear()
    steady = steady_state(linear)
    again = (
        linear.transition @ steady.filtered_covariance @ linear.transition.T
        + linear.process_covariance
    )
    np.testing.assert_allclose(again, steady.predicted_covariance, rtol=1e-10)


def test_stationary_covariance_agrees_with_a_second_solver() -> None:
    transition = np.array([[0.9, 0.3], [-0.1, 0.8]])
    noise = np.array([[2.0, 0.5], [0.5, 1.0]])
    np.testing.assert_allclose(
        stationary_covariance(transition, noise),
        solve_discrete_lyapunov(transition, noise),
        rtol=1e-12,
    )


def test_an_unstable_system_has_no_stationary_covariance() -> None:
    with pytest.raises(ArithmeticError, match="not stable"):
        stationary_covariance(np.array([[1.0]]), np.array([[1.0]]))


def test_an_unseen_walk_has_no_steady_state() -> None:
    blind = LinearModel(
        transition=np.eye(2),
        process_covariance=np.eye(2),
        observation=np.array([[1.0, 0.0]]),
        measurement_covariance=np.eye(1),
    )
    with pytest.raises(ArithmeticError, match="steady state"):
        steady_state(blind)


def test_mode_model_scales_with_the_amplitude() -> None:
    strong = mode_phase_model(**MODE)
    weak = mode_phase_model(**{**MODE, "amplitude_m": 1e-10})
    assert weak.phase_noise_rad2_s == pytest.approx(100 * strong.phase_noise_rad2_s)
    assert weak.phase_diffusion_rad2_per_s == pytest.approx(100 * strong.phase_diffusion_rad2_per_s)
    assert strong.measurement_variance_rad2 == pytest.approx(1e-10 / 1e-3)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("amplitude_m", 0.0),
        ("quality_factor", -1.0),
        ("mass_kg", math.nan),
        ("detector_noise", math.inf),
        ("temperature_k", -1.0),
    ],
)
def test_bad_constants_are_refused_by_name(name: str, value: float) -> None:
    with pytest.raises(InputError, match=name):
        mode_phase_model(**{**MODE, name: value})


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("update_s", 0.0),
        ("phase_noise_rad2_s", 0.0),
        ("phase_diffusion_rad2_per_s", -1e-9),
        ("frequency_walk_hz_per_root_s", math.nan),
        ("rate_walk_hz_per_s_per_root_s", 0.0),
    ],
)
def test_bad_noise_is_refused_by_name(name: str, value: float) -> None:
    good = {
        "update_s": 0.01,
        "phase_noise_rad2_s": 1e-6,
        "phase_diffusion_rad2_per_s": 0.0,
        "frequency_walk_hz_per_root_s": 1e-3,
    }
    with pytest.raises(InputError, match=name):
        PhaseModel(**{**good, name: value})
