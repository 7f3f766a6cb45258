"""Protocols: chosen, checked, started, followed and ended."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QFontDatabase
from PySide6.QtWidgets import (
    QComboBox,
    QFileDialog,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QPlainTextEdit,
    QProgressBar,
    QVBoxLayout,
    QWidget,
)

from gui.models.actions import Action, is_protocol_on
from gui.models.present import Origin, Present
from gui.models.wording import duration_text
from gui.views.buttons import button, tell
from gui.views.pump_panel import NumberBox

LARGEST_PARAMETER = 1.0e9
FINISHED = "A finished run: see Results and Events"
_STATE_WORDS = {
    "running": "is being carried out",
    "paused": "waits before its next step",
    "recovering": "finds the modes again, to repeat the step",
    "analysing": "is over; its data are being analysed",
    "done": "is done",
    "stopped": "was stopped",
    "failed": "has failed",
}


class ProtocolPanel(QWidget):
    """One protocol at a time: what it will do, and how far it is."""

    asked = Signal(object, object)  # Action, arguments
    question_asked = Signal(str, str, object)  # what will be set, what yes says, what it does
    check_asked = Signal(str, object)  # protocol, parameters

    def __init__(self) -> None:
        super().__init__()
        self._protocols: list[Mapping[str, Any]] = []
        self._parameters: dict[str, NumberBox] = {}
        self._file_text, self._file_name = "", ""
        self._asks_to_start = False
        self.choice = QComboBox()
        self.choice.setAccessibleName("protocol")
        self.from_file = button("From fi&le…", "A protocol of your own, from a TOML file")
        self._form = QFormLayout()
        self._form.setContentsMargins(0, 0, 0, 0)
        self.check = button("&Check", "What it would do: nothing is switched")
        self.start = button("Sta&rt…", "Carry it out; shows first what it will energise")
        self.pause = button("Pa&use", "Wait before the next step")
        self.resume = button("Resu&me", "Go on after a pause")
        self.skip = button("Sk&ip step", "End the present step at once")
        self.stop = button("Sto&p", "End the protocol; the pump goes off")
        self.status, self.step, self.left = QLabel("No protocol yet"), QLabel(""), QLabel("")
        self.left.setProperty("role", "faint")
        self.step.setWordWrap(True)
        self.progress = QProgressBar()
        self.progress.setRange(0, 1000)
        self.progress.setTextVisible(True)
        self.timeline = QPlainTextEdit()
        self.timeline.setReadOnly(True)
        self.timeline.setFont(QFontDatabase.systemFont(QFontDatabase.SystemFont.FixedFont))
        self.timeline.setLineWrapMode(QPlainTextEdit.LineWrapMode.NoWrap)
        self.timeline.setPlaceholderText("Check shows the steps and every output they energise.")
        self.timeline.setAccessibleName("timeline")
        self.timeline.setTabChangesFocus(True)
        self._dialog: QFileDialog | None = None
        self._lay_out()
        self._connect()

    def _lay_out(self) -> None:
        choose = QHBoxLayout()
        choose.addWidget(self.choice, 1)
        choose.addWidget(self.from_file)
        begin = QHBoxLayout()
        begin.addWidget(self.check)
        begin.addWidget(self.start)
        begin.addStretch()
        steer = QHBoxLayout()
        for pressed in (self.pause, self.resume, self.skip, self.stop):
            steer.addWidget(pressed)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(8, 6, 8, 6)
        layout.setSpacing(5)
        layout.addWidget(self.status)
        layout.addWidget(self.step)
        layout.addWidget(self.progress)
        layout.addWidget(self.left)
        layout.addLayout(steer)
        layout.addSpacing(6)
        layout.addLayout(choose)
        layout.addLayout(self._form)
        layout.addLayout(begin)
        layout.addWidget(self.timeline, 1)

    def _connect(self) -> None:
        self.choice.currentIndexChanged.connect(self._show_parameters)
        self.from_file.clicked.connect(self._choose_file)
        self.check.clicked.connect(self._check)
        self.start.clicked.connect(self._ask_to_start)
        for pressed, action in (
            (self.pause, Action.PAUSE_PROTOCOL),
            (self.resume, Action.RESUME_PROTOCOL),
            (self.skip, Action.SKIP_STEP),
            (self.stop, Action.STOP_PROTOCOL),
        ):
            pressed.clicked.connect(lambda _=False, action=action: self.asked.emit(action, ()))

    # -- choice ----------------------------------------------------------------------

    def show_protocols(self, protocols: Sequence[Mapping[str, Any]]) -> None:
        """The shipped ones: name, title and parameters."""
        chosen = self.choice.currentData()
        self._protocols = list(protocols)
        self.choice.blockSignals(True)
        self.choice.clear()
        for each in self._protocols:
            self.choice.addItem(f"{each['name']}: {each['title']}", each["name"])
        if self._file_text:
            self.choice.addItem(self._file_name, "")
        self.choice.blockSignals(False)
        self.choose(chosen if chosen is not None else "exchange")
        self._show_parameters()

    def choose(self, name: str) -> None:
        """Choose a protocol by its name."""
        place = self.choice.findData(name)
        if place >= 0:
            self.choice.setCurrentIndex(place)

    def take_file(self, path: Path) -> None:
        """A protocol from a file."""
        try:
            self._file_text = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            self.show_timeline(f"{path}: cannot be read: {error}", is_possible=False)
            return
        self._file_name = path.name
        self.show_protocols(self._protocols)
        self.choose("")

    @property
    def chosen(self) -> tuple[str, dict[str, float]]:
        """The protocol that is chosen, and the values of its parameters."""
        values = {name: box.value() for name, box in self._parameters.items()}
        name = self.choice.currentData()
        return (self._file_text, {}) if name == "" else (str(name or ""), values)

    def parameter(self, name: str) -> NumberBox:
        """Where the value of a parameter is typed."""
        return self._parameters[name]

    def _show_parameters(self) -> None:
        while self._form.rowCount():
            self._form.removeRow(0)
        self._parameters = {}
        name = self.choice.currentData()
        for each in self._protocols:
            if each["name"] != name:
                continue
            for parameter, value in each["parameters"].items():
                box = NumberBox(6, "", str(parameter))
                box.setSuffix("")
                box.setRange(-LARGEST_PARAMETER, LARGEST_PARAMETER)
                box.setValue(float(value))
                box.setToolTip(f"{value:g} unless changed")
                self._form.addRow(str(parameter), box)
                self._parameters[str(parameter)] = box
        # New widgets are the last that the tab key comes to, wherever they stand.
        line: list[QWidget] = [self.from_file, *self._parameters.values(), self.check]
        for before, after in pairwise(line):
            QWidget.setTabOrder(before, after)

    def _choose_file(self) -> None:
        # Not modal: nothing may stand before the mute button.
        self._dialog = QFileDialog(self, "A protocol", str(Path.cwd()), "Protocols (*.toml)")
        self._dialog.setModal(False)
        self._dialog.setOption(QFileDialog.Option.DontUseNativeDialog)
        self._dialog.fileSelected.connect(lambda name: self.take_file(Path(name)))
        self._dialog.show()

    # -- check and start ---------------------------------------------------------------

    def _check(self) -> None:
        self._asks_to_start = False
        self.check_asked.emit(*self.chosen)

    def _ask_to_start(self) -> None:
        self._asks_to_start = True
        self.check_asked.emit(*self.chosen)

    def show_timeline(self, text: str, *, is_possible: bool) -> None:
        """What the service answered to a check."""
        self.timeline.setPlainText(text)
        asks, self._asks_to_start = self._asks_to_start, False
        if not (asks and is_possible):
            return
        outputs = [line for line in text.splitlines() if line.startswith("output ")]
        protocol, parameters = self.chosen
        name = self.choice.currentText().partition(":")[0]
        self.question_asked.emit(
            f"Start {name}? It will energise:\n" + "\n".join(outputs or ["no output"]),
            f"Yes, start {name}",
            lambda: self.asked.emit(Action.START_PROTOCOL, (protocol, parameters)),
        )

    # -- how it goes -------------------------------------------------------------------

    def show_state(self, present: Present, hindrances: Mapping[Action, str]) -> None:
        """How far it is, and what can be done now."""
        for pressed, action in (
            (self.check, Action.CHECK_PROTOCOL),
            (self.start, Action.START_PROTOCOL),
            (self.pause, Action.PAUSE_PROTOCOL),
            (self.resume, Action.RESUME_PROTOCOL),
            (self.skip, Action.SKIP_STEP),
            (self.stop, Action.STOP_PROTOCOL),
        ):
            tell(pressed, hindrances[action])
        protocol = None if present.status is None else present.status.protocol
        self.progress.setVisible(protocol is not None)
        if protocol is None:
            is_over = present.origin is Origin.LOG
            self.status.setText(FINISHED if is_over else "No protocol yet")
            self.step.setText("")
            self.left.setText("")
            return
        self.status.setText(f"{protocol.name} {_STATE_WORDS[protocol.state]}")
        is_on = is_protocol_on(present.status)
        self.step.setText(protocol.step if is_on else protocol.reason)
        self.progress.setValue(round(1000 * protocol.progress))
        left = f"{duration_text(protocol.remaining_s)} left, by the plan" if is_on else ""
        if is_on and protocol.count:
            left = f"step {protocol.number} of {protocol.count}, {left}"
        self.left.setText(left)
        self.left.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
