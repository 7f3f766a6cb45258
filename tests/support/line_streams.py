"""Streams that hold two lines: damped, wandering, in white noise, with their truth."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from controller.instrument import SampleBlock, StreamFormat

MODES = ("lower", "upper")


@dataclass(frozen=True, kw_only=True)
class TwoLines:
    """Two lines A exp(-t/tau) cos(2 pi theta) in white noise."""

    sample_rate_hz: float = 1000.0
    duration_s: float = 12.0
    frequencies_hz: tuple[float, float] = (200.0, 201.3)
    amplitudes: tuple[float, float] = (1.0, 0.4)
    decay_times_s: tuple[float, float] = (4.0, 6.0)  # inf: steady
    noise_density: float = 2.0e-3  # one-sided, per root hertz
    walk_hz_per_root_s: float = 0.0  # of each frequency on its own
    center_hz: float | None = None  # of a complex stream; None: a real one
    seed: int = 0

    @property
    def spacing_hz(self) -> float:
        """Upper less lower frequency at the start."""
        return self.frequencies_hz[1] - self.frequencies_hz[0]

    @property
    def stream(self) -> StreamFormat:
        """The format of the stream."""
        dtype = "float32" if self.center_hz is None else "complex64"
        return StreamFormat(self.sample_rate_hz, self.center_hz or 0.0, dtype, 1.0, 1.0e3)

    def made(self) -> tuple[np.ndarray, np.ndarray]:
        """Samples, shape (n,), and the true frequencies, shape (2, n) [Hz]."""
        rng = np.random.default_rng(self.seed)
        count = round(self.duration_s * self.sample_rate_hz)
        times_s = np.arange(count) / self.sample_rate_hz
        step_hz = self.walk_hz_per_root_s / np.sqrt(self.sample_rate_hz)
        wander_hz = np.cumsum(step_hz * rng.standard_normal((2, count)), axis=1)
        true_hz = np.array(self.frequencies_hz)[:, np.newaxis] + wander_hz
        turns = rng.random((2, 1)) + np.cumsum(true_hz, axis=1) / self.sample_rate_hz
        turns -= times_s * (self.center_hz or 0.0)
        fall = np.exp(-times_s / np.array(self.decay_times_s)[:, np.newaxis])
        lines = np.array(self.amplitudes)[:, np.newaxis] * fall * np.exp(2j * np.pi * turns)
        # A real stream of one-sided density S has the variance S^2 f_s / 2; a complex one that
        # reads the same has S^2 f_s in each quadrature.
        sigma = self.noise_density * np.sqrt(self.sample_rate_hz)
        noise = sigma * (rng.standard_normal(count) + 1j * rng.standard_normal(count))
        if self.center_hz is None:
            return (lines.sum(0).real + noise.real / np.sqrt(2.0)).astype(np.float32), true_hz
        return (lines.sum(0) + noise).astype(np.complex64), true_hz


def blocks_of(
    samples: np.ndarray, block_samples: int, *, lost: tuple[int, int] | None = None
) -> Iterator[SampleBlock]:
    """A stream in blocks; the samples from one index to another never arrive."""
    first, end = lost or (len(samples), len(samples))
    for begin, stop in ((0, first), (end, len(samples))):
        for start in range(begin, stop, block_samples):
            yield SampleBlock(start, samples[start : min(start + block_samples, stop)], False)
