"""The timeline: what is unrolled, made absolute and estimated."""

from __future__ import annotations

import math

import pytest

from controller.errors import InputError
from controller.protocol.language import ProtocolPlan
from controller.protocol.timeline import (
    LONGEST_TABLE,
    MOST_STEPS,
    PlannedStep,
    clock_text,
    decay_time_s,
    dry_run_text,
    flattened,
    nominal_difference_hz,
    pump_intervals,
)
from controller.records import ModeId
from tests.unit.protocol.plans import TONES, loop_settings, plan_of

SETTINGS = loop_settings()
EXCHANGE_S = 1.0 / 0.04  # pi / g, with g / 2 pi = 0.04 Hz per unit times 0.5
DECAY_S = 7.0e7 / (math.pi * 1.0437e6)  # of the slower mode
HOLD = {"step": "hold", "duration_s": 1.0}


def last(plan: ProtocolPlan) -> PlannedStep:
    """The last step of a plan."""
    return flattened(plan, SETTINGS)[-1]


# --- repeats, sweeps and names -----------------------------------------------


def test_repeats_and_sweeps_are_unrolled_in_order() -> None:
    inner = {"step": "repeat", "times": 2, "steps": [HOLD, {"step": "wait", "duration_s": 2.0}]}
    sweep = {"step": "sweep", "parameter": "x_s", "values": [5.0, 7.0]}
    held = {"step": "hold", "duration_s": {"value_of": "x_s", "times": 2.0}}
    steps = flattened(plan_of(sweep | {"steps": [inner, held]}), SETTINGS)[2:]
    assert [step.parameters["duration_s"] for step in steps] == [1, 2, 1, 2, 10, 1, 2, 1, 2, 14]
    assert [step.parameters["x_s"] for step in steps] == 5 * [5.0] + 5 * [7.0]
    assert [step.number for step in steps] == list(range(3, 13))
    assert steps[1].path == "steps[2].steps[0].steps[1]"


def test_a_parameter_stands_for_a_number() -> None:
    held = {"step": "hold", "duration_s": {"value_of": "long_s"}}
    repeat = {"step": "repeat", "times": {"value_of": "rounds"}, "steps": [held]}
    steps = flattened(plan_of(repeat, parameters={"long_s": 9.0, "rounds": 3.0}), SETTINGS)
    assert [step.duration_s for step in steps[2:]] == [9.0, 9.0, 9.0]
    assert "long_s" not in steps[2].parameters  # only what is swept tells steps apart


def test_a_swept_value_that_is_out_of_range_is_named() -> None:
    held = {"step": "hold", "duration_s": {"value_of": "x_s"}}
    sweep = {"step": "sweep", "parameter": "x_s", "values": [1.0, -1.0], "steps": [held]}
    said = r"steps\[2\].steps\[0\].duration_s = -1.0: must be greater than 0 \(from x_s\)"
    with pytest.raises(InputError, match=said):
        flattened(plan_of(sweep), SETTINGS)


@pytest.mark.parametrize("rounds", [2.5, 0.0, 1e300])
def test_impossible_numbers_of_rounds(rounds: float) -> None:
    repeat = {"step": "repeat", "times": {"value_of": "rounds"}, "steps": [HOLD]}
    with pytest.raises(InputError, match=r"^steps\[2\]"):
        flattened(plan_of(repeat, parameters={"rounds": rounds}), SETTINGS)


def test_an_unknown_name_is_refused() -> None:
    held = {"step": "hold", "duration_s": {"value_of": "lang_s"}}
    with pytest.raises(InputError, match=r"duration_s: unknown name; did you mean long_s\?"):
        flattened(plan_of(held, parameters={"long_s": 9.0}), SETTINGS)


def test_there_is_an_end_to_steps_and_time() -> None:
    release = {"step": "wait", "duration_s": 1e-3}
    too_many = {"step": "repeat", "times": MOST_STEPS + 1, "steps": [release]}
    with pytest.raises(InputError, match=f"more than {MOST_STEPS} steps"):
        flattened(plan_of(too_many), SETTINGS)
    with pytest.raises(InputError, match="would take more than"):
        flattened(plan_of({"step": "wait", "duration_s": 1e300}), SETTINGS)
    with pytest.raises(InputError, match="comes to inf, which is no finite number"):
        flattened(plan_of({"step": "wait", "duration_decays": 1e308}), SETTINGS)


