"""The observer on an exchange that knows no rotating wave.

Witness: scipy.integrate.solve_ivp on the second-order equations of two modes of
unit mass in the laboratory frame, with a spring between them that is modulated at
the pump's frequency,

    x_k'' + gamma x_k' + w_k^2 x_k = -c cos(w_p t + phi) x_j,   g = c / (4 sqrt(w_1 w_2)),

(check: full swap at pi / (2 g); derived, and confirmed against the full equations
to 0.02 %). Frequencies are scaled to some hundred hertz so that it is affordable.
Terms that the rotating-wave approximation drops shift the modes by about
(g / 2 pi)^2 / (f_2 - f_1), here 3e-4 Hz: that is the tolerance of the difference.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from controller.signal.downconverter import DownConverter, DownConverterConfig
from controller.tracking.observer import Observer, ObserverConfig
from controller.tracking.observer_motion import ObserverInput

TWO_PI = 2.0 * math.pi
RATE_HZ = 8000.0
LOWER_HZ, UPPER_HZ = 400.0, 610.0
COUPLING_HZ = 0.25  # g / 2 pi
DECAY_TIME_S = 5.0
DURATION_S = 10.0
PUMP_PHASE_RAD = 0.7
DETUNING_HZ = 0.02  # of the pump
START_ERROR_HZ = 0.05  # of what the observer is told of the difference
DISPLACEMENT_NOISE = 1e-5  # one-sided, per root hertz, of a motion of 1


@pytest.fixture(scope="module")
def displacement() -> np.ndarray:
    """Sum of both displacements, from the equations in the laboratory frame."""
    lower, upper = TWO_PI * LOWER_HZ, TWO_PI * UPPER_HZ
    gamma = 2.0 / DECAY_TIME_S
    pump = TWO_PI * (UPPER_HZ - LOWER_HZ + DETUNING_HZ)
    spring = 4.0 * math.sqrt(lower * upper) * TWO_PI * COUPLING_HZ

    def slope(time_s: float, y: list[float]) -> list[float]:
        force = spring * math.cos(pump * time_s + PUMP_PHASE_RAD)
        return [
            y[1],
            -gamma * y[1] - lower * lower * y[0] - force * y[2],
            y[3],
            -gamma * y[3] - upper * upper * y[2] - force * y[0],
        ]

    times_s = np.arange(round(DURATION_S * RATE_HZ)) / RATE_HZ
    solution = solve_ivp(
        slope,
        (0.0, times_s[-1]),
        [0.0, 0.0, 1.0, 0.0],
        method="DOP853",
        t_eval=times_s,
        rtol=1e-8,
        atol=1e-10,
    )
    noise = np.random.default_rng(4).standard_normal(len(times_s))
    total = solution.y[0] + solution.y[2] + DISPLACEMENT_NOISE * math.sqrt(RATE_HZ / 2.0) * noise
    return total.astype(np.float32)


def observed(displacement: np.ndarray) -> tuple[Observer, list]:
    """The observer's way through the record, 25 updates a second."""
    config = DownConverterConfig(
        sample_rate_hz=RATE_HZ,
        frequencies_hz=(LOWER_HZ, UPPER_HZ),
        decimation=80,
        pass_band_hz=10.0,
    )
    baseband = DownConverter(config).process(displacement, 0)
    per_update = 4
    count = len(baseband.samples) // per_update
    readings = baseband.samples[: count * per_update].reshape(count, per_update, 2).mean(axis=1)
    times_s = (
        baseband.center_indices[: count * per_update].reshape(count, per_update).mean(axis=1)
        / RATE_HZ
    )
    step_s = per_update * config.decimation / RATE_HZ
    rho = math.sqrt(UPPER_HZ / LOWER_HZ)  # equal masses: g_12 w_1 = g_21 w_2 in metres
    observer = Observer(
        ObserverConfig(
            scale=1.0,
            detector_noise=(DISPLACEMENT_NOISE, DISPLACEMENT_NOISE),
            thermal_amplitude=(0.0, 0.0),
            decay_rate_per_s=(2.2 / DECAY_TIME_S, 1.8 / DECAY_TIME_S),
            decay_rate_sigma=0.2,
            frequency_hz=(0.0, START_ERROR_HZ),
            frequency_sigma_hz=(0.05, 0.05),
            ratio=UPPER_HZ / LOWER_HZ - 1.0,
            ratio_sigma=0.01,
            shift_hz=(0.0, 0.0),
            shift_sigma_hz=(1e-6, 1e-6),
            coupling_hz=1.2 * COUPLING_HZ + 0j,
            coupling_sigma_hz=0.3 * COUPLING_HZ,
            asymmetry=math.log(rho),
            asymmetry_sigma=0.05,
            shared_walk_hz_per_root_s=1e-6,
            separate_walk_hz_per_root_s=1e-6,
        )
    )
    pump_hz = UPPER_HZ - LOWER_HZ + DETUNING_HZ
    estimates = []
    for reading, time_s in zip(readings, times_s, strict=True):
        middle_s = time_s - 0.5 * step_s
        phase_rad = TWO_PI * (pump_hz - (UPPER_HZ - LOWER_HZ)) * middle_s + PUMP_PHASE_RAD
        act = ObserverInput(pump=1.0, pump_rad=phase_rad)
        estimates.append(observer.process((complex(reading[0]), complex(reading[1])), step_s, act))
    return observer, estimates


def test_difference_is_held_through_the_nulls(displacement: np.ndarray) -> None:
    _, estimates = observed(displacement)
    settled = estimates[len(estimates) // 4 :]
    dropped_by_rotating_wave_hz = COUPLING_HZ**2 / (UPPER_HZ - LOWER_HZ)
    for estimate in settled:
        allowed_hz = dropped_by_rotating_wave_hz + 4.0 * estimate.difference_sigma_hz
        assert abs(estimate.difference_hz) < allowed_hz


def test_coupling_comes_out_within_a_thousandth(displacement: np.ndarray) -> None:
    _, estimates = observed(displacement)
    assert abs(abs(estimates[-1].coupling_hz) - COUPLING_HZ) < 1e-3 * COUPLING_HZ


def test_the_record_holds_nulls(displacement: np.ndarray) -> None:
    """Otherwise the first test would say nothing."""
    _, estimates = observed(displacement)
    upper = np.array([abs(estimate.amplitudes[1]) for estimate in estimates])
    lower = np.array([abs(estimate.amplitudes[0]) for estimate in estimates])
    assert (upper / np.hypot(upper, lower)).min() < 0.05
    assert (lower / np.hypot(upper, lower)).min() < 0.05
