"""Two followed modes: nothing is missed in a block, and an estimate that is lost begins anew."""

from __future__ import annotations

import math
from dataclasses import replace

from tests.support.rehearsals import prepared, with_pump_early

FAULTS = "instrument.options.faults."


def test_a_long_block_hides_no_loss_of_lock() -> None:
    """Half a second in which the line vanishes and comes back, all in one block."""
    death = [{"mode": "upper", "at_s": 14.3, "until_s": 14.5}]
    run = prepared(
        overrides=with_pump_early(
            **{"instrument.options.block_s": 1.0, FAULTS + "mode_dies": death}
        )
    ).until(15.0)
    assert "upper holding" in run.events_of("pump", "interlock_open")[-1].text
    assert not run.pump_is_on()


def test_an_estimate_that_lost_its_way_begins_anew() -> None:
    run = prepared(overrides=with_pump_early()).until(11.0)
    pair = run.following.pair
    real = pair.joint.process
    pair.joint.process = lambda *args, **more: replace(  # type: ignore[method-assign]
        real(*args, **more), tracked_sigma_hz=3.0
    )
    run.until(20.0)
    assert run.following.pair is not pair
    assert "lost its way" in run.events_of("lower", "state")[-3].text
    assert run.pump_is_on()
    assert not math.isnan(run.records[-1].difference_hz or math.nan)
