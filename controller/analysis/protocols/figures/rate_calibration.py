"""The figure of a rate calibration: coupling against the pump's amplitude."""

from __future__ import annotations

import numpy as np

from controller.analysis.look import BLUE, legend_above, panels, scaled_unit
from controller.analysis.protocols.data import ProtocolData, Results
from controller.analysis.protocols.figures.parts import (
    FIT,
    POINTS,
    ProtocolFigure,
    Series,
    number,
)


def rate_calibration_figures(
    results: Results, series: Series, data: ProtocolData
) -> list[ProtocolFigure]:
    """Coupling against the pump's amplitude, and what the fit leaves."""
    amplitudes, couplings_hz = series["pump_amplitude"], series["coupling_hz"]
    largest = float(amplitudes.max())
    bend = 0.0
    if results.get("is_linear") is False:
        bend = number(results, "nonlinearity")

    def law_hz(amplitude: np.ndarray) -> np.ndarray:
        slope = number(results, "coupling_hz_per_unit")
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
