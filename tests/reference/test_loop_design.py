"""Loop design against the phase-lock textbooks and published gains.

Status of each number: C, confirmed in a source that was read; R, recomputed
by a route that does not use it; M, attribution from memory.
"""

import math
from collections.abc import Callable

import numpy as np
import pytest

from controller.tracking.design import (
    LoopDesign,
    PhaseModel,
    design_loop,
    estimate_allan_deviation_hz,
    frequency_error_allan_deviation_hz,
)
from controller.tracking.loop_figures import (
    LoopGains,
    closed_loop_response,
    controlled_root_gains,
    drift_phase_error_rad,
    loop_figures,
    second_order_gains,
)
from controller.tracking.phase_model import LinearModel, mode_phase_model, steady_state

# A sampled loop tends to the continuous one of the books as omega_n T goes to
# zero; its figures differ by a fraction of omega_n T (about one, by expansion).
UPDATE_S = 1e-4
DAMPINGS = (0.5, math.sqrt(0.5), 1.0)


def slow_loop(damping: float) -> tuple[LoopGains, float]:
    """Gains with omega_n = 1 rad/s, and the tolerance omega_n T."""
    bandwidth_hz = (damping + 1 / (4 * damping)) / 2
    return second_order_gains(bandwidth_hz, damping, UPDATE_S), UPDATE_S


# --- F. M. Gardner, Phaselock Techniques; R. E. Best gives the same B_L -------------------


@pytest.mark.parametrize("damping", DAMPINGS)
def test_noise_bandwidth_over_natural_frequency(damping: float) -> None:
    """B_L = omega_n (zeta + 1/(4 zeta))/2: C (Best), R."""
    gains, tolerance = slow_loop(damping)
    assert loop_figures(gains, UPDATE_S).natural_frequency_rad_per_s == pytest.approx(
        1.0, rel=tolerance
    )


@pytest.mark.parametrize(
    ("damping", "three_db", "peaking_db"),
    list(zip(DAMPINGS, (1.817354, 2.058171, 2.482394), (3.3339, 2.0899, 1.2494), strict=True)),
)
def test_three_db_point_and_peaking(damping: float, three_db: float, peaking_db: float) -> None:
    """Omega_3dB/omega_n = sqrt(1 + 2 z^2 + sqrt((1 + 2 z^2)^2 + 1)): M, R. Peaking: R."""
    gains, tolerance = slow_loop(damping)
    figures = loop_figures(gains, UPDATE_S)
    assert figures.three_db_bandwidth_hz is not None
    # A factor two: the upper corner moves with z as well as with omega_n.
    assert 2 * math.pi * figures.three_db_bandwidth_hz == pytest.approx(three_db, rel=2 * tolerance)
    # 8.7 dB per unit of relative change, and four digits in the table.
    assert figures.peaking_db == pytest.approx(peaking_db, abs=8.7 * tolerance + 5e-5)


@pytest.mark.parametrize(
    ("damping", "overshoot", "frequency_step_error"),
    list(zip(DAMPINGS, (0.29844, 0.20788, 0.13534), (0.546293, 0.455938, 0.367879), strict=True)),
)
def test_overshoot_and_peak_error(
    damping: float, overshoot: float, frequency_step_error: float
) -> None:
    """Overshoot of a phase step; peak error of a frequency step over dw/omega_n: R."""
    update_s = 1e-3
    bandwidth_hz = (damping + 1 / (4 * damping)) / 2
    gains = second_order_gains(bandwidth_hz, damping, update_s)
    times_s = np.arange(20_000) * update_s
    step = _predicted(gains, update_s, np.ones_like(times_s))
    assert step.max() - 1.0 == pytest.approx(overshoot, abs=2 * update_s)
    ramp_error = times_s - _predicted(gains, update_s, times_s)
    assert ramp_error.max() == pytest.approx(frequency_step_error, abs=2 * update_s)


def test_static_error_under_a_drift() -> None:
    """R/omega_n^2 for type 2 (textbook M, R); 0.0389 Hz/s, B_L = 1 Hz: 0.06872 rad (R)."""
    gains = second_order_gains(1.0, math.sqrt(0.5), UPDATE_S)
    error = drift_phase_error_rad(loop_figures(gains, UPDATE_S), 140.0 / 3600.0)
    # omega_n T = 1.9e-4, squared in the error; four digits in the number.
    assert error == pytest.approx(0.06872, rel=4e-4)
    type_3 = loop_figures(controlled_root_gains(3, 1.0, UPDATE_S), UPDATE_S)
    assert drift_phase_error_rad(type_3, 140.0 / 3600.0) == 0.0


