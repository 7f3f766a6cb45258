"""Parts of the membrane that have no outside witness: continuity, symmetry, limits."""

from __future__ import annotations

import cmath

import numpy as np
import pytest

from hardware_sim.membrane import (
    ComplexNormals,
    CoupledRates,
    Force,
    Membrane,
    Motion,
    Pump,
    Resonance,
)


def membrane(temperature_k: float, seed: int = 1) -> Membrane:
    normals = ComplexNormals(np.random.default_rng(seed))
    lower = Resonance(1.00e6, 6e7, 1.2e-11, temperature_k, normals)
    upper = Resonance(1.01e6, 5e7, 1.5e-11, temperature_k, normals)
    return Membrane(lower, upper, normals)


def value(motion: Motion, time_s: float) -> complex:
    pairs = zip(motion.coefficients, motion.rates, strict=True)
    return sum((weight * cmath.exp(rate * time_s) for weight, rate in pairs), 0j)


@pytest.mark.parametrize("pump", [None, Pump(0.4, 3.0, 0.3)])
def test_motion_leads_from_one_state_to_the_next(pump: Pump | None) -> None:
    warm = membrane(295.0)
    lower_force, upper_force = Force(1e-12 + 2e-12j, 0.5), Force(3e-12j, -8.0)
    for _ in range(5):
        before = warm.lower.amplitude_m, warm.upper.amplitude_m
        lower, upper = warm.advance(0.02, (0.3, -0.2), [lower_force], [upper_force], pump)
        # Terms up to the steady state of the force, 1e-10 m, cancel to 1e-12 m.
        assert value(lower, 0.0) == pytest.approx(before[0], abs=1e-23)
        assert value(upper, 0.0) == pytest.approx(before[1], abs=1e-23)
        assert value(lower, 0.02) == pytest.approx(warm.lower.amplitude_m, abs=1e-23)
        assert value(upper, 0.02) == pytest.approx(warm.upper.amplitude_m, abs=1e-23)


def test_a_weak_pump_is_next_to_none() -> None:
    without, weak = membrane(0.0), membrane(0.0)
    for each, pump in ((without, None), (weak, Pump(0.4, 3.0, 1e-9))):
        each.lower.amplitude_m, each.upper.amplitude_m = 1e-9 + 0j, 5e-10j
        for _ in range(10):
            each.advance(0.02, (0.3, -0.2), [Force(1e-12 + 0j, 0.5)], [], pump)
    # Coupled for 0.2 s at 1e-9 rad/s.
    assert weak.lower.amplitude_m == pytest.approx(without.lower.amplitude_m, rel=1e-9)
    assert weak.upper.amplitude_m == pytest.approx(without.upper.amplitude_m, rel=1e-9)


@pytest.mark.parametrize("pump", [None, Pump(0.4, 0.0, 2.0)])
def test_mean_squares_are_those_of_the_middle(pump: Pump | None) -> None:
    one, other = membrane(0.0), membrane(0.0)
    for each in (one, other):
        each.lower.amplitude_m, each.upper.amplitude_m = 1e-9 + 0j, 5e-10j
    forces = [Force(2e-9j, 0.0)]
    squares = one.mean_squares_m2(0.02, forces, [], pump)
    other.advance(0.01, (0.0, 0.0), forces, [], pump)
    exact = abs(other.lower.amplitude_m) ** 2, abs(other.upper.amplitude_m) ** 2
    # Second order is left out: (2 g h / 2)^2 of 1e-18.
    assert squares == pytest.approx(exact, abs=(2.0 * 2.0 * 0.01) ** 2 * 1e-18)


def test_two_couplings_of_one_rate_add_as_phasors() -> None:
    both = Pump(0.4, 3.0, 0.3).plus(Pump(0.4 + np.pi / 2, 3.0, 0.4), 0.02)
    assert both.coupling_rad_s == pytest.approx(0.5)
    assert both.rate_rad_per_s == pytest.approx(3.0)
    assert both.phase_rad == pytest.approx(0.4 + np.arctan2(0.4, 0.3))


def test_two_couplings_can_cancel() -> None:
    one, other = Pump(0.0, 0.0, 0.3), Pump(0.0, 0.0, -0.3)
    assert one.plus(other, 0.02).coupling_rad_s == 0.0


def test_equal_eigenvalues_are_kept_apart() -> None:
    rates = CoupledRates(-0.01 + 0j, -0.05 + 0j, 0.02, 0.02)  # g = |G_1 - G_2| / 4
    assert 0.0 < abs(rates.splitting(0.02)) * 0.02 < 1e-4


def test_complex_normals_do_not_repeat() -> None:
    normals = ComplexNormals(np.random.default_rng(1))
    assert len({normals.next() for _ in range(10_000)}) == 10_000
