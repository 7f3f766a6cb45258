"""Configs of the parts: what settings leave open is decided here."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from scipy.constants import Boltzmann

from controller.errors import InputError
from controller.instrument import StreamFormat, ToneChannel
from controller.records import ModeId
from controller.settings import LoopSettings
from controller.supervisor.configs import (
    LEAST_SIGMA_LIMIT_HZ,
    action_ratio,
    check_settings,
    drive_config,
    driven_channels,
    joint_config,
    pump_config,
    record_rate,
    tracker_config,
)
from controller.supervisor.searching import FoundMode

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER
STREAM = StreamFormat(50_000.0, 1.047e6, "complex64", 2.0e-8, 1.0)
TONES = {
    "drive_lower": ToneChannel("drive_lower", "V", 10.0, 1.022e6, 1.072e6, 100, True, True),
    "drive_upper": ToneChannel("drive_upper", "V", 10.0, 1.022e6, 1.072e6, 100, True, True),
    "pump": ToneChannel("pump", "V", 2.0, 100.0, 50_000.0, 100, True, True),
}
FOUND = {
    LOWER: FoundMode(
        frequency_hz=1.0437e6, frequency_sigma_hz=0.01, amplitude=1e-3, detector_noise=2e-7
    ),
    UPPER: FoundMode(
        frequency_hz=1.0503e6, frequency_sigma_hz=0.02, amplitude=1e-3, detector_noise=2e-7
    ),
}


def settings(**tables: Any) -> LoopSettings:
    modes = {
        "lower": {"frequency_hz": 1.0437e6, "quality_factor": 7.0e7, "mass_kg": 1.1e-11},
        "upper": {"frequency_hz": 1.0503e6, "quality_factor": 6.0e7, "mass_kg": 1.3e-11},
    }
    return LoopSettings.model_validate({"modes": modes, "pump": {"amplitude": 0.5}, **tables})


def test_what_fits_passes() -> None:
    check_settings(settings(), STREAM, TONES)
    check_settings(settings(pump={}), STREAM, {})


@pytest.mark.parametrize(
    ("tables", "tones", "said"),
    [
        (
            {"modes": {"lower": {"frequency_hz": 1.05e6}, "upper": {"frequency_hz": 1.04e6}}},
            TONES,
            "modes.upper.frequency_hz is 1.04e",
        ),
        (
            {"modes": {"lower": {"frequency_hz": 1.0221e6}, "upper": {"frequency_hz": 1.04e6}}},
            TONES,
            "outside what drive_lower can do: 1.022e",
        ),
        ({"drive": {"amplitude_m": 2.1e-8}}, TONES, "full scale of 2e-08 m"),
        (
            {"drive": {"max_amplitude": 10.5}},
            TONES,
            "drive.max_amplitude is 10.5, but drive_lower gives at most 10 V",
        ),
        ({"pump": {"amplitude": 2.5}}, TONES, "the channel gives at most 2 V"),
        ({}, {}, "no tone channel 'pump'"),
        ({"pump": {"difference_window_hz": [7e3, 6e3]}}, TONES, "the lower edge has to come"),
    ],
)
def test_what_does_not_fit_is_refused(
    tables: dict[str, Any], tones: dict[str, ToneChannel], said: str
) -> None:
    with pytest.raises(InputError, match=said):
        check_settings(settings(**tables), STREAM, tones)


def test_only_driven_modes_with_a_channel_have_a_drive() -> None:
    assert list(driven_channels(settings(), TONES)) == [LOWER, UPPER]
    assert list(driven_channels(settings(drive={"amplitude_m": [0.0, 1e-9]}), TONES)) == [UPPER]
    assert list(driven_channels(settings(), {"pump": TONES["pump"]})) == []


def test_a_drive_may_put_out_what_its_channel_may_or_less_where_that_is_set() -> None:
    assert driven_channels(settings(), TONES)[UPPER] == TONES["drive_upper"]
    limited = settings(drive={"max_amplitude": 0.5})
    for channel in driven_channels(limited, TONES).values():
        assert channel == replace(TONES[channel.name], max_amplitude=0.5)


@pytest.mark.parametrize(
    ("rate_hz", "tick_s"),
    [(10.0, 0.1), (100.0, 0.01), (1.0, 0.1), (3.0, 1.0 / 12.0), (4.0, 1 / 12)],
)
def test_a_whole_number_of_ticks_makes_a_record(rate_hz: float, tick_s: float) -> None:
    rate = record_rate(settings(run={"record_rate_hz": rate_hz}))
    assert rate.tick_s == pytest.approx(tick_s)
    assert rate.every(rate.tick_s) * rate.tick_s == pytest.approx(1.0 / rate_hz)


def test_the_tracker_knows_noise_thermal_motion_and_decay_in_sample_units() -> None:
    config = tracker_config(settings(), STREAM, UPPER, FOUND[UPPER], 0.02)
    omega = 2.0 * math.pi * 1.0503e6
    assert config.detector_noise == 2e-7
    assert config.decay_rate_per_s == pytest.approx(omega / 6.0e7)
    thermal_m = math.sqrt(Boltzmann * 295.0 / (1.3e-11 * omega**2))  # equipartition
    assert config.thermal_amplitude == pytest.approx(thermal_m / 2.0e-8)


def test_noise_that_is_set_is_believed() -> None:
    told = settings(tracking={"detector_noise": 8e-15})
    config = tracker_config(told, STREAM, LOWER, FOUND[LOWER], 0.02)
    assert config.detector_noise == pytest.approx(8e-15 / 2.0e-8)


def test_an_uncalibrated_stream_has_no_thermal_model() -> None:
    stream = StreamFormat(48_000.0, 0.0, "float32", 1.0, 1.0)
    assert tracker_config(settings(), stream, LOWER, FOUND[LOWER], 0.02).thermal_amplitude == 0.0


def test_walks_that_are_set_are_not_learnt() -> None:
    assert joint_config(settings(), FOUND, 1.0).learnt[:2] == (True, True)
    told = settings(
        tracking={"common_walk_hz_per_root_s": 0.01, "separate_walk_hz_per_root_s": 1e-5}
    )
    config = joint_config(told, FOUND, 1.0)
    assert config.learnt[:2] == (False, False)
    assert config.strengths.shared_walk == pytest.approx(1e-4)
    assert config.strengths.separate_walk == pytest.approx(1e-10)


@pytest.mark.parametrize(
    ("pump", "sigma_hz"),
    [
        ({"coupling_hz_per_unit": 0.04, "coupling_sigma_hz_per_unit": 0.003}, 0.003),
        ({"coupling_hz_per_unit": 0.04}, 0.004),
        ({}, 10.0 * 1.0437e6 / 7.0e7 / 0.5),  # ten of the narrower lines at the set amplitude
    ],
)
def test_how_well_the_coupling_is_known(pump: dict[str, float], sigma_hz: float) -> None:
    config = joint_config(settings(pump={"amplitude": 0.5, **pump}), FOUND, 1.0)
    assert config.coupling_sigma_hz == pytest.approx(sigma_hz)
    assert config.coupling_hz == pump.get("coupling_hz_per_unit", 0.0)


def test_a_drive_of_which_nothing_is_known_may_hold_ten_times_the_target() -> None:
    config = drive_config(settings(), STREAM, LOWER, TONES["drive_lower"], FOUND[LOWER])
    assert config.target_amplitude == pytest.approx(0.05)
    held = 2.0 * config.responsivity * config.max_amplitude / config.decay_rate_per_s
    assert held == pytest.approx(10.0 * config.target_amplitude)


def test_a_ping_tells_responsivity_and_how_much_the_detector_stands() -> None:
    found = replace(FOUND[LOWER], responsivity=7e-3, drive_scale=0.25)
    told = drive_config(settings(), STREAM, LOWER, TONES["drive_lower"], found)
    assert (told.responsivity, told.max_amplitude) == (7e-3, 2.5)


def test_the_pumps_limit_is_a_third_of_the_narrower_line() -> None:
    config = pump_config(settings(), TONES["pump"], 50_000.0, 1000)
    assert config.sigma_limit_hz == pytest.approx(1.0437e6 / 7.0e7 / 3.0)
    narrow = {
        "lower": {"frequency_hz": 1.0437e6, "quality_factor": 1.0e10},
        "upper": {"frequency_hz": 1.0503e6},
    }
    config = pump_config(settings(modes=narrow), TONES["pump"], 50_000.0, 1000)
    assert config.sigma_limit_hz == LEAST_SIGMA_LIMIT_HZ


def test_the_pumps_time_counts_from_the_first_sample() -> None:
    told = settings(run={"pump_from_s": 3.0})
    assert pump_config(told, TONES["pump"], 50_000.0, 1000).from_index == 151_000


def test_without_a_channel_there_is_nothing_to_switch() -> None:
    config = pump_config(settings(pump={}), None, 50_000.0, 0)
    assert (config.amplitude, config.channel.max_amplitude) == (0.0, 0.0)


def test_the_action_ratio_is_the_root_of_mass_times_frequency() -> None:
    assert action_ratio(settings()) == pytest.approx(math.sqrt(1.3 * 1.0503 / (1.1 * 1.0437)))
