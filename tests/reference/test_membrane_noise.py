"""Thermal motion, detector noise and drift against their definitions.

Thermal motion: the Langevin equation with E[z z*] = G 2 x_th^2 delta,
x_th^2 = k_B T / (m w^2); equipartition, E|a|^2 = 2 x_th^2. Its numbers for
1 ng at 1.4 MHz and Q = 1e8 are recomputed from the formulas with k_B of the
SI. White detector noise of one-sided density S: variance S^2 / T in either
quadrature of an average over T; common practice, no source.

Bounds on random figures are the central 99.99 % of their distribution.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats
from numpy.typing import NDArray
from scipy.integrate import quad_vec
from scipy.linalg import expm, solve_continuous_lyapunov

from hardware_sim.environment import Environment, OrnsteinUhlenbeck
from hardware_sim.membrane import (
    TWO_PI,
    ComplexNormals,
    CoupledRates,
    Membrane,
    Motion,
    Pump,
    Resonance,
)
from hardware_sim.options import EnvironmentOptions, LowerOptions, UpperOptions
from hardware_sim.simulator import SimulatedMembrane

COVERED = 0.9999


def variance_agrees(values: NDArray, variance: float) -> bool:
    """Sum of squares of normal values of known mean zero, against chi-square."""
    low, high = scipy.stats.chi2.interval(COVERED, values.size)
    return bool(low < np.sum(np.square(values)) / variance < high)


def parts(values: list[complex]) -> NDArray:
    """Real and imaginary parts as independent normal values."""
    return np.array(values).view(float)


def rates_and_matrix(g_lu: float, g_ul: float) -> tuple[CoupledRates, NDArray]:
    rates = CoupledRates(-0.03 + 0.8j, -0.2 - 1.5j, g_lu, g_ul)
    matrix = np.array([[rates.lower, 1j * g_lu], [1j * g_ul, rates.upper]])
    return rates, matrix


def hermitian(covariance: tuple[float, complex, float]) -> NDArray:
    c_ll, c_lu, c_uu = covariance
    return np.array([[c_ll, c_lu], [np.conj(c_lu), c_uu]])


@pytest.mark.parametrize("step_s", [0.002, 0.02, 3.0])
def test_noise_of_a_step_is_the_integral(step_s: float) -> None:
    """C = int_0^h exp(As) D exp(As)^H ds, by quadrature."""
    rates, matrix = rates_and_matrix(1.3, 0.7)
    strengths = np.diag([0.5, 2.0])

    def integrand(time_s: float) -> NDArray:
        grown = expm(matrix * time_s)
        return grown @ strengths @ grown.conj().T

    expected, _ = quad_vec(integrand, 0.0, step_s, epsrel=1e-12, epsabs=0.0)
    found = hermitian(rates.noise_covariance(rates.propagator(step_s), 0.5, 2.0))
    # The Lyapunov equation divides a difference of size G h D by G: 2^-52 / (G h).
    lost = 2.0**-52 / (0.06 * step_s) + 1e-12
    np.testing.assert_allclose(found, expected, rtol=0.0, atol=100.0 * lost * step_s * 2.0)


def test_noise_of_a_long_step_is_the_stationary_state() -> None:
    """A C + C A^H = -D, by scipy's solver."""
    rates, matrix = rates_and_matrix(1.3, 0.7)
    found = hermitian(rates.noise_covariance(rates.propagator(1e3), 0.5, 2.0))
    expected = solve_continuous_lyapunov(matrix, -np.diag([0.5, 2.0]).astype(complex))
    np.testing.assert_allclose(found, expected, rtol=1e-10)


def test_figures_of_a_nanogram_mode() -> None:
    """x_th = 7.25512 pm for 1 ng, 1.4 MHz, 295 K; force noise 4 k_B T m w / Q."""
    mode = Resonance(1.4e6, 1e8, 1e-12, 295.0, ComplexNormals(np.random.default_rng(0)))
    assert math.sqrt(mode.thermal_variance_m2) == pytest.approx(7.25512e-12, rel=1e-6)
    # A force of one-sided density S_F has E|F_complex|^2 = 2 S_F around resonance, and
    # z = -i F_complex / (2 m w): D = S_F / (2 m^2 w^2).
    force_density = mode.noise_m2_per_s * 2.0 * mode.momentum_kg_rad_per_s**2
    assert force_density == pytest.approx(1.433089e-33, rel=1e-6)


def mean_over_step(motion: Motion, step_s: float) -> complex:
    exponents = np.array(motion.rates) * step_s
    return complex(np.array(motion.coefficients) @ (np.expm1(exponents) / exponents))


