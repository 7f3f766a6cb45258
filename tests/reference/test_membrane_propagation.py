"""Propagation of the membrane against integrators and closed forms.

The envelope equations are those of two modes coupled by a modulated spring in
the rotating-wave approximation. Their solutions for equal decay are those of
a driven two-level system: C. J. Foot, Atomic Physics (2005), Eqs. 7.41-7.49.
The spring's strength is checked against the full second-order equations,
which know nothing of envelopes: g_lu = c / (4 m_l w_l) for a spring
c cos(w_p t) x_l x_u, derived in `laboratory_motion`.
"""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.linalg import expm

from hardware_sim.membrane import (
    TWO_PI,
    ComplexNormals,
    CoupledRates,
    Force,
    Membrane,
    Motion,
    Pump,
    Resonance,
)
from hardware_sim.simulator import SimulatedMembrane

LOWER_HZ, UPPER_HZ = 1.01e6, 1.018e6
# The integrator's own tolerance; its accumulated error stays within a hundred
# times that over the few radians that these envelopes turn.
RTOL = 1e-11
AGREEMENT = 100 * RTOL


def cold_membrane(
    lower_m: complex,
    upper_m: complex,
    *,
    decay_rates: tuple[float, float] = (0.05, 0.05),
    masses_kg: tuple[float, float] = (1.0e-11, 1.0e-11),
    frequencies_hz: tuple[float, float] = (LOWER_HZ, UPPER_HZ),
) -> Membrane:
    """A membrane at zero temperature with given amplitudes."""
    normals = ComplexNormals(np.random.default_rng(0))
    modes = []
    for amplitude_m, rate, mass_kg, hz in zip(
        (lower_m, upper_m), decay_rates, masses_kg, frequencies_hz, strict=True
    ):
        mode = Resonance(hz, TWO_PI * hz / rate, mass_kg, 0.0, normals)
        mode.amplitude_m = complex(amplitude_m)
        modes.append(mode)
    return Membrane(modes[0], modes[1], normals)


def amplitudes(membrane: Membrane) -> NDArray:
    return np.array([membrane.lower.amplitude_m, membrane.upper.amplitude_m])


def value(motion: Motion, time_s: float) -> complex:
    """A sum of exponentials at one time."""
    return sum(
        (
            coefficient * cmath.exp(rate * time_s)
            for coefficient, rate in zip(motion.coefficients, motion.rates, strict=True)
        ),
        0j,
    )


@pytest.mark.parametrize("seed", range(8))
def test_a_step_is_the_solution_of_the_envelope_equations(seed: int) -> None:
    """da_1/dt = [i(w_1 - w_ref) - G_1/2] a_1 + i g e^{-i phi_p} a_2 + d_1, and so for 2."""
    rng = np.random.default_rng(seed)
    rates = rng.uniform(0.02, 2.0, 2)
    masses_kg = rng.uniform(5e-12, 3e-11, 2)
    start = rng.standard_normal(4).view(complex)
    offsets_hz = rng.uniform(-3.0, 3.0, 2)
    pump = Pump(rng.uniform(0, 6), rng.uniform(-10, 10), rng.uniform(0.1, 5.0))
    forces = [Force(complex(*rng.standard_normal(2)), rng.uniform(-20, 20)) for _ in range(2)]
    membrane = cold_membrane(*start, decay_rates=tuple(rates), masses_kg=tuple(masses_kg))
    # g_12 m_1 w_1 = g_21 m_2 w_2 and g = sqrt(g_12 g_21)
    momenta = masses_kg * np.array([LOWER_HZ, UPPER_HZ])
    g_lu = pump.coupling_rad_s * math.sqrt(momenta[1] / momenta[0])
    g_ul = pump.coupling_rad_s * math.sqrt(momenta[0] / momenta[1])

    def slope(time_s: float, a: NDArray) -> NDArray:
        turn = cmath.exp(1j * (pump.phase_rad + pump.rate_rad_per_s * time_s))
        pushes = [f.push_m_per_s * cmath.exp(1j * f.rate_rad_per_s * time_s) for f in forces]
        own = (2j * math.pi * offsets_hz - rates / 2) * a
        coupled = np.array([1j * g_lu * a[1] / turn, 1j * g_ul * a[0] * turn])
        return own + coupled + np.array(pushes)

    duration_s = 0.7
    found = solve_ivp(
        slope,
        (0.0, duration_s),
        start,
        method="DOP853",
        rtol=RTOL,
        atol=RTOL,
        t_eval=[0.3, duration_s],
    ).y
    lower, upper = membrane.advance(
        duration_s, (offsets_hz[0], offsets_hz[1]), forces[:1], forces[1:], pump
    )
    np.testing.assert_allclose(amplitudes(membrane), found[:, 1], atol=AGREEMENT)
    for time_s, expected in zip((0.0, 0.3, duration_s), (start, *found.T), strict=True):
        inside = [value(lower, time_s), value(upper, time_s)]
        np.testing.assert_allclose(inside, expected, atol=AGREEMENT)


