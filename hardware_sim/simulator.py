"""The simulated membrane as an instrument: one stream, three tones, one clock.

Here the parts meet: the environment moves the modes, tones push and couple
them, the membrane propagates them, the detector turns them into samples, and
faults spoil those. Whoever reads the stream never sees the truth; whoever
started the run may write it out afterwards.
"""

from __future__ import annotations

import cmath
import math
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from controller.errors import InputError, InstrumentFault, StreamEnded, StreamTimeout, ToneRefused
from controller.instrument import SampleBlock, StreamFormat, Tone, ToneChannel
from hardware_sim.detector import Converter, Gain, exponential_sum
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
from hardware_sim.options import LineOptions, ModeOptions, SimulatorOptions, parsed_options
from hardware_sim.source import Source
from hardware_sim.tip import Tip
from hardware_sim.tones import Segment, ToneOutput, fixed_phase, phase_step, radians_of
from hardware_sim.truth import Truth

_TRUTH_RATE_HZ = 10.0
DRIVES = ("drive_lower", "drive_upper")
PUMP = "pump"
MODES = ("lower", "upper")
# One child seed per source of randomness, in this order for ever.
_SOURCES = (
    "room",
    "film",
    "lower_walk",
    "upper_walk",
    "membrane",
    "detector",
    "gain",
    "neighbours",
    "generators",
    "source",
)


