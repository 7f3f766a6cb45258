"""Alternating difference: what flips, pair by pair; and what is refused."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from controller.analysis.protocols.alternating_difference import alternating_difference
from tests.support.protocol_streams import Protocol, alternating_protocol


@pytest.fixture(scope="module")
def protocol() -> Protocol:
    """An image: each position has a shift and a background of its own."""
    return alternating_protocol(2, image_hz=1e-3, background_hz=3e-3)


def test_the_mean_is_that_of_the_positions(protocol: Protocol) -> None:
    results = alternating_difference(protocol.data).results
    assert results is not None
    for name, truth in protocol.truths[""].items():
        assert abs(results[name] - truth) < 4.0 * results[f"{name}_sigma"], name
    assert results["agreement_sigmas"] < 4.0


def test_the_image_is_found_within_its_sigmas(protocol: Protocol) -> None:
    series = alternating_difference(protocol.data).series
    errors = (series["shift_hz"] - protocol.shifts_hz) / series["shift_sigma_hz"]
    # Chi-square of 20: 5 sigmas of it are 20 + 5 sqrt(40).
    assert 3.0 < float(errors @ errors) < 52.0


def test_chi_square_tells_an_image_from_one_shift(protocol: Protocol) -> None:
    image = alternating_difference(protocol.data).results
    even = alternating_difference(alternating_protocol(4).data).results
    assert image is not None and even is not None
    freedom = image["degrees_of_freedom"]
    five_sigmas = freedom + 5.0 * np.sqrt(2.0 * freedom)
    assert image["chi_square"] > five_sigmas > even["chi_square"]


def test_swapped_signs_turn_the_shift(protocol: Protocol) -> None:
    swapped = tuple(
        dataclasses.replace(each, name={"plus": "minus", "minus": "plus"}[each.name])
        for each in protocol.data.sections
    )
    before = alternating_difference(protocol.data).results
    after = alternating_difference(dataclasses.replace(protocol.data, sections=swapped)).results
    assert before is not None and after is not None
    assert after["mean_shift_hz"] == pytest.approx(-before["mean_shift_hz"], rel=1e-9)
    assert after["side_line_shift_hz"] == pytest.approx(-before["side_line_shift_hz"], rel=1e-9)


def test_a_missing_section_costs_one_pair(protocol: Protocol) -> None:
    sections = list(protocol.data.sections)
    del sections[5]
    results = alternating_difference(
        dataclasses.replace(protocol.data, sections=tuple(sections))
    ).results
    assert results is not None
    assert results["pairs"] == 19.0


def test_what_cannot_be_read_is_a_failure(protocol: Protocol) -> None:
    data = protocol.data
    free, silent = data.basebands.copy(), data.basebands.copy()
    free["drive_upper"], silent["pump_amplitude"] = 0.0, 0.0
    noisy = data.basebands.copy()
    noisy["upper"] *= np.exp(0.05j * np.random.default_rng(1).standard_normal(len(noisy)))
    for broken, reason in (
        (dataclasses.replace(data, sections=data.sections[:4]), "are needed"),
        (dataclasses.replace(data, basebands=free), "both modes driven"),
        (dataclasses.replace(data, basebands=silent), "train on"),
        (dataclasses.replace(data, basebands=data.basebands[:0]), "no basebands"),
        (dataclasses.replace(data, records={}), "no records"),
        (dataclasses.replace(data, basebands=noisy), "scatters"),
    ):
        result = alternating_difference(broken)
        assert result.results is None
        assert result.failure is not None and reason in result.failure
