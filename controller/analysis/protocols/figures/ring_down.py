"""The figures of ring-downs: decays, and the chirp that comes with them."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from controller.analysis.figures import keep_a_decade
from controller.analysis.look import LINES, legend_above, panels, scaled_unit, time_unit
from controller.analysis.protocols.data import ProtocolData, Results
from controller.analysis.protocols.figures.parts import (
    ENERGY,
    FIT,
    MARKERS,
    ProtocolFigure,
    Series,
    number,
    thinned,
)
from controller.records import ModeId


def ring_down_figures(results: Results, series: Series, data: ProtocolData) -> list[ProtocolFigure]:
    """Decays of the released modes, and their chirps where there are any."""
    modes = [mode for mode in MARKERS if f"{mode}_time_s" in series]
    figures = [_decays(modes, series, data)]
    for mode in modes:
        group = results[mode]
        if f"{mode}_power_m2" in series and isinstance(group, dict):
            figures.append(_chirp(mode, group, series))
    return figures


def _decays(modes: Sequence[str], series: Series, data: ProtocolData) -> ProtocolFigure:
    longest_s = max(float(series[f"{mode}_time_s"][-1]) for mode in modes)
    per_s, unit = time_unit(longest_s)
    figure, axes = panels([1.9] * len(modes))
    for panel, mode in zip(axes, modes, strict=True):
        facts = data.facts.of(ModeId(mode))
        thermal_m = math.sqrt(2.0) * facts.thermal_amplitude_m(data.facts.temperature_k)
        factor, length = scaled_unit(float(series[f"{mode}_amplitude_m"].max()), "m")
        times_s, sizes_m, fitted_m = (
            series[f"{mode}_{name}"] for name in ("time_s", "amplitude_m", "fitted_amplitude_m")
        )
        shown_s, shown_m = thinned(times_s, sizes_m)
        panel.plot(
            *(per_s * shown_s, factor * shown_m),
            color=LINES[mode]["color"],
            alpha=0.6,
            linewidth=2.6,
            label=f"{mode} mode",
        )
        least_m = 0.5 * min(float(sizes_m.min()), thermal_m)
        is_shown = fitted_m > least_m
        panel.plot(
            *(per_s * times_s[is_shown], factor * fitted_m[is_shown]),
            label="exponential, fitted",
            **{**FIT, "linestyle": (0, (5, 2))},
        )
        panel.axhline(factor * thermal_m, label="thermal motion, rms", **ENERGY)
        panel.set_yscale("log")
        panel.set_ylim(bottom=factor * least_m)
        keep_a_decade(panel)
        panel.set_ylabel(f"amplitude / {length}")
        legend_above(panel)
    axes[-1].set_xlabel(f"time since the release / {unit}")
    axes[-1].set_xlim(0.0, per_s * longest_s)
    return ProtocolFigure(
        title="Ring-down",
        caption="Peak amplitude of each released mode, its first ring-down.",
        figure=figure,
    )


def _chirp(mode: str, results: Results, series: Series) -> ProtocolFigure:
    powers_m2, differences_hz = series[f"{mode}_power_m2"], series[f"{mode}_difference_hz"]
    # The square of a number below ten thousand reads best.
    length, length_unit = scaled_unit(10.0 * math.sqrt(float(powers_m2.max())), "m")
    slope = number(results, "duffing_difference_hz_per_m2")
    offsets_hz = differences_hz - differences_hz.mean()
    factor, unit = scaled_unit(float(np.abs(offsets_hz).max()), "Hz")
    line_m2 = np.linspace(0.0, 1.05 * float(powers_m2.max()), 50)
    law_hz = slope * (line_m2 - powers_m2.mean())
    figure, [axes] = panels([2.1])
    if math.isfinite(slope):
        axes.plot(length**2 * line_m2, factor * law_hz, label="line, fitted slope", **FIT)
    axes.plot(
        *(length**2 * powers_m2, factor * offsets_hz, MARKERS[mode]),
        color=LINES[mode]["color"],
        markerfacecolor="none",
        markersize=4.5,
        label=f"{mode} mode released",
    )
    axes.set_xlabel(f"squared amplitude / {length_unit}²")
    axes.set_ylabel(f"difference − mean / {unit}")
    axes.set_xlim(left=0.0)
    legend_above(axes)
    return ProtocolFigure(
        title=f"Chirp of the {mode} mode",
        caption="Difference frequency against the squared amplitude of the mode that rings down:"
        " means over a second. The slope is the Duffing coefficient; the scatter is drift and,"
        " at small amplitudes, thermal motion.",
        figure=figure,
    )
