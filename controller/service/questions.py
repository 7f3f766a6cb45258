"""What a client has asked and not been answered yet, and how long it holds control."""

from __future__ import annotations

import itertools
import json
import time
from collections import deque
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Any

from pydantic import ValidationError

from controller.service.commands import Answer

LEASE_S = 5.0
HEARTBEATS_PER_LEASE = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """A command that wants an answer."""

    number: int
    content: bytes
    until_s: float  # monotonic clock; it is not sent after that
    future: Future[Answer] = field(default_factory=Future)


class Questions:
    """Commands, asked and forgotten by any thread, sent and answered by the client's own.

    Parameters
    ----------
    who : str
        The client's name for the log.
    now_s : callable
        A clock that never goes back [s].
    """

    def __init__(self, who: str, now_s: Callable[[], float] = time.monotonic) -> None:
        self._who, self._now_s = who, now_s
        self._numbers = itertools.count(1)
        self._asked: deque[Question] = deque()  # not yet sent
        self._waiting: dict[int | str, Question] = {}  # for their answers

    @property
    def wait_to_be_sent(self) -> bool:
        """Whether there are some that were not sent yet."""
        return bool(self._asked)

    def ask(self, command: str, arguments: Mapping[str, Any], timeout_s: float) -> Question:
        """A new question, to be sent within a time.

        Parameters
        ----------
        command : str
            Its name.
        arguments : mapping
            Of the command.
        timeout_s : float
            After which it is not sent any more [s].

        Returns
        -------
        Question
            Its future gets the answer.
        """
        number = next(self._numbers)
        fields = {**arguments, "request": number, "command": command, "who": self._who}
        question = Question(
            number=number,
            content=json.dumps(fields).encode(),
            until_s=self._now_s() + timeout_s,
        )
        self._asked.append(question)
        return question

    def forget(self, question: Question) -> None:
        """Nobody waits for its answer any more."""
        self._waiting.pop(question.number, None)

    def forget_late(self) -> None:
        """Likewise for all whose time is over."""
        for question in list(self._waiting.values()):
            if self._is_late(question):
                self.forget(question)

    def send(self, send: Callable[[bytes], bool]) -> None:
        """Send what was asked, as far as it can be; what could not be in time never is.

        Parameters
        ----------
        send : callable
            Given the content; whether it was sent.
        """
        while self._asked:
            question = self._asked[0]
            if not self._is_late(question):
                self._waiting[question.number] = question
                if not send(question.content):
                    return
            self._asked.popleft()

    def take_answer(self, content: bytes) -> bool:
        """Hand an answer to who waits for it.

        Parameters
        ----------
        content : bytes
            What the service has sent.

        Returns
        -------
        bool
            Whether it is an answer at all.
        """
        try:
            answer = Answer.model_validate_json(content)
        except ValidationError:
            return False
        question = self._waiting.pop(answer.request, None)
        if question is not None:
            question.future.set_result(answer)
        return True

    def _is_late(self, question: Question) -> bool:
        return self._now_s() > question.until_s


class Lease:
    """Whether a client holds control, and when the service has to hear of it again.

    Parameters
    ----------
    now_s : callable
        A clock that never goes back [s].
    """

    def __init__(self, now_s: Callable[[], float] = time.monotonic) -> None:
        self._now_s = now_s
        self.is_held = False
        self.length_s = LEASE_S
        self._next_heartbeat_s = float("inf")

    def begin(self, length_s: float) -> None:
        """Control was given, for a time if the service hears nothing [s]."""
        self.length_s = length_s
        self.renew()
        self.is_held = True

    def renew(self) -> None:
        """A heartbeat is on its way."""
        self._next_heartbeat_s = self._now_s() + self.length_s / HEARTBEATS_PER_LEASE

    def end(self) -> None:
        """Control is with somebody else, or nobody."""
        self.is_held = False

    @property
    def due_in_s(self) -> float:
        """How long until the next heartbeat is due [s]; infinity: never."""
        return self._next_heartbeat_s - self._now_s() if self.is_held else float("inf")
