"""Sequences of pump pulses and chirps for the synthetic bench, with the names of their steps."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from controller.analysis.protocols.adiabatic_transfer import adiabatic_transfer
from controller.analysis.protocols.data import ProtocolData, ProtocolResult, Results
from controller.analysis.protocols.echo import echo
from controller.analysis.protocols.ramsey import ramsey
from controller.records import Section
from tests.support.two_modes import UPDATE_S, Bench, Outcome, Stage, protocols

TWO_PI = 2.0 * math.pi
PUMP = 0.5  # of the synthetic bench: an exchange takes 10 s
STEP_HZ = 0.1  # by which second pulses are turned each second of free time
FREE_S = (0.5, 1.5, 3.0, 4.5, 6.0, 8.0, 10.0, 12.0, 14.0, 16.0, 18.5, 21.0)
ECHO_FREE_S = (1.0, 2.5, 4.0, 6.0, 8.0, 10.5, 13.0, 15.5, 18.0, 20.5)
EXCHANGES = (0.15, 0.3, 0.5, 0.8, 1.2, 2.0)


@dataclass(frozen=True, kw_only=True)
class Step:
    """A named step of a protocol, made of stages."""

    name: str
    stages: tuple[Stage, ...]
    parameters: dict[str, float]


def exchange_s(bench: Bench, pump: float = PUMP) -> float:
    """One exchange, there and back, pi/g."""
    return 1.0 / (2.0 * bench.coupling_hz_per_unit * pump)


def ring_up(amplitude_m: float = 1e-9, lower_m: float = 5e-11) -> Step:
    """The upper mode at its amplitude, the lower one at a small one."""
    stage = Stage(
        kind="ring_up",
        duration_s=0.5,
        set_lower_m=lower_m,
        set_upper_m=amplitude_m,
        drive_lower=True,
        drive_upper=True,
    )
    return Step(name="", stages=(stage,), parameters={})


def idle(name: str, duration_s: float) -> Step:
    """Pump and drives off."""
    return Step(name=name, stages=(Stage(kind="record", duration_s=duration_s),), parameters={})


def pulse(name: str, bench: Bench, exchanges: float, *, turned_rad: float = 0.0) -> Step:
    """The pump on for a part of an exchange, its phase turned where it comes on."""
    stage = Stage(
        kind="pump_on",
        duration_s=exchanges * exchange_s(bench),
        pump=PUMP,
        pump_rad=turned_rad,
    )
    return Step(name=name, stages=(stage,), parameters={"phase_rad": turned_rad})


def chirp(bench: Bench, exchanges: float, *, ratio: float = 4.0) -> Step:
    """The pump from below the difference to above it, in steps of one update."""
    updates = round(exchanges * exchange_s(bench) / UPDATE_S)
    span_hz = 2.0 * ratio / exchange_s(bench)
    detunings_hz = span_hz * ((np.arange(updates) + 0.5) / updates - 0.5)
    stages = tuple(
        Stage(kind="pump_on", duration_s=UPDATE_S, pump=PUMP, detuning_hz=float(detuning_hz))
        for detuning_hz in detunings_hz
    )
    return Step(name="chirp", stages=stages, parameters={})


def ramsey_steps(bench: Bench, free_s: Sequence[float] = FREE_S) -> list[Step]:
    """Two pulses, a series of free times."""
    steps = []
    for each_s in free_s:
        steps += [
            ring_up(),
            pulse("first_pulse", bench, 0.25),
            idle("free", each_s),
            pulse("second_pulse", bench, 0.25, turned_rad=TWO_PI * STEP_HZ * each_s),
            idle("read_out", 1.0),
        ]
    return steps


def echo_steps(bench: Bench, free_s: Sequence[float] = ECHO_FREE_S) -> list[Step]:
    """With a pulse in the middle, then without."""
    steps = []
    for each_s in free_s:
        half_s = round(0.5 * each_s / UPDATE_S) * UPDATE_S
        last = [
            pulse("second_pulse", bench, 0.25, turned_rad=TWO_PI * STEP_HZ * each_s),
            idle("read_out", 1.0),
        ]
        first = [ring_up(), pulse("first_pulse", bench, 0.25)]
        steps += [
            *first,
            idle("free", half_s),
            pulse("echo_pulse", bench, 0.5),
            idle("free", half_s),
            *last,
        ]
        steps += [*first, idle("free", each_s), *last]
    return steps


def adiabatic_steps(bench: Bench, exchanges: Sequence[float] = EXCHANGES) -> list[Step]:
    """A series of chirps.

    After a first transfer that does not count: the lower mode begins each chirp with a phase
    that the pump has given it, and not the first two with one that the seed has drawn.
    """
    steps = [ring_up(), pulse("", bench, 0.25)]
    for each in exchanges:
        steps += [ring_up(), idle("before", 0.5), chirp(bench, each), idle("after", 1.0)]
    return steps


def sequences(bench: Bench, steps: Sequence[Step], seeds: Sequence[int]) -> list[Outcome]:
    """The protocol once for each seed, with one section per step."""
    stages = [stage for step in steps for stage in step.stages]
    outcomes = protocols(bench, stages, seeds)
    sections, update = [], 0
    for step in steps:
        start_s = update * UPDATE_S
        update += sum(round(stage.duration_s / UPDATE_S) for stage in step.stages)
        sections.append(
            Section(
                name=step.name,
                kind=step.stages[0].kind,
                start_s=start_s,
                end_s=update * UPDATE_S,
                parameters=step.parameters,
            )
        )
    return [
        replace(outcome, data=replace(outcome.data, sections=tuple(sections)))
        for outcome in outcomes
    ]


def stage_mean(steps: Sequence[Step], name: str, values: np.ndarray) -> float:
    """Mean over the time of all steps of a name, from one value per stage."""
    names = [step.name for step in steps for _ in step.stages]
    durations_s = [stage.duration_s for step in steps for stage in step.stages]
    weights = np.array(
        [s if each == name else 0.0 for s, each in zip(durations_s, names, strict=True)]
    )
    return float(weights @ values / weights.sum())


def without(data: ProtocolData, name: str) -> ProtocolData:
    """The same data in which every step of a name was interrupted."""
    sections = tuple(replace(section, completed=section.name != name) for section in data.sections)
    return replace(data, sections=sections)


# -- truths ----------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Case:
    """One protocol of pulses, its analysis and the truth of its results."""

    analysis: Callable[[ProtocolData], ProtocolResult]
    steps: Callable[[Bench], list[Step]]
    truths: Callable[[Bench, list[Step], Outcome, Results], dict[str, float]]


def energy_decay_s(bench: Bench) -> float:
    """Of a motion that both modes share."""
    return 2.0 / (bench.lower.decay_rate_per_s + bench.upper.decay_rate_per_s)


def ramsey_truths(
    bench: Bench, steps: list[Step], outcome: Outcome, results: Results
) -> dict[str, float]:
    """Nothing but the loss of energy dephases two classical modes."""
    tracked_hz = results["difference_tracked_hz"]
    assert isinstance(tracked_hz, float)
    error_hz = stage_mean(steps, "free", outcome.tracking_errors_hz)
    return {
        "difference_hz": tracked_hz + error_hz,
        "fringe_hz": STEP_HZ - error_hz,  # the pump stays on the tracked difference
        "contrast": 1.0,
        "dephasing_time_s": energy_decay_s(bench),
        "energy_decay_time_s": energy_decay_s(bench),
    }


def echo_truths(
    bench: Bench, steps: list[Step], outcome: Outcome, results: Results
) -> dict[str, float]:
    """As for Ramsey fringes; the pump's detuning takes less than a sigma of the plain ones."""
    return {
        "echo_contrast": 1.0,
        "plain_contrast": 1.0,
        "echo_dephasing_time_s": energy_decay_s(bench),
        "plain_dephasing_time_s": energy_decay_s(bench),
        "energy_decay_time_s": energy_decay_s(bench),
        "recovered_fraction": 1.0,
        "plain_fraction": math.cos(TWO_PI * bench.tracking_bias_hz * max(ECHO_FREE_S)),
        "plain_detuning_hz": bench.tracking_bias_hz,
    }


