"""From motion to samples: exponentials, noise, gain, converter.

Everything coherent in a step is a sum of exponentials, summed by one matrix
product. Nothing here knows what the exponentials stand for.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from hardware_sim.environment import Grid, OrnsteinUhlenbeck
from hardware_sim.membrane import Motion
from hardware_sim.options import DetectorOptions, SimulatorOptions


@lru_cache(maxsize=256)
def _positions(count: int) -> tuple[int, np.ndarray]:
    """Row length near sqrt(count), and positions in a row and of rows."""
    length = math.isqrt(count - 1) + 1
    rows = -(-count // length)
    return length, np.concatenate((np.arange(length), length * np.arange(rows))).astype(float)


def exponential_sum(motion: Motion, step_s: float, count: int, *, real: bool) -> np.ndarray:
    """Samples of a sum of exponentials.

    Parameters
    ----------
    motion : Motion
        Coefficients [any unit] and rates [1/s]; one term or more.
    step_s : float
        Time from sample to sample [s].
    count : int
        Number of samples, 1 or more.
    real : bool
        Whether the real part alone is asked for.

    Returns
    -------
    ndarray of complex128 or float32, shape (count,)
        sum_k c_k exp(r_k n step_s) for n = 0 ... count-1.

    Notes
    -----
    With n = length * row + column the exponential is a product of one that
    depends on the row and one that depends on the column: 2 sqrt(count)
    exponentials per term and a matrix product do for all samples.
    """
    length, positions = _positions(count)
    powers = np.multiply.outer(np.array(motion.rates), positions * step_s)
    np.exp(powers, out=powers)
    columns = powers[:, :length]
    rows = powers[:, length:] * np.array(motion.coefficients)[:, None]
    if not real:
        return (rows.T @ columns).ravel()[:count]
    parts = np.concatenate((columns.real, columns.imag)).astype(np.float32)
    weights = np.concatenate((rows.real, -rows.imag)).astype(np.float32)
    return (weights.T @ parts).ravel()[:count]


class Gain:
    """Gain of the interferometer: ln G on the grid, and the fringe's sign."""

    def __init__(
        self,
        options: DetectorOptions,
        sample_rate_hz: float,
        step_s: float,
        rng: np.random.Generator,
    ) -> None:
        self._options = options
        self._step_s = step_s
        self._random = OrnsteinUhlenbeck(options.gain_sigma, options.gain_time_s, step_s, rng)
        self._flips = [round(at_s * sample_rate_hz) for at_s in sorted(options.gain_flips_at_s)]
        self._is_constant = options.gain_sigma == 0.0 and options.gain_cycle == 0.0
        self._grid = Grid(self._log_gains)

    def _log_gains(self, first: int, count: int) -> list[list[float]]:
        times_s = (first + np.arange(count)) * self._step_s
        cycle = np.sin(2.0 * np.pi * times_s / self._options.gain_cycle_s)
        return [(self._options.gain_cycle * cycle + self._random.take(count)).tolist()]

    @property
    def flips(self) -> list[int]:
        """The samples at which the gain changes its sign."""
        return self._flips

    def sign_at(self, sample: int) -> float:
        """Which slope of the fringe the detector stands on: 1.0 or -1.0."""
        return -1.0 if sum(flip <= sample for flip in self._flips) % 2 else 1.0

    def at(self, step: int, fraction: float) -> tuple[float, float]:
        """|G| a fraction of a step after a grid point, and its growth [1/s]."""
        if self._is_constant:
            return 1.0, 0.0
        now, later = self._grid.at(step)[0], self._grid.at(step + 1)[0]
        change = later - now
        return math.exp(now + fraction * change), change / self._step_s


class Converter:
    """Detector noise, clipping and rounding: the last stage of a block."""

    def __init__(self, options: SimulatorOptions, rng: np.random.Generator) -> None:
        unit = options.metres_per_unit
        self._rng = rng
        self._is_raw = options.is_raw
        self.full_scale = options.stream.full_scale_m / unit
        # One-sided density S: S sqrt(rate) in each quadrature of the complex
        # stream, S sqrt(rate / 2) in the real one.
        bandwidth_hz = options.sample_rate_hz * (0.5 if self._is_raw else 1.0)
        density = options.detector.noise_m_per_root_hz
        self._sigma = np.float32(density * math.sqrt(bandwidth_hz) / unit)
        bits = options.stream.bits or (16 if self._is_raw else None)
        self._level = None if bits is None else np.float32(self.full_scale / (2 ** (bits - 1) - 1))

    def convert(self, parts: np.ndarray) -> bool:
        """Turn ideal samples into real ones, in place.

        Parameters
        ----------
        parts : ndarray of float32, shape (n,)
            Ideal samples [sample units]; of complex ones both parts.

        Returns
        -------
        bool
            Whether the converter clipped.
        """
        noise = self._rng.standard_normal(parts.size, dtype=np.float32)
        noise *= self._sigma
        parts += noise
        limit = self.full_scale
        overload = bool(max(parts.max(), -parts.min()) > limit)
        if overload:
            np.clip(parts, -limit, limit, out=parts)
        if self._level is not None:
            parts /= self._level
            np.rint(parts, out=parts)
            parts *= self._level
        return overload
