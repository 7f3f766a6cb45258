"""Exchange, splitting map and rate calibration: results, sigmas and failures."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import numpy as np
import pytest

from controller.analysis.protocols.data import BASEBAND_DTYPE, ProtocolData, ProtocolResult
from controller.analysis.protocols.exchange import exchange, rate_calibration, splitting_map
from tests.support.protocol_cases import CASES
from tests.support.two_modes import Bench, Stage, exchange_stages, protocols

ANALYSES = (exchange, splitting_map, rate_calibration)
MAP = CASES["splitting_map"]


@pytest.fixture(scope="module")
def mapped() -> ProtocolResult:
    [outcome] = protocols(MAP.bench, MAP.stages, [8])
    return splitting_map(outcome.data)


def empty_data() -> ProtocolData:
    [outcome] = protocols(Bench(), exchange_stages(duration_s=2.0), [1])
    return dataclasses.replace(outcome.data, basebands=np.zeros(0, BASEBAND_DTYPE))


@pytest.mark.parametrize("analysis", ANALYSES)
def test_no_basebands_are_a_failure_with_a_reason(
    analysis: Callable[[ProtocolData], ProtocolResult],
) -> None:
    result = analysis(empty_data())
    assert result.results is None
    assert result.failure is not None and "no basebands" in result.failure


@pytest.mark.parametrize("analysis", ANALYSES)
def test_a_pump_that_was_never_on_is_a_failure(
    analysis: Callable[[ProtocolData], ProtocolResult],
) -> None:
    [outcome] = protocols(Bench(), [Stage(kind="hold", duration_s=2.0)], [1])
    result = analysis(outcome.data)
    assert result.results is None
    assert result.failure == "the pump was never on while basebands were recorded"


def test_a_pump_on_driven_modes_is_no_exchange() -> None:
    stage = Stage(kind="pump_on", duration_s=3.0, pump=1.0, set_upper_m=1e-9, drive_upper=True)
    [outcome] = protocols(Bench(), [stage], [1])
    assert "release the modes" in (exchange(outcome.data).failure or "")


def test_several_amplitudes_are_no_single_exchange() -> None:
    [outcome] = protocols(Bench(), exchange_stages(duration_s=5.0, pumps=(0.5, 1.0)), [1])
    assert "rate_calibration" in (exchange(outcome.data).failure or "")


def test_exchanges_that_disagree_are_a_failure() -> None:
    """The second half of the recording seen with a coupling phase 0.3 rad off."""
    [outcome] = protocols(Bench(), exchange_stages(duration_s=12.0, repeats=2), [1])
    table = outcome.data.basebands.copy()
    table["pump_phase_rad"][len(table) // 2 :] += 0.3
    result = exchange(dataclasses.replace(outcome.data, basebands=table))
    assert result.results is None
    assert "disagree" in (result.failure or "")


def test_repeats_narrow_the_coupling() -> None:
    [outcome] = protocols(Bench(), exchange_stages(duration_s=12.0, repeats=4), [2])
    single = dataclasses.replace(
        outcome.data, basebands=outcome.data.basebands[outcome.data.basebands["time_s"] < 14.0]
    )
    sigmas = []
    for data in (single, outcome.data):
        results = exchange(data).results
        assert results is not None
        sigmas.append(results["coupling_hz_sigma"])
    # The scale of each is learnt from residuals: 60 steps, so about 7 %.
    assert sigmas[0] / sigmas[1] == pytest.approx(2.0, rel=0.3)


@pytest.mark.parametrize(("coupling_hz", "is_strong"), [(0.1, True), (0.003, False)])
def test_strong_coupling_is_said(coupling_hz: float, is_strong: bool) -> None:
    """2 g against the mean of the decay rates, 0.096 per second: g / 2 pi of 7.6 mHz."""
    bench = Bench(coupling_hz_per_unit=coupling_hz)
    [outcome] = protocols(bench, exchange_stages(duration_s=30.0), [3])
    results = exchange(outcome.data).results
    assert results is not None
    assert results["is_strongly_coupled"] is is_strong


def test_a_map_has_one_row_per_detuning(mapped: ProtocolResult) -> None:
    series = mapped.series
    assert series["lower_power_m2"].shape == (5, len(series["time_s"]))
    assert series["upper_spectrum_m"].shape == (5, len(series["spectrum_hz"]))
    assert series["detuning_hz"] == pytest.approx([-0.3, -0.1, 0.0, 0.1, 0.3])


def test_exchange_frequencies_lie_on_the_hyperbola(mapped: ProtocolResult) -> None:
    """Each within its sigma and the wander of the tracked difference, 0.2 mHz, times four."""
    results, series = mapped.results, mapped.series
    assert results is not None
    coupling_hz, offset_hz = results["coupling_hz"], results["difference_offset_hz"]
    assert isinstance(coupling_hz, float) and isinstance(offset_hz, float)
    expected_hz = np.hypot(2.0 * coupling_hz, series["detuning_hz"] - offset_hz)
    allowed_hz = 4.0 * np.hypot(series["exchange_hz_sigma"], 2e-4)
    assert np.all(np.abs(series["exchange_hz"] - expected_hz) < allowed_hz)


def test_spectra_peak_at_the_dressed_modes(mapped: ProtocolResult) -> None:
    """At resonance at plus and minus g / 2 pi, to half a bin of the record."""
    series = mapped.series
    spectrum_hz, spectrum = series["spectrum_hz"], series["upper_spectrum_m"][2]
    half_bin_hz = 0.5 / series["time_s"][-1]
    for side in (spectrum_hz > 0.0, spectrum_hz < 0.0):
        peak_hz = spectrum_hz[side][np.argmax(spectrum[side])]
        assert abs(abs(peak_hz) - MAP.bench.coupling_hz_per_unit) < half_bin_hz


def test_two_detunings_make_no_map() -> None:
    [outcome] = protocols(Bench(), exchange_stages(duration_s=6.0, detunings_hz=(0.0, 0.1)), [1])
    assert "are needed for a hyperbola" in (splitting_map(outcome.data).failure or "")


def test_one_amplitude_makes_no_calibration() -> None:
    [outcome] = protocols(Bench(), exchange_stages(duration_s=6.0), [1])
    assert "two or more pump amplitudes" in (rate_calibration(outcome.data).failure or "")


def test_two_amplitudes_leave_the_linearity_open() -> None:
    [outcome] = protocols(Bench(), exchange_stages(duration_s=10.0, pumps=(0.5, 1.0)), [1])
    results = rate_calibration(outcome.data).results
    assert results is not None
    assert results["nonlinearity"] is None and results["is_linear"] is None
    assert results["coupling_hz_per_unit"] == pytest.approx(0.1, rel=0.01)


def test_a_coupling_that_bends_is_found_out() -> None:
    """g = c V (1 + 0.1 V): the relative quadratic term at 1 is 0.1."""
    bench = Bench(coupling_curvature_per_unit=0.1)
    stages = exchange_stages(duration_s=15.0, pumps=(0.4, 0.7, 1.0))
    [outcome] = protocols(bench, stages, [4])
    results = rate_calibration(outcome.data).results
    assert results is not None
    value, sigma = results["nonlinearity"], results["nonlinearity_sigma"]
    assert isinstance(value, float) and isinstance(sigma, float)
    assert results["is_linear"] is False
    assert abs(value - 0.1) < 4.0 * sigma
    slope, slope_sigma = results["coupling_hz_per_unit"], results["coupling_hz_per_unit_sigma"]
    assert isinstance(slope, float) and isinstance(slope_sigma, float)
    assert abs(slope - bench.coupling_hz_per_unit) < 4.0 * slope_sigma


def test_every_result_has_a_sigma() -> None:
    case = CASES["exchange"]
    [outcome] = protocols(case.bench, case.stages, [6])
    results = exchange(outcome.data).results
    assert results is not None
    for name in case.truths(case.bench, outcome):
        sigma = results[f"{name}_sigma"]
        assert isinstance(sigma, float) and math.isfinite(sigma) and sigma > 0.0
