"""A narrow strip of states along the time, with marks where something happened."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from PySide6.QtCore import QEvent, QPointF, QRectF
from PySide6.QtGui import QColor, QHelpEvent, QPainter, QPaintEvent, QPolygonF
from PySide6.QtWidgets import QSizePolicy, QToolTip, QWidget

from gui.look import LIGHT, Look, pen, state_brush
from gui.models.events import EventLine
from gui.models.time_view import TimeView
from gui.models.wording import clock_text
from gui.views.plots import AXIS_WIDTH

HEIGHT, MARK_HEIGHT = 17, 8
CATCH_PIXELS = 6


class Ribbon(QWidget):
    """States from left to right; hovering tells state and reason.

    Parameters
    ----------
    view : TimeView
        The stretch of time that all plots show.
    name : str
        Whose states.
    words : dict of str to str
        States in words.
    """

    def __init__(self, view: TimeView, name: str, words: dict[str, str]) -> None:
        super().__init__()
        self._view, self._words, self._look = view, words, LIGHT
        self._spans: list[tuple[str, float, float]] = []
        self._marks: list[EventLine] = []
        self.setFixedHeight(HEIGHT)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setAccessibleName(name)

    @property
    def marks(self) -> list[EventLine]:
        """What is marked now."""
        return list(self._marks)

    def put_on(self, look: Look) -> None:
        """Take the colours."""
        self._look = look
        self.update()

    def set_data(
        self,
        times_s: np.ndarray,
        ranks: np.ndarray,
        states: Sequence[str],
        marks: list[EventLine],
    ) -> None:
        """States by rank at the times, shape (n,), and the marks."""
        self._marks = marks
        self._spans = []
        if len(times_s):
            filled = np.nan_to_num(ranks, nan=-1.0).astype(int)
            changes = np.flatnonzero(np.diff(filled, prepend=-2))
            ends_s = np.append(times_s[changes[1:]], times_s[-1])
            self._spans = [
                (str(states[filled[change]]), float(times_s[change]), float(end_s))
                for change, end_s in zip(changes, ends_s, strict=True)
                if filled[change] >= 0
            ]
        self.update()

    def _x(self, time_s: float) -> float:
        width = self.width() - AXIS_WIDTH
        share = (time_s - self._view.start_s) / self._view.span_s
        return AXIS_WIDTH + min(max(share, 0.0), 1.0) * width

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw states below, marks above."""
        painter = QPainter(self)
        height = HEIGHT - MARK_HEIGHT - 1
        for state, start_s, end_s in self._spans:
            left, right = self._x(start_s), self._x(end_s)
            area = QRectF(left, MARK_HEIGHT, max(right - left, 1.0), height)
            painter.fillRect(area, state_brush(self._look, state))
            painter.setPen(pen(self._look.paper))
            painter.drawLine(QPointF(left, MARK_HEIGHT), QPointF(left, HEIGHT))
        painter.setPen(pen(self._look.ink))
        painter.setBrush(QColor(self._look.ink))
        for mark in self._marks:
            x = self._x(mark.time_s)
            painter.drawPolygon(
                QPolygonF([QPointF(x - 3, 0), QPointF(x + 3, 0), QPointF(x, MARK_HEIGHT - 2)])
            )

    def described(self, x: float) -> str:
        """What there is at a place: the reasons marked there, or the state."""
        near = [m for m in self._marks if abs(self._x(m.time_s) - x) <= CATCH_PIXELS]
        if near:
            return "\n".join(f"{clock_text(m.time_s, 1)}  {m.text}" for m in near[-8:])
        for state, start_s, end_s in self._spans:
            if self._x(start_s) <= x <= self._x(end_s):
                return self._words[state]
        return ""

    def event(self, event: QEvent) -> bool:
        """Hovering tells what there is."""
        if isinstance(event, QHelpEvent):
            QToolTip.showText(event.globalPos(), self.described(event.pos().x()), self)
            return True
        return super().event(event)
