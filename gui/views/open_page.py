"""What is shown while nothing is open: rehearse, connect, or look at a finished run."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QFileDialog,
    QFormLayout,
    QFrame,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QSpinBox,
    QVBoxLayout,
    QWidget,
)

from gui.models.log_source import LOG_NAME
from gui.session import Address
from gui.views.buttons import button

RUNS = Path("runs")
MOST_RUNS = 50
CARD_HEIGHT = 480  # at most
EASIEST = "quiet_room"  # chosen beforehand
NAME_ROLE = Qt.ItemDataRole.UserRole


def _card(heading: str, explanation: str) -> tuple[QFrame, QVBoxLayout]:
    card = QFrame()
    card.setProperty("role", "card")
    card.setMaximumHeight(CARD_HEIGHT)
    layout = QVBoxLayout(card)
    layout.setContentsMargins(14, 12, 14, 12)
    layout.setSpacing(8)
    title, text = QLabel(heading), QLabel(explanation)
    title.setProperty("role", "heading")
    text.setWordWrap(True)
    text.setProperty("role", "faint")
    layout.addWidget(title)
    layout.addWidget(text)
    return card, layout


class OpenPage(QWidget):
    """Three ways to begin.

    Parameters
    ----------
    scenarios : mapping of str to str
        Titles by name, of what can be rehearsed.
    who : str
        What the log calls whoever sits here.
    """

    rehearse_asked = Signal(str)
    connect_asked = Signal(object, str)  # Address, who
    log_asked = Signal(object)  # Path

    def __init__(self, scenarios: Mapping[str, str], who: str) -> None:
        super().__init__()
        self.message = QLabel("")
        self.message.setProperty("role", "complaint")
        self.message.setWordWrap(True)
        self.message.setTextFormat(Qt.TextFormat.PlainText)
        self._dialog: QFileDialog | None = None
        grid = QGridLayout(self)
        grid.setContentsMargins(24, 20, 24, 20)
        grid.setSpacing(16)
        title = QLabel("Keep the pump on the difference")
        font = title.font()
        font.setPointSizeF(1.6 * font.pointSizeF())
        title.setFont(font)
        grid.addWidget(title, 0, 0, 1, 3)
        grid.addWidget(self._rehearse_card(scenarios), 1, 0)
        grid.addWidget(self._connect_card(who), 1, 1)
        grid.addWidget(self._log_card(), 1, 2)
        grid.addWidget(self.message, 2, 0, 1, 3)
        grid.setRowStretch(1, 4)
        grid.setRowStretch(3, 1)
        for column in range(3):
            grid.setColumnStretch(column, 1)

    def _rehearse_card(self, scenarios: Mapping[str, str]) -> QFrame:
        card, layout = _card(
            "Rehearse",
            "On a simulated membrane, in real time. Nothing is energised; everything else is as "
            "on the instrument. Begin here.",
        )
        self.scenarios = QListWidget()
        self.scenarios.setAccessibleName("scenarios")
        for name, scenario_title in scenarios.items():
            item = QListWidgetItem(f"{name}: {scenario_title}")
            item.setData(NAME_ROLE, name)
            self.scenarios.addItem(item)
            if name == EASIEST or self.scenarios.count() == 1:
                self.scenarios.setCurrentItem(item)
        self.scenarios.itemActivated.connect(lambda _: self._rehearse())
        self.rehearse = button("&Rehearse", "Start a service on the simulator, and open it")
        self.rehearse.clicked.connect(self._rehearse)
        layout.addWidget(self.scenarios, 1)
        layout.addWidget(self.rehearse)
        return card

    def _connect_card(self, who: str) -> QFrame:
        card, layout = _card(
            "Connect",
            "To a service that difftone serve has started, here or on another machine; from "
            "another machine with a key.",
        )
        self.host = QLineEdit("127.0.0.1")
        self.command_port, self.telemetry_port = QSpinBox(), QSpinBox()
        for box, port in ((self.command_port, 8462), (self.telemetry_port, 8463)):
            box.setRange(1, 65535)
            box.setValue(port)
            box.setGroupSeparatorShown(False)
        self.keys = QLineEdit()
        self.keys.setPlaceholderText("none, on this machine")
        self.who = QLineEdit(who)
        self.who.setMaxLength(40)
        find_keys = button("…", "Choose the file of the client's key")
        find_keys.setAccessibleName("choose the key file")
        find_keys.setMaximumWidth(36)
        find_keys.clicked.connect(self._find_keys)
        key_line = QHBoxLayout()
        key_line.addWidget(self.keys, 1)
        key_line.addWidget(find_keys)
        form = QFormLayout()
        form.addRow("&Address", self.host)
        form.addRow("&Commands, port", self.command_port)
        form.addRow("&Telemetry, port", self.telemetry_port)
        key_label = QLabel("&Key file")
        key_label.setBuddy(self.keys)
        form.addRow(key_label, key_line)
        form.addRow("Your &name", self.who)
        self.connect_button = button("C&onnect", "Open the service")
        self.connect_button.clicked.connect(self._connect)
        layout.addLayout(form)
        layout.addStretch()
        layout.addWidget(self.connect_button)
        return card

    def _log_card(self) -> QFrame:
        card, layout = _card(
            "Look at a finished run",
            "Everything that was recorded, from the log in the folder of the run.",
        )
        self.runs = QListWidget()
        self.runs.setAccessibleName("runs")
        self.runs.itemActivated.connect(lambda _: self._open_log())
        self.open_log = button("&Browse", "Open the run that is chosen")
        self.open_log.clicked.connect(self._open_log)
        find = button("&Elsewhere…", "Choose the log of another run")
        find.clicked.connect(self._find_log)
        layout.addWidget(self.runs, 1)
        line = QHBoxLayout()
        line.addWidget(self.open_log, 1)
        line.addWidget(find)
        layout.addLayout(line)
        return card

    def list_runs(self, folder: Path = RUNS) -> None:
        """The runs in a folder, the newest first."""
        self.runs.clear()
        logs = sorted(
            folder.glob(f"*/{LOG_NAME}"), key=lambda log: log.stat().st_mtime, reverse=True
        )
        for log in logs[:MOST_RUNS]:
            item = QListWidgetItem(log.parent.name)
            item.setData(NAME_ROLE, str(log.parent))
            item.setToolTip(str(log.parent.resolve()))
            self.runs.addItem(item)
        self.runs.setCurrentRow(0)
        self.open_log.setEnabled(bool(logs))
        self.open_log.setToolTip(
            "Open the run that is chosen" if logs else f"Not now: there are no runs in {folder}"
        )

    def complain(self, text: str) -> None:
        """Say why nothing was opened."""
        self.message.setText(text)

    def _rehearse(self) -> None:
        item = self.scenarios.currentItem()
        if item is not None:
            self.rehearse_asked.emit(item.data(NAME_ROLE))

    def _connect(self) -> None:
        keys = self.keys.text().strip()
        address = Address(
            host=self.host.text().strip() or "127.0.0.1",
            command_port=self.command_port.value(),
            telemetry_port=self.telemetry_port.value(),
            keys=Path(keys) if keys else None,
        )
        self.connect_asked.emit(address, self.who.text().strip() or "desk")

    def _open_log(self) -> None:
        item = self.runs.currentItem()
        if item is not None:
            self.log_asked.emit(Path(item.data(NAME_ROLE)))

    def _find_keys(self) -> None:
        self._find("The client's key", lambda name: self.keys.setText(name), "")

    def _find_log(self) -> None:
        self._find("A log", lambda name: self.log_asked.emit(Path(name)), "Logs (*.sqlite)")

    def _find(self, title: str, then: object, kinds: str) -> None:
        self._dialog = QFileDialog(self, title, str(Path.cwd()), kinds)
        self._dialog.setOption(QFileDialog.Option.DontUseNativeDialog)
        self._dialog.setModal(False)
        self._dialog.fileSelected.connect(then)
        self._dialog.show()
