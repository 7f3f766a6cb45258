"""The protocols that ship: they are right as they stand, for every kind of setting."""

from __future__ import annotations

import math
import tomllib
from importlib import resources

import pytest

from controller.protocol.checks import check_plan
from controller.protocol.language import ProtocolPlan, plan_from_tables
from controller.protocol.timeline import PlannedStep, decay_time_s, flattened
from controller.records import ModeId
from controller.settings import LoopSettings
from tests.unit.protocol.plans import STREAM, TONES, loop_settings

NAMES = [
    *("drift_watch", "ring_down", "exchange", "splitting_map", "rate_calibration"),
    *("weak_conversion", "ramsey", "echo", "adiabatic_transfer"),
    *("alternating_difference", "thermal_calibration"),
]
# From the weakest coupling and the longest ring-down to the strongest and shortest.
EXTREMES = {
    "slow": {"coupling_hz_per_unit": 0.04, "quality_factor": 9.5e7},
    "quick": {"coupling_hz_per_unit": 0.16, "quality_factor": 4.5e7},
}


def shipped(name: str) -> ProtocolPlan:
    folder = resources.files("controller.protocol").joinpath("shipped")
    return plan_from_tables(tomllib.loads(folder.joinpath(f"{name}.toml").read_text("utf-8")))


def extreme(kind: str) -> LoopSettings:
    coupling, quality = EXTREMES[kind].values()
    modes = {
        "lower": {"frequency_hz": 1.0437e6, "quality_factor": quality},
        "upper": {"frequency_hz": 1.0503e6, "quality_factor": quality},
    }
    pump = {"amplitude": 0.5, "coupling_hz_per_unit": coupling}
    return loop_settings(modes=modes, pump=pump)


def named(steps: tuple[PlannedStep, ...], name: str) -> list[PlannedStep]:
    return [step for step in steps if step.name == name]


def test_all_of_them_are_there() -> None:
    folder = resources.files("controller.protocol").joinpath("shipped")
    files = sorted(file.name for file in folder.iterdir() if file.name.endswith(".toml"))
    assert files == sorted(f"{name}.toml" for name in NAMES)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("kind", EXTREMES)
def test_it_passes_every_check_and_ends_in_time(name: str, kind: str) -> None:
    plan, settings = shipped(name), extreme(kind)
    check_plan(plan, settings, TONES, STREAM)
    assert plan.title and plan.description and plan.analysis == name
    steps = flattened(plan, settings)
    assert steps[-1].end_s < 4000.0
    # What an analysis gets: basebands, except where the 10 Hz records are enough.
    assert any(step.is_recorded for step in steps) or name == "drift_watch"


@pytest.mark.parametrize("kind", EXTREMES)
def test_an_exchange_lasts_two_to_three_decay_times(kind: str) -> None:
    settings = extreme(kind)
    exchanges = named(flattened(shipped("exchange"), settings), "exchange")
    decay_s = decay_time_s(settings, ModeId.LOWER)
    assert len(exchanges) == 2
    for step in exchanges:
        assert 2.0 <= float(step.parameters["duration_s"]) / decay_s <= 3.0


def test_each_mode_rings_down_while_the_other_one_is_driven() -> None:
    steps = flattened(shipped("ring_down"), extreme("slow"))
    released: set[object] = set()
    recorded = []
    for step in steps:
        if step.kind == "release":
            released.add(step.parameters["mode"])
        elif step.kind == "ring_up" and step.parameters["mode"] != "both":
            released.discard(step.parameters["mode"])
        elif step.kind == "ring_up":
            released.clear()
        elif step.is_recorded:
            recorded.append((step.name, set(released)))
    assert recorded == 2 * [("lower", {"lower"}), ("upper", {"upper"})]


def test_weak_pumps_stay_far_below_the_line() -> None:
    settings = extreme("quick")
    line_hz = 1.0437e6 / 4.5e7
    pumps = [
        step for step in flattened(shipped("weak_conversion"), settings) if step.kind == "pump_on"
    ]
    for step in pumps:
        assert 0.16 * float(step.parameters["amplitude"]) < 0.2 * line_hz
    detuned = named(flattened(shipped("weak_conversion"), settings), "detuned")
    assert all(float(step.parameters["detuning_hz"]) > 5.0 * line_hz for step in detuned)


def test_pulses_of_fringes_and_echoes_are_quarters_and_halves() -> None:
    """|a_1| = cos(gt): equal parts at gt = pi/4, a swap at pi/2, with g = 2 pi times 0.02 Hz."""
    steps = flattened(shipped("echo"), extreme("slow"))
    quarters, halves = named(steps, "first_pulse"), named(steps, "echo_pulse")
    for pulses, length_s in ((quarters, 0.125 / 0.02), (halves, 0.25 / 0.02)):
        assert pulses
        assert all(step.parameters["duration_s"] == pytest.approx(length_s) for step in pulses)


def test_the_last_pulse_turns_by_a_tenth_of_a_turn_for_each_free_second() -> None:
    for name in ("ramsey", "echo"):
        for step in named(flattened(shipped(name), extreme("slow")), "second_pulse"):
            assert step.parameters["continues"] is True
            turns = float(step.parameters["phase_rad"]) / (2.0 * math.pi)
            assert turns == pytest.approx(0.1 * float(step.parameters["free_s"]))


def test_chirps_cross_the_difference_at_rates_that_leave_much_and_little() -> None:
    """exp(-pi Gamma^2 / (2 alpha)) with Gamma = 2 g and alpha = 2 pi times the chirp."""
    left = []
    for step in named(flattened(shipped("adiabatic_transfer"), extreme("quick")), "chirp"):
        chirp_hz_per_s = float(step.parameters["chirp_hz_per_s"])
        assert step.parameters["detuning_hz"] == pytest.approx(
            -float(step.parameters["end_detuning_hz"])
        )
        splitting_rad_s = 2.0 * 2.0 * math.pi * 0.08
        left.append(math.exp(-(splitting_rad_s**2) / (4.0 * chirp_hz_per_s)))
    assert max(left) > 0.8 and min(left) < 0.1


def test_the_sign_of_the_pulses_alternates() -> None:
    steps = flattened(shipped("alternating_difference"), extreme("slow"))
    phases = [float(step.parameters["phase_rad"]) for step in steps if step.kind == "pump_on"]
    assert len(phases) == 80
    assert phases[0::2] == 40 * [0.0]
    assert phases[1::2] == 40 * [pytest.approx(math.pi)]
