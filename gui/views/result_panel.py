"""Results and figures of the analyses, as they come."""

from __future__ import annotations

from pathlib import Path
from textwrap import fill

from PySide6.QtCore import Qt, QUrl
from PySide6.QtGui import QDesktopServices, QGuiApplication, QKeySequence, QShortcut
from PySide6.QtWidgets import QHeaderView, QTreeWidget, QTreeWidgetItem, QVBoxLayout, QWidget

from gui.models.present import Present
from gui.models.results import ResultLine, result_lines
from gui.views.figure_view import FigureView

HOW_IT_WENT = "protocol"  # begins the names of results that tell no more than that
FILE_ROLE = Qt.ItemDataRole.UserRole
# Characters, such that a narrow dock has room for them; a tree wraps no words by itself.
LONGEST_NAME, LONGEST_LINE = 26, 46
LONGEST_VALUE = 24  # what is longer gets lines of its own


class ResultPanel(QWidget):
    """A tree of numbers; the figure of what is chosen stands below it."""

    def __init__(self) -> None:
        super().__init__()
        self.tree = QTreeWidget()
        self.tree.setHeaderLabels(["quantity", "value", "one sigma"])
        self.tree.setAccessibleName("results")
        self.tree.setAlternatingRowColors(True)
        self.tree.setIndentation(12)
        self.tree.setSelectionMode(QTreeWidget.SelectionMode.ExtendedSelection)
        header = self.tree.header()
        header.setStretchLastSection(False)
        header.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        header.setSectionResizeMode(0, QHeaderView.ResizeMode.Stretch)
        self.tree.currentItemChanged.connect(self._show_figure)
        self.tree.itemActivated.connect(self._open_file)
        copy = QShortcut(QKeySequence(QKeySequence.StandardKey.Copy), self.tree, self.copy)
        copy.setContext(Qt.ShortcutContext.WidgetShortcut)
        self.figure = FigureView()
        layout = QVBoxLayout(self)
        layout.setContentsMargins(8, 6, 8, 6)
        layout.addWidget(self.tree, 1)
        layout.addWidget(self.figure, 1)
        self._shown: list[str] = []
        self._texts: dict[tuple[str, str], str] = {}

    def show_results(self, present: Present) -> None:
        """All results; the newest one opened."""
        before, self._shown = self._shown, list(present.results)
        self.tree.clear()
        self._texts = {}
        if not present.results:
            self.figure.hide()
        for name, entry in present.results.items():
            top = QTreeWidgetItem([name.replace("_", " ")])
            self.tree.addTopLevelItem(top)
            top.setFirstColumnSpanned(True)
            for line in result_lines(entry.result):
                self._add(top, line)
                self._texts[name, line.name] = f"{line.value} {line.sigma}".strip()
            for file in entry.files:
                item = QTreeWidgetItem(top, [Path(file).name, "figure", ""])
                item.setData(0, FILE_ROLE, file)
                item.setToolTip(0, f"{file}, on the service's machine")
            top.setExpanded(not name.startswith(HOW_IT_WENT))
            if entry.files and name not in before:
                self.figure.show_file(Path(entry.files[0]))

    @staticmethod
    def _add(top: QTreeWidgetItem, line: ResultLine) -> None:
        """A line of numbers, or of words that take the whole width."""
        if len(line.value) > LONGEST_VALUE:
            item = QTreeWidgetItem(top, [fill(f"{line.name}: {line.value}", LONGEST_LINE)])
            item.setFirstColumnSpanned(True)
        else:
            item = QTreeWidgetItem(top, [fill(line.name, LONGEST_NAME), line.value, line.sigma])
        for column in range(3):
            item.setToolTip(column, f"{line.name}: {line.value} {line.sigma}".strip())

    def text_of(self, name: str, quantity: str) -> str:
        """What is shown for a quantity of a result; empty: nothing."""
        return self._texts.get((name, quantity), "")

    def copy(self) -> None:
        """The chosen lines as they are shown, parted by tabs, for a table."""
        lines = ("\t".join(item.text(n) for n in range(3)) for item in self.tree.selectedItems())
        texts = (line.rstrip("\t").replace("\n", " ") for line in lines)
        QGuiApplication.clipboard().setText("\n".join(texts))

    def _show_figure(self, item: QTreeWidgetItem | None) -> None:
        if item is not None and item.data(0, FILE_ROLE):
            self.figure.show_file(Path(item.data(0, FILE_ROLE)))

    def _open_file(self, item: QTreeWidgetItem) -> None:
        file = item.data(0, FILE_ROLE)
        if file and Path(file).is_file():
            QDesktopServices.openUrl(QUrl.fromLocalFile(file))
