"""What an analysis is given: cutting stretches, phases without jumps, propagated sigmas."""

from __future__ import annotations

import math

import numpy as np
import pytest

from controller.analysis.protocols.data import (
    BASEBAND_DTYPE,
    Facts,
    ModeFacts,
    ProtocolData,
    ProtocolFailure,
    ProtocolResult,
    guarded,
    propagated,
    runs_where,
    summed_rad,
    tracked_difference,
    unwrapped_rad,
    with_sigmas,
)
from controller.records import Baseband, Section
from tests.support.basebands import baseband_array

UPDATE_S = 0.02
MODE = ModeFacts(
    frequency_hz=9e5, quality_factor=6e7, mass_kg=1e-11, detector_noise_m_per_root_hz=4e-15
)
FACTS = Facts(lower=MODE, upper=MODE)


def protocol_data(table: np.ndarray, **others: object) -> ProtocolData:
    settings: dict[str, object] = {
        "sections": (),
        "basebands": table,
        "lower_reference_hz": 9.00e5,
        "upper_reference_hz": 9.07e5,
        "facts": FACTS,
    }
    return ProtocolData(**{**settings, **others})  # type: ignore[arg-type]


def basebands(pumps: np.ndarray) -> np.ndarray:
    table = np.zeros(len(pumps), BASEBAND_DTYPE)
    table["time_s"] = UPDATE_S * (np.arange(len(pumps)) + 0.5)
    table["duration_s"], table["pump_amplitude"] = UPDATE_S, pumps
    return table


def test_basebands_become_rows_with_the_same_fields() -> None:
    one = Baseband(
        sample_index=7,
        time_s=0.5,
        lower=1 + 2j,
        upper=3 - 1j,
        duration_s=UPDATE_S,
        pump_amplitude=0.25,
        pump_phase_rad=1.5,
        drive_lower=0j,
        drive_upper=1j,
    )
    table = baseband_array([one, one])
    assert table.dtype == BASEBAND_DTYPE
    assert all(table[name][1] == getattr(one, name) for name in BASEBAND_DTYPE.names or ())


def test_no_basebands_become_an_empty_table() -> None:
    assert baseband_array([]).shape == (0,)


def test_a_stretch_loses_its_first_and_last_baseband() -> None:
    pumps = np.repeat([0.0, 1.0, 0.0], [100, 150, 100])
    data = protocol_data(basebands(pumps))
    [run] = runs_where(data, pumps > 0.0)
    assert run.start_s == pytest.approx(UPDATE_S * 101.5)
    assert len(run.basebands) == 148


def test_stretches_are_cut_where_the_pump_steps_and_at_gaps() -> None:
    pumps = np.repeat([1.0, 2.0], [200, 200])
    table = np.delete(basebands(pumps), slice(290, 300))
    data = protocol_data(table)
    runs = runs_where(data, np.ones(len(table), bool))
    assert [len(run.basebands) for run in runs] == [198, 88, 98]


def test_interrupted_steps_are_left_out_and_parameters_of_the_others_kept() -> None:
    pumps = np.ones(400)
    sections = (
        Section(name="a", kind="pump_on", start_s=0.0, end_s=4.0, completed=False),
        Section(
            name="a",
            kind="pump_on",
            start_s=4.0,
            end_s=8.0,
            parameters={"amplitude": 1.0},
            attempt=2,
        ),
    )
    data = protocol_data(basebands(pumps), sections=sections)
    [run] = runs_where(data, pumps > 0.0)
    assert run.start_s > 4.0
    assert run.parameters == {"amplitude": 1.0}


def test_short_stretches_are_left_out() -> None:
    pumps = np.repeat([0.0, 1.0, 0.0], [50, 40, 50])
    assert runs_where(protocol_data(basebands(pumps)), pumps > 0.0, shortest_s=1.0) == []


@pytest.mark.parametrize("rate_turns", [0.0, 0.3, 0.499, 0.5])
def test_a_phase_is_followed_at_any_rate(rate_turns: float) -> None:
    """But for whole turns per step."""
    rng = np.random.default_rng(3)
    true_rad = 0.4 + 2 * math.pi * rate_turns * np.arange(500) + 0.3 * rng.standard_normal(500)
    found_rad = unwrapped_rad(np.angle(np.exp(1j * true_rad)))
    slips = np.diff(found_rad - true_rad) / (2 * math.pi)
    assert np.allclose(slips, np.round(slips[0]), atol=1e-9)


def test_steps_of_a_phase_add_up() -> None:
    steps = 2.5 * np.exp(1j * np.array([0.1, 0.2, -0.4]))
    assert summed_rad(steps) == pytest.approx([0.0, 0.1, 0.3, -0.1])


def test_the_last_record_before_the_pump_tells_the_difference() -> None:
    records = {
        "time_s": np.array([1.0, 2.0, 3.0, 4.0]),
        "difference_hz": np.array([7001.0, 7002.0, np.nan, 7004.0]),
        "difference_sigma_hz": np.array([0.1, 0.2, 0.3, 0.4]),
        "pump_amplitude": np.array([0.0, 0.0, 0.0, 1.0]),
    }
    data = protocol_data(basebands(np.zeros(4)), records=records)
    assert tracked_difference(data, 4.5) == pytest.approx((2.0, 0.2, 2.0))
    assert tracked_difference(data, 40.0) is None
    assert tracked_difference(protocol_data(basebands(np.zeros(4))), 4.5) is None


def test_sigmas_propagate_with_correlations() -> None:
    """Var(x / y) / (x / y)^2 = Vx / x^2 + Vy / y^2 - 2 Cxy / (x y), to first order."""
    values, covariance = np.array([3.0, 2.0]), np.array([[0.01, 0.004], [0.004, 0.02]])
    value, sigma = propagated(lambda pair: float(pair[0] / pair[1]), values, covariance)
    relative = 0.01 / 9.0 + 0.02 / 4.0 - 2.0 * 0.004 / 6.0
    assert value == pytest.approx(1.5)
    assert sigma == pytest.approx(1.5 * math.sqrt(relative), rel=1e-6)


def test_results_stand_beside_their_sigmas() -> None:
    assert with_sigmas({"a_hz": (1.0, 0.5)}) == {"a_hz": 1.0, "a_hz_sigma": 0.5}


def test_a_failure_has_a_reason_and_no_numbers() -> None:
    def fails(data: ProtocolData) -> ProtocolResult:
        raise ProtocolFailure("too short")

    result = guarded(fails, protocol_data(basebands(np.zeros(3))))
    assert result.results is None
    assert result.failure == "too short"
