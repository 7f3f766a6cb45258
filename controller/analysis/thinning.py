"""Long series thinned for drawing: no peak and no state gets lost.

A day has a million records, a page is a thousand points wide. Neighbouring
records share a bucket; a curve keeps the least and the largest value of each
bucket, a state keeps the one that matters most. Records come in pieces, so
that memory does not grow with the length of a run.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

# Twice what a screen can tell apart across the width of a figure.
POINTS_PER_CURVE = 1500
# Two points that are drawn of neighbouring buckets are less than four median steps apart; what
# is further apart than this is a gap.
BREAK_STEPS = 6.0


@dataclass(frozen=True, slots=True)
class Curve:
    """A thinned series; NaN is a gap."""

    times_s: np.ndarray  # (n,)
    values: np.ndarray  # (n,)

    @property
    def is_empty(self) -> bool:
        """Nothing to draw."""
        return not np.isfinite(self.values).any()


@dataclass(frozen=True, slots=True)
class StateSpan:
    """A state that lasts from one time to another."""

    state: str
    start_s: float
    end_s: float


def bucket_records(record_count: int) -> int:
    """Records that share a bucket, for POINTS_PER_CURVE points at most."""
    if record_count <= POINTS_PER_CURVE:
        return 1
    return -(-2 * record_count // POINTS_PER_CURVE)


class CurveThinner:
    """Thins several series over one time axis, piece by piece.

    Parameters
    ----------
    bucket : int
        Records that share a bucket. Pieces should hold a multiple of it;
        the rest of a piece makes a bucket of its own.
    """

    def __init__(self, bucket: int) -> None:
        self._bucket = bucket
        self._pieces: dict[str, list[tuple[np.ndarray, np.ndarray]]] = {}

    def add(self, times_s: np.ndarray, columns: Mapping[str, np.ndarray]) -> None:
        """Take in the next records.

        Parameters
        ----------
        times_s : ndarray of float64, shape (n,)
            Their times [s], ascending.
        columns : mapping of str to ndarray, shape (n,)
            Their values; NaN is unknown.
        """
        if not len(times_s):
            return
        for name, values in columns.items():
            self._pieces.setdefault(name, []).append(
                least_and_largest(times_s, values, self._bucket)
            )

    def curve(self, name: str) -> Curve:
        """The thinned series; empty if it was never given."""
        pieces = self._pieces.get(name)
        if not pieces:
            return Curve(np.empty(0), np.empty(0))
        return Curve(
            np.concatenate([times_s for times_s, _ in pieces]),
            np.concatenate([values for _, values in pieces]),
        )


def least_and_largest(
    times_s: np.ndarray, values: np.ndarray, bucket: int
) -> tuple[np.ndarray, np.ndarray]:
    """The least and the largest value of each bucket, in order of time.

    Parameters
    ----------
    times_s, values : ndarray of float64, shape (n,)
        A series; NaN is unknown.
    bucket : int
        Records that share a bucket, >= 1; 1 gives the series back.

    Returns
    -------
    (ndarray, ndarray), shape (2 * ceil(n / bucket),)
        Times and values; NaN where a bucket holds nothing.
    """
    if bucket == 1:
        return times_s, values
    padding = -len(values) % bucket
    rows = np.concatenate((values, np.full(padding, np.nan))).reshape(-1, bucket)
    row_times = np.concatenate((times_s, np.full(padding, times_s[-1]))).reshape(-1, bucket)
    least = np.argmin(np.where(np.isnan(rows), np.inf, rows), axis=1)
    largest = np.argmax(np.where(np.isnan(rows), -np.inf, rows), axis=1)
    places = np.sort(np.stack((least, largest), axis=1), axis=1)
    chosen = np.take_along_axis(rows, places, axis=1)
    return np.take_along_axis(row_times, places, axis=1).ravel(), chosen.ravel()


def with_breaks(times_s: np.ndarray, *series: np.ndarray) -> tuple[np.ndarray, ...]:
    """A thinned series with a NaN wherever records are missing.

    Parameters
    ----------
    times_s : ndarray of float64, shape (n,)
        Ascending times [s].
    *series : ndarray of float64, shape (n,)
        Values at these times.

    Returns
    -------
    tuple of ndarray
        The times and the series, longer by one for each break.
    """
    steps_s = np.diff(times_s)
    if not len(steps_s):
        return times_s, *series
    places = 1 + np.flatnonzero(steps_s > BREAK_STEPS * np.median(steps_s))
    middles_s = 0.5 * (times_s[places - 1] + times_s[places])
    return (
        np.insert(times_s, places, middles_s),
        *(np.insert(values, places, np.nan) for values in series),
    )


class StateThinner:
    """Thins a series of states, piece by piece.

    Parameters
    ----------
    states : sequence of str
        All states, the one that must never get lost last.
    bucket : int
        Records that share a bucket, as for `CurveThinner`.
    """

    def __init__(self, states: Sequence[str], bucket: int) -> None:
        self._states = list(states)
        self._bucket = bucket
        self._starts_s: list[np.ndarray] = []
        self._ranks: list[np.ndarray] = []

    def add(self, times_s: np.ndarray, states: np.ndarray) -> None:
        """Take in the states at the next records, shape (n,)."""
        if not len(times_s):
            return
        ranks = np.zeros(len(states), dtype=int)
        for rank, state in enumerate(self._states):
            ranks[states == state] = rank
        edges = np.arange(0, len(states), self._bucket)
        self._starts_s.append(times_s[edges])
        self._ranks.append(np.maximum.reduceat(ranks, edges))

    def spans(self, end_s: float) -> list[StateSpan]:
        """The states as spans that follow each other up to the end [s]."""
        if not self._ranks:
            return []
        starts_s, ranks = np.concatenate(self._starts_s), np.concatenate(self._ranks)
        changes = np.flatnonzero(np.diff(ranks, prepend=-1))
        edges_s = np.append(starts_s[changes], max(end_s, starts_s[-1]))
        return [
            StateSpan(self._states[ranks[change]], float(edges_s[place]), float(edges_s[place + 1]))
            for place, change in enumerate(changes)
        ]
