"""Tone outputs: which tone each channel puts out at which sample.

Phases are integers, 2**80 to the turn, so that they stay exact however long
a run is: a float64 count of cycles at 1 MHz has steps of 1.5e-5 cycle after
a day. Nothing here knows the membrane.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from controller.instrument import Tone, ToneChannel, ToneRefused

PHASE_BITS = 80
_TURN = 1 << PHASE_BITS
_MASK = _TURN - 1
# A float64 holds 53 bits: the rest is shifted out before the conversion.
_SHIFT = PHASE_BITS - 53
_RADIANS = 2.0 * math.pi / (1 << 53)
# A ramp is put out in this many equal stretches, each at its mean amplitude.
RAMP_STRETCHES = 4
# A chirp is put out in steps of constant frequency, off in phase by no more.
CHIRP_ERROR_TURNS = 1.0e-3


def radians_of(phase: int) -> float:
    """A fixed-point phase as an angle in [0, 2 pi) [rad]."""
    return ((phase & _MASK) >> _SHIFT) * _RADIANS


def fixed_phase(turns: float) -> int:
    """An angle in turns as a fixed-point phase."""
    return int(math.ldexp(turns - math.floor(turns), PHASE_BITS)) & _MASK


def phase_step(frequency_hz: float, sample_rate_hz: float) -> int:
    """The fixed-point phase advance per sample, exact to 2**-80 turn."""
    frequency, frequency_parts = frequency_hz.as_integer_ratio()
    rate, rate_parts = sample_rate_hz.as_integer_ratio()
    return ((frequency * rate_parts) << PHASE_BITS) // (frequency_parts * rate)


@dataclass(slots=True)
class Segment:
    """One tone from its first sample on, until the next segment starts.

    Nobody changes one; not frozen, since that is three times as slow to make.
    """

    start: int
    phase: int  # fixed point, at the first sample
    step: int  # fixed point, per sample
    frequency_hz: float  # as it leaves the output, at the first sample
    nominal_hz: float  # as the generator believes, at the first sample
    chirp_hz_per_s: float
    amplitude_before: float  # at the first sample
    amplitude: float  # at the end of the ramp
    ramp_samples: int
    waveform: str
    pulse_s: float
    sample_rate_hz: float

    def phase_at(self, sample: int) -> int:
        """The fixed-point phase at a sample."""
        passed = sample - self.start
        phase = self.phase + self.step * passed
        if self.chirp_hz_per_s:
            passed_s = passed / self.sample_rate_hz
            phase += fixed_phase(self.chirp_hz_per_s * passed_s * passed_s / 2.0)
        return phase & _MASK

    def frequency_at(self, sample: float) -> float:
        """The frequency at a sample [Hz]."""
        if not self.chirp_hz_per_s:
            return self.frequency_hz
        return self.frequency_hz + self.chirp_hz_per_s * (sample - self.start) / self.sample_rate_hz

    def amplitude_at(self, sample: float) -> float:
        """The amplitude at a sample, in the channel's unit."""
        passed = sample - self.start
        if passed >= self.ramp_samples:
            return self.amplitude
        return self.amplitude_before + (self.amplitude - self.amplitude_before) * (
            passed / self.ramp_samples
        )

    def next_knot(self, sample: int) -> int | None:
        """The next border of a stretch of the ramp or the chirp after a sample."""
        knots = []
        passed = sample - self.start
        if passed < self.ramp_samples:
            stretch = passed * RAMP_STRETCHES // self.ramp_samples + 1
            knots.append(self.start - (-stretch * self.ramp_samples // RAMP_STRETCHES))
        if self.chirp_hz_per_s and self.amplitude > 0.0:
            # A step takes the frequency at its middle: the phase is then off by
            # chirp * length^2 / 8 turns at most.
            length_s = math.sqrt(8.0 * CHIRP_ERROR_TURNS / abs(self.chirp_hz_per_s))
            knots.append(sample + round(length_s * self.sample_rate_hz))
        return max(min(knots), sample + 1) if knots else None

    def harmonic(self, order: int, sample: float) -> float:
        """Fourier component at a multiple of the tone's frequency.

        Parameters
        ----------
        order : int
            Which multiple, 1 or more.
        sample : float
            Where it is asked for [samples]; a chirp changes it.

        Returns
        -------
        float
            c_order of amplitude * sum_n c_n cos(n phase).

        Notes
        -----
        Both other waveforms change sign after half a period, so that even
        multiples are absent. For odd n: a square wave, the sign of cos(phase),
        has c_n = (4/pi n) sin(pi n/2); pulses of width w at frequency f have
        c_n = (4/pi n) sin(pi n f w), which at w = 1/(2 f) is the same.
        """
        if self.waveform == "sine":
            return float(order == 1)
        if order % 2 == 0:
            return 0.0
        peak = 4.0 / (math.pi * order)
        if self.waveform == "square":
            return peak if order % 4 == 1 else -peak
        return peak * math.sin(math.pi * order * self.frequency_at(sample) * self.pulse_s)

    def power_ratio(self, sample: float) -> float:
        """Twice the mean square per squared amplitude; a sine has 1."""
        if self.waveform == "square":
            return 2.0
        if self.waveform == "pulses":
            return 4.0 * self.frequency_at(sample) * self.pulse_s
        return 1.0


class ToneOutput:
    """The commands of one channel, past and pending.

    The instrument owns it: `command` when a tone is set, `advance` when
    samples have been read. Phase and amplitude of a command are settled when
    it is given, since whatever precedes it cannot be cancelled alone.
    """

    def __init__(
        self,
        channel: ToneChannel,
        sample_rate_hz: float,
        rng: np.random.Generator,
        *,
        tuning_step_hz: float = 0.0,
        clock_error_ppm: float = 0.0,
    ) -> None:
        self.channel = channel
        self._rate = sample_rate_hz
        self._rng = rng
        self._tuning_step_hz = tuning_step_hz
        self._clock_ratio = 1.0 + 1.0e-6 * clock_error_ppm
        middle = (channel.min_frequency_hz + channel.max_frequency_hz) / 2.0
        self._segments = [self._segment(0, 0, middle, Tone(channel.name, 0, middle, 0.0), 0.0)]

    def __repr__(self) -> str:
        """The channel's name and its segments from now on."""
        return f"ToneOutput({self.channel.name}, {self._segments})"

    def _segment(
        self, start: int, phase: int, nominal_hz: float, tone: Tone, amplitude_before: float
    ) -> Segment:
        true_hz = nominal_hz * self._clock_ratio
        return Segment(
            start,
            phase,
            phase_step(true_hz, self._rate),
            true_hz,
            nominal_hz,
            tone.chirp_hz_per_s * self._clock_ratio,
            amplitude_before,
            tone.amplitude,
            round(tone.ramp_s * self._rate),
            tone.waveform,
            tone.pulse_s,
            self._rate,
        )

    def at(self, sample: int) -> Segment:
        """The segment that is put out at a sample from now on."""
        current = self._segments[0]
        for segment in self._segments[1:]:
            if segment.start > sample:
                break
            current = segment
        return current

    def next_change(self, sample: int, limit: int) -> int:
        """The first sample after this one, up to a limit, where something changes."""
        knot = self.at(sample).next_knot(sample)
        if knot is not None and knot < limit:
            limit = knot
        for segment in self._segments[1:]:
            if sample < segment.start < limit:
                return segment.start
        return limit

    def advance(self, position: int) -> None:
        """Forget what was over before the next sample to be read."""
        # A segment that starts right here may still be cancelled.
        while len(self._segments) > 1 and self._segments[1].start < position:
            del self._segments[0]

    def command(self, tone: Tone, position: int) -> Tone:
        """Accept a tone and return what was really set.

        Parameters
        ----------
        tone : Tone
            As `controller.instrument` defines it.
        position : int
            The next sample to be read [samples].

        Returns
        -------
        Tone
            With the sample, frequency and phase that it starts with; phase
            None where the generator cannot know it.

        Raises
        ------
        ToneRefused
            If the channel cannot put the tone out; nothing has changed.
        """
        start = max(tone.at_sample, position + self.channel.latency_samples)
        kept = [segment for segment in self._segments if segment.start < start]
        before = kept[-1] if kept else self._segments[0]
        tone = _mute(tone, self.channel, before) if tone.amplitude == 0.0 else self._checked(tone)
        late_s = (start - tone.at_sample) / self._rate
        nominal_hz = tone.frequency_hz
        if self._tuning_step_hz:
            nominal_hz = round(nominal_hz / self._tuning_step_hz) * self._tuning_step_hz
        if tone.phase_rad is None:
            phase = before.phase_at(start)
        else:
            phase = fixed_phase(tone.phase_rad / (2.0 * math.pi))
            phase += phase_step(nominal_hz, self._rate) * (start - tone.at_sample)
            phase += fixed_phase(tone.chirp_hz_per_s * late_s * late_s / 2.0)
        nominal_hz += tone.chirp_hz_per_s * late_s
        phase_is_known = self.channel.keeps_phase or nominal_hz == before.nominal_hz
        if not phase_is_known:
            phase += fixed_phase(self._rng.random())
        self._segments = [
            *kept,
            self._segment(start, phase & _MASK, nominal_hz, tone, before.amplitude_at(start)),
        ]
        return Tone(
            tone.channel,
            start,
            nominal_hz,
            tone.amplitude,
            radians_of(phase) if phase_is_known else None,
            tone.chirp_hz_per_s,
            tone.ramp_s,
            tone.waveform,
            tone.pulse_s,
        )

    def silence(self, position: int) -> None:
        """Switch off at once: no latency, no ramp, nothing pending."""
        before = self.at(position)
        mute = Tone(self.channel.name, position, before.nominal_hz, 0.0)
        phase = before.phase_at(position)
        self._segments = [self._segment(position, phase, before.nominal_hz, mute, 0.0)]

    def _checked(self, tone: Tone) -> Tone:
        """The tone, if the channel can put it out."""
        channel = self.channel
        if not 0.0 <= tone.amplitude <= channel.max_amplitude:
            raise ToneRefused(
                f"{channel.name}: amplitude {tone.amplitude} {channel.amplitude_unit} is outside "
                f"0 to {channel.max_amplitude} {channel.amplitude_unit}"
            )
        if not channel.min_frequency_hz <= tone.frequency_hz <= channel.max_frequency_hz:
            raise ToneRefused(
                f"{channel.name}: frequency {tone.frequency_hz} Hz is outside "
                f"{channel.min_frequency_hz} to {channel.max_frequency_hz} Hz"
            )
        if not math.isfinite(tone.chirp_hz_per_s):
            raise ToneRefused(f"{channel.name}: chirp {tone.chirp_hz_per_s} Hz/s is not finite")
        if not (0.0 <= tone.ramp_s < math.inf):
            raise ToneRefused(f"{channel.name}: ramp {tone.ramp_s} s has to be 0 or more")
        if tone.phase_rad is not None and not math.isfinite(tone.phase_rad):
            raise ToneRefused(f"{channel.name}: phase {tone.phase_rad} rad is not finite")
        if tone.waveform not in channel.waveforms:
            raise ToneRefused(
                f"{channel.name}: waveform {tone.waveform!r} is none of "
                f"{', '.join(channel.waveforms)}"
            )
        if tone.waveform == "pulses" and not 0.0 < tone.pulse_s * tone.frequency_hz <= 0.5:
            raise ToneRefused(
                f"{channel.name}: pulse of {tone.pulse_s} s has to be above 0 and at most half "
                f"of the period of {tone.frequency_hz} Hz"
            )
        return tone


def _mute(tone: Tone, channel: ToneChannel, before: Segment) -> Tone:
    """A mute is never refused: what cannot be put out stays as it was."""
    if not channel.min_frequency_hz <= tone.frequency_hz <= channel.max_frequency_hz:
        tone = replace(tone, frequency_hz=before.nominal_hz, phase_rad=None)
    if tone.phase_rad is not None and not math.isfinite(tone.phase_rad):
        tone = replace(tone, phase_rad=None)
    if not math.isfinite(tone.chirp_hz_per_s):
        tone = replace(tone, chirp_hz_per_s=0.0)
    if not (0.0 <= tone.ramp_s < math.inf):
        tone = replace(tone, ramp_s=0.0)
    # What fades out keeps its shape.
    return replace(tone, waveform=before.waveform, pulse_s=before.pulse_s)
