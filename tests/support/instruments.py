"""Instruments that do what a test tells them, and remember what was asked of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from controller.instrument import SampleBlock, StreamEnded, StreamFormat, Tone, ToneChannel

RATE_HZ = 1000.0
BLOCK_SAMPLES = 100

CHANNELS = {
    name: ToneChannel(name, "V", 1.0, 1.0, 400.0, 0, True, True)
    for name in ("drive_lower", "drive_upper", "pump")
}


class ScriptedInstrument:
    """Silence at 1 kS/s in blocks of 0.1 s, with faults where a test puts them.

    Parameters
    ----------
    blocks : int
        Length of the stream; then it ends.
    faults : mapping
        (method, n) -> exception: raised by the n-th call of the method,
        counted from 1. (method, 0): raised by every call.
    """

    def __init__(
        self, blocks: int = 20, faults: Mapping[tuple[str, int], BaseException] | None = None
    ) -> None:
        self.stream = StreamFormat(RATE_HZ, 0.0, "float32", 1.0, 1.0)
        self.tones: Mapping[str, ToneChannel] = CHANNELS
        self.paced = False
        self.calls: list[str] = []
        self.tones_set: list[Tone] = []
        self.on_read: Callable[[int], object] = lambda block_number: None
        self._blocks: Iterator[int] = iter(range(blocks))
        self._faults = dict(faults or {})

    def _called(self, method: str) -> None:
        """Count a call, and fail where it is to fail."""
        self.calls.append(method)
        for key in ((method, self.calls.count(method)), (method, 0)):
            if key in self._faults:
                raise self._faults[key]

    @property
    def amplitudes(self) -> dict[str, float]:
        """What each channel puts out now."""
        return {tone.channel: tone.amplitude for tone in self.tones_set}

    def start(self) -> None:
        """Begin."""
        self._called("start")

    def read(self, timeout_s: float) -> Any:
        """The next block of zeros."""
        self._called("read")
        number = next(self._blocks, None)
        if number is None:
            raise StreamEnded("end of the script")
        self.on_read(number)
        return SampleBlock(
            number * BLOCK_SAMPLES, np.zeros(BLOCK_SAMPLES, dtype=np.float32), overload=False
        )

    def set_tone(self, tone: Tone) -> Tone:
        """Set a tone and remember it."""
        self._called("set_tone")
        self.tones_set.append(tone)
        return tone

    def stop(self) -> None:
        """Remember that it was stopped."""
        self._called("stop")


class WithTruth(ScriptedInstrument):
    """Leaves a truth beside the run, as a simulated instrument does."""

    def write_truth(self, folder: Path) -> None:
        """Write an empty truth."""
        self._called("write_truth")
        (folder / "truth.json").write_text("{}")
