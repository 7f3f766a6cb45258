"""Can the numbers be trusted? Stability, innovations, and the spectra around both modes."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QColor
from PySide6.QtWidgets import QLabel, QVBoxLayout, QWidget

from controller.service.client import AllanSeries, ModeId, SpectrumMessage
from gui.look import DASHES, Look, pen
from gui.models.axes import extent, steady_range
from gui.models.history import Stretch
from gui.models.peaks import neighbours_hz
from gui.models.present import Origin, Present
from gui.models.time_view import TimeView
from gui.models.wording import UNCALIBRATED, quantity_text
from gui.views.plots import AXIS_WIDTH, CAPTION_HEIGHT, TimePlot, ValueAxis

LEAST_DECADES = 1.0
INNOVATION_DECADES = 0.5  # to either side of 1


def floats(values: Sequence[float | None]) -> np.ndarray:
    """Numbers with NaN for what is not known, shape (n,)."""
    return np.array(values, dtype=float)


class CurvePlot(pg.PlotWidget):
    """A plot whose abscissa is not time; ranges are set by hand."""

    asked_for_menu = Signal(object)

    def __init__(self, name: str, base: str, x_base: str, *, x_is_logarithmic: bool) -> None:
        self.values, self.below = ValueAxis("left"), ValueAxis("bottom")
        super().__init__(axisItems={"left": self.values, "bottom": self.below})
        self.name = name
        self.values.is_logarithmic, self.values.base = True, base
        self.below.is_logarithmic, self.below.base = x_is_logarithmic, x_base
        self.values.has_range = self.below.has_range = False  # there is nothing to be seen yet
        self.hideButtons()
        self.setMenuEnabled(False)
        self.setMinimumHeight(96)
        self.setFrameShape(self.frameShape().NoFrame)
        self.setAccessibleName(name)
        self.getViewBox().disableAutoRange()
        self.caption = QLabel(name, self)
        self.caption.setProperty("role", "caption")
        self.caption.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self.caption.move(AXIS_WIDTH + 4, 0)
        self.plotItem.layout.setContentsMargins(0, CAPTION_HEIGHT, 0, 0)
        self._shown: tuple[float, float] | None = None
        self.scene().sigMouseClicked.connect(self._click)

    def put_on(self, look: Look) -> None:
        """Take the colours."""
        self.setBackground(QColor(look.paper))
        for axis in (self.values, self.below):
            axis.setPen(pen(look.rule))
            axis.setTextPen(pen(look.faint))

    def set_caption(self, text: str) -> None:
        """What is drawn."""
        self.caption.setText(text)
        self.caption.adjustSize()

    def show_ranges(self, x: tuple[float, float], *values: np.ndarray) -> None:
        """Set both ranges: of the abscissa, and around the values."""
        self.getViewBox().setXRange(*x, padding=0.02)
        self._shown = steady_range(self._shown, extent(*values), LEAST_DECADES)
        if self._shown is not None:
            self.values.has_range = self.below.has_range = True
            self.getViewBox().setYRange(*self._shown, padding=0)

    def _click(self, event: object) -> None:
        if event.button() == Qt.MouseButton.RightButton:  # type: ignore[attr-defined]
            self.asked_for_menu.emit(event.screenPos())  # type: ignore[attr-defined]


class AllanPlot(CurvePlot):
    """The Allan deviation of the difference, beside what the modes do on their own."""

    def __init__(self) -> None:
        super().__init__("Allan deviation of the difference", "Hz", "s", x_is_logarithmic=True)
        self._bars = pg.ErrorBarItem(x=np.zeros(0), y=np.zeros(0))
        self._curve, self._limit = pg.PlotCurveItem(), pg.PlotCurveItem()
        self._dots = pg.ScatterPlotItem(symbol="o", size=5)
        for item in (self._bars, self._limit, self._curve, self._dots):
            self.addItem(item, ignoreBounds=True)

    def put_on(self, look: Look) -> None:
        """Take the colours."""
        super().put_on(look)
        self._curve.setPen(pen(look.difference))
        self._bars.setOpts(pen=pen(look.difference))
        self._dots.setBrush(QColor(look.difference))
        self._dots.setPen(pen(look.difference))
        self._limit.setPen(pen(look.pump, DASHES["limit"]))

    def draw(self, allan: dict[str, AllanSeries]) -> None:
        """Draw the series of the difference, and the predicted one where there is one."""
        series = allan.get("difference")
        if series is None or not series.taus_s:
            return
        taus = np.log10(floats(series.taus_s))
        deviations, sigmas = floats(series.deviations_hz), floats(series.sigmas_hz)
        known = np.isfinite(deviations) & (deviations > 0.0)
        taus, deviations, sigmas = taus[known], deviations[known], sigmas[known]
        if not len(taus):
            return
        middle = np.log10(deviations)
        relative = np.clip(np.nan_to_num(sigmas / deviations), 0.0, 0.9)
        self._curve.setData(taus, middle)
        self._dots.setData(taus, middle)
        self._bars.setData(
            x=taus, y=middle, top=np.log10(1.0 + relative), bottom=-np.log10(1.0 - relative)
        )
        limit_taus, limit = self._limit_of(series)
        self._limit.setData(limit_taus, limit, connect="finite")
        self.show_ranges((float(taus[0]) - 0.1, float(taus[-1]) + 0.1), middle, limit)
        best = int(np.argmin(deviations))
        least = quantity_text(float(deviations[best]), "Hz", 2)
        at = quantity_text(10.0 ** float(taus[best]), "s", 2)
        told = "; ····· modes alone" if len(limit) else ""
        self.set_caption(f"Allan deviation, least {least} at {at}{told}")

    @staticmethod
    def _limit_of(series: AllanSeries) -> tuple[np.ndarray, np.ndarray]:
        """Logarithms of what is predicted; empty where nothing is."""
        if not series.limits_hz:
            return np.empty(0), np.empty(0)
        taus_s, values = floats(series.taus_s), floats(series.limits_hz)
        known = np.isfinite(values) & (values > 0.0)
        return np.log10(taus_s[known]), np.log10(values[known])


class SpectrumPlot(CurvePlot):
    """The spectrum around one mode, with the tracked line and its neighbours."""

    def __init__(self, mode: ModeId) -> None:
        super().__init__(f"spectrum around the {mode} mode", "m", "Hz", x_is_logarithmic=False)
        self.mode = mode
        self._curve = pg.PlotCurveItem()
        self._tracked = pg.InfiniteLine(angle=90, movable=False)
        self._tracked.hide()
        self._neighbours = pg.ScatterPlotItem(symbol="t", size=9)
        for item in (self._tracked, self._curve, self._neighbours):
            self.addItem(item, ignoreBounds=True)

    def put_on(self, look: Look) -> None:
        """Take the colours."""
        super().put_on(look)
        self._curve.setPen(pen(look.lower if self.mode is ModeId.LOWER else look.upper))
        self._tracked.setPen(pen(look.pump, DASHES["pump"]))
        self._neighbours.setBrush(QColor(look.warning))
        self._neighbours.setPen(pen(look.ink))

    def draw(self, spectrum: SpectrumMessage, amplitude_unit: str) -> None:
        """Draw one."""
        offsets_hz = floats(spectrum.offsets_hz)
        densities = floats(spectrum.densities_m_per_root_hz)
        if not len(offsets_hz):
            return
        values = np.log10(densities, out=np.full_like(densities, np.nan), where=densities > 0.0)
        self._curve.setData(offsets_hz, values, connect="finite")
        tracked = None
        if spectrum.tracked_hz is not None:
            tracked = spectrum.tracked_hz - spectrum.center_hz
            self._tracked.setPos(tracked)
        self._tracked.setVisible(tracked is not None)
        found = neighbours_hz(offsets_hz, densities, spectrum.resolution_hz, tracked)
        self._neighbours.setData([x for x, _ in found], [math.log10(y) + 0.25 for _, y in found])
        self.values.base = "" if amplitude_unit == UNCALIBRATED else amplitude_unit
        self.below.choose(float(offsets_hz[0]), float(offsets_hz[-1]), "Hz")
        self.show_ranges((float(offsets_hz[0]), float(offsets_hz[-1])), values)
        neighbours = f", {len(found)} neighbours" if found else ""
        self.set_caption(
            f"{self.mode} mode, {amplitude_unit}/√Hz at Hz from the tracked line{neighbours}"
        )


class TrustPanel(QWidget):
    """All of that, below each other."""

    def __init__(self, view: TimeView) -> None:
        super().__init__()
        self.allan = AllanPlot()
        self.innovation = TimePlot(view, "innovations of the difference")
        self.innovation.values.is_logarithmic = True
        self.innovation.values.base = ""
        self._ratio = pg.PlotCurveItem()
        self._one = pg.InfiniteLine(pos=0.0, angle=0, movable=False)
        for item in (self._one, self._ratio):
            self.innovation.addItem(item, ignoreBounds=True)
        self.spectra = {mode: SpectrumPlot(mode) for mode in ModeId}
        layout = QVBoxLayout(self)
        layout.setContentsMargins(4, 2, 4, 2)
        layout.setSpacing(2)
        layout.addWidget(self.allan, 5)
        layout.addWidget(self.innovation, 2)
        for plot in self.spectra.values():
            layout.addWidget(plot, 4)

    @property
    def plots(self) -> list[CurvePlot]:
        """Those whose abscissa is not time."""
        return [self.allan, *self.spectra.values()]

    def put_on(self, look: Look) -> None:
        """Take the colours."""
        self.innovation.put_on(look)
        for plot in self.plots:
            plot.put_on(look)
        self._ratio.setPen(pen(look.difference))
        self._one.setPen(pen(look.pump, DASHES["limit"]))

    def draw_time(self, stretch: Stretch) -> None:
        """The innovations over the common time."""
        times_s, ratios = stretch.curve("difference_innovation_ratio")
        values = np.log10(ratios, out=np.full_like(ratios, np.nan), where=ratios > 0.0)
        self._ratio.setData(times_s, values, connect="finite")
        data = extent(values, np.array([-INNOVATION_DECADES, INNOVATION_DECADES]))
        shown = steady_range(self.innovation.shown, data, 2.0 * INNOVATION_DECADES)
        if shown is not None:
            self.innovation.show_range(*shown)

    def draw_status(self, present: Present) -> None:
        """The Allan deviation, and the newest innovation in words."""
        self.allan.draw(present.allan)
        record = present.record
        ratio = None if record is None else record.difference_innovation_ratio
        told = "" if ratio is None else f": {ratio:.2f}"
        self.innovation.set_caption(f"innovations, 1 where all noise is understood{told}")
        absent = ": not kept in a log" if present.origin is Origin.LOG else ""
        for mode, plot in self.spectra.items():
            if mode not in present.spectra:
                plot.set_caption(f"{plot.name}{absent}")

    def draw_spectra(self, present: Present) -> None:
        """The spectra around both modes."""
        for mode, spectrum in present.spectra.items():
            self.spectra[mode].draw(spectrum, present.amplitude_unit)
