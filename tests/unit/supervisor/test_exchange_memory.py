"""What one exchange taught comes to the next one as exact inference would have it."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from controller.records import ModeId
from controller.supervisor.exchange_memory import (
    ExchangeMemory,
    difference_duffing_hz,
    first_learnt,
)
from controller.tracking.joint import DifferenceKnowledge
from controller.tracking.observer import Learnt, ObserverConfig
from controller.tracking.observer_states import (
    ASYMMETRY,
    COUPLING,
    LEARNT,
    LOWER_CROSS,
    LOWER_SELF,
    QUADRATURE,
    SHIFT_DIFFERENCE,
    UPPER_CROSS,
    UPPER_SELF,
)

RATE_HZ = 1000.0
WALK = 3.0e-5  # Hz per root second
SQUARED = 0.25  # pump amplitude squared while it is on
DIFFERENCE, RATIO, SHIFT = 0, 1, LEARNT.index(SHIFT_DIFFERENCE)
REFERENCES_HZ = {ModeId.LOWER: 1.0e6, ModeId.UPPER: 1.006e6}
AMPLITUDE = 0.05


def known(
    mean: np.ndarray, covariance: np.ndarray, lower_hz: float, powers: np.ndarray | None = None
) -> SimpleNamespace:
    """A joint estimate that knows difference and ratio, and maybe Duffing terms."""
    more, told = 4 - len(mean), []
    return SimpleNamespace(
        told=told,
        learn_coupling=lambda *news: told.append(news),
        knowledge=lambda: DifferenceKnowledge(
            mean=np.pad(mean, (0, more)),
            covariance=np.pad(covariance, (0, more)),
            lower_hz=lower_hz,
            powers=np.full(2, AMPLITUDE**2) if powers is None else powers,
        ),
        estimate=lambda: SimpleNamespace(separate_walk_hz_per_root_s=WALK),
    )


NOTHING = Learnt(
    values=np.zeros(len(LEARNT)),
    covariance=np.zeros((len(LEARNT),) * 2),
    lower_hz=0.0,
    start_powers=np.zeros(2),
)
STATED_ASYMMETRY = 0.04


def pair_of(
    joint: SimpleNamespace, learnt: Learnt | None = NOTHING, innovation_ratio: float = 0.6
) -> SimpleNamespace:
    """What the memory asks of a pair; without an observer where nothing is learnt."""
    observer = SimpleNamespace(
        learnt=lambda: learnt,
        innovation_ratio=innovation_ratio,
        config=SimpleNamespace(asymmetry=STATED_ASYMMETRY),
    )
    return SimpleNamespace(
        joint=joint,
        observer=None if learnt is None else observer,
        mix_hz=REFERENCES_HZ.__getitem__,
    )


def corrected(mean: np.ndarray, covariance: np.ndarray, row: np.ndarray, value: float, var: float):
    """A Kalman update by one reading."""
    gain = covariance @ row / (row @ covariance @ row + var)
    return mean + gain * (value - row @ mean), covariance - np.outer(gain, row @ covariance)


START_MEAN = np.array([6000.001, 6.0e-3])
START_COVARIANCE = np.array([[4.0e-7, 2.0e-7], [2.0e-7, 4.0e-6]])
DRIFT_HZ = 0.08  # of the lower mode from the end of the exchange to the next one


def exchange() -> tuple[Learnt, np.ndarray, np.ndarray]:
    """An observer that saw difference and shift together, far better than either."""
    mean, covariance = np.zeros(len(LEARNT)), np.zeros((len(LEARNT),) * 2)
    mean[:2], covariance[:2, :2] = START_MEAN, START_COVARIANCE
    covariance[SHIFT, SHIFT] = 0.07**2
    row = np.zeros(len(LEARNT))
    row[DIFFERENCE], row[SHIFT] = 1.0, SQUARED
    covariance[DIFFERENCE, DIFFERENCE] += WALK**2 * 40.0
    mean, covariance = corrected(mean, covariance, row, 6000.0035, 1.0e-8)
    values = mean.copy()
    values[DIFFERENCE] -= REFERENCES_HZ[ModeId.UPPER] - REFERENCES_HZ[ModeId.LOWER]
    learnt = Learnt(
        values=values,
        covariance=covariance,
        lower_hz=0.2,
        start_powers=np.full(2, AMPLITUDE**2),
    )
    return learnt, mean, covariance


def test_difference_and_shift_stay_tied_and_news_counts_once() -> None:
    """Against a filter that saw everything in its order: the joint's news as one reading."""
    learnt, mean, covariance = exchange()
    memory = ExchangeMemory(RATE_HZ)
    memory.note_start(pair_of(known(START_MEAN, START_COVARIANCE, 1.0e6 + 0.2)), 0)
    memory.note_end(pair_of(known(START_MEAN, START_COVARIANCE, 0.0), learnt), 40_000)

    reading, variance, row = 6000.0017, 3.0e-7, np.array([1.0, 0.03])
    moved = np.array([[1.0, DRIFT_HZ], [0.0, 1.0]])
    joint_covariance = moved @ START_COVARIANCE @ moved.T
    joint_covariance[0, 0] += WALK**2 * 100.0
    joint_mean, joint_covariance = corrected(
        moved @ START_MEAN, joint_covariance, row, reading, variance
    )
    later = pair_of(known(joint_mean, joint_covariance, 1.0e6 + 0.2 + DRIFT_HZ))
    recalled = memory.recall(later, 100_000)

    step, long_row = np.eye(len(LEARNT)), np.zeros(len(LEARNT))
    step[:2, :2], long_row[:2] = moved, row
    covariance = step @ covariance @ step.T
    covariance[0, 0] += WALK**2 * 60.0
    expected, covariance = corrected(step @ mean, covariance, long_row, reading, variance)
    expected[DIFFERENCE] -= 6000.0
    assert recalled is not None
    assert recalled.values == pytest.approx(expected, abs=1e-9)
    assert recalled.covariance == pytest.approx(covariance, abs=1e-12)
    with_pump = np.zeros(len(LEARNT))
    with_pump[DIFFERENCE], with_pump[SHIFT] = 1.0, SQUARED
    together = (with_pump @ recalled.covariance @ with_pump) ** 0.5
    assert together < 0.7 * recalled.covariance[DIFFERENCE, DIFFERENCE] ** 0.5