@pytest.mark.parametrize("coupling_hz", [0.0, 0.05])
def test_a_mean_over_a_step_has_the_noise_of_a_white_force(coupling_hz: float) -> None:
    """From rest the mean is half the end, and K/12 about it: int_0^1 (s - 1/2)^2 ds.

    Steps of 20 ms against decay times of seconds: what decays is below a
    thousandth of the noise, and the scatter of 6000 numbers is 2 %.
    """
    normals, step_s = ComplexNormals(np.random.default_rng(7)), 0.02
    modes = tuple(Resonance(f, 6e7, 1.1e-11, 295.0, normals) for f in (1.0e6, 1.2e6))
    membrane = Membrane(*modes, normals)
    pump = Pump(0.4, 0.3, TWO_PI * coupling_hz) if coupling_hz else None
    about: tuple[list[complex], list[complex]] = ([], [])
    for _ in range(3000):
        for mode in modes:
            mode.amplitude_m = 0j
        for mode, motion, each in zip(
            modes, membrane.advance(step_s, (0.0, 0.0), [], [], pump), about, strict=True
        ):
            each.append(mean_over_step(motion, step_s) - mode.amplitude_m / 2.0)
    for mode, each in zip(modes, about, strict=True):
        assert variance_agrees(parts(each), mode.noise_m2_per_s * step_s / 24.0)


@pytest.mark.parametrize("seed", [1, 2])
def test_equipartition(seed: int) -> None:
    """E|a|^2 = 2 x_th^2 in each mode, at the start and ever after."""
    normals = ComplexNormals(np.random.default_rng(seed))
    mode = Resonance(1.02e6, 6e7, 1.2e-11, 295.0, normals)
    x_th = 1.380649e-23 * 295.0 / (1.2e-11 * (TWO_PI * 1.02e6) ** 2)
    found = []
    for _ in range(3000):
        mode.advance(30.0 / mode.decay_rate, 0.013, [])  # forgets e^-15 of itself
        found.append(mode.amplitude_m)
    assert variance_agrees(parts(found), x_th)
    starts = [Resonance(1.02e6, 6e7, 1.2e-11, 295.0, normals).amplitude_m for _ in range(3000)]
    assert variance_agrees(parts(starts), x_th)


def test_pumped_modes_have_the_stationary_covariance() -> None:
    """Steps far shorter than the decay add up to the solution of the Lyapunov equation."""
    normals = ComplexNormals(np.random.default_rng(3))
    lower = Resonance(1.0e6, 1e6, 1e-11, 295.0, normals)
    upper = Resonance(1.2e6, 5e5, 2e-11, 295.0, normals)
    membrane, g = Membrane(lower, upper, normals), 9.0
    found = []
    for _ in range(1500):
        for _ in range(12):  # fifteen times 1/G of the slower mode
            membrane.advance(0.2, (0.0, 0.0), [], [], Pump(0.0, 0.0, g))
        found.append((lower.amplitude_m, upper.amplitude_m))
    ratio = math.sqrt(upper.momentum_kg_rad_per_s / lower.momentum_kg_rad_per_s)
    matrix = np.array(
        [[-lower.decay_rate / 2, 1j * g * ratio], [1j * g / ratio, -upper.decay_rate / 2]]
    )
    strengths = np.diag([lower.noise_m2_per_s, upper.noise_m2_per_s]).astype(complex)
    expected = solve_continuous_lyapunov(matrix, -strengths).real
    for index in range(2):
        values = parts([pair[index] for pair in found])
        assert variance_agrees(values, expected[index, index] / 2.0)


def test_kicks_of_both_modes_are_correlated_as_they_should() -> None:
    """E[n_l n_u*] of one step, with a hot lower and a cold upper mode."""
    normals = ComplexNormals(np.random.default_rng(4))
    lower = Resonance(1.0e6, 1e6, 1e-11, 295.0, normals)
    upper = Resonance(1.2e6, 1e6, 1e-11, 0.0, normals)
    membrane, pump, step_s = Membrane(lower, upper, normals), Pump(0.0, 0.0, 8.0), 0.1
    found = []
    for _ in range(4000):
        lower.amplitude_m = upper.amplitude_m = 0j
        membrane.advance(step_s, (0.2, -0.1), [], [], pump)
        found.append((lower.amplitude_m, upper.amplitude_m))
    ratio = math.sqrt(upper.momentum_kg_rad_per_s / lower.momentum_kg_rad_per_s)
    rates = CoupledRates(
        complex(-lower.decay_rate / 2, TWO_PI * 0.2),
        complex(-upper.decay_rate / 2, TWO_PI * -0.1),
        8.0 * ratio,
        8.0 / ratio,
    )
    c_ll, c_lu, c_uu = rates.noise_covariance(rates.propagator(step_s), lower.noise_m2_per_s, 0.0)
    lowers, uppers = np.array(found).T
    assert variance_agrees(lowers.copy().view(float), c_ll / 2.0)
    assert variance_agrees(uppers.copy().view(float), c_uu / 2.0)
    # The mean of N products scatters by sqrt((C_ll C_uu + |C_lu|^2) / N) at most.
    scatter = math.sqrt((c_ll * c_uu + abs(c_lu) ** 2) / len(found))
    assert abs(np.mean(lowers * uppers.conj()) - c_lu) < 4.0 * scatter
    assert abs(c_lu) > 20.0 * scatter


