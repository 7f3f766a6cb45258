"""The status: before the loop has told anything, and what it makes of what it was told."""

from __future__ import annotations

from typing import Any

import pytest

from controller.records import PumpState
from controller.runtime.block_clock import LatencyFigures
from controller.runtime.log.thread import Logging, LogState
from controller.service.link import LoopState
from controller.service.messages import ControlStatus, Status
from controller.service.status import status_of

LOOP = LoopState(
    time_s=3.0,
    line="locked",
    pump_state=PumpState.ON,
    pump_amplitude=0.5,
    pump_offset_hz=0.1,
    pump_chirp_hz_per_s=-0.02,
    protocol=None,
    latency=LatencyFigures(blocks=7, missed=2, block_s=0.02, p50_s=0.003),
    dropped=4,
)


def status(loop: LoopState | None = LOOP, **changes: Any) -> Status:
    """Of a service of which nothing special is known."""
    fields: dict[str, Any] = {
        "control": ControlStatus(),
        "protocol": None,
        "log": LogState(state=Logging.WRITING),
        "clients": 1,
        "allan": {},
        **dict.fromkeys(("malformed", "strangers", "refused"), 0),
    }
    return status_of(loop, None, **{**fields, **changes})


def test_before_the_loop_has_told_anything_the_pump_is_off() -> None:
    shown = status(None)
    assert (shown.line, shown.pump_state, shown.pump_amplitude) == ("starting", PumpState.OFF, 0.0)
    assert shown.deadlines.block_ms is None and shown.counts.dropped == 0


def test_the_loop_is_shown_as_it_told() -> None:
    shown = status(malformed=1, strangers=2, refused=3)
    assert (shown.line, shown.pump_state, shown.pump_offset_hz) == ("locked", PumpState.ON, 0.1)
    assert shown.pump_chirp_hz_per_s == -0.02
    assert shown.deadlines.block_ms == pytest.approx(20.0)
    assert shown.deadlines.p50_ms == pytest.approx(3.0) and shown.deadlines.p99_ms is None
    assert (shown.deadlines.missed, shown.deadlines.blocks) == (2, 7)
    counts = shown.counts
    assert (counts.malformed, counts.strangers, counts.refused, counts.dropped) == (1, 2, 3, 4)


@pytest.mark.parametrize(
    ("state", "told"),
    [
        (Logging.WRITING, "writing"),
        (Logging.STOPPED, "stopped"),
        (Logging.FAILED, "stopped"),
        (Logging.CLOSED, "off"),
    ],
)
def test_each_state_of_the_log_has_a_word(state: Logging, told: str) -> None:
    assert status(log=LogState(state=state, reason="why")).log.state == told
