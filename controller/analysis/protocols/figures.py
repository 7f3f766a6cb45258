"""The figures of the protocols: what each analysis has found, to be seen.

One function per analysis draws from its series and results. Nothing is fitted
here: curves are those that the analysis stands for.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import QuadMesh
from matplotlib.colors import PowerNorm
from matplotlib.figure import Figure
from scipy.signal import welch
from scipy.special import log_ndtr, ndtri_exp

from controller.analysis.figures import (
    TIGHT_FRACTION,
    draw_allan,
    is_drawable,
    keep_a_decade,
    label_plainly,
    lay_out_allan,
)
from controller.analysis.look import (
    BLACK,
    BLUE,
    GREEN,
    GREY,
    LINES,
    ORANGE,
    PURPLE,
    SKY,
    VERMILLION,
    legend_above,
    panels,
    scaled_unit,
    time_unit,
)
from controller.analysis.protocols.data import TWO_PI, ProtocolData, ProtocolResult, Results
from controller.analysis.tracks import AllanCurve
from controller.records import ModeId

Series = Mapping[str, np.ndarray]

MARKERS = {"lower": "v", "upper": "^"}
KIND_MARKS = {  # of weak conversion: marker and colour
    "on": ("o", BLUE),
    "reversed": ("D", VERMILLION),
    "off": ("s", GREY),
    "detuned": ("^", GREEN),
}
POINTS: dict[str, Any] = {"linestyle": "none", "markersize": 4.5, "capsize": 2.0, "elinewidth": 0.8}
FIT: dict[str, Any] = {"color": BLACK, "linewidth": 1.1}
ENERGY: dict[str, Any] = {"color": GREY, "linestyle": (0, (1.5, 1.5)), "linewidth": 1.2}
MOST_POINTS = 500  # of a measured curve: more cannot be seen
MOST_MARKS = 100  # of which each is to be seen
WATCH_BLOCKS = 60
SPECTRUM_DECAYS = 8.0  # length of a piece: its own width stays below that of the line
COLOURS = "cividis"  # made to look the same to the colour-blind


@dataclass(frozen=True, slots=True, kw_only=True)
class ProtocolFigure:
    """One figure with its words."""

    title: str
    caption: str
    figure: Figure


def protocol_figures(
    analysis: str, result: ProtocolResult, data: ProtocolData
) -> list[ProtocolFigure]:
    """The figures of one analysis.

    Parameters
    ----------
    analysis : str
        Its name.
    result : ProtocolResult
        What it found.
    data : ProtocolData
        What it was given.

    Returns
    -------
    list of ProtocolFigure
        None where the analysis failed or has no figure.
    """
    draw = _DRAWN.get(analysis)
    if draw is None or result.results is None:
        return []
    return draw(result.results, result.series, data)


# -- shared ---------------------------------------------------------------------------


def _number(results: Results, name: str) -> float:
    """A result; NaN where it is not known."""
    value = results.get(name)
    return float(value) if isinstance(value, float | int) else math.nan


def _thinned(*columns: np.ndarray) -> list[np.ndarray]:
    """Every so many of the values, so that no more are left than can be seen."""
    every = math.ceil(max(len(columns[0]), 1) / MOST_POINTS)
    return [column[::every] for column in columns]


def _spread_limits(axes: Axes, *, low: float = -0.05, high: float = 1.1) -> None:
    """Room for shares from 0 to 1 and whatever lies beyond."""
    least, largest = axes.get_ylim()
    axes.set_ylim(min(low, least), max(high, largest))


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


def _action_factors(data: ProtocolData) -> np.ndarray:
    """m omega / 2 of both modes: times the square of a peak amplitude it is energy over omega."""
    return np.array(
        [
            0.5 * mode.mass_kg * TWO_PI * mode.frequency_hz
            for mode in (data.facts.lower, data.facts.upper)
        ]
    )


# -- exchange -----------------------------------------------------------------------------


def _exchange(results: Results, series: Series, data: ProtocolData) -> list[ProtocolFigure]:
    factors = _action_factors(data)
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
        _spread_limits(panel, low=0.0, high=1.05)
    legend_above(axes[0])
    caption = (
        "The first exchange: energy over ω of both modes, which a pump at the difference hands"
        f" over, in parts of the sum at the start (above) and at the time (below, without the"
        " decay). It goes there and back"
        f" {_number(results, 'energy_exchange_hz'):.4g} times a second. The curves start at the"
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


def _splitting_map(results: Results, series: Series, data: ProtocolData) -> list[ProtocolFigure]:
    return [
        _energy_map(series, data),
        _hyperbola(results, series),
        _avoided_crossing(series),
    ]


def _energy_map(series: Series, data: ProtocolData) -> ProtocolFigure:
    factors = _action_factors(data)
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
        _number(results, "difference_offset_hz"),
        _number(results, "coupling_hz"),
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


# -- rate calibration ----------------------------------------------------------------------


def _rate_calibration(results: Results, series: Series, data: ProtocolData) -> list[ProtocolFigure]:
    amplitudes, couplings_hz = series["pump_amplitude"], series["coupling_hz"]
    largest = float(amplitudes.max())
    bend = 0.0
    if results.get("is_linear") is False:
        bend = _number(results, "nonlinearity")

    def law_hz(amplitude: np.ndarray) -> np.ndarray:
        slope = _number(results, "coupling_hz_per_unit")
        return np.asarray(slope * (amplitude + bend * amplitude**2 / largest))

    line = np.linspace(0.0, 1.05 * largest, 100)
    residuals_hz = couplings_hz - law_hz(amplitudes)
    factor, unit = scaled_unit(float(couplings_hz.max()), "Hz")
    small, small_unit = scaled_unit(
        float(max(np.abs(residuals_hz).max(), series["coupling_hz_sigma"].max())), "Hz"
    )
    figure, axes = panels([2.4, 1.4])
    style = {**POINTS, "marker": "o", "color": BLUE, "markerfacecolor": "none"}
    axes[0].plot(
        line, factor * law_hz(line), label="curve, fitted" if bend else "line, fitted", **FIT
    )
    axes[0].errorbar(
        amplitudes,
        factor * couplings_hz,
        yerr=factor * series["coupling_hz_sigma"],
        label="exchanges, ±1σ",
        **style,
    )
    axes[1].axhline(0.0, **FIT)
    axes[1].errorbar(
        amplitudes, small * residuals_hz, yerr=small * series["coupling_hz_sigma"], **style
    )
    axes[0].set_ylabel(f"coupling g/2π / {unit}")
    axes[0].set_ylim(bottom=0.0)
    axes[1].set_ylabel(f"residual / {small_unit}")
    axes[1].set_xlabel("pump amplitude (unit of its channel)")
    axes[1].set_xlim(0.0, 1.05 * largest)
    legend_above(axes[0])
    caption = "Coupling against the pump's amplitude; below, what the fit leaves."
    return [ProtocolFigure(title="Rate calibration", caption=caption, figure=figure)]


# -- ring-down -----------------------------------------------------------------------------


def _ring_down(results: Results, series: Series, data: ProtocolData) -> list[ProtocolFigure]:
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
        shown_s, shown_m = _thinned(times_s, sizes_m)
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
    slope = _number(results, "duffing_difference_hz_per_m2")
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


# -- Ramsey and echo -----------------------------------------------------------------------


def _ramsey(results: Results, series: Series, data: ProtocolData) -> list[ProtocolFigure]:
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


def _echo(results: Results, series: Series, data: ProtocolData) -> list[ProtocolFigure]:
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
    _spread_limits(axes)


def _fading(
    axes: Axes, results: Results, longest_s: float, kinds: Sequence[tuple[str, str, dict[str, Any]]]
) -> None:
    """Contrast of the fringes in the energy against the free time, energy lost and all."""
    line_s = np.linspace(0.0, longest_s, 100)
    energy_s = _number(results, "energy_decay_time_s")
    axes.plot(line_s, np.exp(-line_s / energy_s), label="energy", color=SKY, linewidth=4.0)
    for kind, label, style in kinds:
        contrast = _number(results, f"{kind}contrast")
        decay_s, sigma_s = (
            _number(results, f"{kind}dephasing_time_s{end}") for end in ("", "_sigma")
        )
        faded = contrast * np.exp(-line_s / decay_s)
        axes.plot(line_s, faded, label=f"{label}, ±1σ", **style)
        relative = np.hypot(
            _number(results, f"{kind}contrast_sigma") / contrast, line_s * sigma_s / decay_s**2
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


# -- adiabatic transfer ----------------------------------------------------------------------


def _adiabatic_transfer(
    results: Results, series: Series, data: ProtocolData
) -> list[ProtocolFigure]:
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
    _spread_limits(axes)
    axes.set_xlabel(f"chirp rate / ({unit}/s)")
    axes.set_ylabel("share of the energy / ω")
    legend_above(axes)
    caption = (
        "Share that the upper mode has after the chirp, of both modes then (circles) and of both"
        " at the start (diamonds), which decay has eaten of. Crosses are what the fit expects of"
        " the very chirp: it began and ended a finite way off. The best rate is"
        f" {factor * _number(results, 'best_chirp_hz_per_s'):.3g} {unit}/s."
    )
    return [ProtocolFigure(title="Adiabatic transfer", caption=caption, figure=figure)]


# -- weak conversion ---------------------------------------------------------------------------


def _weak_conversion(results: Results, series: Series, data: ProtocolData) -> list[ProtocolFigure]:
    return [_plane(series), _running(results, series)]


def _plane(series: Series) -> ProtocolFigure:
    kinds = series["stretch_kind"]
    couplings_hz = series["stretch_coupling_real_hz"] + 1j * series["stretch_coupling_imag_hz"]
    sigmas_hz = series["stretch_coupling_sigma_hz"]
    factor, unit = scaled_unit(float(np.abs(couplings_hz).max()), "Hz")
    figure, [axes] = panels([3.8])
    for kind, (marker, color) in KIND_MARKS.items():
        is_kind = kinds == kind
        if not is_kind.any():
            continue
        shown = factor * couplings_hz[is_kind]
        sigmas = factor * sigmas_hz[is_kind]
        axes.errorbar(
            *(shown.real, shown.imag),
            xerr=sigmas,
            yerr=sigmas,
            alpha=0.75,
            **{**POINTS, "marker": marker, "color": color, "capsize": 0.0, "elinewidth": 0.5},
            markerfacecolor="none",
        )
        mean = np.average(shown, weights=sigmas**-2)
        axes.plot(
            *(mean.real, mean.imag, marker),
            color=color,
            markersize=10.0,
            markeredgecolor=BLACK,
            zorder=5,
            label=f"{kind} ({is_kind.sum()})",
        )
    for line in (axes.axhline, axes.axvline):
        line(0.0, color=GREY, linewidth=0.7)
    axes.set_aspect("equal", adjustable="datalim")
    axes.set_xlabel(f"coupling, real part / {unit}")
    axes.set_ylabel(f"coupling, imaginary part / {unit}")
    legend_above(axes)
    return ProtocolFigure(
        title="Converted motion in the plane",
        caption="What each section says of the coupling, in the frame of the lower mode's phase"
        " plus the pump's: small marks with ±1σ; the large ones are the means. What the pump"
        " converts lies on opposite sides for on and reversed, and at nought for the controls.",
        figure=figure,
    )


def _running(results: Results, series: Series) -> ProtocolFigure:
    is_pumped = np.isin(series["stretch_kind"], ("on", "reversed"))
    signs = np.where(series["stretch_kind"] == "reversed", -1.0, 1.0)[is_pumped]
    couplings_hz = (series["stretch_coupling_real_hz"] + 1j * series["stretch_coupling_imag_hz"])[
        is_pumped
    ]
    chi_squares = _running_chi_square(
        couplings_hz, signs, series["stretch_coupling_sigma_hz"][is_pumped]
    )
    # Of one normal number and of a chi-square of two that are as unlikely. The fit of all
    # sections knows more than their couplings one by one: it says where the curve ends.
    whole = -2.0 * (math.log(2.0) + float(log_ndtr(-_number(results, "significance"))))
    chi_squares *= max(whole, 0.0) / chi_squares[-1]
    sigmas = -ndtri_exp(-0.5 * chi_squares - math.log(2.0))
    times_s = series["stretch_s"][is_pumped]
    per_s, unit = time_unit(float(times_s[-1]))
    figure, [axes] = panels([2.2])
    axes.plot(
        *(per_s * times_s, np.maximum(sigmas, 0.0)),
        color=BLUE,
        marker="o",
        markersize=4.0,
        markerfacecolor="none",
        label="after each section with the pump on",
    )
    axes.axhline(5.0, label="5 σ", **LINES["limit"])
    axes.set_xlabel(f"time / {unit}")
    axes.set_ylabel("significance / σ")
    axes.set_ylim(bottom=0.0)
    legend_above(axes)
    return ProtocolFigure(
        title="Running significance",
        caption="How unlikely it is that thermal motion made what followed the pump up to then,"
        " in scale with the significance at the end, which the fit of all sections found.",
        figure=figure,
    )


def _running_chi_square(
    couplings_hz: np.ndarray, signs: np.ndarray, sigmas_hz: np.ndarray
) -> np.ndarray:
    """Chi-square of what flips with the sign, after each section; one part does not flip.

    As long as all have one sign, nothing can be told apart and nothing is taken off.
    """
    weights = sigmas_hz**-2
    whole, signed = np.cumsum(weights), np.cumsum(signs * weights)
    fixed, flipping = np.cumsum(weights * couplings_hz), np.cumsum(signs * weights * couplings_hz)
    both = np.abs(signed) < (1.0 - 1e-9) * whole
    share = np.where(both, signed / whole, 0.0)
    pull = flipping - share * fixed
    return np.asarray(np.abs(pull) ** 2 / (whole - share * signed))


# -- alternating difference ----------------------------------------------------------------------


def _alternating_difference(
    results: Results, series: Series, data: ProtocolData
) -> list[ProtocolFigure]:
    per_s, time_name = time_unit(float(series["time_s"][-1]))
    times = per_s * series["time_s"]
    mean_hz, sigma_hz = (_number(results, f"mean_shift_hz{end}") for end in ("", "_sigma"))
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


# -- thermal calibration --------------------------------------------------------------------------


def _thermal_calibration(
    results: Results, series: Series, data: ProtocolData
) -> list[ProtocolFigure]:
    figures = [_histogram(series), _autocorrelation(series)]
    spectrum = _thermal_spectrum(results, data)
    return figures if spectrum is None else [*figures, spectrum]


def _histogram(series: Series) -> ProtocolFigure:
    figure, [axes] = panels([2.5])
    largest = max(float(series[f"{mode}_relative_power"].max()) for mode in MARKERS)
    line = np.linspace(0.0, 1.05 * largest, 50)
    axes.plot(line, np.exp(-line), label="exponential law", **FIT)
    for mode, marker in MARKERS.items():
        density = series[f"{mode}_probability_density"]
        is_filled = density > 0.0
        axes.plot(
            *(series[f"{mode}_relative_power"][is_filled], density[is_filled], marker),
            color=LINES[mode]["color"],
            markerfacecolor="none",
            markersize=5.0,
            label=f"{mode} mode",
        )
    axes.set_yscale("log")
    axes.set_xlim(left=0.0)
    axes.set_xlabel("squared amplitude / its mean")
    axes.set_ylabel("probability density")
    legend_above(axes)
    return ProtocolFigure(
        title="Thermal motion",
        caption="Distribution of the squared amplitude. In equilibrium it is exponential.",
        figure=figure,
    )


def _autocorrelation(series: Series) -> ProtocolFigure:
    figure, [axes] = panels([2.1])
    for mode, marker in MARKERS.items():
        lags_s, seen, law = _thinned(
            *(series[f"{mode}_{name}"] for name in ("lag_s", "autocorrelation", "exponential"))
        )
        axes.plot(
            *(lags_s, seen, marker),
            color=LINES[mode]["color"],
            markerfacecolor="none",
            markersize=4.0,
            label=f"{mode} mode",
        )
        axes.plot(lags_s, law, label=f"{mode}, e^(−γt)", **{**LINES[mode], "linewidth": 1.3})
    axes.set_xlabel("lag / s")
    axes.set_ylabel("autocorrelation")
    legend_above(axes)
    return ProtocolFigure(
        title="How long the motion remembers",
        caption="Autocorrelation of the squared amplitude, and the exponential with the decay rate"
        " found. What a short record has by chance swings about nought.",
        figure=figure,
    )


def _thermal_spectrum(results: Results, data: ProtocolData) -> ProtocolFigure | None:
    """Spectra of both basebands during the thermal section, and what the detector adds."""
    basebands = _longest_thermal(data)
    if len(basebands) < 2:
        return None
    rate_hz = 1.0 / float(np.median(np.diff(basebands["time_s"])))
    decay_s = 1.0 / min(data.facts.lower.decay_rate_per_s, data.facts.upper.decay_rate_per_s)
    length = min(len(basebands), int(SPECTRUM_DECAYS * decay_s * rate_hz))
    figure, axes = panels([1.8, 1.8])
    for panel, mode in zip(axes, MARKERS, strict=True):
        offsets_hz, density = welch(
            *(basebands[mode], rate_hz),
            nperseg=length,
            return_onesided=False,
            detrend=False,
        )
        order = np.argsort(offsets_hz)
        # |a|^2 of a peak amplitude is twice the mean square of the displacement.
        roots = np.sqrt(0.5 * density[order])
        offsets_hz = offsets_hz[order]
        factor, unit = scaled_unit(float(roots.max()), "m")
        peak = offsets_hz[np.argmax(roots)]
        panel.plot(
            *(offsets_hz - peak, factor * roots),
            color=LINES[mode]["color"],
            linewidth=0.8,
            label=f"{mode} mode",
        )
        group = results[mode]
        if isinstance(group, dict):
            noise = _number(group, "detector_noise_m_per_root_hz")
            panel.axhline(factor * noise, label="detector's noise", **ENERGY)
        panel.set_yscale("log")
        panel.set_ylabel(f"density / ({unit}/√Hz)")
        legend_above(panel)
    axes[-1].set_xlabel("frequency − that of the peak / Hz")
    axes[-1].set_xlim(-5.0, 5.0)
    return ProtocolFigure(
        title="Thermal spectrum",
        caption="Displacement density, one-sided. Drift of the modes broadens the peaks.",
        figure=figure,
    )


def _longest_thermal(data: ProtocolData) -> np.ndarray:
    sections = [s for s in data.sections if s.name == "thermal" and s.completed]
    longest = max(sections, key=lambda section: section.end_s - section.start_s)
    times_s = data.basebands["time_s"]
    return np.asarray(data.basebands[(times_s >= longest.start_s) & (times_s <= longest.end_s)])


# -- drift watch -----------------------------------------------------------------------------------


def _drift_watch(results: Results, series: Series, data: ProtocolData) -> list[ProtocolFigure]:
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
    whole = 100.0 * _number(results, "time_within_tenth_of_line")
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


_DRAWN: Mapping[str, Callable[[Results, Series, ProtocolData], list[ProtocolFigure]]] = {
    "adiabatic_transfer": _adiabatic_transfer,
    "alternating_difference": _alternating_difference,
    "drift_watch": _drift_watch,
    "echo": _echo,
    "exchange": _exchange,
    "ramsey": _ramsey,
    "rate_calibration": _rate_calibration,
    "ring_down": _ring_down,
    "splitting_map": _splitting_map,
    "thermal_calibration": _thermal_calibration,
    "weak_conversion": _weak_conversion,
}
