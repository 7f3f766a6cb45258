"""What one exchange taught, for the next one.

An observer sees the difference with the pump on far better than it can say how much
of it is the pump's shift or a Duffing shift: their errors hang together. When the next
observer begins, it begins with that knowledge, carried on by the drift since then, and
with what the joint estimate has learnt of difference and drift ratio in the meantime.
What the joint estimate knew before is in the observer's knowledge already and must not
count twice: it is taken out of what the joint estimate knows now. The other way round, the
joint estimate takes over what an exchange told of the coupling: while both modes are driven
its pull cannot be told from a shift of the pump.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import scipy.linalg

from controller.records import ModeId
from controller.tracking.joint import DifferenceKnowledge, JointEstimator
from controller.tracking.observer import Learnt, Observer, ObserverConfig
from controller.tracking.observer_states import (
    ASYMMETRY,
    COUPLING,
    LEARNT,
    LOWER_CROSS,
    LOWER_SELF,
    QUADRATURE,
    UPPER_CROSS,
    UPPER_SELF,
)
from controller.tracking.pair import TrackedPair

# Places in Learnt: the difference and the drift ratio come first.
DIFFERENCE, RATIO = 0, 1
# Beyond this the difference has jumped since then, and what was known of it is void.
MOST_SIGMAS = 4.0
# An observer whose readings surprised it so much on average had another model than the modes:
# the joint estimate takes nothing over from it.
MOST_INNOVATION_RATIO = 3.0
# Nothing is known of a coupling to better than that, relative (arbitrary, a tenth of what
# keeps a pull from being felt).
LEAST_COUPLING_SIGMA = 1.0e-3
COUPLED = [LEARNT.index(place) for place in (COUPLING, QUADRATURE, ASYMMETRY)]


def difference_duffing_hz(coefficients_hz: Sequence[float]) -> tuple[float, float]:
    """What shifts the difference by the squared amplitude of lower and upper mode.

    Parameters
    ----------
    coefficients_hz : sequence of float
        Lower by itself and by the upper, upper by itself and by the lower.

    Returns
    -------
    (float, float)
        In the same unit.
    """
    lower_self, lower_cross, upper_self, upper_cross = coefficients_hz
    return upper_cross - lower_self, upper_self - lower_cross


def _shared_rows() -> np.ndarray:
    """What the joint estimate knows, too, of what an observer learns, shape (4, learnt)."""
    rows = np.zeros((4, len(LEARNT)))
    rows[DIFFERENCE, DIFFERENCE] = rows[RATIO, RATIO] = 1.0
    duffing = [LEARNT.index(p) for p in (LOWER_SELF, LOWER_CROSS, UPPER_SELF, UPPER_CROSS)]
    rows[2:, duffing] = np.array([difference_duffing_hz(unit.tolist()) for unit in np.eye(4)]).T
    return rows


SHARED = _shared_rows()


def first_learnt(config: ObserverConfig, pair: TrackedPair) -> Learnt:
    """What the first observer begins with: the settings, and what the joint estimate knows.

    Parameters
    ----------
    config : ObserverConfig
        By the settings.
    pair : TrackedPair
        The modes, with their joint estimate.

    Returns
    -------
    Learnt
        Against the references of the pair.
    """
    prior, known = Observer(config).learnt(), pair.joint.knowledge()
    mean = known.mean.copy()
    mean[DIFFERENCE] -= _reference_difference_hz(pair)
    there = np.diag(SHARED @ prior.covariance @ SHARED.T) > 0.0
    rows, mean, covariance = SHARED[there], mean[there], known.covariance[np.ix_(there, there)]
    across = prior.covariance @ rows.T
    foretold = rows @ across
    gain = np.linalg.solve(foretold, across.T).T
    values = prior.values + gain @ (mean - rows @ prior.values)
    lost = gain @ (foretold - covariance) @ gain.T
    return replace(prior, values=values, covariance=prior.covariance - 0.5 * (lost + lost.T))


class ExchangeMemory:
    """Keeps what observers learnt, from exchange to exchange; owned by the engine."""

    def __init__(self, sample_rate_hz: float) -> None:
        self._rate_hz = sample_rate_hz
        # What the joint estimate knew as the exchange began, and when that was.
        self._before: DifferenceKnowledge | None = None
        self._before_index = 0
        self._learnt: Learnt | None = None  # its difference and lower frequency are absolute
        self._learnt_index = 0
        self._begun: Learnt | None = None  # what the observer began with
        # What observers told of the coupling: axis, reading along it and variance of each.
        self._told: list[tuple[np.ndarray, float, float]] = []

    def note_start(self, pair: TrackedPair, sample_index: int) -> None:
        """An observer begins: from here on it knows by itself."""
        assert pair.observer is not None
        self._begun = pair.observer.learnt()
        self._before, self._before_index = pair.joint.knowledge(), sample_index

    def note_end(self, pair: TrackedPair, sample_index: int) -> None:
        """The modes are driven again: keep what the observer knows, and tell it."""
        if pair.observer is None:
            return
        learnt = pair.observer.learnt()
        if self._begun is not None and pair.observer.innovation_ratio < MOST_INNOVATION_RATIO:
            told = list(_coupling_news(self._begun, learnt, pair.observer.config.asymmetry))
            self._told += told
            for axis, reading, variance in told:
                pair.joint.learn_coupling(axis, reading, variance)
        self._begun = None  # told once
        values = learnt.values.copy()
        values[DIFFERENCE] += _reference_difference_hz(pair)
        lower_hz = learnt.lower_hz + pair.mix_hz(ModeId.LOWER)
        self._learnt = replace(learnt, values=values, lower_hz=lower_hz)
        self._learnt_index = sample_index

    def begin_again(self, joint: JointEstimator) -> None:
        """The modes were lost: a new joint estimate is told what is known of the coupling."""
        self._before = self._begun = None
        for axis, reading, variance in self._told:
            joint.learn_coupling(axis, reading, variance)

    def recall(self, pair: TrackedPair, sample_index: int) -> Learnt | None:
        """What the next observer may begin with, against the pair's references; None: nothing."""
        if self._learnt is None:
            return None
        known = pair.joint.knowledge()
        walk2 = pair.joint.estimate().separate_walk_hz_per_root_s ** 2
        values, covariance = self._carried(self._learnt, known, sample_index, walk2)
        values[DIFFERENCE] -= _reference_difference_hz(pair)
        return replace(
            self._learnt,
            values=values,
            covariance=covariance,
            lower_hz=known.lower_hz - pair.mix_hz(ModeId.LOWER),
            start_powers=known.powers,
        )

    def _carried(
        self, learnt: Learnt, known: DifferenceKnowledge, sample_index: int, walk2: float
    ) -> tuple[np.ndarray, np.ndarray]:
        """What was learnt as it holds now, with what the joint estimate knows by now."""
        passed = _passed(known, learnt.lower_hz, learnt.start_powers)
        step = np.eye(len(learnt.values))
        step[DIFFERENCE] = passed @ SHARED
        values, covariance = step @ learnt.values, step @ learnt.covariance @ step.T
        passed_s = (sample_index - self._learnt_index) / self._rate_hz
        covariance[DIFFERENCE, DIFFERENCE] += walk2 * passed_s
        apart_hz = known.mean[DIFFERENCE] - values[DIFFERENCE]
        variance = covariance[DIFFERENCE, DIFFERENCE] + known.covariance[DIFFERENCE, DIFFERENCE]
        if self._before is None or apart_hz**2 > MOST_SIGMAS**2 * variance:
            return _with_new_difference(values, covariance, known)
        before = self._before
        moved = np.eye(len(before.mean))
        moved[DIFFERENCE] = _passed(known, before.lower_hz, before.powers)
        mean, foretold = moved @ before.mean, moved @ before.covariance @ moved.T
        foretold[DIFFERENCE, DIFFERENCE] += (
            walk2 * (sample_index - self._before_index) / self._rate_hz
        )
        return _with_news(values, covariance, known, mean, foretold)


