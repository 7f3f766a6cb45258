"""What speaks against a tracker, the joint estimate or the observer at one moment."""

from __future__ import annotations

import math

from controller.records import ModeId
from controller.supervisor.live_difference import HEALTHY_RATIO
from controller.tracking.pair import Tick, TrackedPair
from controller.tracking.phase_tracker import GATE_SIGMAS, PhaseTracker

# A phase that goes off at such a rate within an update of 20 ms, by 0.05 rad, jumped by some
# 0.4 Hz, which is tens of lines: the loop may follow, but the pump was wrong for that long.
JUMP_RAD_PER_S = 2.5
LARGEST_JUMP_RAD = 0.5  # of a slow update; the tracker's own gate is little above
# A joint estimate that contradicts the two loops that feed it, or knows so much less than
# they do, keeps the pump off. In good order the two differ by up to 2.5 sigma of both.
CONTRADICTION_SIGMAS = 6.0
LESS_KNOWN_RATIO = 10.0
# Four readings fit with 4; an update that fits so much worse than that was no noise.
SURPRISE_INNOVATION2 = 1.0e3


def doubt_of_estimate(tick: Tick, pair: TrackedPair) -> str:
    """Why the joint estimate cannot be what the two loops see; empty if it can."""
    lower, upper = (tick.modes[mode] for mode in ModeId)
    loops_hz = upper.frequency_hz - lower.frequency_hz
    loops_sigma_hz = math.hypot(
        lower.frequency_sigma_hz,
        upper.frequency_sigma_hz,
        *(pair.joint.pull_sigma_hz(mode) for mode in ModeId),
    )
    apart_hz = abs(tick.joint.difference_hz - loops_hz)
    sigma_hz = math.hypot(loops_sigma_hz, tick.joint.difference_sigma_hz)
    if not apart_hz <= CONTRADICTION_SIGMAS * sigma_hz:
        return f"the joint estimate and the loops disagree by {apart_hz:.3g} Hz"
    if tick.joint.tracked_sigma_hz > LESS_KNOWN_RATIO * loops_sigma_hz:
        return "the joint estimate knows less than the loops"
    return ""


def doubts_of_observer(pair: TrackedPair) -> tuple[str, ...]:
    """What speaks against the observer now."""
    observed = pair.last_observed
    if observed is None or pair.observer is None:
        return ("the observer has seen nothing yet",)
    if observed.innovation2 > SURPRISE_INNOVATION2:
        return (f"the observer is surprised: innovation squared {observed.innovation2:.3g}",)
    if pair.observer.innovation_ratio >= HEALTHY_RATIO:
        return (f"the observer's innovations are {pair.observer.innovation_ratio:.3g} fold",)
    return ()


def has_jumped(tracker: PhaseTracker) -> bool:
    """Whether a locked tracker met its line with a phase that noise cannot explain."""
    noise_rad = tracker.quadrature_sigma / max(tracker.amplitude, tracker.quadrature_sigma)
    sigma_rad = math.hypot(tracker.phase_sigma_rad, noise_rad)
    jump_rad = min(JUMP_RAD_PER_S * tracker.config.update_s, LARGEST_JUMP_RAD)
    return abs(tracker.phase_error_rad) > max(jump_rad, GATE_SIGMAS * sigma_rad)
