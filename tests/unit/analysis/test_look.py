"""Scales, units and the way to SVG."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import numpy as np
import pytest

from controller.analysis.look import (
    LINES,
    STATES,
    as_svg,
    largest_usual,
    panels,
    rounded_reference,
    scaled_unit,
    time_unit,
    usual_range,
)


@pytest.mark.parametrize(
    ("largest", "unit"),
    [
        (0.99999, "Hz"),
        (2.0, "Hz"),
        (0.5, "mHz"),
        (3e-5, "µHz"),
        (2e3, "kHz"),
        (1e-9, "nHz"),
        (0.0, "Hz"),
    ],
)
def test_a_magnitude_gets_its_prefix(largest: float, unit: str) -> None:
    factor, found = scaled_unit(largest, "Hz")
    assert found == unit
    assert largest == 0.0 or 1.0 <= float(f"{largest * factor:.4g}") < 1000.0


@pytest.mark.parametrize(
    ("duration_s", "unit"), [(10.0, "s"), (600.0, "min"), (36e3, "h"), (6e5, "d")]
)
def test_time_is_in_the_unit_that_suits_the_run(duration_s: float, unit: str) -> None:
    assert time_unit(duration_s)[1] == unit


def test_one_outlier_in_a_thousand_does_not_set_the_scale() -> None:
    values = np.ones(1000)
    values[3] = 1e6
    assert largest_usual(values, np.array([np.nan])) == 1.0
    assert largest_usual(np.array([np.nan])) == 0.0


def test_the_usual_range_leaves_the_outer_hundredth_out() -> None:
    values = np.linspace(-1.0, 1.0, 2001)
    values[:3] = -1e6
    low, high = usual_range(values)
    assert (low, high) == pytest.approx((-0.99, 0.99))
    assert usual_range(np.array([np.nan])) == (np.inf, -np.inf)


def test_a_reference_is_rounded_to_a_tenth_of_the_span() -> None:
    assert rounded_reference(6250.123456, 0.004) == 6250.1235
    assert rounded_reference(6250.123456, 0.0) == 6250.123456


def test_no_two_lines_and_no_two_states_differ_in_colour_alone() -> None:
    styles = [str(line["linestyle"]) for line in LINES.values()]
    # The difference is drawn with the modes in one figure only, in black and with its own marker.
    assert len(set(styles)) >= len(styles) - 1
    trackers = ("locked", "holding", "pulling_in", "searching")
    assert len({STATES[state][1] for state in trackers}) == len(trackers)
    assert len({STATES[state] for state in STATES}) == len(STATES)


def test_svg_is_well_formed_text_and_equal_for_equal_figures() -> None:
    texts = []
    for _ in range(2):
        figure, [axes] = panels([1.0])
        axes.plot([0.0, 1.0], [0.0, 1.0], marker="o")
        axes.set_xlabel("time / s")
        texts.append(as_svg(figure, "test"))
    assert texts[0] == texts[1]
    assert ET.fromstring(texts[0]).tag.endswith("svg")
    assert ">time / s</text>" in texts[0]