def test_without_news_nothing_is_gained() -> None:
    learnt, _, covariance = exchange()
    memory = ExchangeMemory(RATE_HZ)
    start = known(START_MEAN, START_COVARIANCE, 1.0e6 + 0.2)
    memory.note_start(pair_of(start), 0)
    memory.note_end(pair_of(start, learnt), 40_000)
    foretold = START_COVARIANCE + np.diag([WALK**2 * 40.0, 0.0])
    recalled = memory.recall(pair_of(known(START_MEAN, foretold, 1.0e6 + 0.2)), 40_000)
    assert recalled is not None
    assert recalled.covariance == pytest.approx(covariance, rel=1e-6, abs=1e-15)


@pytest.mark.parametrize("cause", ["forgotten", "jumped"])
def test_a_difference_that_jumped_or_was_lost_comes_from_the_joint_estimate(cause: str) -> None:
    learnt, _, _ = exchange()
    memory = ExchangeMemory(RATE_HZ)
    memory.note_start(pair_of(known(START_MEAN, START_COVARIANCE, 1.0e6)), 0)
    memory.note_end(pair_of(known(START_MEAN, START_COVARIANCE, 1.0e6), learnt), 40_000)
    mean = START_MEAN + np.array([1.0 if cause == "jumped" else 0.0, 0.0])
    if cause == "forgotten":
        memory.begin_again(known(mean, START_COVARIANCE, 1.0e6))
    recalled = memory.recall(pair_of(known(mean, START_COVARIANCE, 1.0e6)), 100_000)
    assert recalled is not None
    assert recalled.values[:2] == pytest.approx(mean - [6000.0, 0.0])
    assert recalled.covariance[:2, :2] == pytest.approx(START_COVARIANCE, rel=1e-12)
    assert not recalled.covariance[:2, 2:].any()
    assert recalled.values[SHIFT] == learnt.values[SHIFT]


def test_other_amplitudes_move_the_difference_by_what_duffing_terms_say() -> None:
    learnt, _, _ = exchange()
    learnt.values[[LEARNT.index(LOWER_SELF), LEARNT.index(UPPER_SELF)]] = 0.5, 0.9
    smaller = Learnt(
        values=learnt.values,
        covariance=learnt.covariance,
        lower_hz=learnt.lower_hz,
        start_powers=np.zeros(2),
    )
    means = []
    for start in (learnt, smaller):
        memory = ExchangeMemory(RATE_HZ)
        joint = known(START_MEAN, START_COVARIANCE * 1.0e6, 1.0e6 + 0.2)
        memory.note_start(pair_of(joint), 0)
        memory.note_end(pair_of(joint, start), 40_000)
        recalled = memory.recall(pair_of(joint), 40_000)
        assert recalled is not None
        means.append(recalled.values[DIFFERENCE])
    assert means[1] - means[0] == pytest.approx((0.9 - 0.5) * AMPLITUDE**2, rel=0.05)


def test_before_the_first_exchange_there_is_nothing() -> None:
    memory = ExchangeMemory(RATE_HZ)
    joint = known(START_MEAN, START_COVARIANCE, 1.0e6)
    memory.note_end(pair_of(joint, None), 10)
    assert memory.recall(pair_of(joint, None), 20) is None


