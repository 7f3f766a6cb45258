"""How the joint estimate learns the strengths of its noises: a bank that weighs candidates.

The strengths of the walks, of the phase diffusion and of the detector noise are not known
well. A bank of members covers them: one at the centre, and others that differ from it in
one strength, by one or more steps up or down. Each is a filter of its own (`joint_filter`);
here is what the likelihood of their innovations makes of them: weights (multiple-model
estimation, Magill 1965), and a new centre where it wins clearly.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

# Members of the bank beside the centre: variances that differ by these factors up and
# down, for shared walk, separate walk, diffusion and detector noise. Half a factor 2 off
# is 20 % in the rms strength and about 10 % in a stated sigma. The separate walk sets
# the bandwidth of the difference itself; it is covered up to 8 in rms, because where
# both are far off a neighbour is hardly likelier than the centre.
FACTORS = ((2.0, 8.0), (4.0, 16.0, 64.0), (2.0,), (4.0,))
SHARED_WALK, SEPARATE_WALK, DIFFUSION_SCALE, DETECTOR_SCALE = range(len(FACTORS))
NOISES = (DIFFUSION_SCALE, DETECTOR_SCALE)
MOVE_AT = 2.0  # log-likelihood; moving the centre changes no estimate by itself
FORGET_S = 300.0  # arbitrary between 100 and 1000: how long innovations count
LEAST_LEAD = -10.0  # no member falls back further (weight 5e-5), so that each can return
LARGEST_INNOVATION2 = 100.0  # that one reading counts with


@dataclass(frozen=True, slots=True, kw_only=True)
class Strengths:
    """Strengths of the noises, as variances per second."""

    shared_walk: float  # Hz^2/s
    separate_walk: float  # Hz^2/s
    diffusion_scale: float = 1.0  # on the thermal phase diffusion
    detector_scale: float = 1.0  # on the variance of the phase readings

    def as_logs(self) -> np.ndarray:
        """The four strengths as natural logarithms."""
        return np.log(
            [self.shared_walk, self.separate_walk, self.diffusion_scale, self.detector_scale]
        )


# Over some minutes two random walks may look alike by chance: a ratio that is a little wrong
# then explains what the modes did on their own, and the separate walk seems to vanish, with
# the difference's sigma. No two modes are taken for so alike that their difference would walk
# by less than 0.6 mHz in an hour.
LEAST_SEPARATE_WALK = (1.0e-5) ** 2
LEAST_LOGS = np.log([1e-12, LEAST_SEPARATE_WALK, 1e-2, 0.1])
LARGEST_LOGS = np.log([1.0, 1e-2, 1e3, 1e8])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NewMembers:
    """What becomes of the members' filters where the bank is centred anew."""

    sources: np.ndarray  # shape (members,): the old member that each goes on from
    widening: np.ndarray  # shape (members,): on its sigmas of what follows the phases, >= 1


class StrengthBank:
    """Candidates for the strengths, and how likely each is.

    Owned by a joint estimator; one thread. The centre is member 0.
    """

    def __init__(self, center: Strengths, learnt: Sequence[bool]) -> None:
        self._center = center.as_logs()
        self._directions = _directions(learnt)
        self._log_likelihood = np.zeros(len(self._directions))

    def __len__(self) -> int:
        return len(self._directions)

    def __repr__(self) -> str:
        centre = ", ".join(f"{strength:.2g}" for strength in np.exp(self._center))
        return f"StrengthBank({len(self)} members around {centre})"

    def strengths(self) -> np.ndarray:
        """Of each member, in the order of `Strengths`, shape (members, 4)."""
        return np.exp(self._logs())

    def _logs(self) -> np.ndarray:
        return np.clip(self._center + self._directions, LEAST_LOGS, LARGEST_LOGS)

    def forget(self, duration_s: float) -> None:
        """Let what innovations have told count for less."""
        self._log_likelihood *= math.exp(-duration_s / FORGET_S)

    def judge(self, normalised2: np.ndarray, variances: np.ndarray) -> None:
        """Count a reading for or against the members.

        Parameters
        ----------
        normalised2 : ndarray of float64, shape (members,)
            Squared innovations over the variances that each member expected.
        variances : ndarray of float64, shape (members,)
            These variances, in the unit of the reading squared.
        """
        bounded = np.minimum(normalised2, LARGEST_INNOVATION2)
        self._log_likelihood -= 0.5 * (bounded + np.log(variances))

    def recentred(self) -> NewMembers | None:
        """Centre the bank on the likeliest member, if it is clearly so.

        Along the strength that moves, members keep state and likelihood where the
        old bank and the new one overlap, or take those of the nearest; along the
        others they go on from the new centre and lead it by as much as the old one.

        Returns
        -------
        NewMembers or None
            What their filters go on from; None: all stay as they are.
        """
        lead = self._log_likelihood - self._log_likelihood[0]
        best = int(np.argmax(lead))
        if lead[best] <= MOVE_AT:
            return None
        directions, moved = self._directions, int(np.argmax(np.abs(self._directions[best])))
        along = np.flatnonzero(~np.delete(directions, moved, axis=1).any(axis=1))
        offsets = directions[along, moved]
        places = offsets + directions[best, moved]  # in the old bank
        nearest = np.argmin(np.abs(places[:, None] - offsets[None, :]), axis=1)
        sources = np.full(len(directions), best)
        sources[along] = along[nearest]
        new_lead = lead[best] + lead
        new_lead[along] = lead[sources[along]]
        widening = np.ones(len(directions))
        if moved in NOISES:
            # Who took noise for motion has followed it, and knows the less.
            widening[along] = np.exp(0.5 * np.maximum(places - offsets[nearest], 0.0))
        self._center = np.clip(self._center + directions[best], LEAST_LOGS, LARGEST_LOGS)
        self._log_likelihood = new_lead
        return NewMembers(sources=sources, widening=widening)

    def weighed(self) -> tuple[np.ndarray, np.ndarray]:
        """Weights of the members by likelihood, and the strengths that they make.

        Members that are far behind are kept within reach.

        Returns
        -------
        ndarray of float64, shape (members,)
            Weights, of sum 1.
        ndarray of float64, shape (4,)
            Geometric mean of the strengths.
        """
        lead = self._log_likelihood - self._log_likelihood.max()
        self._log_likelihood = np.maximum(lead, LEAST_LEAD)
        weights = np.exp(self._log_likelihood)
        weights /= weights.sum()
        return weights, np.exp(weights @ self._logs())


def _directions(learnt: Sequence[bool]) -> np.ndarray:
    """Offsets of the members' log strengths from the centre, shape (members, 4)."""
    rows = [np.zeros(4)]
    for place, factors in enumerate(FACTORS):
        if learnt[place]:
            for offset in np.log([*factors, *np.reciprocal(factors)]):
                row = np.zeros(4)
                row[place] = offset
                rows.append(row)
    return np.array(rows)
