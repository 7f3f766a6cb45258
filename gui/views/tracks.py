"""The plots over time: the difference with pump and line, and a strip for each mode."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import QSize, Qt
from PySide6.QtGui import QPainter, QPaintEvent
from PySide6.QtWidgets import QGridLayout, QHBoxLayout, QLabel, QSizePolicy, QVBoxLayout, QWidget

from controller.service.client import ModeId, ModeRecord
from gui.look import DASHES, GLYPHS, LIGHT, STATE_LEVELS, Look, colour_of, pen
from gui.models.axes import extent, steady_range
from gui.models.columns import MODE_STATES, PUMP_STATES
from gui.models.history import Stretch
from gui.models.present import Present
from gui.models.time_view import TimeView
from gui.models.verdict import WITHIN
from gui.models.wording import (
    MODE_WORDS,
    PUMP_WORDS,
    UNCALIBRATED,
    UNKNOWN,
    estimate_text,
    frequency_text,
    quantity_text,
)
from gui.views.plots import Band, TimePlot
from gui.views.ribbon import Ribbon

SIDE_WIDTH = 178
LEAST_SPAN_WIDTHS = 1.3  # of the difference's range: the whole line is always in sight
MOST_SIGMA_WIDTHS = 1.0  # what an estimate that is not known yet may widen the range by


class Swatch(QWidget):
    """A little of a curve or an area, for a legend.

    Parameters
    ----------
    meaning : str
        The colour's name in the look.
    style : Qt.PenStyle or None
        None: an area.
    """

    def __init__(self, meaning: str, style: Qt.PenStyle | None = None) -> None:
        super().__init__()
        self._meaning, self._style, self._look = meaning, style, LIGHT
        self.setFixedSize(26, 12)

    def put_on(self, look: Look) -> None:
        """Take the colours."""
        self._look = look
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw it."""
        painter = QPainter(self)
        colour = getattr(self._look, self._meaning)
        if self._style is None:
            painter.fillRect(self.rect(), pg.mkColor(colour))
            painter.setPen(pen(self._look.rule, Qt.PenStyle.DotLine))
            painter.drawRect(self.rect().adjusted(0, 0, -1, -1))
            return
        painter.setPen(pg.mkPen(colour, width=2, style=self._style))
        painter.drawLine(0, 6, 26, 6)


class Side(QWidget):
    """The words left of a plot: a heading, then names with values."""

    def __init__(self, heading: str) -> None:
        super().__init__()
        self.setFixedWidth(SIDE_WIDTH)
        self._grid = QGridLayout(self)
        self._grid.setContentsMargins(8, 4, 4, 2)
        self._grid.setHorizontalSpacing(6)
        self._grid.setVerticalSpacing(1)
        self._grid.setColumnStretch(1, 1)
        self.heading = QLabel(heading)
        self.heading.setProperty("role", "heading")
        self._grid.addWidget(self.heading, 0, 0, 1, 2)
        self._values: dict[str, QLabel] = {}

    def add(self, key: str, name: str = "") -> None:
        """A line for a value, in the whole width where it has no name."""
        row = self._grid.rowCount()
        value = QLabel(UNKNOWN)
        value.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        value.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        if name:
            label = QLabel(name)
            label.setProperty("role", "faint")
            self._grid.addWidget(label, row, 0)
            self._grid.addWidget(value, row, 1, Qt.AlignmentFlag.AlignVCenter)
        else:
            self._grid.addWidget(value, row, 0, 1, 2)
        value.setAccessibleName(name or key)
        self._values[key] = value

    def add_swatch(self, swatch: Swatch, name: str) -> None:
        """A line of the legend."""
        label = QLabel(name)
        label.setProperty("role", "faint")
        line = QHBoxLayout()
        line.setSpacing(8)
        line.addWidget(swatch)
        line.addWidget(label, 1)
        self._grid.addLayout(line, self._grid.rowCount(), 0, 1, 2)

    def end(self) -> None:
        """Nothing more comes."""
        self._grid.setRowStretch(self._grid.rowCount(), 1)

    def set(self, key: str, text: str) -> None:
        """The value of a line."""
        label = self._values[key]
        if label.text() != text:
            label.setText(text)

    def clear(self) -> None:
        """Nothing is known."""
        for key in self._values:
            self.set(key, UNKNOWN)

    def text(self, key: str) -> str:
        """The value of a line."""
        return self._values[key].text()


