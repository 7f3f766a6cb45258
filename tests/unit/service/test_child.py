"""How the service listens to its loop; tests/faults has it with real processes."""

from __future__ import annotations

from collections import deque
from types import SimpleNamespace
from unittest.mock import Mock

import pytest

from controller.runtime.log.handed_over import Entry
from controller.service.child import SILENT_S, LoopChild, Told
from controller.service.link import Ended, Refused
from controller.settings import RunSettings

FIRST, SECOND = Entry("commit", (1,)), Entry("commit", (2,))


def heard(*messages: object, ago_s: float = 0.0) -> LoopChild:
    """A loop that was heard so long ago, and has sent this since."""
    child = LoopChild.__new__(LoopChild)
    child._configuration = SimpleNamespace(run=RunSettings())  # type: ignore[assignment]
    child._link = Mock()
    child._link.news.side_effect = [list(messages), []]
    child._told, child.last_word = deque(), None
    child._now_s, child._heard_s = lambda: ago_s, 0.0
    return child


@pytest.mark.parametrize("has_news", [True, False])
def test_a_service_that_was_kept_waiting_listens_before_it_calls_the_loop_silent(
    has_news: bool,
) -> None:
    child = heard(*[(FIRST,)] * has_news, ago_s=2.0 * SILENT_S)
    assert child.is_silent() is not has_news
    assert list(child.told()) == [FIRST] * has_news


def test_a_loop_that_was_heard_of_late_is_not_listened_to_for_that() -> None:
    child = heard(ago_s=0.5 * SILENT_S)
    assert not child.is_silent()
    child._link.news.assert_not_called()  # type: ignore[attr-defined]


def test_what_is_not_taken_waits() -> None:
    child = heard((FIRST, SECOND))
    assert next(child.told()) == FIRST
    assert list(child.told()) == [SECOND]


def test_the_first_last_word_counts() -> None:
    ended = [Ended(outcome="failed", reason=reason) for reason in ("broken", "ended")]
    child = heard((FIRST,), *ended)
    told: list[Told] = list(child.told())
    assert told == [FIRST, *ended]
    assert child.last_word == ended[0]


def test_a_loop_that_refuses_has_no_tones_on() -> None:
    child = heard(Refused(text="no such device", is_input_error=True))
    assert list(child.told())
    assert child.last_word == Ended(outcome="failed", reason="no such device")
