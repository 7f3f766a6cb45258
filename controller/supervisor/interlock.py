"""The interlock: open while anything speaks against the pump."""

from __future__ import annotations

import copy

from controller.records import Event


class Interlock:
    """Keeps the evidence against the pump, and how long there has been none.

    Owned by the pump's supervisor. It is open from the start: nothing has been
    seen yet that would allow a pump. Its events alternate, closed first; the
    account of a run is drawn up from them.
    """

    def __init__(self, sample_rate_hz: float) -> None:
        self._rate_hz = sample_rate_hz
        self.reset()

    def reset(self) -> None:
        """Open, and nothing healthy yet."""
        self.is_open = True
        self._healthy_since: int | None = None

    def copy(self) -> Interlock:
        """An independent interlock that goes on alike."""
        return copy.deepcopy(self)

    def __repr__(self) -> str:
        return f"Interlock({'open' if self.is_open else 'closed'})"

    def process(self, sample_index: int, reasons: tuple[str, ...]) -> tuple[Event, ...]:
        """Take the evidence of a block.

        Parameters
        ----------
        sample_index : int
            End of the block [samples].
        reasons : tuple of str
            What speaks against the pump; nothing closes the interlock.

        Returns
        -------
        tuple of Event
            "interlock_open" or "interlock_closed" where that changed.
        """
        was_open, self.is_open = self.is_open, bool(reasons)
        if reasons:
            self._healthy_since = None
        elif self._healthy_since is None:
            self._healthy_since = sample_index
        if was_open == self.is_open:
            return ()
        return (
            Event(
                sample_index=sample_index,
                time_s=sample_index / self._rate_hz,
                source="pump",
                kind="interlock_open" if self.is_open else "interlock_closed",
                text="; ".join(reasons) or "all is well",
            ),
        )

    def distrust(self) -> None:
        """Let the healthy time begin anew with the next block."""
        self._healthy_since = None

    def healthy_s(self, sample_index: int) -> float:
        """How long all has been well at a sample [s]."""
        if self._healthy_since is None:
            return 0.0
        return (sample_index - self._healthy_since) / self._rate_hz
