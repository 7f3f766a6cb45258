"""One seed of a scenario in one regime: the loop and its rivals on the same samples."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Protocol, runtime_checkable

import numpy as np

from controller.engine import Engine
from controller.errors import DifftoneError, InputError, RunFailed, StreamEnded, ToneRefused
from controller.instrument import Instrument, SampleBlock, Tone
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
from controller.records import EstimateSource, ModeId, Record, TrackerState
from controller.runtime.configuration import check_fits, make_instrument, one_line, with_overrides
from controller.runtime.truth import LIMIT_UPDATE_S, TWO_SIDED_95, TruthComparison
from controller.settings import Configuration
from controller.tracking.limits import DifferenceModel, difference_model, joint_limits

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER

# How estimators are called; a window or a bandwidth follows on the last two.
DIFFTONE, TRACKERS, INFORMED, INDEPENDENT = "difftone", "trackers", "informed", "independent"
LEARNER = "learner"
SCRIPT, FIXED_LOOPS = "script ", "loops "

SCRIPT_WINDOWS_S = (0.3, 1.0, 3.0, 10.0, 30.0)
LOOP_BANDWIDTHS_HZ = (0.1, 0.3, 1.0, 3.0)
INFORMED_STEP_S = 0.02
INTERVAL_SIGMAS = {"68": 1.0, "95": TWO_SIDED_95}
LOST_SIGMAS = 5.0
LOST_S = 2.0  # in error by more than LOST_SIGMAS for longer, with a difference still claimed


@runtime_checkable
class SimulatedInstrument(Instrument, Protocol):
    """An instrument that knows afterwards what its device did."""

    def write_truth(self, folder: Path) -> None:
        """Write `truth.csv` and `truth.json`; see `controller.runtime.truth`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What is to be tried."""

    configuration: Configuration
    source: Path  # of the configuration, for messages and imports
    regime: Regime
    seed: int
    with_rivals: bool = True
    with_limit: bool = True  # whether a filter that is given the truth is run; needed by rivals


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialResult:
    """How it went, over the judged stretch."""

    seed: int
    failure: str = ""  # why there is nothing to judge
    errors_hz: Mapping[str, float] = field(default_factory=dict)  # of the difference, rms
    limit_hz: float = math.nan
    learning_limit_hz: float = math.nan  # rms of what the filter states that learns the ratio
    sigma_hz: float = math.nan  # rms of what the loop stated
    informed_sigma_hz: float = math.nan  # rms of what the informed filter stated
    known_fraction: float = math.nan  # of the records: a difference was stated
    covered: Mapping[str, float] = field(default_factory=dict)  # share inside 68 and 95 %
    undetected_losses: int = 0  # in the whole run


def simulated_instrument(configuration: Configuration, source: Path) -> SimulatedInstrument:
    """The instrument of a scenario, which has to know its truth.

    Parameters
    ----------
    configuration : Configuration
        The scenario.
    source : Path
        Its file, for messages and imports.

    Returns
    -------
    SimulatedInstrument
        Made, not started.

    Raises
    ------
    InputError
        If it cannot be made, has no truth, or the settings do not fit it.
    """
    instrument = make_instrument(configuration, source)
    if not isinstance(instrument, SimulatedInstrument):
        raise InputError(
            f"{source}: instrument.class = {configuration.instrument.class_name!r}: "
            "limits needs a simulated instrument, one with the method write_truth"
        )
    check_fits(configuration, instrument, source)
    return instrument


def run_trial(trial: Trial) -> TrialResult:
    """Run the loop for a trial and judge it and its rivals against the truth.

    Parameters
    ----------
    trial : Trial
        Scenario, regime and seed.

    Returns
    -------
    TrialResult
        Errors, limit and coverage; or why the trial failed.
    """
    try:
        return _judged(trial)
    except DifftoneError as error:
        failure = one_line(error)
    except Exception as error:  # anybody's instrument may raise anything; the others go on
        failure = f"{type(error).__name__}: {one_line(error)}"
    return TrialResult(seed=trial.seed, failure=failure)


# --- the run -------------------------------------------------------------


class _Run:
    """The loop without a log, and everything beside it that its judges need."""

    def __init__(
        self,
        configuration: Configuration,
        instrument: SimulatedInstrument,
        regime: Regime,
        *,
        keeps_basebands: bool,
    ) -> None:
        self.records: list[Record] = []
        self.given: list[GivenTone] = []
        self.locked_s = math.nan
        self._instrument = instrument
        self._engine = Engine(configuration, instrument.stream, instrument.tones)
        self._keeps_basebands = keeps_basebands
        self._capture: BasebandCapture | None = None  # from the lock on
        self._waiting = list(regime.requests(configuration))
        self._read_timeout_s = configuration.run.read_timeout_s

    @property
    def basebands(self) -> Basebands:
        """What the detector saw of both modes from the lock on."""
        if self._capture is None:
            raise RunFailed("no frequencies were stated after the lock")
        return self._capture.basebands()

    def to_the_end(self) -> None:
        """Stream as long as the run lasts; raises DifftoneError where it fails."""
        engine, instrument = self._engine, self._instrument
        instrument.start()
        try:
            while not engine.finished and engine.failure is None:
                self._take(instrument.read(self._read_timeout_s))
        except StreamEnded as error:
            raise RunFailed(f"the stream ended too early: {error}") from error
        finally:
            instrument.stop()
        if engine.failure is not None:
            raise RunFailed(engine.failure)

    def _take(self, block: SampleBlock) -> None:
        """The next block."""
        rate_hz = self._instrument.stream.sample_rate_hz
        start_s = block.first_sample / rate_hz
        end_index = block.first_sample + len(block.samples)
        if math.isnan(self.locked_s) and self._engine.has_locked:
            self.locked_s = start_s
        since_lock_s = (
            -math.inf if math.isnan(self.locked_s) else end_index / rate_hz - self.locked_s
        )
        due = [request for at_s, request in self._waiting if at_s <= since_lock_s]
        self._waiting = [(at_s, request) for at_s, request in self._waiting if at_s > since_lock_s]
        self._keep(block)
        step = self._engine.step(block, due)
        self.records.extend(step.records)
        self._set_tones(step.tones, end_index)

    def _keep(self, block: SampleBlock) -> None:
        """Keep what is near the modes, once it is known where they are."""
        if self._keeps_basebands and self._capture is None and self._engine.has_locked:
            lower, upper = (self.records[-1].modes[mode].frequency_hz for mode in ModeId)
            if lower is not None and upper is not None:
                self._capture = BasebandCapture(self._instrument.stream, (lower, upper))
        if self._capture is None:
            return
        try:
            self._capture.process(block.samples, block.first_sample)
        except ValueError as error:
            raise RunFailed(f"limits needs a stream without gaps: {error}") from error

    def _set_tones(self, tones: Iterable[Tone], end_index: int) -> None:
        """Set tones, those that go off first."""
        for tone in sorted(tones, key=lambda tone: tone.amplitude > 0.0):
            try:
                actual = self._instrument.set_tone(tone)
            except ToneRefused as error:
                self._engine.tone_set(tone, None, str(error))
                continue
            self._engine.tone_set(tone, actual)
            self.given.append(GivenTone(at_index=end_index, tone=actual))


# --- the truth -----------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Truth:
    """What the device did, and what it is made of."""

    device: Mapping[str, Any]
    columns: Mapping[str, np.ndarray]

    @classmethod
    def of(cls, instrument: SimulatedInstrument) -> _Truth:
        """The truth of an instrument that has run."""
        with tempfile.TemporaryDirectory() as folder:
            instrument.write_truth(Path(folder))
            comparison = TruthComparison(folder)
            pieces = list(comparison.rows())
        columns = {name: np.concatenate([piece[name] for piece in pieces]) for name in pieces[0]}
        return cls(device=comparison.device, columns=columns)

    def difference_hz(self, times_s: np.ndarray) -> np.ndarray:
        """The difference at some times [Hz]."""
        return np.interp(times_s, self.columns["time_s"], self.columns["difference_hz"])

    def modes_hz(self, time_s: float) -> tuple[float, float]:
        """Frequencies of lower and upper mode at a time [Hz]."""
        lower_hz, upper_hz = (
            float(np.interp(time_s, self.columns["time_s"], self.columns[f"{mode}_hz"]))
            for mode in ModeId
        )
        return lower_hz, upper_hz

    def amplitudes_m(self, start_s: float, end_s: float) -> dict[ModeId, float]:
        """Rms of the peak amplitudes over a stretch [m]."""
        times_s = self.columns["time_s"]
        chosen = (times_s > start_s) & (times_s <= end_s)
        return {mode: rms(self.columns[f"{mode}_amplitude_m"][chosen]) for mode in ModeId}

    @property
    def largest_amplitude_m(self) -> float:
        """Of both modes in the whole run [m]."""
        return max(float(np.max(self.columns[f"{mode}_amplitude_m"])) for mode in ModeId)


# --- the judgement -------------------------------------------------------


def _judged(trial: Trial) -> TrialResult:
    """A trial that was run to its end, against the truth."""
    configuration = with_overrides(
        trial.regime.applied(trial.configuration), trial.source, options={"seed": trial.seed}
    )
    instrument = simulated_instrument(configuration, trial.source)
    run = _Run(configuration, instrument, trial.regime, keeps_basebands=trial.with_limit)
    run.to_the_end()
    truth = _Truth.of(instrument)

    times_s = np.array([record.time_s for record in run.records])
    true_hz = truth.difference_hz(times_s)
    start_s, end_s = (run.locked_s + at_s for at_s in trial.regime.judged_s)
    chosen = (times_s > start_s) & (times_s <= end_s)
    stated_hz = _column(record.difference_hz for record in run.records)
    sigma_hz = _column(record.difference_sigma_hz for record in run.records)
    normalised = (stated_hz - true_hz) / sigma_hz
    result = TrialResult(
        seed=trial.seed,
        errors_hz={
            DIFFTONE: rms((stated_hz - true_hz)[chosen]),
            TRACKERS: rms((_trackers_hz(run.records) - true_hz)[chosen]),
        },
        sigma_hz=rms(sigma_hz[chosen]),
        known_fraction=float(np.mean(np.isfinite(normalised[chosen]))),
        covered=coverage(normalised[chosen]),
        undetected_losses=undetected_losses(run.records, normalised),
    )
    if not trial.with_limit:
        return result
    return _beside_others(result, trial, configuration, instrument, run, truth, times_s[chosen])


def _beside_others(
    result: TrialResult,
    trial: Trial,
    configuration: Configuration,
    instrument: SimulatedInstrument,
    run: _Run,
    truth: _Truth,
    judged_s: np.ndarray,
) -> TrialResult:
    """A result with its limits, and with the errors of what else could be done."""
    judged_hz = truth.difference_hz(judged_s)
    errors_hz = dict(result.errors_hz)
    sigmas_hz = {}
    for name, track in _informed(configuration, instrument, run, truth).items():
        errors_hz[name] = rms(np.interp(judged_s, track.times_s, track.difference_hz) - judged_hz)
        sigmas_hz[name] = rms(np.interp(judged_s, track.times_s, track.sigma_hz))
    start_s, end_s = (run.locked_s + at_s for at_s in trial.regime.judged_s)
    basebands, amplitudes_m = run.basebands, truth.amplitudes_m(start_s, end_s)
    if trial.with_rivals:
        model = difference_model(truth.device, amplitudes_m, basebands.period_s)
        rivals = _rivals_hz(basebands, model, truth.modes_hz(float(basebands.times_s[0])), judged_s)
        errors_hz |= {name: rms(values_hz - judged_hz) for name, values_hz in rivals.items()}
    is_driven = all(configuration.drive.amplitude_of(mode) > 0.0 for mode in ModeId)
    is_steady = is_driven and not trial.regime.is_released
    return replace(
        result,
        errors_hz=errors_hz,
        # In steady state the limit has a closed form; elsewhere it is what the filter that
        # is given the truth states.
        limit_hz=(
            joint_limits(difference_model(truth.device, amplitudes_m, LIMIT_UPDATE_S)).difference_hz
            if is_steady
            else sigmas_hz[INFORMED]
        ),
        learning_limit_hz=sigmas_hz[LEARNER],
        informed_sigma_hz=sigmas_hz[INFORMED],
    )


def _informed(
    configuration: Configuration, instrument: SimulatedInstrument, run: _Run, truth: _Truth
) -> dict[str, InformedTrack]:
    """Informed filters from the lock on: one knows all, one has to learn the drifts' ratio."""
    stream, basebands = instrument.stream, run.basebands
    seen = basebands.mixed_to(truth.modes_hz(float(basebands.times_s[0])))
    scale = truth.largest_amplitude_m / stream.metres_per_unit
    tracking = configuration.tracking
    # A scenario whose gain moves says so; the default is the caution of a loop that cannot know.
    tells_gain = "gain_walk_per_root_s" in tracking.model_fields_set
    gain_walk = tracking.gain_walk_per_root_s if tells_gain else 0.0
    config = informed_config(truth.device, stream.metres_per_unit, scale, gain_walk)
    modes = configuration.modes
    ratio = tracking.drift_ratio or modes.upper.frequency_hz / modes.lower.frequency_hz
    learning = replace(config, ratio=ratio - 1.0, ratio_sigma=tracking.drift_ratio_sigma)
    samples_per_step = max(1, round(INFORMED_STEP_S * seen.rate_hz))
    return {
        name: InformedFilter(each, truth.device, seen, instrument.tones, stream).run(
            run.given, samples_per_step
        )
        for name, each in ((INFORMED, config), (LEARNER, learning))
    }


