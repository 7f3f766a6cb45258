"""What may be done, and why not: each refusal of the service is foreseen."""

from __future__ import annotations

import pytest

from controller.records import PumpState
from controller.service.commands import COMMANDS
from gui.models.actions import READS_ONLY, Action, hindrances
from gui.models.present import Origin, Present
from tests.support.desk import present_with, protocol, status

MINE, OTHERS = "me", "bob"


def possible(present: Present, *, has_control: bool = True) -> set[Action]:
    """What can be done."""
    found = hindrances(present, has_control=has_control)
    assert set(found) == set(Action)
    return {action for action, why in found.items() if not why}


def test_actions_are_commands_of_the_service() -> None:
    assert {str(action) for action in Action} <= set(COMMANDS)


def test_those_that_need_control_are_those_of_the_service() -> None:
    possible_ones = possible(present_with(status()), has_control=False)
    assert possible_ones == {
        action
        for action in Action
        if not COMMANDS[action].needs_control  # mute, note, a check and taking control
    }


def test_a_key_that_may_read_can_do_what_changes_nothing() -> None:
    present = present_with(status())
    present.reads_only = True
    assert possible(present, has_control=False) == {
        action for action in Action if not COMMANDS[action].changes
    }
    assert hindrances(present, has_control=False)[Action.MUTE] == READS_ONLY


def test_nothing_can_be_done_without_a_running_service() -> None:
    assert possible(Present()) == possible(Present(Origin.LOG)) == set()
    gone = present_with(status())
    gone.lose()
    assert possible(gone) == set()
    why = hindrances(gone, has_control=True)[Action.MUTE]
    assert why == "there is no connection to the service"


def test_whoever_holds_control_is_named() -> None:
    found = hindrances(present_with(status(holder=OTHERS)), has_control=False)
    assert found[Action.ARM] == found[Action.TAKE_CONTROL] == "bob holds control"
    assert found[Action.MUTE] == found[Action.NOTE] == ""


def test_mute_is_possible_in_every_state_of_a_connected_service() -> None:
    for pump in PumpState:
        for state in ("running", "paused", "recovering", "analysing", "done"):
            for holder in ("", MINE, OTHERS):
                present = present_with(status(pump, holder, protocol=protocol(state)))
                for has_control in (False, True):
                    assert Action.MUTE in possible(present, has_control=has_control)


@pytest.mark.parametrize("state", ["running", "paused", "recovering"])
def test_a_protocol_sets_the_pump_and_can_be_steered(state: str) -> None:
    present = present_with(status(PumpState.OFF, MINE, protocol=protocol(state)))
    able = possible(present)
    assert {Action.SKIP_STEP, Action.STOP_PROTOCOL} <= able
    assert not {Action.PUMP_AMPLITUDE, Action.PUMP_OFFSET, Action.START_PROTOCOL} & able
    assert (Action.RESUME_PROTOCOL in able) == (state == "paused")
    assert (Action.PAUSE_PROTOCOL in able) == (state != "paused")


@pytest.mark.parametrize("state", ["analysing", "done", "stopped", "failed"])
def test_after_a_protocol_the_pump_is_ours_again(state: str) -> None:
    able = possible(present_with(status(PumpState.OFF, MINE, protocol=protocol(state))))
    assert {Action.PUMP_AMPLITUDE, Action.START_PROTOCOL, Action.ARM} <= able
    assert not {Action.STOP_PROTOCOL, Action.PAUSE_PROTOCOL, Action.RESUME_PROTOCOL} & able


def test_a_pump_that_is_on_is_armed_already() -> None:
    assert Action.ARM not in possible(present_with(status(PumpState.ON, MINE)))
    assert Action.ARM in possible(present_with(status(PumpState.MUTED, MINE)))


def test_an_instrument_without_a_pump_has_none_to_set() -> None:
    present = present_with(status(PumpState.OFF, MINE))
    present.tones = {}
    able = possible(present)
    assert not {Action.ARM, Action.DISARM, Action.MUTE, Action.PUMP_AMPLITUDE} & able
    assert Action.START_PROTOCOL in able
