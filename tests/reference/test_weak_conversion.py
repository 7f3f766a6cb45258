"""Weak conversion against the matched filter and the closed form of a small coupling.

A force in white noise of density D (per quadrature, m^2/s) is known after T to
sqrt(D / T): the matched filter's signal-to-noise ratio is 2 E / N0 (common practice, no
source). The thermal kicks have D = gamma k T/(m omega^2) and the force is g A, so that
sigma_g = sqrt(gamma k T/(m omega^2) / T) / A. Closed form of a coupling far below the
line width: the driven mode makes the other settle at 2 g A/gamma, 90 degrees ahead of
the sum of both phases (derived from the equations of the two modes).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from controller.analysis.protocols.data import Results
from controller.analysis.protocols.weak_conversion import weak_conversion
from tests.support.protocol_streams import COUPLING_HZ, DRIVEN_M, weak_protocols
from tests.support.two_modes import Bench

SEEDS = range(100, 116)
PUMPED_S = 2 * 2 * 12.0  # on and reversed; two rounds
ALL_S = 2 * 4 * 12.0
CHI_SQUARE_OF_5_SIGMA = 28.744  # exp(-x/2) = 5.733e-7, the two-sided chance of five sigmas
# What the edges of a stretch cost: two updates of 20 ms, half a mean of 0.2 s on each side.
LOST_SHARE = 0.5 / 12.0


@pytest.fixture(scope="module")
def pumped() -> list[Results]:
    """What is found where the coupling is there."""
    return found(COUPLING_HZ)


@pytest.fixture(scope="module")
def unpumped() -> list[Results]:
    """What is found where the pump does nothing."""
    return found(0.0)


def found(coupling_hz: float) -> list[Results]:
    """Results of all seeds at one coupling."""
    results = [
        weak_conversion(outcome.data).results
        for outcome in weak_protocols(Bench(), coupling_hz, SEEDS)
    ]
    assert None not in results
    return [each for each in results if each is not None]


def matched_filter_sigma_hz(span_s: float) -> float:
    """Of g/2pi, per quadrature."""
    mode = Bench().upper
    diffusion = mode.decay_rate_per_s * mode.thermal_m(Bench().temperature_k) ** 2
    return math.sqrt(diffusion / span_s) / DRIVEN_M / (2.0 * math.pi)


def test_the_smallest_coupling_is_the_matched_filters(unpumped: list[Results]) -> None:
    """On less reversed has no part of what follows no pump: both count in full."""
    expected_hz = math.sqrt(CHI_SQUARE_OF_5_SIGMA) * matched_filter_sigma_hz(PUMPED_S)
    for results in unpumped:
        # The level of the noise is learnt from 2 * 5 * ALL_S numbers; a chi-square of the
        # stretches above what is expected, 12 here, widens it, by a third in 5 sigmas.
        scatter = 5.0 / math.sqrt(2.0 * 10.0 * ALL_S)
        ratio = results["smallest_coupling_hz"] / expected_hz
        widened = math.sqrt(max(1.0, results["chi_square"] / results["degrees_of_freedom"]))
        assert 1.0 - scatter < ratio / widened < 1.0 + scatter + LOST_SHARE


def test_chances_of_no_coupling_are_even(unpumped: list[Results]) -> None:
    """R. A. Fisher's method (from memory): the sum of -2 ln p is a chi-square of 2 each."""
    total = 0.0
    for results in unpumped:
        total -= 2.0 * math.log(math.erfc(results["significance"] / math.sqrt(2.0)))
    freedom = 2 * len(unpumped)
    # Sigmas that grow by the scatter of the stretches make chances larger: by up to a third.
    assert 0.6 * freedom - 5.0 * math.sqrt(freedom) < total < freedom + 5.0 * math.sqrt(2 * freedom)


def test_couplings_scatter_as_the_matched_filter_says(pumped: list[Results]) -> None:
    errors_hz = []
    for results in pumped:
        errors_hz.append(results["coupling_hz"] - COUPLING_HZ)
    square = float(np.sum(np.square(errors_hz))) / matched_filter_sigma_hz(PUMPED_S) ** 2
    count = len(errors_hz)
    assert count - 5.0 * math.sqrt(2.0 * count) < square
    # The decay rate is fitted too: amplitudes that are settled leave g/gamma better known
    # than g, which costs less than a quarter of the variance here.
    assert square < 1.25 * (count + 5.0 * math.sqrt(2.0 * count))


def test_amplitude_and_phase_are_those_of_the_closed_form(pumped: list[Results]) -> None:
    bench = Bench()
    # In metres the lower mode drives the upper one with g / rho.
    settled_m = 2.0 * 2.0 * math.pi * COUPLING_HZ * math.exp(-bench.asymmetry) * DRIVEN_M
    settled_m /= bench.upper.decay_rate_per_s
    squares = np.zeros(2)
    for results in pumped:
        phase_rad = results["converted_phase_rad"] - 0.5 * math.pi - bench.coupling_phase_rad
        phase_rad = (phase_rad + math.pi) % (2.0 * math.pi) - math.pi
        squares[0] += (phase_rad / results["converted_phase_rad_sigma"]) ** 2
        miss_m = results["converted_amplitude_m"] - settled_m
        squares[1] += (miss_m / results["converted_amplitude_m_sigma"]) ** 2
    count = len(pumped)
    assert np.all(squares < count + 5.0 * math.sqrt(2.0 * count))
    assert np.all(squares > count - 5.0 * math.sqrt(2.0 * count))


def test_time_to_five_sigmas_is_where_the_formula_reaches_it(pumped: list[Results]) -> None:
    """Chi-square grows with time: half of the protocol's time is spent with the pump on line."""
    sigma_hz = matched_filter_sigma_hz(1.0)
    expected_s = 2.0 * CHI_SQUARE_OF_5_SIGMA * (sigma_hz / COUPLING_HZ) ** 2
    times_s = []
    for results in pumped:
        times_s.append(results["time_to_5_sigma_s"])
    # Of each the relative sigma is that of g, twice; of their median it is less.
    relative = 2.0 * matched_filter_sigma_hz(PUMPED_S) / COUPLING_HZ
    allowed = 5.0 * relative / math.sqrt(len(times_s)) + LOST_SHARE + 0.25
    assert abs(float(np.median(times_s)) / expected_s - 1.0) < allowed