def _passed(known: DifferenceKnowledge, lower_hz: float, powers: np.ndarray) -> np.ndarray:
    """What the difference has become since then, by what is shared: drift and amplitudes."""
    return np.array([1.0, known.lower_hz - lower_hz, *(known.powers - powers)])


def _with_new_difference(
    values: np.ndarray, covariance: np.ndarray, known: DifferenceKnowledge
) -> tuple[np.ndarray, np.ndarray]:
    """Difference and ratio by the joint estimate alone; the rest as it was learnt."""
    values, covariance = values.copy(), covariance.copy()
    both = slice(DIFFERENCE, RATIO + 1)
    values[both] = known.mean[both]
    covariance[both, :] = covariance[:, both] = 0.0
    covariance[both, both] = known.covariance[both, both]
    return values, covariance


def _with_news(
    values: np.ndarray,
    covariance: np.ndarray,
    known: DifferenceKnowledge,
    mean: np.ndarray,
    foretold: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """What was learnt, corrected by what the joint estimate knows beyond what it foretold."""
    for axis, reading, variance in _news(mean, foretold, known.mean, known.covariance):
        row = axis @ SHARED
        column = covariance @ row
        gain = column / (row @ column + variance)
        values = values + gain * (reading - row @ values)
        covariance = covariance - np.outer(gain, column)
    return values, 0.5 * (covariance + covariance.T)


def _news(
    before: np.ndarray,
    before_covariance: np.ndarray,
    after: np.ndarray,
    after_covariance: np.ndarray,
) -> Iterator[tuple[np.ndarray, float, float]]:
    """What has been learnt in between, as independent readings: axis, reading and variance.

    In the coordinates in which the covariance before is the unit matrix and the one after
    is diagonal (shares), news of each coordinate has the information 1 / share - 1.
    """
    there = np.flatnonzero(np.diag(before_covariance) > 0.0)
    if not len(there):
        return
    block = np.ix_(there, there)
    shares, across = scipy.linalg.eigh(after_covariance[block], before_covariance[block])
    for share, column in zip(shares, across.T, strict=True):
        if share >= 1.0:  # nothing has been learnt in this direction
            continue
        axis = np.zeros(len(before))
        axis[there] = column
        yield axis, (axis @ after - share * (axis @ before)) / (1.0 - share), share / (1.0 - share)


def _coupling_news(
    begun: Learnt, learnt: Learnt, stated_asymmetry: float
) -> Iterator[tuple[np.ndarray, float, float]]:
    """What an observer has learnt of coupling, quadrature and asymmetry beyond the stated one."""
    block = np.ix_(COUPLED, COUPLED)
    strength_hz = float(np.hypot(*learnt.values[COUPLED[:2]]))
    least = LEAST_COUPLING_SIGMA * np.array([strength_hz, strength_hz, 1.0])
    stated = np.array([0.0, 0.0, stated_asymmetry])
    return _news(
        begun.values[COUPLED] - stated,
        begun.covariance[block],
        learnt.values[COUPLED] - stated,
        learnt.covariance[block] + np.diag(least**2),
    )


def _reference_difference_hz(pair: TrackedPair) -> float:
    return pair.mix_hz(ModeId.UPPER) - pair.mix_hz(ModeId.LOWER)
