"""The stretch of time that all plots show."""

from __future__ import annotations

import pytest

from gui.models.time_view import AHEAD, LONGEST_S, SHORTEST_S, TimeView


def test_it_follows_the_newest_record() -> None:
    view = TimeView()
    view.show_last(60.0, 100.0, 0.0)
    assert view.end_s == pytest.approx(100.0 + 60.0 * AHEAD)
    assert view.span_s == pytest.approx(60.0)
    assert view.move_to(101.0, 0.0)
    assert view.end_s == pytest.approx(101.0 + 60.0 * AHEAD)


def test_less_than_a_step_is_no_news() -> None:
    view = TimeView()
    view.show_last(600.0, 1000.0, 0.0)
    assert not view.move_to(1000.4, 0.0, step_s=1.0)
    assert not view.move_to(1000.9, 0.0, step_s=1.0)
    assert view.move_to(1001.0, 0.0, step_s=1.0)


def test_a_run_that_has_just_begun_fills_it_from_the_left() -> None:
    view = TimeView()
    view.show_last(60.0, 5.0, 0.0)
    assert (view.start_s, view.end_s) == (0.0, 60.0)
    assert view.move_to(6.0, 0.0)  # there is more to be seen, though nothing moves
    assert (view.start_s, view.end_s) == (0.0, 60.0)


def test_a_stretch_that_was_chosen_stays() -> None:
    view = TimeView()
    view.show(10.0, 20.0)
    assert not view.move_to(500.0, 0.0)
    assert (view.start_s, view.end_s) == (10.0, 20.0)


def test_zooming_keeps_the_place_under_the_mouse() -> None:
    view = TimeView()
    view.show(10.0, 20.0)
    view.zoom(0.5, 12.0)
    assert (view.start_s, view.end_s) == pytest.approx((11.0, 16.0))


def test_zooming_while_following_keeps_the_newest() -> None:
    view = TimeView()
    view.show_last(60.0, 1000.0, 0.0)
    end_s = view.end_s
    view.zoom(2.0, 950.0)
    assert view.follows and view.end_s == end_s and view.span_s == pytest.approx(120.0)


def test_spans_have_their_limits() -> None:
    view = TimeView()
    view.show(0.0, 1e-6)
    assert view.span_s == SHORTEST_S
    view.zoom(1e12, 0.0)
    assert view.span_s == LONGEST_S
