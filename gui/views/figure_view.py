"""A figure from a file, as large as there is room."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import QRectF
from PySide6.QtGui import QColor, QPainter, QPaintEvent
from PySide6.QtSvg import QSvgRenderer
from PySide6.QtWidgets import QWidget

PAPER = "#ffffff"  # figures are drawn for paper


class FigureView(QWidget):
    """Hidden where there is no figure."""

    def __init__(self) -> None:
        super().__init__()
        self._renderer: QSvgRenderer | None = None
        self.setMinimumHeight(120)
        self.setAccessibleName("figure")
        self.hide()

    def show_file(self, path: Path) -> None:
        """Show an SVG file, if it is one and on this machine."""
        renderer = QSvgRenderer(str(path)) if path.is_file() else None
        self._renderer = renderer if renderer is not None and renderer.isValid() else None
        self.setVisible(self._renderer is not None)
        self.setToolTip(str(path))
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw it, its proportions kept."""
        if self._renderer is None:
            return
        size = self._renderer.defaultSize()
        scale = min(self.width() / size.width(), self.height() / size.height())
        width, height = scale * size.width(), scale * size.height()
        area = QRectF((self.width() - width) / 2, (self.height() - height) / 2, width, height)
        painter = QPainter(self)
        painter.fillRect(area, QColor(PAPER))
        self._renderer.render(painter, area)
