"""Transfers by a chirp against the law of Landau and Zener, and against scipy's integration.

P_stay = exp(-pi Gamma^2/(2 alpha)), Gamma = 2 g, alpha = d(omega)/dt: L. Novotny,
Am. J. Phys. 78, 1199 (2010), Eqs. 15 and 16, whose numbers for alpha = 1 are 0.868167
(Gamma = 0.3) and 0.207880 (Gamma = 1).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from controller.analysis.protocols.adiabatic_transfer import (
    Chirp,
    adiabatic_transfer,
    expected_fraction,
)
from controller.analysis.protocols.transfers import Decay
from tests.support.pulses import PUMP, adiabatic_steps, sequences
from tests.support.two_modes import Bench

TWO_PI = 2.0 * math.pi


def chirp(half_span_rad_s: float, step_s: float, start: tuple[complex, complex]) -> Chirp:
    """At alpha = 1 rad/s^2, from minus to plus half the span."""
    count = round(2.0 * half_span_rad_s / step_s)
    return Chirp(
        start=np.array(start),
        detunings_rad_s=step_s * (np.arange(count) + 0.5) - half_span_rad_s,
        step_s=step_s,
        last_step_s=0.0,
        duration_s=count * step_s,
        tracked_sigma_hz=1e-3,
        transferred=0.5,
        diffusion_rad2=1e-4,
        kept=1.0,
    )


def decay(lower_per_s: float, upper_per_s: float) -> Decay:
    return Decay(
        rates_per_s=np.array([lower_per_s, upper_per_s]),
        asymmetry=0.0,
        covariance=1e-12 * np.eye(3),
    )


@pytest.mark.parametrize(("gap_rad_s", "stays"), [(0.3, 0.868167), (1.0, 0.207880)])
def test_a_long_chirp_leaves_what_the_law_says(gap_rad_s: float, stays: float) -> None:
    # The ripple of a chirp that ends at D falls as Gamma/D: at most that at D = 300.
    values = np.array([0.5 * gap_rad_s, 0.0, 0.0, 0.0, 0.0, 0.0])
    found = expected_fraction(chirp(300.0, 2e-3, (0.0, 1.0)), values, decay(1e-9, 1e-9))
    assert stays == pytest.approx(math.exp(-0.5 * math.pi * gap_rad_s**2), abs=1e-6)
    assert 1.0 - found == pytest.approx(stays, abs=gap_rad_s / 300.0)


@pytest.mark.parametrize("phase_rad", [0.0, 1.3])
def test_a_short_chirp_with_decay_does_what_the_equations_of_motion_do(phase_rad: float) -> None:
    g, half_span, lower, upper = 0.5, 8.0, 0.02, 0.1
    start = (0.05 * np.exp(0.4j), 1.0 + 0.0j)

    def slope(time_s: float, amplitudes: np.ndarray) -> np.ndarray:
        detuning = time_s - half_span
        turn = g * np.exp(-1j * phase_rad)
        return np.array(
            [
                -0.5 * lower * amplitudes[0] + 1j * turn * amplitudes[1],
                (-0.5 * upper - 1j * detuning) * amplitudes[1]
                + 1j * turn.conjugate() * amplitudes[0],
            ]
        )

    solution = solve_ivp(
        slope, (0.0, 2.0 * half_span), np.array(start, complex), rtol=1e-10, atol=1e-12
    )
    powers = np.abs(solution.y[:, -1]) ** 2
    values = np.array([g, phase_rad, 0.0, 0.0, 0.0, 0.0])
    found = expected_fraction(chirp(half_span, 1e-3, start), values, decay(lower, upper))
    # Frequencies are held over each step: an error of order alpha g dt^2 per unit of time.
    assert found == pytest.approx(powers[0] / powers.sum(), abs=1e-5)


def test_the_rates_follow_from_the_law() -> None:
    """At the fastest safe chirp 5 % stay; at the slowest useful one half is lost; numerically."""
    bench = Bench()
    results = adiabatic_transfer(sequences(bench, adiabatic_steps(bench), [51])[0].data).results
    assert results is not None
    numbers = {name: value for name, value in results.items() if isinstance(value, float)}
    gap_rad_s = 2.0 * TWO_PI * numbers["coupling_hz"]

    def stays(rate_hz_per_s: np.ndarray | float) -> np.ndarray:
        return np.exp(-math.pi * gap_rad_s**2 / (2.0 * TWO_PI * np.asarray(rate_hz_per_s)))

    assert stays(numbers["fastest_safe_chirp_hz_per_s"]) == pytest.approx(0.05)
    # During a sweep of this length half of the energy is gone.
    span_hz = 8.0 * 2.0 * bench.coupling_hz_per_unit * PUMP
    sweep_s = span_hz / numbers["slowest_useful_chirp_hz_per_s"]
    half_life_s = math.log(2.0) * numbers["energy_decay_time_s"]
    assert sweep_s == pytest.approx(half_life_s, rel=0.01)  # spans are in whole updates
    rates = np.geomspace(1e-3, 10.0, 100_001)
    arrived = (1.0 - stays(rates)) * np.exp(-span_hz / rates / numbers["energy_decay_time_s"])
    assert numbers["largest_transfer"] == pytest.approx(float(arrived.max()), rel=0.01)
    best = float(rates[np.argmax(arrived)])
    assert numbers["best_chirp_hz_per_s"] == pytest.approx(best, rel=0.01)
