"""A line of words that ends in an ellipsis where there is no room, and is told in full on hover."""

from __future__ import annotations

from PySide6.QtCore import QSize, Qt
from PySide6.QtGui import QPainter, QPaintEvent
from PySide6.QtWidgets import QLabel, QSizePolicy, QStyle, QStyleOption

LEAST_WIDTH = 60


class ElidedLabel(QLabel):
    """One line of plain text; `text` is always the whole."""

    def __init__(self) -> None:
        super().__init__("")
        self.setTextFormat(Qt.TextFormat.PlainText)
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)

    def minimumSizeHint(self) -> QSize:
        """A few letters."""
        return QSize(LEAST_WIDTH, super().minimumSizeHint().height())

    def setText(self, text: str) -> None:
        """Say it, and on hover as well."""
        if text != self.text():
            super().setText(text)
            self.setToolTip(text)

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw as much as there is room for."""
        painter, option = QPainter(self), QStyleOption()
        option.initFrom(self)
        area = self.contentsRect()
        shown = self.fontMetrics().elidedText(
            self.text(), Qt.TextElideMode.ElideRight, area.width()
        )
        style: QStyle = self.style()
        style.drawItemText(
            painter,
            area,
            int(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter),
            option.palette,
            self.isEnabled(),
            shown,
            self.foregroundRole(),
        )
