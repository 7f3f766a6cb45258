"""The simpler estimators against textbook figures, theory and a second implementation.

Status of each formula: R, recomputed by a route that does not use it; M,
attribution from memory.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from controller.instrument import StreamFormat
from controller.limits.rivals import (
    BasebandCapture,
    Basebands,
    fixed_loop_differences_hz,
    independent_filters_difference_hz,
    polynomial_difference_hz,
    single_mode_model,
)
from controller.records import ModeId
from controller.tracking.limits import DifferenceModel, SharedDrift, independent_limits
from controller.tracking.phase_model import PhaseModel, steady_state

RATE_HZ = 400.0
PERIOD_S = 1.0 / RATE_HZ
MIX_HZ = (812_000.0, 818_300.0)
DAMPING = math.sqrt(0.5)
NATURAL_PER_BANDWIDTH = 2.0 / (DAMPING + 0.25 / DAMPING)  # F. M. Gardner, Phaselock Techniques: M


def basebands_of(turns: np.ndarray) -> Basebands:
    """Lines of amplitude 1 with given phases about the mix frequencies, shape (n, 2)."""
    return Basebands(
        samples=np.exp(2j * np.pi * turns),
        times_s=np.arange(len(turns)) / RATE_HZ,
        rate_hz=RATE_HZ,
        mix_hz=MIX_HZ,
    )


# --- loops of fixed bandwidth --------------------------------------------------------------
#
# Frequency per phase of a second-order loop is s omega_n^2 / (s^2 + 2 zeta omega_n s + omega_n^2),
# so white phase noise of variance v per update gives the frequency the variance
# v T omega_n^3 / (4 zeta) in (rad/s)^2 (integral of |s/(...)|^2 df = 1 / (4 zeta omega_n): R).


@pytest.mark.parametrize("bandwidth_hz", [0.1, 0.3, 1.0, 3.0])
def test_a_kick_of_the_phase_shows_the_noise_bandwidth(bandwidth_hz: float) -> None:
    """B_L from the energy of the response to one kicked sample."""
    kick_turns, settled = 1e-4, 10
    turns = np.zeros((settled + round(20.0 / bandwidth_hz * RATE_HZ), 2))
    turns[settled, 1] = kick_turns
    looped = fixed_loop_differences_hz(basebands_of(turns), (bandwidth_hz,), MIX_HZ)[:, 0]
    response_per_s = (looped - (MIX_HZ[1] - MIX_HZ[0])) / kick_turns
    natural = (4.0 * DAMPING * np.sum(response_per_s**2) / PERIOD_S) ** (1.0 / 3.0)
    # The sampled loop is that of the books to a fraction of omega_n T.
    assert natural / NATURAL_PER_BANDWIDTH == pytest.approx(bandwidth_hz, rel=natural * PERIOD_S)


@pytest.mark.parametrize("bandwidth_hz", [1.0, 3.0])
def test_white_phase_noise_through_both_loops(bandwidth_hz: float) -> None:
    sigma_turns, duration_s = 1e-3, 150.0
    rng = np.random.default_rng(8)
    turns = sigma_turns * rng.standard_normal((round(duration_s * RATE_HZ), 2))
    looped = fixed_loop_differences_hz(basebands_of(turns), (bandwidth_hz,), MIX_HZ)[:, 0]
    natural = NATURAL_PER_BANDWIDTH * bandwidth_hz
    expected_hz2 = 2.0 * sigma_turns**2 * PERIOD_S * natural**3 / (4.0 * DAMPING)
    # At least 2 B_L times the duration independent values; four standard errors, and omega_n T.
    tolerance = 4.0 * math.sqrt(1.0 / (bandwidth_hz * duration_s)) + natural * PERIOD_S
    assert np.var(looped) == pytest.approx(expected_hz2, rel=tolerance)


# --- two optimal filters -------------------------------------------------------------------

LONG_S = 1e6  # an Ornstein-Uhlenbeck drift of this memory walks over any run


def two_modes(
    diffusion: float, noise: float, own_walk: float, shared_walk: float
) -> DifferenceModel:
    """Unlike modes: the upper one noisier, and moved a tenth more by what they share."""

    def mode(scale: float) -> PhaseModel:
        return PhaseModel(
            update_s=PERIOD_S,
            phase_noise_rad2_s=noise * scale,
            phase_diffusion_rad2_per_s=diffusion * scale,
            frequency_walk_hz_per_root_s=own_walk * scale,
        )

    sigma_k = shared_walk * math.sqrt(LONG_S / 2.0)
    shared = SharedDrift(sigma_k=sigma_k, time_s=LONG_S, lower_hz_per_k=1.0, upper_hz_per_k=1.1)
    return DifferenceModel(lower=mode(1.0), upper=mode(1.5), shared_drifts=(shared,))


def stationary_record(
    model: DifferenceModel, shared_walk: float, updates: int, seed: int
) -> tuple[Basebands, np.ndarray]:
    """Noisy basebands and the true difference; from the equations, with four steps an update."""
    rng = np.random.default_rng(seed)
    steps_per_update = 4
    step_s = PERIOD_S / steps_per_update
    steps = updates * steps_per_update
    modes = (model.lower, model.upper)
    shared_hz = shared_walk * math.sqrt(step_s) * np.cumsum(rng.standard_normal(steps))
    turns, truths_hz = np.empty((updates, 2)), np.empty((updates, 2))
    for column, (mode, coupling) in enumerate(zip(modes, (1.0, 1.1), strict=True)):
        walk = mode.frequency_walk_hz_per_root_s * math.sqrt(step_s)
        frequency_hz = coupling * shared_hz + walk * np.cumsum(rng.standard_normal(steps))
        before_hz = np.concatenate([[0.0], frequency_hz[:-1]])
        kicks_rad = math.sqrt(mode.phase_diffusion_rad2_per_s * step_s) * rng.standard_normal(steps)
        phase = np.cumsum((before_hz + frequency_hz) / 2.0 * step_s + kicks_rad / (2.0 * math.pi))
        noise_rad = math.sqrt(mode.measurement_variance_rad2) * rng.standard_normal(updates)
        last = slice(steps_per_update - 1, None, steps_per_update)
        turns[:, column] = phase[last] + noise_rad / (2.0 * math.pi)
        truths_hz[:, column] = frequency_hz[last]
    return basebands_of(turns), MIX_HZ[1] - MIX_HZ[0] + truths_hz[:, 1] - truths_hz[:, 0]


def slowest_memory_s(model: DifferenceModel) -> float:
    """The longest time constant of the errors of both filters."""
    largest = 0.0
    for mode in ModeId:
        linear = single_mode_model(model, mode).linear()
        gain = steady_state(linear).gain
        closed = (np.eye(2) - gain @ linear.observation) @ linear.transition
        largest = max(largest, float(np.max(np.abs(np.linalg.eigvals(closed)))))
    return -PERIOD_S / math.log(largest)


@pytest.mark.parametrize(
    ("diffusion", "noise", "own_walk", "shared_walk"),
    [
        (8e-7, 2e-11, 2e-5, 1.4e-2),  # strong signal in a wandering room: diffusion rules
        (1e-7, 1e-7, 1e-3, 5e-3),  # weak signal: detector noise rules
        (1e-5, 1e-8, 1e-2, 1e-3),  # modes that walk on their own
    ],
)
def test_two_optimal_filters_reach_their_limit(
    diffusion: float, noise: float, own_walk: float, shared_walk: float
) -> None:
    model = two_modes(diffusion, noise, own_walk, shared_walk)
    memory_s = slowest_memory_s(model)
    skipped, updates = round(20.0 * memory_s * RATE_HZ), 60_000
    squares = []
    for seed in range(3):
        lines, truth_hz = stationary_record(model, shared_walk, updates, seed)
        filtered = independent_filters_difference_hz(lines, model, MIX_HZ)
        squares.append(np.mean((filtered - truth_hz)[skipped:] ** 2))
    measured_hz = math.sqrt(np.mean(squares))
    # Errors that forget as exp(-t / memory) are independent every two memories, squares of them
    # every one; four standard errors of the root of a mean square.
    independent = 3 * (updates - skipped) * PERIOD_S / memory_s
    tolerance = 4.0 / math.sqrt(2.0 * independent)
    assert tolerance < 0.15
    assert measured_hz == pytest.approx(independent_limits(model).difference_hz, rel=tolerance), (
        f"{measured_hz=}"
    )


# --- the local polynomial ------------------------------------------------------------------


@pytest.mark.parametrize("window_s", [0.0075, 0.1, 1.0, 4.0])
def test_the_local_parabola_is_that_of_polyfit(window_s: float) -> None:
    """numpy.polyfit of the last stretch, differentiated at its end."""
    rng = np.random.default_rng(11)
    turns = np.cumsum(0.01 * rng.standard_normal((2_500, 2)), axis=0)
    fitted = polynomial_difference_hz(basebands_of(turns), window_s)
    length = round(window_s * RATE_HZ)
    difference = turns[:, 1] - turns[:, 0]
    assert np.isnan(fitted[: length - 1]).all()
    about_end_s = (np.arange(length) - (length - 1)) * PERIOD_S
    for end in (length, length + 1, 2_000, 2_500):
        _, slope_hz, _ = np.polyfit(about_end_s, difference[end - length : end], 2)
        # Sums of some turns, to 1e-16 times the condition of the fit, over the window.
        assert fitted[end - 1] == pytest.approx(6_300.0 + slope_hz, abs=1e-8)


# --- the capture ---------------------------------------------------------------------------


def test_white_noise_keeps_its_density() -> None:
    """One-sided density S: S^2 f_s in each quadrature of a complex stream, and S^2 times twice
    the bandwidth in each quadrature of a band of a baseband."""
    stream = StreamFormat(20_000.0, 815_000.0, "complex64", 1.0, 100.0)
    density, band_hz = 0.01, 40.0
    rng = np.random.default_rng(12)
    noise = rng.standard_normal((600_000, 2)) * density * math.sqrt(stream.sample_rate_hz)
    capture = BasebandCapture(stream, MIX_HZ)
    capture.process(noise.astype(np.float32).view(np.complex64)[:, 0], 0)
    found = capture.basebands()
    spectrum = np.fft.fft(found.samples, axis=0) / len(found.samples)
    inside = np.abs(np.fft.fftfreq(len(found.samples), PERIOD_S)) < band_hz
    in_band = np.sum(np.abs(spectrum[inside]) ** 2) / 2.0  # mean of both modes
    # Every bin of both modes is an exponential variate; four standard errors.
    bins = 2 * np.count_nonzero(inside)
    expected = 2.0 * density**2 * 2.0 * band_hz
    assert in_band == pytest.approx(expected, rel=4.0 / math.sqrt(bins) + 1.0 / bins)
