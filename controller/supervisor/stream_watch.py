"""Is the stream fit to be measured? The evidence that comes before any filter."""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass

import numpy as np

from controller.instrument import SampleBlock, StreamFormat

# So many equal samples in a row, or samples that repeat the block before, are no noise:
# even where noise has three values only, by chance once in 3^64 = 3e30.
LEAST_STILL_SAMPLES = 64
# A full scale that was rounded to a single-precision sample still counts.
ROUNDING = 1.0e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamHealth:
    """What is wrong with one block, in words; nothing if it is well."""

    reasons: tuple[str, ...]
    missing_samples: int  # lost before this block
    is_usable: bool  # False: its samples say nothing about the modes


class StreamNews:
    """Says when a stream becomes unfit and fit again; a gap is always news."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """All is well so far."""
        self._lasting: tuple[str, ...] = ()

    def copy(self) -> StreamNews:
        """An independent one that goes on alike."""
        return copy.deepcopy(self)

    def __repr__(self) -> str:
        return f"StreamNews({'; '.join(self._lasting) or 'fit'})"

    def process(self, health: StreamHealth) -> list[tuple[str, str]]:
        """What is new with a block.

        Parameters
        ----------
        health : StreamHealth
            Of the block.

        Returns
        -------
        list of (str, str)
            Kinds of events (gap, unfit, fit) and their texts.
        """
        news = []
        if health.missing_samples:
            news.append(("gap", health.reasons[0]))
        lasting = health.reasons[1:] if health.missing_samples else health.reasons
        if lasting != self._lasting:
            news.append(("unfit", "; ".join(lasting)) if lasting else ("fit", "all is well again"))
        self._lasting = lasting
        return news


class StreamWatch:
    """Looks at each block before it is filtered.

    Owned by the engine. A block is unusable if a sample is not finite, if its
    index lies before the end of the stream, or if it stands still: the same
    sample again and again, or the same block once more.
    """

    def __init__(self, stream: StreamFormat) -> None:
        self._stream = stream
        self.reset()

    def reset(self) -> None:
        """Forget the previous blocks."""
        self._next_index: int | None = None
        self._previous: np.ndarray = np.empty(0)
        self._equal_samples = 0  # at the end of the stream so far
        self._repeated_samples = 0  # of the blocks that repeated the one before

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
        missing = 0 if self._next_index is None else block.first_sample - self._next_index
        end_index = block.first_sample + len(block.samples)
        if self._next_index is not None and missing < 0:
            # Where it also reaches beyond, the stream now ends there, as on the loop's clock.
            self._next_index = max(self._next_index, end_index)
            return StreamHealth(
                reasons=("the sample index went backwards",), missing_samples=0, is_usable=False
            )
        self._next_index = end_index
        reasons = [f"{missing} samples lost"] if missing else []
        unusable, largest = self._looked_at(block.samples)
        if unusable:
            reasons.append(unusable)
        elif block.overload or largest >= (1.0 - ROUNDING) * self._stream.full_scale:
            reasons.append("overload")
        return StreamHealth(reasons=tuple(reasons), missing_samples=missing, is_usable=not unusable)

    def _looked_at(self, samples: np.ndarray) -> tuple[str, float]:
        """Why the samples say nothing, empty if they do; the largest magnitude of a part."""
        if len(samples) == 0:
            return "", 0.0
        stands_still = self._stands_still(samples)
        self._previous = samples
        parts = samples.view(samples.real.dtype) if np.iscomplexobj(samples) else samples
        low, high = float(parts.min()), float(parts.max())
        if not math.isfinite(high - low):  # a NaN is the least and the largest of any
            return "samples are not finite", 0.0
        return "the stream stands still" if stands_still else "", max(-low, high)

    def _stands_still(self, samples: np.ndarray) -> bool:
        self._equal_samples = self._equal_at_end(samples)
        repeats = len(samples) == len(self._previous) and _are_equal(samples, self._previous)
        self._repeated_samples = self._repeated_samples + len(samples) if repeats else 0
        return max(self._equal_samples, self._repeated_samples) >= LEAST_STILL_SAMPLES

    def _equal_at_end(self, samples: np.ndarray) -> int:
        """How many samples in a row, up to the end of this block, are the same."""
        # Most of the time the last two differ, and that is all there is to look at.
        if len(samples) > 1 and samples[-1] != samples[-2]:
            return 1
        others = np.flatnonzero(samples != samples[-1])
        if len(others):
            return len(samples) - 1 - int(others[-1])
        goes_on = len(self._previous) > 0 and self._previous[-1] == samples[-1]
        return len(samples) + (self._equal_samples if goes_on else 0)


def _are_equal(samples: np.ndarray, others: np.ndarray) -> bool:
    """Whether two blocks of one length are the same; differing starts settle it at once."""
    return bool(samples[0] == others[0]) and bool(np.array_equal(samples, others))
