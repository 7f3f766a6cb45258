"""The service's own decisions: when the pump is muted for a log that stands still, and until when.

How it begins and ends stands in tests/faults, with real processes.
"""

from __future__ import annotations

from collections import deque
from types import SimpleNamespace
from unittest.mock import Mock, call

import pytest

from controller.runtime.log.thread import Logging, LogState
from controller.service.server import NOT_LOGGING, SILENT_S, _Service
from controller.settings import RunSettings, ServiceSettings
from controller.supervisor.requests import Request, RequestKind

ARM, MUTE, UNMUTE = RequestKind.ARM, RequestKind.MUTE, RequestKind.UNMUTE


class Desk:
    """A service with nothing in it but a log and a loop that remembers its orders."""

    def __init__(self, *, mutes: bool = True) -> None:
        service = _Service.__new__(_Service)
        service._child, service._log = Mock(), Mock()
        service._mutes, service._log_state = set(), LogState(state=Logging.WRITING)
        settings = ServiceSettings(mute_when_not_logging=mutes)
        service._configuration = SimpleNamespace(service=settings)  # type: ignore[assignment]
        service.note = Mock()  # type: ignore[method-assign]
        self.service = service

    def log_is(self, state: Logging) -> None:
        """Look at a log in this state."""
        self.service._log.state = LogState(state=state, reason="disk full")  # type: ignore[misc]
        self.service._look_at_log()

    def asked(self, kind: RequestKind) -> None:
        """Pass on what a client asks."""
        self.service.order(Request(kind=kind, who="ann"))

    @property
    def orders(self) -> list[RequestKind]:
        """What the loop was told."""
        return [given.args[0].kind for given in self.service._child.order.call_args_list]


def test_the_pump_is_muted_as_long_as_the_log_stands_still() -> None:
    desk = Desk()
    for state in (Logging.STOPPED, Logging.STOPPED, Logging.WRITING, Logging.WRITING):
        desk.log_is(state)
    assert desk.orders == [MUTE, UNMUTE]


def test_it_is_not_where_nobody_wants_that() -> None:
    desk = Desk(mutes=False)
    for state in (Logging.STOPPED, Logging.WRITING):
        desk.log_is(state)
    assert desk.orders == []


@pytest.mark.parametrize("is_first", [True, False])
def test_a_mute_that_a_client_asked_for_outlasts_the_logs(is_first: bool) -> None:
    desk = Desk()
    if is_first:
        desk.asked(MUTE)
    desk.log_is(Logging.STOPPED)
    if not is_first:
        desk.asked(MUTE)
    desk.log_is(Logging.WRITING)
    assert desk.orders == [MUTE, MUTE]


def test_to_arm_it_does_not_help_before_the_log_goes_on() -> None:
    desk = Desk()
    desk.log_is(Logging.STOPPED)
    desk.asked(ARM)
    assert desk.orders == [MUTE, ARM, MUTE]
    assert desk.service._mutes == {NOT_LOGGING}
    desk.log_is(Logging.WRITING)
    assert desk.orders[-1] is UNMUTE


def test_a_log_that_failed_ends_the_service() -> None:
    desk = Desk()
    desk.service._has_failed, desk.service._end_reason = False, None
    desk.log_is(Logging.FAILED)
    assert desk.service._end_reason == "the log failed: disk full"


def test_a_list_of_clients_that_cannot_be_read_is_said_once() -> None:
    service, complaint = Desk().service, "clients.toml:3: no key"
    service._access_complaint = ""
    for seen in ("", complaint, complaint, "", complaint):
        service._sockets = SimpleNamespace(access_complaint=seen)  # type: ignore[assignment]
        service._look_at_access()
    told = f"{complaint}; the list as it was before counts"
    assert service.note.call_args_list == 2 * [call("access", told)]  # type: ignore[attr-defined]


@pytest.mark.parametrize("has_news", [True, False])
def test_a_service_that_was_kept_waiting_listens_before_it_calls_the_loop_silent(
    has_news: bool,
) -> None:
    service = Desk().service
    service._configuration.run = RunSettings()  # type: ignore[misc]
    service._news = deque()
    child = SimpleNamespace(unheard_s=2.0 * SILENT_S, socket=Mock())

    def news() -> list[str]:
        child.unheard_s = 0.0 if has_news else child.unheard_s
        return ["what waited"] if has_news else []

    child.news = news
    service._child = child  # type: ignore[assignment]
    assert service._is_loop_silent() is not has_news
    assert list(service._news) == (["what waited"] if has_news else [])
