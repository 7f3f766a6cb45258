"""The interlock in the loop: off within 50 ms, back only after the healthy time.

Times are counted from the sample at which something goes wrong to the end of
the ramp, without the channel's latency, from the tones that were really set.
What follows from the length of a block: a fault of the stream itself is seen at
the end of its block (block + 5 ms ramp). A fault that a tracker has to see needs
the baseband's filter (20 ms, half of it delay) and an update of 20 ms, and then
the block has to end: with blocks of 20 ms and shorter this stays within 50 ms,
with longer ones within block + 30 ms.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from controller.instrument import SampleBlock
from controller.records import ModeId, PumpState
from controller.supervisor.requests import Request, RequestKind
from tests.support.rehearsals import RAMP_S, Rehearsal, prepared, with_pump_early

FAULTS = "instrument.options.faults."
WITHIN_S = 0.050  # requirement of the interlock, plus the channel's latency
HEALTHY_S = 0.5
AT_S = 7.0
RATE_HZ = 50_000.0
SHORT = with_pump_early(**{"drive.listen_s": 2.0, "pump.healthy_s": HEALTHY_S})
BOTH = ("lower", "upper")


def interval(name: str, duration_s: float) -> Callable[[float], dict[str, Any]]:
    return lambda at_s: {FAULTS + name: [{"at_s": at_s, "duration_s": duration_s}]}


STREAM_FAULTS: dict[str, Callable[[float], dict[str, Any]]] = {
    "overload": interval("overload", 0.01),
    "nan": interval("nan", 0.1),
    "frozen": interval("frozen", 0.1),
}
MODE_FAULTS: dict[str, Callable[[float], dict[str, Any]]] = {
    "a mode vanishes": lambda at_s: {
        FAULTS + "mode_dies": [{"mode": "upper", "at_s": at_s, "until_s": at_s + 0.5}]
    },
    "the fringe flips": lambda at_s: {"instrument.options.detector.gain_flips_at_s": [at_s]},
    "both jump by 3 Hz": lambda at_s: {
        FAULTS + "jumps": [{"mode": mode, "at_s": at_s, "hz": 3.0} for mode in BOTH]
    },
    "one jumps by 3 Hz": lambda at_s: {
        FAULTS + "jumps": [{"mode": "lower", "at_s": at_s, "hz": -3.0}]
    },
}
# How long after the fault the pump is on again: the fault, what it takes to lock again, a tick
# and the healthy time.
BACK_WITHIN_S = {
    "overload": 0.01 + 0.5,
    "nan": 0.1 + 0.5,
    "frozen": 0.1 + 0.5,
    # The drive pauses for half a second and the mode decays by 2 %.
    "a mode vanishes": 0.5 + 1.5,
    # The drives brake until their sign is told: some seconds to be back at nine tenths.
    "the fringe flips": 4.0,
    # Followed at once, or the estimate begins anew after a second and the lock.
    "both jump by 3 Hz": 3.0,
    "one jumps by 3 Hz": 3.0,
}


def run_with(
    fault: Callable[[float], dict[str, Any]], at_s: float, block_s: float, until_s: float
) -> Rehearsal:
    overrides = {**SHORT, **fault(at_s), "instrument.options.block_s": block_s}
    rehearsal = prepared("quiet_room", overrides).until(until_s)
    before = [is_on for edge_s, is_on in rehearsal.pump_edges_s() if edge_s < at_s]
    assert before == [True], "the pump was not on before the fault"
    return rehearsal


def assert_account_is_clean(rehearsal: Rehearsal) -> None:
    account = rehearsal.account()
    assert account["on_outside_interlock_s"] == 0.0
    assert account["on_s"] > 0.5
    kinds = [e.kind for e in rehearsal.events_of("pump", "interlock_open", "interlock_closed")]
    assert kinds == [("interlock_closed", "interlock_open")[n % 2] for n in range(len(kinds))]


@pytest.mark.parametrize("name", STREAM_FAULTS)
@pytest.mark.parametrize("block_s", [0.005, 0.02, 0.04])
def test_a_fault_of_the_stream_takes_the_pump_off_at_the_end_of_its_block(
    name: str, block_s: float
) -> None:
    for offset_s in (0.0, 0.0033):
        at_s = AT_S + offset_s
        rehearsal = run_with(STREAM_FAULTS[name], at_s, block_s, AT_S + 0.2)
        off_s = rehearsal.off_after_s(at_s)
        assert off_s <= block_s + RAMP_S + 1e-9
        assert off_s <= WITHIN_S
        assert_account_is_clean(rehearsal)


@pytest.mark.parametrize("block_s", [0.005, 0.02, 0.04])
def test_a_gap_takes_the_pump_off_with_the_first_block_after_it(block_s: float) -> None:
    lost_s = 0.1
    rehearsal = run_with(interval("lost", lost_s), AT_S, block_s, AT_S + 0.4)
    off_s = rehearsal.off_after_s(AT_S + lost_s)
    assert off_s <= block_s + RAMP_S + 1e-9
    assert_account_is_clean(rehearsal)


@pytest.mark.parametrize("name", MODE_FAULTS)
@pytest.mark.parametrize("block_s", [0.005, 0.02, 0.04])
def test_a_fault_of_a_mode_takes_the_pump_off(name: str, block_s: float) -> None:
    within_s = WITHIN_S if block_s <= 0.02 else block_s + 0.030
    # Against the grid of updates, 20 ms, at four places; the worst of a scan by the
    # millisecond is 46 ms for blocks of 20 ms.
    for offset_s in (0.0003, 0.0053, 0.0103, 0.0183):
        at_s = AT_S + offset_s
        rehearsal = run_with(MODE_FAULTS[name], at_s, block_s, AT_S + 0.2)
        assert rehearsal.off_after_s(at_s) <= within_s
        assert_account_is_clean(rehearsal)


@pytest.mark.parametrize("name", [*STREAM_FAULTS, *MODE_FAULTS])
def test_it_comes_back_by_itself_but_only_after_the_healthy_time(name: str) -> None:
    fault = {**STREAM_FAULTS, **MODE_FAULTS}[name]
    rehearsal = run_with(fault, AT_S, 0.02, AT_S + HEALTHY_S + BACK_WITHIN_S[name] + 1.0)
    back_s = rehearsal.on_again_s(AT_S)
    assert back_s is not None
    assert back_s - AT_S <= BACK_WITHIN_S[name] + HEALTHY_S
    closed = [e.time_s for e in rehearsal.events_of("pump", "interlock_closed")]
    opened = [e.time_s for e in rehearsal.events_of("pump", "interlock_open")]
    assert max(at_s for at_s in closed if at_s <= back_s) > max(
        at_s for at_s in opened if at_s < back_s
    )
    assert back_s - max(at_s for at_s in opened if at_s < back_s) >= HEALTHY_S
    assert rehearsal.pump_is_on()
    assert_account_is_clean(rehearsal)
    # And it is on the difference again.
    record = rehearsal.records[-1]
    assert record.difference_hz is not None and record.difference_sigma_hz is not None
    true_hz = 6643.249 + (3.0 if name == "one jumps by 3 Hz" else 0.0)
    assert record.pump_hz == pytest.approx(true_hz, abs=5e-3)


def test_a_gap_longer_than_a_tick_is_bridged() -> None:
    rehearsal = run_with(interval("lost", 2.0), AT_S, 0.02, AT_S + 4.0)
    assert rehearsal.on_again_s(AT_S) is not None
    # Still locked to the old phases, or to new ones: but never searched for.
    assert rehearsal.events_of("run", "search") == []
    assert_account_is_clean(rehearsal)


def test_a_constant_stream_takes_the_pump_off() -> None:
    first = round(AT_S * RATE_HZ)

    def stuck(block: SampleBlock) -> list[SampleBlock]:
        if not first <= block.first_sample < first + 5000:
            return [block]
        return [replace(block, samples=np.full_like(block.samples, 0.01 - 0.02j))]

    rehearsal = prepared("quiet_room", SHORT, filtered=stuck).until(AT_S + 1.5)
    assert rehearsal.off_after_s(AT_S) <= 0.02 + RAMP_S + 1e-9
    assert rehearsal.on_again_s(AT_S) is not None
    assert_account_is_clean(rehearsal)


def test_a_difference_that_leaves_its_window_takes_the_pump_off() -> None:
    """The modes drift apart; the estimate, a tick of 0.1 s behind, says when it is out."""
    edge_hz = 6643.40
    apart = {
        "pump.difference_window_hz": [6643.0, edge_hz],
        "pump.sigma_limit_hz": 0.5,
        "instrument.options.upper.room_per_k": 1.7e-4,
        "instrument.options.environment.steps": [{"at_s": AT_S, "kelvin": 0.01, "time_s": 10.0}],
    }
    rehearsal = prepared("quiet_room", {**SHORT, **apart}).until(AT_S + 10.0)
    opened = rehearsal.events_of("pump", "interlock_open")[0]
    assert f"left 6643 to {edge_hz:g} Hz" in opened.text
    assert rehearsal.off_after_s(opened.time_s) == pytest.approx(RAMP_S, abs=1e-9)
    outside = [r.time_s for r in rehearsal.records if (r.difference_hz or 0.0) > edge_hz]
    # A row stands for the centre of a tick, known half a tick and the filter's delay later.
    assert opened.time_s - outside[0] <= 0.05 + 0.01 + 0.02 + 1e-9
    assert rehearsal.on_again_s(opened.time_s) is None
    assert_account_is_clean(rehearsal)


def test_an_uncertain_difference_takes_the_pump_off() -> None:
    start_s = AT_S + 4.0  # when it no longer learns its own shift
    rehearsal = prepared("quiet_room", SHORT).until(start_s)
    pair = rehearsal.following.pair
    assert rehearsal.pump_is_on()
    real = pair.joint.process
    pair.joint.process = lambda *args, **more: replace(  # type: ignore[method-assign]
        real(*args, **more), tracked_sigma_hz=6.0e-3
    )
    rehearsal.until(start_s + 0.3)
    [opened] = rehearsal.events_of("pump", "interlock_open")
    assert "uncertain by 6 mHz, limit 4.97 mHz" in opened.text
    # The next tick says so, and its block's end is when the pump goes off.
    assert opened.time_s - start_s <= 0.1 + 1e-9
    assert rehearsal.off_after_s(opened.time_s) == pytest.approx(RAMP_S, abs=1e-9)
    assert_account_is_clean(rehearsal)


@pytest.mark.parametrize("block_s", [0.005, 0.02, 0.04])
def test_an_operators_mute_takes_the_pump_off_with_the_block_and_holds(block_s: float) -> None:
    overrides = {**SHORT, "instrument.options.block_s": block_s}
    mute, arm = (Request(kind=kind) for kind in (RequestKind.MUTE, RequestKind.ARM))
    rehearsal = prepared("quiet_room", overrides).until(AT_S)
    rehearsal.until(AT_S + 2.0, requests={AT_S + 0.001: mute})
    assert rehearsal.off_after_s(AT_S) <= block_s + RAMP_S + 1e-9
    assert not rehearsal.pump_is_on()
    rehearsal.until(AT_S + 3.0, requests={AT_S + 2.001: arm})
    back_s = rehearsal.on_again_s(AT_S)
    assert back_s is not None
    assert HEALTHY_S <= back_s - AT_S - 2.0 <= HEALTHY_S + 0.1 + 2.0 * block_s + 0.01
    assert_account_is_clean(rehearsal)


def test_a_mode_that_is_gone_for_good_is_searched_for_and_never_claimed() -> None:
    gone = {FAULTS + "mode_dies": [{"mode": "upper", "at_s": AT_S}]}
    overrides = {**SHORT, **gone, "run.duration_s": 60.0}
    rehearsal = prepared("quiet_room", overrides).until()
    assert rehearsal.engine.finished and rehearsal.engine.failure is None
    assert len(rehearsal.events_of("search", "failed")) >= 3
    after = [r for r in rehearsal.records if r.time_s > AT_S + 0.1]
    assert all(r.modes[ModeId.UPPER].state.value != "locked" for r in after)
    assert all(r.pump_state is not PumpState.ON for r in after)
    assert_account_is_clean(rehearsal)


@pytest.mark.parametrize("hz", [30.0, -150.0])
def test_both_modes_elsewhere_are_found_again(hz: float) -> None:
    away = {FAULTS + "jumps": [{"mode": mode, "at_s": AT_S, "hz": hz} for mode in BOTH]}
    rehearsal = prepared("quiet_room", {**SHORT, **away}).until(AT_S + 35.0)
    # Held for 10 s, searched for near by (4 s), then in the whole range (4 s), rung up again.
    back_s = rehearsal.on_again_s(AT_S)
    assert back_s is not None and back_s - AT_S < 30.0
    assert rehearsal.records[-1].modes[ModeId.LOWER].frequency_hz == pytest.approx(
        1043728.2 + hz, abs=0.5
    )
    assert_account_is_clean(rehearsal)


def test_a_drive_that_saturates_while_the_pump_is_on_breaks_nothing() -> None:
    """Too little drive for its target: the amplitude sags, the interlock stays as it was."""
    rehearsal = prepared("quiet_room", SHORT).until(AT_S)
    for controller in rehearsal.engine._drives.controllers.values():
        controller.config = replace(controller.config, max_amplitude=0.05)
    rehearsal.until(AT_S + 10.0)
    amplitude_m = rehearsal.records[-1].modes[ModeId.LOWER].amplitude
    assert amplitude_m is not None and amplitude_m < 0.9e-9
    assert rehearsal.pump_is_on()
    assert_account_is_clean(rehearsal)
