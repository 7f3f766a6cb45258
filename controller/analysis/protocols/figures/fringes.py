"""The figures of Ramsey and echo: fringes against a free time, and how they fade."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from controller.analysis.look import BLACK, BLUE, SKY, VERMILLION, legend_above, panels
from controller.analysis.protocols.data import ProtocolData, Results
from controller.analysis.protocols.figures.parts import (
    FIT,
    POINTS,
    ProtocolFigure,
    Series,
    number,
    spread_limits,
)


def ramsey_figures(results: Results, series: Series, data: ProtocolData) -> list[ProtocolFigure]:
    """Fringes against the free time, and how they fade."""
    figure, axes = panels([2.5, 1.5])
    dashed = {**FIT, "linestyle": (0, (5, 1.5))}
    _fringes(axes[0], series, "", BLUE, "o")
    _fading(axes[1], results, float(series["line_s"][-1]), (("", "fringes", dashed),))
    _finish_fringes(axes)
    caption = (
        "Share of the lower mode's energy that both pulses hand over, against the free time"
        " between them. The curve has the mean frequency; crosses are what the fit expects with"
        " the drift between the sequences. Below, how the fringes fade, beside the energy."
    )
    return [ProtocolFigure(title="Ramsey fringes", caption=caption, figure=figure)]


def echo_figures(results: Results, series: Series, data: ProtocolData) -> list[ProtocolFigure]:
    """Fringes without and with an echo, and how both fade."""
    figure, axes = panels([2.0, 2.0, 1.6])
    _fringes(axes[0], series, "plain_", BLUE, "o")
    axes[0].set_ylabel("handed over, plain")
    _fringes(axes[1], series, "echo_", VERMILLION, "D")
    axes[1].set_ylabel("handed over, echo")
    dashed = {"color": VERMILLION, "linestyle": (0, (5, 1.5)), "linewidth": 1.3}
    longest_s = max(float(series[f"{kind}_line_s"][-1]) for kind in ("plain", "echo"))
    kinds = (
        ("plain_", "plain fringes", {"color": BLUE, "linewidth": 1.1}),
        ("echo_", "echo fringes", dashed),
    )
    _fading(axes[2], results, longest_s, kinds)
    _finish_fringes(axes)
    caption = (
        "Share of the lower mode's energy that is handed over, without (above) and with (middle) a"
        " pulse half way that turns the phases round. Crosses are what the fit expects of each"
        " sequence. Below, how both kinds of fringes fade, beside the energy."
    )
    return [ProtocolFigure(title="Echo", caption=caption, figure=figure)]


def _fringes(axes: Axes, series: Series, kind: str, color: str, marker: str) -> None:
    axes.plot(
        series[f"{kind}line_s"],
        series[f"{kind}line_transferred"],
        label="mean frequency, fitted",
        **FIT,
    )
    axes.errorbar(
        series[f"{kind}free_s"],
        series[f"{kind}transferred"],
        yerr=series[f"{kind}transferred_sigma"],
        label="sequences, ±1σ",
        **{**POINTS, "marker": marker, "color": color, "markerfacecolor": "none"},
    )
    axes.plot(
        *(series[f"{kind}free_s"], series[f"{kind}expected"], "x"),
        color=BLACK,
        markersize=4.0,
        markeredgewidth=0.8,
        label="expected",
    )
    axes.set_ylabel("share handed over")
    spread_limits(axes)


def _fading(
    axes: Axes, results: Results, longest_s: float, kinds: Sequence[tuple[str, str, dict[str, Any]]]
) -> None:
    """Contrast of the fringes in the energy against the free time, energy lost and all."""
    line_s = np.linspace(0.0, longest_s, 100)
    energy_s = number(results, "energy_decay_time_s")
    axes.plot(line_s, np.exp(-line_s / energy_s), label="energy", color=SKY, linewidth=4.0)
    for kind, label, style in kinds:
        contrast = number(results, f"{kind}contrast")
        decay_s, sigma_s = (
            number(results, f"{kind}dephasing_time_s{end}") for end in ("", "_sigma")
        )
        faded = contrast * np.exp(-line_s / decay_s)
        axes.plot(line_s, faded, label=f"{label}, ±1σ", **style)
        relative = np.hypot(
            number(results, f"{kind}contrast_sigma") / contrast, line_s * sigma_s / decay_s**2
        )
        axes.fill_between(
            *(line_s, faded * (1.0 - relative), faded * (1.0 + relative)),
            color=style["color"],
            alpha=0.15,
            linewidth=0.0,
        )
    axes.set_ylabel("contrast")
    axes.set_ylim(0.0, 1.1)


def _finish_fringes(axes: Sequence[Axes]) -> None:
    axes[-1].set_xlabel("free time / s")
    axes[-1].set_xlim(left=0.0)
    for panel in axes:
        legend_above(panel)
