"""Thermal calibration: scale, temperature, noise, decay; and what is refused."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from controller.analysis.protocols.thermal_calibration import thermal_calibration
from tests.support.protocol_streams import Protocol, thermal_protocol


@pytest.fixture(scope="module")
def protocol() -> Protocol:
    """A stream whose metres are a third too small."""
    return thermal_protocol(5, metres_ratio=1.5)


def test_every_result_is_within_four_sigmas(protocol: Protocol) -> None:
    results = thermal_calibration(protocol.data).results
    assert results is not None
    for mode, truths in protocol.truths.items():
        group = results[mode]
        assert isinstance(group, dict)
        for name, truth in truths.items():
            assert abs(group[name] - truth) < 4.0 * group[f"{name}_sigma"], f"{mode} {name}"


def test_driven_basebands_do_not_count(protocol: Protocol) -> None:
    basebands = protocol.data.basebands.copy()
    basebands["lower"][:20000], basebands["drive_lower"][:20000] = 1e-9, 1.0
    results = thermal_calibration(dataclasses.replace(protocol.data, basebands=basebands)).results
    assert results is not None
    assert results["lower"]["metres_per_unit_ratio"] == pytest.approx(1.5, abs=0.6)


def test_the_figure_is_normalised(protocol: Protocol) -> None:
    series = thermal_calibration(protocol.data).series
    assert series["lower_autocorrelation"][0] == pytest.approx(1.0)
    spacing = np.diff(series["upper_relative_power"])[0]
    assert series["upper_probability_density"].sum() * spacing == pytest.approx(1.0)


def test_what_cannot_be_read_is_a_failure(protocol: Protocol) -> None:
    data = protocol.data
    section = data.sections[0]
    driven = data.basebands.copy()
    driven["drive_upper"] = 1.0
    slow = data.basebands.copy()
    slow["time_s"] *= 200.0
    slow["duration_s"] *= 200.0
    for broken, reason in (
        (dataclasses.replace(data, sections=()), "section `thermal`"),
        (dataclasses.replace(data, basebands=driven), "no second"),
        (dataclasses.replace(data, basebands=data.basebands[:1000]), "record longer"),
        (
            dataclasses.replace(
                data, basebands=slow, sections=(dataclasses.replace(section, end_s=2e5),)
            ),
            "too long",
        ),
    ):
        result = thermal_calibration(broken)
        assert result.results is None
        assert result.failure is not None and reason in result.failure
