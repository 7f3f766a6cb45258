"""What one exchange taught, for the next one.

An observer sees the difference with the pump on far better than it can say how much
of it is the pump's shift or a Duffing shift: their errors hang together. When the next
observer begins, it begins with that knowledge, carried on by the drift since then, and
with what the joint estimate has learnt of difference and drift ratio in the meantime.
What the joint estimate knew before is in the observer's knowledge already and must not
count twice: it is taken out of what the joint estimate knows now.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import scipy.linalg

from controller.records import ModeId
from controller.tracking.joint import JointEstimate
from controller.tracking.observer import (
    LEARNT,
    LOWER_CROSS,
    LOWER_SELF,
    UPPER_CROSS,
    UPPER_SELF,
    Learnt,
)
from controller.tracking.pair import TrackedPair

# Places in Learnt: the difference and the drift ratio come first.
DIFFERENCE, RATIO = 0, 1
BOTH = slice(0, 2)
# Beyond this the difference has jumped since then, and what was known of it is void.
MOST_SIGMAS = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    """Difference [Hz] and drift ratio less one as the joint estimate knew them."""

    sample_index: int
    lower_hz: float
    mean: np.ndarray  # shape (2,)
    covariance: np.ndarray

    @classmethod
    def by(cls, joint: JointEstimate, sample_index: int) -> _Known:
        """What a joint estimate knows."""
        across = joint.difference_ratio_covariance_hz
        return cls(
            sample_index=sample_index,
            lower_hz=joint.lower_hz,
            mean=np.array([joint.difference_hz, joint.drift_ratio - 1.0]),
            covariance=np.array(
                [[joint.difference_sigma_hz**2, across], [across, joint.drift_ratio_sigma**2]]
            ),
        )


class ExchangeMemory:
    """Keeps what observers learnt, from exchange to exchange; owned by the engine."""

    def __init__(self, sample_rate_hz: float) -> None:
        self._rate_hz = sample_rate_hz
        self._before: _Known | None = None  # by the joint estimate, as the exchange began
        self._learnt: Learnt | None = None  # its difference and lower frequency are absolute
        self._learnt_index = 0

    def note_start(self, pair: TrackedPair, sample_index: int) -> None:
        """An observer begins: from here on it knows by itself."""
        self._before = _Known.by(pair.joint.estimate(), sample_index)

    def note_end(self, pair: TrackedPair, sample_index: int) -> None:
        """The modes are driven again: keep what the observer knows."""
        if pair.observer is None:
            return
        learnt = pair.observer.learnt()
        values = learnt.values.copy()
        values[DIFFERENCE] += _reference_difference_hz(pair)
        lower_hz = learnt.lower_hz + pair.mix_hz(ModeId.LOWER)
        self._learnt = replace(learnt, values=values, lower_hz=lower_hz)
        self._learnt_index = sample_index

    def forget_difference(self) -> None:
        """The modes were lost or the joint estimate begins anew."""
        self._before = None

    def recall(self, pair: TrackedPair, sample_index: int) -> Learnt | None:
        """What the next observer may begin with, against the pair's references; None: nothing."""
        if self._learnt is None:
            return None
        joint = pair.joint.estimate()
        now = _Known.by(joint, sample_index)
        powers = np.array([pair.trackers[mode].amplitude ** 2 for mode in ModeId])
        walk2 = joint.separate_walk_hz_per_root_s**2
        values, covariance = self._carried(self._learnt, now, powers, walk2)
        values[DIFFERENCE] -= _reference_difference_hz(pair)
        return replace(
            self._learnt,
            values=values,
            covariance=covariance,
            lower_hz=now.lower_hz - pair.mix_hz(ModeId.LOWER),
            start_powers=powers,
        )

    def _carried(
        self, learnt: Learnt, now: _Known, powers: np.ndarray, walk2: float
    ) -> tuple[np.ndarray, np.ndarray]:
        """What was learnt as it holds now, with what the joint estimate knows by now."""
        values, covariance = learnt.values.copy(), learnt.covariance.copy()
        step = np.eye(len(values))
        step[DIFFERENCE, RATIO] = now.lower_hz - learnt.lower_hz
        step[DIFFERENCE] += _duffing_row(powers - learnt.start_powers)
        values, covariance = step @ values, step @ covariance @ step.T
        passed_s = (now.sample_index - self._learnt_index) / self._rate_hz
        covariance[DIFFERENCE, DIFFERENCE] += walk2 * passed_s
        apart_hz = now.mean[DIFFERENCE] - values[DIFFERENCE]
        variance = covariance[DIFFERENCE, DIFFERENCE] + now.covariance[DIFFERENCE, DIFFERENCE]
        if self._before is None or apart_hz**2 > MOST_SIGMAS**2 * variance:
            return _with_new_difference(values, covariance, now)
        before = self._before
        moved = np.array([[1.0, now.lower_hz - before.lower_hz], [0.0, 1.0]])
        mean, foretold = moved @ before.mean, moved @ before.covariance @ moved.T
        foretold[DIFFERENCE, DIFFERENCE] += (
            walk2 * (now.sample_index - before.sample_index) / self._rate_hz
        )
        return _with_news(values, covariance, now, mean, foretold)


def _with_new_difference(
    values: np.ndarray, covariance: np.ndarray, now: _Known
) -> tuple[np.ndarray, np.ndarray]:
    """Difference and ratio by the joint estimate alone; the rest as it was learnt."""
    values, covariance = values.copy(), covariance.copy()
    values[BOTH] = now.mean
    covariance[BOTH, :] = covariance[:, BOTH] = 0.0
    covariance[BOTH, BOTH] = now.covariance
    return values, covariance


def _with_news(
    values: np.ndarray, covariance: np.ndarray, now: _Known, mean: np.ndarray, foretold: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """What was learnt, corrected by what the joint estimate knows beyond what it foretold.

    In the coordinates in which the foretold covariance is the unit matrix and the present
    one is diagonal (shares), news of each coordinate has the information 1 / share - 1.
    """
    shares, across = scipy.linalg.eigh(now.covariance, foretold)
    for share, axis in zip(shares, across.T, strict=True):
        if share >= 1.0:  # nothing has been learnt in this direction
            continue
        reading = (axis @ now.mean / share - axis @ mean) / (1.0 / share - 1.0)
        row = np.zeros(len(values))
        row[BOTH] = axis
        column = covariance @ row
        gain = column / (row @ column + share / (1.0 - share))
        values = values + gain * (reading - row @ values)
        covariance = covariance - np.outer(gain, column)
    return values, 0.5 * (covariance + covariance.T)


def _duffing_row(more_power: np.ndarray) -> np.ndarray:
    """How the difference moves with the Duffing coefficients where powers have changed."""
    row = np.zeros(len(LEARNT))
    lower, upper = more_power
    for place, change in (
        (LOWER_SELF, -lower),
        (LOWER_CROSS, -upper),
        (UPPER_SELF, upper),
        (UPPER_CROSS, lower),
    ):
        row[LEARNT.index(place)] = change
    return row


def _reference_difference_hz(pair: TrackedPair) -> float:
    return pair.mix_hz(ModeId.UPPER) - pair.mix_hz(ModeId.LOWER)
