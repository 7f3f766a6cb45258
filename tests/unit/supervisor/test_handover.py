"""Modes that are left to themselves and driven again, and who knows their difference meanwhile."""

from __future__ import annotations

import numpy as np
import pytest

from controller.records import ModeId, TrackerState
from controller.supervisor.requests import RequestKind
from controller.tracking.observer_states import LEARNT, LOWER_DECAY, UPPER_DECAY
from tests.support.rehearsals import prepared, request

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER
FAULTS = "instrument.options.faults."


def test_a_mode_is_driven_to_another_amplitude_by_its_name() -> None:
    run = prepared(overrides={"pump.amplitude": 0.0}).until(8.0)
    aimed = request(RequestKind.DRIVE, 0.6e-9, text="upper")
    run.until(14.0, requests={8.1: aimed})
    lower, upper = (run.records[-1].modes[mode].amplitude for mode in ModeId)
    assert lower == pytest.approx(1.0e-9, rel=0.02)
    assert upper == pytest.approx(0.6e-9, rel=0.02)
    assert run.events_of("run", "request_refused") == []


def test_a_drive_without_an_amplitude_keeps_the_last_one() -> None:
    run = prepared(overrides={"pump.amplitude": 0.0}).until(8.0)
    requests = {
        8.1: request(RequestKind.DRIVE, 0.6e-9, text="upper"),
        13.0: request(RequestKind.RELEASE, text="upper"),
        14.0: request(RequestKind.DRIVE, text="upper"),
    }
    run.until(19.0, requests=requests)
    assert run.records[-1].modes[UPPER].amplitude == pytest.approx(0.6e-9, rel=0.02)
    assert run.records[-1].modes[UPPER].drive_amplitude > 0.0


def test_while_searching_modes_may_be_driven_but_not_released() -> None:
    run = prepared()
    requests = {1.0: request(RequestKind.DRIVE), 2.0: request(RequestKind.RELEASE)}
    run.until(8.0, requests=requests)
    assert [event.time_s for event in run.events_of("run", "request_refused")] == [2.0]
    assert run.engine.has_locked


def test_after_a_new_search_free_modes_are_driven_again() -> None:
    """Nobody watches them any more: the observer went with the pair that was lost."""
    deaths = [{"mode": mode.value, "at_s": 10.0, "until_s": 20.0} for mode in ModeId]
    run = prepared(overrides={"pump.amplitude": 0.0, FAULTS + "mode_dies": deaths})
    run.until(40.0, requests={9.0: request(RequestKind.RELEASE)})
    assert run.events_of("run", "search")
    last = run.records[-1]
    assert all(mode.state is TrackerState.LOCKED for mode in last.modes.values())
    assert all(mode.drive_amplitude > 0.0 for mode in last.modes.values())
    assert not run.following.pair.is_joint_resting


def test_what_an_observer_learnt_the_next_one_begins_with() -> None:
    run = prepared().until(8.0)
    requests = {
        8.1: request(RequestKind.RELEASE),
        10.0: request(RequestKind.DRIVE),
        14.0: request(RequestKind.RELEASE),
    }
    run.until(9.0, requests={8.1: requests[8.1]})
    first = run.following.pair.observer
    assert first is not None
    run.until(15.0, requests={at: asked for at, asked in requests.items() if at > 9.0})
    second = run.following.pair.observer
    assert second is not None and second is not first
    decays = [LEARNT.index(place) for place in (LOWER_DECAY, UPPER_DECAY)]
    before, after = (
        observer.config.learnt.covariance.diagonal()[decays] for observer in (first, second)
    )
    assert np.all(after < 0.25 * before)  # two seconds of a free decay tell some per cent of it
