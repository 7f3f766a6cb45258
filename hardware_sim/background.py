"""What the detector sees beside the two modes: neighbours, stray lines, tones that leak."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from hardware_sim.membrane import TWO_PI, ComplexNormals, Force, Motion, Resonance
from hardware_sim.options import LineOptions, SimulatorOptions
from hardware_sim.stream_frame import StreamFrame
from hardware_sim.tones import Segment, fixed_phase, phase_step, radians_of


class Sounding(NamedTuple):
    """A tone that sounds during a step."""

    amplitude: float  # in the middle of the step
    phase: int  # fixed-point, at its first sample
    frequency_hz: float  # in its middle


class Background:
    """Everything coherent that is not one of the two modes; owned by the apparatus.

    Parameters
    ----------
    options : SimulatorOptions
        All options.
    frame : StreamFrame
        How it appears in the stream.
    normals : ComplexNormals
        What the neighbours' thermal motion draws from.
    """

    def __init__(
        self, options: SimulatorOptions, frame: StreamFrame, normals: ComplexNormals
    ) -> None:
        detector = options.detector
        self._options, self._frame = options, frame
        self._rate = options.sample_rate_hz
        self._neighbours = [
            (
                Resonance(
                    each.frequency_hz,
                    each.quality_factor,
                    each.mass_kg,
                    options.environment.temperature_k,
                    normals,
                ),
                each.drive_newton_per_unit,
            )
            for each in detector.neighbours
            if frame.is_in_band(each.frequency_hz)
        ]
        self._lines = [
            _Line(line, self._rate)
            for line in detector.lines
            if frame.is_in_band(line.frequency_hz)
        ]
        self._drive_feedthrough = complex(*detector.drive_feedthrough_m_per_unit)
        self._pump_feedthrough = complex(*detector.pump_feedthrough_m_per_v)

    def __repr__(self) -> str:
        """How much there is."""
        return f"Background({len(self._neighbours)} neighbours, {len(self._lines)} lines)"

    @property
    def has_neighbours(self) -> bool:
        """Whether there are modes beside the two."""
        return bool(self._neighbours)

    def add_neighbours(
        self,
        result: Motion,
        drives: Sequence[Sounding],
        first: int,
        step_s: float,
        seen: float,
        growth: float,
    ) -> None:
        """Propagate the neighbouring modes and add their motion."""
        for resonance, newton_per_unit in self._neighbours:
            reference = phase_step(resonance.frequency_hz, self._rate) * first
            forces = [
                Force(
                    resonance.push_m_per_s(
                        newton_per_unit * amplitude, radians_of(phase - reference)
                    ),
                    TWO_PI * (frequency_hz - resonance.frequency_hz),
                )
                for amplitude, phase, frequency_hz in drives
            ]
            turn = seen * self._frame.carrier(reference, first)
            rate = complex(growth, self._frame.above_center(resonance.frequency_hz))
            result.add_seen(resonance.advance(step_s, 0.0, forces), turn, rate)

    def add_lines(
        self,
        result: Motion,
        drives: Sequence[Sounding],
        pump: Segment,
        first: int,
        middle: float,
        scale: float,
    ) -> None:
        """Add stray lines and what the tones feed through."""
        for line in self._lines:
            result.add(
                scale * line.amplitude_m * self._frame.carrier(line.phase_at(first), first),
                complex(0.0, self._frame.above_center(line.frequency_at(middle))),
            )
        tones = []
        if self._drive_feedthrough:
            tones += [(self._drive_feedthrough, *drive) for drive in drives]
        if self._pump_feedthrough and pump.amplitude_at(middle):
            tones += [
                (self._pump_feedthrough, *harmonic)
                for harmonic in self._harmonics(pump, first, middle)
            ]
        for coefficient, amplitude, phase, frequency_hz in tones:
            if self._frame.is_in_band(frequency_hz):
                turn = scale * amplitude * self._frame.carrier(phase, first)
                rate = complex(0.0, self._frame.above_center(frequency_hz))
                result.add(coefficient * turn, rate)

    def _harmonics(self, pump: Segment, first: int, middle: float) -> Iterator[Sounding]:
        """What the pump puts out.

        Of a square wave or pulses the tone itself, and what lies within two
        multiples of either mode: more would slow a raw stream down and tell
        the loop nothing.
        """
        amplitude, phase = pump.amplitude_at(middle), pump.phase_at(first)
        frequency_hz = pump.frequency_at(middle)
        yield Sounding(amplitude * pump.harmonic(1, middle), phase, frequency_hz)
        if pump.waveform == "sine":
            return
        lowest = max(2, math.ceil(self._options.lower.frequency_hz / frequency_hz) - 2)
        highest = math.floor(self._options.upper.frequency_hz / frequency_hz) + 2
        for order in range(lowest, highest + 1):
            height = amplitude * pump.harmonic(order, middle)
            if height:
                yield Sounding(height, order * phase, order * frequency_hz)


class _Line:
    """A stray line: its phase never depends on how the stream is read."""

    def __init__(self, options: LineOptions, sample_rate_hz: float) -> None:
        self.amplitude_m = options.amplitude_m
        self._options = options
        self._rate = sample_rate_hz
        self._step = phase_step(options.frequency_hz, sample_rate_hz)

    def phase_at(self, sample: int) -> int:
        """Fixed-point phase at a sample."""
        time_s = sample / self._rate
        return self._step * sample + fixed_phase(
            self._options.drift_hz_per_s * time_s * time_s / 2.0
        )

    def frequency_at(self, sample: float) -> float:
        """Frequency at a sample [Hz]."""
        return self._options.frequency_hz + self._options.drift_hz_per_s * sample / self._rate
