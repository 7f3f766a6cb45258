"""The list of events, searchable."""

from __future__ import annotations

from PySide6.QtCore import QAbstractTableModel, QModelIndex, QPersistentModelIndex, Qt, Signal
from PySide6.QtWidgets import QHeaderView, QLabel, QLineEdit, QTableView, QVBoxLayout, QWidget

from gui.models.events import EventLine, EventList
from gui.models.present import Present
from gui.models.wording import clock_text

HEADINGS = ("time", "of", "what", "reason")
COLUMN_WIDTHS = (70, 64, 116)  # pixels, of all but the last; "interlock_closed" fits
ROW_HEIGHT = 36  # pixels: two lines of a reason
_ROOT = QModelIndex()
AnyIndex = QModelIndex | QPersistentModelIndex


class EventTable(QAbstractTableModel):
    """Events as a table, the newest at the top."""

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[EventLine] = []

    def show(self, lines: list[EventLine]) -> None:
        """Show these, given in order."""
        self.beginResetModel()
        self.lines = lines[::-1]
        self.endResetModel()

    def add(self, lines: list[EventLine]) -> None:
        """Put newer ones on top."""
        if lines:
            self.beginInsertRows(_ROOT, 0, len(lines) - 1)
            self.lines[:0] = lines[::-1]
            self.endInsertRows()

    def rowCount(self, parent: AnyIndex = _ROOT) -> int:
        """Number of events."""
        return 0 if parent.isValid() else len(self.lines)

    def columnCount(self, parent: AnyIndex = _ROOT) -> int:
        """Number of columns."""
        return len(HEADINGS)

    def headerData(self, section: int, orientation: Qt.Orientation, role: int = 0) -> object:
        """Headings."""
        if role == Qt.ItemDataRole.DisplayRole and orientation == Qt.Orientation.Horizontal:
            return HEADINGS[section]
        return None

    def data(self, index: AnyIndex, role: int = 0) -> object:
        """What stands in a cell."""
        line = self.lines[index.row()]
        if role == Qt.ItemDataRole.DisplayRole:
            return (clock_text(line.time_s, 1), line.source, line.kind, line.text)[index.column()]
        if role == Qt.ItemDataRole.ToolTipRole:
            return line.text
        return None


class EventPanel(QWidget):
    """A line to search by, and the events in which all its words occur."""

    chosen = Signal(float)  # time of an event that is to be looked at [s]

    def __init__(self) -> None:
        super().__init__()
        self._events = EventList()
        self._shown_to = 0
        self.search = QLineEdit()
        self.search.setPlaceholderText("Search the events: all words must occur")
        self.search.setAccessibleName("search the events")
        self.search.setClearButtonEnabled(True)
        self.search.textChanged.connect(lambda _: self._show_all())
        self.table = EventTable()
        self.list = QTableView()
        self.list.setModel(self.table)
        self.list.setAccessibleName("events")
        self.list.setSelectionBehavior(QTableView.SelectionBehavior.SelectRows)
        self.list.setAlternatingRowColors(True)
        self.list.setShowGrid(False)
        self.list.setWordWrap(True)
        self.list.setTabKeyNavigation(False)
        self.list.verticalHeader().hide()
        self.list.verticalHeader().setDefaultSectionSize(ROW_HEIGHT)
        header = self.list.horizontalHeader()
        header.setStretchLastSection(True)
        header.setDefaultAlignment(Qt.AlignmentFlag.AlignLeft)
        header.setSectionResizeMode(QHeaderView.ResizeMode.Interactive)
        for column, width in enumerate(COLUMN_WIDTHS):
            header.resizeSection(column, width)
        self.list.activated.connect(self._choose)
        self.list.selectionModel().currentChanged.connect(self._tell)
        self.told = QLabel("")
        self.told.setTextFormat(Qt.TextFormat.PlainText)
        self.told.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.told.setWordWrap(True)
        self.told.setAccessibleName("the chosen event in full")
        self.told.hide()
        layout = QVBoxLayout(self)
        layout.setContentsMargins(8, 6, 8, 6)
        layout.addWidget(self.search)
        layout.addWidget(self.list, 1)
        layout.addWidget(self.told)

    def show_source(self, present: Present) -> None:
        """The events of another source."""
        self._events = present.events
        self._show_all()

    def show_news(self) -> None:
        """Those that have come since."""
        words = self.search.text().casefold().split()
        news = self._events.since(self._shown_to)
        if news and news[0].number != self._shown_to + 1:
            self._show_all()
            return
        self._shown_to = self._events.count
        self.table.add([line for line in news if line.has_all(words)])

    def _show_all(self) -> None:
        self._shown_to = self._events.count
        self.table.show(self._events.matching(self.search.text()))

    def _tell(self, index: QModelIndex) -> None:
        """The chosen event in full: its reason may be longer than the column."""
        self.told.setVisible(index.isValid())
        if index.isValid():
            line = self.table.lines[index.row()]
            self.told.setText(
                f"{clock_text(line.time_s, 1)}  {line.source}  {line.kind}: {line.text}"
            )

    def _choose(self, index: QModelIndex) -> None:
        self.chosen.emit(self.table.lines[index.row()].time_s)
