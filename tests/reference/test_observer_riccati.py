"""The observer, where its equations are linear, against scipy's Riccati solution.

Both modes are held at constant amplitudes by drives that make good the decay, on
resonance, with the pump off and every slow parameter known. Linearised about that
the equations are those of a stationary linear system, written down here once more
from the equations of motion:

    d(da_k) = (2 pi i A_k df_k - gamma_k/2 da_k) dt + thermal noise,
    df_1 = w, df_2 = (1 + ratio) w + v, w and v random walks.

Discretised by C. F. Van Loan, IEEE Trans. Automatic Control 23, 395 (1978); steady
state by scipy.linalg.solve_discrete_are in its filtering dual.

The observer is shown the amplitudes themselves, without noise, so that it stays
where the equations are linearised; what it states depends on no reading.
"""

from __future__ import annotations

import cmath
import functools
import math
from dataclasses import dataclass

import numpy as np
import pytest
from scipy.linalg import expm, solve_discrete_are

from controller.tracking.limits import (
    DifferenceModel,
    FrequencyLimits,
    SharedDrift,
    joint_limits,
)
from controller.tracking.observer import Observer
from controller.tracking.observer_motion import ObserverInput
from controller.tracking.phase_model import PhaseModel
from tests.support.observer_bounds import observer_but_for

TWO_PI = 2.0 * math.pi
# Of the shared drift in the phase-only theory, which knows no walk without an end.
MEMORY_S = 1.0e5


@dataclass(frozen=True, kw_only=True)
class Held:
    """Two modes at constant amplitudes [m]."""

    amplitudes: tuple[complex, complex] = (1.0e-9 + 0j, 0.6e-9 + 0j)
    decay_rates_per_s: tuple[float, float] = (0.07, 0.05)
    thermal_m: tuple[float, float] = (2.7e-12, 2.5e-12)
    detector_m_per_root_hz: tuple[float, float] = (1.0e-14, 1.0e-14)
    ratio: float = 0.0056
    shared_walk: float = 2.0e-3  # Hz per root second
    separate_walk: float = 1.0e-4
    step_s: float = 0.02
    settled_s: float = 40.0

    @property
    def pushes(self) -> tuple[complex, complex]:
        """What makes good the decay [m/s]."""
        lower, upper = (
            0.5 * rate * amplitude
            for rate, amplitude in zip(self.decay_rates_per_s, self.amplitudes, strict=True)
        )
        return lower, upper


CASES = {
    "thermal motion rules": Held(),
    "detector rules": Held(
        thermal_m=(1.0e-14, 1.0e-14),
        detector_m_per_root_hz=(1.0e-12, 2.0e-12),
        shared_walk=1.0e-3,
        separate_walk=2.0e-4,
        settled_s=60.0,
    ),
    "decay faster than the filter": Held(
        decay_rates_per_s=(2.0, 1.5),
        thermal_m=(1.0e-14, 1.0e-14),
        detector_m_per_root_hz=(1.0e-12, 2.0e-12),
        shared_walk=1.0e-3,
        separate_walk=2.0e-4,
        step_s=0.01,
    ),
    "unlike modes": Held(
        amplitudes=(cmath.rect(0.2e-9, 0.4), cmath.rect(1.5e-9, -2.0)),
        decay_rates_per_s=(0.12, 0.03),
        detector_m_per_root_hz=(5.0e-13, 1.0e-13),
        ratio=0.3,
        separate_walk=3.0e-4,
    ),
}


@dataclass(frozen=True, kw_only=True)
class Steady:
    """Frequencies (lower, difference): covariance [Hz^2] and gains [Hz per metre read]."""

    covariance: np.ndarray  # (2, 2)
    gains: np.ndarray  # (2, 4)


@functools.cache
def expected(case: Held) -> Steady:
    """The optimal filter of the linear system, by scipy."""
    scale = max(abs(amplitude) for amplitude in case.amplitudes)
    slopes = ((1.0, 0.0), (1.0 + case.ratio, 1.0))  # of both frequencies, by both walks
    rates, diffusion = np.zeros((6, 6)), np.zeros((6, 6))
    for mode in range(2):
        both = slice(2 * mode, 2 * mode + 2)
        rates[both, both] = -0.5 * case.decay_rates_per_s[mode] * np.eye(2)
        turned = TWO_PI * 1j * case.amplitudes[mode] / scale
        rates[both, 4:] = np.outer((turned.real, turned.imag), slopes[mode])
        kick = case.decay_rates_per_s[mode] * (case.thermal_m[mode] / scale) ** 2
        diffusion[both, both] = kick * np.eye(2)
    diffusion[4, 4], diffusion[5, 5] = case.shared_walk**2, case.separate_walk**2

    zero = np.zeros((6, 6))
    block = expm(np.block([[-rates, diffusion], [zero, rates.T]]) * case.step_s)
    transition = block[6:, 6:].T
    process = transition @ block[:6, 6:]
    noise = np.diag(
        [(s / scale) ** 2 / case.step_s for s in case.detector_m_per_root_hz for _ in range(2)]
    )
    seen = np.eye(4, 6)
    predicted = solve_discrete_are(transition.T, seen.T, (process + process.T) / 2.0, noise)
    gains = predicted @ seen.T @ np.linalg.inv(seen @ predicted @ seen.T + noise)
    filtered = predicted - gains @ seen @ predicted
    frequencies = np.zeros((2, 6))
    frequencies[0, 4] = 1.0
    frequencies[1, 4:] = case.ratio, 1.0
    return Steady(
        covariance=frequencies @ filtered @ frequencies.T, gains=frequencies @ gains / scale
    )


