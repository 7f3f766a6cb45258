"""A day of records, kept so that any stretch of it can be drawn at once.

Rows lie in chunks. Beside its rows a chunk keeps the least and the largest
value of each column over 8, 64, 512 and 4096 rows, brought up to date as rows
come. A stretch of any length is thus drawn from a few thousand numbers, and
no peak gets lost. The oldest chunk goes when there are more rows than are
kept.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from gui.models.columns import COLUMNS, PLACES

DAY_ROWS = 864_000  # at ten a second

CHUNK_ROWS = 8**5
FACTORS = (8, 64, 512, 4096)
_TIME = PLACES["time_s"]

# Records come evenly; what is further apart than this many usual steps is a gap. Ten: one record
# in ten of a picture's curves may be missing without a break.
GAP_STEPS = 10.0
LEAST_GAP_S = 2.5


@dataclass(frozen=True, slots=True)
class Stretch:
    """Part of a history, thinned for drawing.

    Attributes
    ----------
    times_s : ndarray of float64, shape (n,)
        Of the first row of each bucket; a row of NaN in the others is a gap.
    least, largest : ndarray of float64, shape (columns, n)
        Of each bucket; NaN where nothing is known.
    rows_per_point : int
        Rows that share a bucket; 1: nothing was thinned.
    """

    times_s: np.ndarray
    least: np.ndarray
    largest: np.ndarray
    rows_per_point: int

    def low(self, name: str) -> np.ndarray:
        """The least values of a column, shape (n,)."""
        return self.least[PLACES[name]]

    def high(self, name: str) -> np.ndarray:
        """The largest values of a column, shape (n,)."""
        return self.largest[PLACES[name]]

    def curve(self, name: str) -> tuple[np.ndarray, np.ndarray]:
        """Times and values to be joined by a line: least and largest of each bucket in turn."""
        return as_line(self.times_s, self.low(name), self.high(name))


def as_line(
    times_s: np.ndarray, least: np.ndarray, largest: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Least and largest values as one line that touches them all.

    Parameters
    ----------
    times_s, least, largest : ndarray of float64, shape (n,)
        Of the buckets; where both values are the same the bucket is one point.

    Returns
    -------
    (ndarray, ndarray), shape (n,) or (2 n,)
        Times and values.
    """
    if least is largest or np.array_equal(least, largest, equal_nan=True):
        return times_s, least
    return np.repeat(times_s, 2), np.stack((least, largest), axis=1).ravel()


