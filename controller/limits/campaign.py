"""Many trials on all cores, and the table that they make."""

from __future__ import annotations

import math
import multiprocessing
import os
import signal
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from controller.errors import RunFailed
from controller.limits.regimes import Regime, regimes_named
from controller.limits.trial import (
    DIFFTONE,
    FIXED_LOOPS,
    INDEPENDENT,
    INFORMED,
    SCRIPT,
    TRACKERS,
    Trial,
    TrialResult,
    run_trial,
    simulated_instrument,
)
from controller.runtime.configuration import with_overrides
from controller.settings import Configuration

SCHEMA = "difftone.limits/1"

MOST_RATIO = 999  # that the table shows; beyond, an estimator is simply lost
_TERM_WIDTH = 12  # of what the legend explains

_LEGEND = """\
Errors are those of the difference frequency against the simulator's truth: rms over the judged
stretch of a trial, the median over the seeds, in mHz; in brackets the median ratio to the limit.
  limit         what no estimator can beat on average: in steady state the optimal filter's error,
                elsewhere the error that the filter which is given the truth states
  learning      the error that such a filter states if all but the ratio of the drifts, upper mode
                over lower, is given, and that is known as the configuration says; in brackets
                over the limit
  given truth   a filter that is given the true parameters of membrane and noise
  difftone      this program
  trackers      its two trackers alone: the difference of their frequencies
  two optimal   two independent filters, each optimal for its own mode
  best script   polynomials fitted to the phase difference, with the best of several windows
  best loops    two loops of one fixed bandwidth, with the best of several
  68 %, 95 %    share of errors inside the 68 and 95 % intervals that this program states, with
                the standard error that so many trials leave
  known         share of the time in which it states a difference
  lost          runs with an undetected loss of lock: an error above 5 sigma for more than 2 s
                while the state says locked or the observer is the source
  trials        those that could be judged, of all
Regimes:"""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialSet:
    """Some trials, and what they say together."""

    trials: tuple[TrialResult, ...]

    @property
    def done(self) -> tuple[TrialResult, ...]:
        """The trials that could be judged."""
        return tuple(trial for trial in self.trials if not trial.failure)

    def covered(self, level: str) -> float:
        """Share of the records inside the stated interval, mean over the trials."""
        return _mean([trial.covered.get(level, math.nan) for trial in self.done])

    def covered_sigma(self, level: str) -> float:
        """Standard error of that share: the records of one trial are not independent."""
        shares = [trial.covered.get(level, math.nan) for trial in self.done]
        known = [share for share in shares if math.isfinite(share)]
        return float(np.std(known, ddof=1)) / math.sqrt(len(known)) if len(known) > 1 else math.nan

    @property
    def known_fraction(self) -> float:
        """Share of the records that state a difference, mean over the trials."""
        return _mean([trial.known_fraction for trial in self.done])

    @property
    def undetected_losses(self) -> int:
        """Trials in which the loop was wrong and claimed to know the difference."""
        return sum(trial.undetected_losses > 0 for trial in self.trials)


@dataclass(frozen=True, slots=True, kw_only=True)
class RegimeResult(TrialSet):
    """All trials of one regime."""

    regime: Regime

    @property
    def limit_hz(self) -> float:
        """Median limit [Hz]."""
        return _median([trial.limit_hz for trial in self.done])

    @property
    def learning_limit_hz(self) -> float:
        """Median limit of who has to learn the ratio of the drifts [Hz]."""
        return _median([trial.learning_limit_hz for trial in self.done])

    @property
    def learning_ratio(self) -> float:
        """Median of that limit over the limit of the same trial."""
        return _median([trial.learning_limit_hz / trial.limit_hz for trial in self.done])

    def error_hz(self, estimator: str) -> float:
        """Median rms error of an estimator [Hz]; NaN where it was not run."""
        return _median([trial.errors_hz.get(estimator, math.nan) for trial in self.done])

    def ratio(self, estimator: str) -> float:
        """Median of an estimator's error over the limit of the same trial."""
        return _median(
            [trial.errors_hz.get(estimator, math.nan) / trial.limit_hz for trial in self.done]
        )

    def best(self, prefix: str) -> str:
        """The estimator of least median error whose name begins so; empty if there is none."""
        names = {name for trial in self.done for name in trial.errors_hz if name.startswith(prefix)}
        return min(sorted(names), key=self.error_hz, default="")