# --- absolute values ---------------------------------------------------------


def test_ratios_are_of_the_configured_amplitudes() -> None:
    ring_up = last(plan_of({"step": "ring_up", "mode": "upper", "amplitude_ratio": 0.05}))
    assert ring_up.parameters["amplitude_m"] == pytest.approx(5.0e-11)
    assert last(plan_of({"step": "ring_up"})).parameters["amplitude_m"] == 1.0e-9
    assert last(plan_of({"step": "pump_on"})).parameters["amplitude"] == 0.5
    half = last(plan_of({"step": "pump_on", "amplitude_ratio": 0.5}))
    assert half.parameters["amplitude"] == 0.25


def test_both_modes_are_rung_up_in_turn_where_their_amplitudes_differ() -> None:
    settings = loop_settings(drive={"amplitude_m": [1.0e-9, 3.0e-10]})
    steps = flattened(plan_of({"step": "ring_up", "amplitude_ratio": 2.0}), settings)[2:]
    assert [(step.parameters["mode"], step.parameters["amplitude_m"]) for step in steps] == [
        ("lower", 2.0e-9),
        ("upper", 6.0e-10),
    ]


@pytest.mark.parametrize("kind", ["pump_on", "hold", "wait", "record"])
def test_durations_relative_to_the_modes(kind: str) -> None:
    """Resonant |a_1| = cos(gt): a whole period of the energy is pi / g."""
    quarter = last(plan_of({"step": kind, "duration_exchanges": 0.25}))
    assert quarter.parameters["duration_s"] == pytest.approx(1.0 / (8.0 * 0.02))
    decays = last(plan_of({"step": kind, "duration_decays": 2.5}))
    assert decays.parameters["duration_s"] == pytest.approx(2.5 * DECAY_S)


def test_an_exchange_is_quicker_with_a_stronger_pump() -> None:
    pump_on = {"step": "pump_on", "duration_exchanges": 1.0}
    strong = last(plan_of(pump_on | {"amplitude": 1.0}))
    assert strong.parameters["duration_s"] == pytest.approx(EXCHANGE_S / 2.0)
    square = last(plan_of(pump_on | {"waveform": "square"}))
    assert square.parameters["duration_s"] == pytest.approx(EXCHANGE_S * math.pi / 4.0)
    pulses = last(plan_of(pump_on | {"waveform": "pulses", "pulse_s": 3.2e-5}))
    factor = 4.0 / math.pi * math.sin(math.pi * 3.2e-5 * 6600.0)
    assert pulses.parameters["duration_s"] == pytest.approx(EXCHANGE_S / factor)


def test_detunings_relative_to_the_exchange_and_chirps_to_an_end() -> None:
    chirp = {"detuning_ratio": -4.0, "end_detuning_ratio": 4.0, "duration_exchanges": 2.0}
    values = last(plan_of({"step": "pump_on", **chirp})).parameters
    assert values["detuning_hz"] == pytest.approx(-0.16)
    assert values["end_detuning_hz"] == pytest.approx(0.16)
    assert values["chirp_hz_per_s"] == pytest.approx(0.32 / (2.0 * EXCHANGE_S))


def test_the_timeout_of_a_pump_includes_its_duration() -> None:
    pump_on = last(plan_of({"step": "pump_on", "duration_s": 100.0, "timeout_s": 20.0}))
    assert pump_on.parameters["timeout_s"] == 120.0


def test_what_is_relative_needs_what_it_is_relative_to() -> None:
    undriven = loop_settings(drive={"amplitude_m": [0.0, 1.0e-9]})
    with pytest.raises(InputError, match=r"drive.amplitude_m is 0 for the mode \(lower\)"):
        flattened(plan_of({"step": "ring_up"}), undriven)
    unpumped = loop_settings(pump={})
    with pytest.raises(InputError, match=r"steps\[2\].amplitude: is missing, and so is pump.ampl"):
        flattened(plan_of({"step": "pump_on"}), unpumped)
    pulse = {"step": "pump_on", "amplitude": 0.5, "duration_exchanges": 0.25}
    with pytest.raises(InputError, match="duration_exchanges: the coupling is not known; set pump"):
        flattened(plan_of(pulse), unpumped)
    with pytest.raises(InputError, match="duration_exchanges: the pump's amplitude is 0"):
        flattened(plan_of(pulse | {"amplitude": 0.0}), SETTINGS)
    with pytest.raises(InputError, match="detuning_ratio: the coupling is not known"):
        flattened(plan_of({"step": "pump_on", "amplitude": 1, "detuning_ratio": 1}), unpumped)


