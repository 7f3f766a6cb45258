"""The palettes: readable, and to be told apart without colour."""

from __future__ import annotations

from itertools import combinations

import pytest
from PySide6.QtGui import QColor

from controller.records import PumpState, TrackerState
from gui.look import DARK, GLYPHS, LIGHT, STATE_LEVELS, STATE_PATTERNS, Look, faded
from gui.models.verdict import Level

# WCAG 2.1, success criterion 1.4.3: text; 1.4.11: what is not text but has to be told apart.
TEXT_CONTRAST, LINE_CONTRAST = 4.5, 3.0
# What lies in one plot; a third more light. Arbitrary: none of our pairs is a hair apart.
APART = 1.33


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.1 (definition of relative luminance)."""
    parts = [part / 255.0 for part in QColor(colour).getRgb()[:3]]
    red, green, blue = (p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio, WCAG 2.1."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("look", [LIGHT, DARK])
def test_text_can_be_read(look: Look) -> None:
    for text in (look.ink, look.faint, look.good, look.warning, look.bad):
        for ground in (look.paper, look.raised):
            assert contrast(text, ground) >= TEXT_CONTRAST


@pytest.mark.parametrize("look", [LIGHT, DARK])
def test_curves_stand_out(look: Look) -> None:
    for line in (look.difference, look.pump, look.lower, look.upper):
        assert contrast(line, look.paper) >= LINE_CONTRAST


@pytest.mark.parametrize("look", [LIGHT, DARK])
def test_what_lies_in_one_plot_differs_in_luminance(look: Look) -> None:
    areas = (look.paper, look.line_outer, look.line_inner, look.sigma)
    pairs = [
        *combinations((look.difference, look.pump, look.sigma), 2),
        *((line, area) for line in (look.difference, look.pump) for area in areas),
        (look.line_outer, look.line_inner),
        (look.line_inner, look.sigma),
    ]
    assert [pair for pair in pairs if contrast(*pair) < APART] == []


def test_every_level_has_a_sign_of_its_own() -> None:
    assert set(GLYPHS) == set(Level)
    assert len(set(GLYPHS.values())) == len(Level)


def test_states_of_one_thing_differ_in_pattern() -> None:
    for states in (TrackerState, PumpState):
        assert {str(state) for state in states} <= set(STATE_LEVELS)
        patterns = [STATE_PATTERNS[str(state)] for state in states]
        assert len(set(patterns)) == len(patterns)


@pytest.mark.parametrize("look", [LIGHT, DARK])
def test_what_is_stale_looks_stale(look: Look) -> None:
    assert contrast(faded(look).difference, look.paper) < contrast(look.difference, look.paper)
    assert faded(look).ink == look.ink
