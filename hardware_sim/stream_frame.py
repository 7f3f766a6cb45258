"""The frame of the stream: how a frequency and a phase appear in it."""

from __future__ import annotations

import math

from hardware_sim.membrane import TWO_PI
from hardware_sim.options import SimulatorOptions
from hardware_sim.tones import phase_step, radians_of


class StreamFrame:
    """Turns with the centre of the stream; what lies outside its band is not seen."""

    def __init__(self, options: SimulatorOptions) -> None:
        self.sample_rate_hz = options.sample_rate_hz
        self.center_hz = options.center_hz
        self.band_hz = options.band_hz
        self._center_step = phase_step(options.center_hz, options.sample_rate_hz)

    def __repr__(self) -> str:
        """Where its centre is."""
        return f"StreamFrame(center_hz={self.center_hz})"

    def carrier(self, phase: int, first: int) -> complex:
        """exp(i phase) of a fixed-point phase as the stream shows it at a sample."""
        angle = radians_of(phase - self._center_step * first)
        return complex(math.cos(angle), math.sin(angle))

    def above_center(self, frequency_hz: float) -> float:
        """Angular rate of a frequency in the stream [rad/s]."""
        return TWO_PI * (frequency_hz - self.center_hz)

    def is_in_band(self, frequency_hz: float) -> bool:
        """Whether the filter before the stream lets a frequency pass."""
        low_hz, high_hz = self.band_hz
        return low_hz < frequency_hz < high_hz
