"""The figures of a thermal calibration: distribution, memory and spectrum of the motion."""

from __future__ import annotations

import numpy as np
from scipy.signal import welch

from controller.analysis.look import LINES, legend_above, panels, scaled_unit
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

SPECTRUM_DECAYS = 8.0  # length of a piece: its own width stays below that of the line


def thermal_calibration_figures(
    results: Results, series: Series, data: ProtocolData
) -> list[ProtocolFigure]:
    """Distribution, autocorrelation and, if there are enough data, spectra."""
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
        lags_s, seen, law = thinned(
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
            noise = number(group, "detector_noise_m_per_root_hz")
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
