"""Alternating difference: what flips, pair by pair; and what is refused."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from controller.analysis.protocols.alternating_difference import alternating_difference
from controller.analysis.protocols.data import ProtocolData
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


def pulled(data: ProtocolData, pull_hz: float, **known: float) -> ProtocolData:
    """With a train that couples the modes: g / 2 pi of `pull_hz`, in phase at plus."""
    table, facts = data.basebands.copy(), dataclasses.replace(data.facts, **known)
    ratio, signs = facts.action_ratio, np.zeros(len(table))
    for section in data.sections:
        is_in = (table["time_s"] >= section.start_s) & (table["time_s"] <= section.end_s)
        signs[is_in] = 1.0 if section.name == "plus" else -1.0
    turned_rad = 2.0 * np.pi * pull_hz * np.cumsum(signs * table["duration_s"])
    for mode, share in (("lower", ratio), ("upper", 1.0 / ratio)):
        for name in (mode, f"drive_{mode}"):
            table[name] *= np.exp(1j * share * turned_rad)
    table["pump_phase_rad"] = np.angle(table["upper"] * table["lower"].conj())
    table["pump_phase_rad"] += np.where(signs < 0.0, np.pi, 0.0)
    facts = dataclasses.replace(facts, coupling_hz_per_unit=pull_hz / 0.05)  # per unit of train
    return dataclasses.replace(data, basebands=table, facts=facts)


def test_the_pull_of_the_train_is_taken_off(protocol: Protocol) -> None:
    still = alternating_difference(protocol.data).results
    lower = dataclasses.replace(protocol.data.facts.lower, mass_kg=1.3e-11)
    facts = dataclasses.replace(protocol.data.facts, lower=lower)
    data = pulled(dataclasses.replace(protocol.data, facts=facts), 3e-3)
    found = alternating_difference(data).results
    assert still is not None and found is not None
    for name in ("mean_shift_hz", "side_line_shift_hz"):
        # Detector noise turns the phases by 3e-5 of a turn, far below the sigma.
        assert abs(found[name] - still[name]) < 0.2 * still[f"{name}_sigma"]


def test_what_is_not_known_of_the_pull_counts(protocol: Protocol) -> None:
    """1/r - r changes by (1/r + r) dr/r, twice the pull and half of the relative mass ratio."""
    still = alternating_difference(protocol.data).results
    known = alternating_difference(pulled(protocol.data, 3e-3, mass_ratio_sigma=0.1)).results
    assert still is not None and known is not None
    expected_hz = np.hypot(still["mean_shift_hz_sigma"], 3e-3 * 2.0 * 0.5 * 0.1)
    assert known["mean_shift_hz_sigma"] == pytest.approx(expected_hz, rel=0.01)


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


def test_what_flips_in_the_lower_mode_is_no_drift() -> None:
    """Half of the flip is the lower mode's: its share of the drift would be 5 sigmas."""
    shift_hz, errors = 2e-2, []
    for seed in range(8):
        results = alternating_difference(alternating_protocol(seed, shift_hz=shift_hz).data).results
        assert results is not None
        for name in ("mean_shift_hz", "side_line_shift_hz"):
            errors.append((results[name] - shift_hz) / results[f"{name}_sigma"])
    # Both come from the same data: a chi-square of 8, five sigmas of it.
    assert float(np.mean(np.square(errors))) < 1.0 + 5.0 * np.sqrt(2.0 / 8.0)
