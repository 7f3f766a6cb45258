"""What `kill -9` costs a log: rows that were committed, readable pieces, time lost.

    python -m tests.benchmarks.log_kills [--kills 100] [--seed 1]

Kills a program that writes a log at seeded moments. In every other trial
records come at a steady pace and are committed by the clock, as in a run; in
the rest they come as fast as they are committed, so that the kill meets a
commit, or the change from one piece to the next. Exit status 1 where a
committed row was lost, a piece cannot be read, or more than a second is gone.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np

from tests.support.log_kills import Killed, killed

LONGEST_S = 3.0  # of a trial, from the first record to the kill
MOST_LOST_S = 1.0


def main() -> int:
    """Run the campaign and print its figures."""
    parser = argparse.ArgumentParser(description="Kill a program that writes a log.")
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    trials: dict[bool, list[Killed]] = {True: [], False: []}
    for number, after_s in enumerate(rng.uniform(0.0, LONGEST_S, options.kills)):
        is_paced = number % 2 == 0
        with tempfile.TemporaryDirectory() as folder:
            trials[is_paced].append(killed(Path(folder), float(after_s), is_paced=is_paced))
        last = trials[is_paced][-1]
        if last.complaint or last.lost_committed:
            print(f"kill {number} after {after_s:.3f} s: {last}")
    for is_paced, those in trials.items():
        print(_row("paced, committed by the clock" if is_paced else "as fast as committed", those))
    everything = trials[True] + trials[False]
    is_bad = any(each.complaint or each.lost_committed for each in everything)
    return int(is_bad or max((each.lost_s for each in everything), default=0.0) > MOST_LOST_S)


def _row(label: str, trials: list[Killed]) -> str:
    """The figures of some trials."""
    if not trials:
        return f"{label}: no kills"
    readable = sum(not each.complaint for each in trials)
    return (
        f"{label}: {len(trials)} kills, {sum(each.found for each in trials)} records found, "
        f"{sum(each.lost_committed for each in trials)} committed ones lost, "
        f"{sum(each.pieces for each in trials)} pieces, readable after {readable} kills, "
        f"longest time lost {max(each.lost_s for each in trials):.3f} s"
    )


if __name__ == "__main__":
    sys.exit(main())