def test_phase_diffuses_as_the_thermal_force_says() -> None:
    """dVar(phi)/dt = G x_th^2 / A^2; over a time t with decay (1 - e^-Gt) e^Gt / (G t) of it."""
    amplitude_m, duration_s = 1e-9, 1.0
    phases = []
    for seed in range(600):
        mode = Resonance(1.02e6, 6e7, 1.2e-11, 295.0, ComplexNormals(np.random.default_rng(seed)))
        mode.amplitude_m = complex(amplitude_m)
        for _ in range(10):
            mode.advance(duration_s / 10, 0.0, [])
        phases.append(np.angle(mode.amplitude_m))
    grown = math.expm1(mode.decay_rate * duration_s)
    assert variance_agrees(np.array(phases), grown * mode.thermal_variance_m2 / amplitude_m**2)


@pytest.mark.parametrize("kind", ["complex", "raw"])
def test_detector_noise(kind: str) -> None:
    """One-sided density S: S^2 rate in each quadrature, S^2 rate / 2 of real samples."""
    density, full_scale_m = 7e-15, 1e-10
    instrument = SimulatedMembrane(
        stream={"kind": kind, "full_scale_m": full_scale_m},
        lower={"start_amplitude_m": 0.0},
        upper={"start_amplitude_m": 0.0},
        environment={"temperature_k": 0.0},
        detector={"noise_m_per_root_hz": density},
    )
    instrument.start()
    samples = instrument.read(1.0).samples
    rate_hz = instrument.stream.sample_rate_hz
    if kind == "raw":
        # Rounding to a level adds a twelfth of its square (common practice, no source).
        variance = density**2 * rate_hz / 2.0 + (full_scale_m / 32767) ** 2 / 12.0
        values = samples.astype(float)
    else:
        variance = density**2 * rate_hz
        values = samples.view(np.float32).astype(float)
    assert variance_agrees(values * instrument.stream.metres_per_unit, variance)
    # White: the halves of the spectrum hold the same power (F distribution).
    power = np.abs(np.fft.fft(values))[1 : len(values) // 2] ** 2
    half = len(power) // 2
    ratio = power[:half].sum() / power[half : 2 * half].sum()
    low, high = scipy.stats.f.interval(COVERED, 2 * half, 2 * half)
    assert low < ratio < high


def test_ornstein_uhlenbeck_process() -> None:
    """E[x(t) x(t+s)] = sigma^2 e^{-s/time}, from many short processes."""
    sigma, time_s, step_s = 2.0, 5.0, 0.5
    pairs = []
    for seed in range(2000):
        process = OrnsteinUhlenbeck(sigma, time_s, step_s, np.random.default_rng(seed))
        values = np.concatenate([process.take(3), process.take(2)])  # lag of 4 steps, in two takes
        pairs.append((values[0], values[4]))
    first, last = np.array(pairs).T
    kept = math.exp(-4 * step_s / time_s)
    assert variance_agrees(first, sigma**2)
    assert variance_agrees(last, sigma**2)
    assert variance_agrees(last - kept * first, sigma**2 * (1.0 - kept**2))


def test_both_modes_share_the_drift() -> None:
    """d f_u / d f_l = f_u c_u / (f_l c_l), for the room alone."""
    lower = LowerOptions(room_per_k=1.30e-4, walk_hz_per_root_s=0.0)
    upper = UpperOptions(room_per_k=1.304e-4, walk_hz_per_root_s=0.0)
    options = EnvironmentOptions(drift_k_per_s=1e-5, cycle_k=0.01, room_sigma_k=1e-3)
    rngs = [np.random.default_rng(seed) for seed in range(4)]
    environment = Environment(options, (lower, upper), 0.02, rngs)
    offsets = np.array([environment.offsets_hz(step) for step in range(0, 40_000, 500)])
    ratio = upper.frequency_hz * 1.304e-4 / (lower.frequency_hz * 1.30e-4)
    np.testing.assert_allclose(offsets[:, 1], ratio * offsets[:, 0], rtol=1e-12, atol=1e-12)


def test_room_and_film_move_the_modes_in_opposite_directions() -> None:
    """E (a_Si - a_SiN)/(2 s (1-nu)) is positive, -E a_SiN/(2 s (1-nu)) negative.

    Thermal expansion of stressed films; E = 250 GPa, nu = 0.23, s = 1 GPa,
    a_Si = 2.6e-6, a_SiN = 1.6e-6 to 2.3e-6 give +49 to +162 and -260 to
    -373 ppm/K.
    """
    for mode in (LowerOptions(), UpperOptions()):
        assert 49e-6 <= mode.room_per_k <= 162e-6
        assert -373e-6 <= mode.film_per_k <= -260e-6
