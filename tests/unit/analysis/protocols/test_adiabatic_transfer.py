"""Adiabatic transfer: the coupling from chirps, failures as failures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from controller.analysis.protocols.adiabatic_transfer import adiabatic_transfer
from controller.analysis.protocols.data import ProtocolData
from tests.support.pulses import (
    PUMP,
    adiabatic_steps,
    errors_in_sigmas,
    exchange_s,
    sequences,
    without,
)
from tests.support.two_modes import Bench

BENCH = Bench()


@pytest.fixture(scope="module")
def data() -> ProtocolData:
    """The shipped rates."""
    return sequences(BENCH, adiabatic_steps(BENCH), [31])[0].data


def test_results_lie_within_their_sigmas() -> None:
    for name, errors in errors_in_sigmas("adiabatic_transfer", range(5), BENCH).items():
        # 5 degrees of freedom, 99.9 %.
        assert float(errors @ errors) < 20.6, name


def test_every_result_has_a_sigma(data: ProtocolData) -> None:
    results = adiabatic_transfer(data).results
    assert results is not None
    for name in results:
        if not name.endswith(("_sigma", "_ratio")):
            assert results[f"{name}_sigma"] > 0.0  # type: ignore[operator]


def test_rates_are_those_that_were_commanded(data: ProtocolData) -> None:
    rates = adiabatic_transfer(data).series["chirp_hz_per_s"]
    span_hz = 8.0 / exchange_s(BENCH)
    expected = span_hz / (np.array([0.15, 0.3, 0.5, 0.8, 1.2, 2.0]) * exchange_s(BENCH))
    # The bench chirps in whole updates, 75 of them at least; the tracked difference wanders.
    assert rates == pytest.approx(expected, rel=0.015)


def test_what_arrives_is_what_is_transferred_less_the_decay(data: ProtocolData) -> None:
    series, results = adiabatic_transfer(data).series, adiabatic_transfer(data).results
    assert results is not None
    assert (series["arrived"] < series["transferred"]).all()
    assert results["largest_measured_transfer"] == pytest.approx(series["arrived"].max())


def test_a_transfer_forgives_an_error_in_the_difference() -> None:
    bench = replace(BENCH, tracking_bias_hz=0.005)  # a tenth of g/2pi
    data = sequences(bench, adiabatic_steps(bench), [32])[0].data
    results = adiabatic_transfer(data).results
    assert results is not None
    value, sigma = results["coupling_hz"], results["coupling_hz_sigma"]
    assert isinstance(value, float) and isinstance(sigma, float)
    assert abs(value - PUMP * bench.coupling_hz_per_unit) < 4.0 * sigma


def test_a_phase_that_hardly_matters_does_not_keep_the_fit_from_its_end() -> None:
    # Of 200 seeds the one whose chi-square is flattest along the phase of the coupling.
    data = sequences(BENCH, adiabatic_steps(BENCH), [1005])[0].data
    assert adiabatic_transfer(data).failure is None


def test_too_few_chirps_are_a_failure() -> None:
    data = sequences(BENCH, adiabatic_steps(BENCH, (0.3, 0.8)), [33])[0].data
    assert "3 are needed" in str(adiabatic_transfer(data).failure)


def test_chirps_that_hand_over_nothing_are_a_failure() -> None:
    weak = replace(BENCH, coupling_hz_per_unit=1e-3)
    steps = adiabatic_steps(BENCH, (0.3, 0.4, 0.5))
    result = adiabatic_transfer(sequences(weak, steps, [34])[0].data)
    assert result.results is None


def test_without_a_reported_difference_the_detuning_is_not_known(data: ProtocolData) -> None:
    assert "was not reported" in str(adiabatic_transfer(replace(data, records={})).failure)


def test_interrupted_chirps_are_a_failure(data: ProtocolData) -> None:
    assert "no completed sequence" in str(adiabatic_transfer(without(data, "chirp")).failure)


def test_fractions_of_another_motion_are_a_failure(data: ProtocolData) -> None:
    changed = data.basebands.copy()
    read_outs = [section for section in data.sections if section.name == "after"]
    for section in read_outs[::2]:
        is_after = (changed["time_s"] > section.start_s) & (changed["time_s"] <= section.end_s)
        lower = changed["lower"][is_after].copy()
        changed["lower"][is_after], changed["upper"][is_after] = changed["upper"][is_after], lower
    assert adiabatic_transfer(replace(data, basebands=changed)).results is None