def test_many_steps_are_one_long_step() -> None:
    pump = Pump(0.3, 0.8, 1.1)
    force = Force(0.2 - 0.1j, 2.0)
    whole, split = cold_membrane(1.0, 0.5j), cold_membrane(1.0, 0.5j)
    whole.advance(1.0, (0.4, -0.7), [force], [], pump)
    for index in range(50):
        passed_s = index / 50
        later = Pump(pump.phase_rad + pump.rate_rad_per_s * passed_s, pump.rate_rad_per_s, 1.1)
        push = force.push_m_per_s * cmath.exp(1j * force.rate_rad_per_s * passed_s)
        split.advance(0.02, (0.4, -0.7), [Force(push, force.rate_rad_per_s)], [], later)
    # Fifty roundings of 64-bit numbers, each enlarged by the 1/split of a short step.
    np.testing.assert_allclose(amplitudes(split), amplitudes(whole), atol=1e-12)


@pytest.mark.parametrize("coupling_rad_s", [0.0, 0.0124999999, 0.0125, 0.3])
def test_the_propagator_is_the_matrix_exponential(coupling_rad_s: float) -> None:
    """Also at the exceptional point g = |G_1 - G_2| / 4, where eigenvectors coincide."""
    rates = CoupledRates(-0.05 + 0.0j, -0.075 + 0.0j, coupling_rad_s * 1.3, coupling_rad_s / 1.3)
    matrix = np.array(
        [
            [rates.lower, 1j * rates.lower_from_upper],
            [1j * rates.upper_from_lower, rates.upper],
        ]
    )
    found = np.array(rates.propagator(0.02)).reshape(2, 2)
    # The least splitting changes it by its square over two and leaves 11 digits.
    np.testing.assert_allclose(found, expm(0.02 * matrix), atol=1e-10)


def test_dressed_splitting() -> None:
    """sqrt(4 g^2 - ((G_1 - G_2)/2)^2), with g = 0.1 and decay rates 0.014 and 0.020."""
    rates = CoupledRates(-0.007 + 0j, -0.010 + 0j, 0.1, 0.1)
    assert 2.0 * abs(rates.splitting(0.02).imag) == pytest.approx(0.1999775, abs=5e-8)