def _rivals_hz(
    basebands: Basebands,
    model: DifferenceModel,
    start_hz: tuple[float, float],
    times_s: np.ndarray,
) -> dict[str, np.ndarray]:
    """Differences by the simpler estimators, as they stand at some times [Hz]."""
    estimates = {
        f"{SCRIPT}{window_s:g} s": polynomial_difference_hz(basebands, window_s)
        for window_s in SCRIPT_WINDOWS_S
    }
    loops_hz = fixed_loop_differences_hz(basebands, LOOP_BANDWIDTHS_HZ, start_hz)
    for bandwidth_hz, column_hz in zip(LOOP_BANDWIDTHS_HZ, loops_hz.T, strict=True):
        estimates[f"{FIXED_LOOPS}{bandwidth_hz:g} Hz"] = column_hz
    estimates[INDEPENDENT] = independent_filters_difference_hz(basebands, model, start_hz)
    places = np.searchsorted(basebands.times_s, times_s, side="right") - 1
    return {name: values_hz[places] for name, values_hz in estimates.items()}


def coverage(normalised: np.ndarray) -> dict[str, float]:
    """Share of errors inside the stated 68 and 95 % intervals.

    Parameters
    ----------
    normalised : ndarray of float64, shape (n,)
        Errors over their stated sigmas; NaN where none was stated.

    Returns
    -------
    dict of str to float
        By level, of those that were stated; NaN where there is none.
    """
    stated = np.abs(normalised[np.isfinite(normalised)])
    return {
        level: float(np.mean(stated <= bound)) if len(stated) else math.nan
        for level, bound in INTERVAL_SIGMAS.items()
    }


