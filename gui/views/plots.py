"""A plot over the common time axis, and what is drawn in it.

Ranges and ticks come from `gui.models.axes`: nothing here searches for a
range by itself. Dragging and the wheel move the one TimeView of all plots.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import QPointF, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QPainter, QPainterPath
from PySide6.QtWidgets import QLabel, QSizePolicy

from gui.look import Look, pen
from gui.models.axes import linear_ticks, logarithmic_ticks, round_reference, time_ticks
from gui.models.time_view import TimeView
from gui.models.wording import Unit, clock_text, grouped, round_text, unit_for

AXIS_WIDTH = 62
LEAST_HEIGHT, CAPTION_HEIGHT, TIMES_HEIGHT = 46, 16, 20
FEW_TICKS, NUMBER_PIXELS = 2, 13
ZOOM_PER_STEP = 1.25
WHEEL_STEP = 120.0


class ValueAxis(pg.AxisItem):
    """An axis whose unit is chosen for it; a logarithmic one is handed logarithms.

    Parameters
    ----------
    orientation : str
        "left" or "bottom".
    """

    def __init__(self, orientation: str = "left") -> None:
        super().__init__(orientation, maxTickLength=4)
        self.enableAutoSIPrefix(False)
        self._pixels_per_tick = 40 if orientation == "left" else 64
        self._edge_pixels = 5.0 if orientation == "left" else 0.0  # half of a number would be cut
        if orientation == "left":
            self.setWidth(AXIS_WIDTH)
        else:
            self.setHeight(20)
        self.unit = Unit("", 1.0)
        self.reference = 0.0  # what the numbers are less than the values by
        self.is_logarithmic = False
        self.base = ""
        self.has_range = True

    def tickValues(self, minVal: float, maxVal: float, size: float) -> list[tuple[float, list]]:
        """Round numbers in the chosen unit."""
        if not self.has_range:
            return []
        most = max(int(size // self._pixels_per_tick), FEW_TICKS)
        if self.is_logarithmic:
            return [(1.0, logarithmic_ticks(minVal, maxVal, most))]
        factor, reference = self.unit.per_base, self.reference
        edge = self._edge_pixels / max(size, 1.0) * (maxVal - minVal)
        low, high = minVal + edge, maxVal - edge
        low, high = (low - reference) * factor, (high - reference) * factor
        ticks = linear_ticks(low, high, most)
        if len(ticks) < FEW_TICKS:  # one alone gives no scale
            finer = linear_ticks(low, high, most + FEW_TICKS)
            ticks = finer if len(finer) * NUMBER_PIXELS <= size else ticks
        step = ticks[1] - ticks[0] if len(ticks) > 1 else 1.0
        return [(step, [tick / factor + reference for tick in ticks])]

    def tickStrings(self, values: Sequence[float], scale: float, spacing: float) -> list[str]:
        """As many decimals as the steps need."""
        if self.is_logarithmic:
            return [round_text(10.0**value, self.base) for value in values]
        decimals = max(-int(np.floor(np.log10(spacing) + 1e-9)), 0) if spacing > 0.0 else 0
        factor, reference = self.unit.per_base, self.reference
        texts = [f"{(value - reference) * factor + 0.0:.{decimals}f}" for value in values]
        return [re.sub(r"^-(0\.?0*)$", r"\1", text).replace("-", "−") for text in texts]

    def choose(self, low: float, high: float, base: str, *, relative: bool = False) -> str:
        """Choose unit and reference for a range; what to say of them in a caption.

        Parameters
        ----------
        low, high : float
            The range, in base units.
        base : str
            The base unit.
        relative : bool
            Whether a round value within the range is taken off.
        """
        span = high - low
        self.reference = round_reference(low, high) if relative else 0.0
        size = span if relative else max(abs(low), abs(high))
        self.unit = unit_for(0.5 * size, base)
        self.picture = None  # the axis keeps its last picture otherwise
        self.update()
        if not relative or self.reference == 0.0:
            return f"in {self.unit.text}"
        decimals = max(-math.floor(math.log10(span) + 1.0), 0)
        return f"less {grouped(f'{self.reference:.{decimals}f}')} {base}, in {self.unit.text}"


class TimeAxis(pg.AxisItem):
    """Stream time as a clock."""

    def __init__(self) -> None:
        super().__init__("bottom", maxTickLength=4)
        self.enableAutoSIPrefix(False)

    def tickValues(self, minVal: float, maxVal: float, size: float) -> list[tuple[float, list]]:
        """Round times."""
        ticks, step_s = time_ticks(minVal, maxVal, max(int(size // 80), 1))
        return [(step_s, ticks)]

    def tickStrings(self, values: Sequence[float], scale: float, spacing: float) -> list[str]:
        """Hours, minutes, seconds."""
        return [clock_text(value, 1 if spacing < 1.0 else 0) for value in values]


class TimeBox(pg.ViewBox):
    """The area of a plot: mouse movements become wishes, which others carry out."""

    panned = Signal(float)  # by so much [s]
    zoomed = Signal(float, float)  # by a factor, around a time [s]
    stretched = Signal(float)  # the values, by a factor
    raised = Signal(float)  # the values, by so much
    asked_for_menu = Signal(object)  # position on the screen
    reset = Signal()

    def __init__(self) -> None:
        super().__init__(enableMenu=False, defaultPadding=0.0)
        self.disableAutoRange()

    def wheelEvent(self, ev: object, axis: int | None = None) -> None:
        """Zoom the time; on the vertical axis the values."""
        factor = ZOOM_PER_STEP ** (-ev.delta() / WHEEL_STEP)  # type: ignore[attr-defined]
        if axis == 1:
            self.stretched.emit(factor)
        else:
            self.zoomed.emit(factor, self.mapSceneToView(ev.scenePos()).x())  # type: ignore[attr-defined]
        ev.accept()  # type: ignore[attr-defined]

    def mouseDragEvent(self, ev: object, axis: int | None = None) -> None:
        """Move the time; on the vertical axis the values."""
        ev.accept()  # type: ignore[attr-defined]
        here = self.mapSceneToView(ev.scenePos())  # type: ignore[attr-defined]
        before = self.mapSceneToView(ev.lastScenePos())  # type: ignore[attr-defined]
        if axis == 1:
            self.raised.emit(before.y() - here.y())
        else:
            self.panned.emit(before.x() - here.x())

    def mouseClickEvent(self, ev: object) -> None:
        """The right button asks for the menu, a double click for the whole."""
        if ev.button() == Qt.MouseButton.RightButton:  # type: ignore[attr-defined]
            ev.accept()  # type: ignore[attr-defined]
            self.asked_for_menu.emit(ev.screenPos())  # type: ignore[attr-defined]
        elif ev.double():  # type: ignore[attr-defined]
            ev.accept()  # type: ignore[attr-defined]
            self.reset.emit()


class Band(pg.GraphicsObject):
    """The area between two curves; NaN parts it."""

    def __init__(self) -> None:
        super().__init__()
        self._path, self._bounds = QPainterPath(), QRectF()
        self._brush, self._pen = pg.mkBrush(None), pg.mkPen(None)

    def set_colours(self, fill: str, edge: str | None = None) -> None:
        """Of the area, and of its edges."""
        self._brush = pg.mkBrush(QColor(fill))
        self._pen = pg.mkPen(None) if edge is None else pen(edge, Qt.PenStyle.DotLine)
        self.update()

    def set_data(self, x: np.ndarray, low: np.ndarray, high: np.ndarray) -> None:
        """Edges at the same places, shape (n,)."""
        self.prepareGeometryChange()
        known = np.isfinite(low) & np.isfinite(high)
        edges = np.flatnonzero(np.diff(np.concatenate(([False], known, [False])).astype(int)))
        xs: list[np.ndarray] = []
        ys: list[np.ndarray] = []
        gap = np.array([np.nan])
        for start, stop in edges.reshape(-1, 2):
            part = slice(start, stop)
            xs += [x[part], x[part][::-1], gap]
            ys += [low[part], high[part][::-1], gap]
        self._path, self._bounds = QPainterPath(), QRectF()
        if xs:
            outline_x, outline_y = np.concatenate(xs), np.concatenate(ys)
            self._path = pg.arrayToQPath(outline_x, outline_y, connect="finite")
            self._bounds = self._path.controlPointRect()
        self.update()

    def boundingRect(self) -> QRectF:
        """Around the area."""
        return self._bounds

    def paint(self, painter: QPainter, *_: object) -> None:
        """Fill it."""
        painter.setBrush(self._brush)
        painter.setPen(self._pen)
        painter.drawPath(self._path)


class TimePlot(pg.PlotWidget):
    """One plot over the common time; a subclass or its owner fills it.

    Parameters
    ----------
    view : TimeView
        The stretch of time that all plots show.
    name : str
        What is drawn, for the caption and for those who cannot see it.
    shows_time : bool
        Whether times stand below it.
    """

    pointed = Signal(object)  # a time [s], or None: the mouse has left
    asked_for_menu = Signal(object)
    moved = Signal()  # the common stretch of time

    def __init__(self, view: TimeView, name: str, *, shows_time: bool = False) -> None:
        self.box, self.values, self.times = TimeBox(), ValueAxis(), TimeAxis()
        super().__init__(viewBox=self.box, axisItems={"left": self.values, "bottom": self.times})
        self.view, self.name = view, name
        self.values.has_range = False  # there is nothing to be seen yet
        self.shown: tuple[float, float] | None = None  # range of the values
        self.is_by_hand = False  # a person has chosen the range of the values
        self.set_shows_time(shows_time)
        self.hideButtons()
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setFrameShape(self.frameShape().NoFrame)
        self.setAccessibleName(name)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.caption = QLabel(name, self)
        self.caption.setProperty("role", "caption")
        self.caption.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self.caption.move(AXIS_WIDTH + 4, 0)
        self.plotItem.layout.setContentsMargins(0, CAPTION_HEIGHT, 0, 0)
        self._cursor = pg.InfiniteLine(angle=90, movable=False)
        self._cursor.hide()
        self.addItem(self._cursor, ignoreBounds=True)
        self.box.panned.connect(self._pan)
        self.box.zoomed.connect(self._zoom)
        self.box.stretched.connect(self._stretch)
        self.box.raised.connect(self._raise)
        self.box.reset.connect(self.reset_values)
        self.box.asked_for_menu.connect(self.asked_for_menu)
        self.scene().sigMouseMoved.connect(self._point)

    def set_shows_time(self, shows_time: bool) -> None:
        """Whether times stand below it."""
        self.times.setStyle(showValues=shows_time)
        self.times.setHeight(TIMES_HEIGHT if shows_time else 3)
        self.setMinimumHeight(LEAST_HEIGHT + (TIMES_HEIGHT if shows_time else 0))

    def put_on(self, look: Look) -> None:
        """Take the colours."""
        self.caption.adjustSize()
        self.setBackground(QColor(look.paper))
        for axis in (self.values, self.times):
            axis.setPen(pen(look.rule))
            axis.setTextPen(pen(look.faint))
        self._cursor.setPen(pen(look.faint, Qt.PenStyle.DotLine))

    def set_caption(self, text: str) -> None:
        """What is drawn, with its unit."""
        if text != self.caption.text():
            self.caption.setText(text)
            self.caption.adjustSize()

    def set_cursor(self, time_s: float | None) -> None:
        """Where the mouse is, in whichever plot."""
        self._cursor.setVisible(time_s is not None)
        if time_s is not None:
            self._cursor.setPos(time_s)

    def show_range(self, low: float, high: float) -> None:
        """Set the range of the values, if nobody has chosen one by hand."""
        if not self.is_by_hand and (low, high) != self.shown:
            self.shown, self.values.has_range = (low, high), True
            self.box.setYRange(low, high, padding=0)

    def show_time(self) -> None:
        """Show the common stretch of time."""
        self.box.setXRange(self.view.start_s, self.view.end_s, padding=0)

    def reset_values(self) -> None:
        """Choose the range of the values by the data again."""
        self.is_by_hand, self.shown = False, None
        self.moved.emit()

    def leaveEvent(self, event: object) -> None:
        """The mouse has left."""
        self.pointed.emit(None)
        super().leaveEvent(event)

    def keyPressEvent(self, event: object) -> None:
        """Arrows move the time, plus and minus zoom it."""
        key = event.key()  # type: ignore[attr-defined]
        step_s = 0.1 * self.view.span_s
        if key == Qt.Key.Key_Left:
            self._pan(-step_s)
        elif key == Qt.Key.Key_Right:
            self._pan(step_s)
        elif key in (Qt.Key.Key_Plus, Qt.Key.Key_Minus):
            factor = ZOOM_PER_STEP if key == Qt.Key.Key_Minus else 1.0 / ZOOM_PER_STEP
            self._zoom(factor, 0.5 * (self.view.start_s + self.view.end_s))
        else:
            super().keyPressEvent(event)

    def _point(self, position: QPointF) -> None:
        self.pointed.emit(float(self.box.mapSceneToView(position).x()))

    def _pan(self, by_s: float) -> None:
        self.view.show(self.view.start_s + by_s, self.view.end_s + by_s)
        self.moved.emit()

    def _zoom(self, factor: float, around_s: float) -> None:
        self.view.zoom(factor, around_s)
        self.moved.emit()

    def _stretch(self, factor: float) -> None:
        if self.shown is not None:
            low, high = self.shown
            middle, half = 0.5 * (low + high), 0.5 * factor * (high - low)
            self._show_by_hand(middle - half, middle + half)

    def _raise(self, by: float) -> None:
        if self.shown is not None:
            self._show_by_hand(self.shown[0] + by, self.shown[1] + by)

    def _show_by_hand(self, low: float, high: float) -> None:
        self.is_by_hand, self.shown = True, (low, high)
        self.box.setYRange(low, high, padding=0)
        self.moved.emit()
