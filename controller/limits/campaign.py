"""Many trials on all cores, and the table that they make."""

from __future__ import annotations

import math
import multiprocessing
import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from controller.errors import DifftoneError
from controller.limits.regimes import REGIMES, Regime
from controller.limits.trial import LOOP_BANDWIDTHS_HZ, Trial, TrialResult, run_trial
from controller.settings import Configuration

SCRIPT, LOOPS = "script ", "loop "  # how the names of rivals begin


@dataclass(frozen=True, slots=True, kw_only=True)
class RegimeResult:
    """All trials of one regime."""

    regime: Regime
    trials: tuple[TrialResult, ...]

    @property
    def done(self) -> tuple[TrialResult, ...]:
        """The trials that locked."""
        return tuple(trial for trial in self.trials if not trial.failure)

    @property
    def limit_hz(self) -> float:
        """Median limit [Hz]."""
        return _median([trial.limit_hz for trial in self.done])

    def error_hz(self, estimator: str) -> float:
        """Median rms error of an estimator [Hz]."""
        return _median([trial.errors_hz.get(estimator, math.nan) for trial in self.done])

    def ratio(self, estimator: str) -> float:
        """Median of an estimator's error over the limit of the same trial."""
        return _median(
            [trial.errors_hz.get(estimator, math.nan) / trial.limit_hz for trial in self.done]
        )

    def best(self, prefix: str) -> str:
        """The estimator with the least median error among those whose names begin so."""
        names = {name for trial in self.done for name in trial.errors_hz if name.startswith(prefix)}
        return min(sorted(names), key=self.error_hz, default="")

    def covered(self, level: str) -> float:
        """Share of the judged records inside the stated interval, all trials together."""
        shares = [trial.covered.get(level, math.nan) for trial in self.done]
        known = [share for share in shares if math.isfinite(share)]
        return float(np.mean(known)) if known else math.nan

    @property
    def undetected_losses(self) -> int:
        """Trials in which the loop was wrong and said that it was locked."""
        return sum(trial.undetected_losses > 0 for trial in self.trials)


def run_campaign(
    configuration: Configuration,
    source: Path,
    *,
    regimes: Sequence[str],
    seeds: Sequence[int],
    with_rivals: bool = True,
    workers: int | None = None,
    progress: Callable[[TrialResult], None] | None = None,
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
        One trial for each, in each regime.
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
    """
    trials = [
        Trial(
            configuration=configuration,
            source=source,
            regime=REGIMES[name],
            seed=seed,
            with_rivals=with_rivals,
        )
        for name in regimes
        for seed in seeds
    ]
    results: dict[int, TrialResult] = {}
    # A fresh interpreter for each worker: no thread or lock of ours is copied.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers or os.cpu_count(), mp_context=context) as pool:
        pending = {pool.submit(_tried, trial): place for place, trial in enumerate(trials)}
        for future in as_completed(pending):
            results[pending[future]] = future.result()
            if progress is not None:
                progress(future.result())
    ordered = [results[place] for place in range(len(trials))]
    count = len(seeds)
    return {
        name: RegimeResult(
            regime=REGIMES[name], trials=tuple(ordered[place * count : (place + 1) * count])
        )
        for place, name in enumerate(regimes)
    }


def _tried(trial: Trial) -> TrialResult:
    """A trial whose failure is a result, too."""
    try:
        return run_trial(trial)
    except DifftoneError as error:
        return TrialResult(seed=trial.seed, failure=str(error))


def table(results: Mapping[str, RegimeResult]) -> str:
    """The table of a campaign, in columns of plain text.

    Parameters
    ----------
    results : mapping of str to RegimeResult
        By regime.

    Returns
    -------
    str
        One row for each regime; errors in millihertz, with the ratio to the limit.
    """
    loop_names = [f"{LOOPS}{bandwidth_hz:g} Hz" for bandwidth_hz in LOOP_BANDWIDTHS_HZ]
    header = (
        "regime", "limit mHz", "difftone", "two trackers", "informed", "two optimal", "best script",
        *loop_names, "68 %", "95 %", "known", "lost", "trials",
    )  # fmt: skip
    rows = [header]
    for name, result in results.items():
        best_script = result.best(SCRIPT)
        rows.append(
            (
                name,
                f"{1e3 * result.limit_hz:.3g}",
                _shown(result, "loop"),
                _shown(result, "trackers"),
                _shown(result, "informed"),
                _shown(result, "independent"),
                f"{_shown(result, best_script)} {best_script.removeprefix(SCRIPT)}".strip(),
                *(_shown(result, loop_name) for loop_name in loop_names),
                f"{100.0 * result.covered('68'):.0f}",
                f"{100.0 * result.covered('95'):.1f}",
                f"{100.0 * _mean([trial.known_fraction for trial in result.done]):.0f} %",
                f"{result.undetected_losses}",
                f"{len(result.done)}/{len(result.trials)}",
            )
        )
    widths = [max(len(row[place]) for row in rows) for place in range(len(header))]
    return "\n".join(
        "  ".join(
            f"{cell:<{width}}" if place == 0 else f"{cell:>{width}}"
            for place, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    )


def _shown(result: RegimeResult, estimator: str) -> str:
    error_hz, ratio = result.error_hz(estimator), result.ratio(estimator)
    return "-" if not math.isfinite(error_hz) else f"{1e3 * error_hz:.3g} ({ratio:.3g})"


def _median(values: Sequence[float]) -> float:
    known = [value for value in values if math.isfinite(value)]
    return float(np.median(known)) if known else math.nan


def _mean(values: Sequence[float]) -> float:
    return float(np.mean(values)) if values else math.nan
