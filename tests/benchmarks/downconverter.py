"""Speed of the down-converter beside mixing and scipy.signal.upfirdn.

Run by hand: python tests/benchmarks/downconverter.py. Prints megasamples a
second on one core for a raw int16 stream of 10 MS/s, and the ratio to the
plain way (mix to complex128, filter and decimate with the very same taps)
measured in the same run.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: one core

import time
from collections.abc import Callable

import numpy as np
import scipy.signal
from numpy.typing import NDArray

from controller.signal.downconverter import DownConverter, DownConverterConfig

SAMPLE_RATE_HZ = 10e6
LOWER_HZ, UPPER_HZ = 1.183e6, 1.1892e6
BLOCK_SAMPLES = 100_000
REPEATS = 5


def fastest_s(work: Callable[[], object]) -> float:
    """Least time of a few runs [s]; the first one warms up."""
    work()
    durations = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        work()
        durations.append(time.perf_counter() - start)
    return min(durations)


def matrix_rate(config: DownConverterConfig, samples: NDArray[np.generic], block: int) -> float:
    """Samples a second of the down-converter, fed block by block."""
    converter = DownConverter(config)

    def work() -> None:
        converter.reset(0)
        for start in range(0, len(samples), block):
            converter.process(samples[start : start + block], start)

    return len(samples) / fastest_s(work)


def scipy_rate(config: DownConverterConfig, samples: NDArray[np.generic]) -> float:
    """Samples a second of mixing and upfirdn, for every frequency in turn."""
    taps = DownConverter(config).taps
    times_s = np.arange(len(samples)) / config.sample_rate_hz

    def work() -> None:
        for frequency_hz in config.frequencies_hz:
            mixed = samples * np.exp(-2j * np.pi * (frequency_hz - config.center_hz) * times_s)
            scipy.signal.upfirdn(taps, mixed, 1, config.decimation)

    return len(samples) / fastest_s(work)


def compare_raw(decimation: int, frequencies_hz: tuple[float, ...]) -> None:
    config = DownConverterConfig(
        sample_rate_hz=SAMPLE_RATE_HZ, frequencies_hz=frequencies_hz, decimation=decimation
    )
    rng = np.random.default_rng(1)
    samples = (3000.0 * rng.standard_normal(4_000_000)).astype(np.int16)
    ours = matrix_rate(config, samples, BLOCK_SAMPLES)
    plain = scipy_rate(config, samples[:1_000_000])
    print(
        f"int16 10 MS/s, {len(frequencies_hz)} baseband(s) at {config.output_rate_hz:8.0f} S/s: "
        f"{ours / 1e6:7.1f} MS/s, scipy {plain / 1e6:5.1f} MS/s, ratio {ours / plain:5.1f}, "
        f"{ours / SAMPLE_RATE_HZ:5.1f} times real time"
    )


def time_small_blocks() -> None:
    config = DownConverterConfig(
        sample_rate_hz=50e3,
        center_hz=1.186e6,
        frequencies_hz=(LOWER_HZ, UPPER_HZ),
        decimation=125,
    )
    rng = np.random.default_rng(1)
    samples = (rng.standard_normal((1_000_000, 2)) @ np.array([1.0, 1.0j])).astype(np.complex64)
    rate = matrix_rate(config, samples, 1000)
    print(
        f"complex64 50 kS/s, 2 basebands at 400 S/s, blocks of 1000: "
        f"{1000 / rate * 1e6:.1f} us a block, {rate / 50e3:.0f} times real time"
    )


def main() -> None:
    """Print every comparison."""
    for frequencies_hz in ((LOWER_HZ, UPPER_HZ), (0.5 * (LOWER_HZ + UPPER_HZ),)):
        for decimation in (125, 12_500, 25_000):
            compare_raw(decimation, frequencies_hz)
    time_small_blocks()


if __name__ == "__main__":
    main()
