"""How many times real time the simulated membrane runs, for both streams.

    python -m tests.benchmarks.simulator

Tones are set after every block, as a loop would.
"""

from __future__ import annotations

import time
import tomllib
from pathlib import Path

import hardware_sim.scenarios
from controller.instrument import Tone
from hardware_sim.simulator import SimulatedMembrane


def seconds_per_block(scenario: str, blocks: int, *, tones: bool) -> tuple[float, float]:
    """Shortest of five means of the time for a block, and the block's own length [s]."""
    path = Path(hardware_sim.scenarios.__path__[0]) / f"{scenario}.toml"
    table = tomllib.loads(path.read_text(encoding="utf-8"))
    membrane = SimulatedMembrane(**table["instrument"]["options"])
    lower_hz, upper_hz = (
        membrane.options.lower.frequency_hz,
        membrane.options.upper.frequency_hz,
    )
    settings = [
        Tone("drive_lower", 0, lower_hz, 0.3),
        Tone("drive_upper", 0, upper_hz, 0.3),
        Tone("pump", 0, upper_hz - lower_hz, table["pump"]["amplitude"]),
    ]
    membrane.start()
    for tone in settings:
        membrane.set_tone(tone)
    means = []
    for _ in range(5):
        start_s = time.perf_counter()
        for _ in range(blocks):
            membrane.read(1.0)
            for tone in settings if tones else ():
                membrane.set_tone(tone)
        means.append((time.perf_counter() - start_s) / blocks)
    return min(means), membrane.options.block_s


def main() -> None:
    """Print one line for each stream and way of use."""
    for scenario, blocks in (("quiet_room", 1000), ("aircon_cycle", 1000), ("raw_stream", 50)):
        for tones in (False, True):
            cost_s, block_s = seconds_per_block(scenario, blocks, tones=tones)
            use = "three tones set per block" if tones else "tones left as they are"
            print(
                f"{scenario:14} {use:26} {1e6 * cost_s:8.1f} us a block, "
                f"{block_s / cost_s:7.1f} times real time"
            )


if __name__ == "__main__":
    main()
