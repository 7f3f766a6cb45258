"""The figures of a report, one function each.

A function returns None where the run has nothing to show in its figure; the
page then says so. Figures are drawn from thinned series only.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

from controller.analysis.look import (
    BLACK,
    EVENT_MARKERS,
    GREY,
    LINES,
    ORANGE,
    PURPLE,
    SKY,
    STATES,
    largest_usual,
    legend_above,
    panels,
    rounded_reference,
    scaled_unit,
    time_unit,
    usual_range,
)
from controller.analysis.thinning import Curve, StateSpan, with_breaks
from controller.analysis.tracks import AllanCurve, RunTracks
from controller.records import Event

# A part of the line width within which the pump counts as on the line.
TIGHT_FRACTION = 0.1

_NAMES = {"lower": "lower mode", "upper": "upper mode", "difference": "difference"}


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFacts:
    """What the figures need to know of a run beside its series."""

    duration_s: float
    amplitude_unit: str | None  # "m"; None: uncalibrated stream
    line_width_hz: float | None  # of the narrower line
    pump_offset_hz: float
    smallest_error_hz: float | None  # rms limit of the difference, from a truth
    has_pump: bool = True  # False: a recording, or an instrument without that channel


class _TimeAxis:
    """Times in the unit in which the run is best read."""

    def __init__(self, duration_s: float) -> None:
        self._duration_s = duration_s
        self._factor, self._unit = time_unit(duration_s)

    def scaled(self, times_s: np.ndarray) -> np.ndarray:
        return times_s * self._factor

    def finish(self, axes: Sequence[Axes]) -> None:
        axes[-1].set_xlabel(f"time / {self._unit}")
        axes[-1].set_xlim(0.0, max(self._duration_s, 1e-3) * self._factor)
        for panel in axes:
            legend_above(panel)

    def draw(
        self, axes: Axes, curve: Curve, factor: float, name: str, label: str, **style: Any
    ) -> None:
        if curve.is_empty:
            return
        style = {**LINES[name], **style}
        times_s, values = with_breaks(curve.times_s, curve.values)
        axes.plot(self.scaled(times_s), values * factor, label=label, **style)

    def fill(
        self, axes: Axes, low: Curve, high: Curve, factor: float, label: str, color: str
    ) -> None:
        if low.is_empty:
            return
        # Both borders have their own times within a bucket; the bucket's
        # width is below what can be seen.
        times_s, lows, highs = with_breaks(low.times_s, low.values, high.values)
        axes.fill_between(
            self.scaled(times_s),
            lows * factor,
            highs * factor,
            color=color,
            alpha=0.3,
            linewidth=0.0,
            label=label,
        )


def _span_of(*curves: Curve) -> float:
    return largest_usual(*(curve.values for curve in curves))


def drift_figure(tracks: RunTracks, facts: RunFacts) -> Figure | None:
    """Drift of both modes about where they were first known."""
    curves = {name: tracks.curve(f"{name}_drift_hz") for name in ("lower", "upper")}
    if all(curve.is_empty for curve in curves.values()):
        return None
    factor, unit = scaled_unit(_span_of(*curves.values()), "Hz")
    figure, axes = panels([2.3])
    time = _TimeAxis(facts.duration_s)
    for name, curve in curves.items():
        start_hz = tracks.start_hz.get(name)
        label = f"{_NAMES[name]}, from {start_hz:.6f} Hz" if start_hz else _NAMES[name]
        time.draw(axes[0], curve, factor, name, label)
    axes[0].set_ylabel(f"drift / {unit}")
    time.finish(axes)
    return figure


def difference_figure(tracks: RunTracks, facts: RunFacts) -> Figure | None:
    """The difference and the pump tone, with the line width to scale."""
    difference = tracks.curve("difference_offset_hz")
    if difference.is_empty:
        return None
    has_pump = not tracks.curve("detuning_hz").is_empty
    figure, axes = panels([2.3, 1.7] if has_pump else [2.3])
    time = _TimeAxis(facts.duration_s)
    _draw_difference(axes[0], tracks, facts, time)
    if has_pump:
        _draw_detuning(axes[1], tracks, facts, time)
    time.finish(axes)
    return figure


def _draw_difference(axes: Axes, tracks: RunTracks, facts: RunFacts, time: _TimeAxis) -> None:
    difference = tracks.curve("difference_offset_hz")
    pump = tracks.curve("pump_offset_hz")
    start_hz = tracks.start_hz["difference"]
    span_hz = max(_span_of(difference), 0.5 * (facts.line_width_hz or 0.0))
    reference_hz = rounded_reference(start_hz, span_hz)
    # Curves are offsets from the start; the axis counts from a round number.
    shift_hz = start_hz - reference_hz
    factor, unit = scaled_unit(span_hz, "Hz")

    def shifted(curve: Curve, by_hz: float = 0.0) -> Curve:
        return Curve(curve.times_s, curve.values + shift_hz + by_hz)

    if facts.line_width_hz:
        half_hz = 0.5 * facts.line_width_hz
        time.fill(
            axes,
            shifted(difference, -half_hz),
            shifted(difference, half_hz),
            factor,
            f"line width, {_with_unit(facts.line_width_hz)}",
            SKY,
        )
    time.fill(
        axes,
        shifted(tracks.curve("difference_low_hz")),
        shifted(tracks.curve("difference_high_hz")),
        factor,
        "±1σ",
        GREY,
    )
    # The pump lies on the difference: a broad line below a fine one shows both.
    time.draw(axes, shifted(pump), factor, "pump", "pump tone", linewidth=2.6, linestyle="-")
    time.draw(axes, shifted(difference), factor, "difference", "difference")
    axes.set_ylim(
        *(limit_hz * factor for limit_hz in _difference_limits_hz(tracks, facts, shift_hz))
    )
    axes.set_ylabel(f"frequency − {_plain(reference_hz)} Hz / {unit}", fontsize=8.0)


def _difference_limits_hz(
    tracks: RunTracks, facts: RunFacts, shift_hz: float
) -> tuple[float, float]:
    """Holds the difference, the line about it and the pump, not the first wild records."""
    low_hz, high_hz = usual_range(tracks.curve("difference_offset_hz").values)
    half_hz = 0.5 * (facts.line_width_hz or 0.0)
    others = [
        (low_hz - half_hz, high_hz + half_hz),
        usual_range(tracks.curve("pump_offset_hz").values),
        # Of a short run, the first second after the lock is more than a hundredth.
        usual_range(tracks.curve("difference_low_hz").values, 0.9),
        usual_range(tracks.curve("difference_high_hz").values, 0.9),
    ]
    low_hz = min(low for low, _ in others)
    high_hz = max(high for _, high in others)
    margin_hz = 0.08 * (high_hz - low_hz) or 1.0
    return low_hz + shift_hz - margin_hz, high_hz + shift_hz + margin_hz


def _draw_detuning(axes: Axes, tracks: RunTracks, facts: RunFacts, time: _TimeAxis) -> None:
    detuning, sigma = tracks.curve("detuning_hz"), tracks.curve("difference_sigma_hz")
    width_hz = facts.line_width_hz or 0.0
    largest_hz = max(0.62 * width_hz, 1.3 * _span_of(detuning))
    factor, unit = scaled_unit(largest_hz, "Hz")
    if width_hz:
        half, tight = 0.5 * width_hz * factor, TIGHT_FRACTION * width_hz * factor
        axes.axhspan(-half, half, color=SKY, alpha=0.3, linewidth=0.0, label="line width")
        axes.axhspan(
            -tight, tight, color=ORANGE, alpha=0.35, linewidth=0.0, label="± a tenth of the line"
        )
        for edge in (-tight, tight):
            axes.axhline(edge, color=BLACK, linewidth=0.5, linestyle=(0, (4, 2)))
    for sign in (-1.0, 1.0):
        label = "±1σ of the difference" if sign > 0 else ""
        time.draw(axes, Curve(sigma.times_s, sign * sigma.values), factor, "limit", label)
    time.draw(axes, detuning, factor, "pump", "pump tone − difference")
    _center(axes, largest_hz * factor)
    offset = f" − offset {_with_unit(facts.pump_offset_hz)}" if facts.pump_offset_hz else ""
    axes.set_ylabel(f"detuning{offset} / {unit}", fontsize=8.0 if offset else 9.0)


def error_figure(tracks: RunTracks, facts: RunFacts) -> Figure | None:
    """Errors against the truth, with twice the stated uncertainty."""
    errors = {name: tracks.error_curve(f"{name}_error_hz") for name in _NAMES}
    errors["pump"] = tracks.pump_error_curve()
    order = ("difference", "pump", "lower", "upper")
    drawn = [name for name in order if not errors[name].is_empty]
    if not drawn:
        return None
    figure, axes = panels([1.9 if name == "difference" else 1.15 for name in drawn])
    time = _TimeAxis(facts.duration_s)
    for panel, name in zip(axes, drawn, strict=True):
        # The tone has no uncertainty of its own: it follows the difference.
        sigma = tracks.error_curve(f"{'difference' if name == 'pump' else name}_sigma_hz")
        label = "pump tone" if name == "pump" else _NAMES[name]
        _draw_error(panel, name, errors[name], sigma, label, time)
    time.finish(axes)
    return figure


def _draw_error(
    axes: Axes, name: str, error: Curve, sigma: Curve, label: str, time: _TimeAxis
) -> None:
    low, high = (Curve(sigma.times_s, sign * 2.0 * sigma.values) for sign in (-1.0, 1.0))
    largest_hz = 1.4 * _span_of(error, high)
    factor, unit = scaled_unit(largest_hz, "Hz")
    time.fill(axes, low, high, factor, "", SKY)
    time.draw(axes, error, factor, name, f"{label} − truth", linestyle="-", linewidth=0.7)
    time.draw(axes, low, factor, "limit", "")
    time.draw(axes, high, factor, "limit", "±2σ of the difference" if name == "pump" else "±2σ")
    _center(axes, largest_hz * factor)
    axes.set_ylabel(f"error / {unit}")


def _center(axes: Axes, largest: float) -> None:
    """Zero in the middle, and the same range to both sides."""
    if largest > 0.0:
        axes.set_ylim(-largest, largest)


def allan_figure(allan: Mapping[str, AllanCurve], facts: RunFacts) -> Figure | None:
    """Allan deviation of the difference beside what the model predicts."""
    measured = {name: allan[name] for name in _NAMES if name in allan and is_drawable(allan[name])}
    if "difference" not in measured:
        return None
    figure, [axes] = panels([2.9])
    for name, marker in (("lower", "v"), ("upper", "^"), ("difference", "o")):
        if name in measured:
            draw_allan(axes, measured[name], name, marker)
    predicted = allan.get("predicted")
    if predicted is not None and is_drawable(predicted):
        axes.plot(
            predicted.taus_s,
            predicted.deviations_hz,
            label="difference, predicted",
            color=PURPLE,
            linewidth=1.4,
            linestyle=(0, (6, 1.5, 1, 1.5)),
        )
    if facts.smallest_error_hz:
        axes.axhline(facts.smallest_error_hz, label="smallest rms error", **LINES["limit"])
    lay_out_allan(axes)
    return figure


def lay_out_allan(axes: Axes) -> None:
    """Axes, labels and key of a plot of Allan deviations."""
    axes.set_xscale("log")
    axes.set_yscale("log")
    label_plainly(axes)
    axes.set_xlabel("averaging time τ / s")
    axes.set_ylabel("Allan deviation / Hz")
    keep_a_decade(axes)
    legend_above(axes)


def label_plainly(axes: Axes) -> None:
    """0.2, 0.5, 1, 2 along a logarithmic axis; powers of ten alone where it is long."""
    low, high = axes.get_xlim()
    subs = (1.0, 2.0, 5.0) if high < 1.0e4 * low else (1.0,)
    axes.xaxis.set_major_locator(LogLocator(subs=subs, numticks=30))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.xaxis.set_minor_formatter(NullFormatter())


def is_drawable(curve: AllanCurve) -> bool:
    """Whether a logarithmic axis can show any of it."""
    return bool((np.isfinite(curve.deviations_hz) & (curve.deviations_hz > 0.0)).any())


def draw_allan(axes: Axes, curve: AllanCurve, name: str, marker: str) -> None:
    """An Allan deviation with its bars; the name is that of a series, which gives the look."""
    is_drawn = np.isfinite(curve.deviations_hz) & (curve.deviations_hz > 0.0)
    deviations_hz = curve.deviations_hz[is_drawn]
    if curve.sigmas_hz is None:
        errors_hz = None
    else:
        sigmas_hz = np.nan_to_num(curve.sigmas_hz[is_drawn], nan=0.0)
        # A bar may not reach zero on a logarithmic axis.
        errors_hz = np.stack((np.minimum(sigmas_hz, 0.9 * deviations_hz), sigmas_hz))
    axes.errorbar(
        curve.taus_s[is_drawn],
        deviations_hz,
        yerr=errors_hz,
        marker=marker,
        markersize=4.0,
        capsize=2.0,
        elinewidth=0.8,
        label=_NAMES[name],
        **LINES[name],
    )


def keep_a_decade(axes: Axes) -> None:
    """At least one decade upright, so that a flat curve is not magnified into noise."""
    low, high = axes.get_ylim()
    if 0.0 < low < high < 10.0 * low:
        middle = math.sqrt(low * high)
        axes.set_ylim(middle / math.sqrt(10.0), middle * math.sqrt(10.0))


def phase_error_figure(tracks: RunTracks, facts: RunFacts) -> Figure | None:
    """Phase error of both trackers."""
    curves = {name: tracks.curve(f"{name}_phase_error_rad") for name in ("lower", "upper")}
    if all(curve.is_empty for curve in curves.values()):
        return None
    largest_rad = 1.3 * _span_of(*curves.values())
    factor, unit = scaled_unit(largest_rad, "rad")
    drawn = [name for name, curve in curves.items() if not curve.is_empty]
    figure, axes = panels([1.3] * len(drawn))
    time = _TimeAxis(facts.duration_s)
    for panel, name in zip(axes, drawn, strict=True):
        time.draw(panel, curves[name], factor, name, _NAMES[name], linestyle="-", linewidth=0.7)
        _center(panel, largest_rad * factor)
        panel.set_ylabel(f"phase error / {unit}", fontsize=8.0)
    time.finish(axes)
    return figure


def amplitude_figure(tracks: RunTracks, facts: RunFacts) -> Figure | None:
    """Amplitudes of both modes; logarithmic where they span a large range."""
    curves = {name: tracks.curve(f"{name}_amplitude") for name in ("lower", "upper")}
    values = np.concatenate([curve.values for curve in curves.values()])
    values = values[np.isfinite(values) & (values > 0.0)]
    if not len(values):
        return None
    if facts.amplitude_unit is None:
        factor, label = 1.0, "amplitude (sample units)"
    else:
        factor, unit = scaled_unit(float(np.percentile(values, 99.0)), facts.amplitude_unit)
        label = f"amplitude / {unit}"
    figure, axes = panels([2.0])
    time = _TimeAxis(facts.duration_s)
    for name, curve in curves.items():
        time.draw(axes[0], curve, factor, name, _NAMES[name])
    low, high = np.percentile(values, [2.0, 98.0])
    if high > 8.0 * low:  # a ring-down, or two modes far apart
        axes[0].set_yscale("log")
        keep_a_decade(axes[0])
    else:
        axes[0].set_ylim(0.0, 1.15 * high * factor)
    axes[0].set_ylabel(label)
    time.finish(axes)
    return figure


def quality_figure(tracks: RunTracks, facts: RunFacts) -> Figure | None:
    """Stated uncertainties, and whether the innovations bear them out."""
    sigmas = {name: tracks.curve(f"{name}_sigma_hz") for name in _NAMES}
    ratios = {name: tracks.curve(f"{name}_innovation_ratio") for name in _NAMES}
    if all(curve.is_empty for curve in sigmas.values()):
        return None
    has_ratios = any(not curve.is_empty for curve in ratios.values())
    figure, axes = panels([1.7, 1.5] if has_ratios else [1.7])
    time = _TimeAxis(facts.duration_s)
    for name, curve in sigmas.items():
        time.draw(axes[0], _above_zero(curve), 1.0, name, _NAMES[name])
    axes[0].set_yscale("log")
    keep_a_decade(axes[0])
    axes[0].set_ylabel("stated σ / Hz")
    if has_ratios:
        for name, curve in ratios.items():
            time.draw(axes[1], _above_zero(curve), 1.0, name, "", linewidth=0.7)
        axes[1].set_yscale("log")
        axes[1].axhline(1.0, label="expected", **LINES["limit"])
        keep_a_decade(axes[1])
        axes[1].set_ylabel("innovation ratio")
    time.finish(axes)
    return figure


def _above_zero(curve: Curve) -> Curve:
    """The curve for a logarithmic axis."""
    return Curve(curve.times_s, np.where(curve.values > 0.0, curve.values, np.nan))


def states_figure(tracks: RunTracks, events: Sequence[Event], facts: RunFacts) -> Figure | None:
    """States of both trackers and of the pump, and the events."""
    names = ("lower", "upper", "pump") if facts.has_pump else ("lower", "upper")
    spans = {name: tracks.state_spans(name) for name in names}
    if not events and not any(span.end_s > span.start_s for row in spans.values() for span in row):
        return None
    figure, [axes] = panels([0.35 + 0.4 * len(names)])
    time = _TimeAxis(facts.duration_s)
    rows = {name: float(len(names) - place) for place, name in enumerate(names)}
    for name, row in rows.items():
        _draw_states(axes, spans[name], row, time)
    sources = [source for source in EVENT_MARKERS if any(e.source == source for e in events)]
    for source in sources:
        times_s = np.array([event.time_s for event in events if event.source == source])
        axes.plot(
            time.scaled(times_s),
            np.zeros(len(times_s)),
            linestyle="none",
            marker=EVENT_MARKERS[source],
            markersize=4.5,
            markerfacecolor="none",
            color=BLACK,
            markeredgewidth=0.8,
            clip_on=False,
        )
    axes.set_yticks([0.0, *reversed(rows.values())], ["events", *reversed(rows)])
    axes.set_ylim(-0.5, len(names) + 0.5)
    axes.grid(axis="y", visible=False)
    time.finish([axes])
    _states_legend(axes, [span.state for name in rows for span in spans[name]], sources)
    return figure


def _draw_states(axes: Axes, spans: Sequence[StateSpan], row: float, time: _TimeAxis) -> None:
    for state in dict.fromkeys(span.state for span in spans):
        color, hatch = STATES[state]
        borders_s = np.array([(span.start_s, span.end_s) for span in spans if span.state == state])
        starts, ends = time.scaled(borders_s).T
        axes.broken_barh(
            list(zip(starts, ends - starts, strict=True)),
            (row - 0.32, 0.64),
            facecolor=color,
            hatch=hatch,
            edgecolor=BLACK,
            linewidth=0.4,
        )


def _states_legend(axes: Axes, states: Sequence[str], sources: Sequence[str]) -> None:
    shown = [state for state in STATES if state in states]
    handles: list[object] = [
        Patch(
            facecolor=STATES[state][0],
            hatch=STATES[state][1],
            edgecolor=BLACK,
            linewidth=0.4,
            label=state.replace("_", " "),
        )
        for state in shown
    ]
    axes.legend(
        handles=handles,
        loc="lower left",
        bbox_to_anchor=(0.0, 1.02),
        ncols=max(1, len(handles)),
        frameon=False,
        fontsize=8.5,
        borderaxespad=0.0,
        columnspacing=1.4,
        handlelength=1.8,
    )
    marked = "   ".join(f"{_SYMBOLS[EVENT_MARKERS[source]]} {source}" for source in sources)
    axes.annotate(
        marked,
        (1.0, 0.0),
        xytext=(0.0, -31.0),
        xycoords="axes fraction",
        textcoords="offset points",
        ha="right",
        va="bottom",
        fontsize=8.5,
    )


_SYMBOLS = {"v": "▽", "^": "△", "s": "□", "X": "✕", "o": "○", "D": "◇"}


def _with_unit(value_hz: float) -> str:
    factor, unit = scaled_unit(abs(value_hz), "Hz")
    return f"{value_hz * factor:.3g} {unit}"


def _plain(value: float) -> str:
    """A round number without an exponent or idle zeros."""
    text = f"{value:.9f}".rstrip("0")
    return text.rstrip(".")
