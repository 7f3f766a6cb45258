"""Sequences of pulses: which count, what they have handed over, and how they decay."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from controller.analysis.protocols.data import ProtocolData, ProtocolFailure
from controller.analysis.protocols.transfers import (
    action_weights,
    balanced,
    decay_of,
    diffusion_rad2,
    fraction_lower,
    fraction_sigma,
    inflation,
    mean_turning_hz,
    passages,
    tracked_mean,
)
from tests.support.pulses import (
    energy_decay_s,
    idle,
    pulse,
    ramsey_steps,
    ring_up,
    sequences,
    without,
)
from tests.support.two_modes import Bench, facts_of

BENCH = Bench()


@pytest.fixture(scope="module")
def data() -> ProtocolData:
    """Three free times."""
    return sequences(BENCH, ramsey_steps(BENCH, (1.0, 3.0, 5.0)), [1])[0].data


def test_a_sequence_runs_from_the_end_of_the_drives_to_its_read_out(data: ProtocolData) -> None:
    found = passages(data, "first_pulse", "read_out")
    assert len(found) == 3
    for passage, free_s in zip(found, (1.0, 3.0, 5.0), strict=True):
        assert not passage.basebands["drive_upper"].any()
        off, on = passage.turned_off[0], passage.turned_on[-1]
        assert passage.edge_s(on) - passage.edge_s(off) == pytest.approx(free_s)
        assert passage.parameters["second_pulse"]["phase_rad"] > 0.0


def test_interrupted_sequences_do_not_count(data: ProtocolData) -> None:
    sections = list(data.sections)
    sections[2] = replace(sections[2], completed=False)  # the first free time
    found = passages(replace(data, sections=tuple(sections)), "first_pulse", "read_out")
    assert len(found) == 2
    with pytest.raises(ProtocolFailure, match="no completed sequence from first_pulse"):
        passages(without(data, "second_pulse"), "first_pulse", "read_out")


def test_a_sequence_with_a_gap_does_not_count(data: ProtocolData) -> None:
    is_kept = np.abs(data.basebands["time_s"] - 4.0) > 0.1
    found = passages(replace(data, basebands=data.basebands[is_kept]), "first_pulse", "read_out")
    assert len(found) == 2


def test_energies_do_not_tell_which_way_a_swap_went() -> None:
    # A pi pulse swaps actions E/omega, so that amplitudes go with the root of m omega.
    steps = [ring_up(lower_m=1e-12), idle("before", 0.5), pulse("swap", BENCH, 0.5)]
    steps.append(idle("after", 1.0))
    cold = Bench(temperature_k=0.1, asymmetry=0.0)
    data = sequences(cold, steps, [2])[0].data
    (passage,) = passages(data, "before", "after")
    off = passage.turned_off[0]
    assert fraction_lower(passage, slice(off, off + 2)) == pytest.approx(1.0, abs=1e-3)


def test_weights_are_those_of_mass_times_frequency() -> None:
    weights = action_weights(facts_of(BENCH, np.random.default_rng(1)))
    assert weights[0] * weights[1] == pytest.approx(1.0)
    assert weights[1] / weights[0] == pytest.approx(919.0 / 912.0)  # masses alike


def test_noise_of_a_fraction_is_as_stated() -> None:
    """Chi-square of 40 seeds about their mean, a quarter exchange from both poles."""
    steps = [ring_up(lower_m=1e-12), idle("before", 0.5), pulse("turn", BENCH, 0.25)]
    steps += [idle("free", 10.0), idle("after", 1.0)]
    bench = Bench(tracking_bias_hz=0.0, tracking_sigma_hz=0.0)
    fractions, sigmas = [], []
    for outcome in sequences(bench, steps, range(40)):
        (passage,) = passages(outcome.data, "before", "after")
        last = len(passage.times_s) - 1
        fraction = fraction_lower(passage, slice(last - 2, last + 1))
        facts = outcome.data.facts
        fractions.append(fraction)
        sigmas.append(fraction_sigma(fraction, diffusion_rad2(passage, slice(0, last), facts)))
    errors = (np.array(fractions) - np.mean(fractions)) / np.array(sigmas)
    # 39 degrees of freedom: 0.1 % and 99.9 % quantiles; the rates are known to 10 %.
    assert 17.3 / 1.2 < float(errors @ errors) < 72.1 * 1.2


@pytest.mark.parametrize("asymmetry", [-0.02, 0.01])
def test_decay_and_asymmetry_are_found_within_their_sigmas(asymmetry: float) -> None:
    bench = Bench(asymmetry=asymmetry)
    known = 0.5 * math.log(919.0 / 912.0)  # what the frequencies alone make of it
    truth = np.array([0.088, 0.104, asymmetry - known])
    errors = []
    for outcome in sequences(bench, ramsey_steps(bench, (2.0, 8.0)), range(6)):
        decay = decay_of(passages(outcome.data, "first_pulse", "read_out"), outcome.data.facts)
        values = np.array([*decay.rates_per_s, decay.asymmetry])
        errors.append(np.linalg.solve(np.linalg.cholesky(decay.covariance), values - truth))
        assert decay.time_s[0] == pytest.approx(energy_decay_s(bench), abs=5.0 * decay.time_s[1])
    square = float((np.array(errors) ** 2).sum())
    assert square < 42.3  # 18 degrees of freedom, 99.9 %


def test_balanced_actions_have_the_asymmetry_that_was_found(data: ProtocolData) -> None:
    found = passages(data, "first_pulse", "read_out")
    decay = decay_of(found, data.facts)
    ratio = balanced(found, decay)[0].actions / found[0].actions
    assert np.log(ratio[1] / ratio[0]) == pytest.approx(2.0 * decay.asymmetry)


def test_too_little_decay_is_a_failure() -> None:
    steps = [ring_up(amplitude_m=2e-11), idle("before", 1.5), pulse("p", BENCH, 0.05)]
    steps.append(idle("after", 1.0))
    data = sequences(BENCH, steps, [3])[0].data
    with pytest.raises(ProtocolFailure, match="too short to tell"):
        decay_of(passages(data, "before", "after"), data.facts)


def test_inflation_begins_where_chance_ends() -> None:
    assert inflation(7.0, 7, "bad") == 1.0
    assert inflation(21.0, 7, "bad") == pytest.approx(3.0)
    with pytest.raises(ProtocolFailure, match="bad: chi-square 70 for 7"):
        inflation(70.0, 7, "bad")


def test_tracked_mean_weighs_by_time_and_knows_nothing_without_records(
    data: ProtocolData,
) -> None:
    times_s = np.arange(0.0, 10.0, 0.1)
    records = {
        "time_s": times_s,
        "difference_hz": data.reference_difference_hz + np.where(times_s < 4.95, 1.0, 4.0),
        "difference_sigma_hz": np.full(100, 1e-3),
    }
    mean = tracked_mean(replace(data, records=records), [(0.0, 2.0), (6.0, 7.0)])
    assert mean == pytest.approx((2.0, 1e-3))
    assert tracked_mean(replace(data, records={}), [(0.0, 2.0)]) is None
    assert tracked_mean(replace(data, records=records), [(20.0, 22.0)]) is None


def test_mean_turning_is_that_from_end_to_end() -> None:
    phases = 2.0 * math.pi * np.array([0.0, 0.1, 0.3, 0.4, 0.62])
    turning_hz = mean_turning_hz(np.array([5.0, 4.0, 3.0, 2.0, 1.0]) * np.exp(1j * phases), 0.5)
    assert turning_hz == pytest.approx(0.62 / 2.0)