def laboratory_motion(
    masses_kg: tuple[float, float],
    omegas: tuple[float, float],
    spring_n_per_m: float,
    pump_phase_rad: float,
    force_n: float,
    duration_s: float,
) -> NDArray:
    """Complex envelopes at the end, from Newton's equations at kilohertz.

    m_l x_l'' + m_l G x_l' + m_l w_l^2 x_l = -c cos(phi_p) x_u + F cos(w_l t)
    m_u x_u'' + m_u G x_u' + m_u w_u^2 x_u = -c cos(phi_p) x_l

    With x = Re a exp(i w t) and slow a the left side is m Re 2 i w a' exp(i w t),
    and the part of cos(phi_p) x_u that turns with w_l is Re a_u exp(-i phi_p) / 2:
    a_l' = i c / (4 m_l w_l) exp(-i phi_p) a_u, a_l' = -i F / (2 m_l w_l).
    """
    decay = 0.8
    (m_l, m_u), (w_l, w_u) = masses_kg, omegas
    w_p = w_u - w_l

    def slope(t: float, y: NDArray) -> list[float]:
        spring = spring_n_per_m * math.cos(w_p * t + pump_phase_rad)
        return [
            y[1],
            -w_l * w_l * y[0] - decay * y[1] + (force_n * math.cos(w_l * t) - spring * y[2]) / m_l,
            y[3],
            -w_u * w_u * y[2] - decay * y[3] - spring * y[0] / m_u,
        ]

    found = solve_ivp(
        slope, (0.0, duration_s), [1.0, 0.0, 0.0, 0.0], method="DOP853", rtol=1e-9, atol=1e-9
    ).y[:, -1]
    turns = np.exp(-1j * np.array(omegas) * duration_s)
    return (found[::2] - 1j * found[1::2] / np.array(omegas)) * turns


def test_envelopes_follow_newtons_equations() -> None:
    """The full second-order equations, scaled to 1 kHz and 1.4 kHz.

    The rotating-wave approximation leaves out the pump's other side band, at
    twice the pump's frequency from resonance: amplitudes are off by
    g/(2 w_p) and angles by g^2/(2 w_p) t for either mode, the damping by
    decay/w: 0.6 mrad, 1.6 mrad and 0.1 mrad here.
    """
    masses_kg, hz = (1.0, 1.7), (1000.0, 1400.0)
    omegas = (TWO_PI * hz[0], TWO_PI * hz[1])
    duration_s, pump_phase_rad, force_n = 0.4, 0.7, 5.0e3
    g = TWO_PI * 0.5
    spring = 4.0 * g * math.sqrt(masses_kg[0] * omegas[0] * masses_kg[1] * omegas[1])
    membrane = cold_membrane(
        1.0, 0.0, decay_rates=(0.8, 0.8), masses_kg=masses_kg, frequencies_hz=hz
    )
    push = Force(membrane.lower.push_m_per_s(force_n, 0.0), 0.0)
    membrane.advance(duration_s, (0.0, 0.0), [push], [], Pump(pump_phase_rad, 0.0, g))
    expected = laboratory_motion(masses_kg, omegas, spring, pump_phase_rad, force_n, duration_s)
    w_p = omegas[1] - omegas[0]
    left_out = g / (2.0 * w_p) + g * g / (2.0 * w_p) * duration_s + 0.8 / omegas[0]
    largest = float(np.max(np.abs(expected)))
    assert np.max(np.abs(amplitudes(membrane) - expected)) < 2.0 * left_out * largest
    assert np.min(np.abs(expected)) > 50.0 * left_out * largest  # both modes have moved


@pytest.mark.parametrize("detuning_hz", [0.0, 0.5, -1.0])
def test_exchange_with_detuning(detuning_hz: float) -> None:
    """|a_l|^2 = e^{-Gt} (2g)^2/W^2 sin^2(Wt/2), W^2 = (2g)^2 + D^2 (Foot Eq. 7.49)."""
    decay, g, detuning = 0.05, TWO_PI * 0.25, TWO_PI * detuning_hz
    exchange = math.hypot(2.0 * g, detuning)
    # Equal m w, so that the exchange is symmetric in metres.
    masses_kg = (1e-11, 1e-11 * LOWER_HZ / UPPER_HZ)
    membrane = cold_membrane(0.0, 1.0, decay_rates=(decay, decay), masses_kg=masses_kg)
    for step in range(1, 41):
        phase_rad = detuning * (step - 1) * 0.05
        membrane.advance(0.05, (0.0, 0.0), [], [], Pump(phase_rad, detuning, g))
        time_s = 0.05 * step
        left = math.exp(-decay * time_s)
        moved = left * (2.0 * g / exchange * math.sin(exchange * time_s / 2.0)) ** 2
        squares = np.abs(amplitudes(membrane)) ** 2
        np.testing.assert_allclose(squares, [moved, left - moved], atol=1e-12)