class Pacer:
    """Holds read() back until the wall clock has reached the samples."""

    def __init__(
        self,
        clock_s: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._clock_s = clock_s
        self._sleep = sleep
        self._start_s: float | None = None

    def wait(self, stream_s: float, timeout_s: float) -> bool:
        """Wait for a stream time; False if that takes longer than the timeout."""
        now_s = self._clock_s()
        if self._start_s is None:
            self._start_s = now_s
        missing_s = self._start_s + stream_s - now_s
        if missing_s > 0.0:
            self._sleep(min(missing_s, timeout_s))
        return missing_s <= timeout_s


class SimulatedMembrane:
    """Two coupled modes of a membrane behind the instrument interface.

    One thread may call it. Options are those of `hardware_sim.options`, as
    nested tables; the same seed gives the same blocks, bit for bit.
    """

    def __init__(self, **options: Any) -> None:
        self.options = parsed_options(options)
        self.paced = self.options.paced
        self.stream = _stream_format(self.options)
        self.tones = _tone_channels(self.options)
        self._pacer = Pacer()
        self._rate = self.options.sample_rate_hz
        self._block = max(2, round(self.options.block_s * self._rate))
        self._step = max(2, round(self.options.step_s * self._rate))
        self._truth_steps = max(1, round(self._rate / _TRUTH_RATE_HZ / self._step))
        self._end = (
            None if self.options.duration_s is None else round(self.options.duration_s * self._rate)
        )
        self._position = 0
        self._calls = 0
        self._is_running = False
        self._last_samples: np.ndarray | None = None
        self._truth = Truth()
        self._make_parts()
        self._apply_changes()
        self._record_truth()

    def _make_parts(self) -> None:
        """Everything that draws random numbers, each from its own seed."""
        options = self.options
        children = np.random.SeedSequence(options.seed).spawn(len(_SOURCES))
        rngs = {
            # SFC64: the quickest of numpy's generators; a block is mostly noise.
            name: np.random.Generator(np.random.SFC64(child))
            for name, child in zip(_SOURCES, children, strict=True)
        }
        step_s = self._step / self._rate
        self._faults = Faults(options.faults, self._rate)
        self._environment = Environment(
            options.environment,
            (options.lower, options.upper),
            step_s,
            [rngs[name] for name in ("room", "film", "lower_walk", "upper_walk")],
        )
        normals = ComplexNormals(rngs["membrane"])
        temperature_k = options.environment.temperature_k
        self._modes: tuple[ModeOptions, ModeOptions] = (options.lower, options.upper)
        lower, upper = (
            Resonance(mode.frequency_hz, mode.quality_factor, mode.mass_kg, temperature_k, normals)
            for mode in self._modes
        )
        for resonance, mode in zip((lower, upper), self._modes, strict=True):
            if mode.start_amplitude_m is not None:
                resonance.amplitude_m = complex(mode.start_amplitude_m)
        self._membrane = Membrane(lower, upper, normals)
        neighbour_normals = ComplexNormals(rngs["neighbours"])
        self._neighbours = [
            (
                Resonance(
                    each.frequency_hz,
                    each.quality_factor,
                    each.mass_kg,
                    temperature_k,
                    neighbour_normals,
                ),
                each.drive_newton_per_unit,
            )
            for each in options.detector.neighbours
            if self._is_in_band(each.frequency_hz)
        ]
        self._lines = [
            _Line(line, self._rate)
            for line in options.detector.lines
            if self._is_in_band(line.frequency_hz)
        ]
        self._source = (
            Source(options.source, rngs["source"]) if options.source.coupling_hz else None
        )
        self._tip = Tip(options.sample, self._rate) if options.sample.shift_hz else None
        self._gain = Gain(options.detector, self._rate, step_s, rngs["gain"])
        self._converter = Converter(options, rngs["detector"])
        self._outputs = {
            name: ToneOutput(
                channel,
                self._rate,
                rngs["generators"],
                tuning_step_hz=(
                    options.pump.tuning_step_hz if name == PUMP else options.drive.tuning_step_hz
                ),
                clock_error_ppm=options.pump.clock_error_ppm if name == PUMP else 0.0,
            )
            for name, channel in self.tones.items()
        }
        self._jumps_hz = [0.0, 0.0]
        self._visibility = [1.0, 1.0]
        self._changes = sorted({*self._gain.flips, *self._faults.changes})
        self._drive_feedthrough = complex(*options.detector.drive_feedthrough_m_per_unit)
        self._pump_feedthrough = complex(*options.detector.pump_feedthrough_m_per_v)
        self._center_step = phase_step(self.options.center_hz, self._rate)
        self._reference_steps = tuple(
            phase_step(mode.frequency_hz, self._rate) for mode in self._modes
        )

    def __repr__(self) -> str:
        """Seed, stream and position."""
        return (
            f"SimulatedMembrane(seed={self.options.seed}, {self.stream}, position={self._position})"
        )

    # The instrument interface

    def start(self) -> None:
        """Begin streaming, or go on after a stop."""
        self._is_running = True

    def stop(self) -> None:
        """Every tone off, at once; may be called twice."""
        self._is_running = False
        for output in self._outputs.values():
            output.silence(self._position)

    def set_tone(self, tone: Tone) -> Tone:
        """Set a tone and return what was really set.

        Parameters
        ----------
        tone : Tone
            As `controller.instrument` defines it.

        Returns
        -------
        Tone
            With the sample [samples], frequency [Hz] and phase [rad] that it
            starts with.

        Raises
        ------
        ToneRefused
            For an unknown channel or waveform, an amplitude or frequency
            outside the channel's range, and values that are not finite.

        Notes
        -----
        A tone for the past starts at the end of the last block read plus the
        channel's latency. With a phase it has there the phase it would have
        had; without one it goes on from the phase that the channel has there.
        """
        output = self._outputs.get(tone.channel)
        if output is None:
            raise ToneRefused(
                f"there is no tone channel {tone.channel!r}; there are {', '.join(self.tones)}"
            )
        return output.command(tone, self._position)

    def read(self, timeout_s: float) -> SampleBlock:
        """The next block of samples.

        Parameters
        ----------
        timeout_s : float
            How long to wait where the stream is paced [s].

        Returns
        -------
        SampleBlock
            Of `block_s`, shorter only at the very end; samples in sample units.

        Raises
        ------
        StreamTimeout
            If the samples are not due in time, or by a fault.
        StreamEnded
            After `duration_s`.
        InstrumentFault
            If it was not started, or by a fault.
        """
        call, self._calls = self._calls, self._calls + 1
        if not self._is_running:
            raise InstrumentFault("the simulated membrane is not started")
        if self._faults.is_fatal(self._position):
            raise InstrumentFault("the simulated membrane failed, as its options say")
        if self._faults.is_timeout(call):
            raise StreamTimeout(f"no block within {timeout_s} s")
        self._skip_lost()
        end = self._position + self._block
        if self._end is not None:
            end = min(end, self._end)
        if end <= self._position:
            raise StreamEnded(f"the rehearsal ended after {self.options.duration_s} s")
        if self.paced and not self._pacer.wait(end / self._rate, timeout_s):
            raise StreamTimeout(f"no block within {timeout_s} s")
        return self._read_block(end)

    def next_position(self) -> None:
        """Move the tip on to the sample's next position, as a script's scan does.

        Raises
        ------
        InputError
            If there is no sample.
        """
        if self._tip is None:
            raise InputError(
                "instrument.options.sample.shift_hz is empty: next_position() needs a sample"
            )
        self._tip.next_position(self._position)

    # One block

    def _skip_lost(self) -> None:
        """Let time pass where samples get lost."""
        goes_on = self._faults.next_lost(self._position, self._position + self._block)
        while goes_on is not None:
            self._advance(goes_on, None)
            goes_on = self._faults.next_lost(self._position, self._position + self._block)

    def _read_block(self, end: int) -> SampleBlock:
        first = self._position
        kind = np.float32 if self.options.is_raw else np.complex64
        ideal = np.empty(end - first, kind)
        self._advance(end, ideal)
        for part in self._faults.overloaded(first, end):
            ideal[part] = 2.0 * self._converter.full_scale
        parts = ideal.view(np.float32)
        overload = self._converter.convert(parts)
        for part in self._faults.not_a_number(first, end):
            ideal[part] = np.nan
        samples = np.rint(ideal).astype(np.int16) if self.options.is_raw else ideal
        if self._faults.is_frozen(first, end) and self._last_samples is not None:
            samples = self._last_samples[: end - first].copy()
        self._last_samples = samples
        return SampleBlock(first, samples, overload)

    def _advance(self, end: int, ideal: np.ndarray | None) -> None:
        """Propagate to a sample; fill in ideal samples if they are asked for."""
        start = self._position
        first = start
        while first < end:
            last = min(end, (first // self._step + 1) * self._step)
            for output in self._outputs.values():
                last = output.next_change(first, last)
            if self._changes and self._changes[0] < last:
                last = self._changes[0]
            if self._tip is not None:
                last = self._tip.next_change(first, last)
            motion = self._motion(first, last)
            if ideal is not None:
                ideal[first - start : last - start] = exponential_sum(
                    motion, 1.0 / self._rate, last - first, real=self.options.is_raw
                )
            first = last
            self._position = first
            self._apply_changes()
            if first % (self._step * self._truth_steps) == 0:
                self._record_truth()
        for output in self._outputs.values():
            output.advance(self._position)

    def _apply_changes(self) -> None:
        """Jumps, deaths, flips and moves that have happened by now."""
        sample = self._position
        if self._tip is not None:
            self._tip.move_to(sample)
        while self._changes and self._changes[0] <= sample:
            del self._changes[0]
            self._jumps_hz = [self._faults.jump_hz(name, sample) for name in MODES]
            self._visibility = [
                self._gain.sign_at(sample) * self._faults.visibility(name, sample) for name in MODES
            ]

    # One step

    def _motion(self, first: int, last: int) -> Motion:
        """Propagate a step; everything coherent in it, in sample units."""
        step_s = (last - first) / self._rate
        middle = (first + last) / 2.0
        drives = self._drives(first, middle)
        lower_forces, upper_forces = self._forces(drives, first, middle)
        pump = self._outputs[PUMP].at(first)
        coupling = self._coupling(pump, first, middle)
        if self._tip is not None:
            self._tip.follow(first, pump, self._lead_rad(pump, first))
        squares = self._membrane.mean_squares_m2(step_s, lower_forces, upper_forces, coupling)
        offsets_hz = self._offsets_hz(first, middle, squares, pump)
        if self._source is not None:
            shaking = self._source.advance(step_s, offsets_hz[1] - offsets_hz[0])
            coupling = shaking if coupling is None else coupling.plus(shaking, step_s)
        motions = self._membrane.advance(step_s, offsets_hz, lower_forces, upper_forces, coupling)
        step, within = divmod(first, self._step)
        gain, growth = self._gain.at(step, within / self._step)
        scale = 1.0 / self.options.metres_per_unit
        result = Motion()
        for index, motion in enumerate(motions):
            seen = gain * scale * self._visibility[index]
            turn = seen * self._carrier(self._reference_steps[index] * first, first)
            rate = complex(growth, self._above_center(self._modes[index].frequency_hz))
            result.add_seen(motion, turn, rate)
        if self._neighbours:
            seen = gain * scale * self._gain.sign_at(first)
            self._add_neighbours(result, drives, first, step_s, seen, growth)
        self._add_lines(result, drives, pump, first, middle, scale)
        return result

    def _drives(self, first: int, middle: float) -> list[tuple[float, int, float]]:
        """Amplitude, fixed-point phase and frequency of the drives that are on."""
        found = []
        for name in DRIVES:
            segment = self._outputs[name].at(first)
            amplitude = segment.amplitude_at(middle)
            if amplitude:
                found.append((amplitude, segment.phase_at(first), segment.frequency_at(middle)))
        return found

    def _forces(
        self, drives: list[tuple[float, int, float]], first: int, middle: float
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
            resonance = (self._membrane.lower, self._membrane.upper)[index]
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
            self.options.pump.coupling_hz_per_v
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
        return radians_of(phase) + self.options.pump.coupling_phase_rad

    def _lead_rad(self, pump: Segment, first: int) -> float:
        """How far the pump's coupling is ahead of the modes' own difference [rad]."""
        beat = self._membrane.upper.amplitude_m * self._membrane.lower.amplitude_m.conjugate()
        return self._coupling_phase_rad(pump, first) - cmath.phase(beat)

    def _offsets_hz(
        self, first: int, sample: float, squares_m2: tuple[float, float], pump: Segment
    ) -> tuple[float, float]:
        """Bare frequencies at a sample above the nominal ones [Hz].

        `first` says in which cell of the grid it lies.
        """
        step = first // self._step
        fraction = sample / self._step - step
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
        if self._tip is None:
            return offsets[0], offsets[1]
        half_hz = self._tip.difference_hz / 2.0
        return offsets[0] - half_hz, offsets[1] + half_hz

    def _add_neighbours(
        self,
        result: Motion,
        drives: list[tuple[float, int, float]],
        first: int,
        step_s: float,
        scale: float,
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
            turn = scale * self._carrier(reference, first)
            rate = complex(growth, self._above_center(resonance.frequency_hz))
            result.add_seen(resonance.advance(step_s, 0.0, forces), turn, rate)

    def _add_lines(
        self,
        result: Motion,
        drives: list[tuple[float, int, float]],
        pump: Segment,
        first: int,
        middle: float,
        scale: float,
    ) -> None:
        """Add stray lines and what the tones feed through."""
        for line in self._lines:
            result.add(
                scale * line.amplitude_m * self._carrier(line.phase_at(first), first),
                complex(0.0, self._above_center(line.frequency_at(middle))),
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
            if self._is_in_band(frequency_hz):
                turn = scale * amplitude * self._carrier(phase, first)
                rate = complex(0.0, self._above_center(frequency_hz))
                result.add(coefficient * turn, rate)

    def _harmonics(
        self, pump: Segment, first: int, middle: float
    ) -> Iterator[tuple[float, int, float]]:
        """Amplitude, fixed-point phase and frequency of what the pump puts out.

        Of a square wave or pulses the tone itself, and what lies within two
        multiples of either mode: more would slow a raw stream down and tell
        the loop nothing.
        """
        amplitude, phase = pump.amplitude_at(middle), pump.phase_at(first)
        frequency_hz = pump.frequency_at(middle)
        yield amplitude * pump.harmonic(1, middle), phase, frequency_hz
        if pump.waveform == "sine":
            return
        lowest = max(2, math.ceil(self._modes[0].frequency_hz / frequency_hz) - 2)
        highest = math.floor(self._modes[1].frequency_hz / frequency_hz) + 2
        for order in range(lowest, highest + 1):
            height = amplitude * pump.harmonic(order, middle)
            if height:
                yield height, order * phase, order * frequency_hz

    def _carrier(self, phase: int, first: int) -> complex:
        """exp(i phase) as the stream shows it at a sample."""
        angle = radians_of(phase - self._center_step * first)
        return complex(math.cos(angle), math.sin(angle))

    def _above_center(self, frequency_hz: float) -> float:
        """Angular rate of a frequency in the stream [rad/s]."""
        return TWO_PI * (frequency_hz - self.options.center_hz)

    def _is_in_band(self, frequency_hz: float) -> bool:
        """Whether the filter before the stream lets a frequency pass."""
        low, high = self.options.band_hz
        return low < frequency_hz < high

    # The truth

    def _record_truth(self) -> None:
        """Keep the true state at the present sample."""
        sample = self._position
        lower_m, upper_m = self._membrane.lower.amplitude_m, self._membrane.upper.amplitude_m
        pump = self._outputs[PUMP].at(sample)
        squares = abs(lower_m) ** 2, abs(upper_m) ** 2
        offsets = self._offsets_hz(sample, float(sample), squares, pump)
        lower_hz, upper_hz = (
            mode.frequency_hz + offset for mode, offset in zip(self._modes, offsets, strict=True)
        )
        between_hz = self._modes[1].frequency_hz - self._modes[0].frequency_hz
        self._truth.append(
            (
                sample / self._rate,
                lower_hz,
                upper_hz,
                between_hz + (offsets[1] - offsets[0]),
                abs(lower_m),
                abs(upper_m),
                pump.frequency_at(sample),
                pump.amplitude_at(sample),
            )
        )

    def write_truth(self, folder: Path) -> None:
        """Write `truth.csv` and `truth.json`.

        Parameters
        ----------
        folder : Path
            An existing folder.

        Notes
        -----
        Frequencies are bare resonances [Hz]: with drift, Duffing and pump
        shift, without the pull of the coupling; ten rows a second of stream
        time, each for exactly its `time_s`.
        """
        options = self.options
        environment = options.environment
        shared = (
            ("room", environment.room_sigma_k, environment.room_time_s),
            ("film", environment.film_sigma_k, environment.film_time_s),
        )
        self._truth.write(
            folder,
            {
                "temperature_k": environment.temperature_k,
                "detector_noise_m_per_root_hz": options.detector.noise_m_per_root_hz,
                "modes": {
                    name: {
                        "frequency_hz": mode.frequency_hz,
                        "quality_factor": mode.quality_factor,
                        "mass_kg": mode.mass_kg,
                        "walk_hz_per_root_s": mode.walk_hz_per_root_s,
                        "duffing_self_hz_per_m2": mode.duffing_self_hz_per_m2,
                        "duffing_cross_hz_per_m2": mode.duffing_cross_hz_per_m2,
                        "pump_shift_hz_per_v2": mode.pump_shift_hz_per_v2,
                        "drive_newton_per_unit": mode.drive_newton_per_unit,
                    }
                    for name, mode in (("lower", options.lower), ("upper", options.upper))
                },
                "shared_drifts": [
                    {
                        "name": name,
                        "sigma_k": sigma_k,
                        "time_s": time_s,
                        **{
                            f"{mode_name}_hz_per_k": mode.frequency_hz
                            * (mode.room_per_k if name == "room" else mode.film_per_k)
                            for mode_name, mode in (
                                ("lower", options.lower),
                                ("upper", options.upper),
                            )
                        },
                    }
                    for name, sigma_k, time_s in shared
                    if sigma_k > 0.0
                ],
                "pump": {
                    "coupling_hz_per_v": options.pump.coupling_hz_per_v,
                    "coupling_phase_rad": options.pump.coupling_phase_rad,
                },
                "source": options.source.model_dump(),
                "sample": {
                    **options.sample.model_dump(),
                    "moves": [] if self._tip is None else self._tip.moves,
                },
                "stray_lines_hz": [line.frequency_hz for line in options.detector.lines],
                "drive_feedthrough_m_per_unit": options.detector.drive_feedthrough_m_per_unit,
                "seed": options.seed,
            },
        )


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


def _stream_format(options: SimulatorOptions) -> StreamFormat:
    """What the samples of this instrument mean."""
    return StreamFormat(
        sample_rate_hz=options.sample_rate_hz,
        center_hz=options.center_hz,
        dtype="int16" if options.is_raw else "complex64",
        metres_per_unit=options.metres_per_unit,
        full_scale=options.stream.full_scale_m / options.metres_per_unit,
    )


def _tone_channels(options: SimulatorOptions) -> dict[str, ToneChannel]:
    """The three tone outputs of this instrument."""
    low, high = options.band_hz
    drive = ToneChannel(
        name=DRIVES[0],
        amplitude_unit=options.drive.amplitude_unit,
        max_amplitude=options.drive.max_amplitude,
        min_frequency_hz=low,
        max_frequency_hz=high,
        latency_samples=options.drive.latency_samples,
        shares_clock=True,
        keeps_phase=True,
    )
    pump = ToneChannel(
        name=PUMP,
        amplitude_unit="V",
        max_amplitude=options.pump.max_amplitude,
        min_frequency_hz=options.pump.min_frequency_hz,
        max_frequency_hz=options.pump.max_frequency_hz,
        latency_samples=options.pump.latency_samples,
        shares_clock=options.pump.shares_clock,
        keeps_phase=options.pump.keeps_phase,
        waveforms=options.pump.waveforms,
    )
    return {DRIVES[0]: drive, DRIVES[1]: replace(drive, name=DRIVES[1]), PUMP: pump}
