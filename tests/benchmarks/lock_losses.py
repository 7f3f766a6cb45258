"""A thousand runs: how often is the loop wrong and does not notice?

    python -m tests.benchmarks.lock_losses [--runs 1000] [--first-seed 1000] [--out FILE]

Every run has a seed of its own; scenarios and regimes of `difftone limits` take turns. An
undetected loss is an error above five stated sigmas for more than two seconds while the state
says locked or the observer is the source, at any time of a run. With `--out` every run is
written down as it ends, a line each, and one that is there already is not done again.

Printed: runs, undetected losses and which they were, runs that failed, and the share of errors
inside the stated 95 % intervals with its standard error.
"""

from __future__ import annotations

import argparse
import json
import math
import multiprocessing
import os
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass
from pathlib import Path

# As the command line does, before numpy is imported.
for _variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_variable, "1")

import numpy as np  # noqa: E402
from tqdm import tqdm  # noqa: E402

from controller.limits.regimes import REGIMES  # noqa: E402
from controller.limits.trial import Trial, run_trial  # noqa: E402
from controller.runtime.configuration import load_configuration  # noqa: E402
from controller.runtime.scenarios import scenario_path, shipped_scenarios  # noqa: E402

RAW_STREAM = "raw_stream"  # a hundred times the samples of the others, and the same physics


@dataclass(frozen=True, kw_only=True)
class Case:
    """One run."""

    scenario: str
    regime: str
    seed: int


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What became of it."""

    scenario: str
    regime: str
    seed: int
    failure: str
    undetected_losses: int
    covered_95: float  # NaN where it failed

    @property
    def case(self) -> Case:
        """Whose outcome this is."""
        return Case(scenario=self.scenario, regime=self.regime, seed=self.seed)


def main() -> None:
    """Do what is missing, then print the account."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--first-seed", type=int, default=1000)
    parser.add_argument("--out", type=Path, help="JSON lines; goes on with what is there")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    options = parser.parse_args()
    wanted = cases(options.runs, options.first_seed)
    outcomes = [each for each in known(options.out) if each.case in set(wanted)]
    missing = sorted(set(wanted) - {each.case for each in outcomes}, key=lambda case: case.seed)
    with ProcessPoolExecutor(
        options.workers, mp_context=multiprocessing.get_context("spawn")
    ) as pool:
        pending = [pool.submit(outcome, case) for case in missing]
        for future in tqdm(as_completed(pending), total=len(pending), disable=None):
            outcomes.append(future.result())
            if options.out is not None:
                with options.out.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(asdict(future.result())) + "\n")
    print("\n".join(account(outcomes)))


def cases(runs: int, first_seed: int) -> list[Case]:
    """So many runs: scenarios in turn, and regimes in turn for each of them."""
    scenarios = [name for name in shipped_scenarios() if name != RAW_STREAM]
    regimes = list(REGIMES)
    return [
        Case(
            scenario=scenarios[number % len(scenarios)],
            regime=regimes[number // len(scenarios) % len(regimes)],
            seed=first_seed + number,
        )
        for number in range(runs)
    ]


def known(path: Path | None) -> list[Outcome]:
    """What earlier calls have written."""
    if path is None or not path.exists():
        return []
    return [Outcome(**json.loads(line)) for line in path.read_text(encoding="utf-8").splitlines()]


def outcome(case: Case) -> Outcome:
    """Run one."""
    source = scenario_path(case.scenario)
    result = run_trial(
        Trial(
            configuration=load_configuration(source),
            source=source,
            regime=REGIMES[case.regime],
            seed=case.seed,
            with_rivals=False,
            with_limit=False,
        )
    )
    return Outcome(
        **asdict(case),
        failure=result.failure,
        undetected_losses=result.undetected_losses,
        covered_95=result.covered.get("95", math.nan),
    )


def account(outcomes: Sequence[Outcome]) -> list[str]:
    """The figures, a line each."""
    done = [each for each in outcomes if not each.failure]
    lost = [each for each in done if each.undetected_losses]
    lines = [f"{len(outcomes)} runs, {len(lost)} with an undetected loss of lock"]
    lines += [f"  lost: {each.case}" for each in lost]
    lines += [f"  failed: {each.case}: {each.failure}" for each in outcomes if each.failure]
    for regime in REGIMES:
        shares = [each.covered_95 for each in done if each.regime == regime]
        shares = [share for share in shares if math.isfinite(share)]
        if len(shares) > 1:
            error = np.std(shares, ddof=1) / math.sqrt(len(shares))
            lines.append(
                f"{regime:15s} {100 * np.mean(shares):5.1f} ± {100 * error:.1f} % inside 95 % "
                f"({len(shares)} runs)"
            )
    return lines


if __name__ == "__main__":
    main()
