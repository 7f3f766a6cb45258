"""Joint estimates of a simulated room, for the tests of their parts."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from controller.tracking.joint import JointEstimate, JointEstimator, JointReading
from controller.tracking.joint_bank import Strengths
from controller.tracking.joint_motion import PumpAction
from controller.tracking.joint_prior import JointConfig
from tests.support.phases import Room, phases_of

TICK_S = 0.1
ROOM = Room()
NOISE_TURNS2 = ROOM.noise_turns2_s / TICK_S
CONFIG = JointConfig(
    lower_reference_hz=1.043e6,
    upper_reference_hz=1.050e6,
    frequency_sigma_hz=0.2,
    strengths=Strengths(
        shared_walk=ROOM.shared_walk,
        separate_walk=sum(walk**2 for walk in ROOM.walks_hz_per_root_s),
    ),
)
REFERENCE_HZ = CONFIG.upper_reference_hz - CONFIG.lower_reference_hz
PHASES = phases_of(ROOM, TICK_S, 700, seed=3)


def reading(
    lower_turns: float | None,
    upper_turns: float | None,
    diffusion_turns2_per_s: float = ROOM.diffusion_turns2_per_s,
) -> JointReading:
    """Phases with the room's noise and diffusion."""
    return JointReading(
        lower_turns=lower_turns,
        lower_variance_turns2=NOISE_TURNS2,
        upper_turns=upper_turns,
        upper_variance_turns2=NOISE_TURNS2,
        lower_diffusion_turns2_per_s=diffusion_turns2_per_s,
        upper_diffusion_turns2_per_s=diffusion_turns2_per_s,
    )


NOTHING = reading(None, None)


def fed(made: JointEstimator, turns: Iterable[np.ndarray]) -> list[JointEstimate]:
    """Estimates from pairs of phases, one a tick, without a pump."""
    return [made.process(TICK_S, reading(*pair), PumpAction()) for pair in turns]


def settled(ticks: int = 400) -> JointEstimator:
    """An estimator that has seen the first ticks of PHASES."""
    made = JointEstimator(CONFIG)
    fed(made, PHASES.turns.T[:ticks])
    return made


def is_right(estimate: JointEstimate, ticks: int) -> bool:
    """Whether the difference after some ticks of PHASES is within four sigmas."""
    error_hz = estimate.difference_hz - REFERENCE_HZ - PHASES.difference_hz[ticks - 1]
    return abs(error_hz) < 4.0 * estimate.difference_sigma_hz
