"""One seed of a scenario in one regime: the loop and its rivals on the same samples."""

from __future__ import annotations

import json
import math
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from controller.engine import Engine
from controller.errors import StreamEnded, ToneRefused
from controller.instrument import Instrument
from controller.limits.informed import (
    GivenTone,
    InformedFilter,
    InformedTrack,
    informed_config,
)
from controller.limits.regimes import Regime
from controller.limits.rivals import (
    BasebandCapture,
    Basebands,
    fixed_loop_differences_hz,
    independent_filters_difference_hz,
    polynomial_difference_hz,
)
from controller.records import ModeId, Record, TrackerState
from controller.runtime.configuration import make_instrument
from controller.runtime.truth import TRUTH_JSON, TruthComparison
from controller.settings import Configuration
from controller.tracking.limits import DifferenceModel, difference_model, joint_limits

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER

SCRIPT_WINDOWS_S = (0.3, 1.0, 3.0, 10.0, 30.0)
LOOP_BANDWIDTHS_HZ = (0.1, 0.3, 1.0, 3.0)
STEP_S = 0.02  # of the informed filter
LIMIT_UPDATE_S = 0.01
LOST_SIGMAS = 5.0
LOST_S = 2.0  # an error beyond LOST_SIGMAS for longer, with a lock still claimed
COVERED = {"68": 1.0, "95": 1.959963984540054}  # of the normal distribution [sigma]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What is to be tried."""

    configuration: Configuration
    source: Path
    regime: Regime
    seed: int
    with_rivals: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialResult:
    """How it went: rms errors of the difference over the judged stretch [Hz]."""

    seed: int
    failure: str = ""
    errors_hz: Mapping[str, float] = field(default_factory=dict)  # by estimator
    limit_hz: float = math.nan
    sigma_hz: float = math.nan  # rms of what the loop stated
    known_fraction: float = 0.0  # of the judged records: a difference was stated
    covered: Mapping[str, float] = field(default_factory=dict)  # share inside 68 and 95 %
    undetected_losses: int = 0  # in the whole run


@dataclass(slots=True)
class _Kept:
    """A run, and everything beside it that its judges need."""

    records: list[Record]
    given: list[GivenTone]
    basebands: Basebands
    locked_s: float
    found_s: float
    failure: str


def run_trial(trial: Trial) -> TrialResult:
    """Run the loop for a trial and judge it and its rivals against the truth.

    Parameters
    ----------
    trial : Trial
        Scenario, regime and seed.

    Returns
    -------
    TrialResult
        Errors, limit and coverage; or why the run failed.
    """
    configuration = trial.regime.applied(trial.configuration)
    options = {**configuration.instrument.options, "seed": trial.seed}
    named = configuration.instrument.model_copy(update={"options": options})
    configuration = configuration.model_copy(update={"instrument": named})
    instrument = make_instrument(configuration, trial.source)
    kept = _run(configuration, instrument, trial.regime)
    if kept.failure:
        return TrialResult(seed=trial.seed, failure=kept.failure)
    with tempfile.TemporaryDirectory() as folder:
        instrument.write_truth(Path(folder))  # type: ignore[attr-defined]
        device = json.loads((Path(folder) / TRUTH_JSON).read_text(encoding="utf-8"))
        rows = list(TruthComparison(folder).rows())
    truth = {name: np.concatenate([piece[name] for piece in rows]) for name in rows[0]}
    return _judged(trial, instrument, kept, device, truth)


def _run(configuration: Configuration, instrument: Instrument, regime: Regime) -> _Kept:
    """The loop without a log; basebands are kept beside it."""
    engine = Engine(configuration, instrument.stream, instrument.tones)
    modes = configuration.modes
    capture = BasebandCapture(
        instrument.stream, (modes.lower.frequency_hz, modes.upper.frequency_hz)
    )
    rate_hz = instrument.stream.sample_rate_hz
    waiting = list(regime.requests())
    records: list[Record] = []
    given: list[GivenTone] = []
    locked_s = found_s = math.nan
    instrument.start()
    try:
        while not engine.finished and engine.failure is None:
            try:
                block = instrument.read(1.0)
            except StreamEnded:
                break
            end_index = block.first_sample + len(block.samples)
            if not math.isfinite(locked_s) and engine.has_locked:
                locked_s = block.first_sample / rate_hz
            due_s = -1.0 if not math.isfinite(locked_s) else end_index / rate_hz - locked_s
            due = [request for at_s, request in waiting if at_s <= due_s]
            waiting = [(at_s, request) for at_s, request in waiting if at_s > due_s]
            step = engine.step(block, due)
            capture.process(block.samples, block.first_sample)
            records.extend(step.records)
            if not math.isfinite(found_s) and any(
                r.difference_hz is not None for r in records[-1:]
            ):
                found_s = block.first_sample / rate_hz
            for tone in sorted(step.tones, key=lambda tone: tone.amplitude > 0.0):
                try:
                    actual = instrument.set_tone(tone)
                except ToneRefused as error:
                    engine.tone_set(tone, None, str(error))
                    continue
                engine.tone_set(tone, actual)
                given.append(GivenTone(at_index=end_index, tone=actual))
    finally:
        instrument.stop()
    failure = engine.failure or ("" if math.isfinite(locked_s) else "no lock")
    return _Kept(records, given, capture.basebands(), locked_s, found_s, failure)


