"""The fit of two coupled modes to one stretch."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from controller.analysis.protocols.data import ProtocolFailure
from controller.analysis.protocols.exchange import exchange_runs
from controller.analysis.protocols.two_mode import (
    DECAY_LOWER,
    DECAY_UPPER,
    IM,
    RE,
    SHARED,
    TwoModeFit,
    fit_two_modes,
    steps_of,
)
from tests.support.two_modes import TWO_PI, UPDATE_S, Bench, Outcome, exchange_stages, protocols

BENCH = Bench()
SIGMAS = 4.0  # of a single fit: one in 16 000 sound ones is further off


def one(bench: Bench = BENCH, *, seed: int = 5, **stages: float) -> Outcome:
    return protocols(bench, exchange_stages(**stages), [seed])[0]  # type: ignore[arg-type]


def fitted(outcome: Outcome) -> TwoModeFit:
    [run] = exchange_runs(outcome.data)
    return fit_two_modes(run, outcome.data.facts)


def turned(outcome: Outcome, lower_rad: np.ndarray, ratio: float) -> Outcome:
    """Both modes turned on, the upper one `ratio` as far, and the pump by the difference."""
    table = outcome.data.basebands.copy()
    table["lower"] *= np.exp(1j * lower_rad)
    table["upper"] *= np.exp(1j * ratio * lower_rad)
    table["pump_phase_rad"] += (ratio - 1.0) * lower_rad
    data = dataclasses.replace(outcome.data, basebands=table)
    return dataclasses.replace(outcome, data=data)


@pytest.fixture(scope="module")
def usual() -> Outcome:
    return one(duration_s=25.0)


def test_the_coupling_has_the_phase_that_the_line_adds(usual: Outcome) -> None:
    fit = fitted(usual)
    size = TWO_PI * BENCH.coupling_hz_per_unit
    sigmas = np.sqrt(np.diag(fit.shared_covariance))
    phase = BENCH.coupling_phase_rad
    assert abs(fit.shared[RE] - size * math.cos(phase)) < SIGMAS * sigmas[RE]
    assert abs(fit.shared[IM] + size * math.sin(phase)) < SIGMAS * sigmas[IM]


def test_thermal_motion_explains_the_residuals(usual: Outcome) -> None:
    """The variance of 2 n independent numbers is known to 1 / root n."""
    fit = fitted(usual)
    assert abs(fit.noise_ratio - 1.0) < SIGMAS / math.sqrt(fit.steps.count)


def test_a_gain_that_may_wander_counts_though_the_residuals_do_not_show_it(
    usual: Outcome,
) -> None:
    """ln of the amplitude is off by w root T after T, so the decay rate by 2 w / root T."""
    walk, slopes = 3.0e-2, np.zeros(len(SHARED))
    slopes[[DECAY_LOWER, DECAY_UPPER]] = 0.5
    facts = dataclasses.replace(usual.data.facts, gain_walk_per_root_s=walk)
    [run] = exchange_runs(usual.data)
    covariance = fit_two_modes(run, facts).shared_covariance
    sigma = math.sqrt(float(slopes @ covariance @ slopes))
    assert sigma > 0.95 * 2.0 * walk / math.sqrt(run.duration_s)


def test_a_stronger_drift_of_both_modes_changes_nothing_of_note(usual: Outcome) -> None:
    """Ten times the drift, in the same stretch: no value moves by a third of its sigma."""
    quiet = fitted(usual)
    drift_hz = 0.1 * math.sqrt(UPDATE_S) * np.random.default_rng(1).standard_normal(1350).cumsum()
    wild = fitted(turned(usual, TWO_PI * UPDATE_S * drift_hz.cumsum(), BENCH.drift_ratio))
    for place in (RE, IM, DECAY_LOWER):
        sigma = math.sqrt(quiet.shared_covariance[place, place])
        assert abs(wild.shared[place] - quiet.shared[place]) < 0.3 * sigma


def test_references_far_away_change_nothing(usual: Outcome) -> None:
    """Half a turn per baseband off, and as much again: the same stretch in another frame."""
    turns_rad = TWO_PI * 24.9 * usual.data.basebands["time_s"]
    near, moved = fitted(usual), fitted(turned(usual, turns_rad, 2.0))
    assert moved.coupling_hz == pytest.approx(near.coupling_hz, rel=1e-6)
    assert moved.detuning_hz[0] == pytest.approx(near.detuning_hz[0], abs=1e-7)


def test_a_detuned_pump_is_seen_with_its_sign() -> None:
    outcome = one(duration_s=15.0, detunings_hz=(-0.2,))
    detuning_hz, sigma_hz = fitted(outcome).detuning_hz
    assert abs(detuning_hz - outcome.detunings_hz[1]) < SIGMAS * sigma_hz
    assert detuning_hz < -0.19


def test_a_short_stretch_is_refused() -> None:
    outcome = one(duration_s=1.5)
    with pytest.raises(ProtocolFailure, match="too short"):
        fitted(outcome)


def test_amplitudes_in_thermal_motion_are_refused() -> None:
    outcome = one(duration_s=10.0, amplitude_m=3e-12)
    with pytest.raises(ProtocolFailure, match="ring the modes up"):
        fitted(outcome)


def test_motion_that_the_model_does_not_know_is_refused(usual: Outcome) -> None:
    """A stray line of a tenth of the amplitude, 3 Hz off the upper mode."""
    table = usual.data.basebands.copy()
    table["upper"] += 1e-10 * np.exp(2j * math.pi * 3.0 * table["time_s"])
    with pytest.raises(ProtocolFailure, match="residuals"):
        fitted(dataclasses.replace(usual, data=dataclasses.replace(usual.data, basebands=table)))


def test_steps_are_means_over_whole_basebands(usual: Outcome) -> None:
    [run] = exchange_runs(usual.data)
    steps = steps_of(run, 0.11)
    assert steps.step_s == pytest.approx(0.12)
    assert steps.amplitudes.shape == (2, steps.count + 1)
    assert np.diff(steps.times_s) == pytest.approx(steps.step_s)
