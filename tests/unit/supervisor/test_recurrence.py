"""What comes again and again is told at once the first time, and counted then."""

from __future__ import annotations

from controller.supervisor.recurrence import Recurrence

RATE_HZ = 1000.0


def test_what_comes_now_and_then_is_news_each_time() -> None:
    recurrence = Recurrence(RATE_HZ)
    for index in range(0, 30_000, 1001):
        assert recurrence.is_over(index) and recurrence.is_news(index)
        assert recurrence.summary(index) == ""


def test_what_comes_again_within_a_second_is_counted_and_told_after_ten() -> None:
    recurrence = Recurrence(RATE_HZ)
    news = [recurrence.is_news(index) for index in range(0, 9000, 1000)]
    assert news == [True] + 8 * [False]
    assert recurrence.summary(9999) == "" and not recurrence.is_over(11_000)
    assert recurrence.summary(10_000) == "8 more within 10.0 s"
    # Told: what comes now is news again, and there is nothing more to tell.
    assert recurrence.summary(30_000) == "" and recurrence.is_news(30_000)


def test_nothing_that_was_counted_is_kept_back_at_the_end() -> None:
    recurrence = Recurrence(RATE_HZ)
    recurrence.is_news(0)
    assert recurrence.summary(500, at_once=True) == ""
    recurrence.is_news(1000)
    assert recurrence.summary(1500, at_once=True) == "1 more within 1.5 s"


def test_copy_goes_on_alike_and_reset_is_new() -> None:
    recurrence = Recurrence(RATE_HZ)
    recurrence.is_news(0)
    other = recurrence.copy()
    assert not recurrence.is_news(1000) and not other.is_news(1000)
    recurrence.reset()
    assert repr(recurrence) == "Recurrence(0 untold)" and repr(other) == "Recurrence(1 untold)"
    assert recurrence.is_news(1000)
