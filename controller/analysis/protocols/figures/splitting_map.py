"""The figures of exchanges at a series of detunings: maps, hyperbola, avoided crossing."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import QuadMesh
from matplotlib.colors import PowerNorm
from matplotlib.figure import Figure

from controller.analysis.look import BLUE, VERMILLION, legend_above, panels, scaled_unit
from controller.analysis.protocols.data import ProtocolData, Results
from controller.analysis.protocols.figures.parts import (
    ENERGY,
    FIT,
    MARKERS,
    POINTS,
    ProtocolFigure,
    Series,
    action_factors,
    number,
)

COLOURS = "cividis"  # made to look the same to the colour-blind


def splitting_map_figures(
    results: Results, series: Series, data: ProtocolData
) -> list[ProtocolFigure]:
    """Map, hyperbola and avoided crossing of a series of detunings."""
    return [
        _energy_map(series, data),
        _hyperbola(results, series),
        _avoided_crossing(series),
    ]


def _energy_map(series: Series, data: ProtocolData) -> ProtocolFigure:
    factors = action_factors(data)
    maps = [f * series[f"{mode}_power_m2"] for f, mode in zip(factors, MARKERS, strict=True)]
    start = (maps[0] + maps[1])[:, :1]
    factor, unit = scaled_unit(float(np.abs(series["detuning_hz"]).max()), "Hz")
    figure, axes = panels([1.9, 1.9])
    for panel, mode, power in zip(axes, MARKERS, maps, strict=True):
        detunings_hz, rows = _by_detuning(series["detuning_hz"], power / start)
        mesh = _mesh(panel, series["time_s"], factor * detunings_hz, rows, power=0.5)
        panel.set_ylabel(f"detuning / {unit}")
        panel.set_title(f"{mode} mode", loc="left", fontsize=8.5, pad=3.0)
    axes[-1].set_xlabel("time with the pump on / s")
    _colour_bar(figure, mesh, axes, "(energy / ω) / sum at the start")
    return ProtocolFigure(
        title="Energy against time and detuning",
        caption="Detuning is pump less tracked difference. Each row is one exchange.",
        figure=figure,
    )


def _hyperbola(results: Results, series: Series) -> ProtocolFigure:
    factor, unit = scaled_unit(float(series["hyperbola_exchange_hz"].max()), "Hz")
    offset_hz, coupling_hz = (
        number(results, "difference_offset_hz"),
        number(results, "coupling_hz"),
    )
    figure, [axes] = panels([2.7])
    line_hz = series["hyperbola_detuning_hz"]
    axes.plot(
        factor * line_hz,
        factor * series["hyperbola_exchange_hz"],
        label="√((2g)² + Δ²) / 2π, fitted",
        **FIT,
    )
    axes.plot(factor * line_hz, factor * np.abs(line_hz - offset_hz), label="no coupling", **ENERGY)
    axes.errorbar(
        factor * series["detuning_hz"],
        factor * series["exchange_hz"],
        yerr=factor * series["exchange_hz_sigma"],
        label="exchanges, ±1σ",
        **{**POINTS, "marker": "o", "color": BLUE, "markerfacecolor": "none"},
    )
    axes.set_xlabel(f"detuning / {unit}")
    axes.set_ylabel(f"exchange frequency / {unit}")
    axes.set_ylim(bottom=0.0)
    legend_above(axes)
    return ProtocolFigure(
        title="Generalised exchange frequency",
        caption=f"At its lowest the hyperbola is 2 g/2π = {2.0 * coupling_hz * factor:.4g} {unit};"
        " without coupling it would be the two dotted lines.",
        figure=figure,
    )


def _avoided_crossing(series: Series) -> ProtocolFigure:
    line_hz = series["hyperbola_detuning_hz"]
    edge_hz = 1.3 * float(
        max(np.abs(series["dressed_above_hz"]).max(), np.abs(series["dressed_below_hz"]).max())
    )
    is_shown = np.abs(series["spectrum_hz"]) <= edge_hz
    factor, unit = scaled_unit(edge_hz, "Hz")
    figure, axes = panels([2.2, 2.2])
    for panel, mode in zip(axes, MARKERS, strict=True):
        spectra = series[f"{mode}_spectrum_m"][:, is_shown]
        detunings_hz, rows = _by_detuning(series["detuning_hz"], spectra)
        rows = rows / rows.max(axis=1, keepdims=True)
        mesh = _mesh(panel, factor * detunings_hz, factor * series["spectrum_hz"][is_shown], rows.T)
        limits = panel.get_xlim()
        for name in ("dressed_above_hz", "dressed_below_hz"):
            panel.plot(
                *(factor * line_hz, factor * series[name]),
                color=VERMILLION,
                linestyle=(0, (4, 2)),
                linewidth=1.4,
                label="dressed modes, fitted" if name == "dressed_above_hz" else "",
            )
        panel.set_xlim(*limits)
        panel.set_ylim(-factor * edge_hz, factor * edge_hz)
        panel.set_ylabel(f"{mode} mode / {unit}")
    axes[-1].set_xlabel(f"detuning / {unit}")
    legend_above(axes[0])
    _colour_bar(figure, mesh, axes, "amplitude / largest of the exchange")
    return ProtocolFigure(
        title="Avoided crossing",
        caption="Spectra of each exchange, in the frame of the bare lower mode and the pump.",
        figure=figure,
    )


def _colour_bar(figure: Figure, mesh: QuadMesh, axes: Sequence[Axes], label: str) -> None:
    bar = figure.colorbar(mesh, ax=list(axes), pad=0.015, fraction=0.05, aspect=28)
    bar.set_label(label, fontsize=9.0)
    bar.ax.tick_params(labelsize=8.5)
    bar.outline.set_linewidth(0.5)


def _mesh(
    axes: Axes, x: np.ndarray, y: np.ndarray, values: np.ndarray, *, power: float = 1.0
) -> QuadMesh:
    """Values of shape (y, x) as colours from 0 to 1, embedded as an image.

    A power below 1 gives small values more of the colours.
    """
    axes.grid(visible=False)
    return axes.pcolormesh(
        x,
        y,
        values,
        cmap=COLOURS,
        norm=PowerNorm(power, vmin=0.0, vmax=1.0),
        shading="nearest",
        rasterized=True,
    )


def _by_detuning(detunings_hz: np.ndarray, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rows at one detuning averaged, so that every detuning is one row."""
    each_hz, places = np.unique(np.round(detunings_hz, 9), return_inverse=True)
    return each_hz, np.stack([rows[places == place].mean(axis=0) for place in range(len(each_hz))])