def run_campaign(
    configuration: Configuration,
    source: Path,
    *,
    regimes: Sequence[str],
    seeds: Sequence[int],
    with_rivals: bool = True,
    workers: int | None = None,
    progress: Callable[[TrialResult], object] | None = None,
) -> dict[str, RegimeResult]:
    """Try a scenario in several regimes with several seeds.

    Parameters
    ----------
    configuration : Configuration
        The scenario.
    source : Path
        Its file.
    regimes : sequence of str
        Names out of `REGIMES`.
    seeds : sequence of int
        One trial for each, in each regime; at least one.
    with_rivals : bool
        Whether the simpler estimators are run, too.
    workers : int, optional
        Processes; None: one for each core.
    progress : callable, optional
        Called with every result as it comes.

    Returns
    -------
    dict of str to RegimeResult
        By regime, trials in the order of the seeds.

    Raises
    ------
    InputError
        If a regime is unknown or the scenario has no simulated instrument; nothing was run then.
    RunFailed
        If a process was ended from outside.
    """
    chosen = regimes_named(regimes)
    with_seed = with_overrides(configuration, source, options={"seed": seeds[0]})
    simulated_instrument(configuration, source)
    simulated_instrument(with_seed, source)
    trials = [
        Trial(
            configuration=configuration,
            source=source,
            regime=regime,
            seed=seed,
            with_rivals=with_rivals,
        )
        for regime in chosen
        for seed in seeds
    ]
    results = run_trials(trials, workers=workers, progress=progress)
    return {
        regime.name: RegimeResult(
            regime=regime,
            trials=tuple(results[place * len(seeds) : (place + 1) * len(seeds)]),
        )
        for place, regime in enumerate(chosen)
    }


def run_trials(
    trials: Sequence[Trial],
    *,
    workers: int | None = None,
    progress: Callable[[TrialResult], object] | None = None,
) -> list[TrialResult]:
    """Run trials side by side.

    Parameters
    ----------
    trials : sequence of Trial
        At least one.
    workers : int, optional
        Processes; None: one for each core.
    progress : callable, optional
        Called with every result as it comes.

    Returns
    -------
    list of TrialResult
        In the order of the trials.

    Raises
    ------
    RunFailed
        If a process was ended from outside.
    """
    results: dict[int, TrialResult] = {}
    with _processes(min(workers or os.cpu_count() or 1, len(trials))) as pool:
        with _interrupts_held():  # what starts here inherits it: Ctrl-C is for this process alone
            pending = {pool.submit(run_trial, trial): place for place, trial in enumerate(trials)}
        try:
            for future in as_completed(pending):
                results[pending[future]] = future.result()
                if progress is not None:
                    progress(future.result())
        except BrokenProcessPool as error:
            raise RunFailed(
                "a process of the trials was ended from outside; is there enough memory?"
            ) from error
    return [results[place] for place in range(len(trials))]


