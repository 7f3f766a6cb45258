"""Whether stated uncertainties are right, over seeds of the simulator.

    python -m tests.benchmarks.coverage [SCENARIO] [SEEDS] [SECONDS] [--pump-off]

Rehearses a scenario (quiet room) with several seeds and prints, for the
difference and for each mode: rms error, its ratio to the limit, the mean
squared error over its stated variance (1 where the sigma is right), and the
share of errors within one sigma (0.683) and within 1.96 (0.950). What a seed
does not change (masses, coupling, shift) errs alike in all of them.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import tempfile
from pathlib import Path
from typing import Any

# As the command line does, before numpy is imported.
for _variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_variable, "1")

from controller.runtime.configuration import (  # noqa: E402
    load_configuration,
    make_instrument,
    with_overrides,
)
from controller.runtime.runner import run  # noqa: E402

SCENARIOS = Path(__file__).resolve().parents[2] / "hardware_sim" / "scenarios"
KINDS = ("difference", "lower", "upper")


def truth_of(path: Path, seed: int, seconds: float, pump_off: bool) -> dict[str, Any] | None:
    """Section `truth` of the summary of one rehearsal; None if it failed."""
    configuration = with_overrides(
        load_configuration(path), path, duration_s=seconds, options={"seed": seed}
    )
    if pump_off:
        pump = configuration.pump.model_copy(update={"amplitude": 0.0})
        configuration = configuration.model_copy(update={"pump": pump})
    with tempfile.TemporaryDirectory() as folder:
        outcome = run(configuration, Path(folder), instrument=make_instrument(configuration, path))
        if outcome.outcome != "done":
            print(f"seed {seed}: {outcome.outcome} {outcome.reason}")
            return None
        summary = json.loads((Path(folder) / "summary.json").read_text(encoding="utf-8"))
        truth: dict[str, Any] = summary["truth"]
        return truth


def row(label: str, truths: list[dict[str, Any]], kind: str) -> str:
    """Figures of one kind over some runs, each weighed alike."""

    def mean(name: str) -> float:
        values = [truth[f"{kind}_{name}"] for truth in truths]
        known = [value for value in values if value is not None]
        return sum(known) / len(known) if known else math.nan

    def rms(name: str) -> float:
        squares = [truth[f"{kind}_{name}"] ** 2 for truth in truths if truth[f"{kind}_{name}"]]
        return math.sqrt(sum(squares) / len(squares)) if squares else math.nan

    error_hz, limit_hz = rms("rms_error_hz"), rms("limit_hz")
    return (
        f"{label:>5} {kind:<10} {1e3 * error_hz:9.4f} mHz {error_hz / limit_hz:8.2f} "
        f"{mean('normalised_error'):8.2f} {mean('coverage_68'):8.3f} {mean('coverage_95'):8.3f}"
    )


def main() -> None:
    """Rehearse with each seed and print the figures."""
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("scenario", nargs="?", default="quiet_room")
    arguments.add_argument("seeds", nargs="?", type=int, default=6)
    arguments.add_argument("seconds", nargs="?", type=float, default=300.0)
    arguments.add_argument("--pump-off", action="store_true", help="drift and noise alone")
    options = arguments.parse_args()
    path = SCENARIOS / f"{options.scenario}.toml"
    truths = []
    print(
        f"{'seed':>5} {'':<10} {'rms error':>13} {'/ limit':>8} {'NEES':>8} {'68 %':>8} {'95 %':>8}"
    )
    for seed in range(1, options.seeds + 1):
        truth = truth_of(path, seed, options.seconds, options.pump_off)
        if truth is not None:
            truths.append(truth)
            for kind in KINDS:
                print(row(str(seed), [truth], kind))
    for kind in KINDS:
        print(row("all", truths, kind))


if __name__ == "__main__":
    main()
