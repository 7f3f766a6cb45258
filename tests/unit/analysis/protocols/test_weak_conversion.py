"""Weak conversion: pump against controls, and what is refused."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from controller.analysis.protocols.data import ProtocolData
from controller.analysis.protocols.weak_conversion import weak_conversion
from tests.support.protocol_streams import COUPLING_HZ, weak_protocols
from tests.support.two_modes import Bench


@pytest.fixture(scope="module")
def protocol() -> ProtocolData:
    """One protocol whose coupling stands far out of the noise."""
    return weak_protocols(Bench(), COUPLING_HZ, [3])[0].data


def with_basebands(data: ProtocolData, **columns: np.ndarray) -> ProtocolData:
    """The same data with other columns."""
    basebands = data.basebands.copy()
    for name, values in columns.items():
        basebands[name] = values
    return dataclasses.replace(data, basebands=basebands)


def test_the_coupling_is_found(protocol: ProtocolData) -> None:
    results = weak_conversion(protocol).results
    assert results is not None
    error = results["coupling_hz"] - COUPLING_HZ
    assert abs(error) < 4.0 * results["coupling_hz_sigma"]
    phase_rad = results["converted_phase_rad"] - (0.5 * math.pi + Bench().coupling_phase_rad)
    phase_rad = (phase_rad + math.pi) % (2.0 * math.pi) - math.pi
    assert abs(phase_rad) < 4.0 * results["converted_phase_rad_sigma"]
    assert results["significance"] > 5.0
    assert results["control_significance"] < 5.0


def test_a_coupling_that_the_pump_does_not_cause_is_the_controls_alone(
    protocol: ProtocolData,
) -> None:
    """The pump's phase is another than the one that acted: what acted follows no pump."""
    basebands = protocol.basebands
    turns = np.zeros(len(basebands))
    for section in protocol.sections:
        is_inside = basebands["time_s"] >= section.start_s
        turns[is_inside] = 0.5 if section.name == "reversed" else 0.0
    # As if the pump had been reversed where it was not, and the other way round: on and
    # reversed then have the same force, as a constant source has.
    unturned = with_basebands(
        protocol, pump_phase_rad=basebands["pump_phase_rad"] + 2.0 * math.pi * turns
    )
    results = weak_conversion(unturned).results
    assert results is not None
    assert results["coupling_hz"] < 0.5 * COUPLING_HZ


def test_the_calibration_of_the_stream_cancels(protocol: ProtocolData) -> None:
    """Both modes read 1 % too large: the coupling and the phase stay, the amplitude grows."""
    scaled = with_basebands(
        protocol, lower=1.01 * protocol.basebands["lower"], upper=1.01 * protocol.basebands["upper"]
    )
    before, after = weak_conversion(protocol).results, weak_conversion(scaled).results
    assert before is not None and after is not None
    # The weights know a detector's noise in metres: that changes in the second order.
    assert after["coupling_hz"] == pytest.approx(before["coupling_hz"], rel=1e-3)
    assert after["converted_amplitude_m"] == pytest.approx(
        1.01 * before["converted_amplitude_m"], rel=1e-3
    )


def test_an_interrupted_section_does_not_count(protocol: ProtocolData) -> None:
    """Its basebands may be anything."""
    broken = protocol.sections[1]
    is_broken = protocol.basebands["time_s"] < broken.end_s
    spoilt = with_basebands(protocol, upper=np.where(is_broken, 1e-9, protocol.basebands["upper"]))
    sections = tuple(
        dataclasses.replace(each, completed=each is not broken) for each in protocol.sections
    )
    result = weak_conversion(dataclasses.replace(spoilt, sections=sections))
    assert result.results is not None
    error = result.results["coupling_hz"] - COUPLING_HZ
    assert abs(error) < 4.0 * result.results["coupling_hz_sigma"]


def test_series_are_one_value_for_each_stretch(protocol: ProtocolData) -> None:
    series = weak_conversion(protocol).series
    kinds = list(series["stretch_kind"])
    assert sorted(set(kinds)) == ["detuned", "off", "on", "reversed"]
    for name in ("stretch_s", "stretch_coupling_real_hz", "stretch_coupling_sigma_hz"):
        assert len(series[name]) == len(kinds)
    size_hz = np.hypot(series["stretch_coupling_real_hz"], series["stretch_coupling_imag_hz"])
    is_pumped = np.isin(kinds, ["on", "reversed"])
    assert size_hz[is_pumped].min() > size_hz[~is_pumped].max()


def without(data: ProtocolData, *names: str) -> ProtocolData:
    """The same data without sections of these names."""
    kept = tuple(each for each in data.sections if each.name not in names)
    return dataclasses.replace(data, sections=kept)


def test_what_cannot_be_fitted_is_a_failure(protocol: ProtocolData) -> None:
    records = {
        **protocol.records,
        "difference_hz": np.full_like(protocol.records["time_s"], np.nan),
    }
    thermal = with_basebands(protocol, lower=1e-2 * protocol.basebands["lower"])
    nonsense = with_basebands(
        protocol, upper=1e-10 * np.random.default_rng(1).standard_normal(len(protocol.basebands))
    )
    for broken, reason in (
        (without(protocol, "on"), "section `on`"),
        (without(protocol, "off", "reversed", "detuned"), "no control"),
        (dataclasses.replace(protocol, basebands=protocol.basebands[:0]), "no basebands"),
        (dataclasses.replace(protocol, records=records), "never tracked"),
        (dataclasses.replace(protocol, records={}), "no records"),
        (thermal, "drive it harder"),
        (nonsense, "residuals"),
    ):
        result = weak_conversion(broken)
        assert result.results is None
        assert result.failure is not None and reason in result.failure
