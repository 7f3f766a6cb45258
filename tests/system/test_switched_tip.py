"""A tip that the protocol's own train switches: the difference jumps, and is followed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from controller.protocol.language import ProtocolPlan, Repeat
from tests.support.rehearsals import prepared, shipped_plan

SHIFT_HZ = 7.5e-3  # half a line; what a flip moves the difference by
PAIRS = 5


def short_plan() -> ProtocolPlan:
    plan = shipped_plan("alternating_difference")
    steps = tuple(
        step.model_copy(update={"times": PAIRS}) if isinstance(step, Repeat) else step
        for step in plan.steps
    )
    return plan.model_copy(update={"steps": steps})


@pytest.mark.parametrize("scenario", ["quiet_room", "door_opens"])
def test_flips_that_move_the_difference_do_not_mute_the_pump(scenario: str, tmp_path: Path) -> None:
    overrides = {"instrument.options.sample.shift_hz": [SHIFT_HZ]}
    run = prepared(scenario, overrides=overrides, protocol=short_plan()).until(60.0)
    assert run.engine.finished
    assert run.engine.results["protocol"]["repeated"] == 0
    assert run.events_of("pump", "mute") == []
    waits_s = [s.end_s - s.start_s for s in run.sections if s.kind == "pump_on"][1:]
    # The next train waits for the difference to be known, not for a healthy time.
    assert max(waits_s) < 0.5
    # The stated intervals hold across the flips: a tenth is far beyond what chance leaves out.
    truth = run.truth(tmp_path)
    times_s = run.times_s()
    error_hz = run.column(lambda r: r.difference_hz) - np.interp(
        times_s, truth["time_s"], truth["difference_hz"]
    )
    sigmas = error_hz / run.column(lambda r: r.difference_sigma_hz)
    assert np.mean(np.abs(sigmas[np.isfinite(sigmas)]) < 1.96) > 0.9
