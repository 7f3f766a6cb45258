"""The figure of an adiabatic transfer: what arrives against the rate of the chirp."""

from __future__ import annotations

from controller.analysis.figures import label_plainly
from controller.analysis.look import BLACK, BLUE, VERMILLION, legend_above, panels, scaled_unit
from controller.analysis.protocols.data import ProtocolData, Results
from controller.analysis.protocols.figures.parts import (
    FIT,
    POINTS,
    ProtocolFigure,
    Series,
    number,
    spread_limits,
)


def adiabatic_transfer_figures(
    results: Results, series: Series, data: ProtocolData
) -> list[ProtocolFigure]:
    """Shares handed over and arrived against the rate of the chirp."""
    factor, unit = scaled_unit(float(series["line_hz_per_s"].max()), "Hz")
    figure, [axes] = panels([3.0])
    line = factor * series["line_hz_per_s"]
    rates = factor * series["chirp_hz_per_s"]
    axes.plot(line, series["law"], label="Landau–Zener, fitted", **FIT)
    axes.plot(
        line,
        series["law_arrived"],
        label="with decay",
        **{**FIT, "color": VERMILLION, "linestyle": (0, (5, 1.5))},
    )
    axes.errorbar(
        rates,
        series["transferred"],
        yerr=series["transferred_sigma"],
        label="handed over, ±1σ",
        **{**POINTS, "marker": "o", "color": BLUE, "markerfacecolor": "none"},
    )
    axes.plot(rates, series["arrived"], "D", color=VERMILLION, markersize=4.0, label="arrived")
    axes.plot(
        *(rates, series["expected"], "x"),
        color=BLACK,
        markersize=4.5,
        markeredgewidth=0.8,
        label="expected",
    )
    axes.set_xscale("log")
    label_plainly(axes)
    axes.set_xlim(line[0], line[-1])
    spread_limits(axes)
    axes.set_xlabel(f"chirp rate / ({unit}/s)")
    axes.set_ylabel("share of the energy / ω")
    legend_above(axes)
    caption = (
        "Share that the upper mode has after the chirp, of both modes then (circles) and of both"
        " at the start (diamonds), which decay has eaten of. Crosses are what the fit expects of"
        " the very chirp: it began and ended a finite way off. The best rate is"
        f" {factor * number(results, 'best_chirp_hz_per_s'):.3g} {unit}/s."
    )
    return [ProtocolFigure(title="Adiabatic transfer", caption=caption, figure=figure)]
