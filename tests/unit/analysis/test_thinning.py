"""Thinning keeps peaks, gaps and the states that matter."""

from __future__ import annotations

import numpy as np
import pytest

from controller.analysis.thinning import (
    POINTS_PER_CURVE,
    CurveThinner,
    StateSpan,
    StateThinner,
    bucket_records,
    least_and_largest,
    with_breaks,
)

STATES = ("good", "fair", "bad")


@pytest.mark.parametrize("record_count", [0, 1, 1500, 1501, 6000, 864_000])
def test_a_curve_never_has_more_points_than_a_page_needs(record_count: int) -> None:
    bucket = bucket_records(record_count)
    times, _ = least_and_largest(np.arange(1.0 * record_count), np.zeros(record_count), bucket)
    assert len(times) <= POINTS_PER_CURVE + 2 * (bucket > 1)


def test_a_short_series_is_kept_as_it_is() -> None:
    thinner = CurveThinner(1)
    thinner.add(np.array([0.0, 1.0]), {"x": np.array([3.0, np.nan])})
    thinner.add(np.array([2.0]), {"x": np.array([5.0])})
    np.testing.assert_array_equal(thinner.curve("x").times_s, [0.0, 1.0, 2.0])
    np.testing.assert_array_equal(thinner.curve("x").values, [3.0, np.nan, 5.0])


def test_the_extremes_of_each_bucket_stay_at_their_times() -> None:
    times_s = np.arange(8.0)
    values = np.array([1.0, 9.0, 2.0, -4.0, 5.0, 5.0, 5.0, 6.0])
    found_s, found = least_and_largest(times_s, values, 4)
    assert found.tolist() == [9.0, -4.0, 5.0, 6.0]
    assert found_s.tolist() == [1.0, 3.0, 4.0, 7.0]


def test_unknown_values_are_passed_over_and_an_unknown_bucket_is_a_gap() -> None:
    nan = np.nan
    values = np.array([nan, 2.0, nan, nan, 7.0])
    _, found = least_and_largest(np.arange(5.0), values, 2)
    np.testing.assert_array_equal(found, [2.0, 2.0, nan, nan, 7.0, 7.0])


def test_pieces_of_whole_buckets_thin_as_the_whole_does() -> None:
    values = np.random.default_rng(5).standard_normal(120)
    times_s = np.arange(120.0)
    whole, pieces = CurveThinner(6), CurveThinner(6)
    whole.add(times_s, {"x": values})
    for piece in np.split(np.arange(120), [12, 60]):
        pieces.add(times_s[piece], {"x": values[piece]})
    np.testing.assert_array_equal(whole.curve("x").values, pieces.curve("x").values)


def test_a_series_never_given_is_empty() -> None:
    assert CurveThinner(1).curve("x").is_empty


def test_missing_records_break_a_curve_and_thinning_does_not() -> None:
    times_s = np.concatenate([np.arange(60.0), 80.0 + np.arange(60.0)])
    broken_s, broken = with_breaks(times_s, times_s)
    assert np.flatnonzero(np.isnan(broken)).tolist() == [60]
    assert 59.0 < broken_s[60] < 80.0
    rng = np.random.default_rng(4)
    thinned = least_and_largest(np.arange(6000.0), rng.standard_normal(6000), 8)
    assert not np.isnan(with_breaks(*thinned)[1]).any()


def test_a_series_of_one_or_none_has_no_break() -> None:
    for count in (0, 1, 2):
        times_s, values = with_breaks(np.arange(1.0 * count), np.ones(count))
        assert len(times_s) == len(values) == count


def test_states_become_spans_that_follow_each_other() -> None:
    thinner = StateThinner(STATES, 1)
    thinner.add(np.array([0.0, 1.0]), np.array(["bad", "good"]))
    thinner.add(np.array([2.0, 3.0]), np.array(["good", "fair"]))
    assert thinner.spans(4.0) == [
        StateSpan("bad", 0.0, 1.0),
        StateSpan("good", 1.0, 3.0),
        StateSpan("fair", 3.0, 4.0),
    ]


def test_one_bad_record_among_a_thousand_is_seen() -> None:
    states = np.full(1000, "good", dtype="<U5")
    states[503] = "bad"
    thinner = StateThinner(STATES, 100)
    thinner.add(np.arange(1000.0), states)
    assert StateSpan("bad", 500.0, 600.0) in thinner.spans(1000.0)


def test_no_states_are_no_spans() -> None:
    assert StateThinner(STATES, 1).spans(1.0) == []
