"""The two-mode fit against closed forms, published numbers and a general integrator.

Envelope equations of two coupled modes (first-order form of two oscillators with a
spring modulated at their difference frequency): exchange at the generalised Rabi
frequency sqrt((2g)^2 + Delta^2), C. J. Foot, Atomic Physics, eq. 7.49; largest transfer
4 g^2 / (4 g^2 + Delta^2); dressed splitting sqrt(4 g^2 - ((gamma_1 - gamma_2)/2)^2);
cooperativity 4 g^2 / (gamma_1 gamma_2). The numbers were recomputed by a route of
their own before they came here.

Noiseless protocols come from scipy.integrate.solve_ivp, which shares nothing with the
closed exponential of the fit.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg import expm

from controller.analysis.protocols.data import (
    BASEBAND_DTYPE,
    Facts,
    ModeFacts,
    ProtocolData,
    Results,
)
from controller.analysis.protocols.exchange import exchange, splitting_map
from controller.analysis.protocols.two_mode import propagators

TWO_PI = 2.0 * math.pi
UPDATE_S = 0.02
PUMP_RAD = 1.1
SECONDS_PER_RUN = 10.0


def mode(frequency_hz: float, decay_rate_per_s: float) -> ModeFacts:
    return ModeFacts(
        frequency_hz=frequency_hz,
        quality_factor=TWO_PI * frequency_hz / decay_rate_per_s,
        mass_kg=1e-11,
        detector_noise_m_per_root_hz=1e-16,
        duffing_sigma_hz_per_m2=1.0,
    )


def integrated(
    coupling_rad_s: float,
    decays_per_s: tuple[float, float],
    detunings_rad_s: tuple[float, ...],
    duration_s: float,
) -> ProtocolData:
    """Exchanges of 1 nm in the upper mode, one after the other, means over updates."""
    points = 4  # per update
    count = round(duration_s / UPDATE_S)
    tables = []
    for number, detuning in enumerate(detunings_rad_s):

        def slope(t_s: float, a: np.ndarray, detuning: float = detuning) -> np.ndarray:
            turn = np.exp(1j * (PUMP_RAD + detuning * t_s))
            return np.array(
                [
                    -0.5 * decays_per_s[0] * a[0] + 1j * coupling_rad_s / turn * a[1],
                    -0.5 * decays_per_s[1] * a[1] + 1j * coupling_rad_s * turn * a[0],
                ]
            )

        times_s = np.linspace(0.0, count * UPDATE_S, points * count + 1)
        solved = solve_ivp(
            slope,
            (0.0, times_s[-1]),
            np.array([0j, 1.0 + 0j]),
            t_eval=times_s,
            rtol=1e-10,
            atol=1e-12,
        )
        a = 1e-9 * solved.y
        # Simpson's rule over each update, twice.
        weights = np.array([1.0, 4.0, 2.0, 4.0, 1.0]) / 12.0
        means = sum(w * a[:, k : k + points * count : points] for k, w in enumerate(weights))
        table = np.zeros(count, BASEBAND_DTYPE)
        middles_s = UPDATE_S * (np.arange(count) + 0.5)
        table["time_s"] = middles_s + number * SECONDS_PER_RUN
        table["duration_s"], table["pump_amplitude"] = UPDATE_S, 1.0
        table["lower"], table["upper"] = means
        table["pump_phase_rad"] = PUMP_RAD + detuning * middles_s
        tables.append(table)
    facts = Facts(
        lower=mode(1.4e6, decays_per_s[0]),
        upper=mode(1.4e6, decays_per_s[1]),
        separate_walk_hz_per_root_s=1e-6,
        gain_walk_per_root_s=1e-6,
    )
    return ProtocolData(
        sections=(),
        basebands=np.concatenate(tables),
        lower_reference_hz=1.4e6,
        upper_reference_hz=1.4e6 + 7e3,
        facts=facts,
    )


def results_of(data: ProtocolData) -> Results:
    result = exchange(data)
    assert result.results is not None, result.failure
    return result.results


def test_a_step_is_the_matrix_exponential() -> None:
    """scipy.linalg.expm, for random matrices and for one without a splitting."""
    rng = np.random.default_rng(4)
    for _ in range(20):
        decays = tuple(rng.uniform(0.01, 2.0, 2))
        coupling = complex(*rng.standard_normal(2))
        asymmetry, detuning, step_s = rng.normal(0.0, 0.2), rng.normal(0.0, 3.0), 0.3
        rho = math.exp(asymmetry)
        matrix = np.array(
            [
                [-decays[0] / 2.0, 1j * coupling * rho],
                [1j * coupling.conjugate() / rho, -decays[1] / 2.0 - 1j * detuning],
            ]
        )
        found = propagators(decays, coupling, asymmetry, np.array([detuning]), step_s)[:, :, 0]
        assert np.allclose(found, expm(step_s * matrix), atol=1e-12)
    bare = propagators((0.2, 0.2), 0j, 0.0, np.zeros(1), 0.5)[:, :, 0]
    assert np.allclose(bare, math.exp(-0.05) * np.eye(2), atol=1e-15)


@pytest.mark.parametrize("detuning_over_2g", [0.0, 0.5, 2.0])
def test_steps_follow_the_closed_form_of_the_exchange(detuning_over_2g: float) -> None:
    """|a_1|^2 = e^(-gamma t) (2g)^2 / W^2 sin^2(W t / 2), W^2 = (2g)^2 + Delta^2."""
    gamma, g = 0.05, 0.7
    detuning = 2.0 * g * detuning_over_2g
    omega = math.hypot(2.0 * g, detuning)
    for time_s in np.linspace(0.1, 20.0, 17):
        step = propagators((gamma, gamma), complex(g), 0.0, np.array([detuning]), time_s)[:, :, 0]
        expected = (
            math.exp(-gamma * time_s) * (2.0 * g / omega * math.sin(omega * time_s / 2.0)) ** 2
        )
        assert abs(step[0, 1]) ** 2 == pytest.approx(expected, abs=1e-12)


def test_a_swap_loses_what_the_published_efficiency_says() -> None:
    """exp(-gamma pi / 2g) = 0.978249 with g / 2 pi = 1 Hz and gamma / 2 pi = 14 mHz."""
    g, gamma = TWO_PI, TWO_PI * 0.014
    swap = propagators((gamma, gamma), complex(g), 0.0, np.zeros(1), math.pi / (2.0 * g))
    assert abs(swap[0, 1, 0]) ** 2 == pytest.approx(0.978249, abs=5e-7)


def test_dressed_modes_are_split_as_published() -> None:
    """sqrt(4 g^2 - ((gamma_1 - gamma_2)/2)^2) = 0.1999775: g = 0.1, gammas 0.014, 0.020."""
    step_s = 1.0
    step = propagators((0.014, 0.020), 0.1 + 0j, 0.0, np.zeros(1), step_s)[:, :, 0]
    phases = np.angle(np.linalg.eigvals(step)) / step_s
    assert np.ptp(phases) == pytest.approx(0.1999775, abs=5e-8)


def test_one_exchange_gives_the_coupling_within_a_thousandth() -> None:
    """g / 2 pi = 1 Hz, gamma / 2 pi = 14 mHz, cooperativity 20408: four swaps there and back."""
    gamma = TWO_PI * 0.014
    results = results_of(integrated(TWO_PI, (gamma, gamma), (0.0,), 2.0))
    assert results["coupling_hz"] == pytest.approx(1.0, rel=1e-3)
    assert results["energy_exchange_hz"] == pytest.approx(2.0, rel=1e-3)
    assert results["is_strongly_coupled"] is True


def test_the_cooperativity_is_the_published_one() -> None:
    """4 g^2 / (gamma_1 gamma_2) = 142.857: g = 0.1, gammas 0.014 and 0.020 per second."""
    results = results_of(integrated(0.1, (0.014, 0.020), (0.0,), 120.0))
    assert results["cooperativity"] == pytest.approx(142.857, rel=2e-3)
    assert results["coupling_hz"] == pytest.approx(0.1 / TWO_PI, rel=1e-3)


def test_seven_exchanges_within_one_ring_down_are_counted() -> None:
    """Q of 1e8 at 1.4 MHz, tau = 22.736 s (common practice, no source): g = 7 pi / tau."""
    gamma = TWO_PI * 1.4e6 / 1e8
    results = results_of(integrated(7.0 * math.pi * gamma / 2.0, (gamma, gamma), (0.0,), 22.0))
    assert results["cycles_per_decay"] == pytest.approx(7.0, rel=1e-3)
    assert results["decay_rate_lower_per_s"] == pytest.approx(gamma, rel=1e-3)


def test_the_exchange_frequency_is_the_generalised_one() -> None:
    """g / 2 pi = 0.5 Hz, detuned by 0, 0.5 and 1 Hz: 1, 1.118034 and 1.414214 Hz.

    The largest part that arrives: 1, 0.8 and 0.5, but for losses.
    """
    detunings_hz = (0.0, 0.5, 1.0)
    data = integrated(
        math.pi, (0.01, 0.01), tuple(TWO_PI * detuning for detuning in detunings_hz), 6.0
    )
    starts_s = SECONDS_PER_RUN * np.arange(3)
    records = {
        "time_s": starts_s - 0.1,
        "difference_hz": np.full(3, data.reference_difference_hz),
        "difference_sigma_hz": np.full(3, 1e-6),
        "pump_amplitude": np.zeros(3),
    }
    result = splitting_map(dataclasses.replace(data, records=records))
    assert result.results is not None, result.failure
    assert result.results["coupling_hz"] == pytest.approx(0.5, rel=1e-3)
    series = result.series
    assert series["exchange_hz"] == pytest.approx([1.0, 1.118034, 1.414214], rel=1e-3)
    total = (series["lower_power_m2"] + series["upper_power_m2"])[:, 0]
    arrived = series["lower_power_m2"].max(axis=1) / total
    # The first arrival is after half a period at most, 0.5 s of 0.01 per second; and the
    # means over 0.04 s of a sine that turns 9 rad/s flatten its top by 1 %.
    assert arrived == pytest.approx([1.0, 0.8, 0.5], rel=0.02)
