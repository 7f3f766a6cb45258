"""Steady stray lines near a mode, followed and taken off its baseband.

A mean over an update of 20 ms lets a line that is 50 Hz away through by a fifth. Where
it is as strong as the mode, the loop would follow their sum. A stray line is steady:
its amplitude and frequency are followed slowly, on what is left of the baseband once
the mode itself is taken off, and the line is taken off in turn.
"""

from __future__ import annotations

import cmath
import copy
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

TWO_PI = 2.0 * math.pi

FOLLOW_S = 0.5  # arbitrary between 0.2 and 2: slow against an update, quick against drift
FREQUENCY_GAIN = 0.02  # of the phase gain's square: the frequency is followed ten times slower
LEAST_UPDATES = 50  # seen before the frequency is followed, so that the phase means something
# A line so near is the mode's own affair: the loop's bandwidth reaches there.
LEAST_DISTANCE_HZ = 5.0


@dataclass(slots=True)
class _Line:
    """One stray line as it is known now."""

    frequency_hz: float  # absolute
    turns: float = 0.0  # of its oscillator at the last update
    amplitude: complex = 0j
    seen: int = 0


class StrayLines:
    """The stray lines in one mode's baseband; owned by the pair, one thread.

    Parameters
    ----------
    frequencies_hz : sequence of float
        Where a search saw them [Hz].
    sample_rate_hz : float
        Of the stream.
    """

    def __init__(self, frequencies_hz: Sequence[float], sample_rate_hz: float) -> None:
        self._frequencies_hz = tuple(frequencies_hz)
        self._rate_hz = sample_rate_hz
        self.reset()

    def reset(self) -> None:
        """Only where they are is known."""
        self._lines = [_Line(frequency_hz) for frequency_hz in self._frequencies_hz]
        self._center: float | None = None

    def copy(self) -> StrayLines:
        """Independent lines that go on alike."""
        return copy.deepcopy(self)

    def __repr__(self) -> str:
        lines = ", ".join(f"{line.frequency_hz:.2f} Hz" for line in self._lines)
        return f"StrayLines({lines})"

    def __len__(self) -> int:
        """How many are followed."""
        return len(self._lines)

    def process(
        self,
        samples: np.ndarray,
        centers: np.ndarray,
        *,
        mix_hz: float,
        mix_turns: float,
        motion_hz: float,
        is_followed: bool,
    ) -> np.ndarray:
        """The baseband of an update without the lines.

        Parameters
        ----------
        samples : ndarray of complex128, shape (n,)
            Baseband around the mix oscillator.
        centers : ndarray of float64, shape (n,)
            Their places in the stream [samples].
        mix_hz, mix_turns : float
            Frequency of the mix oscillator [Hz], and its phase at the first
            of them [turns].
        motion_hz : float
            How fast the mode turns against the mix oscillator [Hz].
        is_followed : bool
            Whether the mode's loop follows it: only then is `motion_hz` known well
            enough to tell lines from the mode; else they go on as they were.

        Returns
        -------
        ndarray of complex128, shape (n,)
            What is left.
        """
        first = float(centers[0])
        elapsed_s = 0.0 if self._center is None else (first - self._center) / self._rate_hz
        self._center = first
        times_s = (centers - first) / self._rate_hz
        left = samples
        tones = []
        for line in self._lines:
            line.turns = (line.turns + line.frequency_hz * elapsed_s) % 1.0
            turning = np.exp(TWO_PI * 1j * (line.frequency_hz - mix_hz) * times_s)
            tones.append(cmath.exp(TWO_PI * 1j * (line.turns - mix_turns)) * turning)
            left = left - line.amplitude * tones[-1]
        if not is_followed:
            return left
        mode = np.exp(TWO_PI * 1j * motion_hz * times_s)
        rest = left - mode * np.mean(left * np.conj(mode))
        duration_s = len(samples) * float(centers[1] - centers[0]) / self._rate_hz
        for line, tone in zip(self._lines, tones, strict=True):
            # One that crosses the mode goes on as it was.
            if abs(line.frequency_hz - mix_hz - motion_hz) > LEAST_DISTANCE_HZ:
                self._follow(line, complex(np.mean(rest * np.conj(tone))), duration_s)
        return left

    @staticmethod
    def _follow(line: _Line, correction: complex, duration_s: float) -> None:
        line.seen += 1
        gain = max(min(duration_s / FOLLOW_S, 1.0), 1.0 / line.seen)
        line.amplitude += gain * correction
        if line.seen > LEAST_UPDATES and line.amplitude != 0j:
            behind_rad = (correction / line.amplitude).imag
            behind_rad = min(max(behind_rad, -1.0), 1.0)
            line.frequency_hz += FREQUENCY_GAIN * gain * behind_rad / duration_s
