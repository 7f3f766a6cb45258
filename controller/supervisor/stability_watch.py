"""How stable the difference and both modes are, as far as they are locked."""

from __future__ import annotations

import copy

import numpy as np

from controller.records import ModeId
from controller.tracking.stability import RunningAllan

DIFFERENCE = "difference"


class StabilityWatch:
    """Running Allan deviations of the difference and of both modes; owned by a loop.

    Parameters
    ----------
    tau0_s : float
        Time between two values [s].
    """

    def __init__(self, tau0_s: float) -> None:
        self._tau0_s = tau0_s
        self.reset()

    def reset(self) -> None:
        """Before the first value."""
        names = (DIFFERENCE, *(mode.value for mode in ModeId))
        self.deviations = {name: RunningAllan(tau0_s=self._tau0_s) for name in names}

    def copy(self) -> StabilityWatch:
        """An independent watch that goes on alike."""
        return copy.deepcopy(self)

    def __repr__(self) -> str:
        return f"StabilityWatch(tau0_s={self._tau0_s})"

    def process(self, difference_hz: float, lower_hz: float, upper_hz: float) -> None:
        """Take the frequencies of one moment at which both modes are locked [Hz]."""
        values_hz = (difference_hz, lower_hz, upper_hz)
        for running, value_hz in zip(self.deviations.values(), values_hz, strict=True):
            running.process(np.array([value_hz]))

    def interrupt(self) -> None:
        """A moment at which they are not: what comes does not follow on."""
        for running in self.deviations.values():
            running.interrupt()
