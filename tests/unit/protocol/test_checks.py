"""What a protocol as a whole may ask, and what is said where it may not."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.errors import InputError
from controller.instrument import ToneChannel
from controller.protocol.checks import check_plan
from controller.protocol.language import ProtocolPlan, plan_from_tables
from controller.settings import LoopSettings, PulseSettings
from tests.unit.protocol.plans import STREAM, TONES, loop_settings, plan_of
from tests.unit.protocol.test_language import PLANS

SETTINGS = loop_settings()

FIND, LOCK = {"step": "find"}, {"step": "lock"}
HOLD = {"step": "hold", "duration_s": 1.0}
RELEASE = {"step": "release"}
RING_UP = {"step": "ring_up"}
DRIVE = {"step": "drive"}
PUMP_ON, PUMP_OFF = {"step": "pump_on"}, {"step": "pump_off"}
PULSES = {"step": "pump_on", "waveform": "pulses", "pulse_s": 3.2e-5}


def check(
    plan: ProtocolPlan,
    settings: LoopSettings = SETTINGS,
    **channels: ToneChannel | None,
) -> None:
    """Check a plan, on outputs of which some are changed or absent (None)."""
    tones = {name: tone for name, tone in {**TONES, **channels}.items() if tone is not None}
    check_plan(plan, settings, tones, STREAM)


def with_pulses(**pulses: float) -> LoopSettings:
    """Settings with another coil."""
    pump = SETTINGS.pump.model_copy(update={"pulses": PulseSettings(**pulses)})
    return SETTINGS.model_copy(update={"pump": pump})


def test_a_plan_as_usual_passes() -> None:
    check(
        plan_of(
            {"step": "settle", "difference_sigma_hz": 1e-3},
            RING_UP | {"mode": "upper", "amplitude_m": 2e-9},
            RELEASE,
            PUMP_ON | {"duration_s": 10.0, "record": True},
            DRIVE,
            PUMP_ON,
            HOLD,
            PUMP_OFF,
            PULSES,
        )
    )


# --- order -------------------------------------------------------------------

ORDERS: list[tuple[list[dict[str, Any]], str]] = [
    ([PUMP_ON], "steps[0]: pump_on comes before the modes are locked; put find and lock before"),
    ([FIND, RELEASE], "steps[1]: release comes before the modes are locked"),
    ([FIND, HOLD], "steps[1]: hold comes before the modes are locked"),
    ([{"step": "marker", "record": True}], "steps[0]: marker comes before the modes are locked"),
    ([LOCK], "steps[0]: lock comes before the modes are found; put find before it"),
    ([FIND, LOCK, FIND, HOLD], "steps[3]: hold comes before the modes are locked"),
    (
        [FIND, LOCK, PUMP_ON, PUMP_ON],
        "steps[3]: pump_on comes while the pump is on already (since steps[2]); put pump_off",
    ),
    ([FIND, LOCK, PUMP_ON, LOCK], "steps[3]: lock comes while the pump is on (since steps[2])"),
    ([FIND, LOCK, PUMP_OFF], "steps[2]: pump_off comes while the pump is off already"),
    (
        [FIND, LOCK, PUMP_ON | {"duration_s": 1.0}, PUMP_OFF],
        "steps[3]: pump_off comes while the pump is off already",
    ),
    (
        [FIND, LOCK, RELEASE, RELEASE],
        "steps[3]: release comes while neither mode is driven; put ring_up or drive before it",
    ),
    (
        [FIND, LOCK, RELEASE | {"mode": "lower"}, RELEASE | {"mode": "lower"}],
        "steps[3]: release comes while the lower mode is not driven",
    ),
    ([FIND, LOCK, DRIVE], "steps[2]: drive comes while both modes are driven already"),
    (
        [FIND, LOCK, RELEASE | {"mode": "lower"}, DRIVE | {"mode": "upper"}],
        "steps[3]: drive comes while the upper mode is driven already",
    ),
    (
        [FIND, LOCK, {"step": "repeat", "times": 2, "steps": [HOLD, PUMP_ON]}],
        "steps[2].steps[1]: pump_on comes while the pump is on already (since steps[2].steps[1])",
    ),
]


@pytest.mark.parametrize(("steps", "said"), ORDERS, ids=[said for _, said in ORDERS])
def test_an_impossible_order(steps: list[dict[str, Any]], said: str) -> None:
    with pytest.raises(InputError) as caught:
        check(plan_of(*steps, ready=False))
    assert str(caught.value).startswith(said)


def test_what_needs_no_lock() -> None:
    check(plan_of({"step": "wait", "duration_s": 1.0}, {"step": "marker"}, ready=False))


def test_a_mode_that_lock_does_not_drive() -> None:
    settings = loop_settings(drive={"amplitude_m": [0.0, 1e-9]})
    lower = {"mode": "lower"}
    with pytest.raises(InputError, match="release comes while the lower mode is not driven"):
        check(plan_of(RELEASE | lower), settings)
    with pytest.raises(InputError, match="drive has no amplitude for the lower mode"):
        check(plan_of(DRIVE | lower), settings)
    ring_up = RING_UP | lower | {"amplitude_m": 1e-10}
    with pytest.raises(InputError, match="the lower mode is not driven"):
        check(plan_of(ring_up), settings)


# --- names -------------------------------------------------------------------


def test_a_swept_name_that_nothing_uses() -> None:
    sweep = {"step": "sweep", "parameter": "x", "values": [1.0], "steps": [HOLD]}
    with pytest.raises(InputError, match=r'^steps\[2\].parameter = "x": none of its steps uses it'):
        check(plan_of(sweep))


def test_a_parameter_that_nothing_uses() -> None:
    with pytest.raises(InputError, match=r"^parameters.hold_s: nothing uses it"):
        check(plan_of(HOLD, parameters={"hold_s": 1.0}))


def test_a_name_that_nothing_defines() -> None:
    held = {"step": "hold", "duration_s": {"value_of": "x_s"}}
    with pytest.raises(InputError, match=r"^steps\[2\].duration_s: unknown name; there is none"):
        check(plan_of(held))
    sweep = {"step": "sweep", "parameter": "y_s", "values": [1.0], "steps": [held]}
    with pytest.raises(InputError, match=r"^steps\[2\].steps\[0\].duration_s: unknown name; did "):
        check(plan_of(sweep))


def test_a_name_that_stands_for_two_things() -> None:
    held = {"step": "hold", "duration_s": {"value_of": "x_s"}}
    sweep = {"step": "sweep", "parameter": "x_s", "values": [1.0], "steps": [held]}
    with pytest.raises(InputError, match=r'parameter = "x_s": stands for something already'):
        check(plan_of(sweep, parameters={"x_s": 1.0}))
    with pytest.raises(InputError, match=r"^steps\[2\].steps\[0\].parameter"):
        check(plan_of(sweep | {"steps": [sweep]}))


def test_a_name_may_be_swept_twice_in_turn_and_used_further_in() -> None:
    held = {"step": "hold", "duration_s": {"value_of": "x_s"}}
    within = {"step": "repeat", "times": 2, "steps": [held]}
    sweep = {"step": "sweep", "parameter": "x_s", "values": [1.0], "steps": [within]}
    check(plan_of(sweep, sweep))


# --- outputs -----------------------------------------------------------------


def test_a_detector_that_would_be_overdriven() -> None:
    with pytest.raises(InputError, match=r"^steps\[2\].amplitude_m = 1.2e-08: both .* 2.4e-08 m"):
        check(plan_of(RING_UP | {"amplitude_m": 1.2e-8}))
    with pytest.raises(
        InputError, match=r"^steps\[2\].amplitude_ratio = 30: .* full scale of 2e-0"
    ):
        check(plan_of(RING_UP | {"amplitude_ratio": 30.0}))
    with pytest.raises(InputError, match=r"^steps\[1\].drive.amplitude_m: both modes together"):
        check(plan_of(), loop_settings(drive={"amplitude_m": 1.0e-8}))
    check(plan_of(RING_UP | {"mode": "upper", "amplitude_m": 1.8e-8}))


def test_a_released_mode_still_counts_for_the_detector() -> None:
    """The pump may hand its energy to the other one."""
    upper = RING_UP | {"mode": "upper", "amplitude_m": 1.5e-8}
    lower = RING_UP | {"mode": "lower", "amplitude_m": 1.5e-8}
    with pytest.raises(InputError, match=r"^steps\[4\].amplitude_m"):
        check(plan_of(upper, RELEASE | {"mode": "upper"}, lower))


def test_a_mode_without_an_output_or_out_of_its_range() -> None:
    check(plan_of(HOLD), drive_lower=None)
    with pytest.raises(
        InputError, match=r'^steps\[2\].mode = "both": .* no tone channel .drive_lo'
    ):
        check(plan_of(RING_UP), drive_lower=None)
    low = replace(TONES["drive_upper"], max_frequency_hz=1.05e6)
    with pytest.raises(InputError, match=r"^steps\[1\]: the upper mode lies at 1.0503e\+06 Hz; dr"):
        check(plan_of(), drive_upper=low)


PUMP = TONES["pump"]
PUMPS: list[tuple[dict[str, Any], ToneChannel | None, str]] = [
    (PUMP_ON, None, "steps[2]: the instrument has no tone channel 'pump'"),
    (PUMP_ON | {"amplitude": 3.0}, PUMP, "steps[2].amplitude = 3: gives 3 V; the channel gives at"),
    (PUMP_ON | {"amplitude_ratio": 5}, PUMP, "steps[2].amplitude_ratio = 5: gives 2.5 V; the cha"),
    (
        PUMP_ON | {"waveform": "square"},
        replace(PUMP, waveforms=("sine",)),
        'steps[2].waveform = "square": the channel does sine',
    ),
    (
        PUMP_ON | {"continues": True},
        replace(PUMP, keeps_phase=False),
        "steps[2].continues = true: the generator does not keep its phase",
    ),
    (
        PUMP_ON | {"detuning_hz": 1000.0},
        PUMP,
        "steps[2].detuning_hz: a detuning of 1000 Hz brings the pump to 7600 Hz; "
        "pump.difference_window_hz allows 5940 to 7260 Hz",
    ),
    (
        PUMP_ON | {"detuning_ratio": -30000},
        PUMP,
        "steps[2].detuning_ratio: a detuning of -1200 Hz brings",
    ),
    (
        PUMP_ON | {"chirp_hz_per_s": 100.0, "duration_s": 10.0},
        PUMP,
        "steps[2].chirp_hz_per_s: a detuning of 1000 Hz brings",
    ),
    (
        PUMP_ON | {"end_detuning_hz": 5.0, "duration_s": 10.0},
        replace(PUMP, max_frequency_hz=6602.0),
        "steps[2].end_detuning_hz: a detuning of 5 Hz brings the pump to 6605 Hz; the channel pump",
    ),
    (PULSES | {"pulse_s": 1e-5}, PUMP, "steps[2].pulse_s = 1e-05: a pulse has to last 3e-05 s at"),
    (PULSES | {"pulse_s": 6e-5}, PUMP, "steps[2].pulse_s = 6e-05: current would flow 0.792 of the"),
    (PULSES | {"amplitude": 1.5}, PUMP, "steps[2].amplitude = 1.5: gives pulses of 0.15 A; 0.12 A"),
]


@pytest.mark.parametrize(("step", "channel", "said"), PUMPS, ids=[said for *_, said in PUMPS])
def test_a_pump_that_cannot_be(
    step: dict[str, Any], channel: ToneChannel | None, said: str
) -> None:
    with pytest.raises(InputError) as caught:
        check(plan_of(step), pump=channel)
    assert str(caught.value).startswith(said)


def test_the_window_of_the_configuration_counts() -> None:
    settings = loop_settings(pump={"amplitude": 0.5, "difference_window_hz": [6500.0, 6700.0]})
    check(plan_of(PUMP_ON | {"detuning_hz": 99.0}), settings)
    with pytest.raises(InputError, match="difference_window_hz allows 6500 to 6700 Hz"):
        check(plan_of(PUMP_ON | {"detuning_hz": 101.0}), settings)


# --- doses -------------------------------------------------------------------


def test_limits_of_time() -> None:
    pumped = plan_of(PUMP_ON, HOLD | {"duration_s": 100.0}, limits={"pump_on_s": 99.0})
    with pytest.raises(InputError, match=r"^limits.pump_on_s = 99: the pump would be on for 100 s"):
        check(pumped)
    check(plan_of(PUMP_ON, HOLD | {"duration_s": 100.0}, limits={"pump_on_s": 101.0}))
    with pytest.raises(InputError, match=r"^limits.duration_s = 60: the protocol takes about 1"):
        check(plan_of(HOLD | {"duration_s": 100.0}, limits={"duration_s": 60.0}))


def test_the_energy_in_the_coil() -> None:
    """0.5 V across 10 ohm: 50 mA, 12.5 mW as a sine."""
    pumped = [PUMP_ON | {"duration_s": 100.0}]
    check(plan_of(*pumped, limits={"pump_energy_j": 1.26}))
    with pytest.raises(InputError, match=r"^limits.pump_energy_j = 1.24: .* take 1.25 J"):
        check(plan_of(*pumped, limits={"pump_energy_j": 1.24}))


def test_the_heat_of_pulses_in_a_window() -> None:
    """50 mA in 10 ohm, 2 x 32 us of 152 us: 10.56 mW, 52.8 mJ in five seconds."""
    settings = with_pulses(window_s=5.0, heat_limit_j=0.052)
    said = r"^steps\[2\].pulse_s = 3.2e-05: .* 0.0528 J .* within 5 s.*\(pump.pulses.heat_limit_j"
    with pytest.raises(InputError, match=said):
        check(plan_of(PULSES, HOLD | {"duration_s": 20.0}), settings)
    check(plan_of(PULSES, HOLD | {"duration_s": 4.9}, PUMP_OFF), settings)
    # A sine is nobody's coil but limits.pump_energy_j.
    check(plan_of(PUMP_ON, HOLD | {"duration_s": 20.0}), settings)


@pytest.mark.parametrize(
    ("key", "stricter", "looser"),
    [
        ("least_width_s", 3.3e-5, 2.9e-5),
        ("largest_current_a", 0.049, 0.13),
        ("largest_duty", 0.42, 0.61),
        ("heat_limit_j", 0.1, 0.51),
    ],
)
def test_a_protocol_may_be_stricter_with_its_pulses_and_not_looser(
    key: str, stricter: float, looser: float
) -> None:
    """50 mA, 32 us, a duty of 0.422, 105.6 mJ in ten seconds."""
    steps = (PULSES, HOLD | {"duration_s": 20.0})
    check(plan_of(*steps))
    with pytest.raises(InputError, match=rf"^steps\[2\]\..* \(limits.pulses.{key}\)"):
        check(plan_of(*steps, limits={"pulses": {key: stricter}}))
    said = rf"^limits.pulses.{key} = {looser:g}: the configuration says .* only be stricter"
    with pytest.raises(InputError, match=said):
        check(plan_of(*steps, limits={"pulses": {key: looser}}))


def test_the_coil_of_the_configuration_counts() -> None:
    check(plan_of(PULSES | {"amplitude": 1.5}), with_pulses(resistance_ohm=20.0))
    with pytest.raises(InputError, match=r"gives pulses of 0.2 A; .*\(pump.pulses.largest_curr"):
        check(plan_of(PULSES), with_pulses(current_a_per_unit=0.4))


@given(PLANS)
def test_any_plan_is_accepted_or_refused_in_one_line(tables: dict[str, Any]) -> None:
    try:
        check(plan_from_tables(tables))
    except InputError as error:
        assert "\n" not in str(error)


@given(st.lists(st.sampled_from([FIND, LOCK, HOLD, RELEASE, RING_UP, DRIVE, PUMP_ON, PUMP_OFF])))
def test_any_order_is_accepted_or_refused_with_its_step(steps: list[dict[str, str]]) -> None:
    try:
        check(plan_of(*steps))
    except InputError as error:
        assert str(error).startswith("steps[")