def test_plain_values_say_what_a_step_needs() -> None:
    """What carries a step out reads these keys."""
    pump_on = last(plan_of({"step": "pump_on", "name": "probe", "phase_rad": 1.0}))
    assert dict(pump_on.parameters) == {
        "amplitude": 0.5,
        "detuning_hz": 0.0,
        "chirp_hz_per_s": 0.0,
        "phase_rad": 1.0,
        "continues": False,
        "waveform": "sine",
        "record": False,
        "timeout_s": 60.0,
    }
    assert (pump_on.name, pump_on.kind) == ("probe", "pump_on")
    marker = last(plan_of({"step": "marker", "text": "line 2", "timeout_s": 5}))
    assert marker.parameters["text"] == "line 2" and marker.parameters["required"] is True


def test_what_is_recorded() -> None:
    recorded = [
        {"step": "record", "duration_s": 1.0},
        {"step": "hold", "duration_s": 1.0, "record": True},
        {"step": "pump_on", "duration_s": 1.0, "record": True},
        {"step": "marker", "record": True},
    ]
    steps = flattened(plan_of(*recorded, {"step": "release"}), SETTINGS)
    assert [step.is_recorded for step in steps] == [False, False, True, True, True, True, False]
    assert [step.is_instant for step in steps] == [False] * 6 + [True]


# --- estimated times -----------------------------------------------------------


def test_each_step_starts_where_the_one_before_ends() -> None:
    steps = flattened(plan_of(HOLD, {"step": "marker", "timeout_s": 7.0}, HOLD), SETTINGS)
    assert [step.start_s for step in steps[1:]] == [step.end_s for step in steps[:-1]]
    assert steps[0].start_s == 0.0
    assert [step.duration_s for step in steps[2:]] == pytest.approx([1.0, 7.0, 1.0])


def test_a_ring_up_takes_longer_the_more_has_decayed() -> None:
    def ring_up_s(after_s: float) -> float:
        wait = {"step": "wait", "duration_s": after_s}
        return last(plan_of({"step": "release"}, wait, {"step": "drive"})).duration_s

    assert 3.0 < ring_up_s(5.0) < ring_up_s(30.0)
    # From rest to a tenth of what the drive could hold, and three approaches.
    slowest_s = DECAY_S * math.log(10.0 / 9.0) + 3.0
    assert ring_up_s(1000.0) == pytest.approx(slowest_s)


def test_a_drive_goes_back_to_the_last_amplitude_that_was_asked() -> None:
    ring_up = {"step": "ring_up", "amplitude_m": 5.0e-9}
    steps = flattened(plan_of(ring_up, {"step": "release"}, {"step": "drive"}), SETTINGS)
    assert steps[2].duration_s > 0.0
    assert steps[-1].duration_s == pytest.approx(0.0)


def test_a_mode_without_a_drive_costs_no_ring_up() -> None:
    settings = loop_settings(drive={"amplitude_m": 0.0})
    driven_s = flattened(plan_of(), SETTINGS)[1].duration_s
    assert flattened(plan_of(), settings)[1].duration_s < driven_s


def test_the_pump_waits_until_all_was_well() -> None:
    pump_on = {"step": "pump_on", "duration_s": 3.0}
    first, second = flattened(plan_of(pump_on, pump_on), SETTINGS)[2:]
    assert first.duration_s == pytest.approx(2.0 + 3.0)  # the healthy time
    assert second.duration_s == pytest.approx(3.0)
    later = loop_settings(run={"pump_from_s": 100.0})  # for runs without a protocol
    assert flattened(plan_of(pump_on), later)[-1].end_s < 100.0


def test_an_allan_deviation_takes_a_few_averaging_times() -> None:
    settle = {"step": "settle", "allan_deviation_hz": 1e-3, "averaging_s": 20.0}
    assert last(plan_of(settle)).duration_s == pytest.approx(60.0)


def test_when_the_pump_is_on() -> None:
    timed = {"step": "pump_on", "duration_s": 3.0}
    steps = flattened(
        plan_of(timed, {"step": "pump_on"}, HOLD, {"step": "pump_off"}, {"step": "pump_on"}, HOLD),
        SETTINGS,
    )
    lengths_s = [end_s - start_s for _, start_s, end_s in pump_intervals(steps)]
    assert lengths_s == pytest.approx([3.0, 1.0, 1.0])


