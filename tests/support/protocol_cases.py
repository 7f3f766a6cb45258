"""Protocols with the truth of every result: how often stated intervals contain it.

Shared by the short check of every run and the long one in `tests/benchmarks`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from controller.analysis.protocols.data import ProtocolData, ProtocolResult, Results
from controller.analysis.protocols.exchange import exchange, rate_calibration, splitting_map
from controller.analysis.protocols.ring_down import ring_down
from tests.support.two_modes import (
    TWO_PI,
    Bench,
    Mode,
    Outcome,
    Stage,
    exchange_stages,
    protocols,
    ring_down_stages,
)

TWO_SIDED_95 = 1.959964  # sigmas of a normal number
DUFFING = 1.0e15  # Hz/m^2, a millihertz at a nanometre


@dataclass(frozen=True, kw_only=True)
class Case:
    """One protocol, its analysis and the truth of its results."""

    analysis: Callable[[ProtocolData], ProtocolResult]
    bench: Bench
    stages: Sequence[Stage]
    truths: Callable[[Bench, Outcome], Mapping[str, float]]  # "lower.quality_factor": ...


def exchange_truths(bench: Bench, outcome: Outcome) -> dict[str, float]:
    g = TWO_PI * bench.coupling_hz_per_unit
    lower, upper = bench.lower.decay_rate_per_s, bench.upper.decay_rate_per_s
    return {
        "energy_exchange_hz": g / math.pi,
        "coupling_hz": g / TWO_PI,
        "decay_rate_lower_per_s": lower,
        "decay_rate_upper_per_s": upper,
        "cooperativity": 4.0 * g**2 / (lower * upper),
        "cycles_per_decay": 4.0 * g / (math.pi * (lower + upper)),
        "detuning_hz": float(outcome.detunings_hz[1::2].mean()),
    }


def map_truths(bench: Bench, outcome: Outcome) -> dict[str, float]:
    return {
        "coupling_hz": bench.coupling_hz_per_unit,
        "difference_offset_hz": float(outcome.tracking_errors_hz[1::2].mean()),
    }


def rate_truths(bench: Bench, outcome: Outcome) -> dict[str, float]:
    return {
        "coupling_hz_per_unit": bench.coupling_hz_per_unit,
        "nonlinearity": 0.0,
        "pump_shift_difference_hz_per_unit2": bench.pump_shift_difference_hz_per_unit2,
    }


def ring_down_truths(bench: Bench, outcome: Outcome) -> dict[str, float]:
    truths = {}
    for name, mode, other in (
        ("lower", bench.lower, bench.upper),
        ("upper", bench.upper, bench.lower),
    ):
        sign = 1.0 if name == "upper" else -1.0
        difference = sign * (mode.duffing_self_hz_per_m2 - other.duffing_cross_hz_per_m2)
        truths |= {
            f"{name}.quality_factor": TWO_PI * mode.frequency_hz / mode.decay_rate_per_s,
            f"{name}.decay_time_s": 2.0 / mode.decay_rate_per_s,
            f"{name}.duffing_difference_hz_per_m2": difference,
            f"{name}.duffing_self_hz_per_m2": mode.duffing_self_hz_per_m2,
            f"{name}.thermal_ratio": 1.0,
        }
    return truths


DUFFING_BENCH = Bench(
    lower=Mode(
        frequency_hz=912e3,
        decay_rate_per_s=0.088,
        duffing_self_hz_per_m2=3.0 * DUFFING,
        duffing_cross_hz_per_m2=2.0 * DUFFING,
    ),
    upper=Mode(
        frequency_hz=919e3,
        decay_rate_per_s=0.104,
        duffing_self_hz_per_m2=4.0 * DUFFING,
        duffing_cross_hz_per_m2=1.5 * DUFFING,
    ),
)

CASES: dict[str, Case] = {
    "exchange": Case(
        analysis=exchange,
        bench=Bench(),
        stages=exchange_stages(repeats=2, duration_s=25.0),
        truths=exchange_truths,
    ),
    "exchange_duffing": Case(
        analysis=exchange,
        bench=DUFFING_BENCH,
        stages=exchange_stages(duration_s=30.0),
        truths=exchange_truths,
    ),
    "exchange_weak_light": Case(  # 20 fm per root hertz, 0.3 nm
        analysis=exchange,
        bench=Bench(detector_noise=2e-14, coupling_hz_per_unit=0.05),
        stages=exchange_stages(duration_s=40.0, amplitude_m=3e-10),
        truths=exchange_truths,
    ),
    "splitting_map": Case(
        analysis=splitting_map,
        bench=Bench(),
        stages=exchange_stages(duration_s=20.0, detunings_hz=(-0.3, -0.1, 0.0, 0.1, 0.3)),
        truths=map_truths,
    ),
    "rate_calibration": Case(  # the sigma of a record is that of independent errors
        analysis=rate_calibration,
        bench=Bench(tracking_bias_hz=0.0),
        stages=exchange_stages(duration_s=20.0, pumps=(0.4, 0.7, 1.0)),
        truths=rate_truths,
    ),
    "ring_down": Case(
        analysis=ring_down,
        bench=DUFFING_BENCH,
        stages=ring_down_stages(200.0),
        truths=ring_down_truths,
    ),
}


def value_and_sigma(results: Results, path: str) -> tuple[float, float]:
    """A result by its dotted name."""
    group, _, name = path.rpartition(".")
    within = results[group] if group else results
    assert isinstance(within, dict)
    value, sigma = within[name], within[f"{name}_sigma"]
    assert isinstance(value, float) and isinstance(sigma, float), f"{path}: {value}, {sigma}"
    return value, sigma


def errors_in_sigmas(name: str, seeds: Sequence[int]) -> dict[str, np.ndarray]:
    """Errors of every result in units of its stated sigma, shape (seeds,)."""
    case = CASES[name]
    errors: dict[str, list[float]] = {}
    for outcome in protocols(case.bench, case.stages, seeds):
        result = case.analysis(outcome.data)
        assert result.results is not None, result.failure
        for path, truth in case.truths(case.bench, outcome).items():
            value, sigma = value_and_sigma(result.results, path)
            errors.setdefault(path, []).append((value - truth) / sigma)
    return {path: np.array(each) for path, each in errors.items()}