@lru_cache
def largest_arrival(bench: Bench) -> float:
    """Largest share of the action that a chirp brings, without noise and wander.

    In metres the lower mode pushes the upper one with g / rho and is pushed by it with
    g rho: what both of them keep is |lower|^2 / rho + |upper|^2 rho. While the pump is on the
    lower mode comes and goes: what it ends with is what it has from then on, carried back.
    """
    still = replace(
        bench,
        temperature_k=1e-9,
        detector_noise=1e-22,
        separate_walk_hz_per_root_s=0.0,
        gain_walk_per_root_s=0.0,
        tracking_sigma_hz=1e-9,
    )
    [outcome] = sequences(still, adiabatic_steps(still), (1,))
    table, rho = outcome.data.basebands, math.exp(bench.asymmetry)
    lower, upper = np.abs(table["lower"]) ** 2 / rho, np.abs(table["upper"]) ** 2 * rho
    is_on = table["pump_amplitude"] != 0.0
    on, off = (np.flatnonzero(np.diff(is_on.astype(int)) == way) for way in (1, -1))
    before = 0.5 * ((lower + upper)[on] + (lower + upper)[on + 1])
    after = 1.5 * lower[off + 1] - 0.5 * lower[off + 2]
    return float((after / before)[1:].max())  # the first transfer does not count