class DifferencePlot(QWidget):
    """The tracked difference, the pump on it, and the line drawn to scale around the pump."""

    def __init__(self, view: TimeView) -> None:
        super().__init__()
        self._width_hz: float | None = None
        self.side = Side("Difference")
        self.side.add("difference")
        self.side.add("sigma", "±")
        self.side.add("pump", "pump")
        self.side.add("width", "line width")
        self._swatches = [
            Swatch("difference", DASHES["difference"]),
            Swatch("sigma"),
            Swatch("pump", DASHES["pump"]),
            Swatch("line_inner"),
            Swatch("line_outer"),
        ]
        for swatch, name in zip(
            self._swatches,
            ("tracked", "its ± one sigma", "pump tone", "a tenth of the line", "the line's width"),
            strict=True,
        ):
            self.side.add_swatch(swatch, name)
        self.side.end()
        self.plot = TimePlot(view, "difference", shows_time=True)
        self.ribbon = Ribbon(view, "states of the pump", PUMP_WORDS)
        self._line_outer, self._line_inner, self._sigma = Band(), Band(), Band()
        self._pump, self._difference = pg.PlotCurveItem(), pg.PlotCurveItem()
        self._edges = [pg.InfiniteLine(angle=0, movable=False) for _ in range(2)]
        for item in (
            *(self._line_outer, self._line_inner, self._sigma),
            *(*self._edges, self._difference, self._pump),
        ):
            self.plot.addItem(item, ignoreBounds=True)
        layout = QGridLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(self.side, 0, 0, 2, 1)
        layout.addWidget(self.plot, 0, 1)
        layout.addWidget(self.ribbon, 1, 1)

    def put_on(self, look: Look) -> None:
        """Take the colours."""
        self.plot.put_on(look)
        self.ribbon.put_on(look)
        for swatch in self._swatches:
            swatch.put_on(look)
        self._line_outer.set_colours(look.line_outer, look.faint)
        self._line_inner.set_colours(look.line_inner)
        self._sigma.set_colours(look.sigma)
        self._pump.setPen(pen(look.pump, DASHES["pump"]))
        self._difference.setPen(pen(look.difference, DASHES["difference"]))
        for edge in self._edges:
            edge.setPen(pen(look.faint, Qt.PenStyle.DotLine))

    def draw(self, present: Present, stretch: Stretch) -> None:
        """Draw a stretch of time."""
        self._width_hz = width_hz = present.line_width_hz
        low, high = stretch.low("difference_hz"), stretch.high("difference_hz")
        sigma_hz = stretch.high("difference_sigma_hz")
        pump_low, pump_high = stretch.low("pump_hz"), stretch.high("pump_hz")
        times_s = stretch.times_s
        self._difference.setData(*stretch.curve("difference_hz"), connect="finite")
        self._pump.setData(*stretch.curve("pump_hz"), connect="finite")
        self._sigma.set_data(times_s, low - sigma_hz, high + sigma_hz)
        half_hz = 0.5 * (width_hz or 0.0)
        tenth_hz = WITHIN * (width_hz or 0.0)
        line = pump_low - half_hz, pump_high + half_hz
        self._line_outer.set_data(times_s, *line)
        self._line_inner.set_data(times_s, pump_low - tenth_hz, pump_high + tenth_hz)
        self._draw_edges(low, pump_low, half_hz)
        self._choose_range(low, high, sigma_hz, line, width_hz)
        self.ribbon.set_data(
            times_s,
            stretch.high("pump_state"),
            PUMP_STATES,
            present.events.marks("pump", self.plot.view.start_s, self.plot.view.end_s),
        )

    def _draw_edges(self, difference_hz: np.ndarray, pump_hz: np.ndarray, half_hz: float) -> None:
        """Where the line would be around the difference, while the pump is off."""
        known = difference_hz[np.isfinite(difference_hz)]
        is_off = not len(pump_hz) or not np.isfinite(pump_hz[-1])
        shown = is_off and half_hz > 0.0 and len(known) > 0
        for edge, sign in zip(self._edges, (-1.0, 1.0), strict=True):
            edge.setVisible(bool(shown))
            if shown:
                edge.setPos(float(known[-1]) + sign * half_hz)

    def _choose_range(
        self,
        low: np.ndarray,
        high: np.ndarray,
        sigma_hz: np.ndarray,
        line: tuple[np.ndarray, np.ndarray],
        width_hz: float | None,
    ) -> None:
        most_hz = np.inf if width_hz is None else MOST_SIGMA_WIDTHS * width_hz
        sigma_hz = np.minimum(np.nan_to_num(sigma_hz), most_hz)
        data = extent(low - sigma_hz, high + sigma_hz, *line)
        least_span_hz = 1.0e-6 if width_hz is None else LEAST_SPAN_WIDTHS * width_hz
        shown = steady_range(self.plot.shown, data, least_span_hz)
        if shown is not None:
            self.plot.show_range(*shown)
            units = self.plot.values.choose(*(self.plot.shown or shown), "Hz", relative=True)
            self.plot.set_caption(f"difference {units}")

    def tell(self, present: Present) -> None:
        """The newest values in words."""
        record = present.record
        if record is None:
            self.side.clear()
            return
        self.side.set("width", quantity_text(present.line_width_hz, "Hz"))
        self.side.set(
            "difference", frequency_text(record.difference_hz, record.difference_sigma_hz)
        )
        self.side.set("sigma", quantity_text(record.difference_sigma_hz, "Hz", 2))
        pump = f"{PUMP_WORDS[record.pump_state].removeprefix('pump ')}"
        if record.pump_amplitude > 0.0:
            pump += f", {quantity_text(record.pump_amplitude, present.pump_unit)}"
        self.side.set("pump", pump)


