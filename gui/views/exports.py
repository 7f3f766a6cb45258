"""The menu of a plot: copy its values, save its picture or its values."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pyqtgraph as pg
from PySide6.QtCore import QObject, QRect, QRectF, QSize, Signal
from PySide6.QtGui import QGuiApplication, QImage, QPainter
from PySide6.QtSvg import QSvgGenerator
from PySide6.QtWidgets import QFileDialog, QMenu, QWidget

PICTURE_SCALE = 2  # pixels of a PNG for each one on the screen


def save_png(plot: pg.PlotWidget, path: Path) -> None:
    """The plot as it is on the screen, at twice its resolution."""
    picture = QImage(plot.size() * PICTURE_SCALE, QImage.Format.Format_RGB32)
    picture.setDevicePixelRatio(PICTURE_SCALE)
    picture.fill(plot.backgroundBrush().color())
    painter = QPainter(picture)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    plot.render(painter, QRectF(0, 0, plot.width(), plot.height()))
    painter.end()
    picture.save(str(path))


def save_svg(plot: pg.PlotWidget, path: Path) -> None:
    """The plot as it is on the screen, as lines."""
    generator = QSvgGenerator()
    generator.setFileName(str(path))
    generator.setSize(plot.size())
    generator.setViewBox(QRect(0, 0, plot.width(), plot.height()))
    generator.setTitle(str(plot.accessibleName()))
    painter = QPainter(generator)
    painter.fillRect(QRect(0, 0, plot.width(), plot.height()), plot.backgroundBrush())
    plot.render(painter)
    painter.end()


class PlotMenu(QObject):
    """What the right button offers on any plot.

    Parameters
    ----------
    window : QWidget
        To which the menu belongs.
    text_at_cursor, visible_values : callable
        The values as text; the latter is given the separator.
    """

    saved = Signal(str)

    def __init__(
        self,
        window: QWidget,
        text_at_cursor: Callable[[], str],
        visible_values: Callable[[str], str],
    ) -> None:
        super().__init__(window)
        self._window = window
        self._text_at_cursor, self._visible_values = text_at_cursor, visible_values
        self._dialog: QFileDialog | None = None

    def open(self, plot: pg.PlotWidget, position: object) -> QMenu:
        """Show the menu of a plot."""
        menu = QMenu(self._window)
        menu.addAction("Copy values under the cursor", self.copy_cursor)
        menu.addAction("Copy visible values", self.copy_visible)
        menu.addSeparator()
        menu.addAction("Save as PNG…", lambda: self._ask(plot, "png"))
        menu.addAction("Save as SVG…", lambda: self._ask(plot, "svg"))
        menu.addAction("Save visible values as CSV…", lambda: self._ask(plot, "csv"))
        menu.popup(QRect(position.toPoint(), QSize(1, 1)).topLeft())  # type: ignore[attr-defined]
        return menu

    def copy_cursor(self) -> None:
        """The values under the cursor, as a line of words."""
        QGuiApplication.clipboard().setText(self._text_at_cursor())

    def copy_visible(self) -> None:
        """All that the stretch of time holds, parted by tabs, for a table."""
        QGuiApplication.clipboard().setText(self._visible_values("\t"))

    def save(self, plot: pg.PlotWidget, path: Path) -> None:
        """Save a plot by the ending of the file's name."""
        try:
            if path.suffix == ".csv":
                path.write_text(self._visible_values(","), encoding="utf-8")
            elif path.suffix == ".svg":
                save_svg(plot, path)
            else:
                save_png(plot, path)
        except OSError as error:
            self.saved.emit(f"{path}: cannot be written: {error.strerror}")
            return
        is_there = path.is_file()
        self.saved.emit(f"saved {path}" if is_there else f"{path}: cannot be written")

    def _ask(self, plot: pg.PlotWidget, kind: str) -> None:
        name = f"{plot.accessibleName().replace(' ', '_').replace(':', '')}.{kind}"
        dialog = QFileDialog(self._window, "Save", str(Path.cwd()), f"*.{kind}")
        dialog.setOption(QFileDialog.Option.DontUseNativeDialog)
        dialog.setAcceptMode(QFileDialog.AcceptMode.AcceptSave)
        dialog.setDefaultSuffix(kind)
        dialog.selectFile(name)
        dialog.setModal(False)
        dialog.fileSelected.connect(lambda chosen: self.save(plot, Path(chosen)))
        self._dialog = dialog
        dialog.show()
