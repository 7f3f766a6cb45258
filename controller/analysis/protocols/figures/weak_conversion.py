"""The figures of weak conversion: couplings in the plane, and how surely they are there."""

from __future__ import annotations

import math

import numpy as np
from scipy.special import log_ndtr, ndtri_exp

from controller.analysis.look import (
    BLACK,
    BLUE,
    GREEN,
    GREY,
    LINES,
    VERMILLION,
    legend_above,
    panels,
    scaled_unit,
    time_unit,
)
from controller.analysis.protocols.data import ProtocolData, Results
from controller.analysis.protocols.figures.parts import POINTS, ProtocolFigure, Series, number

KIND_MARKS = {  # of weak conversion: marker and colour
    "on": ("o", BLUE),
    "reversed": ("D", VERMILLION),
    "off": ("s", GREY),
    "detuned": ("^", GREEN),
}


def weak_conversion_figures(
    results: Results, series: Series, data: ProtocolData
) -> list[ProtocolFigure]:
    """Couplings of the sections in the plane, and the running significance."""
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
    whole = -2.0 * (math.log(2.0) + float(log_ndtr(-number(results, "significance"))))
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