# -- Duffing terms -------------------------------------------------------------------------

DUFFING = [LEARNT.index(place) for place in (LOWER_SELF, LOWER_CROSS, UPPER_SELF, UPPER_CROSS)]
DUFFING_HZ, DUFFING_SIGMA_HZ = (2.0, 1.2, 2.5, 1.4), 0.2  # per sample unit^2
CONFIG = ObserverConfig(
    scale=AMPLITUDE,
    detector_noise=(1e-6, 1e-6),
    thermal_amplitude=(1e-4, 1e-4),
    decay_rate_per_s=(0.1, 0.1),
    decay_rate_sigma=0.3,
    frequency_hz=(0.0, START_MEAN[0] - 6000.0),
    frequency_sigma_hz=(1e-3, START_COVARIANCE[0, 0] ** 0.5),
    ratio=START_MEAN[1],
    ratio_sigma=START_COVARIANCE[1, 1] ** 0.5,
    shift_hz=(0.0, 0.0),
    shift_sigma_hz=(0.05, 0.07),
    coupling_hz=0.1 + 0j,
    coupling_sigma_hz=0.01,
    asymmetry=0.0,
    asymmetry_sigma=0.01,
    shared_walk_hz_per_root_s=1e-3,
    separate_walk_hz_per_root_s=WALK,
    duffing_hz=DUFFING_HZ,
    duffing_sigma_hz=DUFFING_SIGMA_HZ,
)
ROWS = np.zeros((4, len(LEARNT)))  # difference, ratio, Duffing terms by lower and upper
ROWS[0, DIFFERENCE] = ROWS[1, RATIO] = 1.0
ROWS[2, DUFFING], ROWS[3, DUFFING] = (-1.0, 0.0, 0.0, 1.0), (0.0, -1.0, 1.0, 0.0)


def test_the_difference_shifts_by_what_the_modes_shift_apart() -> None:
    assert difference_duffing_hz(DUFFING_HZ) == pytest.approx((1.4 - 2.0, 2.5 - 1.2))


def with_duffing() -> tuple[np.ndarray, np.ndarray]:
    """What a joint estimate begins with: difference, ratio and both Duffing terms."""
    mean = np.array([*START_MEAN, *difference_duffing_hz(DUFFING_HZ)])
    covariance = np.diag([0.0, 0.0, 2.0 * DUFFING_SIGMA_HZ**2, 2.0 * DUFFING_SIGMA_HZ**2])
    covariance[:2, :2] = START_COVARIANCE
    return mean, covariance


def test_the_first_observer_begins_with_what_the_joint_estimate_learnt() -> None:
    """Against a Kalman filter over all that an observer knows, from one reading."""
    mean, covariance = with_duffing()
    row, reading, variance = np.array([1.0, 0.0, AMPLITUDE**2, -(AMPLITUDE**2)]), 5999.999, 1e-8
    learnt = first_learnt(
        CONFIG, pair_of(known(*corrected(mean, covariance, row, reading, variance), 1.0e6))
    )
    prior, across = np.zeros(len(LEARNT)), np.diag(learnt.covariance.diagonal())
    prior[:2], prior[DUFFING] = START_MEAN, DUFFING_HZ
    across[:2, :2] = START_COVARIANCE
    across[DUFFING, DUFFING] = DUFFING_SIGMA_HZ**2
    expected, across = corrected(prior, across, row @ ROWS, reading, variance)
    expected[DIFFERENCE] -= 6000.0
    seen = [DIFFERENCE, RATIO, *DUFFING]
    assert learnt.values[seen] == pytest.approx(expected[seen], abs=1e-10)
    block = np.ix_(seen, seen)
    assert learnt.covariance[block] == pytest.approx(across[block], rel=1e-6, abs=1e-12)


def test_without_duffing_terms_the_first_observer_knows_of_none() -> None:
    config = replace(CONFIG, duffing_hz=4 * (0.0,), duffing_sigma_hz=0.0)
    learnt = first_learnt(config, pair_of(known(START_MEAN, START_COVARIANCE, 1.0e6)))
    assert learnt.values[:2] == pytest.approx(START_MEAN - [6000.0, 0.0])
    assert learnt.covariance[:2, :2] == pytest.approx(START_COVARIANCE)
    assert not learnt.values[DUFFING].any() and not learnt.covariance[DUFFING].any()


