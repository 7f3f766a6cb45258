"""What steps ask of the loop: drives, releases, and a pump."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from controller.protocol.runner import LoopView
from controller.supervisor.requests import PumpWish, Request, RequestKind
from tests.unit.protocol.played import (
    HOLD,
    LOCKED,
    OVER,
    PUMP_ON,
    PUMPED,
    RING_UP,
    SHORT_PUMP,
    played,
)


def asked_by(step: Mapping[str, Any], view: LoopView = LOCKED) -> Request:
    """What a step asks when it begins."""
    run = played(step, HOLD)
    [request] = run.see(view).requests
    assert request.who == "protocol"
    return request


def test_a_ring_up_asks_for_its_mode_and_amplitude() -> None:
    request = asked_by(RING_UP)
    assert (request.kind, request.text, request.value) == (RequestKind.DRIVE, "upper", 1.0e-9)
    both = asked_by({"step": "ring_up", "amplitude_m": 2.0e-9})
    assert (both.text, both.value) == ("", 2.0e-9)


@pytest.mark.parametrize(("mode", "text"), [("lower", "lower"), ("both", "")])
def test_release_and_drive_name_their_mode(mode: str, text: str) -> None:
    release = asked_by({"step": "release", "mode": mode})
    assert (release.kind, release.text) == (RequestKind.RELEASE, text)
    drive = asked_by({"step": "drive", "mode": mode})
    assert (drive.kind, drive.text, drive.value) == (RequestKind.DRIVE, text, 0.0)


def test_a_pump_is_wished_as_it_is_written() -> None:
    request = asked_by(
        {
            "step": "pump_on",
            "amplitude": 0.3,
            "detuning_hz": 0.02,
            "chirp_hz_per_s": -0.01,
            "phase_rad": 1.5,
            "continues": True,
            "waveform": "pulses",
            "pulse_s": 3.2e-5,
            "duration_s": 4.0,
        }
    )
    assert request.kind is RequestKind.PUMP
    assert request.wish == PumpWish(
        amplitude=0.3,
        offset_hz=0.02,
        phase_rad=1.5,
        continues=True,
        waveform="pulses",
        pulse_s=3.2e-5,
        chirp_hz_per_s=-0.01,
        duration_s=4.0,
    )


def test_without_a_duration_a_pump_is_on_until_it_is_told() -> None:
    assert asked_by(PUMP_ON).wish == PumpWish(amplitude=0.3)
    run = played(PUMP_ON, HOLD, {"step": "pump_off"}, HOLD)
    run.see(LOCKED, blocks=3)
    assert run.kinds == []
    run.see(PUMPED, blocks=12)
    assert run.kinds == ["pump_on", "hold"]
    assert run.requests[-1].kind is RequestKind.DISARM
    run.see(PUMPED, blocks=2)
    assert run.kinds == ["pump_on", "hold"]
    run.see(LOCKED)
    assert run.kinds == ["pump_on", "hold", "pump_off"]


def test_a_pump_with_a_duration_is_done_when_it_is_over() -> None:
    run = played(SHORT_PUMP, HOLD)
    run.see(LOCKED, blocks=4)
    run.see(PUMPED, blocks=20)
    assert run.kinds == []
    run.see(OVER)
    assert run.kinds == ["pump_on"]
    # What was on for its time may be off from then on.
    run.see(LOCKED, blocks=12)
    assert run.kinds == ["pump_on", "hold"] and run.runner.is_finished
