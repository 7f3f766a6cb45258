"""How often the 95 % interval of each result of a protocol contains the truth.

    python -m tests.benchmarks.protocol_coverage [--seeds 200] [CASE ...]

Synthetic protocols with known truth, one per seed: mean and rms error in stated
sigmas (0 and 1 where they are right), and the share within 1.96 sigmas. Over 200
seeds that share lies between 0.92 and 0.98 by chance alone.
"""

from __future__ import annotations

import argparse
import os
import time

# As the command line does, before numpy is imported.
for _variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_variable, "1")

import numpy as np  # noqa: E402

from tests.support import pulses  # noqa: E402
from tests.support.protocol_cases import CASES, TWO_SIDED_95, errors_in_sigmas  # noqa: E402
from tests.support.two_modes import Bench  # noqa: E402

DISAGREEMENT = "ramsey_disagreement"
NAMES = (*CASES, *pulses.PULSE_CASES, DISAGREEMENT)


def errors_of(name: str, seeds: range) -> dict[str, np.ndarray]:
    """Errors in sigmas of every result of a case."""
    if name == DISAGREEMENT:
        return {"difference_disagreement_hz": pulses.disagreement_errors(seeds, Bench())}
    if name in pulses.PULSE_CASES:
        return pulses.errors_in_sigmas(name, seeds, Bench())
    return errors_in_sigmas(name, seeds)


def main() -> None:
    """Print one line per result."""
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("cases", nargs="*", metavar="CASE", help=f"of {', '.join(NAMES)}")
    arguments.add_argument("--seeds", type=int, default=200)
    options = arguments.parse_args()
    unknown = sorted(set(options.cases) - set(NAMES))
    if unknown:
        arguments.error(f"no case {unknown[0]}; there are {', '.join(NAMES)}")
    print(f"{'':<56} {'mean':>6} {'rms':>6} {'95 %':>6}")
    for name in options.cases or NAMES:
        start_s = time.perf_counter()
        for path, errors in errors_of(name, range(1000, 1000 + options.seeds)).items():
            share = float(np.mean(np.abs(errors) < TWO_SIDED_95))
            rms = float(np.sqrt(np.mean(errors**2)))
            print(f"{name + '.' + path:<56} {errors.mean():+6.2f} {rms:6.2f} {share:6.3f}")
        print(f"{name:<56} {time.perf_counter() - start_s:.0f} s")


if __name__ == "__main__":
    main()