@pytest.mark.parametrize("bandwidth_hz", [0.1, 3.0])
def test_phase_variance_is_density_times_bandwidth(bandwidth_hz: float) -> None:
    """Output variance = input variance 2 B_L T (Rice, Eq. C.43: C), by a random run."""
    update_s, updates = 0.01, 200_000
    gains = second_order_gains(bandwidth_hz, 0.7071, update_s)
    noise = np.random.default_rng(7).standard_normal(updates)
    variance = np.mean(_predicted(gains, update_s, noise) ** 2)
    expected = 2 * bandwidth_hz * update_s
    # About 2 B_L times the duration independent values; four standard errors.
    independent = 2 * bandwidth_hz * update_s * updates
    assert variance == pytest.approx(expected, rel=4 * math.sqrt(2 / independent))


# --- S. A. Stephens, J. B. Thomas, IEEE Trans. AES 31(1), 78-95 (1995) --------------------


def published_bandwidth(k1: float, k2: float, k3: float) -> float:
    """B_L T, Table IV of the paper as cited elsewhere: C, R."""
    if k3:
        numerator = (
            4 * k1**2 * k2
            - 4 * k1 * k3
            + 4 * k2**2
            + 2 * k1 * k2**2
            + 4 * k1**2 * k3
            + 4 * k2 * k3
            + 3 * k1 * k2 * k3
            + k3**2
            + k1 * k3**2
        )
        return numerator / (2 * (k1 * k2 - k3 + k1 * k3) * (8 - 4 * k1 - 2 * k2 - k3))
    if k2:
        return (2 * k1**2 + 2 * k2 + k1 * k2) / (2 * k1 * (4 - 2 * k1 - k2))
    return k1 / (2 * (2 - k1))


@pytest.mark.parametrize("order", [1, 2, 3])
@pytest.mark.parametrize("bandwidth", [1e-4, 0.01, 0.1, 0.3])
def test_noise_bandwidth_is_the_published_formula(order: int, bandwidth: float) -> None:
    gains = controlled_root_gains(order, bandwidth / 0.02, 0.02, damping=0.8)
    # Rounding grows as the square of the loop's memory of 1/(B_L T) updates: 1e-16 1e8.
    assert published_bandwidth(*gains.summing(0.02)) == pytest.approx(bandwidth, rel=1e-8)


EQUAL, STANDARD = 1.0, math.sqrt(0.5)


@pytest.mark.parametrize(
    ("order", "damping", "bandwidth", "expected"),
    [
        (1, EQUAL, 0.1, (1 / 3, 0.0, 0.0)),
        (2, EQUAL, 0.01, (0.03129781, 2.487971e-4, 0.0)),
        (2, EQUAL, 0.05, (0.1437711, 5.57615e-3, 0.0)),
        (2, EQUAL, 0.2, (0.4379315, 0.06264395, 0.0)),
        (2, STANDARD, 0.01, (0.02608646, 3.447583e-4, 0.0)),
        (2, STANDARD, 0.05, (0.1199489, 7.658049e-3, 0.0)),
        (2, STANDARD, 0.2, (0.3675169, 0.08344911, 0.0)),
        (3, EQUAL, 0.02, (0.05567203, 1.05955e-3, 6.76498e-6)),
        (3, EQUAL, 0.1, (0.2369482, 0.02101013, 6.404953e-4)),
        (3, STANDARD, 0.05, (0.1173943, 6.445354e-3, 1.355267e-4)),
        (3, STANDARD, 0.2, (0.3599436, 0.06841858, 5.269407e-3)),
    ],
)
def test_controlled_root_gains(
    order: int, damping: float, bandwidth: float, expected: tuple[float, float, float]
) -> None:
    """Gains of a second solver for the paper's roots: R (the printed tables were not read)."""
    gains = controlled_root_gains(order, bandwidth, 1.0, damping=damping)
    # Six or seven digits were kept.
    np.testing.assert_allclose(gains.summing(1.0), expected, rtol=1e-6)


# --- Steady-state Kalman gains ------------------------------------------------------------


def held_acceleration_gains(index: float, states: int) -> np.ndarray:
    """Gains at T = 1 for white acceleration held over an update."""
    transition = np.array([[1, 1, 0.5], [0, 1, 1], [0, 0, 1.0]])[:states, :states]
    entry = np.array([[0.5], [1.0], [1.0]])[:states]
    return steady_state(
        LinearModel(
            transition=transition,
            process_covariance=index**2 * entry @ entry.T,
            observation=np.eye(1, states),
            measurement_covariance=np.eye(1),
        )
    ).gain[:, 0]


