"""A thousand runs: how often is the loop wrong and does not notice?

    python -m tests.benchmarks.lock_losses [--runs 1000] [--first-seed 1000] [--out FILE]

Every run has a seed of its own; scenarios and regimes of `difftone limits` take turns. An
undetected loss is an error above five stated sigmas for more than two seconds while the state
says locked or the observer is the source, at any time of a run. With `--out` every run is
written down as it ends, a line each, and one that is there already is not done again.

Printed: runs, undetected losses and which they were, runs that failed, and the share of errors
inside the stated 95 % intervals with its standard error, for each regime and each scenario.
"""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict
from pathlib import Path

# As the command line does, before numpy is imported.
for _variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_variable, "1")

from tqdm import tqdm  # noqa: E402

from controller.limits.campaign import TrialSet, run_trials  # noqa: E402
from controller.limits.regimes import REGIMES  # noqa: E402
from controller.limits.trial import Trial, TrialResult  # noqa: E402
from controller.runtime.configuration import load_configuration  # noqa: E402
from controller.runtime.scenarios import scenario_path, shipped_scenarios  # noqa: E402

RAW_STREAM = "raw_stream"  # a hundred times the samples of the others, and the same physics


def main() -> None:
    """Do what is missing, then print the account."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--first-seed", type=int, default=1000)
    parser.add_argument("--out", type=Path, help="JSON lines; goes on with what is there")
    parser.add_argument("--workers", type=int)
    options = parser.parse_args()
    wanted = trials(options.runs, options.first_seed)
    results = {each.seed: each for each in known(options.out) if each.seed in wanted}
    missing = [trial for seed, trial in wanted.items() if seed not in results]
    with tqdm(total=len(missing), disable=None) as bar:

        def keep(result: TrialResult) -> None:
            results[result.seed] = result
            if options.out is not None:
                with options.out.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(asdict(result)) + "\n")
            bar.update()

        if missing:
            run_trials(missing, workers=options.workers, progress=keep)
    print("\n".join(account(wanted, results)))


def trials(runs: int, first_seed: int) -> dict[int, Trial]:
    """So many runs by their seeds: scenarios in turn, and regimes in turn for each of them."""
    scenarios = [scenario_path(name) for name in shipped_scenarios() if name != RAW_STREAM]
    configurations = [load_configuration(source) for source in scenarios]
    regimes = list(REGIMES.values())
    return {
        first_seed + number: Trial(
            configuration=configurations[number % len(scenarios)],
            source=scenarios[number % len(scenarios)],
            regime=regimes[number // len(scenarios) % len(regimes)],
            seed=first_seed + number,
            with_rivals=False,
            with_limit=False,
        )
        for number in range(runs)
    }


def known(path: Path | None) -> list[TrialResult]:
    """What earlier calls have written."""
    if path is None or not path.exists():
        return []
    return [TrialResult(**json.loads(line)) for line in path.read_text("utf-8").splitlines()]


def account(wanted: Mapping[int, Trial], results: Mapping[int, TrialResult]) -> Iterator[str]:
    """The figures, a line each."""
    lost = [seed for seed, result in results.items() if result.undetected_losses]
    yield f"{len(results)} runs, {len(lost)} with an undetected loss of lock"
    for seed, result in sorted(results.items()):
        case = f"{wanted[seed].source.stem} {wanted[seed].regime.name} seed {seed}"
        if result.undetected_losses:
            yield f"  lost: {case}"
        if result.failure:
            yield f"  failed: {case}: {result.failure}"
    for regime in REGIMES.values():
        yield covered(regime.name, (results[s] for s in results if wanted[s].regime is regime))
    for source in dict.fromkeys(trial.source for trial in wanted.values()):
        yield covered(source.stem, (results[s] for s in results if wanted[s].source == source))


def covered(name: str, results: Iterable[TrialResult]) -> str:
    """How many of the errors of some runs are inside their stated 95 % intervals."""
    runs = TrialSet(trials=tuple(results))
    share, sigma = runs.covered("95"), runs.covered_sigma("95")
    return (
        f"{name:20s} {100 * share:5.1f} ± {100 * sigma:.1f} % inside 95 % ({len(runs.done)} runs)"
    )


if __name__ == "__main__":
    main()
