"""Ramsey fringes and echoes against the equations of motion, integrated by scipy.

The witness is an ordinary differential equation of two coupled amplitudes
(da_1/dt = (i w_1 - gamma_1/2) a_1 + i g e^(-i phi) a_2 and its like) with a pump whose
phase is prescribed. That classical modes dephase as their energy decays: T. Faust et al.,
Nature Physics 9, 485 (2013), T_1 = T_2 = T_2*; the law of the fringes is common practice.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from controller.analysis.protocols.fringes import LastPulse
from controller.analysis.protocols.ramsey import ramsey
from tests.support.pulses import STEP_HZ, ramsey_steps, sequences
from tests.support.two_modes import Bench, Mode

TWO_PI = 2.0 * math.pi


def after_pulse(
    start: np.ndarray, coupling_rad_s: float, decays_per_s: tuple[float, float], duration_s: float
) -> np.ndarray:
    """Both amplitudes after a resonant pulse of phase 0."""

    def slope(_: float, amplitudes: np.ndarray) -> np.ndarray:
        lower, upper = amplitudes
        return np.array(
            [
                -0.5 * decays_per_s[0] * lower + 1j * coupling_rad_s * upper,
                -0.5 * decays_per_s[1] * upper + 1j * coupling_rad_s * lower,
            ]
        )

    solution = solve_ivp(slope, (0.0, duration_s), start, rtol=1e-10, atol=1e-12)
    return np.asarray(solution.y[:, -1])


@pytest.mark.parametrize("decays_per_s", [(0.09, 0.09), (0.05, 0.15)])
@pytest.mark.parametrize("coupling_rad_s", [0.2, 0.25])
def test_a_pulse_does_what_the_equations_of_motion_do(
    decays_per_s: tuple[float, float], coupling_rad_s: float
) -> None:
    duration_s = 6.25
    phases_rad, tilts = np.array([0.3, 2.0, 4.5]), np.array([-0.4, 0.0, 0.3])
    pulse = LastPulse(duration_s=duration_s, decays_per_s=decays_per_s)
    found = pulse.transferred(2.0 * coupling_rad_s * duration_s, phases_rad, tilts)
    for phase_rad, tilt, fraction in zip(phases_rad, tilts, found, strict=True):
        upper = math.sqrt(0.5 * (1.0 - tilt)) * np.exp(-1j * phase_rad)
        start = np.array([math.sqrt(0.5 * (1.0 + tilt)), upper])
        powers = np.abs(after_pulse(start, coupling_rad_s, decays_per_s, duration_s)) ** 2
        assert fraction == pytest.approx(powers[0] / powers.sum(), abs=1e-8)


def test_cold_fringes_have_the_frequency_by_which_the_pump_runs_ahead() -> None:
    """Almost no noise: frequency and contrast to what the walk of the difference leaves."""
    bench = Bench(
        temperature_k=1.0,
        tracking_bias_hz=0.002,
        tracking_sigma_hz=0.0,
        separate_walk_hz_per_root_s=1e-7,
        gain_walk_per_root_s=1e-6,
    )
    result = ramsey(sequences(bench, ramsey_steps(bench), [41])[0].data)
    assert result.results is not None, result.failure
    sigma_hz = result.results["fringe_hz_sigma"]
    assert isinstance(sigma_hz, float) and sigma_hz < 5e-5
    assert result.results["fringe_hz"] == pytest.approx(STEP_HZ + 0.002, abs=5.0 * sigma_hz)
    assert result.results["contrast"] == pytest.approx(1.0, abs=5e-3)


def test_two_classical_modes_dephase_as_their_energy_decays() -> None:
    """T_2 = T_1, also with unequal decay rates, to about a hundredth."""
    bench = Bench(
        temperature_k=20.0,
        lower=Mode(frequency_hz=912e3, decay_rate_per_s=0.08),
        upper=Mode(frequency_hz=919e3, decay_rate_per_s=0.11),
    )
    results = ramsey(sequences(bench, ramsey_steps(bench), [42])[0].data).results
    assert results is not None
    dephasing_s, decay_s = results["dephasing_time_s"], results["energy_decay_time_s"]
    assert isinstance(dephasing_s, float) and isinstance(decay_s, float)
    assert dephasing_s == pytest.approx(decay_s, rel=0.015)
    assert decay_s == pytest.approx(2.0 / (0.08 + 0.11), rel=0.015)