def undetected_losses(records: Sequence[Record], normalised: np.ndarray) -> int:
    """Stretches in which the loop was wrong and claimed to know the difference.

    Parameters
    ----------
    records : sequence of Record
        Of a whole run.
    normalised : ndarray of float64, shape (n,)
        Error over the stated sigma at each of them; NaN where none was stated.

    Returns
    -------
    int
        How often the error stayed beyond 5 sigma for more than 2 s while both modes were
        said to be locked, or the observer answered for them.
    """
    is_claimed = np.array([_claims_difference(record) for record in records], dtype=bool)
    is_wrong = is_claimed & (np.abs(normalised) > LOST_SIGMAS)
    edges = np.flatnonzero(np.diff(is_wrong, prepend=False, append=False))
    times_s = np.array([record.time_s for record in records])
    lengths_s = times_s[edges[1::2] - 1] - times_s[edges[0::2]]
    return int(np.count_nonzero(lengths_s > LOST_S))


def _claims_difference(record: Record) -> bool:
    """Whether the loop stands by the difference that it states."""
    if record.difference_source is EstimateSource.OBSERVER:
        return True
    return all(mode.state is TrackerState.LOCKED for mode in record.modes.values())


def rms(values: np.ndarray) -> float:
    """Root mean square of what is finite; NaN where nothing is."""
    known = values[np.isfinite(values)]
    return math.sqrt(float(np.mean(known**2))) if len(known) else math.nan


def _trackers_hz(records: Sequence[Record]) -> np.ndarray:
    """Difference of what the two trackers say, each for its mode [Hz]."""
    lower_hz, upper_hz = (
        _column(record.modes[mode].frequency_hz for record in records) for mode in ModeId
    )
    return upper_hz - lower_hz


def _column(values: Iterable[float | None]) -> np.ndarray:
    """Values with NaN for what is unknown."""
    return np.array([math.nan if value is None else value for value in values], dtype=float)