@contextmanager
def _processes(workers: int) -> Iterator[ProcessPoolExecutor]:
    """Fresh interpreters, which end at once where we leave early."""
    before = set(multiprocessing.active_children())
    # Spawned, not forked: no thread or lock of ours is copied.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=context) as pool:
        try:
            yield pool
        except BaseException:
            # Without its processes the pool gives up what waits, and closes.
            for process in set(multiprocessing.active_children()) - before:
                process.terminate()
            raise


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """SIGINT waits until afterwards."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


# --- what comes of it ----------------------------------------------------


def table(results: Mapping[str, RegimeResult]) -> str:
    """The table of a campaign, in columns of plain text.

    Parameters
    ----------
    results : mapping of str to RegimeResult
        By regime.

    Returns
    -------
    str
        Two blocks of errors [mHz] with the ratio to the limit, and one of coverage; one row
        for each regime in each, then the reasons of trials that failed. `legend` says what
        the columns are.
    """
    errors = [
        ("regime", "limit", "learning", "given truth", "difftone"),
        *(_error_row(name, result) for name, result in results.items()),
    ]
    others = [
        ("regime", "trackers", "two optimal", "best script", "best loops"),
        *(_other_row(name, result) for name, result in results.items()),
    ]
    coverage = [
        ("regime", "68 %", "95 %", "known", "lost", "trials"),
        *(_coverage_row(name, result) for name, result in results.items()),
    ]
    lines = [*_aligned(errors), "", *_aligned(others), "", *_aligned(coverage)]
    failures = [line for name, result in results.items() for line in _failures(name, result)]
    return "\n".join([*lines, "", *failures] if failures else lines)


def legend(regimes: Sequence[str]) -> str:
    """What the columns and rows of the table mean, in plain words.

    Parameters
    ----------
    regimes : sequence of str
        Names of the rows.

    Returns
    -------
    str
        Some lines, without a newline at the end.

    Raises
    ------
    InputError
        If a regime is unknown.
    """
    rows = [(regime.name, regime.title) for regime in regimes_named(regimes)]
    width = max(_TERM_WIDTH, *(len(name) for name, _ in rows))
    return "\n".join([_LEGEND, *(f"  {name:<{width}}  {title}" for name, title in rows)])


def document(
    scenarios: Mapping[str, tuple[Configuration, Mapping[str, RegimeResult]]],
) -> dict[str, Any]:
    """Every trial of a campaign over some scenarios, for a JSON file.

    Parameters
    ----------
    scenarios : mapping of str to (Configuration, mapping of str to RegimeResult)
        By name: the scenario, and its results by regime.

    Returns
    -------
    dict
        Frequencies in Hz; NaN where something is unknown.
    """
    return {
        "schema": SCHEMA,
        "scenarios": [
            {
                "name": name,
                "title": configuration.title,
                "regimes": [
                    {
                        "name": result.regime.name,
                        "title": result.regime.title,
                        "trials": [asdict(trial) for trial in result.trials],
                    }
                    for result in results.values()
                ],
            }
            for name, (configuration, results) in scenarios.items()
        ],
    }


def _error_row(name: str, result: RegimeResult) -> tuple[str, ...]:
    """Limits of one regime, and the errors of those who come near."""
    return (
        name,
        _millihertz(result.limit_hz),
        _with_ratio(result.learning_limit_hz, result.learning_ratio),
        *(_error(result, one) for one in (INFORMED, DIFFTONE)),
    )


def _other_row(name: str, result: RegimeResult) -> tuple[str, ...]:
    """Errors of what follows each mode by itself."""
    return (
        name,
        *(_error(result, one) for one in (TRACKERS, INDEPENDENT)),
        *(_best_error(result, prefix) for prefix in (SCRIPT, FIXED_LOOPS)),
    )


def _coverage_row(name: str, result: RegimeResult) -> tuple[str, ...]:
    """How far the stated uncertainties of one regime can be relied on."""
    return (
        name,
        *(
            f"{_percent(result.covered(level))}±{_percent(result.covered_sigma(level))}"
            for level in ("68", "95")
        ),
        _percent(result.known_fraction),
        f"{result.undetected_losses}",
        f"{len(result.done)} of {len(result.trials)}",
    )


def _failures(name: str, result: RegimeResult) -> Iterator[str]:
    """A line for each reason why trials of one regime failed."""
    failed = [trial for trial in result.trials if trial.failure]
    for reason in dict.fromkeys(trial.failure for trial in failed):
        seeds = [str(trial.seed) for trial in failed if trial.failure == reason]
        count = f"{len(seeds)} of {len(result.trials)} trials failed"
        yield f"{name}: {count} (seed {', '.join(seeds)}): {reason}"


def _error(result: RegimeResult, estimator: str) -> str:
    """Error and ratio of one estimator."""
    return _with_ratio(result.error_hz(estimator), result.ratio(estimator))


def _with_ratio(error_hz: float, ratio: float) -> str:
    """An error [mHz], and in brackets its ratio to the limit."""
    if not math.isfinite(error_hz):
        return "-"
    return f"{_millihertz(error_hz)} ({_digits(ratio) if ratio < MOST_RATIO else f'>{MOST_RATIO}'})"


def _best_error(result: RegimeResult, prefix: str) -> str:
    """Error and ratio of the best estimator of a kind, and which one that is."""
    best = result.best(prefix)
    return f"{_error(result, best)} {best.removeprefix(prefix)}".rstrip()


def _millihertz(value_hz: float) -> str:
    return _digits(1e3 * value_hz)


def _percent(share: float) -> str:
    return f"{100.0 * share:.1f}" if math.isfinite(share) else "-"


def _digits(value: float) -> str:
    """At least three digits, without an exponent."""
    if not math.isfinite(value):
        return "-"
    decimals = 2 - math.floor(math.log10(value)) if value > 0.0 else 0
    return f"{value:.{min(9, max(0, decimals))}f}"


def _aligned(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    """Rows in columns: the first one to the left, the others to the right."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for first, *others in rows:
        cells = [f"{first:<{widths[0]}}"]
        cells += [f"{cell:>{width}}" for cell, width in zip(others, widths[1:], strict=True)]
        yield "  ".join(cells).rstrip()


def _median(values: Sequence[float]) -> float:
    known = [value for value in values if math.isfinite(value)]
    return float(np.median(known)) if known else math.nan


def _mean(values: Sequence[float]) -> float:
    known = [value for value in values if math.isfinite(value)]
    return float(np.mean(known)) if known else math.nan