def test_a_swap_conserves_energy_over_frequency() -> None:
    """Manley and Rowe: the energy changes by w_2 / w_1, E / w stays."""
    hz, masses_kg, g = (1.0e6, 1.1e6), (8e-12, 2e-11), 1.0
    lossless = (1e-9, 1e-9)
    membrane = cold_membrane(
        1e-9, 0.0, decay_rates=lossless, masses_kg=masses_kg, frequencies_hz=hz
    )
    membrane.advance(math.pi / (2.0 * g), (0.0, 0.0), [], [], Pump(0.4, 0.0, g))
    omegas, masses = TWO_PI * np.array(hz), np.array(masses_kg)
    energies = masses * omegas**2 * np.abs(amplitudes(membrane)) ** 2 / 2.0
    before = masses[0] * omegas[0] ** 2 * 1e-18 / 2.0
    assert energies[0] < 1e-12 * before
    assert energies[1] / before == pytest.approx(1.1, rel=1e-8)  # loss of 1e-9 a second


@pytest.mark.parametrize("pump_phase_rad", [0.0, 0.5, 2.0])
def test_a_swap_takes_the_pumps_phase_along(pump_phase_rad: float) -> None:
    """Upward i exp(+i phi_p), downward i exp(-i phi_p)."""
    g, quarter = 1.0, math.pi / 2.0
    pump = Pump(pump_phase_rad, 0.0, g)
    up, down = cold_membrane(1.0, 0.0), cold_membrane(0.0, 1.0)
    up.advance(quarter / g, (0.0, 0.0), [], [], pump)
    down.advance(quarter / g, (0.0, 0.0), [], [], pump)
    assert up.upper.amplitude_m / abs(up.upper.amplitude_m) == pytest.approx(
        cmath.exp(1j * (quarter + pump_phase_rad))
    )
    assert down.lower.amplitude_m / abs(down.lower.amplitude_m) == pytest.approx(
        cmath.exp(1j * (quarter - pump_phase_rad))
    )


def test_weak_conversion() -> None:
    """|a_2| = 2 g A / G_2 with phase phi_1 + phi_p + 90 deg, rising as 1 - e^{-G_2 t/2}."""
    decay, g, pump_phase_rad = 0.05, 1e-5, 0.6
    masses_kg = (1e-11, 1e-11 * LOWER_HZ / UPPER_HZ)
    membrane = cold_membrane(1e-9, 0.0, decay_rates=(decay, decay), masses_kg=masses_kg)
    hold = Force(1e-9 * decay / 2.0 + 0j, 0.0)
    for time_s in (20.0, 40.0, 400.0):
        membrane = cold_membrane(1e-9, 0.0, decay_rates=(decay, decay), masses_kg=masses_kg)
        membrane.advance(time_s, (0.0, 0.0), [hold], [], Pump(pump_phase_rad, 0.0, g))
        risen = 1.0 - math.exp(-decay * time_s / 2.0)
        expected = 2.0 * g * 1e-9 / decay * risen * cmath.exp(1j * (pump_phase_rad + math.pi / 2))
        # What comes back from the upper mode is (2 g / G)^2 of it.
        assert membrane.upper.amplitude_m == pytest.approx(expected, rel=(2 * g / decay) ** 2)


def test_a_driven_mode_settles_ninety_degrees_behind_the_force() -> None:
    """Steady state on resonance: |a| = F Q / (m w^2)."""
    membrane = cold_membrane(0.0, 0.0)
    mode, force_n, phase_rad = membrane.lower, 3e-15, 1.1
    push = Force(mode.push_m_per_s(force_n, phase_rad), 0.0)
    membrane.advance(80.0 / mode.decay_rate, (0.0, 0.0), [push], [], None)
    omega = TWO_PI * LOWER_HZ
    quality = omega / mode.decay_rate
    steady_m = force_n * quality / (1e-11 * omega**2)
    expected = steady_m * cmath.exp(1j * (phase_rad - math.pi / 2))
    assert mode.amplitude_m == pytest.approx(expected, rel=1e-12)


