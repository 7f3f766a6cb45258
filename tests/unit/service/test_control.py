"""Control: one client at a time, as long as it is heard."""

from __future__ import annotations

import pytest

from controller.service.access import Role
from controller.service.commands import (
    Arm,
    Command,
    GiveUpControl,
    HandOver,
    Heartbeat,
    Look,
    Mute,
    TakeControl,
)
from controller.service.control import MOST_HEARD, ClientId, Control

ANN, BOB = ClientId("key a", "ann"), ClientId("key b", "bob")
ARM = Arm(request=1, who="ann")
MUTE = Mute(request=1, who="ann")
TAKE = TakeControl(request=1, who="ann", seconds=5.0)
GIVE_UP = GiveUpControl(request=1, who="ann")
BEAT = Heartbeat(request=1, who="ann")


def hand_over(to: str) -> HandOver:
    """The command that gives control to another."""
    return HandOver(request=1, who="ann", to=to)


def may(
    control: Control, client: ClientId, command: Command, now_s: float, role: Role = Role.CONTROLLER
) -> bool:
    """Whether a client may do something."""
    return control.refusal(client, role, command, now_s) == ""


def do(control: Control, client: ClientId, command: Command, now_s: float) -> bool:
    """Let a client do one of the things about control; whether it was done."""
    if not may(control, client, command, now_s):
        return False
    return control.carry_out(client, command, now_s)[0]


@pytest.fixture
def held() -> Control:
    """Control in Ann's hands since second 0."""
    control = Control()
    assert do(control, ANN, TAKE, 0.0)
    return control


def test_nothing_is_changed_without_control() -> None:
    control = Control()
    assert not may(control, ANN, ARM, 0.0)
    assert "take it first" in control.refusal(ANN, Role.CONTROLLER, ARM, 0.0)


def test_one_client_at_a_time(held: Control) -> None:
    assert may(held, ANN, ARM, 1.0)
    assert not may(held, BOB, ARM, 1.0)
    assert not do(held, BOB, TAKE, 1.0)
    assert "ann holds control" in held.carry_out(BOB, TAKE, 1.0)[1]


def test_the_same_name_with_another_key_is_another_client(held: Control) -> None:
    assert not may(held, ClientId("key c", "ann"), ARM, 1.0)
    assert not may(held, ClientId("key a", "anna"), ARM, 1.0)


def test_mute_is_always_obeyed_from_who_may_control(held: Control) -> None:
    assert may(held, BOB, MUTE, 1.0)
    assert may(Control(), BOB, MUTE, 1.0)


def test_a_reader_changes_nothing(held: Control) -> None:
    for command in (ARM, MUTE, TAKE, BEAT):
        assert not may(held, BOB, command, 1.0, Role.READER)
    assert may(held, BOB, Look(request=1, who="bob"), 1.0, Role.READER)


@pytest.mark.parametrize("command", [BEAT, ARM])
def test_whoever_is_heard_keeps_control(held: Control, command: Command) -> None:
    for now_s in (4.0, 8.0, 12.0):
        assert may(held, ANN, command, now_s)
        assert held.expire(now_s) is None
    assert held.expire(16.9) is None
    assert held.expire(17.0) == ANN


def test_whoever_is_not_heard_vanishes_once(held: Control) -> None:
    assert held.expire(5.0) == ANN
    assert held.expire(5.1) is None
    assert held.vanished_for_s(7.0) == 2.0
    assert held.status(7.0).vanished == "ann"
    assert not may(held, ANN, ARM, 7.0)


def test_giving_up_is_no_vanishing(held: Control) -> None:
    assert do(held, ANN, GIVE_UP, 1.0)
    assert held.expire(99.0) is None
    assert held.vanished_for_s(99.0) is None
    assert do(held, BOB, TAKE, 1.0)


def test_who_vanished_is_forgotten_when_somebody_takes_over(held: Control) -> None:
    held.expire(5.0)
    assert do(held, BOB, TAKE, 6.0)
    assert held.vanished_for_s(7.0) is None
    assert held.status(7.0).who == "bob"


def test_control_is_handed_to_who_was_heard(held: Control) -> None:
    assert not do(held, ANN, hand_over("bob"), 1.0)
    may(held, BOB, MUTE, 2.0)
    assert do(held, ANN, hand_over("bob"), 3.0)
    assert may(held, BOB, ARM, 4.0)
    assert not may(held, ANN, ARM, 4.0)


def test_control_is_not_handed_to_who_was_heard_long_ago(held: Control) -> None:
    may(held, BOB, MUTE, 0.0)
    assert may(held, ANN, BEAT, 4.0)
    for now_s in range(8, 80, 4):
        assert may(held, ANN, BEAT, float(now_s))
    assert not do(held, ANN, hand_over("bob"), 78.0)


def test_control_is_not_handed_to_one_of_two(held: Control) -> None:
    may(held, BOB, MUTE, 1.0)
    may(held, ClientId("key c", "bob"), MUTE, 1.0)
    assert not do(held, ANN, hand_over("bob"), 1.0)
    assert held.holder == ANN


def test_a_reader_is_handed_nothing(held: Control) -> None:
    may(held, BOB, MUTE, 1.0, Role.READER)
    assert not do(held, ANN, hand_over("bob"), 1.0)


def test_a_crowd_is_not_remembered(held: Control) -> None:
    for number in range(10 * MOST_HEARD):
        may(held, ClientId(f"key {number}", "many"), MUTE, 1.0)
    assert len(held._heard) <= MOST_HEARD
    assert may(held, ANN, ARM, 1.0)


def test_the_lease_is_as_long_as_was_asked() -> None:
    control = Control()
    assert do(control, ANN, TakeControl(request=1, who="ann", seconds=60.0), 0.0)
    assert control.expire(59.0) is None
    assert control.status(59.0).expires_in_s == 1.0
    assert control.expire(60.0) == ANN
