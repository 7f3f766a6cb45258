"""A lost lock is found again without an operator, and how long that takes.

How long it may take follows from the steps: a loop that sees its line turn gives up
after `ELSEWHERE_RATIO` + 1 times the time of a return, a search lasts as long as its look,
ping and listening together, a loop settles in half a second. What is added is the length of
blocks, updates and filters.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from controller.records import ModeId
from controller.supervisor.searching import LOOK_S, SETTLE_S
from controller.tracking.phase_tracker import ELSEWHERE_RATIO, PhaseTrackerConfig
from tests.support.rehearsals import Rehearsal, prepared, with_pump_early

FAULTS = "instrument.options.faults."
BOTH = ("lower", "upper")
AT_S = 9.0
LISTEN_S, PING_S, HEALTHY_S = 2.0, 0.2, 0.5
SHORT = with_pump_early(
    **{"drive.listen_s": LISTEN_S, "drive.ping_s": PING_S, "pump.healthy_s": HEALTHY_S}
)
# Thermal motion is all that is left of the upper mode.
UNDRIVEN = {"drive.amplitude_m": [1.0e-9, 0.0]}
LOOP = PhaseTrackerConfig(update_s=0.02, detector_noise=1.0)
SEARCH_S = LOOK_S + PING_S + SETTLE_S + LISTEN_S
NOTICED_S = (1.0 + ELSEWHERE_RATIO) * LOOP.relock_s  # a line that turns
SLACK_S = 0.2  # blocks and updates of 20 ms: a few for each stage


def jump(hz: float) -> dict[str, Any]:
    return {FAULTS + "jumps": [{"mode": mode, "at_s": AT_S, "hz": hz} for mode in BOTH]}


LOST_S = 60.0
CASES: dict[str, tuple[dict[str, Any], float, float]] = {
    # What goes wrong, when it is over, how long the modes may then be lost.
    "a jump of 15 Hz": (jump(15.0), AT_S, NOTICED_S + SEARCH_S + LOOP.settle_s + SLACK_S),
    # Not in the first range of 20 Hz: searched for there, and then everywhere.
    "a jump of 40 Hz": (jump(-40.0), AT_S, NOTICED_S + 2.0 * SEARCH_S + LOOP.settle_s + SLACK_S),
    "a minute of the stream is missing": (
        {FAULTS + "lost": [{"at_s": AT_S, "duration_s": LOST_S}]},
        AT_S + LOST_S,
        SEARCH_S + LOOP.settle_s + SLACK_S,
    ),
    "the fringe flips": (
        {"instrument.options.detector.gain_flips_at_s": [AT_S]},
        AT_S,
        LOOP.relock_s + LOOP.settle_s + SLACK_S,
    ),
}


def relocked(rehearsal: Rehearsal) -> tuple[float, float]:
    """When both modes were locked again, and how long after the lock was lost, as logged [s]."""
    event = rehearsal.events_of("run", "relocked")[0]
    found = re.fullmatch(r"both modes locked again ([\d.]+) s after the lock was lost", event.text)
    assert found is not None
    return event.time_s, float(found[1])


def assert_right(rehearsal: Rehearsal, folder: Path, from_s: float) -> None:
    """From a time on both frequencies and the difference lie within five sigmas of the truth."""
    truth = rehearsal.truth(folder)
    times_s = rehearsal.times_s()
    stated: dict[str, tuple[np.ndarray, np.ndarray]] = {
        "difference_hz": (
            rehearsal.column(lambda record: record.difference_hz),
            rehearsal.column(lambda record: record.difference_sigma_hz),
        )
    }
    for mode in ModeId:
        stated[f"{mode.value}_hz"] = (
            rehearsal.column(lambda record, mode=mode: record.modes[mode].frequency_hz),
            rehearsal.column(lambda record, mode=mode: record.modes[mode].frequency_sigma_hz),
        )
    for name, (estimates_hz, sigmas_hz) in stated.items():
        counted = rehearsal.are_locked() & (times_s > from_s) & np.isfinite(sigmas_hz)
        assert np.count_nonzero(counted) > 20
        errors_hz = estimates_hz - np.interp(times_s, truth["time_s"], truth[name])
        assert np.all(np.abs(errors_hz)[counted] < 5.0 * sigmas_hz[counted]), name


@pytest.mark.parametrize("name", CASES)
def test_lost_modes_are_locked_again_in_a_stated_time(name: str, tmp_path: Path) -> None:
    fault, over_s, within_s = CASES[name]
    rehearsal = prepared("quiet_room", {**SHORT, **fault}).until(over_s + within_s + 5.0)
    at_s, took_s = relocked(rehearsal)
    print(f"{name}: locked again after {at_s - over_s:.2f} s, allowed {within_s:.2f} s")
    assert at_s - over_s <= within_s
    assert took_s == pytest.approx(at_s - AT_S, abs=0.07)  # in tenths, to the end of a block
    assert_right(rehearsal, tmp_path, at_s)
    # The pump is off from the fault, or the first block after a gap, until all is well again.
    (off_s, is_on), (on_s, is_on_again) = (e for e in rehearsal.pump_edges_s() if e[0] > AT_S)
    assert not is_on and off_s <= over_s + 0.05
    assert is_on_again and on_s >= at_s + HEALTHY_S
    assert rehearsal.account()["on_outside_interlock_s"] == 0.0


@pytest.mark.parametrize(("lower_hz", "upper_hz"), [(3.0, 3.0), (-3.0, 0.0), (2.0, 3.0)])
def test_a_jump_by_some_hertz_is_followed_without_a_search(
    lower_hz: float, upper_hz: float, tmp_path: Path
) -> None:
    jumps_hz = zip(BOTH, (lower_hz, upper_hz), strict=True)
    fault = {FAULTS + "jumps": [{"mode": m, "at_s": AT_S, "hz": hz} for m, hz in jumps_hz]}
    rehearsal = prepared("quiet_room", {**SHORT, **fault}).until(AT_S + 6.0)
    assert rehearsal.events_of("run", "search", "relocked") == []
    # A row of the tick that holds the jump and two ticks that show it to be one.
    assert_right(rehearsal, tmp_path, AT_S + 0.3)
    back_s = rehearsal.on_again_s(AT_S)
    assert back_s is not None
    print(
        f"jumps of {lower_hz:g} and {upper_hz:g} Hz: the pump is back after {back_s - AT_S:.2f} s"
    )
    assert HEALTHY_S < back_s - AT_S < HEALTHY_S + 1.0
    assert rehearsal.off_after_s(AT_S) < 0.05
    assert rehearsal.account()["on_outside_interlock_s"] == 0.0


def test_a_mode_without_a_drive_is_found_again_by_listening(tmp_path: Path) -> None:
    """It is in thermal motion: its sigma is beyond the pump's limit before and after."""
    fault, over_s, within_s = CASES["a minute of the stream is missing"]
    rehearsal = prepared("quiet_room", {**SHORT, **UNDRIVEN, **fault}).until(
        over_s + within_s + 5.0
    )
    at_s, _ = relocked(rehearsal)
    print(f"undriven upper mode: locked again after {at_s - over_s:.2f} s")
    assert at_s - over_s <= within_s
    pings = [tone for tone in rehearsal.tones if tone.asked.chirp_hz_per_s > 0.0]
    assert {tone.asked.channel for tone in pings} == {"drive_lower"}
    assert_right(rehearsal, tmp_path, at_s)
    assert rehearsal.pump_edges_s() == []