SILENT = {
    "environment": {"temperature_k": 0.0, "room_sigma_k": 0.0},
    "detector": {"noise_m_per_root_hz": 0.0},
}


def quiet_mode(hz: float, **more: float) -> dict[str, float]:
    return {"frequency_hz": hz, "walk_hz_per_root_s": 0.0, **more}


def test_the_stream_shows_the_displacement_as_the_interface_says() -> None:
    """A cos(2 pi f t + phi) appears as A exp(i (2 pi (f - center) t + phi)), raw as itself."""
    modes = {
        "lower": quiet_mode(1.01e6, quality_factor=1e10, start_amplitude_m=1e-9),
        "upper": quiet_mode(1.0187e6, start_amplitude_m=0.0),
    }
    around = SimulatedMembrane(stream={"center_hz": 1.015e6}, **modes, **SILENT)
    raw = SimulatedMembrane(stream={"kind": "raw", "full_scale_m": 2e-9}, **modes, **SILENT)
    for instrument, rate_hz in ((around, 50e3), (raw, 5e6)):
        instrument.start()
        samples = instrument.read(1.0).samples * instrument.stream.metres_per_unit
        times_s = np.arange(len(samples)) / rate_hz
        turns = times_s * (1.01e6 - instrument.stream.center_hz)
        expected = 1e-9 * np.exp(2j * np.pi * turns - np.pi * 1.01e6 / 1e10 * times_s)
        if instrument is raw:
            # Half a level of rounding, and single precision of the products.
            np.testing.assert_allclose(samples, expected.real, atol=0.51 * 2e-9 / 32767)
        else:
            np.testing.assert_allclose(samples, expected, atol=3e-7 * 1e-9)


def test_a_ring_down_with_duffing_chirps() -> None:
    """Phase 2 pi alpha A^2 (1 - e^{-Gt})/G, since |a|^2 falls as e^{-Gt}.

    alpha such that 10 nm shift 1.4 MHz by 34.19 mHz: the Berger estimate
    for a 1 mm membrane, (3/8) beta A^2 with beta = 6.51304e8 per square metre.
    """
    center_hz, amplitude_m, quality = 1.4e6, 1e-8, 2e6
    alpha = 3.0 / 8.0 * 6.51304e8 * center_hz
    assert alpha * amplitude_m**2 == pytest.approx(34.19e-3, abs=5e-6)
    instrument = SimulatedMembrane(
        stream={"center_hz": center_hz, "metres_per_unit": 1e-9},
        lower=quiet_mode(
            center_hz,
            quality_factor=quality,
            duffing_self_hz_per_m2=alpha,
            start_amplitude_m=amplitude_m,
        ),
        upper=quiet_mode(1.405e6, start_amplitude_m=0.0),
        **SILENT,
    )
    instrument.start()
    decay = TWO_PI * center_hz / quality
    for _ in range(50):
        block = instrument.read(1.0)
    times_s = (block.first_sample + np.arange(len(block.samples))) / 50e3
    phase_rad = TWO_PI * alpha * amplitude_m**2 * -np.expm1(-decay * times_s) / decay
    # The midpoint rule per step of h leaves (G h)^2/24 of the phase gained; within a
    # step the frequency stands still, which leaves 2 pi alpha A^2 G h^2/8 at most.
    step = decay * 0.02
    left = phase_rad[-1] * (step**2 / 8.0) + TWO_PI * alpha * amplitude_m**2 * step * 0.02 / 8.0
    errors = np.angle(block.samples * np.exp(-1j * phase_rad))
    assert np.max(np.abs(errors)) < 1.1 * left + 1e-6  # single precision
    assert phase_rad[-1] > 100.0 * left
