"""The service as another language sees it: pyzmq and JSON alone, held to the page's schema."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import zmq

from tests.rules.sources import ROOT
from tests.support.little_service import DEADLINE_S, LittleService
from tests.support.live_service import LiveService

pytestmark = pytest.mark.live

PAGE = (ROOT / "controller/service/MESSAGES.md").read_text(encoding="utf-8")
SCHEMA = json.loads((ROOT / "controller/service/messages.schema.json").read_text(encoding="utf-8"))
DEFINITIONS = {
    definition["properties"][key]["const"]: name
    for name, definition in SCHEMA["$defs"].items()
    for key in ("message", "command")
    if key in definition.get("properties", {})
}


def check(fields: object, definition: str) -> None:
    """Fail where an object is not as the page's schema says."""
    validator = jsonschema.Draft202012Validator({**SCHEMA, "$ref": f"#/$defs/{definition}"})
    validator.validate(fields)


class PlainClient:
    """Two sockets and JSON."""

    def __init__(self, command_port: int, telemetry_port: int) -> None:
        self._context = zmq.Context()
        self.commands = self._context.socket(zmq.DEALER)
        self.commands.connect(f"tcp://127.0.0.1:{command_port}")
        self.telemetry = self._context.socket(zmq.SUB)
        self.telemetry.connect(f"tcp://127.0.0.1:{telemetry_port}")
        self._requests = 0

    def close(self) -> None:
        """Close both sockets."""
        self._context.destroy(linger=0)

    def ask(self, command: str, **arguments: object) -> dict[str, Any]:
        """The answer to a command, both checked against the schema."""
        self._requests += 1
        asked = {"request": self._requests, "command": command, "who": "plain", **arguments}
        check(asked, DEFINITIONS[command])
        self.commands.send_json(asked)
        assert self.commands.poll(1e3 * DEADLINE_S), f"no answer to {command}"
        answer = json.loads(self.commands.recv())
        check(answer, "Answer")
        assert answer["request"] == self._requests
        return answer

    def next_of(self, topic: str, text: str = "") -> dict[str, Any]:
        """The next message of a topic with a text in it; what comes before it is checked too."""
        until_s = time.monotonic() + DEADLINE_S
        while time.monotonic() < until_s and self.telemetry.poll(1e3 * DEADLINE_S):
            came, content = self.telemetry.recv_multipart()
            message = json.loads(content, parse_constant=_no_number)
            assert message["message"] == came.decode()
            check(message, DEFINITIONS[came.decode()])
            if came.decode() == topic and text.encode() in content:
                return message
        raise AssertionError(f"no {topic} came")


def _no_number(name: str) -> None:
    raise AssertionError(f"{name} is no JSON")


@pytest.fixture
def service() -> Iterator[LittleService]:
    """A service with nothing behind it."""
    with LittleService() as service:
        yield service


@pytest.fixture
def client(service: LittleService) -> Iterator[PlainClient]:
    """A client of it."""
    client = PlainClient(service.command_port, service.telemetry_port)
    yield client
    client.close()


def test_the_example_of_the_page_runs(service: LittleService) -> None:
    [example] = re.findall(r"^```python\n(.*?)^```", PAGE, re.M | re.S)
    ran = subprocess.run(
        [sys.executable, "-c", example, str(service.command_port), str(service.telemetry_port)],
        capture_output=True,
        text=True,
        timeout=3 * DEADLINE_S,
        check=False,
    )
    assert ran.stderr == ""
    assert ran.stdout.splitlines() == [
        "picture nothing happens",
        "{'request': 1, 'ok': True, 'text': 'note done', 'data': {}}",
    ]


def test_messages_are_as_the_schema_says(service: LittleService, client: PlainClient) -> None:
    client.telemetry.subscribe("")
    picture = client.next_of("picture")
    assert picture["service"]["messages_version"] == 1
    service.publish_record(0.1)
    assert client.next_of("record")["record"]["modes"]["lower"]["state"] == "locked"
    assert client.next_of("status")["status"]["pump_state"] == "off"


def test_commands_are_answered_as_the_schema_says(
    service: LittleService, client: PlainClient
) -> None:
    assert not client.ask("arm")["ok"]
    assert client.ask("take_control", seconds=30)["ok"]
    assert client.ask("arm")["text"] == "arm done"
    assert client.ask("mark", text="half past")["ok"]
    assert client.ask("heartbeat")["ok"]
    assert client.ask("give_up_control")["ok"]
    check(client.ask("look")["data"]["picture"], "PictureMessage")
    assert [each.command.model_dump()["command"] for each in service.done] == ["arm", "mark"]


def test_the_page_names_every_message_and_command() -> None:
    for name in DEFINITIONS:
        assert f"`{name}`" in PAGE


def test_the_real_service_says_what_the_page_says(tmp_path: Path) -> None:
    with LiveService(tmp_path) as service:
        state = service.state
        client = PlainClient(state["command_port"], state["telemetry_port"])
        client.telemetry.subscribe("")
        picture = client.next_of("picture")
        assert picture["service"]["is_simulated"]
        assert picture["tones"]["pump"]["max_amplitude"] > 0.0
        client.next_of("record")
        client.next_of("status")

        check(client.ask("look")["data"]["picture"], "PictureMessage")
        protocols = client.ask("protocols")["data"]["protocols"]
        assert "exchange" in [protocol["name"] for protocol in protocols]
        assert client.ask("check_protocol", protocol="exchange")["data"]["timeline"]
        assert not client.ask("check_protocol", protocol="no such")["ok"]

        assert not client.ask("pump_amplitude", value=0.1)["ok"]
        assert client.ask("take_control", seconds=60)["ok"]
        assert client.ask("pump_amplitude", value=0.1)["ok"]
        assert not client.ask("pump_amplitude", value=1e6)["ok"]
        assert not client.ask("pump_offset_hz", value=1e6)["ok"]
        assert not client.ask("pause_protocol")["ok"]
        assert client.ask("arm")["ok"]
        assert client.ask("mute")["ok"]
        assert client.ask("note", text="all well")["ok"]
        assert client.next_of("event", "all well")["who"] == "plain"
        assert client.ask("shut_down")["ok"]
        client.close()
        assert service.ended() == (0, "")
        assert service.state["tones_off"]
