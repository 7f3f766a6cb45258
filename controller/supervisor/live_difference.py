"""Which estimate of the difference counts now: the trackers' or the observer's.

While both modes are driven and locked, the joint estimate from the phases of the
two loops is taken. Where a loop is blind (a null of an exchange, a mode that rings
down into the noise), or where the modes are left to themselves, the observer of
both amplitudes is taken, as long as its innovations are what it expects.
Either goes on beside the other; the pump follows in frequency, so that a change of
source is no step in its phase.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass

from controller.records import EstimateSource
from controller.tracking.pair import Tick

# Innovations of an observer that has lost its way are hundreds of times too large;
# stray lines and a slow gain make them a few times too large.
HEALTHY_RATIO = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveEstimate:
    """The difference that the pump follows."""

    source: EstimateSource
    difference_hz: float
    difference_sigma_hz: float
    tracked_sigma_hz: float  # of what the phases show; for the observer the same


class LiveDifference:
    """Chooses between the two estimates, tick by tick; owned by the engine."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """Begin with the trackers."""
        self.source = EstimateSource.TRACKERS

    def copy(self) -> LiveDifference:
        """An independent choice that goes on alike."""
        return copy.deepcopy(self)

    def __repr__(self) -> str:
        return f"LiveDifference({self.source.value})"

    def process(self, tick: Tick, *, are_locked: bool, are_free: bool) -> LiveEstimate:
        """Choose the estimate of a tick.

        Parameters
        ----------
        tick : Tick
            Both estimates.
        are_locked : bool
            Whether both loops are locked.
        are_free : bool
            Whether a mode was left to itself.

        Returns
        -------
        LiveEstimate
            The one that counts, with where it comes from.
        """
        observed, joint = tick.observed, tick.joint
        is_healthy = observed is not None and observed.innovation_ratio < HEALTHY_RATIO
        if observed is not None and is_healthy and (are_free or not are_locked):
            self.source = EstimateSource.OBSERVER
            return LiveEstimate(
                source=self.source,
                difference_hz=observed.difference_hz,
                difference_sigma_hz=observed.difference_sigma_hz,
                tracked_sigma_hz=observed.difference_sigma_hz,
            )
        self.source = EstimateSource.TRACKERS
        return LiveEstimate(
            source=self.source,
            difference_hz=joint.difference_hz,
            difference_sigma_hz=joint.difference_sigma_hz,
            tracked_sigma_hz=joint.tracked_sigma_hz,
        )
