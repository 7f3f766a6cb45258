"""What moves and what is seen of it: environment, tones, membrane and detector, step by step.

    environment, tip -> frequencies
    drives           -> forces       -> membrane -> motion, in sample units
    pump, source     -> coupling

A step ends where something changes. Whether its samples are read, spoilt or lost is not
known here.
"""

from __future__ import annotations

import cmath
from collections.abc import Mapping, Sequence

import numpy as np

from controller.instrument import ToneChannel
from hardware_sim.background import Background, Sounding
from hardware_sim.channels import DRIVES, PUMP
from hardware_sim.detector import Gain
from hardware_sim.environment import Environment
from hardware_sim.faults import Faults
from hardware_sim.membrane import (
    TWO_PI,
    ComplexNormals,
    Force,
    Membrane,
    Motion,
    Pump,
    Resonance,
)
from hardware_sim.options import SimulatorOptions
from hardware_sim.source import Source
from hardware_sim.stream_frame import StreamFrame
from hardware_sim.tip import Tip
from hardware_sim.tones import Segment, ToneOutput, phase_step, radians_of

MODES = ("lower", "upper")


class Apparatus:
    """Everything that happens between the tones and the detector; the simulator owns it.

    Parameters
    ----------
    options : SimulatorOptions
        All options.
    channels : mapping of str to ToneChannel
        The tone outputs.
    faults : Faults
        Jumps and deaths of modes.
    rngs : mapping of str to Generator
        One for each source of randomness.
    """

    def __init__(
        self,
        options: SimulatorOptions,
        channels: Mapping[str, ToneChannel],
        faults: Faults,
        rngs: Mapping[str, np.random.Generator],
    ) -> None:
        self._options, self._faults = options, faults
        self._rate = options.sample_rate_hz
        self.step_samples = max(2, round(options.step_s * self._rate))
        step_s = self.step_samples / self._rate
        self._modes = (options.lower, options.upper)
        self._frame = StreamFrame(options)
        self._environment = Environment(
            options.environment,
            self._modes,
            step_s,
            [rngs[name] for name in ("room", "film", "lower_walk", "upper_walk")],
        )
        self.membrane = self._made_membrane(ComplexNormals(rngs["membrane"]))
        self._background = Background(options, self._frame, ComplexNormals(rngs["neighbours"]))
        self._source = (
            Source(options.source, rngs["source"]) if options.source.coupling_hz else None
        )
        self.tip = Tip(options.sample, self._rate) if options.sample.shift_hz else None
        self._gain = Gain(options.detector, self._rate, step_s, rngs["gain"])
        self.outputs = {
            name: ToneOutput(
                channel,
                self._rate,
                rngs["generators"],
                tuning_step_hz=(
                    options.pump.tuning_step_hz if name == PUMP else options.drive.tuning_step_hz
                ),
                clock_error_ppm=options.pump.clock_error_ppm if name == PUMP else 0.0,
            )
            for name, channel in channels.items()
        }
        self._jumps_hz = [0.0, 0.0]
        self._visibility = [1.0, 1.0]
        self._changes = sorted({*self._gain.flips, *faults.changes})
        self._reference_steps = tuple(
            phase_step(mode.frequency_hz, self._rate) for mode in self._modes
        )

    def _made_membrane(self, normals: ComplexNormals) -> Membrane:
        lower, upper = (
            Resonance(
                mode.frequency_hz,
                mode.quality_factor,
                mode.mass_kg,
                self._options.environment.temperature_k,
                normals,
            )
            for mode in self._modes
        )
        for resonance, mode in zip((lower, upper), self._modes, strict=True):
            if mode.start_amplitude_m is not None:
                resonance.amplitude_m = complex(mode.start_amplitude_m)
        return Membrane(lower, upper, normals)

    def __repr__(self) -> str:
        """Tones and tip."""
        return f"Apparatus({', '.join(map(repr, self.outputs.values()))}, tip={self.tip})"

    # When something changes

    def next_change(self, first: int, limit: int) -> int:
        """The sample, after this one and up to a limit, at which a step has to end."""
        last = min(limit, (first // self.step_samples + 1) * self.step_samples)
        for output in self.outputs.values():
            last = output.next_change(first, last)
        if self._changes and self._changes[0] < last:
            last = self._changes[0]
        if self.tip is not None:
            last = self.tip.next_change(first, last)
        return last

    def apply_changes(self, sample: int) -> None:
        """Jumps, deaths, flips and moves that have happened by a sample."""
        if self.tip is not None:
            self.tip.move_to(sample)
        while self._changes and self._changes[0] <= sample:
            del self._changes[0]
            self._jumps_hz = [self._faults.jump_hz(name, sample) for name in MODES]
            self._visibility = [
                self._gain.sign_at(sample) * self._faults.visibility(name, sample) for name in MODES
            ]

    # One step

    def motion(self, first: int, last: int) -> Motion:
        """Propagate a step; everything coherent in it, in sample units."""
        step_s = (last - first) / self._rate
        middle = (first + last) / 2.0
        drives = self._drives(first, middle)
        lower_forces, upper_forces = self._forces(drives, first, middle)
        pump = self.outputs[PUMP].at(first)
        coupling = self._coupling(pump, first, middle)
        if self.tip is not None:
            self.tip.follow(first, pump, self._lead_rad(pump, first))
        squares = self.membrane.mean_squares_m2(step_s, lower_forces, upper_forces, coupling)
        offsets_hz = self._offsets_hz(first, middle, squares, pump)
        if self._source is not None:
            shaking = self._source.advance(step_s, offsets_hz[1] - offsets_hz[0])
            coupling = shaking if coupling is None else coupling.plus(shaking, step_s)
        motions = self.membrane.advance(step_s, offsets_hz, lower_forces, upper_forces, coupling)
        step, within = divmod(first, self.step_samples)
        gain, growth = self._gain.at(step, within / self.step_samples)
        scale = 1.0 / self._options.metres_per_unit
        result = Motion()
        for index, motion in enumerate(motions):
            seen = gain * scale * self._visibility[index]
            turn = seen * self._frame.carrier(self._reference_steps[index] * first, first)
            rate = complex(growth, self._frame.above_center(self._modes[index].frequency_hz))
            result.add_seen(motion, turn, rate)
        if self._background.has_neighbours:
            seen = gain * scale * self._gain.sign_at(first)
            self._background.add_neighbours(result, drives, first, step_s, seen, growth)
        self._background.add_lines(result, drives, pump, first, middle, scale)
        return result

    def _drives(self, first: int, middle: float) -> list[Sounding]:
        """The drives that are on."""
        found = []
        for name in DRIVES:
            segment = self.outputs[name].at(first)
            amplitude = segment.amplitude_at(middle)
            if amplitude:
                phase = segment.phase_at(first)
                found.append(Sounding(amplitude, phase, segment.frequency_at(middle)))
        return found

    def _forces(
        self, drives: Sequence[Sounding], first: int, middle: float
    ) -> tuple[list[Force], list[Force]]:
        """The forces on lower and upper mode.

        A tone pushes the mode that it is nearer to: the other one, kilohertz
        away, would answer with less than a millionth.
        """
        forces: tuple[list[Force], list[Force]] = ([], [])
        halfway_hz = (self._modes[0].frequency_hz + self._modes[1].frequency_hz) / 2.0
        for amplitude, phase, frequency_hz in drives:
            index = 0 if frequency_hz < halfway_hz else 1
            mode = self._modes[index]
            resonance = (self.membrane.lower, self.membrane.upper)[index]
            against = radians_of(phase - self._reference_steps[index] * first)
            forces[index].append(
                Force(
                    resonance.push_m_per_s(mode.drive_newton_per_unit * amplitude, against),
                    TWO_PI * (frequency_hz - mode.frequency_hz),
                )
            )
        return forces

    def _coupling(self, pump: Segment, first: int, middle: float) -> Pump | None:
        """The pump in this step, None where it does nothing."""
        strength_hz = (
            self._options.pump.coupling_hz_per_v
            * pump.amplitude_at(middle)
            * pump.harmonic(1, middle)
        )
        if strength_hz == 0.0:
            return None
        between_hz = self._modes[1].frequency_hz - self._modes[0].frequency_hz
        return Pump(
            self._coupling_phase_rad(pump, first),
            TWO_PI * (pump.frequency_at(middle) - between_hz),
            TWO_PI * strength_hz,
        )

    def _coupling_phase_rad(self, pump: Segment, first: int) -> float:
        """Phase of the pump's coupling against the frames' difference [rad]."""
        lower_step, upper_step = self._reference_steps
        phase = pump.phase_at(first) - (upper_step - lower_step) * first
        return radians_of(phase) + self._options.pump.coupling_phase_rad

    def _lead_rad(self, pump: Segment, first: int) -> float:
        """How far the pump's coupling is ahead of the modes' own difference [rad]."""
        beat = self.membrane.upper.amplitude_m * self.membrane.lower.amplitude_m.conjugate()
        return self._coupling_phase_rad(pump, first) - cmath.phase(beat)

    def _offsets_hz(
        self, first: int, sample: float, squares_m2: tuple[float, float], pump: Segment
    ) -> tuple[float, float]:
        """Bare frequencies at a sample above the nominal ones [Hz].

        `first` says in which cell of the grid it lies.
        """
        step = first // self.step_samples
        fraction = sample / self.step_samples - step
        now, later = self._environment.offsets_hz(step), self._environment.offsets_hz(step + 1)
        pump_v2 = pump.amplitude_at(sample) ** 2 * pump.power_ratio(sample)
        offsets = [
            now[index]
            + fraction * (later[index] - now[index])
            + self._jumps_hz[index]
            + mode.duffing_self_hz_per_m2 * squares_m2[index]
            + mode.duffing_cross_hz_per_m2 * squares_m2[1 - index]
            + mode.pump_shift_hz_per_v2 * pump_v2
            for index, mode in enumerate(self._modes)
        ]
        if self.tip is None:
            return offsets[0], offsets[1]
        half_hz = self.tip.difference_hz / 2.0
        return offsets[0] - half_hz, offsets[1] + half_hz

    # The truth

    def true_row(self, sample: int) -> tuple[float, ...]:
        """The true state at the present sample, as `truth.COLUMNS` has it."""
        lower_m, upper_m = self.membrane.lower.amplitude_m, self.membrane.upper.amplitude_m
        pump = self.outputs[PUMP].at(sample)
        squares = abs(lower_m) ** 2, abs(upper_m) ** 2
        offsets = self._offsets_hz(sample, float(sample), squares, pump)
        lower_hz, upper_hz = (
            mode.frequency_hz + offset for mode, offset in zip(self._modes, offsets, strict=True)
        )
        between_hz = self._modes[1].frequency_hz - self._modes[0].frequency_hz
        return (
            sample / self._rate,
            lower_hz,
            upper_hz,
            between_hz + (offsets[1] - offsets[0]),
            abs(lower_m),
            abs(upper_m),
            pump.frequency_at(sample),
            pump.amplitude_at(sample),
        )
