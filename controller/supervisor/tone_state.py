"""What a tone output does, as far as its commands tell."""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass

import numpy as np

from controller.instrument import Tone
from controller.signal.waveforms import fundamental_factor, power_ratio

KEPT = 20  # segments of history; a measurement looks back by a few blocks only


@dataclass(frozen=True, slots=True, kw_only=True)
class _Segment:
    """The tone from a sample on."""

    at_sample: int
    turns: float
    frequency_hz: float
    amplitude: float
    chirp_hz_per_s: float = 0.0
    fundamental: float = 0.0  # amplitude of the part at the frequency
    squared: float = 0.0  # amplitude squared of a sine with the same mean square


class ToneState:
    """Phase, frequency and amplitude of one output; one thread.

    A ramp counts as done at once: it is shorter than an update.
    """

    def __init__(self, sample_rate_hz: float) -> None:
        self._rate_hz = sample_rate_hz
        self.reset()

    def reset(self) -> None:
        """The output is silent."""
        self._segments = [_Segment(at_sample=0, turns=0.0, frequency_hz=0.0, amplitude=0.0)]

    def copy(self) -> ToneState:
        """An independent state that goes on alike."""
        return copy.deepcopy(self)

    def __repr__(self) -> str:
        return f"ToneState({self.frequency_hz:.6f} Hz, {self.amplitude:.4g})"

    @property
    def frequency_hz(self) -> float:
        """Frequency last set [Hz]."""
        return self._segments[-1].frequency_hz

    @property
    def amplitude(self) -> float:
        """Amplitude last set [channel's unit]."""
        return self._segments[-1].amplitude

    def process(self, actual: Tone) -> None:
        """Take note of a tone that was really set.

        Parameters
        ----------
        actual : Tone
            As the instrument returned it; effective from its `at_sample` on.
        """
        turns = (
            self.turns_at(actual.at_sample)
            if actual.phase_rad is None
            else actual.phase_rad / (2.0 * math.pi)
        )
        pulse_turns = actual.pulse_s * actual.frequency_hz
        factor = fundamental_factor(actual.waveform, pulse_turns)
        segment = _Segment(
            fundamental=actual.amplitude * factor,
            squared=actual.amplitude**2 * power_ratio(actual.waveform, pulse_turns),
            at_sample=actual.at_sample,
            turns=turns % 1.0,
            frequency_hz=actual.frequency_hz,
            amplitude=actual.amplitude,
            chirp_hz_per_s=actual.chirp_hz_per_s,
        )
        # A newer command cancels what would have started at or after it.
        kept = [s for s in self._segments if s.at_sample < segment.at_sample]
        self._segments = [*kept[-KEPT:], segment]

    def amplitude_at(self, sample_index: float) -> float:
        """Amplitude at a sample [channel's unit]."""
        return self._segment(sample_index).amplitude

    def fundamental_at(self, sample_index: float) -> float:
        """Amplitude of the part at the tone's frequency [channel's unit]."""
        return self._segment(sample_index).fundamental

    def squared_at(self, sample_index: float) -> float:
        """Amplitude squared of a sine with the same mean square [channel's unit squared]."""
        return self._segment(sample_index).squared

    def frequency_at(self, sample_index: float) -> float:
        """Frequency at a sample [Hz]."""
        segment = self._segment(sample_index)
        if segment.chirp_hz_per_s == 0.0:
            return segment.frequency_hz
        elapsed_s = (sample_index - segment.at_sample) / self._rate_hz
        return segment.frequency_hz + segment.chirp_hz_per_s * elapsed_s

    def turns_at(self, sample_index: float) -> float:
        """Phase at a sample [turns]."""
        segment = self._segment(sample_index)
        elapsed_s = (sample_index - segment.at_sample) / self._rate_hz
        chirped_hz = segment.frequency_hz + 0.5 * segment.chirp_hz_per_s * elapsed_s
        return segment.turns + chirped_hz * elapsed_s

    def phasors(self, sample_indices: np.ndarray, frame_turns: np.ndarray) -> np.ndarray:
        """The tone at several samples, in a turning frame.

        Parameters
        ----------
        sample_indices : ndarray of float64, shape (n,)
            Samples, rising.
        frame_turns : ndarray of float64, shape (n,)
            Phase of the frame at each of them [turns].

        Returns
        -------
        ndarray of complex128, shape (n,)
            Amplitude times exp(i phase) [channel's unit].
        """
        segment = self._segment(float(sample_indices[0]))
        turns = self._turns(segment, sample_indices) - frame_turns
        phasors = segment.amplitude * np.exp(2j * math.pi * turns)
        # Mostly that is all: a command rarely falls between the samples of an update.
        for later in self._segments:
            if segment.at_sample < later.at_sample <= sample_indices[-1]:
                after = sample_indices >= later.at_sample
                turns = self._turns(later, sample_indices[after]) - frame_turns[after]
                phasors[after] = later.amplitude * np.exp(2j * math.pi * turns)
        return phasors

    def _turns(self, segment: _Segment, sample_indices: np.ndarray) -> np.ndarray:
        elapsed_s = (sample_indices - segment.at_sample) / self._rate_hz
        chirped_hz = segment.frequency_hz + 0.5 * segment.chirp_hz_per_s * elapsed_s
        return segment.turns + chirped_hz * elapsed_s

    def _segment(self, sample_index: float) -> _Segment:
        for segment in reversed(self._segments):
            if segment.at_sample <= sample_index:
                return segment
        return self._segments[0]
