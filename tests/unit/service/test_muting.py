"""When the service mutes the pump by itself, and which mutes it lifts."""

from __future__ import annotations

from typing import Any

import pytest

from controller.service.muting import NOT_LOGGING, Muting
from controller.settings import ServiceSettings
from controller.supervisor.requests import Request, RequestKind

ARM, MUTE, UNMUTE = RequestKind.ARM, RequestKind.MUTE, RequestKind.UNMUTE


class Desk:
    """Hands requests on as the service does, and remembers them."""

    def __init__(self, **settings: Any) -> None:
        self.muting = Muting(ServiceSettings(**settings), self.ask)
        self.asked: list[RequestKind] = []

    def ask(self, request: Request) -> None:
        """To the loop, and back."""
        self.asked.append(request.kind)
        self.muting.take(request)

    def log_is(self, *stopped: bool) -> None:
        """The log stands still, or goes on."""
        for is_stopped in stopped:
            self.muting.look_at_log(is_stopped=is_stopped)


@pytest.fixture
def desk() -> Desk:
    """Of a service that mutes when it cannot log."""
    return Desk(mute_when_not_logging=True)


def test_the_pump_is_muted_as_long_as_the_log_stands_still(desk: Desk) -> None:
    desk.log_is(True, False)
    assert desk.asked == [MUTE, UNMUTE]
    assert desk.muting.reasons == set()


def test_it_is_not_where_nobody_wants_that() -> None:
    desk = Desk()
    desk.log_is(True, False)
    desk.muting.look_at_control(1e6)
    assert desk.asked == []


@pytest.mark.parametrize("is_first", [True, False])
def test_a_mute_that_a_client_asked_for_outlasts_the_logs(desk: Desk, is_first: bool) -> None:
    asked = Request(kind=MUTE, who="ann")
    if is_first:
        desk.ask(asked)
    desk.log_is(True)
    if not is_first:
        desk.ask(asked)
    desk.log_is(False)
    assert desk.asked == [MUTE, MUTE]


def test_to_arm_it_does_not_help_before_the_log_goes_on(desk: Desk) -> None:
    desk.log_is(True)
    desk.ask(Request(kind=ARM, who="ann"))
    assert desk.asked == [MUTE, ARM, MUTE]
    assert desk.muting.reasons == {NOT_LOGGING}
    desk.log_is(False)
    assert desk.asked[-1] is UNMUTE


def test_the_pump_is_muted_once_each_time_that_control_vanishes() -> None:
    desk = Desk(when_control_vanishes="mute", mute_after_s=10.0)
    for vanished_for_s in (None, 9.9):
        desk.muting.look_at_control(vanished_for_s)
    assert desk.asked == []
    for vanished_for_s in (10.0, 11.0, None, 10.0):
        desk.muting.look_at_control(vanished_for_s)
    assert desk.asked == [MUTE, MUTE]
