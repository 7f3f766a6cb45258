"""The limit of the difference against closed forms and random runs.

Status of each formula: R, recomputed by a route that does not use it.
"""

import math

import numpy as np
import pytest
from scipy.linalg import solve_discrete_are

from controller.records import ModeId
from controller.tracking.limits import (
    DifferenceModel,
    SharedDrift,
    independent_limits,
    joint_difference_limit_hz,
    joint_limits,
)
from controller.tracking.phase_model import PhaseModel

RUNS = 4000


def alike(model: PhaseModel) -> DifferenceModel:
    return DifferenceModel(lower=model, upper=model)


def test_walk_under_white_frequency_noise() -> None:
    """Scalar Kalman-Bucy filter: variance sqrt(q N) (R).

    A strong signal whose phase diffuses: the frequency walks with q Hz^2/s under white
    frequency noise N = (diffusion)/(2 pi)^2 Hz^2 s. Two equal modes have twice that.
    """
    walk, diffusion, update_s = 1e-3, 1e-4, 1e-3
    model = PhaseModel(
        update_s=update_s,
        phase_noise_rad2_s=1e-16,
        phase_diffusion_rad2_per_s=diffusion,
        frequency_walk_hz_per_root_s=walk,
    )
    frequency_noise = diffusion / (2 * math.pi) ** 2
    expected = math.sqrt(2 * walk * math.sqrt(frequency_noise))
    # First order in T over the filter time sqrt(N)/walk = 1.6 s.
    tolerance = update_s * walk / math.sqrt(frequency_noise)
    assert joint_difference_limit_hz(alike(model)) == pytest.approx(expected, rel=tolerance)


def test_walk_under_white_phase_noise() -> None:
    """Frequency variance sqrt2 omega_n^3 N with omega_n = (q/N)^(1/4) (R)."""
    walk, noise, update_s = 1e-3, 1e-6, 1e-4
    model = PhaseModel(
        update_s=update_s,
        phase_noise_rad2_s=noise,
        phase_diffusion_rad2_per_s=0.0,
        frequency_walk_hz_per_root_s=walk,
    )
    natural = ((2 * math.pi * walk) ** 2 / noise) ** 0.25
    single = math.sqrt(math.sqrt(2) * natural**3 * noise) / (2 * math.pi)
    limit = joint_difference_limit_hz(alike(model))
    assert limit == pytest.approx(math.sqrt(2) * single, rel=natural * update_s)


def test_drift_under_white_frequency_noise() -> None:
    """Scalar filter for dx = -x/t dt + dw: P = N (sqrt(1/t^2 + 2 s^2/(t N)) - 1/t) (R).

    One temperature moves the upper mode alone.
    """
    sigma_k, time_s, coefficient, diffusion, update_s = 0.01, 5.0, 2.0, 1e-3, 1e-3
    still = PhaseModel(
        update_s=update_s,
        phase_noise_rad2_s=1e-15,
        phase_diffusion_rad2_per_s=diffusion,
        frequency_walk_hz_per_root_s=0.0,
    )
    model = DifferenceModel(
        lower=still,
        upper=still,
        shared_drifts=(
            SharedDrift(
                sigma_k=sigma_k, time_s=time_s, lower_hz_per_k=0.0, upper_hz_per_k=coefficient
            ),
        ),
    )
    noise = diffusion / (2 * math.pi) ** 2
    variance_hz2 = (coefficient * sigma_k) ** 2
    rate = math.sqrt(1 / time_s**2 + 2 * variance_hz2 / (time_s * noise))
    expected = math.sqrt(noise * (rate - 1 / time_s))
    # First order in T over the filter time 1/rate.
    assert joint_limits(model).upper_hz == pytest.approx(expected, rel=rate * update_s)
    assert joint_difference_limit_hz(model) == pytest.approx(expected, rel=rate * update_s)


def two_mode_drift() -> DifferenceModel:
    """Unlike modes that share two drifts."""
    lower = PhaseModel(
        update_s=0.01,
        phase_noise_rad2_s=1e-6,
        phase_diffusion_rad2_per_s=1e-4,
        frequency_walk_hz_per_root_s=3e-2,
    )
    upper = PhaseModel(
        update_s=0.01,
        phase_noise_rad2_s=4e-6,
        phase_diffusion_rad2_per_s=2e-4,
        frequency_walk_hz_per_root_s=2e-2,
    )
    room = SharedDrift(sigma_k=1e-3, time_s=0.5, lower_hz_per_k=100.0, upper_hz_per_k=104.0)
    film = SharedDrift(sigma_k=1e-4, time_s=0.1, lower_hz_per_k=-300.0, upper_hz_per_k=-290.0)
    return DifferenceModel(lower=lower, upper=upper, shared_drifts=(room, film))