@pytest.mark.parametrize(
    ("index", "alpha", "beta"),
    [
        (0.01, 0.1318509913, 0.0093174514),
        (0.1, 0.36, 0.08),
        (0.5, 0.6283734572, 0.3048058984),
        (1.0, 0.75, 0.5),
        (2.0, 0.8541019662, 0.7639320225),
    ],
)
def test_alpha_beta_gains(index: float, alpha: float, beta: float) -> None:
    """P. R. Kalata, IEEE Trans. AES 20, 174 (1984): formula C, values R."""
    np.testing.assert_allclose(held_acceleration_gains(index, 2), (alpha, beta), rtol=1e-8)


@pytest.mark.parametrize(("index", "damping"), [(0.01, 0.706959), (0.1, 0.705632), (1.0, 0.692180)])
def test_alpha_beta_damping_is_not_critical(index: float, damping: float) -> None:
    """Equivalent damping of the alpha-beta gains, ln z / T: R."""
    alpha, beta = held_acceleration_gains(index, 2)
    figures = loop_figures(LoopGains(phase=alpha, frequency_per_s=beta), 1.0)
    assert figures.damping_ratio == pytest.approx(damping, abs=1e-6)


@pytest.mark.parametrize(
    ("index", "expected"),
    [
        (0.01, (0.3500667758, 0.0751290037, 0.0080618436)),
        (0.1, (0.6047587512, 0.2757538879, 0.0628682152)),
        (1.0, (0.8643179409, 0.7979622904, 0.3683504570)),
    ],
)
def test_alpha_beta_gamma_gains(index: float, expected: tuple[float, float, float]) -> None:
    """J. E. Gray, W. Murray, IEEE Trans. AES 29, 1064 (1993) M; values by a cubic: R."""
    np.testing.assert_allclose(held_acceleration_gains(index, 3), expected, rtol=1e-8)


def test_scalar_random_walk_gain_is_the_inverse_golden_ratio() -> None:
    """Equal process and measurement variance: R."""
    unit = np.eye(1)
    model = LinearModel(
        transition=unit, process_covariance=unit, observation=unit, measurement_covariance=unit
    )
    assert steady_state(model).gain[0, 0] == pytest.approx((math.sqrt(5) - 1) / 2, rel=1e-14)


@pytest.mark.parametrize("update_s", [1e-2, 1e-4])
def test_optimal_loop_for_a_walking_frequency(update_s: float) -> None:
    """Kalman-Bucy: omega_n = (q/N)^(1/4), zeta = 1/sqrt 2, phase variance sqrt2 omega_n N: R.

    The frequency variance sqrt2 omega_n^3 N follows from the same equation.
    """
    noise, walk = 1e-4, 3e-3
    natural = ((2 * math.pi * walk) ** 2 / noise) ** 0.25
    design = optimal_loop(update_s, noise, walk)
    # Of first order in omega_n T, with coefficients below one by expansion.
    tolerance = natural * update_s
    figures = design.figures
    assert figures.natural_frequency_rad_per_s == pytest.approx(natural, rel=tolerance)
    assert figures.damping_ratio == pytest.approx(math.sqrt(0.5), rel=tolerance)
    assert figures.noise_bandwidth_hz == pytest.approx(0.530330 * natural, rel=tolerance)
    for sigma in (design.phase_sigma_rad, design.predicted_phase_sigma_rad):
        assert sigma**2 == pytest.approx(math.sqrt(2) * natural * noise, rel=tolerance)
    frequency_variance = (2 * math.pi * design.frequency_sigma_hz) ** 2
    assert frequency_variance == pytest.approx(math.sqrt(2) * natural**3 * noise, rel=tolerance)


def test_very_narrow_loop_keeps_its_digits() -> None:
    """The same closed form at omega_n T = 2.5e-7, where first-order terms are below 1e-6."""
    design = optimal_loop(1e-3, 1e-2, 1e-9)
    natural = ((2 * math.pi * 1e-9) ** 2 / 1e-2) ** 0.25
    assert design.figures.natural_frequency_rad_per_s == pytest.approx(natural, rel=1e-6)
    assert design.phase_sigma_rad**2 == pytest.approx(math.sqrt(2) * natural * 1e-2, rel=1e-6)


# --- Allan deviation (IEEE Std 1139; thermal noise of a resonator) ------------------------


def thermal_model() -> PhaseModel:
    return mode_phase_model(
        frequency_hz=1.4e6,
        quality_factor=1e8,
        mass_kg=1e-12,
        temperature_k=295.0,
        amplitude_m=1e-9,
        detector_noise=1e-15,
        walk_hz_per_root_s=1e-3,
        update_s=1e-3,
    )


