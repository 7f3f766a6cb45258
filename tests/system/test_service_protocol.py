"""Protocols through the live service: begun, followed, analysed, and the plain loop afterwards."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path

import pytest

import controller.service
from controller.records import PumpState
from controller.runtime.log.reader import LogReader
from controller.service.client import Client
from controller.service.messages import EventMessage, ResultMessage, StatusMessage
from tests.rules.test_readme import code_blocks
from tests.support.live_service import LiveService
from tests.support.witness import witnessed_scenario

pytestmark = pytest.mark.live

WITHIN_S = 30.0
SPEED = 8.0  # stream seconds in a second
WATCH = """
title = "A short watch"
analysis = "drift_watch"
parameters = { watch_s = 60.0 }
steps = [
  { step = "find" },
  { step = "lock" },
  { step = "pump_on" },
  { step = "hold", name = "watch", duration_s = { value_of = "watch_s" } },
  { step = "pump_off" },
]
"""


class Watcher:
    """A client's view of a service, put together from what it is told."""

    def __init__(self, service: LiveService, client: Client) -> None:
        self.service, self.client = service, client
        self.pump = PumpState.OFF
        self.protocol_states: list[str] = []
        self.results: dict[str, ResultMessage] = {}
        self.has_ended = False

    def until(self, is_reached: Callable[[], bool]) -> None:
        """Listen until something is reached."""
        given_up_s = time.monotonic() + WITHIN_S
        while not is_reached():
            assert time.monotonic() < given_up_s, (self.pump, self.protocol_states, self.results)
            message = self.client.next_message(WITHIN_S)
            if isinstance(message, ResultMessage):
                self.results[message.name] = message
            elif isinstance(message, EventMessage):
                self.has_ended |= message.event.kind == "end"
            elif isinstance(message, StatusMessage):
                self.pump = message.status.pump_state
                if message.status.protocol is not None:
                    self.protocol_states.append(message.status.protocol.state)


class Hasty(Client):
    """Has exchanges last for one decay time instead of two and a half."""

    def start_protocol(self, protocol: str, parameters: Mapping[str, float] | None = None) -> str:
        return super().start_protocol(protocol, {"decays": 1.0, **(parameters or {})})


@pytest.fixture
def watcher(tmp_path: Path) -> Iterator[Watcher]:
    """Watches a service and holds control of it."""
    with LiveService(tmp_path, str(witnessed_scenario(tmp_path, speed=SPEED))) as service:
        state = service.state
        ports = {name: state[name] for name in ("command_port", "telemetry_port")}
        with Client(who="test", timeout_s=WITHIN_S, **ports) as client, client.control():
            yield Watcher(service, client)


def test_the_client_in_the_readme(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """It runs as it stands there, on other ports; stream and exchange take less time than usual."""
    [script] = [block for block in code_blocks("python") if "start_protocol" in block]
    with LiveService(tmp_path, str(witnessed_scenario(tmp_path, speed=SPEED))) as service:
        ports = {name: service.state[name] for name in ("command_port", "telemetry_port")}
        monkeypatch.setattr(controller.service, "Client", partial(Hasty, **ports))
        exec(compile(script, "README.md", "exec"), {})
    *records, last = capsys.readouterr().out.splitlines()
    exchange_hz, sigma_hz = map(float, last.split())
    assert len(records) > 100
    assert exchange_hz == pytest.approx(0.04, abs=5.0 * sigma_hz)  # twice 0.04 Hz/V at 0.5 V


def test_protocols_are_carried_out_and_analysed_one_after_the_other(
    tmp_path: Path, watcher: Watcher
) -> None:
    client, results = watcher.client, watcher.results
    client.start_protocol(WATCH, {"watch_s": 12.0})
    assert not client.ask("start_protocol", protocol=WATCH).ok  # one at a time
    assert not client.ask("pump_amplitude", value=0.1).ok  # it is the protocol's
    watcher.until(lambda: {"drift_watch", "protocol"} <= set(results))
    assert list(dict.fromkeys(watcher.protocol_states)) == ["running", "analysing"]
    assert results["protocol"].result["done"] == 5
    assert results["drift_watch"].result["time_pumped"] == pytest.approx(1.0, abs=0.02)
    drawn = [Path(file).read_text(encoding="utf-8") for file in results["drift_watch"].files]
    assert drawn and all(text.startswith("<svg") for text in drawn)

    client.start_protocol(WATCH)
    watcher.until(lambda: watcher.pump is PumpState.ON)
    client.stop_protocol()
    watcher.until(lambda: watcher.pump is PumpState.OFF and "protocol_2" in results)
    client.pump_amplitude(0.4)
    client.arm()
    watcher.until(lambda: watcher.pump is PumpState.ON)
    client.shut_down()
    watcher.until(lambda: watcher.has_ended)
    assert watcher.service.ended() == (0, "")  # and its log is closed
    with LogReader(tmp_path / "run" / "log.sqlite") as reader:
        kinds = [section.kind for section in reader.sections()]
        assert {"protocol", "protocol_2", "drift_watch"} <= set(reader.results())
    assert kinds[:5] == ["find", "lock", "pump_on", "hold", "pump_off"]