def simulated(model: DifferenceModel, updates: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Measured phases (updates, 2, RUNS) and last true frequencies (2, RUNS).

    Written from the differential equations with five steps to an update, none of the tested
    code in it; the frequency of a step is its mean over both ends.
    """
    rng = np.random.default_rng(seed)
    fine = 5
    step_s = model.update_s / fine
    modes = (model.lower, model.upper)
    walks = np.array([mode.frequency_walk_hz_per_root_s for mode in modes])[:, None]
    diffusion = np.array([mode.phase_diffusion_rad2_per_s for mode in modes])[:, None]
    noise = np.array([mode.phase_noise_rad2_s / model.update_s for mode in modes])[:, None]
    coefficients = np.array(
        [[drift.hz_per_k(name) for drift in model.shared_drifts] for name in ModeId]
    )
    memory = np.array([math.exp(-step_s / drift.time_s) for drift in model.shared_drifts])
    sigmas = np.array([drift.sigma_k for drift in model.shared_drifts])
    kicks = (sigmas * np.sqrt(1 - memory**2))[:, None]
    temperatures = sigmas[:, None] * rng.standard_normal((len(sigmas), RUNS))
    walk = np.zeros((2, RUNS))
    phases = np.zeros((2, RUNS))
    frequencies = walk + coefficients @ temperatures
    measured = np.empty((updates, 2, RUNS))
    for update in range(updates):
        for _ in range(fine):
            before = frequencies
            temperatures = memory[:, None] * temperatures + kicks * rng.standard_normal(
                temperatures.shape
            )
            walk = walk + walks * math.sqrt(step_s) * rng.standard_normal(walk.shape)
            frequencies = walk + coefficients @ temperatures
            phases = phases + math.pi * step_s * (before + frequencies)
        # Independent of all else, so one kick for the whole update serves.
        phases = phases + np.sqrt(diffusion * model.update_s) * rng.standard_normal(phases.shape)
        measured[update] = phases + np.sqrt(noise) * rng.standard_normal(phases.shape)
    return measured, frequencies


def filtered_hz(
    model: DifferenceModel, measured: np.ndarray, modes: tuple[ModeId, ...]
) -> np.ndarray:
    """Last frequencies of a steady-state filter for some modes, by textbook formulas.

    Discretised by its Taylor series and solved with scipy's Riccati solver, the second
    implementation of what is tested.
    """
    own = [model.of(mode) for mode in modes]
    rows, drifts = len(own), model.shared_drifts
    states = 2 * rows + len(drifts)
    frequencies = np.zeros((rows, states))
    frequencies[:, rows : 2 * rows] = np.eye(rows)
    for position, drift in enumerate(drifts):
        frequencies[:, 2 * rows + position] = [drift.hz_per_k(mode) for mode in modes]
    rates = np.zeros((states, states))
    rates[:rows] = 2 * math.pi * frequencies
    rates[2 * rows :, 2 * rows :] = np.diag([-1 / drift.time_s for drift in drifts])
    diffusion = np.diag(
        [mode.phase_diffusion_rad2_per_s for mode in own]
        + [mode.frequency_walk_hz_per_root_s**2 for mode in own]
        + [2 * drift.sigma_k**2 / drift.time_s for drift in drifts]
    )
    parts = 200  # midpoint sums: an error of (1/200)^2 of a term that is 1e-2 of the whole
    part_s = model.update_s / parts
    short = np.eye(states) + rates * part_s + rates @ rates * part_s**2 / 2
    process, transition = np.zeros((states, states)), np.eye(states)
    for _ in range(parts):
        process += transition @ diffusion @ transition.T * part_s
        transition = short @ transition
    observation = np.eye(rows, states)
    noise = np.diag([mode.phase_noise_rad2_s / model.update_s for mode in own])
    covariance = solve_discrete_are(transition.T, observation.T, process, noise)
    gain = (
        covariance @ observation.T @ np.linalg.inv(observation @ covariance @ observation.T + noise)
    )
    roots = np.linalg.eigvals(transition @ (np.eye(states) - gain @ observation))
    assert np.max(np.abs(roots)) ** (2 * len(measured)) < 0.01, "the run is too short to settle"
    estimate = np.zeros((states, measured.shape[2]))
    for phases in measured:
        estimate = transition @ estimate
        estimate = estimate + gain @ (phases - estimate[:rows])
    return frequencies @ estimate


def test_filters_reach_the_limits_in_a_random_run() -> None:
    """Rms errors of a joint filter and of two single ones over many runs.

    4000 independent runs give each rms to 1/sqrt(8000) = 1.1 %; four standard errors. The
    start has died out to 1 % of the variance: `filtered_hz` checks that.
    """
    model = two_mode_drift()
    measured, truth = simulated(model, updates=1500, seed=11)
    joint = filtered_hz(model, measured, tuple(ModeId)) - truth
    independent = (
        np.vstack(
            [
                filtered_hz(model, measured[:, :1], (ModeId.LOWER,)),
                filtered_hz(model, measured[:, 1:], (ModeId.UPPER,)),
            ]
        )
        - truth
    )
    for errors, limits in ((joint, joint_limits(model)), (independent, independent_limits(model))):
        difference = errors[1] - errors[0]
        tolerance = 4 / math.sqrt(2 * RUNS)
        assert np.sqrt(np.mean(difference**2)) == pytest.approx(limits.difference_hz, rel=tolerance)
        assert np.sqrt(np.mean(errors[0] ** 2)) == pytest.approx(limits.lower_hz, rel=tolerance)
        assert np.sqrt(np.mean(errors[1] ** 2)) == pytest.approx(limits.upper_hz, rel=tolerance)
