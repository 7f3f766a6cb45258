"""How the figures look: colours by meaning, scales, and the way to SVG.

A colour never stands alone: what differs in colour differs in line style,
marker or hatch too, so that the figures read in black and white.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Sequence
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

# The eight colours that Okabe and Ito published for all kinds of colour vision.
BLUE, VERMILLION, GREEN, ORANGE = "#0072B2", "#D55E00", "#009E73", "#E69F00"
SKY, PURPLE, YELLOW, BLACK = "#56B4E9", "#CC79A7", "#F0E442", "#000000"
GREY = "#6b6b6b"

LINES: dict[str, dict[str, Any]] = {
    "lower": {"color": BLUE, "linestyle": "-"},
    "upper": {"color": VERMILLION, "linestyle": (0, (5, 1.5))},
    "difference": {"color": BLACK, "linestyle": "-"},
    "pump": {"color": PURPLE, "linestyle": (0, (6, 1.5, 1, 1.5))},
    "limit": {"color": GREY, "linestyle": (0, (1.5, 1.5))},
}

STATES = {  # face colour, hatch
    "locked": (BLUE, ""),
    "holding": (SKY, "////"),
    "pulling_in": (YELLOW, "...."),
    "searching": ("#ffffff", "xxxx"),
    "lost": (BLACK, ""),
    "on": (GREEN, ""),
    "armed": ("#bfe5d8", "////"),
    "off": ("#ffffff", ""),
    "muted": (VERMILLION, "\\\\\\\\"),
}

EVENT_MARKERS = {"lower": "v", "upper": "^", "pump": "s", "stream": "X", "run": "o", "search": "D"}

_STYLE: dict[Any, Any] = {
    "svg.fonttype": "none",  # text stays text: it can be searched and is small
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans", "Verdana", "Arial"],
    "font.size": 9.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": "#444444",
    "axes.linewidth": 0.7,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.labelsize": 9.0,
    "axes.formatter.useoffset": False,
    "grid.color": "#dddddd",
    "grid.linewidth": 0.5,
    "xtick.color": "#444444",
    "ytick.color": "#444444",
    "lines.linewidth": 0.9,
    "hatch.linewidth": 0.6,
    "legend.frameon": False,
    "legend.fontsize": 8.5,
}

_WIDTH_IN = 8.6
_LEFT_IN, _RIGHT_IN, _TOP_IN, _BOTTOM_IN, _BETWEEN_IN = 0.95, 0.3, 0.34, 0.5, 0.42


def panels(heights_in: Sequence[float]) -> tuple[Figure, list[Axes]]:
    """A figure of panels above each other with one width and fixed margins.

    Parameters
    ----------
    heights_in : sequence of float
        Heights of the panels [inch]; above each is room for its legend.

    Returns
    -------
    (Figure, list of Axes)
        Panels from top to bottom, sharing the x axis.
    """
    total_in = sum(heights_in) + _TOP_IN + _BOTTOM_IN + _BETWEEN_IN * (len(heights_in) - 1)
    with matplotlib.rc_context(_STYLE):
        figure = Figure(figsize=(_WIDTH_IN, total_in))
        axes: list[Axes] = []
        top_in = total_in - _TOP_IN
        for height_in in heights_in:
            box = (
                _LEFT_IN / _WIDTH_IN,
                (top_in - height_in) / total_in,
                1.0 - (_LEFT_IN + _RIGHT_IN) / _WIDTH_IN,
                height_in / total_in,
            )
            axes.append(figure.add_axes(box, sharex=axes[0] if axes else None))
            top_in -= height_in + _BETWEEN_IN
        for upper in axes[:-1]:
            upper.tick_params(labelbottom=False)
    return figure, axes


def legend_above(axes: Axes) -> None:
    """The legend in one row above the panel, where it hides no data."""
    handles, labels = axes.get_legend_handles_labels()
    if labels:
        axes.legend(
            handles,
            labels,
            loc="lower left",
            bbox_to_anchor=(0.0, 1.02),
            ncols=len(labels),
            borderaxespad=0.0,
            borderpad=0.1,
            handlelength=2.6,
            columnspacing=1.5,
            frameon=False,
            fontsize=8.5,
        )


def as_svg(figure: Figure, name: str) -> str:
    """The figure as an `svg` element for a page.

    Parameters
    ----------
    figure : Figure
        What `panels` made.
    name : str
        Name within the page; keeps the ids of two figures apart.

    Returns
    -------
    str
        The same text for the same figure: no date, no random ids.
    """
    buffer = io.StringIO()
    with matplotlib.rc_context({**_STYLE, "svg.hashsalt": f"difftone-{name}"}):
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.DOTALL)
    return re.sub(r'<g id="[^"]*"', "<g", text)  # groups are never referred to


def scaled_unit(largest: float, unit: str) -> tuple[float, str]:
    """A factor and a prefixed unit that bring a magnitude to 1 ... 1000.

    Parameters
    ----------
    largest : float
        Magnitude of what is to be shown, in the unit; one that prints as 1000 to four
        digits counts as that.
    unit : str
        A unit that takes SI prefixes.

    Returns
    -------
    (float, str)
        Factor from the unit to the prefixed unit, and its symbol.
    """
    prefixes = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"))
    for size, prefix in (*prefixes, (1e-12, "p")):
        if largest >= 0.99995 * size:
            return 1.0 / size, prefix + unit
    if not largest > 0.0:
        return 1.0, unit
    return (1e12, "p" + unit) if largest > 1e-15 else (1e15, "f" + unit)


def time_unit(duration_s: float) -> tuple[float, str]:
    """Factor and unit in which a duration is best read."""
    if duration_s < 300.0:
        return 1.0, "s"
    if duration_s < 3.0 * 3600.0:
        return 1.0 / 60.0, "min"
    if duration_s < 3.0 * 86400.0:
        return 1.0 / 3600.0, "h"
    return 1.0 / 86400.0, "d"


def largest_usual(*series: np.ndarray) -> float:
    """Magnitude that all but one per cent of the finite values stay within."""
    values = np.abs(np.concatenate([np.ravel(values) for values in series]))
    values = values[np.isfinite(values)]
    return float(np.percentile(values, 99.0)) if len(values) else 0.0


def usual_range(values: np.ndarray, part: float = 0.99) -> tuple[float, float]:
    """Range of the central part of the finite values; (inf, -inf) without one."""
    values = values[np.isfinite(values)]
    if not len(values):
        return math.inf, -math.inf
    low, high = np.percentile(values, [50.0 * (1.0 - part), 50.0 * (1.0 + part)])
    return float(low), float(high)


def rounded_reference(value: float, span: float) -> float:
    """The value rounded to a tenth of the span, to be printed in a label."""
    if not span > 0.0:
        return value
    return round(value, max(0, 1 - math.floor(math.log10(span))))
