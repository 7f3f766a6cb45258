"""What the figures of the protocols share: their words, their signs, and small helpers."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from controller.analysis.look import BLACK, GREY
from controller.analysis.protocols.data import TWO_PI, ProtocolData, Results

Series = Mapping[str, np.ndarray]

MARKERS = {"lower": "v", "upper": "^"}
POINTS: dict[str, Any] = {"linestyle": "none", "markersize": 4.5, "capsize": 2.0, "elinewidth": 0.8}
FIT: dict[str, Any] = {"color": BLACK, "linewidth": 1.1}
ENERGY: dict[str, Any] = {"color": GREY, "linestyle": (0, (1.5, 1.5)), "linewidth": 1.2}
MOST_POINTS = 500  # of a measured curve: more cannot be seen


@dataclass(frozen=True, slots=True, kw_only=True)
class ProtocolFigure:
    """One figure with its words."""

    title: str
    caption: str
    figure: Figure


def number(results: Results, name: str) -> float:
    """A result; NaN where it is not known."""
    value = results.get(name)
    return float(value) if isinstance(value, float | int) else math.nan


def thinned(*columns: np.ndarray) -> list[np.ndarray]:
    """Every so many of the values, so that no more are left than can be seen."""
    every = math.ceil(max(len(columns[0]), 1) / MOST_POINTS)
    return [column[::every] for column in columns]


def spread_limits(axes: Axes, *, low: float = -0.05, high: float = 1.1) -> None:
    """Room for shares from 0 to 1 and whatever lies beyond."""
    least, largest = axes.get_ylim()
    axes.set_ylim(min(low, least), max(high, largest))


def action_factors(data: ProtocolData) -> np.ndarray:
    """m omega / 2 of both modes: times the square of a peak amplitude it is energy over omega."""
    return np.array(
        [
            0.5 * mode.mass_kg * TWO_PI * mode.frequency_hz
            for mode in (data.facts.lower, data.facts.upper)
        ]
    )
