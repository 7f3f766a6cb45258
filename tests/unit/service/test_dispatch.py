"""Commands: what each orders of the loop, what is refused, and that every change is noted."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from controller.records import PumpState
from controller.service.access import Role
from controller.service.commands import COMMANDS, read_command
from controller.service.control import Control
from controller.service.dispatch import Dispatcher, Reply
from controller.service.link import BeginProtocol, Order, ProtocolView
from controller.service.measurements import Measurements
from controller.service.messages import PictureMessage, PumpLimits, Status
from controller.service.sockets import Incoming
from controller.supervisor.requests import Request, RequestKind
from tests.support.little_service import INFO
from tests.support.rehearsals import prepared

LIMITS = PumpLimits(max_amplitude=2.0, offset_limit_hz=10.0)


class Desk:
    """Remembers what came of commands."""

    def __init__(self) -> None:
        run = prepared()
        self.control = Control()
        self.measurements = Measurements(
            run.configuration, run.simulator, Path(), lambda: self.now_s
        )
        self.pump_limits = LIMITS
        self.orders: list[Order] = []
        self.notes: list[tuple[str, str, str]] = []
        self.ended = ""
        self.now_s = 0.0
        self.dispatcher = Dispatcher(self, lambda: self.now_s)

    def order(self, order: Order) -> None:
        """Remember it."""
        self.orders.append(order)

    def picture(self) -> PictureMessage:
        """One with nothing in it."""
        status = Status(line="locked", pump_state=PumpState.OFF)
        return PictureMessage(time_s=1.0, service=INFO, pump_limits=LIMITS, status=status)

    def note(self, kind: str, text: str, who: str = "") -> None:
        """Remember it."""
        self.notes.append((kind, text, who))

    def end(self, reason: str) -> None:
        """Remember it."""
        self.ended = reason

    def ask(
        self, command: str, who: str = "ana", role: Role = Role.CONTROLLER, **arguments: Any
    ) -> Reply:
        """The reply to a command."""
        content = {"request": 1, "command": command, "who": who, **arguments}
        parsed = read_command(json.dumps(content).encode())
        incoming = Incoming(command=parsed, identity=f"key of {who}", role=role, route=())
        return self.dispatcher.reply(incoming)

    @property
    def requests(self) -> list[tuple[RequestKind, float, str]]:
        """Kinds and values of the orders so far, and for whom."""
        return [(o.kind, o.value, o.who) for o in self.orders if isinstance(o, Request)]


@pytest.fixture
def desk() -> Desk:
    """One where ana holds control."""
    desk = Desk()
    assert desk.ask("take_control").ok
    return desk


def carried_out(desk: Desk) -> None:
    """A protocol begins."""
    assert desk.ask("start_protocol", protocol="exchange").ok


def test_every_command_has_an_answer(desk: Desk) -> None:
    arguments: dict[str, dict[str, Any]] = {
        "pump_amplitude": {"value": 0.5},
        "pump_offset_hz": {"value": 0.5},
        "hand_over": {"to": "ben"},
        "start_protocol": {"protocol": "exchange"},
        "check_protocol": {"protocol": "exchange"},
        "mark": {"text": "pixel 3"},
        "note": {"text": "the door was open"},
    }
    for name in COMMANDS:
        assert isinstance(desk.ask(name, **arguments.get(name, {})), Reply), name


@pytest.mark.parametrize(
    ("command", "arguments", "request_"),
    [
        ("arm", {}, (RequestKind.ARM, 0.0, "ana")),
        ("disarm", {}, (RequestKind.DISARM, 0.0, "ana")),
        ("mute", {}, (RequestKind.MUTE, 0.0, "ana")),
        ("pump_amplitude", {"value": 1.5}, (RequestKind.SET_AMPLITUDE, 1.5, "ana")),
        ("pump_offset_hz", {"value": -3.0}, (RequestKind.SET_OFFSET, -3.0, "ana")),
        ("mark", {"text": "pixel"}, (RequestKind.MARK, 0.0, "ana")),
    ],
)
def test_a_change_is_ordered_for_who_asked_and_noted(
    desk: Desk, command: str, arguments: dict[str, Any], request_: object
) -> None:
    reply = desk.ask(command, **arguments)
    assert reply.ok and reply.text
    assert desk.requests == [request_]
    kind, text, who = desk.notes[-1]
    assert kind == "command" and text.endswith(" by ana") and who == "ana"


@pytest.mark.parametrize("command", ["pump_amplitude", "pump_offset_hz"])
def test_the_pumps_limits_are_kept(desk: Desk, command: str) -> None:
    reply = desk.ask(command, value=10.5)
    assert not reply.ok and "must be at most" in reply.text
    assert desk.orders == [] and desk.dispatcher.refused == 1
    assert not any(command in text for _, text, _ in desk.notes)


def test_without_control_only_what_is_safe_is_done(desk: Desk) -> None:
    assert desk.ask("mute", who="ben").ok
    assert desk.ask("note", who="ben", text="smoke").ok
    for command in ("arm", "disarm", "shut_down"):
        reply = desk.ask(command, who="ben")
        assert not reply.ok and "ana holds control" in reply.text
    assert [kind for kind, _, _ in desk.requests] == [RequestKind.MUTE] and not desk.ended


def test_a_reader_looks_and_changes_nothing(desk: Desk) -> None:
    assert desk.ask("look", who="cy", role=Role.READER).data["picture"]["message"] == "picture"
    assert desk.ask("protocols", who="cy", role=Role.READER).ok
    assert not desk.ask("mute", who="cy", role=Role.READER).ok
    assert desk.orders == []


def test_heartbeats_are_no_news(desk: Desk) -> None:
    before = len(desk.notes)
    assert desk.ask("heartbeat").ok and len(desk.notes) == before


def test_a_protocol_begins_and_another_one_has_to_wait(desk: Desk) -> None:
    carried_out(desk)
    [order] = desk.orders
    assert isinstance(order, BeginProtocol) and order.run_number == 1
    assert "exchange" in desk.notes[-1][1]
    again = desk.ask("start_protocol", protocol="ramsey")
    assert not again.ok and "exchange is being carried out" in again.text


def test_while_a_protocol_is_carried_out_the_pump_is_its_own(desk: Desk) -> None:
    carried_out(desk)
    for command in ("pump_amplitude", "pump_offset_hz"):
        assert not desk.ask(command, value=0.5).ok
    assert desk.ask("mute").ok and desk.ask("arm").ok
    assert [kind for kind, _, _ in desk.requests] == [RequestKind.MUTE, RequestKind.ARM]


def test_disarming_stops_the_protocol_that_would_ask_for_the_pump_again(desk: Desk) -> None:
    carried_out(desk)
    assert desk.ask("disarm").ok
    assert [kind for kind, _, _ in desk.requests] == [RequestKind.STOP, RequestKind.DISARM]


@pytest.mark.parametrize(
    ("command", "kind"),
    [
        ("pause_protocol", RequestKind.PAUSE),
        ("resume_protocol", RequestKind.RESUME),
        ("skip_step", RequestKind.SKIP),
        ("stop_protocol", RequestKind.STOP),
    ],
)
def test_a_protocol_is_steered_while_there_is_one(
    desk: Desk, command: str, kind: RequestKind
) -> None:
    assert "no protocol" in desk.ask(command).text
    carried_out(desk)
    assert desk.ask(command).ok
    assert desk.requests == [(kind, 0.0, "ana")]


def test_a_protocol_that_cannot_be_is_refused_with_its_line(desk: Desk) -> None:
    text = 'title = "x"\nsteps = [ { step = "find" }, { step = "lok" } ]\n'
    for command in ("start_protocol", "check_protocol"):
        reply = desk.ask(command, protocol=text)
        assert not reply.ok and "the protocol that was sent:2" in reply.text
        assert "\n" not in reply.text
    assert "neither a shipped protocol" in desk.ask("check_protocol", protocol="exchagne").text
    assert desk.orders == []


def test_a_dry_run_switches_nothing(desk: Desk) -> None:
    reply = desk.ask("check_protocol", who="cy", role=Role.READER, protocol="exchange")
    assert reply.ok and "ring_up" in reply.data["timeline"]
    assert desk.orders == [] and not desk.measurements.is_on


def test_shutting_down_names_who_asked(desk: Desk) -> None:
    assert desk.ask("shut_down").ok
    assert desk.ended == "shut down by ana"


def test_after_shutting_down_nobody_holds_control(desk: Desk) -> None:
    """A client that was told it still does would give it back, and wait for nobody's answer."""
    desk.ask("shut_down")
    assert desk.control.holder is None


def test_after_its_end_a_protocol_is_none_to_be_steered(desk: Desk) -> None:
    carried_out(desk)
    over = ProtocolView(
        run_number=1, title="", status="", number=12, count=12, remaining_s=0.0, is_over=True
    )
    desk.measurements.take(over)
    assert not desk.ask("skip_step").ok
    assert desk.ask("pump_amplitude", value=0.5).ok
