"""Loop design from the noise, its predictions and its tables."""

import math

import numpy as np
import pytest

from controller.errors import InputError
from controller.settings import LoopSettings
from controller.tracking.design import (
    PhaseModel,
    describe,
    design_loop,
    design_report,
    estimate_allan_deviation_hz,
    frequency_error_allan_deviation_hz,
)

MODEL = PhaseModel(
    update_s=0.02,
    phase_noise_rad2_s=1e-6,
    phase_diffusion_rad2_per_s=3e-6,
    frequency_walk_hz_per_root_s=2e-3,
)
THREE_STATES = PhaseModel(
    update_s=0.02,
    phase_noise_rad2_s=1e-6,
    phase_diffusion_rad2_per_s=3e-6,
    frequency_walk_hz_per_root_s=0.0,
    rate_walk_hz_per_s_per_root_s=1e-3,
)


def settings(**tables: dict) -> LoopSettings:
    modes = {
        "lower": {"frequency_hz": 1.183e6, "quality_factor": 6e7, "mass_kg": 1.2e-11},
        "upper": {"frequency_hz": 1.1892e6, "quality_factor": 6e7, "mass_kg": 1.2e-11},
    }
    return LoopSettings.model_validate({"modes": modes, **tables})


def brute_force_allan_hz(model: PhaseModel, count: int) -> float:
    """Allan deviation of the frequency error from its autocovariances."""
    design, linear = design_loop(model), model.linear()
    gain = np.array([design.gains.phase, design.gains.frequency_per_s, design.gains.rate_per_s2])
    gain = gain[: model.order, None]
    step = (np.eye(model.order) - gain @ linear.observation) @ linear.transition
    covariances = [
        (np.linalg.matrix_power(step, lag) @ design.error_covariance)[1, 1]
        for lag in range(2 * count)
    ]
    lags = np.abs(np.subtract.outer(np.arange(2 * count), np.arange(2 * count)))
    weights = np.repeat([-1.0, 1.0], count) / count
    variance = weights @ np.array(covariances)[lags] @ weights
    return math.sqrt(variance / 2) / (2 * math.pi)


@pytest.mark.parametrize("model", [MODEL, THREE_STATES])
def test_predicted_errors_are_consistent(model: PhaseModel) -> None:
    design = design_loop(model)
    assert design.phase_sigma_rad < design.predicted_phase_sigma_rad
    assert design.innovation_sigma_rad**2 == pytest.approx(
        design.predicted_phase_sigma_rad**2 + model.measurement_variance_rad2
    )
    # Of the optimal filter: K_phase = P / (P + R), so the rest is (1 - K) P.
    assert design.phase_sigma_rad**2 == pytest.approx(
        (1 - design.gains.phase) * design.predicted_phase_sigma_rad**2
    )
    assert design.gains.order == model.order
    assert (design.rate_sigma_hz_per_s is None) == (model.order == 2)


def test_more_noise_makes_a_slower_loop() -> None:
    noisy = PhaseModel(
        update_s=0.02,
        phase_noise_rad2_s=1e-4,
        phase_diffusion_rad2_per_s=3e-6,
        frequency_walk_hz_per_root_s=2e-3,
    )
    quiet, slow = design_loop(MODEL), design_loop(noisy)
    assert slow.figures.noise_bandwidth_hz < quiet.figures.noise_bandwidth_hz
    assert slow.frequency_sigma_hz > quiet.frequency_sigma_hz


def test_still_frequency_is_refused() -> None:
    with pytest.raises(InputError, match="frequency_walk_hz_per_root_s is 0"):
        design_loop(
            PhaseModel(
                update_s=0.02,
                phase_noise_rad2_s=1e-4,
                phase_diffusion_rad2_per_s=3e-6,
                frequency_walk_hz_per_root_s=0.0,
            )
        )


@pytest.mark.parametrize("model", [MODEL, THREE_STATES])
@pytest.mark.parametrize("count", [1, 2, 7, 40])
def test_allan_deviation_of_the_error_is_that_of_its_covariances(
    model: PhaseModel, count: int
) -> None:
    predicted = frequency_error_allan_deviation_hz(design_loop(model), [count * model.update_s])
    assert predicted[0] == pytest.approx(brute_force_allan_hz(model, count), rel=1e-8)


def test_allan_deviations_round_to_whole_updates() -> None:
    design = design_loop(MODEL)
    for function in (frequency_error_allan_deviation_hz, estimate_allan_deviation_hz):
        rounded, exact = function(design, [0.0301, 0.04])
        assert rounded == exact
        shortest, update = function(design, [1e-9, MODEL.update_s])
        assert shortest == update


def test_wandering_rate_has_no_allan_deviation() -> None:
    assert np.all(np.isinf(estimate_allan_deviation_hz(design_loop(THREE_STATES), [1.0, 2.0])))


def test_negative_averaging_time_is_refused() -> None:
    with pytest.raises(InputError, match="taus_s"):
        frequency_error_allan_deviation_hz(design_loop(MODEL), [1.0, -1.0])


@pytest.mark.parametrize("model", [MODEL, THREE_STATES])
def test_table_shows_the_textbook_figures(model: PhaseModel) -> None:
    design = design_loop(model)
    table = describe(design, taus_s=[2.0])
    assert f"{design.figures.noise_bandwidth_hz:.4g} Hz" in table
    assert f"{design.frequency_sigma_hz:.4g} Hz rms" in table
    assert ("damping ratio" in table) == (model.order == 2)
    assert ("gain to frequency rate" in table) == (model.order == 3)
    assert f"{frequency_error_allan_deviation_hz(design, [2.0])[0]:.3e}" in table


def test_report_marks_what_it_assumed() -> None:
    report = design_report(settings(tracking={"detector_noise": 2e-14}), update_s=0.005)
    assert "2e-14 m/sqrt(Hz) (from the settings)" in report
    assert report.count("ASSUMED") == 2
    assert "lower mode: 1183000 Hz" in report and "upper mode: 1189200 Hz" in report


def test_given_values_take_precedence() -> None:
    report = design_report(
        settings(tracking={"detector_noise": 2e-14}),
        detector_noise=3e-14,
        common_walk_hz_per_root_s=1e-3,
        separate_walk_hz_per_root_s=1e-5,
    )
    assert "3e-14 m/sqrt(Hz) (given)" in report
    assert "ASSUMED" not in report


def test_undriven_mode_is_designed_for_its_thermal_motion() -> None:
    report = design_report(settings(drive={"amplitude_m": [1e-9, 0.0]}))
    thermal_m = math.sqrt(2 * 1.380649e-23 * 295.0 / 1.2e-11) / (2 * math.pi * 1.1892e6)
    assert f"in thermal motion of about {thermal_m:.4g} m" in report
    assert "held at 1e-09 m" in report
