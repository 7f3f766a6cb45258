"""Every shipped protocol on every shipped scenario, against the simulator's truth.

    python -m tests.benchmarks.protocols [--protocols A,B] [--scenarios X,Y] [--seeds N]

Each is run from a cold start to its end as `difftone rehearse --protocol` does it.
One line per result: value, stated sigma, truth, and their distance in sigmas; then
the runs that failed, the results beyond four sigmas, and the rms distance.
"""

from __future__ import annotations

import argparse
import itertools
import math
import os
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

# As the command line does, before numpy is imported.
for _variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_variable, "1")

import numpy as np  # noqa: E402

from controller.errors import DifftoneError  # noqa: E402
from controller.runtime.configuration import load_configuration, with_overrides  # noqa: E402
from controller.runtime.protocols import shipped_protocols  # noqa: E402
from controller.runtime.scenarios import scenario_path, shipped_scenarios  # noqa: E402
from tests.support.protocol_truths import Compared, rehearsed  # noqa: E402

SEED_STEP = 1000  # from one run to the next of --seeds
FAR_SIGMAS = 4.0  # one right result in 16 000 lies further off

# What a protocol has to see, where no scenario has it.
OPTIONS: dict[str, dict[str, Any]] = {"alternating_difference": {"sample": {"shift_hz": [1.5e-3]}}}

# Parameters other than the shipped ones: a watch of an hour tells no more of its errors, and
# a raw stream of 5 MS/s has a hundred times the samples.
PARAMETERS: dict[str, dict[str, float]] = {"drift_watch": {"watch_s": 900.0}}
RAW_STREAM = "raw_stream"
RAW_PARAMETERS: dict[str, dict[str, float]] = {
    "alternating_difference": {"dwell_s": 0.5},
    "drift_watch": {"watch_s": 30.0},
    "exchange": {"decays": 0.8},
    "rate_calibration": {"decays": 0.6},
    "ring_down": {"decays": 0.5},
    "splitting_map": {"decays": 0.4},
    "thermal_calibration": {"record_s": 120.0},
    "weak_conversion": {"decays": 0.5},
}


@dataclass(frozen=True, kw_only=True)
class Case:
    """One protocol in one scenario."""

    protocol: str
    scenario: str
    seeds_on: int  # 0: the scenario's own seed

    def __str__(self) -> str:
        """As in the table."""
        more = f" seed +{self.seeds_on}" if self.seeds_on else ""
        return f"{self.protocol} {self.scenario}{more}"

    @property
    def parameters(self) -> Mapping[str, float]:
        """Of the protocol, other than the shipped ones."""
        table = RAW_PARAMETERS if self.scenario == RAW_STREAM else PARAMETERS
        return table.get(self.protocol, {})


def main() -> None:
    """Run them and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--protocols", help="names with commas between; all, if none is given")
    parser.add_argument("--scenarios", help="likewise")
    parser.add_argument("--seeds", type=int, default=1, help="runs of each, the first as shipped")
    options = parser.parse_args()
    protocols = _chosen(parser, options.protocols, shipped_protocols())
    scenarios = _chosen(parser, options.scenarios, shipped_scenarios())
    print(f"{'':<76} {'value':>12} {'sigma':>9} {'truth':>12} {'sigmas':>7}")
    found: list[Compared] = []
    bad: list[str] = []
    for parts in itertools.product(protocols, scenarios, range(options.seeds)):
        case = Case(**dict(zip(("protocol", "scenario", "seeds_on"), parts, strict=True)))
        start_s = time.perf_counter()
        try:
            results = carried_out(case)
        except DifftoneError as error:
            bad.append(f"{case}: {error}")
            print(bad[-1], flush=True)
            continue
        for result in results:
            print(_line(case, result))
        found += results
        bad += [_line(case, each) for each in results if abs(each.deviation) > FAR_SIGMAS]
        print(f"{case}: {time.perf_counter() - start_s:.0f} s", flush=True)
    _print_verdict(found, bad)


def _chosen(
    parser: argparse.ArgumentParser, names: str | None, known: Mapping[str, Path]
) -> list[str]:
    """The names that were asked for, checked."""
    chosen = sorted(known) if names is None else names.split(",")
    for name in chosen:
        if name not in known:
            parser.error(f"there is no {name}; there are {', '.join(sorted(known))}")
    return chosen


def carried_out(case: Case) -> list[Compared]:
    """A case from a cold start to its end.

    Parameters
    ----------
    case : Case
        Not excluded.

    Returns
    -------
    list of Compared
        Every result that has a truth.

    Raises
    ------
    RunFailed
        If the run or its analysis failed.
    """
    path = scenario_path(case.scenario)
    configuration = load_configuration(path)
    seed = configuration.instrument.options["seed"] + SEED_STEP * case.seeds_on
    options = {"seed": seed, **OPTIONS.get(case.protocol, {})}
    configuration = with_overrides(configuration, path, options=options)
    with tempfile.TemporaryDirectory() as folder:
        return rehearsed(
            case.protocol, configuration, path, Path(folder), parameters=case.parameters
        )


def _line(case: Case, result: Compared) -> str:
    return (
        f"{f'{case} {result.name}':<76} {result.value:12.6g} {result.sigma:9.2g} "
        f"{result.truth:12.6g} {result.deviation:+7.2f}"
    )


def _print_verdict(found: Sequence[Compared], bad: Sequence[str]) -> None:
    """All that is wrong, and the rms deviation."""
    deviations = np.array([result.deviation for result in found])
    rms = float(np.sqrt(np.mean(deviations**2))) if len(found) else math.nan
    print(f"\n{len(found)} results, rms {rms:.2f} sigmas, {len(bad)} failed or beyond")
    for line in bad:
        print(line)


if __name__ == "__main__":
    main()
