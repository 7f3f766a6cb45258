"""The shipped scenarios: complete, within the loop's reach, and each its own."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import pytest

import hardware_sim.scenarios
from controller.records import ModeId
from controller.settings import Configuration
from hardware_sim.options import SimulatorOptions, parsed_options

FOLDER = Path(hardware_sim.scenarios.__path__[0])
NAMES = sorted(path.stem for path in FOLDER.glob("*.toml"))


def scenario(name: str) -> tuple[Configuration, SimulatorOptions]:
    table = tomllib.loads((FOLDER / f"{name}.toml").read_text(encoding="utf-8"))
    configuration = Configuration.model_validate(table)
    return configuration, parsed_options(configuration.instrument.options)


def test_what_ships() -> None:
    assert NAMES == [
        "aircon_cycle",
        "door_opens",
        "fringe_feedthrough",
        "low_signal",
        "quiet_room",
        "raw_stream",
        "strong_duffing",
    ]


def test_no_two_are_alike() -> None:
    frequencies = [scenario(name)[1].lower.frequency_hz for name in NAMES]
    seeds = [scenario(name)[1].seed for name in NAMES]
    assert len(set(frequencies)) == len(set(seeds)) == len(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_a_scenario_says_what_it_is(name: str) -> None:
    configuration, _ = scenario(name)
    assert configuration.instrument.class_name == "simulator"
    assert configuration.title
    assert configuration.description


@pytest.mark.parametrize("name", NAMES)
def test_the_modes_lie_within_the_search(name: str) -> None:
    configuration, options = scenario(name)
    for mode, true in ((ModeId.LOWER, options.lower), (ModeId.UPPER, options.upper)):
        settings = configuration.modes.of(mode)
        assert abs(settings.frequency_hz - true.frequency_hz) < settings.search_hz


@pytest.mark.parametrize("name", NAMES)
def test_the_drive_can_ring_the_modes_up(name: str) -> None:
    """Twenty times the force F = m w^2 A / Q that holds the amplitude."""
    configuration, options = scenario(name)
    for mode, true in ((ModeId.LOWER, options.lower), (ModeId.UPPER, options.upper)):
        omega = 2.0 * math.pi * true.frequency_hz
        amplitude_m = configuration.drive.amplitude_of(mode)
        holding_n = true.mass_kg * omega**2 * amplitude_m / true.quality_factor
        assert options.drive.max_amplitude * true.drive_newton_per_unit > 20.0 * holding_n


@pytest.mark.parametrize("name", NAMES)
def test_the_difference_lies_within_the_interlocks_window(name: str) -> None:
    configuration, options = scenario(name)
    window_hz = configuration.pump.difference_window_hz
    assert window_hz is not None
    difference_hz = options.upper.frequency_hz - options.lower.frequency_hz
    assert window_hz[0] + 50.0 < difference_hz < window_hz[1] - 50.0
    assert configuration.pump.amplitude <= options.pump.max_amplitude
