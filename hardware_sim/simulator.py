"""The simulated membrane as an instrument: one stream, three tones, one clock.

The apparatus propagates modes and tones; here its motion becomes blocks of
samples, and faults spoil those. Whoever reads the stream never sees the truth;
whoever started the run may write it out afterwards.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from controller.errors import InputError, InstrumentFault, StreamEnded, StreamTimeout, ToneRefused
from controller.instrument import SampleBlock, Tone
from hardware_sim.apparatus import Apparatus
from hardware_sim.channels import stream_format, tone_channels
from hardware_sim.detector import Converter, exponential_sum
from hardware_sim.faults import Faults
from hardware_sim.options import parsed_options
from hardware_sim.pacer import Pacer
from hardware_sim.truth import Truth, constants

_TRUTH_RATE_HZ = 10.0
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


class SimulatedMembrane:
    """Two coupled modes of a membrane behind the instrument interface.

    One thread may call it. Options are those of `hardware_sim.options`, as
    nested tables; the same seed gives the same blocks, bit for bit.
    """

    def __init__(self, **options: Any) -> None:
        self.options = parsed_options(options)
        self.paced = self.options.paced
        self.stream = stream_format(self.options)
        self.tones = tone_channels(self.options)
        self._pacer = Pacer()
        self._rate = self.options.sample_rate_hz
        self._block = max(2, round(self.options.block_s * self._rate))
        self._end = (
            None if self.options.duration_s is None else round(self.options.duration_s * self._rate)
        )
        self._position = 0
        self._calls = 0
        self._is_running = False
        self._last_samples: np.ndarray | None = None
        rngs = _random_sources(self.options.seed)
        self._faults = Faults(self.options.faults, self._rate)
        self._apparatus = Apparatus(self.options, self.tones, self._faults, rngs)
        self._converter = Converter(self.options, rngs["detector"])
        self._truth = Truth()
        step_samples = self._apparatus.step_samples
        truth_steps = max(1, round(self._rate / _TRUTH_RATE_HZ / step_samples))
        self._truth_samples = step_samples * truth_steps
        self._apparatus.apply_changes(0)
        self._record_truth()

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
        for output in self._apparatus.outputs.values():
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
        output = self._apparatus.outputs.get(tone.channel)
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
        tip = self._apparatus.tip
        if tip is None:
            raise InputError(
                "instrument.options.sample.shift_hz is empty: next_position() needs a sample"
            )
        tip.next_position(self._position)

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
            last = self._apparatus.next_change(first, end)
            motion = self._apparatus.motion(first, last)
            if ideal is not None:
                ideal[first - start : last - start] = exponential_sum(
                    motion, 1.0 / self._rate, last - first, real=self.options.is_raw
                )
            first = last
            self._position = first
            self._apparatus.apply_changes(first)
            if first % self._truth_samples == 0:
                self._record_truth()
        for output in self._apparatus.outputs.values():
            output.advance(self._position)

    # The truth

    def _record_truth(self) -> None:
        """Keep the true state at the present sample."""
        self._truth.append(self._apparatus.true_row(self._position))

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
        tip = self._apparatus.tip
        self._truth.write(folder, constants(self.options, [] if tip is None else tip.moves))


def _random_sources(seed: int) -> dict[str, np.random.Generator]:
    """One generator for each source of randomness, each from its own seed."""
    children = np.random.SeedSequence(seed).spawn(len(_SOURCES))
    return {
        # SFC64: the quickest of numpy's generators; a block is mostly noise.
        name: np.random.Generator(np.random.SFC64(child))
        for name, child in zip(_SOURCES, children, strict=True)
    }
