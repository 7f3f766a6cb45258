"""The history: nothing gets lost in thinning, and no more is kept than was asked for."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from gui.models.columns import PLACES
from gui.models.history import CHUNK_ROWS, LEAST_GAP_S, History, as_line
from tests.support.desk import rows

COUNT = CHUNK_ROWS + 5000  # a chunk and a bit: stretches across its edge
TIMES_S = 0.1 * np.arange(COUNT)
VALUES = np.random.default_rng(3).standard_normal(COUNT)


@pytest.fixture(scope="module")
def history() -> History:
    """Random values at ten rows a second, a few of them unknown; appended in uneven pieces."""
    values = VALUES.copy()
    values[100:120] = np.nan
    history = History(10**6)
    edges = [0, 1, 2, 9, 17, 4000, CHUNK_ROWS - 3, CHUNK_ROWS + 4, COUNT]
    for start, stop in pairwise(edges):
        history.append(rows(TIMES_S[start:stop], difference_hz=values[start:stop]))
    return history


@pytest.mark.parametrize(
    ("start_s", "end_s"), [(0.0, 20.0), (5.0, 60.0), (3000.0, 3700.0), (0.0, TIMES_S[-1])]
)
def test_a_stretch_has_the_extremes_of_its_rows(
    history: History, start_s: float, end_s: float
) -> None:
    stretch = history.stretch(start_s, end_s, 300)
    assert len(stretch.times_s) <= 302  # the buckets at both ends may be cut
    inside = history.rows_between(start_s, end_s)[:, PLACES["difference_hz"]]
    assert np.nanmin(stretch.low("difference_hz")) <= np.nanmin(inside)
    assert np.nanmax(stretch.high("difference_hz")) >= np.nanmax(inside)
    per_point = stretch.rows_per_point
    first = round(10.0 * stretch.times_s[1])  # a bucket that is not cut
    bucket = VALUES[first : first + per_point]
    if not 90 < first < 130:
        assert stretch.low("difference_hz")[1] == bucket.min()
        assert stretch.high("difference_hz")[1] == bucket.max()


def test_a_short_stretch_is_not_thinned(history: History) -> None:
    stretch = history.stretch(50.0, 60.0, 300)
    assert stretch.rows_per_point == 1
    times_s, values = stretch.curve("difference_hz")
    np.testing.assert_array_equal(values, VALUES[np.round(10.0 * times_s).astype(int)])
    assert times_s[0] <= 50.0 and times_s[-1] >= 60.0  # the line goes on to both edges


def test_buckets_keep_their_place_when_the_window_moves_on(history: History) -> None:
    one = history.stretch(100.0, 900.0, 300)
    other = history.stretch(101.7, 901.7, 300)
    shared = np.intersect1d(one.times_s[1:-1], other.times_s[1:-1])
    assert len(shared) > 200
    for name in ("low", "high"):
        values = [
            getattr(each, name)("difference_hz")[np.searchsorted(each.times_s, shared)]
            for each in (one, other)
        ]
        np.testing.assert_array_equal(*values)


def test_what_is_unknown_stays_a_gap(history: History) -> None:
    _, values = history.stretch(9.0, 13.0, 300).curve("difference_hz")
    assert np.isnan(values).sum() == 20


def test_missing_records_part_the_curve() -> None:
    history = History()
    history.append(rows(np.array([0.0, 0.1, 0.2, 0.2 + 2 * LEAST_GAP_S]), difference_hz=1.0))
    times_s, values = history.stretch(0.0, 60.0, 300).curve("difference_hz")
    assert np.isnan(values).tolist() == [False, False, False, True, False]
    assert times_s[3] == pytest.approx(0.2 + LEAST_GAP_S)


def test_rows_that_are_not_newer_are_left_out() -> None:
    history = History()
    history.append(rows(np.array([1.0, 2.0])))
    history.append(rows(np.array([1.5, 2.0, 3.0])))
    np.testing.assert_array_equal(history.rows_between(0.0, 9.0)[:, 0], [1.0, 2.0, 3.0])


def test_the_oldest_go_when_there_are_too_many() -> None:
    history = History(most_rows=CHUNK_ROWS)
    for part in np.array_split(np.arange(3.0 * CHUNK_ROWS), 7):
        history.append(rows(part))
    assert CHUNK_ROWS <= len(history) <= 2 * CHUNK_ROWS
    assert history.last_s == 3.0 * CHUNK_ROWS - 1.0
    assert history.first_s == 2.0 * CHUNK_ROWS  # what is left is just enough


def test_the_nearest_row_is_found(history: History) -> None:
    row = history.row_at(3276.83)
    assert row is not None
    assert row[PLACES["time_s"]] == pytest.approx(3276.8)
    assert row[PLACES["difference_hz"]] == VALUES[32768]


def test_nothing_is_drawn_of_nothing() -> None:
    history = History()
    assert len(history.stretch(0.0, 1.0, 10).times_s) == 0
    assert history.row_at(0.0) is None
    assert len(history.rows_between(0.0, 1.0)) == 0
    assert history.first_s is None and history.last_s is None


def test_a_bucket_is_drawn_by_both_its_extremes() -> None:
    times_s, values = as_line(np.array([0.0, 1.0]), np.array([1.0, 3.0]), np.array([2.0, 4.0]))
    np.testing.assert_array_equal(times_s, [0.0, 0.0, 1.0, 1.0])
    np.testing.assert_array_equal(values, [1.0, 2.0, 3.0, 4.0])
