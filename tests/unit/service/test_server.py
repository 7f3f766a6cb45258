"""What the service says of its log and its list of clients.

How it begins and ends stands in tests/faults, with real processes.
"""

from __future__ import annotations

from types import SimpleNamespace
from unittest.mock import Mock, call

import pytest

from controller.runtime.log.thread import Logging, LogState
from controller.service.server import _Service


@pytest.fixture
def service() -> _Service:
    """With nothing in it but a log."""
    service = _Service.__new__(_Service)
    service._log, service._muting = Mock(), Mock()
    service._log_state = LogState(state=Logging.WRITING)
    service._access_complaint = ""
    service._has_failed, service._end_reason = False, None
    service.note = Mock()  # type: ignore[method-assign]
    return service


def look_at_log(service: _Service, state: Logging) -> None:
    """Let the service see its log in this state."""
    service._log.state = LogState(state=state, reason="disk full")  # type: ignore[misc]
    service._look_at_log()


def test_a_log_that_failed_ends_the_service(service: _Service) -> None:
    look_at_log(service, Logging.FAILED)
    assert service._end_reason == "the log failed: disk full"


def test_a_log_that_stands_still_is_said_once_and_may_mute_the_pump(service: _Service) -> None:
    for state in (Logging.STOPPED, Logging.STOPPED, Logging.WRITING):
        look_at_log(service, state)
    said = [given.args[1] for given in service.note.call_args_list]  # type: ignore[attr-defined]
    assert said == ["the log is stopped: disk full", "the log is writing: disk full"]
    looks = service._muting.look_at_log.call_args_list  # type: ignore[attr-defined]
    assert looks == [call(is_stopped=True), call(is_stopped=False)]


def test_a_list_of_clients_that_cannot_be_read_is_said_once(service: _Service) -> None:
    complaint = "clients.toml:3: no key"
    for seen in ("", complaint, complaint, "", complaint):
        service._sockets = SimpleNamespace(access_complaint=seen)  # type: ignore[assignment]
        service._look_at_access()
    told = f"{complaint}; the list as it was before counts"
    assert service.note.call_args_list == 2 * [call("access", told)]  # type: ignore[attr-defined]
