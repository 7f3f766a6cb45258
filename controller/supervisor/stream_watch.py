"""Is the stream fit to be measured? The evidence that comes before any filter."""

from __future__ import annotations

import copy
from dataclasses import dataclass

import numpy as np

from controller.instrument import SampleBlock, StreamFormat


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamHealth:
    """What is wrong with one block, in words; nothing if it is well."""

    reasons: tuple[str, ...]
    missing_samples: int  # lost before this block
    is_usable: bool  # False: its samples say nothing about the modes


class StreamWatch:
    """Looks at each block before it is filtered.

    Owned by the engine. A block is unusable if a sample is not finite or if
    it stands still: all samples alike, or the same block once more.
    """

    def __init__(self, stream: StreamFormat) -> None:
        self._stream = stream
        self.reset()

    def reset(self) -> None:
        """Forget the previous block."""
        self._next_index: int | None = None
        self._previous: np.ndarray | None = None

    def copy(self) -> StreamWatch:
        """An independent watch that goes on alike."""
        return copy.deepcopy(self)

    def __repr__(self) -> str:
        return f"StreamWatch(next_index={self._next_index})"

    def process(self, block: SampleBlock) -> StreamHealth:
        """Judge one block.

        Parameters
        ----------
        block : SampleBlock
            The next block of the stream.

        Returns
        -------
        StreamHealth
            Reasons, each a few words; lost samples; whether to measure.
        """
        reasons: list[str] = []
        missing = 0 if self._next_index is None else block.first_sample - self._next_index
        samples = block.samples
        usable = True
        if missing:
            reasons.append(
                f"{missing} samples lost" if missing > 0 else "the sample index went backwards"
            )
        if len(samples):
            parts = samples.view(samples.real.dtype) if np.iscomplexobj(samples) else samples
            low, high = float(parts.min()), float(parts.max())
            if not np.isfinite(low + high):
                reasons.append("samples are not finite")
                usable = False
            elif self._stands_still(samples, low, high):
                reasons.append("the stream stands still")
                usable = False
            elif max(-low, high) >= self._stream.full_scale:
                reasons.append("samples at full scale")
        if block.overload and "samples at full scale" not in reasons:
            reasons.append("overload")
        self._next_index = block.first_sample + len(samples)
        self._previous = samples
        return StreamHealth(
            reasons=tuple(reasons), missing_samples=missing, is_usable=usable and missing >= 0
        )

    def _stands_still(self, samples: np.ndarray, low: float, high: float) -> bool:
        if len(samples) < 8:  # too short to tell noise from rest
            return False
        if low == high:
            return True
        previous = self._previous
        return (
            previous is not None
            and len(previous) == len(samples)
            and samples[0] == previous[0]
            and bool(np.array_equal(samples, previous))
        )
