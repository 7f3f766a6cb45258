"""The figures of a long watch: stability, and how long the pump was on the line."""

from __future__ import annotations

import math

import numpy as np

from controller.analysis.figures import TIGHT_FRACTION, draw_allan, is_drawable, lay_out_allan
from controller.analysis.look import BLACK, ORANGE, PURPLE, legend_above, panels, time_unit
from controller.analysis.protocols.data import TWO_PI, ProtocolData, Results
from controller.analysis.protocols.figures.parts import FIT, ProtocolFigure, Series, number
from controller.analysis.tracks import AllanCurve

WATCH_BLOCKS = 60


def drift_watch_figures(
    results: Results, series: Series, data: ProtocolData
) -> list[ProtocolFigure]:
    """Stability, and the share of the time on the line, as far as there is data."""
    figures = []
    curve = AllanCurve(
        taus_s=series["averaging_s"],
        deviations_hz=series["allan_deviation_hz"],
        sigmas_hz=series["allan_deviation_sigma_hz"],
    )
    if is_drawable(curve):
        figures.append(_watch_allan(curve))
    if np.isfinite(series["detuning_hz"]).any():
        figures.append(_share_on_line(results, series, data))
    return figures


def _watch_allan(curve: AllanCurve) -> ProtocolFigure:
    figure, [axes] = panels([2.5])
    draw_allan(axes, curve, "difference", "o")
    lay_out_allan(axes)
    return ProtocolFigure(
        title="Stability during the watch",
        caption="Overlapping Allan deviation of the difference during the watch, bars ±1σ.",
        figure=figure,
    )


def _share_on_line(results: Results, series: Series, data: ProtocolData) -> ProtocolFigure:
    facts = data.facts
    line_hz = 0.5 * (facts.lower.decay_rate_per_s + facts.upper.decay_rate_per_s) / TWO_PI
    times_s, detunings_hz = series["time_s"], series["detuning_hz"]
    blocks = np.array_split(np.arange(len(times_s)), min(WATCH_BLOCKS, len(times_s)))
    edges_s = np.array([*(times_s[block[0]] for block in blocks), times_s[-1]])
    shares = np.array([_share(detunings_hz[block], TIGHT_FRACTION * line_hz) for block in blocks])
    per_s, unit = time_unit(float(times_s[-1] - times_s[0]))
    figure, [axes] = panels([1.9])
    axes.stairs(
        *(100.0 * shares, per_s * edges_s),
        fill=True,
        facecolor=ORANGE,
        edgecolor=BLACK,
        alpha=0.5,
        label="nearer than a tenth of the line",
    )
    whole = 100.0 * number(results, "time_within_tenth_of_line")
    axes.axhline(whole, label=f"whole watch, {whole:.1f} %", **{**FIT, "color": PURPLE})
    axes.set_ylim(0.0, 105.0)
    axes.set_xlim(per_s * edges_s[0], per_s * edges_s[-1])
    axes.set_xlabel(f"time / {unit}")
    axes.set_ylabel("share of the time / %")
    legend_above(axes)
    return ProtocolFigure(
        title="Pump on the line",
        caption="Share of the time with the pump on during which it was nearer to the tracked"
        f" difference than {1e3 * TIGHT_FRACTION * line_hz:.3g} mHz, a tenth of the mean line"
        " width; the whole counts what the tracked difference may be off by, too.",
        figure=figure,
    )


def _share(detunings_hz: np.ndarray, edge_hz: float) -> float:
    known = detunings_hz[np.isfinite(detunings_hz)]
    return float(np.mean(np.abs(known) < edge_hz)) if len(known) else math.nan