def adiabatic_truths(
    bench: Bench, steps: list[Step], outcome: Outcome, results: Results
) -> dict[str, float]:
    """By the law of Landau and Zener."""
    coupling_hz = bench.coupling_hz_per_unit * PUMP
    coupled = (TWO_PI * coupling_hz) ** 2
    lost = 8.0 / exchange_s(bench) / energy_decay_s(bench)
    rates = np.geomspace(0.05 * coupled, 50.0 * coupled, 200_001)
    arrived = -np.expm1(-coupled / rates) * np.exp(-lost / rates)
    return {
        "coupling_hz": coupling_hz,
        "fastest_safe_chirp_hz_per_s": coupled / math.log(20.0),
        "slowest_useful_chirp_hz_per_s": lost / math.log(2.0),
        "best_chirp_hz_per_s": float(rates[np.argmax(arrived)]),
        "largest_transfer": float(arrived.max()),
        "largest_measured_transfer": largest_arrival(bench),
        "energy_decay_time_s": energy_decay_s(bench),
    }


PULSE_CASES: dict[str, Case] = {
    "ramsey": Case(analysis=ramsey, steps=ramsey_steps, truths=ramsey_truths),
    "echo": Case(analysis=echo, steps=echo_steps, truths=echo_truths),
    "adiabatic_transfer": Case(
        analysis=adiabatic_transfer, steps=adiabatic_steps, truths=adiabatic_truths
    ),
}


def errors_in_sigmas(name: str, seeds: Sequence[int], bench: Bench) -> dict[str, np.ndarray]:
    """Errors of every result in units of its stated sigma, shape (seeds,)."""
    case = PULSE_CASES[name]
    steps = case.steps(bench)
    errors: dict[str, list[float]] = {}
    for outcome in sequences(bench, steps, seeds):
        result = case.analysis(outcome.data)
        assert result.results is not None, result.failure
        for key, truth in case.truths(bench, steps, outcome, result.results).items():
            value, sigma = result.results[key], result.results[f"{key}_sigma"]
            assert isinstance(value, float) and isinstance(sigma, float), f"{key}: {value}"
            errors.setdefault(key, []).append((value - truth) / sigma)
    return {key: np.array(each) for key, each in errors.items()}


def disagreement_errors(seeds: Sequence[int], bench: Bench) -> np.ndarray:
    """What Ramsey fringes and loop disagree by, in its sigmas; nought in truth.

    The records are off by what they state: by a bias for a whole protocol, a normal number
    of each seed, and by what wanders within it. The pump keeps the bias of the bench, which
    the fringes take out again.
    """
    errors = []
    for seed, outcome in zip(seeds, sequences(bench, ramsey_steps(bench), seeds), strict=True):
        drawn = float(np.random.default_rng([seed, 2]).standard_normal())
        records = dict(outcome.data.records)
        records["difference_hz"] = records["difference_hz"] + (drawn - 1.0) * bench.tracking_bias_hz
        results = ramsey(replace(outcome.data, records=records)).results
        assert results is not None
        value, sigma = (results[f"difference_disagreement_hz{end}"] for end in ("", "_sigma"))
        assert isinstance(value, float) and isinstance(sigma, float)
        errors.append(value / sigma)
    return np.array(errors)
