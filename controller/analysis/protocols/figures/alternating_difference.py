"""The figure of a train whose sign alternates: shifts pair by pair, and the drift beside."""

from __future__ import annotations

import numpy as np

from controller.analysis.look import (
    BLACK,
    BLUE,
    SKY,
    VERMILLION,
    legend_above,
    panels,
    scaled_unit,
    time_unit,
)
from controller.analysis.protocols.data import ProtocolData, Results
from controller.analysis.protocols.figures.parts import FIT, POINTS, ProtocolFigure, Series, number


def alternating_difference_figures(
    results: Results, series: Series, data: ProtocolData
) -> list[ProtocolFigure]:
    """Shifts pair by pair, and the mean that drifts."""
    per_s, time_name = time_unit(float(series["time_s"][-1]))
    times = per_s * series["time_s"]
    mean_hz, sigma_hz = (number(results, f"mean_shift_hz{end}") for end in ("", "_sigma"))
    factor, unit = scaled_unit(
        float((np.abs(series["shift_hz"]) + series["shift_sigma_hz"]).max()), "Hz"
    )
    trace_hz = series["mean_hz"] - series["mean_hz"][0]
    coarse, coarse_unit = scaled_unit(float(np.abs(trace_hz).max()), "Hz")
    figure, axes = panels([2.4, 1.6])
    low, high = factor * (mean_hz - sigma_hz), factor * (mean_hz + sigma_hz)
    axes[0].axhspan(low, high, color=SKY, alpha=0.4, linewidth=0.0)
    axes[0].axhline(factor * mean_hz, label="mean, ±1σ", **FIT)
    axes[0].errorbar(
        *(times, factor * series["shift_hz"]),
        yerr=factor * series["shift_sigma_hz"],
        label="pairs, ±1σ",
        **{**POINTS, "marker": "o", "color": BLUE, "markerfacecolor": "none"},
    )
    axes[0].plot(
        *(times, factor * series["side_line_shift_hz"], "x"),
        color=VERMILLION,
        markersize=4.5,
        label="side line",
    )
    axes[0].set_ylabel(f"shift / {unit}")
    axes[1].plot(
        *(times, coarse * trace_hz), color=BLACK, marker=".", markersize=4.0, label="mean of a pair"
    )
    axes[1].set_ylabel(f"difference − first / {coarse_unit}")
    axes[1].set_xlabel(f"time / {time_name}")
    for panel in axes:
        legend_above(panel)
    caption = (
        "Half of the difference frequency at plus less that at minus, pair by pair; below, the"
        " mean of both, which drift moves."
    )
    return [ProtocolFigure(title="Alternating difference", caption=caption, figure=figure)]
