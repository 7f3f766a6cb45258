"""How a run ends: the words for it, and an operator's wish that it does."""

from __future__ import annotations

import signal
import threading
from types import FrameType, TracebackType
from typing import Any

DONE, FAILED, INTERRUPTED = "done", "failed", "interrupted"  # outcomes, as in the log
STOPPED_BY_OPERATOR = "stopped by the operator"


class StopRequest:
    """Turns SIGINT and SIGTERM into a flag; a second one interrupts at once.

    Outside the main thread, where Python allows no handlers, the flag stays
    down.

    Parameters
    ----------
    is_patient : bool
        A second one changes nothing: it is not a person's impatience. Linux
        tells a process of the death of each thread of its parent.
    """

    def __init__(self, *, is_patient: bool = False) -> None:
        self.is_set = False
        self._is_patient = is_patient
        self._previous: dict[signal.Signals, Any] = {}

    def __enter__(self) -> StopRequest:
        if threading.current_thread() is threading.main_thread():
            for number in (signal.SIGINT, signal.SIGTERM):
                self._previous[number] = signal.signal(number, self._on_signal)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for number, handler in self._previous.items():
            signal.signal(number, handler)

    def _on_signal(self, number: int, frame: FrameType | None) -> None:
        if self.is_set and not self._is_patient:
            raise KeyboardInterrupt
        self.is_set = True
