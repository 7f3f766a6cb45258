"""The band at the top: how far the pump is from the difference, and in plain words."""

from __future__ import annotations

import math

from PySide6.QtCore import QPointF, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QPainter, QPaintEvent, QPolygonF
from PySide6.QtWidgets import (
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from gui.look import GLYPHS, LIGHT, Look, big_font, colour_of, pen
from gui.models.verdict import WITHIN, Level, Verdict
from gui.models.wording import UNKNOWN, quantity_text, widths_text
from gui.views.elided_label import ElidedLabel

GAUGE_HALF_WIDTHS = 1.5  # of the line, to either side
GAUGE_BEYOND = 1.3  # times a deliberate detuning, where that needs more room
MUTE_KEY = "F12"
WIDEST_SIGMA = "± 0.000   (999 mHz)"


class LineGauge(QWidget):
    """The line's shape to scale, with the pump where it is and the tenth that it should be in."""

    def __init__(self) -> None:
        super().__init__()
        self._look = LIGHT
        self._error: float | None = None
        self._sigma: float | None = None
        self._offset = 0.0
        self.setFixedSize(190, 66)
        self.setAccessibleName("pump on the line")

    def put_on(self, look: Look) -> None:
        """Take the colours."""
        self._look = look
        self.update()

    def show_verdict(self, verdict: Verdict) -> None:
        """Where the pump is on the line, if that is known, and where it is wanted."""
        error, sigma, offset = verdict.error_widths, verdict.sigma_widths, verdict.offset_widths
        if (error, sigma, offset) != (self._error, self._sigma, self._offset):
            self._error, self._sigma, self._offset = error, sigma, offset
            self.update()

    @property
    def half_widths(self) -> float:
        """What is shown of the line, to either side of it, in line widths."""
        return max(GAUGE_HALF_WIDTHS, GAUGE_BEYOND * abs(self._offset))

    def _x(self, widths: float) -> float:
        share = min(max(widths / self.half_widths, -1.0), 1.0)
        return 0.5 * self.width() * (1.0 + 0.97 * share)

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw line, tenth, pump and its uncertainty."""
        painter, look = QPainter(self), self._look
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        base, height = self.height() - 12.0, self.height() - 18.0
        left, right = self._x(self._offset - WITHIN), self._x(self._offset + WITHIN)
        tenth = QRectF(left, 2.0, max(right - left, 2.0), base - 2.0)
        painter.fillRect(tenth, QColor(look.line_inner))
        # The response in energy of a line one wide: 1 / (1 + (2 x)^2).
        steps = [self.half_widths * (n / 100.0 - 1.0) for n in range(201)]
        shape = [QPointF(self._x(x), base - height / (1.0 + 4.0 * x * x)) for x in steps]
        painter.setPen(pen(look.faint))
        painter.drawPolyline(QPolygonF(shape))
        painter.drawLine(QPointF(0, base), QPointF(self.width(), base))
        for widths in (-1.0, -0.5, 0.5, 1.0):
            x = self._x(widths)
            painter.drawLine(QPointF(x, base), QPointF(x, base + 3.0))
        if self._error is not None and math.isfinite(self._error):
            self._draw_pump(painter, self._offset + self._error, base)

    def _draw_pump(self, painter: QPainter, place: float, base: float) -> None:
        """A pointer with its uncertainty below the line, in line widths from the difference."""
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor(self._look.pump))
        sigma = self._sigma or 0.0
        left, right = self._x(place - sigma), self._x(place + sigma)
        painter.drawRect(QRectF(left, base + 4.0, max(right - left, 2.0), 4.0))
        x = self._x(place)
        painter.drawRect(QRectF(x - 1.0, 2.0, 2.0, base - 2.0))
        painter.drawPolygon(QPolygonF([QPointF(x - 5, 0), QPointF(x + 5, 0), QPointF(x, 8)]))


class VerdictBand(QWidget):
    """Gauge, number, sentence, who controls, and the button that mutes."""

    mute_asked = Signal()

    def __init__(self) -> None:
        super().__init__()
        self._look, self._colour = LIGHT, ""
        self.gauge = LineGauge()
        self.number = QLabel(UNKNOWN)
        self.number.setFont(big_font(self.number.font()))
        self.number.setMinimumWidth(self.number.fontMetrics().horizontalAdvance("0.000"))
        self.number.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        self.number.setAccessibleName("error in line widths")
        self.unit, self.sigma = QLabel("line widths away"), QLabel("")
        self.sigma.setProperty("role", "faint")
        self.sigma.setMinimumWidth(self.sigma.fontMetrics().horizontalAdvance(WIDEST_SIGMA))
        self.sentence, self.detail = ElidedLabel(), ElidedLabel()
        font = self.sentence.font()
        font.setPointSizeF(1.4 * font.pointSizeF())
        self.sentence.setFont(font)
        self.sentence.setAccessibleName("state")
        self.detail.setProperty("role", "faint")
        self.connection, self.control = QLabel(""), QLabel("")
        for label in (self.connection, self.control):
            label.setProperty("role", "faint")
            label.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        self.mute = QPushButton(f"MUTE  ({MUTE_KEY})")
        self.mute.setProperty("role", "mute")
        self.mute.setAccessibleName("mute the pump")
        self.mute.clicked.connect(self.mute_asked)
        self._lay_out()

    def _lay_out(self) -> None:
        units = QVBoxLayout()
        units.setSpacing(0)
        units.addStretch()
        units.addWidget(self.unit)
        units.addWidget(self.sigma)
        units.addStretch()
        words = QVBoxLayout()
        words.setSpacing(2)
        words.addStretch()
        words.addWidget(self.sentence)
        words.addWidget(self.detail)
        words.addStretch()
        who = QGridLayout()
        who.setVerticalSpacing(2)
        who.addWidget(self.connection, 0, 0)
        who.addWidget(self.control, 1, 0)
        layout = QHBoxLayout(self)
        layout.setContentsMargins(8, 4, 8, 4)
        layout.setSpacing(12)
        layout.addWidget(self.gauge)
        layout.addWidget(self.number)
        layout.addLayout(units)
        layout.addSpacing(8)
        layout.addLayout(words, 1)
        layout.addLayout(who)
        layout.addWidget(self.mute)

    def put_on(self, look: Look) -> None:
        """Take the colours."""
        self._look = look
        self.gauge.put_on(look)

    def show_verdict(self, verdict: Verdict, *, is_stale: bool) -> None:
        """Say it; what is stale looks stale."""
        level = Level.QUIET if is_stale else verdict.level
        colour = colour_of(self._look, level)
        self.gauge.show_verdict(verdict)
        self.unit.setText("" if verdict.error_widths is None else verdict.measure)
        self.number.setText(widths_text(verdict.error_widths))
        known = quantity_text(verdict.error_hz, "Hz", 2).replace("−", "")
        sigma = widths_text(verdict.sigma_widths)
        self.sigma.setText("" if verdict.error_hz is None else f"± {sigma}   ({known})")
        self.sentence.setText(f"{GLYPHS[level]}  {verdict.sentence}")
        self.detail.setText(verdict.detail)
        if colour != self._colour:
            self._colour = colour
            for label in (self.number, self.sentence):
                label.setStyleSheet(f"color: {colour}")
