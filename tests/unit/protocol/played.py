"""Protocols that are shown one view of the loop after the other."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from controller.protocol.runner import LoopView, ProtocolRunner, ProtocolStep
from controller.records import Event, ModeId, PumpState, Section
from controller.supervisor.requests import Request, RequestKind
from tests.unit.protocol.plans import loop_settings, plan_of

BLOCK_S = 0.125  # a power of two: times are exact
RATE_HZ = 1000.0

NOWHERE = LoopView(
    sample_index=0,
    time_s=0.0,
    are_followed=False,
    are_known=False,
    are_locked=False,
    amplitudes_m=dict.fromkeys(ModeId, 0.0),
    difference_sigma_hz=None,
    tick_s=BLOCK_S,
    differences_hz=(),
    release_refusal=lambda mode: "",
    pump_state=PumpState.OFF,
    is_pump_over=False,
)
LOCKED = replace(
    NOWHERE,
    are_followed=True,
    are_known=True,
    are_locked=True,
    amplitudes_m=dict.fromkeys(ModeId, 1.0e-9),
    difference_sigma_hz=1.0e-4,
)
UNKNOWN = replace(LOCKED, are_known=False, are_locked=False, difference_sigma_hz=None)
PUMPED = replace(LOCKED, pump_state=PumpState.ON)
MUTED = replace(LOCKED, pump_state=PumpState.MUTED)
OVER = replace(LOCKED, is_pump_over=True)


@dataclass
class Played:
    """A protocol that is shown one view after the other."""

    runner: ProtocolRunner
    time_s: float = 0.0
    sections: list[Section] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    requests: list[Request] = field(default_factory=list)

    def see(self, view: LoopView, *requests: Request, blocks: int = 1) -> ProtocolStep:
        """Go on by some blocks that all show the same."""
        for _ in range(blocks):
            self.time_s += BLOCK_S
            now = replace(view, time_s=self.time_s, sample_index=round(self.time_s * RATE_HZ))
            step = self.runner.process(now, requests)
            self.sections += step.sections
            self.events += step.events
            self.requests += step.requests
        return step

    @property
    def kinds(self) -> list[str]:
        """Kinds of the sections, in order."""
        return [section.kind for section in self.sections]

    def said(self, kind: str) -> list[str]:
        """Texts of the events of a kind."""
        return [event.text for event in self.events if event.kind == kind]


def played(*steps: Mapping[str, Any], **tables: Any) -> Played:
    """A protocol of these steps, from the first one on, without find and lock."""
    plan = plan_of(*steps, ready=False, **tables)
    return Played(ProtocolRunner.of(plan, loop_settings()))


def operator(kind: RequestKind) -> Request:
    """What an operator asks."""
    return Request(kind=kind)


HOLD = {"step": "hold", "duration_s": 1.0}
WAIT = {"step": "wait", "duration_s": 1.0}
RING_UP = {"step": "ring_up", "mode": "upper", "amplitude_m": 1.0e-9}
PUMP_ON = {"step": "pump_on", "amplitude": 0.3}
SHORT_PUMP = PUMP_ON | {"duration_s": 2.0}
