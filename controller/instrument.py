"""The hardware-abstraction interface: one input, a few tones, one clock.

An instrument is any object with the members of `Instrument`. The one clock
is the sample index of the stream: tones are commanded for a sample index,
and a block says where its first sample stands. Phase of the complex stream:
a displacement A cos(2 pi f t + phi) at sample n (t = n / sample_rate_hz)
appears as A exp(i (2 pi (f - center_hz) t + phi)).

This file does no I/O and knows no particular device.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

import numpy as np

from controller.errors import InstrumentFault, StreamEnded, StreamTimeout, ToneRefused

__all__ = [
    "Instrument",
    "InstrumentFault",
    "SampleBlock",
    "StreamEnded",
    "StreamFormat",
    "StreamTimeout",
    "Tone",
    "ToneChannel",
    "ToneRefused",
    "amplitude_unit",
    "stream_band_hz",
]


@dataclass(frozen=True, slots=True)
class StreamFormat:
    """What the samples of the one signal input mean."""

    sample_rate_hz: float
    center_hz: float  # complex samples around this; 0.0: real samples from the converter
    dtype: str  # "complex64", "float32" or "int16"
    metres_per_unit: float  # displacement per sample unit; 1.0 where uncalibrated
    full_scale: float  # largest magnitude of a sample


def amplitude_unit(stream: StreamFormat) -> str:
    """Unit of the amplitudes that a stream gives: m where it is calibrated.

    Parameters
    ----------
    stream : StreamFormat
        Whose `metres_per_unit` is 1.0 where nobody calibrated it.

    Returns
    -------
    str
        "m", or "sample unit".
    """
    return "m" if stream.metres_per_unit != 1.0 else "sample unit"


def stream_band_hz(stream: StreamFormat) -> tuple[float, float]:
    """Lowest and highest absolute frequency that a stream carries.

    Parameters
    ----------
    stream : StreamFormat
        Complex around its centre, or real.

    Returns
    -------
    (float, float)
        [Hz].
    """
    half_rate_hz = 0.5 * stream.sample_rate_hz
    if stream.dtype.startswith("complex"):
        return stream.center_hz - half_rate_hz, stream.center_hz + half_rate_hz
    return 0.0, half_rate_hz


@dataclass(frozen=True, slots=True)
class ToneChannel:
    """One tone output: "drive_lower", "drive_upper" or "pump"."""

    name: str
    amplitude_unit: str  # "V" or "N"
    max_amplitude: float
    min_frequency_hz: float
    max_frequency_hz: float
    latency_samples: int  # from set_tone to the output
    shares_clock: bool  # False: the generator has a clock of its own
    keeps_phase: bool  # False: a frequency change may break the phase
    waveforms: tuple[str, ...] = ("sine",)  # of "sine", "square", "pulses"


@dataclass(frozen=True, slots=True)
class SampleBlock:
    """Samples that follow each other without a gap."""

    first_sample: int  # a jump against the previous block's end is a gap
    samples: np.ndarray  # (n,)
    overload: bool


@dataclass(frozen=True, slots=True)
class Tone:
    """A tone command: amplitude * cos(phase).

    phase(n) = phase_rad + 2 pi (f t + chirp t^2 / 2) with
    t = (n - at_sample) / sample_rate_hz. "pulses": one of +amplitude
    centred on phase 0 and one of -amplitude on phase pi, each period.
    """

    channel: str
    at_sample: int  # in the past: from now on, with the phase it would have had
    frequency_hz: float
    amplitude: float
    phase_rad: float | None = None  # None: continue the phase the channel has at at_sample
    chirp_hz_per_s: float = 0.0
    ramp_s: float = 0.0  # time to reach the amplitude, linear
    waveform: str = "sine"
    pulse_s: float = 0.0  # width of each pulse


@runtime_checkable
class Instrument(Protocol):
    """What every instrument offers; only the runtime calls it."""

    stream: StreamFormat
    tones: Mapping[str, ToneChannel]
    paced: bool  # True: read() waits for the wall clock

    def start(self) -> None:
        """Begin streaming."""

    def read(self, timeout_s: float) -> SampleBlock:
        """The next block; raises StreamTimeout, StreamEnded, InstrumentFault."""
        ...

    def set_tone(self, tone: Tone) -> Tone:
        """Set a tone and return what was really set; raises ToneRefused.

        A newer command cancels pending ones of its channel that start at or
        after it. Amplitude 0 is accepted at any frequency.
        """
        ...

    def stop(self) -> None:
        """Every tone off; may be called twice."""