def test_what_amplitudes_taught_between_exchanges_is_taken_over() -> None:
    """A fall of the lower mode that the joint estimate saw, against a filter that saw it all."""
    start_mean, start_covariance = with_duffing()
    values, covariance = np.zeros(len(LEARNT)), np.zeros((len(LEARNT),) * 2)
    covariance[np.ix_([0, 1], [0, 1])] = START_COVARIANCE
    values[:2], values[DUFFING] = START_MEAN - [6000.0, 0.0], DUFFING_HZ
    covariance[DUFFING, DUFFING] = DUFFING_SIGMA_HZ**2
    both = np.full(2, AMPLITUDE**2)
    learnt = Learnt(values=values, covariance=covariance, lower_hz=0.0, start_powers=both)
    memory, before = ExchangeMemory(RATE_HZ), known(start_mean, start_covariance, 1.0e6)
    memory.note_start(pair_of(before), 0)
    memory.note_end(pair_of(before, learnt), 0)

    fallen = np.array([0.1, 1.0]) * AMPLITUDE**2
    step = np.eye(4)
    step[0, 2:] = fallen - both
    reading, variance = 6000.0025, 2.0e-8
    now = corrected(
        step @ start_mean, step @ start_covariance @ step.T, np.eye(4)[0], reading, variance
    )
    recalled = memory.recall(pair_of(known(*now, 1.0e6, fallen)), 0)

    step = np.eye(len(LEARNT))
    step[DIFFERENCE] += (fallen - both) @ ROWS[2:]
    expected, across = corrected(
        step @ values, step @ covariance @ step.T, ROWS[0], reading - 6000.0, variance
    )
    assert recalled is not None
    assert recalled.values == pytest.approx(expected, abs=1e-8)
    assert recalled.covariance == pytest.approx(across, rel=1e-5, abs=1e-12)
    assert recalled.covariance[DUFFING[0], DUFFING[0]] < 0.8 * DUFFING_SIGMA_HZ**2


# -- the coupling ----------------------------------------------------------------------------

COUPLED = [LEARNT.index(place) for place in (COUPLING, QUADRATURE, ASYMMETRY)]
PRIOR, PRIOR_SIGMAS = np.array([0.1, 0.0, STATED_ASYMMETRY]), np.array([5e-3, 5e-3, 0.02])


def coupled(values: np.ndarray, covariance: np.ndarray) -> Learnt:
    """An observer that knows the coupling, and nothing else."""
    whole = np.zeros((len(LEARNT),) * 2)
    whole[np.ix_(COUPLED, COUPLED)] = covariance
    known_values = np.zeros(len(LEARNT))
    known_values[COUPLED] = values
    return replace(NOTHING, values=known_values, covariance=whole)


BEGUN = coupled(PRIOR, np.diag(PRIOR_SIGMAS**2))
SEEN = coupled(*corrected(PRIOR, np.diag(PRIOR_SIGMAS**2), np.array([1.0, 0.3, 0.5]), 0.11, 1e-8))


def after_an_exchange(innovation_ratio: float = 0.6) -> tuple[ExchangeMemory, SimpleNamespace]:
    """The memory, and the joint estimate beside it, once an observer has seen one direction."""
    memory, joint = ExchangeMemory(RATE_HZ), known(START_MEAN, START_COVARIANCE, 1.0e6)
    memory.note_start(pair_of(joint, BEGUN), 0)
    memory.note_end(pair_of(joint, SEEN, innovation_ratio), 1000)
    return memory, joint


def test_the_joint_estimate_is_told_of_the_coupling_what_the_observer_has_seen() -> None:
    """News, taken in by one who knew the same, lead to what the observer knows.

    But for a thousandth of the coupling, to which nothing is known.
    """
    _, joint = after_an_exchange()
    mean, covariance = PRIOR - [0.0, 0.0, STATED_ASYMMETRY], np.diag(PRIOR_SIGMAS**2)
    for axis, reading, variance in joint.told:
        mean, covariance = corrected(mean, covariance, axis, reading, variance)
    seen = SEEN.values[COUPLED] - [0.0, 0.0, STATED_ASYMMETRY]
    least = 1e-3 * np.array([np.hypot(*seen[:2]), np.hypot(*seen[:2]), 1.0])
    expected = SEEN.covariance[np.ix_(COUPLED, COUPLED)] + np.diag(least**2)
    assert np.all(np.diag(covariance) <= np.diag(expected) * (1.0 + 1e-9))
    along = np.array([1.0, 0.3, 0.5])
    assert along @ covariance @ along == pytest.approx(along @ expected @ along, rel=1e-3)
    assert np.all(np.abs(mean - seen) < 1e-2 * PRIOR_SIGMAS)


def test_it_is_told_once_and_a_new_joint_estimate_all_of_it() -> None:
    memory, joint = after_an_exchange()
    told = list(joint.told)
    memory.note_end(pair_of(joint, SEEN), 2000)
    assert len(joint.told) == len(told) > 0
    new = known(START_MEAN, START_COVARIANCE, 1.0e6)
    memory.begin_again(new)
    assert new.told == told


def test_an_observer_that_was_surprised_again_and_again_tells_nothing() -> None:
    _, joint = after_an_exchange(innovation_ratio=4.0)
    assert not joint.told
