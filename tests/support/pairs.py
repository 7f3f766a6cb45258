"""A pair of modes as simple as can be: known phases, rates and amplitudes."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

from controller.records import ModeId, TrackerState


@dataclass
class KnownTracker:
    """What the supervisor looks at in a tracker."""

    state: TrackerState = TrackerState.LOCKED
    amplitude: float = 1.0
    amplitude_sigma: float = 1.0e-6
    quadrature_sigma: float = 1.0e-5
    cycle_slips: int = 0
    growth_per_s: float = 0.0

    def amplitude_in(self, duration_s: float) -> float:
        """What the amplitude will have become after a time."""
        return self.amplitude * math.exp(self.growth_per_s * duration_s)


@dataclass
class KnownPair:
    """Stands in for a `TrackedPair`; phases run on from sample 0."""

    frequencies_hz: dict[ModeId, float]
    sample_rate_hz: float = 50_000.0
    start_turns: dict[ModeId, float] = field(default_factory=lambda: dict.fromkeys(ModeId, 0.0))
    tick_s: float = 0.1
    center_index: float | None = 0.0

    def __post_init__(self) -> None:
        self.trackers: dict[ModeId, Any] = {mode: KnownTracker() for mode in ModeId}
        self.config = SimpleNamespace(tick_s=self.tick_s, sample_rate_hz=self.sample_rate_hz)

    def motion_hz(self, mode: ModeId) -> float:
        """Rate of a mode's phase [Hz]."""
        return self.frequencies_hz[mode]

    def motion_turns(self, mode: ModeId, index: float) -> float:
        """Phase of a mode's motion [turns]."""
        return (
            self.start_turns[mode] + self.frequencies_hz[mode] * index / self.sample_rate_hz
        ) % 1.0

    def oscillator_turns(self, mode: ModeId, index: float) -> float:
        """Phase of a mode's frame: 1 Hz below the mode [turns]."""
        return (self.frequencies_hz[mode] - 1.0) * index / self.sample_rate_hz
