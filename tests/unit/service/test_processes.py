"""When a process that has ended is started again, and what is said of its end."""

from __future__ import annotations

import pytest

from controller.service.processes import Pauses, how_it_ended


def test_pauses_grow_while_lives_are_short() -> None:
    pauses = Pauses(first_s=0.5, longest_s=3.0, long_life_s=60.0)
    assert [pauses.after(1.0) for _ in range(6)] == [0.0, 0.5, 1.0, 2.0, 3.0, 3.0]
    assert pauses.short_lives == 6


def test_a_long_life_begins_them_anew() -> None:
    pauses = Pauses(first_s=0.5, longest_s=3.0, long_life_s=60.0)
    lives_s = (1.0, 60.0, 1.0, 60.1, 1.0)
    assert [pauses.after(life_s) for life_s in lives_s] == [0.0, 0.5, 1.0, 0.0, 0.5]
    assert pauses.short_lives == 1


@pytest.mark.parametrize(("status", "words"), [(-9, "SIGKILL"), (1, "status 1"), (0, "status 0")])
def test_an_end_is_said_in_a_word_or_two(status: int, words: str) -> None:
    assert how_it_ended(status) == words
