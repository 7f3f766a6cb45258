"""What the wall clock says of the loop: how long its steps take, and which blocks come late.

Only for instruments in real time. Nothing here decides anything: whoever owns
the clock says when what happened, and takes the pump off while it is behind.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass

BINS_PER_DECADE = 50  # a quantile is known to 5 %
FIRST_BIN_S = 1.0e-6
DECADES = 8  # to a hundred seconds
# A device's clock may run so much slower than the computer's without being taken for late.
CLOCK_ERROR = 5.0e-4
WAITED_RATIO = 0.5  # of a block: a read that waited so long was ahead of its block
PACE_GAIN = 0.02  # a pace is learnt from some fifty blocks, about a second


class LatencyHistogram:
    """Durations counted in logarithmic bins: quantiles of any number of them in little memory."""

    def __init__(self) -> None:
        self.count = 0
        self.worst_s = 0.0
        self._counts = [0] * (DECADES * BINS_PER_DECADE + 1)

    def add(self, duration_s: float) -> None:
        """Count one duration [s]."""
        self.count += 1
        self.worst_s = max(self.worst_s, duration_s)
        place = BINS_PER_DECADE * math.log10(max(duration_s, FIRST_BIN_S) / FIRST_BIN_S)
        self._counts[min(math.ceil(place), len(self._counts) - 1)] += 1

    def quantile_s(self, share: float) -> float | None:
        """The duration that a share of all did not exceed.

        Parameters
        ----------
        share : float
            0 to 1.

        Returns
        -------
        float or None
            Upper edge of its bin [s], at most the worst; None before the first one.
        """
        due = share * self.count
        passed = 0
        for place, count in enumerate(self._counts):
            passed += count
            if count and passed >= due:
                return min(FIRST_BIN_S * 10.0 ** (place / BINS_PER_DECADE), self.worst_s)
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class LatencyFigures:
    """From a block's arrival to the last of its tone commands, of all blocks that count."""

    blocks: int = 0
    missed: int = 0  # blocks whose step ended after the next block was due
    block_s: float | None = None  # length of the last block
    p50_s: float | None = None
    p99_s: float | None = None
    p999_s: float | None = None
    worst_s: float | None = None


class BlockClock:
    """Clock of one stream; owned by the thread that reads it.

    Parameters
    ----------
    sample_rate_hz : float
        Rate of the stream [Hz].
    late_s : float
        How much longer than usual a block may take to come [s].
    now_s : callable
        A clock that never goes back [s].
    """

    def __init__(
        self, sample_rate_hz: float, late_s: float, now_s: Callable[[], float] = time.monotonic
    ) -> None:
        self.late_by_s: float | None = None  # the last block that began a delay
        self.is_behind = False  # from a late block on, until the loop waits for blocks again
        # Set to False while it does not matter how long a step takes: what a search computes at
        # its end takes longer than a block, but no tone waits for it.
        self.is_counting = True
        self._is_counted = True  # the last block
        self._rate_hz, self._late_s, self._now_s = sample_rate_hz, late_s, now_s
        self._latencies = LatencyHistogram()
        self._missed = 0
        self._block_s = 0.0
        self._reading_s = now_s()
        self._arrived_s: float | None = None
        self._origin_s = math.inf  # when sample 0 was due, judged by the earliest blocks
        self._end_s = 0.0  # of the last block, stream time
        self._pace = 1.0  # of the stream: wall clock over stream time, below 1 in a quick rehearsal

    def reading(self) -> None:
        """The loop is ready for the next block."""
        self._reading_s = self._now_s()
        if self._arrived_s is not None and self._is_counted:
            due_s = self._origin_s + self._end_s + self._block_s
            self._missed += self._reading_s > due_s

    def arrived(self, end_index: int, samples: int) -> bool:
        """A block is there.

        Parameters
        ----------
        end_index : int
            Where the stream read so far ends [samples].
        samples : int
            Length of the block.

        Returns
        -------
        bool
            Whether a delay begins with it.
        """
        now_s, before_s = self._now_s(), self._arrived_s
        self._block_s, self._end_s = samples / self._rate_hz, end_index / self._rate_hz
        own_block_s = min(self._pace, 1.0) * self._block_s
        has_waited = now_s - self._reading_s > WAITED_RATIO * own_block_s
        self._note_schedule(now_s, has_waited)
        # Not while it still works off what a step that did not count has left.
        self._is_counted = self.is_counting and (self._is_counted or has_waited)
        self._arrived_s = now_s
        overdue_s = 0.0 if before_s is None else now_s - before_s - own_block_s
        if overdue_s > self._late_s:
            self.late_by_s = overdue_s
            self.is_behind = True
            return True
        if has_waited:
            self.is_behind = False
        if before_s is not None and not self.is_behind:
            self._pace += PACE_GAIN * ((now_s - before_s) / self._block_s - self._pace)
        return False

    def _note_schedule(self, now_s: float, has_waited: bool) -> None:
        """When blocks are due: as the earliest ones came, as far as the two clocks agree."""
        origin_s = now_s - self._end_s
        self._origin_s += CLOCK_ERROR * self._block_s
        # A stream that stood still for a while has a new schedule.
        if origin_s < self._origin_s or (has_waited and origin_s > self._origin_s + self._block_s):
            self._origin_s = origin_s

    def commanded(self) -> None:
        """The tones of the last block are commanded, if there were any."""
        if self._arrived_s is not None and self._is_counted:
            self._latencies.add(self._now_s() - self._arrived_s)

    def figures(self) -> LatencyFigures:
        """What was measured so far."""
        latencies = self._latencies
        return LatencyFigures(
            blocks=latencies.count,
            missed=self._missed,
            block_s=self._block_s or None,
            p50_s=latencies.quantile_s(0.5),
            p99_s=latencies.quantile_s(0.99),
            p999_s=latencies.quantile_s(0.999),
            worst_s=latencies.worst_s if latencies.count else None,
        )