def _judged(
    trial: Trial,
    instrument: Instrument,
    kept: _Kept,
    device: Mapping[str, Any],
    truth: Mapping[str, np.ndarray],
) -> TrialResult:
    start_s, end_s = (kept.locked_s + at_s for at_s in trial.regime.judged_s)
    times_s = np.array([record.time_s for record in kept.records])
    true_hz = np.interp(times_s, truth["time_s"], truth["difference_hz"])
    chosen = (times_s > start_s) & (times_s <= end_s)
    own_hz = _column([record.difference_hz for record in kept.records])
    sigma_hz = _column([record.difference_sigma_hz for record in kept.records])
    loops_hz = _column([record.modes[UPPER].frequency_hz for record in kept.records]) - _column(
        [record.modes[LOWER].frequency_hz for record in kept.records]
    )
    errors_hz = {
        "loop": _rms(own_hz[chosen] - true_hz[chosen]),
        "trackers": _rms(loops_hz[chosen] - true_hz[chosen]),
    }
    informed = _informed(instrument, kept, device, truth)
    at = np.interp(times_s[chosen], informed.times_s, informed.sigma_hz)
    limit_hz = _rms(at)
    errors_hz["informed"] = _rms(
        np.interp(times_s[chosen], informed.times_s, informed.difference_hz) - true_hz[chosen]
    )
    amplitudes_m = _amplitudes_m(truth, start_s, end_s)
    model = difference_model(device, amplitudes_m, LIMIT_UPDATE_S)
    if not trial.regime.is_released and not trial.regime.is_thermal:
        limit_hz = joint_limits(model).difference_hz
    if trial.with_rivals:
        rivals_model = difference_model(device, amplitudes_m, kept.basebands.period_s)
        seen = kept.basebands.after(kept.locked_s)
        errors_hz.update(_rivals(seen, rivals_model, truth, times_s[chosen], true_hz[chosen]))
    normalised = (own_hz - true_hz) / sigma_hz
    stated = normalised[chosen][np.isfinite(normalised[chosen])]
    return TrialResult(
        seed=trial.seed,
        errors_hz=errors_hz,
        limit_hz=limit_hz,
        sigma_hz=_rms(sigma_hz[chosen]),
        known_fraction=len(stated) / max(1, int(np.count_nonzero(chosen))),
        covered={
            name: float(np.mean(np.abs(stated) <= bound)) if len(stated) else math.nan
            for name, bound in COVERED.items()
        },
        undetected_losses=_undetected_losses(kept.records, times_s, normalised),
    )


def _informed(
    instrument: Instrument,
    kept: _Kept,
    device: Mapping[str, Any],
    truth: Mapping[str, np.ndarray],
) -> InformedTrack:
    """The informed filter from where the search ended, in frames that turn with the modes."""
    stream = instrument.stream
    seen = kept.basebands.after(kept.found_s).mixed_to(_true_hz(truth, kept.found_s))
    scale = max(float(np.max(truth[f"{mode.value}_amplitude_m"])) for mode in ModeId)
    config = informed_config(device, stream.metres_per_unit, scale / stream.metres_per_unit)
    informed = InformedFilter(config, device, seen, instrument.tones, stream)
    return informed.run(kept.given, max(1, round(STEP_S * seen.rate_hz)))


def _rivals(
    basebands: Basebands,
    model: DifferenceModel,
    truth: Mapping[str, np.ndarray],
    times_s: np.ndarray,
    true_hz: np.ndarray,
) -> dict[str, float]:
    """Rms errors of the simpler estimators, sampled where the loop is [Hz]."""
    start_hz = _true_hz(truth, float(basebands.times_s[0]))
    estimates = {
        f"script {window_s:g} s": polynomial_difference_hz(basebands, window_s)
        for window_s in SCRIPT_WINDOWS_S
    }
    loops = fixed_loop_differences_hz(basebands, LOOP_BANDWIDTHS_HZ, start_hz)
    for column, bandwidth_hz in enumerate(LOOP_BANDWIDTHS_HZ):
        estimates[f"loop {bandwidth_hz:g} Hz"] = loops[:, column]
    estimates["independent"] = independent_filters_difference_hz(basebands, model, start_hz)
    places = np.searchsorted(basebands.times_s, times_s, side="right") - 1
    return {name: _rms(values[places] - true_hz) for name, values in estimates.items()}


def _true_hz(truth: Mapping[str, np.ndarray], time_s: float) -> tuple[float, float]:
    """Frequencies of lower and upper mode at a time [Hz]."""
    lower_hz, upper_hz = (
        float(np.interp(time_s, truth["time_s"], truth[f"{mode.value}_hz"])) for mode in ModeId
    )
    return lower_hz, upper_hz


def _amplitudes_m(
    truth: Mapping[str, np.ndarray], start_s: float, end_s: float
) -> dict[ModeId, float]:
    chosen = (truth["time_s"] > start_s) & (truth["time_s"] <= end_s)
    return {mode: _rms(truth[f"{mode.value}_amplitude_m"][chosen]) for mode in ModeId}


def _undetected_losses(records: list[Record], times_s: np.ndarray, normalised: np.ndarray) -> int:
    """Stretches in which the loop was wrong and said that it was locked."""
    is_lost = np.array(
        [
            all(mode.state is TrackerState.LOCKED for mode in record.modes.values())
            for record in records
        ]
    ) & (np.abs(normalised) > LOST_SIGMAS)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], is_lost.astype(int), [0]))))
    begins, ends = edges[0::2], edges[1::2]
    return int(np.count_nonzero(times_s[ends - 1] - times_s[begins] > LOST_S))


def _column(values: list[float | None]) -> np.ndarray:
    return np.array([math.nan if value is None else value for value in values], dtype=float)


def _rms(values: np.ndarray) -> float:
    known = values[np.isfinite(values)]
    return math.sqrt(float(np.mean(known**2))) if len(known) else math.nan
