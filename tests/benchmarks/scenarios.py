"""How every shipped scenario does over its whole length, against the truth.

    python -m tests.benchmarks.scenarios [SCENARIO ...] [--seconds S] [--seed N]

One line for each: error of the difference (rms), its limit, their ratio and the
stated sigma; error of the pump against the true difference (rms) while it is on;
how long it was on, and outside the interlock; mutes; times real time with the
simulator inside. Figures are those of the run's own `summary.json`.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from pathlib import Path
from typing import Any

# As the command line does, before numpy is imported.
for _variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_variable, "1")

import numpy as np  # noqa: E402

from controller.runtime.configuration import (  # noqa: E402
    load_configuration,
    make_instrument,
    with_overrides,
)
from controller.runtime.log.reader import LogReader  # noqa: E402
from controller.runtime.outputs import LOG_NAME  # noqa: E402
from controller.runtime.runner import Outcome, run  # noqa: E402
from tests.support.rehearsals import SCENARIOS  # noqa: E402

COLUMNS = (
    ("scenario", 19),
    ("error uHz", 10),
    ("limit uHz", 10),
    ("ratio", 6),
    ("sigma uHz", 10),
    ("err/sigma", 10),
    ("pump mHz", 9),
    ("on s", 7),
    ("outside s", 10),
    ("mutes", 6),
    ("x real", 7),
)


def main() -> None:
    """Run them and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("scenarios", nargs="*", help="names; all, if none is given")
    parser.add_argument("--seconds", type=float, help="duration from the lock instead of its own")
    parser.add_argument("--seed", type=int, help="seed instead of its own")
    options = parser.parse_args()
    names = options.scenarios or sorted(path.stem for path in SCENARIOS.glob("*.toml"))
    print("".join(f"{title:>{width}}" for title, width in COLUMNS))
    for name in names:
        print(_row(name, options.seconds, options.seed), flush=True)


def _row(name: str, duration_s: float | None, seed: int | None) -> str:
    path = SCENARIOS / f"{name}.toml"
    configuration = with_overrides(
        load_configuration(path),
        path,
        duration_s=duration_s,
        options=None if seed is None else {"seed": seed},
    )
    instrument = _Stopwatch(make_instrument(configuration, path))
    with tempfile.TemporaryDirectory() as folder:
        outcome = run(configuration, Path(folder), instrument=instrument)
        sigma_hz = _stated_sigma_hz(Path(folder))
    if outcome.status:
        return f"{name:>19}  {outcome.reason}"
    return _figures(name, outcome, sigma_hz, instrument.loop_s)


def _figures(name: str, outcome: Outcome, sigma_hz: float, loop_s: float) -> str:
    truth, pump = outcome.summary["truth"], outcome.summary["pump"]
    error_hz, limit_hz = truth["difference_rms_error_hz"], truth["difference_limit_hz"]
    cells = (
        name,
        _scaled(error_hz, 1e6, 1),
        _scaled(limit_hz, 1e6, 1),
        _scaled(error_hz / limit_hz if error_hz and limit_hz else None, 1.0, 2),
        _scaled(sigma_hz, 1e6, 1),
        _scaled(error_hz / sigma_hz if error_hz and sigma_hz else None, 1.0, 2),
        _scaled(truth["pump_rms_error_hz"], 1e3, 3),
        _scaled(pump["on_s"], 1.0, 1),
        _scaled(pump["on_outside_interlock_s"], 1.0, 3),
        str(pump["mutes"]),
        _scaled(outcome.stream_s / loop_s, 1.0, 1),
    )
    return "".join(f"{cell:>{width}}" for cell, (_, width) in zip(cells, COLUMNS, strict=True))


def _scaled(value: float | None, factor: float, digits: int) -> str:
    return "-" if value is None else f"{factor * value:.{digits}f}"


def _stated_sigma_hz(folder: Path) -> float:
    """Rms of the sigma that was stated while the pump was on [Hz]."""
    squares: list[np.ndarray] = []
    with LogReader(folder / LOG_NAME) as reader:
        for chunk in reader.chunks(["difference_sigma_hz", "pump_state"]):
            squares.append(chunk["difference_sigma_hz"][chunk["pump_state"] == "on"] ** 2)
    values = np.concatenate(squares) if squares else np.empty(0)
    return float(np.sqrt(np.nanmean(values))) if len(values) else 0.0


class _Stopwatch:
    """An instrument that notes when it was started and first stopped."""

    def __init__(self, inner: Any) -> None:
        self.stream, self.tones, self.paced = inner.stream, inner.tones, inner.paced
        self.read, self.set_tone, self.write_truth = inner.read, inner.set_tone, inner.write_truth
        self._inner = inner
        self._began_s = self._ended_s = 0.0

    @property
    def loop_s(self) -> float:
        """Wall time from start to stop [s]."""
        return self._ended_s - self._began_s

    def start(self) -> None:
        """Start the inner one and the clock."""
        self._began_s = time.perf_counter()
        self._inner.start()

    def stop(self) -> None:
        """Stop the inner one; the first time stops the clock."""
        self._ended_s = self._ended_s or time.perf_counter()
        self._inner.stop()


if __name__ == "__main__":
    main()
