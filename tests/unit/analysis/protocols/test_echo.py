"""Echo: a detuning that stays the same does not count."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from controller.analysis.protocols.data import ProtocolData
from controller.analysis.protocols.echo import echo
from tests.support.pulses import (
    TWO_PI,
    echo_steps,
    errors_in_sigmas,
    ramsey_steps,
    sequences,
)
from tests.support.two_modes import Bench

BENCH = Bench()
SHORT_S = (1.0, 2.5, 4.0, 6.0, 8.5, 11.0)


@pytest.fixture(scope="module")
def data() -> ProtocolData:
    """Six free times."""
    return sequences(BENCH, echo_steps(BENCH, SHORT_S), [21])[0].data


def test_results_lie_within_their_sigmas() -> None:
    for name, errors in errors_in_sigmas("echo", range(4), BENCH).items():
        # 4 degrees of freedom, 99.9 %.
        assert float(errors @ errors) < 18.5, name


def test_known_duffing_shifts_that_fade_between_the_halves_do_not_count() -> None:
    """A nanometre shifts the difference by 7 and 11 mHz, and fades by a third within a half."""
    shifted = replace(
        BENCH,
        lower=replace(BENCH.lower, duffing_self_hz_per_m2=2.2e16, duffing_cross_hz_per_m2=1.3e16),
        upper=replace(BENCH.upper, duffing_self_hz_per_m2=2.6e16, duffing_cross_hz_per_m2=1.5e16),
    )
    errors = errors_in_sigmas("echo", range(12), shifted)
    for name in ("echo_dephasing_time_s", "recovered_fraction"):
        # The mean of 12, 99.9 %.
        assert abs(errors[name].mean()) < 3.29 / math.sqrt(12.0), name


def test_every_result_has_a_sigma(data: ProtocolData) -> None:
    results = echo(data).results
    assert results is not None
    for name in results:
        if not name.endswith(("_sigma", "_ratio")):
            assert results[f"{name}_sigma"] > 0.0  # type: ignore[operator]


def test_the_echo_recovers_what_a_pump_beside_the_difference_loses() -> None:
    detuning_hz = 0.02
    bench = replace(BENCH, tracking_bias_hz=0.0)
    steps = []
    for step in echo_steps(bench, SHORT_S):
        away = [replace(stage, detuning_hz=detuning_hz) for stage in step.stages]
        steps.append(replace(step, stages=tuple(away)) if step.name == "free" else step)
    results = echo(sequences(bench, steps, [22])[0].data).results
    assert results is not None
    for name, truth in (
        ("plain_detuning_hz", detuning_hz),
        ("plain_fraction", math.cos(TWO_PI * detuning_hz * SHORT_S[-1])),
        ("recovered_fraction", 1.0),
    ):
        value, sigma = results[name], results[f"{name}_sigma"]
        assert isinstance(value, float) and isinstance(sigma, float)
        assert abs(value - truth) < 4.0 * sigma, name
        assert sigma < 0.15


def test_both_kinds_of_sequences_are_needed(data: ProtocolData) -> None:
    plain = sequences(BENCH, ramsey_steps(BENCH, SHORT_S), [23])[0].data
    assert "0 with one" in str(echo(plain).failure)


def test_series_hold_points_and_curves_of_both(data: ProtocolData) -> None:
    series = echo(data).series
    for kind in ("plain", "echo"):
        assert len(series[f"{kind}_transferred"]) == len(SHORT_S)
        assert len(series[f"{kind}_line_s"]) == len(series[f"{kind}_line_transferred"])


def test_too_few_sequences_are_a_failure() -> None:
    result = echo(sequences(BENCH, echo_steps(BENCH, (1.0, 4.0)), [24])[0].data)
    assert result.results is None
    assert "needed" in str(result.failure)