def test_phase_diffusion_is_the_thermal_limit() -> None:
    """Sigma_y = sqrt(k_B T/(2 E_C Q omega tau)), E_C = k A^2/2: 2.44619e-10 tau^-1/2 (R).

    Driven mode of 1.4 MHz, Q = 1e8, 1 ng, 295 K, A = 1 nm. A phase that diffuses by q is a
    white frequency with AVAR = q/(4 pi^2 tau).
    """
    thermal_hz = math.sqrt(thermal_model().phase_diffusion_rad2_per_s) / (2 * math.pi)
    assert thermal_hz / 1.4e6 == pytest.approx(2.44619e-10, rel=3e-6)


@pytest.mark.parametrize("model_of", [thermal_model, lambda: walking_model(0.01, 1e-4, 3e-3)])
def test_error_at_long_times_is_diffusion_and_lag(model_of: Callable[[], PhaseModel]) -> None:
    """AVAR tends to 2 (q + omega_n^2 N)/(4 pi^2 tau) for the optimal continuous loop.

    Derived here: at zero frequency the error is -w_phase + (K_1/K_2) w_frequency; the Riccati
    equation has K_2 = omega_n^2 = sqrt(q_f/N) and N K_1^2 = q + 2 N K_2.
    """
    model = model_of()
    noise, diffusion = model.phase_noise_rad2_s, model.phase_diffusion_rad2_per_s
    natural_squared = 2 * math.pi * model.frequency_walk_hz_per_root_s / math.sqrt(noise)
    lag_s = math.sqrt(diffusion / noise + 2 * natural_squared) / natural_squared
    taus_s = np.array([1e4, 1e6]) * lag_s
    predicted = frequency_error_allan_deviation_hz(design_loop(model), taus_s)
    expected = np.sqrt(2 * (diffusion + natural_squared * noise) / taus_s) / (2 * math.pi)
    # First order in T over the lag, and in the lag over tau.
    np.testing.assert_allclose(predicted, expected, rtol=model.update_s / lag_s + 1e-4)


@pytest.mark.parametrize("count", [1, 4, 10])
def test_estimates_walk_like_the_mode(count: int) -> None:
    """AVAR = s_w^2 (2 m^2 + 1)/(6 m) for a random walk of step s_w: R.

    In steady state the estimate gains what the truth gains: s_w^2 = walk^2 T.
    """
    design = optimal_loop(0.01, 1e-4, 3e-3)
    variance = 3e-3**2 * 0.01 * (2 * count**2 + 1) / (6 * count)
    predicted = estimate_allan_deviation_hz(design, [count * 0.01])[0]
    assert predicted == pytest.approx(math.sqrt(variance), rel=1e-8)


# --- helpers ------------------------------------------------------------------------------


def optimal_loop(update_s: float, noise_rad2_s: float, walk_hz_per_root_s: float) -> LoopDesign:
    return design_loop(walking_model(update_s, noise_rad2_s, walk_hz_per_root_s))


def walking_model(update_s: float, noise_rad2_s: float, walk_hz_per_root_s: float) -> PhaseModel:
    return PhaseModel(
        update_s=update_s,
        phase_noise_rad2_s=noise_rad2_s,
        phase_diffusion_rad2_per_s=0.0,
        frequency_walk_hz_per_root_s=walk_hz_per_root_s,
    )


def _predicted(gains: LoopGains, update_s: float, phases_rad: np.ndarray) -> np.ndarray:
    """Predicted phases for measured ones, state by state."""
    phase = frequency = 0.0
    predicted = np.empty_like(phases_rad)
    for index, measured in enumerate(phases_rad.tolist()):
        predicted[index] = phase
        error = measured - phase
        frequency += gains.frequency_per_s * error
        phase += gains.phase * error + frequency * update_s
    return predicted


def test_response_has_the_textbook_form() -> None:
    """H(s) = (2 zeta omega_n s + omega_n^2)/(s^2 + 2 zeta omega_n s + omega_n^2) (Gardner)."""
    gains, tolerance = slow_loop(0.6)
    omegas = np.array([0.1, 0.5, 1.0, 2.0, 5.0])
    expected = (1 + 1.2j * omegas) / (1 - omegas**2 + 1.2j * omegas)
    response = closed_loop_response(gains, UPDATE_S, omegas / (2 * math.pi))
    # The delay of the prediction turns the phase by omega T.
    np.testing.assert_allclose(response, expected, rtol=2 * tolerance * omegas.max())
