"""The observer keeps its promises: uncertainty, nulls, references, gaps."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2

from controller.tracking.observer import Learnt, Observer
from controller.tracking.observer_motion import ObserverInput
from controller.tracking.observer_states import GAIN as GAIN_PLACE
from controller.tracking.observer_states import (
    LEARNT,
    LOWER_CROSS,
    LOWER_DECAY,
    LOWER_SELF,
    UPPER_CROSS,
    UPPER_DECAY,
    UPPER_SELF,
)
from tests.support.exchange import Exchange, followed, observer_config

SEEDS = range(12)


@pytest.fixture(scope="module")
def exchanges() -> list:
    """The same exchange under many seeds."""
    return [followed(Exchange(duration_s=16.0), seed)[1] for seed in SEEDS]


def errors_over_sigma(run, at: int) -> tuple[float, float]:
    """Normalised errors of the difference and of the lower mode at one step."""
    estimate = run.estimates[at]
    return (
        (estimate.difference_hz - run.differences_hz[at]) / estimate.difference_sigma_hz,
        (estimate.lower_hz - run.lowers_hz[at]) / estimate.lower_sigma_hz,
    )


@pytest.mark.parametrize("at", [250, 500, 799])
def test_uncertainty_is_right_through_an_exchange(exchanges: list, at: int) -> None:
    """The sum of squares over seeds lies in the central 99.9 % of chi-square."""
    low, high = chi2.ppf([0.0005, 0.9995], len(exchanges))
    for which in range(2):
        total = sum(errors_over_sigma(run, at)[which] ** 2 for run in exchanges)
        assert low < total < high


def test_innovations_are_as_predicted(exchanges: list) -> None:
    """Four readings a step, 700 steps, 12 seeds: the mean is 1 within 5 sigma."""
    values = [e.innovation2 / 4.0 for run in exchanges for e in run.estimates[100:]]
    assert abs(np.mean(values) - 1.0) < 5.0 * math.sqrt(0.5 / len(values))


def test_the_exchange_has_nulls(exchanges: list) -> None:
    for run in exchanges:
        assert min(upper for _, upper in run.amplitudes[100:]) < 0.05


def test_difference_is_known_to_a_fraction_of_a_millihertz(exchanges: list) -> None:
    """A line is 10 mHz wide; thermal kicks of 2.7e-3 leave about 0.15 mHz."""
    errors = [
        run.estimates[k].difference_hz - run.differences_hz[k]
        for run in exchanges
        for k in range(500, 800)
    ]
    assert np.sqrt(np.mean(np.square(errors))) < 0.4e-3


def test_a_ring_down_without_pump_is_followed() -> None:
    case = Exchange(start=(1.0 + 0j, 1.0 + 0j), pump_from_s=1e9, duration_s=30.0)
    _, run = followed(case, 3)
    normalised = errors_over_sigma(run, -1)
    assert max(map(abs, normalised)) < 4.0
    assert run.estimates[-1].difference_sigma_hz < 0.5e-3


def test_drives_are_taken_into_account() -> None:
    """Pushes that hold the amplitudes turn the phase where they are not in phase."""
    case = Exchange(start=(1.0 + 0j, 1.0 + 0j), pump_from_s=1e9, pushes=(0.035j, 0.0325 + 0.01j))
    _, run = followed(case, 5)
    assert max(abs(z) for at in (500, 1000, -1) for z in errors_over_sigma(run, at)) < 4.0


def test_copy_goes_on_alike() -> None:
    observer, _ = followed(Exchange(duration_s=2.0), 1)
    twin = observer.copy()
    act = ObserverInput(pump=1.0, pump_rad=0.3)
    first = observer.process((0.5 + 0.1j, 0.2 - 0.4j), 0.02, act)
    assert twin.process((0.5 + 0.1j, 0.2 - 0.4j), 0.02, act) == first
    assert repr(twin) == repr(observer)


def test_reset_equals_new() -> None:
    observer, _ = followed(Exchange(duration_s=2.0), 1)
    observer.reset()
    assert observer.estimate() == Observer(observer.config).estimate()


def test_new_references_change_the_numbers_and_nothing_else() -> None:
    observer, _ = followed(Exchange(duration_s=5.0), 2)
    before = observer.estimate()
    twin = observer.copy()
    twin.rotate((0.3, -0.2), (0.5, 0.7))
    after = twin.estimate()
    assert math.isclose(after.lower_hz + 0.5, before.lower_hz, abs_tol=1e-12)
    assert math.isclose(after.difference_hz + 0.2, before.difference_hz, abs_tol=1e-12)
    assert math.isclose(after.difference_sigma_hz, before.difference_sigma_hz, rel_tol=1e-6)
    for old, new, turns in zip(before.amplitudes, after.amplitudes, (0.3, -0.2), strict=True):
        assert abs(new - old * np.exp(-2j * math.pi * turns)) < 1e-12


def test_without_readings_the_uncertainty_grows() -> None:
    observer, _ = followed(Exchange(duration_s=10.0), 4)
    sigmas = [
        observer.process((None, None), 0.02, ObserverInput()).difference_sigma_hz
        for _ in range(500)
    ]
    assert all(later >= earlier for earlier, later in itertools.pairwise(sigmas))


def test_one_mode_alone_still_tells_of_the_difference_while_they_exchange() -> None:
    """What arrives in one mode carries the phase of the other."""
    case = Exchange(duration_s=10.0)
    observer, run = followed(case, 6)
    sigma_hz = run.estimates[-1].difference_sigma_hz
    lower = run.estimates[-1].amplitudes[0]
    blind = observer.process((None, None), 0.02, ObserverInput(pump=1.0))
    assert blind.readings == 0
    half = observer.process((lower, None), 0.02, ObserverInput(pump=1.0))
    assert half.readings == 2
    assert half.difference_sigma_hz < 1.1 * sigma_hz


def test_a_knock_moves_it_by_a_bounded_step() -> None:
    observer, run = followed(Exchange(duration_s=10.0), 7)
    sigma_hz = run.estimates[-1].difference_sigma_hz
    before_hz = run.estimates[-1].difference_hz
    knocked = observer.process((10.0 + 0j, -10.0 + 0j), 0.02, ObserverInput(pump=1.0))
    assert knocked.innovation2 > 1e3
    assert abs(knocked.difference_hz - before_hz) < 8.0 * sigma_hz


def test_prior_is_used_as_given() -> None:
    case = Exchange()
    config, _, _ = observer_config(case, np.random.default_rng(0), frequency_hz=(0.1, 0.3))
    estimate = Observer(config).estimate()
    assert math.isclose(estimate.lower_hz, 0.1)
    assert math.isclose(estimate.difference_hz, 0.3)


def test_a_tone_that_comes_on_within_a_step_is_no_surprise() -> None:
    """Half the change is its sigma: the mean is known to that, and not better."""
    case = Exchange(duration_s=4.0, pump_from_s=1e9)
    surprises = []
    for sigma in (0.0, 0.5):
        observer, _ = followed(case, 8)
        whole = observer.copy().process((None, None), 0.02, ObserverInput(pump=1.0))
        said = ObserverInput(pump=0.5, pump_sigma=sigma)  # on for half of the step
        surprises.append(observer.process(whole.amplitudes, 0.02, said).innovation2)
    unlikely = chi2.ppf(0.999, 4)  # four readings
    assert surprises[0] > 2.0 * unlikely
    assert surprises[1] < unlikely


def test_readings_count_less_where_the_noise_is_larger() -> None:
    observer, _ = followed(Exchange(duration_s=4.0), 9)
    twin = observer.copy()
    twin.noise_scales = (100.0, 100.0)
    act = ObserverInput(pump=1.0)
    expected = observer.copy().process((None, None), 0.02, act).amplitudes
    seen = (expected[0] + 1e-3, expected[1] - 1e-3)
    assert twin.process(seen, 0.02, act).innovation2 < observer.process(seen, 0.02, act).innovation2


# -- Duffing -------------------------------------------------------------------------------

# At the start the upper mode is shifted by many lines of 10 mHz, and so is the lower one.
DUFFING = Exchange(duration_s=8.0, duffing_hz=(0.25, 0.11, 0.2, 0.09), duffing_sigma_hz=0.05)


@pytest.fixture(scope="module")
def bent() -> list:
    """Exchanges of modes that stiffen, under many seeds: observers and what they said."""
    return [followed(DUFFING, seed) for seed in SEEDS]


@pytest.mark.parametrize("at", [100, 200, 399])
def test_uncertainty_is_right_where_amplitudes_shift_the_modes(bent: list, at: int) -> None:
    """The sum of squares over seeds lies in the central 99.9 % of chi-square."""
    low, high = chi2.ppf([0.0005, 0.9995], len(bent))
    for which in range(2):
        total = sum(errors_over_sigma(run, at)[which] ** 2 for _, run in bent)
        assert low < total < high


def test_innovations_are_as_predicted_where_amplitudes_shift_the_modes(bent: list) -> None:
    values = [e.innovation2 / 4.0 for _, run in bent for e in run.estimates[100:]]
    assert abs(np.mean(values) - 1.0) < 5.0 * math.sqrt(0.5 / len(values))


def test_duffing_coefficients_are_learnt_with_their_uncertainties(bent: list) -> None:
    """Through nulls each amplitude takes every value: prior sigmas of 0.05 Hz shrink."""
    places = [LOWER_SELF, LOWER_CROSS, UPPER_SELF, UPPER_CROSS]
    total = 0.0
    for observer, _ in bent:
        errors = observer._x[places] - np.array(DUFFING.duffing_hz)
        covariance = observer._p[np.ix_(places, places)]
        total += float(errors @ np.linalg.solve(covariance, errors))
        assert np.sqrt(np.diag(covariance)).max() < 0.5 * DUFFING.duffing_sigma_hz
    low, high = chi2.ppf([0.0005, 0.9995], 4 * len(bent))
    assert low < total < high


def test_an_observer_that_does_not_know_of_duffing_is_surprised() -> None:
    """Otherwise the tests above would say little."""
    _, run = followed(DUFFING, 1, duffing_hz=4 * (0.0,), duffing_sigma_hz=0.0)
    assert np.mean([e.innovation2 / 4.0 for e in run.estimates[100:]]) > 3.0


# -- gain ------------------------------------------------------------------------------------

GAIN = Exchange(duration_s=8.0, gain_walk=5.0e-3)


@pytest.fixture(scope="module")
def faded() -> list:
    """Exchanges before a detector whose gain wanders."""
    return [followed(GAIN, seed) for seed in SEEDS]


@pytest.mark.parametrize("at", [200, 399])
def test_uncertainty_is_right_where_the_gain_wanders(faded: list, at: int) -> None:
    low, high = chi2.ppf([0.0005, 0.9995], len(faded))
    for which in range(2):
        total = sum(errors_over_sigma(run, at)[which] ** 2 for _, run in faded)
        assert low < total < high


def test_innovations_are_as_predicted_where_the_gain_wanders(faded: list) -> None:
    values = [e.innovation2 / 4.0 for _, run in faded for e in run.estimates[100:]]
    assert abs(np.mean(values) - 1.0) < 5.0 * math.sqrt(0.5 / len(values))


def test_amplitudes_are_those_that_the_detector_shows(faded: list) -> None:
    noise = GAIN.detector_noise / math.sqrt(GAIN.step_s)  # in each quadrature
    for _, run in faded:
        for seen, shown in zip(run.readings[-1], run.estimates[-1].amplitudes, strict=True):
            assert abs(seen - shown) < 5.0 * math.sqrt(2.0) * noise
        wandered = abs(run.readings[-1][1]) / run.amplitudes[-1][1] - 1.0
        assert abs(wandered) > 5.0 * noise  # otherwise that would say little


# -- free decays ------------------------------------------------------------------------------

FREE_S, STEP_S, PARTS = 20.0, 0.02, 5
THERMAL, DECAYS_PER_S = 3.0e-3, (0.09, 0.10)


def free_decay(seed: int) -> Observer:
    """An observer of two modes that ring down, from means over steps as a down-converter has them.

    A mean over a step is not quite independent of the next one. The gain is constant, but the
    observer does not know that.
    """
    rng = np.random.default_rng(seed)
    config = replace(
        observer_config(Exchange(duration_s=FREE_S), rng)[0],
        frequency_hz=(0.0, 0.0),
        scale=1.0,
        detector_noise=(4.0e-6, 4.0e-6),
        thermal_amplitude=(THERMAL, THERMAL),
        decay_rate_per_s=(0.095, 0.095),
        decay_rate_sigma=0.3,
        gain_walk_per_root_s=1.0e-3,
    )
    observer = Observer(config)
    amplitudes = np.ones(2, dtype=complex)
    kicks = np.sqrt(np.array(DECAYS_PER_S) * STEP_S / PARTS) * THERMAL
    step = np.exp(-np.array(DECAYS_PER_S) / 2.0 * STEP_S / PARTS)
    for _ in range(round(FREE_S / STEP_S)):
        parts = []
        for _ in range(PARTS):
            amplitudes = step * amplitudes + kicks * (rng.normal(size=2) + 1j * rng.normal(size=2))
            parts.append(amplitudes)
        noise = rng.normal(size=2) + 1j * rng.normal(size=2)
        lower, upper = np.mean(parts, axis=0) + 4.0e-6 / math.sqrt(STEP_S) * noise
        observer.process((lower, upper), STEP_S, ObserverInput())
    return observer


def test_free_decays_tell_nothing_of_the_gain_and_the_truth_of_decay_rates() -> None:
    """A gain that changes everything alike cannot be seen; decay rates are right over seeds."""
    total = 0.0
    for seed in range(6):
        observer = free_decay(seed)
        sigmas = np.sqrt(np.diag(observer._p))
        assert abs(observer._x[GAIN_PLACE]) < 0.02 * sigmas[GAIN_PLACE]
        for place, rate in zip((LOWER_DECAY, UPPER_DECAY), DECAYS_PER_S, strict=True):
            total += ((observer._x[place] - rate) / sigmas[place]) ** 2
    low, high = chi2.ppf([0.0005, 0.9995], 12)
    assert low < total < high


def drifting(burst_hz_per_s: float) -> tuple[list[float], float]:
    """Two modes that ring down and, from the fifth second on, drift together for two seconds.

    Innovation ratios step by step, and the error of the difference at the end over its sigma.
    """
    rng = np.random.default_rng(5)
    noise, walk = 1.0e-5, 2.0e-3
    config = replace(
        observer_config(Exchange(duration_s=10.0), rng)[0],
        frequency_hz=(0.0, 0.0),
        detector_noise=(noise, noise),
        thermal_amplitude=(1e-9, 1e-9),
        decay_rate_per_s=DECAYS_PER_S,
        shared_walk_hz_per_root_s=walk,
        ratio=0.006,
        ratio_sigma=1e-3,
    )
    observer, turns, shared_hz, ratios = Observer(config), np.zeros(2), 0.0, []
    for number in range(500):
        time_s = number * STEP_S
        shared_hz += walk * math.sqrt(STEP_S) * rng.normal()
        if 5.0 <= time_s < 7.0:
            shared_hz += burst_hz_per_s * STEP_S
        turns += STEP_S * shared_hz * np.array([1.0, 1.006])
        amplitudes = np.exp(2j * np.pi * turns - np.array(DECAYS_PER_S) / 2.0 * time_s)
        noises = noise / math.sqrt(STEP_S) * (rng.normal(size=2) + 1j * rng.normal(size=2))
        lower, upper = amplitudes + noises
        observer.process((lower, upper), STEP_S, ObserverInput())
        ratios.append(observer.innovation_ratio)
    estimate = observer.estimate()
    error_hz = estimate.difference_hz - 0.006 * shared_hz
    return ratios, error_hz / estimate.difference_sigma_hz


def test_a_burst_of_shared_drift_is_followed_and_no_reason_for_lasting_doubt() -> None:
    """A door opens: 0.3 Hz/s, a hundred and fifty times the walk, for two seconds."""
    calm, _ = drifting(0.0)
    assert max(calm[50:]) < 2.0
    ratios, error_sigmas = drifting(0.3)
    assert max(ratios[350:]) < 3.0  # from two seconds after it began; 60 without
    assert abs(error_sigmas) < 4.0


# -- what lasts --------------------------------------------------------------------------------


def test_what_was_learnt_is_what_a_later_observer_begins_with() -> None:
    """In whatever unit each of them counts."""
    first, _ = followed(DUFFING, 3)
    learnt = first.learnt()
    config = first.config
    later = Observer(replace(config, scale=2.5, learnt=learnt))
    again = later.learnt()
    assert np.allclose(again.values, learnt.values, rtol=1e-12)
    assert np.allclose(again.covariance, learnt.covariance, rtol=1e-12)
    assert later.estimate().coupling_hz == first.estimate().coupling_hz
    assert later.estimate().coupling_sigma_hz == pytest.approx(first.estimate().coupling_sigma_hz)


def test_what_belongs_to_one_exchange_is_not_learnt() -> None:
    """Amplitudes, the shared drift, pushes and gain begin anew."""
    first, _ = followed(DUFFING, 3)
    later = Observer(replace(first.config, learnt=first.learnt()))
    fresh = Observer(first.config)
    assert later.estimate().lower_hz == fresh.estimate().lower_hz
    others = np.setdiff1d(np.arange(len(fresh._x)), LEARNT)
    assert np.array_equal(later._p[np.ix_(others, others)], fresh._p[np.ix_(others, others)])


def test_a_second_exchange_is_known_better_from_the_start() -> None:
    """One second after the pump came on, coupling and Duffing terms are those of the first."""
    first, _ = followed(DUFFING, 4)
    short = replace(DUFFING, duration_s=3.0)
    sigmas_hz = []
    for learnt in (None, first.learnt()):
        _, run = followed(short, 4, learnt=learnt)
        sigmas_hz.append(run.estimates[100].difference_sigma_hz)
    assert sigmas_hz[1] < 0.7 * sigmas_hz[0]


def test_learnt_values_and_covariance_fit_together() -> None:
    learnt = followed(Exchange(duration_s=2.0), 1)[0].learnt()
    assert isinstance(learnt, Learnt)
    assert learnt.covariance.shape == (len(learnt.values),) * 2
    assert np.allclose(learnt.covariance, learnt.covariance.T)
