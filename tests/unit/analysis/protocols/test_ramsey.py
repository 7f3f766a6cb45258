"""Ramsey fringes: found from the data, failures as failures."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from controller.analysis.protocols.data import ProtocolData
from controller.analysis.protocols.fringes import LastPulse
from controller.analysis.protocols.ramsey import ramsey
from tests.support.pulses import (
    STEP_HZ,
    TWO_PI,
    errors_in_sigmas,
    idle,
    pulse,
    ramsey_steps,
    ring_up,
    sequences,
    without,
)
from tests.support.two_modes import Bench

BENCH = Bench()
SHORT_S = (0.5, 1.5, 3.0, 4.5, 6.0, 8.0, 10.0, 12.0)


@pytest.fixture(scope="module")
def data() -> ProtocolData:
    """Eight free times."""
    return sequences(BENCH, ramsey_steps(BENCH, SHORT_S), [11])[0].data


def number(data: ProtocolData, name: str) -> float:
    result = ramsey(data)
    assert result.results is not None, result.failure
    value = result.results[name]
    assert isinstance(value, float)
    return value


def test_results_lie_within_their_sigmas() -> None:
    for name, errors in errors_in_sigmas("ramsey", range(8), BENCH).items():
        # 8 degrees of freedom, 99.9 %.
        assert float(errors @ errors) < 26.1, name


def test_every_result_has_a_sigma(data: ProtocolData) -> None:
    results = ramsey(data).results
    assert results is not None
    for name in results:
        if not name.endswith(("_sigma", "_ratio")):
            assert results[f"{name}_sigma"] > 0.0  # type: ignore[operator]


def test_difference_and_fringes_are_one_reading(data: ProtocolData) -> None:
    # What the second pulse is turned by, and the pump less the difference.
    pump_hz = number(data, "fringe_hz") - STEP_HZ + number(data, "difference_hz")
    assert pump_hz == pytest.approx(number(data, "difference_tracked_hz"), abs=1e-5)


def test_a_lower_mode_about_half_the_update_rate_off_its_reference_reads_alike(
    data: ProtocolData,
) -> None:
    """Its frequency is known but for whole update rates: some sequences lie on either side."""
    basebands, update_s = data.basebands.copy(), float(data.basebands["duration_s"][0])
    lower = basebands["lower"]
    turning_rad = float(np.angle(np.vdot(lower[:-1], lower[1:])))
    turn = np.exp(1j * (math.pi - turning_rad) * basebands["time_s"] / update_s)
    for mode in ("lower", "upper"):
        basebands[mode] *= turn
    moved = replace(data, basebands=basebands)
    assert number(moved, "difference_hz") == pytest.approx(number(data, "difference_hz"), abs=2e-6)


def test_the_tracked_difference_is_no_part_of_the_reading(data: ProtocolData) -> None:
    off = dict(data.records) | {"difference_hz": data.records["difference_hz"] + 0.003}
    moved = replace(data, records=off)
    assert number(moved, "difference_hz") == pytest.approx(number(data, "difference_hz"), abs=2e-6)
    disagreement_hz = number(data, "difference_disagreement_hz")
    assert number(moved, "difference_disagreement_hz") == pytest.approx(
        disagreement_hz - 0.003, abs=2e-6
    )


def test_a_pump_that_runs_away_moves_the_fringes_and_not_the_difference() -> None:
    steps = []
    for step in ramsey_steps(BENCH, SHORT_S):
        away = [replace(stage, detuning_hz=0.02) for stage in step.stages]
        steps.append(replace(step, stages=tuple(away)) if step.name == "free" else step)
    data = sequences(BENCH, steps, [12])[0].data
    results = ramsey(data).results
    assert results is not None
    assert results["fringe_hz"] == pytest.approx(STEP_HZ + 0.02, abs=2e-3)
    # Five sigmas; the bias of the bench is within.
    assert abs(number(data, "difference_disagreement_hz")) < 3e-3


def test_without_records_there_is_no_tracked_difference(data: ProtocolData) -> None:
    results = ramsey(replace(data, records={})).results
    assert results is not None
    assert results["difference_tracked_hz"] is None
    assert results["difference_disagreement_hz_sigma"] is None
    assert results["difference_hz"] == pytest.approx(number(data, "difference_hz"), abs=2e-6)


def test_second_pulses_that_are_not_turned_are_a_failure() -> None:
    steps = []
    for free_s in (1.0, 2.0, 4.0, 6.0, 8.0, 10.0):
        steps += [ring_up(), pulse("first_pulse", BENCH, 0.25), idle("free", free_s)]
        steps += [pulse("second_pulse", BENCH, 0.25), idle("read_out", 1.0)]
    result = ramsey(sequences(BENCH, steps, [13])[0].data)
    assert result.results is None
    assert "phase_rad" in str(result.failure)


def test_too_few_sequences_are_a_failure() -> None:
    result = ramsey(sequences(BENCH, ramsey_steps(BENCH, (1.0, 4.0, 8.0)), [14])[0].data)
    assert result.results is None
    assert "5 are needed" in str(result.failure)


def test_interrupted_sequences_are_a_failure(data: ProtocolData) -> None:
    assert "no completed sequence" in str(ramsey(without(data, "read_out")).failure)


def test_a_pulse_that_is_missing_is_a_failure(data: ProtocolData) -> None:
    silent = data.basebands.copy()
    first = silent["time_s"] < data.sections[3].start_s
    silent["pump_amplitude"][first] = 0.0
    assert "it should have 2 pulses" in str(ramsey(replace(data, basebands=silent)).failure)


def test_energies_without_fringes_are_a_failure(data: ProtocolData) -> None:
    mixed = data.basebands.copy()
    rng = np.random.default_rng(1)
    for section in data.sections:
        if section.name == "second_pulse":
            later = mixed["time_s"] > section.end_s
            share = rng.uniform()
            size = np.hypot(np.abs(mixed["lower"][later]), np.abs(mixed["upper"][later]))
            mixed["lower"][later] = size * math.sqrt(share)
            mixed["upper"][later] = size * math.sqrt(1.0 - share)
    assert ramsey(replace(data, basebands=mixed)).results is None


def test_the_last_pulse_follows_its_closed_form() -> None:
    phases_rad, tilts = np.linspace(0.0, TWO_PI, 9), np.linspace(-0.9, 0.9, 9)
    alike = LastPulse(duration_s=5.0, decays_per_s=(0.1, 0.1))
    for angle_rad in (0.5 * math.pi, 1.0, 2.2):
        # On the sphere: a turn by the angle about an axis in the equator.
        waves = np.sqrt(1.0 - tilts**2) * np.sin(phases_rad)
        expected = 0.5 * (1.0 + tilts * math.cos(angle_rad) + waves * math.sin(angle_rad))
        found = alike.transferred(angle_rad, phases_rad, tilts)
        assert found == pytest.approx(expected, abs=1e-12)
