"""The joint estimate of the difference against its limit.

The limit is the steady state of the optimal filter with all strengths known
(`controller.tracking.limits`, itself checked by scipy.linalg.solve_discrete_are
and random runs in test_loop_limits). The phases come from plain numpy: a shared
Ornstein-Uhlenbeck drift, a walk of each mode, phase diffusion, white noise.

1.10 and 1.25 are what this program promises; the estimator sees means over a
tenth of a second, the limit a phase every 5 ms.
"""

import functools
import math

import numpy as np
import pytest
from scipy.stats import chi2

from controller.tracking.joint import (
    JointEstimate,
    JointEstimator,
    JointReading,
)
from controller.tracking.joint_bank import Strengths
from controller.tracking.joint_motion import PumpAction
from controller.tracking.joint_prior import JointConfig
from controller.tracking.limits import (
    DifferenceModel,
    SharedDrift,
    independent_difference_limit_hz,
    joint_limits,
)
from controller.tracking.phase_model import PhaseModel
from tests.support.phases import Phases, Room, phases_of

TICK_S = 0.1
TWO_PI = 2.0 * math.pi
ROOM = Room()
SEPARATE_WALK = math.hypot(*ROOM.walks_hz_per_root_s)
# Time constant of the difference's filter: sqrt(frequency noise / walk), 1.2 s.
FILTER_S = math.sqrt(2.0 * ROOM.diffusion_turns2_per_s) / SEPARATE_WALK
CHANCE = 1.0e-3


def model(update_s: float = 5.0e-3) -> DifferenceModel:
    """What the limits are computed from."""
    lower, upper = (
        PhaseModel(
            update_s=update_s,
            phase_noise_rad2_s=ROOM.noise_turns2_s * TWO_PI**2,
            phase_diffusion_rad2_per_s=ROOM.diffusion_turns2_per_s * TWO_PI**2,
            frequency_walk_hz_per_root_s=walk,
        )
        for walk in ROOM.walks_hz_per_root_s
    )
    drift = SharedDrift(
        sigma_k=ROOM.shared_sigma_hz,
        time_s=ROOM.shared_time_s,
        lower_hz_per_k=1.0,
        upper_hz_per_k=ROOM.ratio,
    )
    return DifferenceModel(lower=lower, upper=upper, shared_drifts=(drift,))


def estimator(
    shared_off: float = 1.0, separate_off: float = 1.0, *, learns: bool = False
) -> JointEstimator:
    return JointEstimator(
        JointConfig(
            lower_reference_hz=1.043e6,
            upper_reference_hz=1.050e6,
            frequency_sigma_hz=0.2,
            strengths=Strengths(
                shared_walk=ROOM.shared_walk * shared_off**2,
                separate_walk=(SEPARATE_WALK * separate_off) ** 2,
            ),
            learnt=(learns,) * 4,
        )
    )


def estimates(made: JointEstimator, phases: Phases) -> list[JointEstimate]:
    noise = ROOM.noise_turns2_s / TICK_S
    diffusion = ROOM.diffusion_turns2_per_s
    return [
        made.process(
            TICK_S,
            JointReading(
                lower_turns=lower,
                lower_variance_turns2=noise,
                upper_turns=upper,
                upper_variance_turns2=noise,
                lower_diffusion_turns2_per_s=diffusion,
                upper_diffusion_turns2_per_s=diffusion,
            ),
            PumpAction(),
        )
        for lower, upper in phases.turns.T
    ]


class Run:
    """One seed: errors of the estimates that count, and what they claim."""

    def __init__(self, made: JointEstimator, seed: int, ticks: int, counted: int) -> None:
        phases = phases_of(ROOM, TICK_S, ticks, seed)
        self.estimates = estimates(made, phases)[-counted:]
        config = made.config
        self.lower_errors_hz = (
            np.array([e.lower_hz for e in self.estimates])
            - config.lower_reference_hz
            - phases.frequencies_hz[0, -counted:]
        )
        self.errors_hz = (
            np.array([e.difference_hz for e in self.estimates])
            - (config.upper_reference_hz - config.lower_reference_hz)
            - phases.difference_hz[-counted:]
        )
        self.sigmas_hz = np.array([e.difference_sigma_hz for e in self.estimates])
        self.lower_sigmas_hz = np.array([e.lower_sigma_hz for e in self.estimates])


