"""The engine under a protocol, and a run without an end that carries out one after the other."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from controller.engine import Engine, Step
from controller.errors import InputError
from controller.protocol.runner import ProtocolRunner
from controller.records import ModeId
from controller.supervisor.requests import RequestKind
from tests.support.rehearsals import Rehearsal, prepared, request, with_pump_early
from tests.unit.protocol.plans import plan_of

LOWER = ModeId.LOWER


# -- one protocol ---------------------------------------------------------------------------


def test_a_run_ends_with_its_protocol() -> None:
    plan = plan_of({"step": "record", "duration_s": 0.5}, title="Half a second")
    run = prepared(protocol=plan).until(30.0)
    assert run.engine.finished and run.engine.failure is None
    assert [section.kind for section in run.sections] == ["find", "lock", "record"]
    assert run.end_index / run.rate_hz == run.sections[-1].end_s
    assert run.engine.results["protocol"]["title"] == "Half a second"
    assert run.engine.status_line.startswith("protocol done, 0 s left")


def test_basebands_come_with_recorded_steps_only() -> None:
    hold = {"step": "hold", "duration_s": 0.5}
    plan = plan_of(hold, {"step": "record", "duration_s": 0.5}, hold)
    run = prepared(protocol=plan).until(30.0)
    [recorded] = [section for section in run.sections if section.kind == "record"]
    times_s = [baseband.time_s for baseband in run.basebands]
    assert len(times_s) == 25
    # What ends within the step may have begun an update and the filter's delay before.
    assert recorded.start_s - 0.05 < times_s[0] and times_s[-1] < recorded.end_s


@pytest.mark.parametrize("block_s", [0.005, 0.1, 0.5])
def test_a_protocol_does_with_blocks_of_any_length(block_s: float) -> None:
    plan = plan_of(
        {"step": "settle", "difference_sigma_hz": 2.0e-3},
        {"step": "pump_on", "duration_s": 1.33},
        {"step": "record", "duration_s": 1.0},
    )
    run = prepared(overrides={"instrument.options.block_s": block_s}, protocol=plan).until(40.0)
    assert run.engine.finished
    assert all(section.completed for section in run.sections)
    on, off = (at_s for at_s, _ in run.pump_edges_s())
    assert off - on - 0.005 == pytest.approx(1.33, abs=1e-9)  # 5 ms of ramp
    steps_s = np.diff([baseband.time_s for baseband in run.basebands])
    np.testing.assert_allclose(steps_s, 0.02)


def test_under_a_protocol_the_pump_waits_for_it() -> None:
    plan = plan_of({"step": "wait", "duration_s": 8.0})
    run = prepared(overrides=with_pump_early(), protocol=plan).until(30.0)
    assert run.engine.finished and run.pump_edges_s() == []


def test_marks_reach_the_protocol() -> None:
    plan = plan_of({"step": "marker", "text": "pixel", "timeout_s": 100.0})
    run = prepared(protocol=plan).until(8.0)
    requests = {
        8.1: request(RequestKind.MARK, text="door"),
        8.5: request(RequestKind.MARK, text="pixel"),
    }
    run.until(20.0, requests=requests)
    assert run.engine.finished
    assert run.sections[-1].end_s == pytest.approx(8.5, abs=0.021)


def test_a_protocol_that_fails_is_the_runs_failure() -> None:
    plan = plan_of({"step": "marker", "timeout_s": 1.0}, retries=0)
    run = prepared(protocol=plan).until(30.0)
    assert run.engine.failure is not None and "it took longer than" in run.engine.failure
    assert not run.engine.finished
    assert run.events_of("protocol", "failed")


def test_settling_to_an_allan_deviation_takes_its_averaging_time() -> None:
    settle = {"step": "settle", "allan_deviation_hz": 1.0, "averaging_s": 1.6}
    run = prepared(protocol=plan_of(settle)).until(30.0)
    assert run.engine.finished
    [section] = [s for s in run.sections if s.kind == "settle"]
    assert section.end_s - section.start_s > 1.0


# -- an endless run -------------------------------------------------------------------------


def endless(overrides: dict[str, Any] | None = None, **options: Any) -> Rehearsal:
    """A run that ends with its stream only."""
    run = prepared(overrides=overrides)
    stream, tones = run.simulator.stream, run.simulator.tones
    run.engine = Engine(run.configuration, stream, tones, is_endless=True, **options)
    return run


def begin(run: Rehearsal, *steps: object, **tables: Any) -> None:
    run.engine.begin_protocol(ProtocolRunner.of(plan_of(*steps, **tables), run.configuration))


def test_an_endless_run_outlasts_its_duration() -> None:
    run = endless({"run.duration_s": 1.0}).until(10.0)
    assert run.engine.has_locked and not run.engine.finished


def test_an_endless_run_looks_for_its_modes_until_there_are_some() -> None:
    run = endless({"modes.upper.frequency_hz": 1.0553e6, "instrument.options.block_s": 0.5})
    run.until(130.0)
    assert len(run.events_of("search", "failed")) > 2
    assert not run.engine.has_locked and run.engine.failure is None


def test_after_a_protocol_the_pump_is_off_until_it_is_armed_and_then_as_before() -> None:
    run = endless(with_pump_early()).until(10.0)
    assert run.pump_is_on()
    amplitude = run.engine._pump.wish.amplitude
    pump_on = {"step": "pump_on", "amplitude": 0.5 * amplitude, "duration_s": 0.2}
    begin(run, pump_on, {"step": "wait", "duration_s": 0.2})
    run.until(16.0)
    assert run.on_again_s(10.0) == pytest.approx(10.0 + run.off_after_s(10.0), abs=0.11)  # a tick
    assert run.engine.protocol is None and not run.pump_is_on()
    assert [section.kind for section in run.sections][-2:] == ["pump_on", "wait"]
    run.until(20.0, requests={16.0: request(RequestKind.ARM)})
    assert run.pump_is_on()
    assert run.tones[-1].asked.channel != "pump" or run.tones[-1].asked.amplitude == amplitude


def test_after_a_protocol_the_modes_are_driven_as_configured() -> None:
    run = endless().until(8.0)
    target_m = run.configuration.drive.amplitude_of(LOWER)
    begin(
        run,
        {"step": "ring_up", "mode": "lower", "amplitude_m": 0.8 * target_m},
        {"step": "release"},
        {"step": "hold", "duration_s": 0.5},
    )
    run.until(14.0)
    assert run.engine.protocol is None
    assert not run.engine._drives.released
    assert run.records[-1].modes[LOWER].amplitude == pytest.approx(target_m, rel=0.1)


def test_a_protocol_that_ended_leaves_its_results_in_that_step() -> None:
    run = endless().until(8.0)
    begin(run, {"step": "wait", "duration_s": 0.2}, title="A short wait")
    results = [found for found in (step.results for step in steps_of(run, 9.0)) if found]
    assert [each["protocol"]["title"] for each in results] == ["A short wait"]


def test_a_protocol_that_fails_leaves_an_endless_run_going_on() -> None:
    run = endless().until(8.0)
    begin(run, {"step": "marker", "timeout_s": 0.5}, retries=0)
    run.until(10.0)
    assert run.events_of("protocol", "failed")
    assert run.engine.protocol is None and run.engine.failure is None


def test_one_protocol_at_a_time() -> None:
    run = endless().until(8.0)
    begin(run, {"step": "wait", "duration_s": 0.2}, title="A short wait")
    with pytest.raises(InputError, match="A short wait is being carried out"):
        begin(run, {"step": "wait", "duration_s": 0.2})


def test_who_watches_gets_basebands_that_are_for_the_log_only_where_a_protocol_records() -> None:
    run = endless(watches_basebands=True).until(8.0)
    assert all(not step.are_basebands_recorded for step in steps_of(run, 8.5))
    begin(run, {"step": "wait", "duration_s": 0.2}, {"step": "record", "duration_s": 0.4})
    steps = steps_of(run, 10.0)
    assert sum(len(step.basebands) for step in steps) == pytest.approx(1.5 / 0.02, abs=1)
    assert sum(len(step.basebands) for step in steps if step.are_basebands_recorded) == 20


def steps_of(run: Rehearsal, until_s: float) -> list[Step]:
    """The engine's steps up to a stream time."""
    steps: list[Step] = []
    step = run.engine.step

    def kept(*arguments: Any) -> Step:
        steps.append(step(*arguments))
        return steps[-1]

    run.engine.step = kept  # type: ignore[method-assign]
    run.until(until_s)
    run.engine.step = step  # type: ignore[method-assign]
    return steps