@dataclass(frozen=True, slots=True)
class Quantity:
    """One plot of a mode's strip."""

    key: str
    title: str
    column: str  # without the mode's name
    base: str
    sigma_column: str = ""
    is_logarithmic: bool = False
    is_relative: bool = False
    least_span: float = 1.0e-9


QUANTITIES = (
    Quantity("drift", "drift", "hz", "Hz", "sigma_hz", is_relative=True, least_span=1.0e-4),
    Quantity("amplitude", "amplitude", "amplitude", "m", is_logarithmic=True, least_span=0.3),
    Quantity(
        "phase", "phase error", "phase_error_rad", "rad", "phase_sigma_rad", least_span=1.0e-5
    ),
    Quantity("sigma", "sigma", "sigma_hz", "Hz", is_logarithmic=True, least_span=0.3),
    Quantity("snr", "signal-to-noise", "snr_db", "dB", least_span=3.0),
)

ALWAYS_SHOWN = ("drift", "amplitude")


class ModeStrip(QWidget):
    """One mode: its state in words, and its quantities over time.

    Parameters
    ----------
    view : TimeView
        The stretch of time that all plots show.
    mode : ModeId
        Which mode.
    """

    def __init__(self, view: TimeView, mode: ModeId) -> None:
        super().__init__()
        self.mode, self._look = mode, LIGHT
        self.side = Side(f"{str(mode).capitalize()} mode")
        self.side.add("state")
        self.side.add("frequency")
        for key, name in (
            ("sigma", "±"),
            ("amplitude", "amplitude"),
            ("phase", "phase error"),
            ("snr", "signal/noise"),
        ):
            self.side.add(key, name)
        self.side.end()
        self.plots: dict[str, TimePlot] = {}
        self._curves: dict[str, pg.PlotCurveItem] = {}
        self._bands: dict[str, Band] = {}
        layout = QGridLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        column = QVBoxLayout()
        column.setSpacing(0)
        for quantity in QUANTITIES:
            plot = TimePlot(view, f"{mode} mode: {quantity.title}")
            plot.values.is_logarithmic = quantity.is_logarithmic
            plot.values.base = quantity.base
            plot.set_caption(quantity.title)
            if quantity.sigma_column:
                self._bands[quantity.key] = Band()
                plot.addItem(self._bands[quantity.key], ignoreBounds=True)
            self._curves[quantity.key] = pg.PlotCurveItem()
            plot.addItem(self._curves[quantity.key], ignoreBounds=True)
            plot.setVisible(quantity.key in ALWAYS_SHOWN)
            self.plots[quantity.key] = plot
            column.addWidget(plot, 1)
        self.ribbon = Ribbon(view, f"states of the {mode} mode", MODE_WORDS)
        column.addWidget(self.ribbon)
        layout.addWidget(self.side, 0, 0)
        layout.addLayout(column, 0, 1)

    @property
    def shown_plots(self) -> list[TimePlot]:
        """Those that are to be seen."""
        return [plot for plot in self.plots.values() if not plot.isHidden()]

    def minimumSizeHint(self) -> QSize:
        """The words beside the plots need their height."""
        return QSize(super().minimumSizeHint().width(), self.side.sizeHint().height())

    def put_on(self, look: Look) -> None:
        """Take the colours."""
        self._look = look
        colour = look.lower if self.mode is ModeId.LOWER else look.upper
        for plot in self.plots.values():
            plot.put_on(look)
        for curve in self._curves.values():
            curve.setPen(pen(colour))
        for band in self._bands.values():
            band.set_colours(look.rule)
        self.ribbon.put_on(look)

    def draw(self, present: Present, stretch: Stretch) -> None:
        """Draw a stretch of time."""
        for quantity in QUANTITIES:
            if not self.plots[quantity.key].isHidden():
                self._draw_quantity(quantity, present, stretch)
        view = self.plots["drift"].view
        self.ribbon.set_data(
            stretch.times_s,
            stretch.high(f"{self.mode}_state"),
            MODE_STATES,
            present.events.marks(str(self.mode), view.start_s, view.end_s),
        )

    def _draw_quantity(self, quantity: Quantity, present: Present, stretch: Stretch) -> None:
        plot = self.plots[quantity.key]
        times_s, values = stretch.curve(f"{self.mode}_{quantity.column}")
        if quantity.is_logarithmic:
            values = np.log10(values, out=np.full_like(values, np.nan), where=values > 0.0)
        self._curves[quantity.key].setData(times_s, values, connect="finite")
        data = extent(values)
        if quantity.sigma_column:
            low = stretch.low(f"{self.mode}_{quantity.column}")
            high = stretch.high(f"{self.mode}_{quantity.column}")
            sigma = stretch.high(f"{self.mode}_{quantity.sigma_column}")
            self._bands[quantity.key].set_data(stretch.times_s, low - sigma, high + sigma)
        shown = steady_range(plot.shown, data, quantity.least_span)
        if shown is None:
            return
        plot.show_range(*shown)
        low_shown, high_shown = plot.shown or shown
        base = present.amplitude_unit if quantity.base == "m" else quantity.base
        plot.values.base = "" if base == UNCALIBRATED else base
        units = f" in {base} of the samples" if base == UNCALIBRATED else ""
        if quantity.base == "dB":
            units = ", in dB"
        elif not quantity.is_logarithmic:
            relative = quantity.is_relative
            units = " " + plot.values.choose(low_shown, high_shown, base, relative=relative)
        plot.set_caption(f"{quantity.title}{units}")

    def tell(self, present: Present) -> None:
        """The newest values in words."""
        if present.record is None:
            self.side.clear()
            return
        mode: ModeRecord = present.record.modes[self.mode]
        level = STATE_LEVELS[mode.state]
        words = MODE_WORDS[mode.state].partition(":")[0]
        colour = colour_of(self._look, level)
        self.side.set(
            "state", f'<span style="color:{colour}"><b>{GLYPHS[level]} {words}</b></span>'
        )
        self.side.set("frequency", frequency_text(mode.frequency_hz, mode.frequency_sigma_hz))
        self.side.set("sigma", quantity_text(mode.frequency_sigma_hz, "Hz", 2))
        self.side.set("amplitude", quantity_text(mode.amplitude, present.amplitude_unit))
        self.side.set("phase", quantity_text(mode.phase_error_rad, "rad", 2))
        snr = UNKNOWN if mode.snr_db is None else f"{mode.snr_db:.1f} dB"
        self.side.set("snr", snr)
        self.side.setToolTip(
            f"{self.mode} mode: {MODE_WORDS[mode.state]}\n"
            f"{estimate_text(mode.frequency_hz, mode.frequency_sigma_hz)}\n"
            f"cycle slips: {mode.cycle_slips}"
        )