def rms(values: np.ndarray) -> float:
    return math.sqrt(float(np.mean(np.square(values))))


KNOWN_SEEDS, KNOWN_TICKS, KNOWN_COUNTED = 12, 1200, 900


@functools.cache
def known_runs() -> tuple[Run, ...]:
    """Strengths known; the ratio of the drifts is learnt, as always."""
    return tuple(Run(estimator(), seed, KNOWN_TICKS, KNOWN_COUNTED) for seed in range(KNOWN_SEEDS))


def test_known_strengths_come_within_a_tenth_of_the_limit() -> None:
    errors_hz = np.concatenate([run.errors_hz for run in known_runs()])
    limit_hz = joint_limits(model()).difference_hz
    # Errors are alike over twice the filter's time: some 450 of them count.
    independent = len(errors_hz) * TICK_S / (2.0 * FILTER_S)
    assert rms(errors_hz) < 1.10 * limit_hz
    # Better than the bound would be a fault of the test.
    assert rms(errors_hz) > (1.0 - 3.0 / math.sqrt(2.0 * independent)) * limit_hz


def test_it_is_several_times_better_than_two_filters_on_their_own() -> None:
    errors_hz = np.concatenate([run.errors_hz for run in known_runs()])
    assert rms(errors_hz) < independent_difference_limit_hz(model()) / 3.0


@pytest.mark.parametrize("mode", ["difference", "lower"])
def test_stated_sigmas_are_right(mode: str) -> None:
    """Squared errors over stated variances, thinned until they are independent."""
    apart = round(6.0 * FILTER_S / TICK_S)  # correlation e^-6
    squares = []
    for run in known_runs():
        errors = run.errors_hz if mode == "difference" else run.lower_errors_hz
        sigmas = run.sigmas_hz if mode == "difference" else run.lower_sigmas_hz
        squares.append((errors / sigmas)[::apart] ** 2)
    together = np.concatenate(squares)
    low, high = chi2.ppf([CHANCE / 2, 1 - CHANCE / 2], len(together))
    assert low < together.sum() < high


def test_the_ratio_of_the_drifts_is_learnt_within_its_sigma() -> None:
    last = [run.estimates[-1] for run in known_runs()]
    squares = [((e.drift_ratio - ROOM.ratio) / e.drift_ratio_sigma) ** 2 for e in last]
    low, high = chi2.ppf([CHANCE / 2, 1 - CHANCE / 2], len(squares))
    assert low < sum(squares) < high
    assert all(e.drift_ratio_sigma < 0.2 * estimator().config.drift_ratio_sigma for e in last)


LEARNT_TICKS, LEARNT_COUNTED = 2400, 1200
STARTS = [(0.1, 0.1), (10.0, 10.0), (0.1, 10.0), (10.0, 0.1)]


@functools.cache
def learnt_runs() -> tuple[Run, ...]:
    """Strengths of both walks off by ten either way at the start, learnt for two minutes."""
    return tuple(
        Run(estimator(*STARTS[seed % 4], learns=True), seed, LEARNT_TICKS, LEARNT_COUNTED)
        for seed in range(12)
    )


def test_learnt_strengths_come_within_a_quarter_of_the_limit() -> None:
    errors_hz = np.concatenate([run.errors_hz for run in learnt_runs()])
    assert rms(errors_hz) < 1.25 * joint_limits(model()).difference_hz


def test_sigmas_with_learnt_strengths_are_right_to_a_quarter() -> None:
    """Two minutes tell a walk that acts over 1.2 s to about 15 %, its sigma to half of that."""
    squares = np.concatenate([(run.errors_hz / run.sigmas_hz) ** 2 for run in learnt_runs()])
    assert 0.75**2 < squares.mean() < 1.25**2


@pytest.mark.parametrize("start", range(4))
def test_learnt_strengths_are_right_within_a_member_of_the_bank(start: int) -> None:
    """A factor 2 in rms for the separate walk, 1.4 for the shared one."""
    for run in learnt_runs()[start::4]:
        last = run.estimates[-1]
        assert 0.5 < last.separate_walk_hz_per_root_s / SEPARATE_WALK < 2.0
        assert 0.7 < last.shared_walk_hz_per_root_s / math.sqrt(ROOM.shared_walk) < 1.42
        assert last.diffusion_scale == pytest.approx(1.0, rel=0.2)
