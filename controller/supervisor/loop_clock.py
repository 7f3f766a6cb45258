"""The loop's one clock: the sample index at which the stream read so far ends."""

from __future__ import annotations

import copy

from controller.instrument import SampleBlock
from controller.records import Event

STUCK_S = 5.0  # worth of blocks in a row from before the stream's end


class LoopClock:
    """The clock of one loop; the engine advances it, its parts read it.

    Parameters
    ----------
    sample_rate_hz : float
        Rate of the stream [Hz].
    """

    def __init__(self, sample_rate_hz: float) -> None:
        self.rate_hz = sample_rate_hz
        self.reset()

    def reset(self) -> None:
        """Before the first block."""
        self.first_index: int | None = None
        self.now_index = 0
        self._late_samples = 0  # of blocks in a row that brought nothing new

    def copy(self) -> LoopClock:
        """An independent clock that goes on alike."""
        return copy.deepcopy(self)

    def __repr__(self) -> str:
        return f"LoopClock(now_index={self.now_index})"

    def begin(self, first_index: int) -> None:
        """The stream begins with this sample."""
        self.first_index = self.now_index = first_index

    def advance(self, block: SampleBlock) -> None:
        """Go on to the end of a block, and never back."""
        end_index = block.first_sample + len(block.samples)
        is_late = end_index <= self.now_index
        self._late_samples = self._late_samples + len(block.samples) if is_late else 0
        self.now_index = max(self.now_index, end_index)

    @property
    def is_stuck(self) -> bool:
        """Whether the stream went back and did not come: such a stream is no stream any more."""
        return self._late_samples > STUCK_S * self.rate_hz

    @property
    def now_s(self) -> float:
        """Stream time [s]."""
        return self.now_index / self.rate_hz

    def elapsed_s(self, since_index: int) -> float:
        """How much of the stream has passed since a sample [s]."""
        return (self.now_index - since_index) / self.rate_hz

    def event(self, source: str, kind: str, text: str) -> Event:
        """Something that happens now."""
        return Event(
            sample_index=self.now_index, time_s=self.now_s, source=source, kind=kind, text=text
        )
