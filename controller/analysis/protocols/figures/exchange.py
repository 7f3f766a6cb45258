"""The figure of an energy exchange: what one mode loses the other gains."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes

from controller.analysis.look import LINES, legend_above, panels
from controller.analysis.protocols.data import ProtocolData, Results
from controller.analysis.protocols.figures.parts import (
    ENERGY,
    MARKERS,
    ProtocolFigure,
    Series,
    action_factors,
    number,
    spread_limits,
)

MOST_MARKS = 100  # of which each is to be seen


def exchange_figures(results: Results, series: Series, data: ProtocolData) -> list[ProtocolFigure]:
    """The first exchange, in parts of the energy."""
    factors = action_factors(data)
    start = sum(
        factor * series[f"fitted_{mode}_m"][0] ** 2
        for factor, mode in zip(factors, MARKERS, strict=True)
    )
    seen = [
        f * series[f"{mode}_amplitude_m"] ** 2 for f, mode in zip(factors, MARKERS, strict=True)
    ]
    fitted = [f * series[f"fitted_{mode}_m"] ** 2 for f, mode in zip(factors, MARKERS, strict=True)]
    figure, axes = panels([2.6, 1.7])
    for panel, seen_sum, fitted_sum in (
        (axes[0], start, start),
        (axes[1], seen[0] + seen[1], fitted[0] + fitted[1]),
    ):
        for place, mode in enumerate(MARKERS):
            shares = (seen[place] / seen_sum, fitted[place] / fitted_sum)
            _share_curve(panel, mode, series["time_s"], *shares)
    axes[0].plot(series["time_s"], (fitted[0] + fitted[1]) / start, label="sum, fitted", **ENERGY)
    axes[0].set_ylabel("(energy / ω) / start")
    axes[1].set_ylabel("(energy / ω) / sum")
    axes[1].set_xlabel("time with the pump on / s")
    axes[1].set_xlim(0.0, float(series["time_s"][-1]))
    for panel in axes:
        spread_limits(panel, low=0.0, high=1.05)
    legend_above(axes[0])
    caption = (
        "The first exchange: energy over ω of both modes, which a pump at the difference hands"
        f" over, in parts of the sum at the start (above) and at the time (below, without the"
        " decay). It goes there and back"
        f" {number(results, 'energy_exchange_hz'):.4g} times a second. The curves start at the"
        " first reading; thermal motion leads the readings away from them."
    )
    return [ProtocolFigure(title="Energy exchange", caption=caption, figure=figure)]


def _share_curve(
    axes: Axes, mode: str, times_s: np.ndarray, seen: np.ndarray, fitted: np.ndarray
) -> None:
    every = math.ceil(len(times_s) / MOST_MARKS)
    axes.plot(
        *(times_s[::every], seen[::every], MARKERS[mode]),
        markersize=4.0,
        markerfacecolor="none",
        markeredgewidth=0.8,
        color=LINES[mode]["color"],
        label=f"{mode} mode",
    )
    axes.plot(times_s, fitted, label=f"{mode}, fitted", **{**LINES[mode], "linewidth": 1.3})
