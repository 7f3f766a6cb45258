"""The simulated membrane with a schedule of faults: an instrument for a soak."""

from __future__ import annotations

import cmath
from collections import deque
from dataclasses import replace
from typing import Any

from controller.instrument import SampleBlock, StreamTimeout, Tone, ToneRefused
from hardware_sim.simulator import SimulatedMembrane
from tests.support.fault_schedule import (
    KNOCK_RAD,
    Fault,
    FaultKind,
    schedule,
    simulator_options,
)

# Late by less than what the interlock leaves: 25 ms of its 50 are block and ramp.
LATE_S = 0.01
DONE_HERE = (FaultKind.TIMEOUT, FaultKind.REFUSED, FaultKind.LATE, FaultKind.KNOCK)


class FaultyMembrane(SimulatedMembrane):
    """Goes wrong as a schedule says.

    Parameters
    ----------
    schedule_seed, fault_count, stream_s
        As for `schedule`.
    **options
        As for the simulated membrane.
    """

    def __init__(
        self, schedule_seed: int, fault_count: int, stream_s: float, **options: Any
    ) -> None:
        faults = schedule(schedule_seed, fault_count, stream_s)
        more = simulator_options(faults)
        detector = {**options.pop("detector", {}), "gain_flips_at_s": more["flips_at_s"]}
        super().__init__(detector=detector, faults=more["faults"], **options)
        self._waiting = {
            kind: deque(fault for fault in faults if fault.kind is kind) for kind in DONE_HERE
        }

    def read(self, timeout_s: float) -> SampleBlock:
        """The next block, or none."""
        if self._is_due(FaultKind.TIMEOUT):
            raise StreamTimeout("the schedule says so")
        if self._is_due(FaultKind.KNOCK):
            membrane = self._apparatus.membrane
            for mode, sign in ((membrane.lower, 1.0), (membrane.upper, -1.0)):
                mode.amplitude_m *= cmath.rect(0.8, sign * KNOCK_RAD)
        return super().read(timeout_s)

    def set_tone(self, tone: Tone) -> Tone:
        """Set a tone, refuse it, or set it later."""
        if tone.channel == "pump":
            if self._is_due(FaultKind.REFUSED):
                raise ToneRefused("the schedule says so")
            if self._is_due(FaultKind.LATE):
                earliest = self._position + self.tones["pump"].latency_samples
                later = max(tone.at_sample, earliest) + round(LATE_S * self._rate)
                return super().set_tone(replace(tone, at_sample=later))
        return super().set_tone(tone)

    def _is_due(self, kind: FaultKind) -> Fault | None:
        """The next fault of a kind, once its time has come."""
        waiting = self._waiting[kind]
        if waiting and waiting[0].at_s * self._rate <= self._position:
            return waiting.popleft()
        return None
