"""Real time for a simulation that would be faster."""

from __future__ import annotations

import time
from collections.abc import Callable


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
