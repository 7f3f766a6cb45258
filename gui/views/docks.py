"""The panels beside the plots: docked in one column or two, as they were left the last time."""

from __future__ import annotations

from collections.abc import Mapping

from PySide6.QtCore import QByteArray, Qt, QTimer
from PySide6.QtWidgets import QDockWidget, QMainWindow, QTabBar, QWidget

WIDE = 1900  # pixels from which there is room for two columns
NARROW_DOCK, PUMP_HEIGHT = 390, 190
LEAST_WIDTH = 330
WIDE_COLUMNS, WIDE_ROWS = (480, 560), (480, 540, 320)  # pixels
LAYOUT_VERSION = 1  # raised when docks are added, so that an old layout is not put on


class Docks:
    """The docks of a window by name; hidden while nothing is open.

    Parameters
    ----------
    window : QMainWindow
        To which they belong.
    panels : mapping of str to QWidget
        Five by name: pump, protocol, trust, results, events.
    """

    def __init__(self, window: QMainWindow, panels: Mapping[str, QWidget]) -> None:
        self._window = window
        self._left_as = QByteArray()  # the layout, while they are hidden
        self._is_shown = False
        self.by_name: dict[str, QDockWidget] = {}
        for name, panel in panels.items():
            dock = QDockWidget(name, window)
            dock.setObjectName(name)
            dock.setWidget(panel)
            dock.setMinimumWidth(LEAST_WIDTH)
            self.by_name[name] = dock

    def __getitem__(self, name: str) -> QDockWidget:
        return self.by_name[name]

    @property
    def panels(self) -> list[QWidget]:
        """What they hold, in order."""
        return [dock.widget() for dock in self.by_name.values()]

    @property
    def layout(self) -> QByteArray:
        """How they lie now, or lay when they were hidden."""
        return self._window.saveState(LAYOUT_VERSION) if self._is_shown else self._left_as

    def take_layout(self, layout: QByteArray) -> None:
        """Lie like this when they are shown next."""
        self._left_as = layout

    def lay_out(self) -> None:
        """The standard layout: one column, or two where the window is wide."""
        window = self._window
        pump, protocol, trust, results, events = self.by_name.values()
        for dock in self.by_name.values():
            window.removeDockWidget(dock)  # hidden: on top of each other they need more room
            dock.setFloating(False)
            window.addDockWidget(Qt.DockWidgetArea.RightDockWidgetArea, dock)
        is_wide = window.width() >= WIDE
        if is_wide:
            window.splitDockWidget(pump, trust, Qt.Orientation.Horizontal)
            window.splitDockWidget(pump, protocol, Qt.Orientation.Vertical)
            window.splitDockWidget(trust, results, Qt.Orientation.Vertical)
            window.splitDockWidget(results, events, Qt.Orientation.Vertical)
        else:
            window.splitDockWidget(pump, protocol, Qt.Orientation.Vertical)
            for dock in (trust, results, events):
                window.tabifyDockWidget(protocol, dock)
        for dock in self.by_name.values():
            dock.show()
        protocol.raise_()
        if is_wide:
            window.resizeDocks([pump, trust], WIDE_COLUMNS, Qt.Orientation.Horizontal)
            window.resizeDocks([trust, results, events], WIDE_ROWS, Qt.Orientation.Vertical)
        else:
            window.resizeDocks([pump], [NARROW_DOCK], Qt.Orientation.Horizontal)

    def show(self) -> None:
        """As they were left."""
        if self._is_shown:
            return
        self._is_shown = True
        if not self._window.restoreState(self._left_as, LAYOUT_VERSION):
            self.lay_out()
            QTimer.singleShot(0, self._share_height)
        QTimer.singleShot(0, self._name_tabs)

    def hide(self) -> None:
        """Until they are shown again."""
        if self._is_shown:
            self._left_as = self.layout
        self._is_shown = False
        for dock in self.by_name.values():
            dock.hide()

    def is_in_sight(self, name: str) -> bool:
        """Whether a dock is not behind another one."""
        return not self.by_name[name].visibleRegion().isEmpty()

    def _share_height(self) -> None:
        """The docks can be given their heights only once they are to be seen."""
        pump, protocol, *_ = self.by_name.values()
        heights = [PUMP_HEIGHT, self._window.height() - PUMP_HEIGHT]
        self._window.resizeDocks([pump, protocol], heights, Qt.Orientation.Vertical)

    def _name_tabs(self) -> None:
        """The window makes its tab bars only when it lays its docks out."""
        for bar in self._window.findChildren(QTabBar):
            bar.setAccessibleName("panels")