def test_figures_of_the_configuration() -> None:
    assert nominal_difference_hz(SETTINGS) == pytest.approx(6600.0)
    assert decay_time_s(SETTINGS, ModeId.LOWER) == pytest.approx(DECAY_S)


# --- in words --------------------------------------------------------------------


def test_the_table_shows_steps_times_total_and_outputs() -> None:
    plan = plan_of(
        {"step": "ring_up", "mode": "upper", "amplitude_m": 2.0e-9},
        {"step": "pump_on", "name": "probe", "duration_s": 3.0, "record": True},
        title="A probe",
        description="Looks once.",
        analysis="exchange",
    )
    lines = dry_run_text(plan, SETTINGS, TONES).splitlines()
    assert lines[:3] == ["A probe", "Looks once.", ""]
    assert lines[3].split() == ["step", "start", "lasts", "what"]
    [probe] = [line for line in lines if "probe:" in line]
    assert probe.endswith("probe: pump_on sine of 0.5 V, for 3 s *")
    assert "ring_up upper to 2e-09 m" in lines[6]
    total_s = flattened(plan, SETTINGS)[-1].end_s
    assert f"4 steps, about {clock_text(total_s)} in all" in "\n".join(lines)
    limit = f"{TONES['drive_upper'].max_amplitude:g} V"
    drive = "output drive_upper: holds the mode at up to 2e-09 m"
    assert f"{drive}; finds it and rings it up with up to {limit}" in lines
    assert lines[-1] == "output pump: sine of up to 0.5 V near 6600 Hz, on for 0:03.0"


def test_the_limit_of_the_drives_is_shown() -> None:
    settings = loop_settings(drive={"max_amplitude": 0.25})
    text = dry_run_text(plan_of(HOLD), settings, TONES)
    assert text.count("finds it and rings it up with up to 0.25 V") == 2


def test_what_stays_off_is_said() -> None:
    settings = loop_settings(drive={"amplitude_m": [0.0, 1e-9]})
    text = dry_run_text(plan_of(HOLD), settings)
    assert "output pump: stays off" in text
    assert "drive_lower" not in text and "drive_upper" in text


def test_a_long_table_is_cut_in_the_middle() -> None:
    plan = plan_of({"step": "repeat", "times": 500, "steps": [HOLD]})
    lines = dry_run_text(plan, SETTINGS).splitlines()
    assert "... 447 more steps ..." in lines
    assert len(lines) < LONGEST_TABLE + 10
    assert any(line.split()[:1] == ["502"] for line in lines)


@pytest.mark.parametrize(
    ("step", "words"),
    [
        ({"step": "settle", "difference_sigma_hz": 1e-3}, "until the difference is known to 0.001"),
        (
            {"step": "settle", "allan_deviation_hz": 1e-3, "averaging_s": 10.0},
            "until the Allan deviation at 10 s is below 0.001 Hz",
        ),
        ({"step": "marker", "text": "pixel", "timeout_s": 9.0}, "marker 'pixel', at most 9 s"),
        ({"step": "marker", "timeout_s": 9.0, "required": False}, "marker any, or 9 s"),
        ({"step": "release", "mode": "lower"}, "release lower"),
        ({"step": "pump_off"}, "pump_off"),
        (
            {"step": "pump_on", "waveform": "pulses", "pulse_s": 3.2e-5, "phase_rad": 3.0},
            "pump_on pulses of 0.5, pulses of 3.2e-05 s, phase 3 rad",
        ),
        (
            {"step": "pump_on", "detuning_hz": 1.0, "chirp_hz_per_s": -0.5, "duration_s": 4.0},
            "pump_on sine of 0.5, detuned by 1 Hz, chirp -0.5 Hz/s, for 4 s",
        ),
    ],
)
def test_titles(step: dict[str, object], words: str) -> None:
    assert words in last(plan_of(step)).title


def test_times_as_a_clock_shows_them() -> None:
    assert clock_text(3.25) == "0:03.2"
    assert clock_text(59.96) == "1:00.0"
    assert clock_text(61.0) == "1:01.0"
    assert clock_text(3 * 3600.0 + 62.0) == "3:01:02"
