"""Questions without an answer yet, and the lease of control; the client's tests have the rest."""

from __future__ import annotations

import json

import pytest

from controller.service.questions import HEARTBEATS_PER_LEASE, Lease, Questions


class Clock:
    """A clock that stands still unless a test moves it."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> Clock:
    """New."""
    return Clock()


def answer_to(request: int) -> bytes:
    """An answer as it comes."""
    return json.dumps({"request": request, "ok": True, "text": "done"}).encode()


def test_an_answer_goes_to_who_asked(clock: Clock) -> None:
    questions, sent = Questions("ann", clock), []
    first = questions.ask("look", {}, 1.0)
    second = questions.ask("note", {"text": "x"}, 1.0)
    questions.send(lambda content: sent.append(json.loads(content)) is None)
    assert sent == [
        {"request": 1, "command": "look", "who": "ann"},
        {"request": 2, "command": "note", "who": "ann", "text": "x"},
    ]
    assert questions.take_answer(answer_to(2))
    assert second.future.result(0.0).text == "done" and not first.future.done()


def test_what_is_no_answer_or_nobodys_changes_nothing(clock: Clock) -> None:
    questions = Questions("ann", clock)
    asked = questions.ask("look", {}, 1.0)
    questions.send(lambda content: True)
    questions.forget(asked)
    assert not questions.take_answer(b"\xff")
    assert questions.take_answer(answer_to(1)) and questions.take_answer(answer_to(7))
    assert not asked.future.done()


def test_what_cannot_be_sent_waits_and_then_never_is(clock: Clock) -> None:
    questions, sent = Questions("ann", clock), []
    questions.ask("look", {}, 1.0)
    questions.send(lambda content: False)
    assert questions.wait_to_be_sent
    clock.now_s += 1.1
    questions.send(lambda content: sent.append(content) is None)
    assert sent == [] and not questions.wait_to_be_sent


def test_a_lease_wants_heartbeats_while_it_is_held(clock: Clock) -> None:
    lease, interval_s = Lease(clock), 10.0 / HEARTBEATS_PER_LEASE
    assert lease.due_in_s == float("inf")
    lease.begin(10.0)
    assert lease.is_held and lease.due_in_s == pytest.approx(interval_s)
    clock.now_s += interval_s
    assert lease.due_in_s == pytest.approx(0.0)
    lease.renew()
    assert lease.due_in_s == pytest.approx(interval_s)
    lease.end()
    lease.renew()  # of a heartbeat that crossed the end
    assert not lease.is_held and lease.due_in_s == float("inf")