class _Chunk:
    """CHUNK_ROWS rows with their thinned copies."""

    def __init__(self) -> None:
        self.count = 0
        self.values = np.full((len(COLUMNS), CHUNK_ROWS), np.nan)
        self.levels = {
            factor: (
                np.full((len(COLUMNS), CHUNK_ROWS // factor), np.nan),
                np.full((len(COLUMNS), CHUNK_ROWS // factor), np.nan),
            )
            for factor in FACTORS
        }

    @property
    def is_full(self) -> bool:
        return self.count == CHUNK_ROWS

    @property
    def times_s(self) -> np.ndarray:
        return self.values[_TIME, : self.count]

    def append(self, rows: np.ndarray) -> int:
        """Take as many rows as fit; how many those were."""
        taken = min(len(rows), CHUNK_ROWS - self.count)
        first = self.count
        self.values[:, first : first + taken] = rows[:taken].T
        self.count += taken
        least = largest = self.values
        before = 1
        for factor in FACTORS:
            step = factor // before
            start, stop = first // factor, -(-self.count // factor)
            least = _merged(least, start, stop, step, np.fmin)
            largest = _merged(largest, start, stop, step, np.fmax)
            kept_least, kept_largest = self.levels[factor]
            kept_least[:, start:stop], kept_largest[:, start:stop] = least, largest
            least, largest, before = kept_least, kept_largest, factor
        return taken

    def part(self, start: int, stop: int, factor: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Times, least and largest values of the rows from start to stop, in buckets."""
        level = max((each for each in FACTORS if each <= factor), default=1)
        least, largest = self.levels[level] if level > 1 else (self.values, self.values)
        first, last = start // factor, -(-stop // factor)
        times_s = self.values[_TIME, first * factor : stop : factor]
        if factor == 1:
            return times_s, least[:, first:last], largest[:, first:last]
        step = factor // level
        return (
            times_s,
            _merged(least, first, last, step, np.fmin),
            _merged(largest, first, last, step, np.fmax),
        )


def _merged(values: np.ndarray, start: int, stop: int, step: int, merge: np.ufunc) -> np.ndarray:
    """Buckets start to stop, each of `step` columns of values."""
    wanted = values[:, start * step : stop * step]
    if step == 1:
        return wanted
    return merge.reduce(wanted.reshape(len(values), stop - start, step), axis=2)


class History:
    """Rows over time, the oldest first; owned by the window's one thread.

    Parameters
    ----------
    most_rows : int
        So many are kept, and up to a chunk more.
    """

    def __init__(self, most_rows: int = DAY_ROWS) -> None:
        self._most_rows = most_rows
        self._chunks: deque[_Chunk] = deque()

    def __repr__(self) -> str:
        return f"History({len(self)} rows)"

    def __len__(self) -> int:
        return sum(chunk.count for chunk in self._chunks)

    def clear(self) -> None:
        """Forget everything."""
        self._chunks.clear()

    @property
    def first_s(self) -> float | None:
        """Time of the oldest row [s]; None: there is none."""
        return float(self._chunks[0].times_s[0]) if self._chunks else None

    @property
    def last_s(self) -> float | None:
        """Time of the newest row [s]; None: there is none."""
        return float(self._chunks[-1].times_s[-1]) if self._chunks else None

    def append(self, rows: np.ndarray) -> None:
        """Take rows that are newer than all before.

        Parameters
        ----------
        rows : ndarray of float64, shape (n, columns)
            In order of time; those that are not newer are left out.
        """
        last_s = self.last_s
        if last_s is not None:
            rows = rows[rows[:, _TIME] > last_s]
        while len(rows):
            if not self._chunks or self._chunks[-1].is_full:
                self._chunks.append(_Chunk())
            rows = rows[self._chunks[-1].append(rows) :]
        while len(self) - self._chunks[0].count >= self._most_rows if self._chunks else False:
            self._chunks.popleft()

    def stretch(self, start_s: float, end_s: float, most_points: int) -> Stretch:
        """What lies between two times, and the rows next to them.

        Parameters
        ----------
        start_s, end_s : float
            Stream times [s].
        most_points : int
            Buckets, each drawn as a least and a largest value.

        Returns
        -------
        Stretch
            Buckets keep their place when the window moves on, so that a
            picture does not flicker.
        """
        parts = []
        for chunk in self._chunks:
            first = max(int(np.searchsorted(chunk.times_s, start_s)) - 1, 0)
            last = min(int(np.searchsorted(chunk.times_s, end_s, side="right")) + 1, chunk.count)
            if chunk.times_s[-1] >= start_s and chunk.times_s[0] <= end_s and last > first:
                parts.append((chunk, first, last))
        count = sum(last - first for _, first, last in parts)
        factor = 1
        while count > most_points * factor and factor < CHUNK_ROWS:
            factor *= 2
        pieces = [chunk.part(first, last, factor) for chunk, first, last in parts]
        if not pieces:
            nothing = np.empty((len(COLUMNS), 0))
            return Stretch(np.empty(0), nothing, nothing, 1)
        times_s = np.concatenate([piece[0] for piece in pieces])
        least = np.concatenate([piece[1] for piece in pieces], axis=1)
        largest = least
        if factor > 1:
            largest = np.concatenate([piece[2] for piece in pieces], axis=1)
        return _with_gaps(Stretch(times_s, least, largest, factor))

    def rows_between(self, start_s: float, end_s: float) -> np.ndarray:
        """All rows between two times, nothing thinned, shape (n, columns)."""
        parts = []
        for chunk in self._chunks:
            first, last = np.searchsorted(chunk.times_s, (start_s, end_s))
            parts.append(chunk.values[:, first : min(last + 1, chunk.count)].T)
        rows = np.concatenate(parts) if parts else np.empty((0, len(COLUMNS)))
        return rows[rows[:, _TIME] <= end_s]

    def row_at(self, time_s: float) -> np.ndarray | None:
        """The row nearest to a time, shape (columns,); None: there is none."""
        nearest = None
        for chunk in self._chunks:
            place = int(np.clip(np.searchsorted(chunk.times_s, time_s), 1, chunk.count))
            for each in {place - 1, min(place, chunk.count - 1)}:
                row = chunk.values[:, each]
                if nearest is None or abs(row[_TIME] - time_s) < abs(nearest[_TIME] - time_s):
                    nearest = row
        return None if nearest is None else nearest.copy()


def _with_gaps(stretch: Stretch) -> Stretch:
    """The same with a bucket of NaN wherever records are missing."""
    steps_s = np.diff(stretch.times_s)
    if not len(steps_s):
        return stretch
    limit_s = max(GAP_STEPS * float(np.median(steps_s)), LEAST_GAP_S)
    places = 1 + np.flatnonzero(steps_s > limit_s)
    if not len(places):
        return stretch
    middles_s = 0.5 * (stretch.times_s[places - 1] + stretch.times_s[places])
    least = np.insert(stretch.least, places, np.nan, axis=1)
    largest = least
    if stretch.largest is not stretch.least:
        largest = np.insert(stretch.largest, places, np.nan, axis=1)
    times_s = np.insert(stretch.times_s, places, middles_s)
    return Stretch(times_s, least, largest, stretch.rows_per_point)
