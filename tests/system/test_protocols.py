"""A shipped protocol through the whole loop: its steps, what is recorded, what goes wrong."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from controller.protocol.language import ProtocolPlan
from controller.records import PumpState, Section
from controller.supervisor.requests import Request, RequestKind
from tests.support.basebands import baseband_array
from tests.support.rehearsals import Rehearsal, prepared, shipped_plan

PERIOD_S = 0.02  # of basebands: 50 Hz
BLOCK_S = 0.02
# The scenario's own numbers.
COUPLING_HZ = 0.04 * 0.5  # g / 2 pi, of 0.5 V
NOISE_M = 4.0e-15 / math.sqrt(PERIOD_S)  # of a baseband, in each quadrature (physics.md)
FAULTS = "instrument.options.faults."
IN_THE_FIRST_PUMP_S = 13.0  # it comes on at 10 s
SHORT = 0.25  # amplitude decay times: 5.3 s


def exchange_plan(decays: float = SHORT, **changes: Any) -> ProtocolPlan:
    return shipped_plan("exchange", decays=decays).model_copy(update=changes)


def in_steps(run: Rehearsal) -> list[str]:
    """Kinds of the sections in their order."""
    return [section.kind for section in run.sections]


def pumps(run: Rehearsal) -> list[Section]:
    return [section for section in run.sections if section.kind == "pump_on"]


EXCHANGE = ["ring_up", "ring_up", "settle", "release", "pump_on"]


@pytest.fixture(scope="module")
def exchange() -> Rehearsal:
    """The shipped protocol from a cold start to its end; read only."""
    return prepared(protocol=exchange_plan(decays=0.7)).until(120.0)


@pytest.fixture(scope="module")
def basebands(exchange: Rehearsal) -> np.ndarray:
    return baseband_array(exchange.basebands)


# -- as it should go ---------------------------------------------------------------------


def test_the_steps_come_in_order_and_all_are_completed(exchange: Rehearsal) -> None:
    assert in_steps(exchange) == ["find", "lock", *EXCHANGE, *EXCHANGE]
    assert all(section.completed and section.attempt == 1 for section in exchange.sections)
    for before, after in itertools.pairwise(exchange.sections):
        assert after.start_s == before.end_s
        assert after.number == before.number + 1
    assert exchange.engine.finished and exchange.engine.failure is None
    results = exchange.engine.results["protocol"]
    assert (results["done"], results["steps"], results["repeated"]) == (12, 12, 0)


def test_the_pump_is_on_for_exactly_its_duration(exchange: Rehearsal) -> None:
    """To the sample, as the channel really set it."""
    edges: list[int] = []
    for entry in exchange.tones:
        if entry.asked.channel == "pump" and entry.actual is not None:
            is_on = entry.actual.amplitude > 0.0
            if is_on is (len(edges) % 2 == 0):
                edges.append(entry.actual.at_sample)
    assert len(edges) == 4
    duration_s = float(pumps(exchange)[0].parameters["duration_s"])
    for on, off in (edges[:2], edges[2:]):
        assert off - on == round(duration_s * exchange.rate_hz)


def test_the_pump_is_never_on_outside_its_steps(exchange: Rehearsal) -> None:
    for at_s, is_on in exchange.pump_edges_s():
        inside = [step for step in pumps(exchange) if step.start_s < at_s < step.end_s + BLOCK_S]
        assert inside, (at_s, is_on)
    account = exchange.account()
    assert account["mutes"] == 0 and account["on_outside_interlock_s"] == 0.0


def test_basebands_come_at_50_hz_in_recorded_steps_and_in_no_others(
    exchange: Rehearsal, basebands: np.ndarray
) -> None:
    times_s = basebands["time_s"]
    for step in pumps(exchange):
        # An update ends up to its own length and the filter's delay after its middle.
        is_inside = (times_s > step.start_s - 0.05) & (times_s < step.end_s)
        inside_s = times_s[is_inside]
        np.testing.assert_allclose(np.diff(inside_s), PERIOD_S, rtol=1e-6)
        assert inside_s[0] < step.start_s + 0.05 and inside_s[-1] > step.end_s - 0.05
        times_s = times_s[~is_inside]
    assert len(times_s) == 0


def test_basebands_agree_with_the_true_amplitudes(
    exchange: Rehearsal, basebands: np.ndarray, tmp_path: Path
) -> None:
    truth = exchange.truth(tmp_path)
    for mode in ("lower", "upper"):
        true_m = np.interp(basebands["time_s"], truth["time_s"], truth[f"{mode}_amplitude_m"])
        # The pass band is flat to 0.01 dB; a null turns within a row of the truth.
        allowed_m = 1.2e-3 * true_m + 5.0 * NOISE_M + 1.0e-12
        assert np.all(np.abs(np.abs(basebands[mode]) - true_m) < allowed_m)


def test_basebands_turn_with_the_modes_against_the_references(
    exchange: Rehearsal, basebands: np.ndarray, tmp_path: Path
) -> None:
    """Before the pump comes on: the phase advances with the true frequency less the reference."""
    truth = exchange.truth(tmp_path)
    is_free = (basebands["time_s"] < 9.8) & (basebands["pump_amplitude"] == 0.0)
    quiet = basebands[is_free]
    times_s = quiet["time_s"]
    elapsed_s = times_s[-1] - times_s[0]
    assert elapsed_s > 1.0
    for mode, reference_hz in (("lower", 1.043712e6), ("upper", 1.050338e6)):
        true_hz = np.interp(times_s, truth["time_s"], truth[f"{mode}_hz"]).mean()
        # The upper mode is 34 Hz off, beyond half of 50 Hz: what it should turn by goes first.
        turned_back = quiet[mode] * np.exp(-2j * np.pi * (true_hz - reference_hz) * times_s)
        turned_rad = np.unwrap(np.angle(turned_back))
        size_m = np.abs(quiet[mode]).min()
        # Detector noise at both ends, and the diffusion by thermal kicks of 2.9 pm.
        kicks_m = 2.9e-12 * math.sqrt(0.1 * elapsed_s)
        sigma_rad = math.hypot(2.0 * NOISE_M, kicks_m) / size_m
        # 1 mHz: what the room moves in a second.
        allowed_rad = 5.0 * sigma_rad + 2.0 * np.pi * 1.0e-3 * elapsed_s
        assert abs(turned_rad[-1] - turned_rad[0]) < allowed_rad


def test_what_leaves_one_mode_arrives_in_the_other_with_the_pumps_phase(
    exchange: Rehearsal, basebands: np.ndarray
) -> None:
    """physics.md: a_1(t) = cos(g t) a_1 + i sin(g t) e^(-i phi_p) a_2, and the other way."""
    after_s, coupling = 3.0, 2.0 * math.pi * COUPLING_HZ
    for step in pumps(exchange):
        is_in = (basebands["time_s"] > step.start_s) & (basebands["time_s"] < step.end_s)
        pumped = basebands[is_in & (basebands["pump_amplitude"] > 0.0)][2:]
        lower = pumped["lower"]
        upper = pumped["upper"] * np.exp(-1j * pumped["pump_phase_rad"])
        later = round(after_s / PERIOD_S)
        even, odd = math.cos(coupling * after_s), 1j * math.sin(coupling * after_s)
        expected = (even * lower[0] + odd * upper[0]) * np.conj(even * upper[0] + odd * lower[0])
        found = lower[later] * np.conj(upper[later])
        # Both phases drift together; thermal kicks of 1.5 pm on 0.4 nm turn the rest by 4 mrad,
        # a pump that is 1 mHz off by 20 mrad.
        assert abs(np.angle(found / expected)) < 0.05
        fading = math.exp(-0.09 * after_s)  # amplitudes of two modes, gamma / 2 = 0.045 / s each
        assert abs(found) == pytest.approx(fading * abs(expected), rel=0.05)


def test_drives_are_off_in_the_recorded_exchange(basebands: np.ndarray) -> None:
    """From the block on in which the release takes effect."""
    silent = (basebands["drive_lower"] == 0.0) & (basebands["drive_upper"] == 0.0)
    assert np.count_nonzero(~silent) < 20
    assert np.all(silent[basebands["pump_amplitude"] > 0.0])


def test_without_a_protocol_nothing_is_recorded_and_there_are_no_steps() -> None:
    run = prepared().until(8.0)
    assert run.basebands == [] and run.sections == []
    assert run.engine.results == {}


# -- interruptions ----------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["lost", "overload"])
def test_a_mute_in_the_middle_repeats_the_exchange_and_says_so(kind: str) -> None:
    fault = [{"at_s": IN_THE_FIRST_PUMP_S, "duration_s": 0.1}]
    run = prepared(overrides={FAULTS + kind: fault}, protocol=exchange_plan())
    run.until(30.0)
    cut = run.sections[6]
    assert (cut.kind, cut.completed, cut.attempt) == ("pump_on", False, 1)
    assert cut.reason == "the pump was muted"
    assert cut.end_s == pytest.approx(IN_THE_FIRST_PUMP_S + 0.1, abs=0.11)
    # Modes that were prepared in a row are prepared in a row again.
    assert in_steps(run)[7:14] == ["find", "lock", *EXCHANGE]
    again = run.sections[13]
    assert again.completed and again.attempt == 2 and again.number == cut.number
    duration_s = float(again.parameters["duration_s"])
    on_s = run.on_again_s(IN_THE_FIRST_PUMP_S + 0.2)
    assert on_s is not None and again.end_s - on_s == pytest.approx(duration_s, abs=BLOCK_S)
    [said] = run.events_of("protocol", "interrupted")
    assert said.text.startswith("the pump was muted: back to find")
    assert run.engine.results["protocol"]["repeated"] == 1
    assert run.account()["on_outside_interlock_s"] == 0.0


def test_once_its_retries_are_used_up_the_run_has_failed() -> None:
    """An overload every 3 s from the first exchange on: the pump is never on for 5 s."""
    faults = [{"at_s": IN_THE_FIRST_PUMP_S + 3.0 * n, "duration_s": 0.04} for n in range(30)]
    run = prepared(overrides={FAULTS + "overload": faults}, protocol=exchange_plan(retries=1))
    run.until(90.0)
    assert run.engine.failure is not None and not run.engine.finished
    assert run.engine.failure.endswith("the pump was muted, 1 repeats")
    assert [section.attempt for section in pumps(run)] == [1, 2]
    assert not any(section.completed for section in pumps(run))
    run.finish()
    assert not run.pump_is_on()


def test_lines_that_vanish_are_found_and_driven_again() -> None:
    """For so long that the search begins anew while the modes were released."""
    deaths = [
        {"mode": mode, "at_s": IN_THE_FIRST_PUMP_S, "until_s": IN_THE_FIRST_PUMP_S + 12.0}
        for mode in ("lower", "upper")
    ]
    run = prepared(overrides={FAULTS + "mode_dies": deaths}, protocol=exchange_plan())
    run.until(60.0)
    assert run.events_of("run", "search")
    assert run.sections[6].reason
    assert [section.completed for section in pumps(run)][:2] == [False, True]


# -- the operator ------------------------------------------------------------------------------


def asked(run: Rehearsal, until_s: float, **kinds: float) -> Rehearsal:
    """Go on, with requests by their kinds at stream times."""
    requests = {at_s: Request(kind=RequestKind(kind)) for kind, at_s in kinds.items()}
    return run.until(until_s, requests=requests)


def test_a_pause_holds_the_next_step_back() -> None:
    run = prepared(protocol=exchange_plan())
    asked(run, 22.0, pause=IN_THE_FIRST_PUMP_S)
    assert in_steps(run) == ["find", "lock", *EXCHANGE]
    assert run.engine.status_line.startswith("paused before ring_up")
    assert not run.pump_is_on()
    asked(run, 25.0, resume=22.5)
    begun = run.events_of("protocol", "step")[7]
    assert begun.text.startswith("8 of 12: ring_up lower") and begun.time_s >= 22.5


def test_a_skipped_pump_goes_off_and_the_protocol_goes_on() -> None:
    run = asked(prepared(protocol=exchange_plan()), 20.0, skip=IN_THE_FIRST_PUMP_S)
    [first, *_] = pumps(run)
    assert (first.completed, first.reason) == (False, "skipped by the operator")
    [(_, is_on), (off_s, is_off)] = run.pump_edges_s()[:2]
    assert (is_on, is_off) == (True, False)
    assert off_s == pytest.approx(IN_THE_FIRST_PUMP_S, abs=3.0 * BLOCK_S)
    assert in_steps(run)[7:9] == ["ring_up", "ring_up"]
    assert run.engine.results["protocol"]["repeated"] == 0


def test_a_stop_ends_the_run_with_every_tone_off() -> None:
    run = asked(prepared(protocol=exchange_plan()), 60.0, stop=IN_THE_FIRST_PUMP_S)
    assert run.end_index / run.rate_hz == pytest.approx(IN_THE_FIRST_PUMP_S, abs=BLOCK_S)
    assert run.engine.finished and run.engine.failure is None
    run.finish()
    assert not run.pump_is_on()
    assert run.sections[-1].reason == "stopped by the operator"


def sounding(run: Rehearsal, from_s: float, to_s: float) -> Sequence[float]:
    """Amplitudes of the pump in the records between two times."""
    return [r.pump_amplitude for r in run.records if from_s < r.time_s < to_s]


def test_an_operators_mute_wins_until_it_is_lifted() -> None:
    run = prepared(protocol=exchange_plan())
    asked(run, 26.0, mute=IN_THE_FIRST_PUMP_S)
    assert pumps(run)[0].reason == "the pump was muted"
    assert not any(sounding(run, IN_THE_FIRST_PUMP_S + 0.1, 26.0))
    assert run.engine.protocol is not None and run.engine.protocol.step is not None
    assert run.engine.protocol.step.kind == "pump_on"  # it waits
    assert run.records[-1].pump_state is PumpState.MUTED
    asked(run, 36.0, arm=26.5)
    assert [section.completed for section in pumps(run)] == [False, True]
    assert any(sounding(run, 27.0, 36.0))


def test_arming_between_the_steps_does_not_switch_the_pump_on() -> None:
    run = asked(prepared(protocol=exchange_plan()), 18.0, arm=15.6, pause=12.0)
    [first] = pumps(run)
    assert first.completed and first.end_s < 15.5
    assert not any(sounding(run, 15.5, 18.0))