@functools.cache
def settled(case: Held) -> Observer:
    """The observer after many times the time of its filter."""
    observer = observer_but_for(
        scale=0.5e-9,
        detector_noise=case.detector_m_per_root_hz,
        thermal_amplitude=case.thermal_m,
        decay_rate_per_s=case.decay_rates_per_s,
        frequency_sigma_hz=(0.01, 0.01),
        ratio=case.ratio,
        shared_walk_hz_per_root_s=case.shared_walk,
        separate_walk_hz_per_root_s=case.separate_walk,
    )
    act = ObserverInput(push=case.pushes)
    for _ in range(round(case.settled_s / case.step_s)):
        observer.process(case.amplitudes, case.step_s, act)
    return observer


def observed_gains(case: Held) -> np.ndarray:
    """How far a reading that is off by its noise moves (lower, difference) [Hz/m]."""
    act = ObserverInput(push=case.pushes)
    gains = np.zeros((2, 4))
    for column in range(4):
        mode, direction = divmod(column, 2)
        off = case.detector_m_per_root_hz[mode] / math.sqrt(case.step_s)
        readings = list(case.amplitudes)
        readings[mode] += off * (1j if direction else 1.0)
        estimate = settled(case).copy().process((readings[0], readings[1]), case.step_s, act)
        gains[:, column] = estimate.lower_hz / off, estimate.difference_hz / off
    return gains


def step_tolerance(case: Held) -> float:
    """The observer takes decay within a step to first order: gamma times the step."""
    return max(case.decay_rates_per_s) * case.step_s


def phase_only(case: Held, *, with_pull: bool) -> FrequencyLimits:
    """What two phases alone can tell; with or without the pull of the drives on them."""
    walks = (0.0, case.separate_walk)
    phases = []
    for mode, amplitude in enumerate(case.amplitudes):
        rate = case.decay_rates_per_s[mode]
        noise = (case.detector_m_per_root_hz[mode] / abs(amplitude)) ** 2
        pull = noise * (rate / 2.0) ** 2 if with_pull else 0.0
        phases.append(
            PhaseModel(
                update_s=case.step_s,
                phase_noise_rad2_s=noise,
                phase_diffusion_rad2_per_s=rate * (case.thermal_m[mode] / abs(amplitude)) ** 2
                + pull,
                frequency_walk_hz_per_root_s=walks[mode],
            )
        )
    drift = SharedDrift(
        sigma_k=case.shared_walk * math.sqrt(MEMORY_S / 2.0),
        time_s=MEMORY_S,
        lower_hz_per_k=1.0,
        upper_hz_per_k=1.0 + case.ratio,
    )
    return joint_limits(DifferenceModel(lower=phases[0], upper=phases[1], shared_drifts=(drift,)))


@pytest.mark.parametrize("name", CASES)
def test_stated_sigmas_settle_where_the_riccati_equation_has_them(name: str) -> None:
    case = CASES[name]
    lower_hz, difference_hz = np.sqrt(np.diag(expected(case).covariance))
    estimate, tolerance = settled(case).estimate(), step_tolerance(case)
    assert estimate.lower_sigma_hz == pytest.approx(lower_hz, rel=tolerance)
    assert estimate.difference_sigma_hz == pytest.approx(difference_hz, rel=tolerance)


@pytest.mark.parametrize("name", CASES)
def test_readings_move_the_frequencies_by_the_gains_of_the_riccati_equation(name: str) -> None:
    """Each of the four readings; an error counts against the whole row of gains."""
    case = CASES[name]
    gains = expected(case).gains
    off = np.abs(observed_gains(case) - gains) / np.linalg.norm(gains, axis=1, keepdims=True)
    assert off.max() < step_tolerance(case)


@pytest.mark.parametrize("name", CASES)
def test_amplitudes_tell_of_the_frequencies_what_their_phases_tell(name: str) -> None:
    """The phase-only theory, once it knows that a drive of known phase pulls.

    Derived here: with the pull, phi' = 2 pi df - gamma/2 phi + diffusion. A phase read
    with white noise N tells phi' + gamma/2 phi with a noise N (omega^2 + gamma^2/4) in
    place of N omega^2. So the pull costs as much as a further diffusion N (gamma/2)^2.
    """
    case = CASES[name]
    limits = phase_only(case, with_pull=True)
    estimate, tolerance = settled(case).estimate(), step_tolerance(case)
    assert estimate.lower_sigma_hz == pytest.approx(limits.lower_hz, rel=tolerance)
    assert estimate.difference_sigma_hz == pytest.approx(limits.difference_hz, rel=tolerance)


def test_the_pull_of_a_drive_is_nothing_where_thermal_motion_rules() -> None:
    """N (gamma/2)^2 is below a millionth of the diffusion there."""
    case = CASES["thermal motion rules"]
    limits = phase_only(case, with_pull=False)
    estimate, tolerance = settled(case).estimate(), step_tolerance(case)
    assert estimate.lower_sigma_hz == pytest.approx(limits.lower_hz, rel=tolerance)
    assert estimate.difference_sigma_hz == pytest.approx(limits.difference_hz, rel=tolerance)


def test_the_pull_of_a_drive_costs_where_decay_is_fast() -> None:
    """Otherwise the theory with the pull would be untried."""
    case = CASES["decay faster than the filter"]
    plain, pulled = (phase_only(case, with_pull=pull) for pull in (False, True))
    assert pulled.difference_hz > 1.1 * plain.difference_hz
