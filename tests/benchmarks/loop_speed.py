"""How many times real time the whole loop runs, and whether its memory grows.

    python -m tests.benchmarks.loop_speed [SCENARIO] [SECONDS]

Runs a rehearsal (quiet room, ten minutes) in this process, on one BLAS
thread. Prints the speed of the loop with the simulator inside, the share of
time that the simulator takes of it (its own calls, timed in the same run),
what the outputs cost afterwards, and the peak memory that is added between
two minutes and the end.
"""

from __future__ import annotations

import argparse
import os
import resource
import tempfile
import time
from pathlib import Path
from typing import Any

# As the command line does, before numpy is imported.
for _variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_variable, "1")

from controller.instrument import Instrument, SampleBlock, Tone  # noqa: E402
from controller.runtime.configuration import (  # noqa: E402
    load_configuration,
    make_instrument,
    with_overrides,
)
from controller.runtime.runner import run  # noqa: E402

EARLY_S = 120.0  # stream time by which everything has been allocated that will be


class TimedInstrument:
    """An instrument whose calls are timed.

    Parameters
    ----------
    inner : Instrument
        What does the work.
    """

    def __init__(self, inner: Instrument) -> None:
        self.inner = inner
        self.stream, self.tones, self.paced = inner.stream, inner.tones, inner.paced
        self.spent_s = 0.0
        self.began_s = self.ended_s = 0.0
        self.early_peak_mb = self.loop_peak_mb = 0.0

    def _timed(self, method: Any, *arguments: Any) -> Any:
        """Call a method and add up the time it takes."""
        began_s = time.perf_counter()
        try:
            return method(*arguments)
        finally:
            self.spent_s += time.perf_counter() - began_s

    def start(self) -> None:
        """Start the inner one and the clock."""
        self.began_s = time.perf_counter()
        self._timed(self.inner.start)

    def read(self, timeout_s: float) -> SampleBlock:
        """The inner one's next block."""
        block: SampleBlock = self._timed(self.inner.read, timeout_s)
        if not self.early_peak_mb and block.first_sample > EARLY_S * self.stream.sample_rate_hz:
            self.early_peak_mb = peak_memory_mb()
        return block

    def set_tone(self, tone: Tone) -> Tone:
        """Set the inner one's tone."""
        actual: Tone = self._timed(self.inner.set_tone, tone)
        return actual

    def stop(self) -> None:
        """Stop the inner one; the first time ends the loop's time."""
        self.ended_s = self.ended_s or time.perf_counter()
        self.loop_peak_mb = self.loop_peak_mb or peak_memory_mb()
        self.inner.stop()


def peak_memory_mb() -> float:
    """Largest resident memory of this process so far [MB]; ru_maxrss counts in kB on Linux."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3


def main() -> None:
    """Run one rehearsal and print its figures."""
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("scenario", nargs="?", default="quiet_room")
    arguments.add_argument("seconds", nargs="?", type=float, default=600.0)
    options = arguments.parse_args()
    root = Path(__file__).resolve().parents[2]
    path = root / "hardware_sim" / "scenarios" / f"{options.scenario}.toml"
    configuration = with_overrides(load_configuration(path), path, duration_s=options.seconds)
    instrument = TimedInstrument(make_instrument(configuration, path))
    with tempfile.TemporaryDirectory() as folder:
        outcome = run(configuration, Path(folder), instrument=instrument)
        outputs_s = time.perf_counter() - instrument.ended_s
    loop_s = instrument.ended_s - instrument.began_s
    simulator_s = instrument.spent_s
    print(f"{options.scenario}: {outcome.outcome} {outcome.reason}")
    rows = [
        ("stream time", outcome.stream_s, "s"),
        ("loop, simulator included", loop_s, "s"),
        ("  times real time", outcome.stream_s / loop_s, ""),
        ("  share of the simulator", 100.0 * simulator_s / loop_s, "%"),
        ("  without the simulator, times real time", outcome.stream_s / (loop_s - simulator_s), ""),
        ("outputs", outputs_s, "s"),
        ("loop and outputs", loop_s + outputs_s, "s"),
    ]
    if instrument.early_peak_mb:
        rows += [
            (f"peak memory at {EARLY_S:g} s", instrument.early_peak_mb, "MB"),
            (
                "  added by the end of the loop",
                instrument.loop_peak_mb - instrument.early_peak_mb,
                "MB",
            ),
            ("  added by the outputs", peak_memory_mb() - instrument.loop_peak_mb, "MB"),
        ]
    for label, value, unit in rows:
        print(f"{label:<42} {value:8.2f} {unit}")


if __name__ == "__main__":
    main()
