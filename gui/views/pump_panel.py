"""Acting on the pump: control, arm, mute's opposite, amplitude and detuning, marks and notes."""

from __future__ import annotations

import re
from collections.abc import Mapping

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QDoubleSpinBox,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QVBoxLayout,
    QWidget,
)

from gui.models.actions import READS_ONLY, Action
from gui.models.present import Present
from gui.models.wording import PUMP_WORDS, estimate_text, quantity_text
from gui.views.buttons import button, tell, tell_hindrance


class NumberBox(QDoubleSpinBox):
    """A number that takes a point in every country, and no wheel by mistake."""

    def __init__(self, decimals: int, suffix: str, name: str) -> None:
        super().__init__()
        self.setDecimals(decimals)
        self.setSuffix(f" {suffix}")
        self.setAccessibleName(name)
        self.setKeyboardTracking(False)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setButtonSymbols(QDoubleSpinBox.ButtonSymbols.NoButtons)
        self.setMinimumWidth(96)

    def valueFromText(self, text: str) -> float:
        """Comma or point."""
        found = re.search(r"[-+]?\d*[.,]?\d+(?:[eE][-+]?\d+)?", text.replace("−", "-"))
        return float(found.group().replace(",", ".")) if found else 0.0

    def textFromValue(self, value: float) -> str:
        """With a point, and no zeros that say nothing."""
        text = f"{value:.{self.decimals()}f}"
        return text.rstrip("0").rstrip(".") if "." in text else text

    def wheelEvent(self, event: object) -> None:
        """A value that goes to an output is not changed by the way."""
        event.ignore()  # type: ignore[attr-defined]


class PumpPanel(QWidget):
    """Everything that a person may do to the pump, and to who may do it."""

    asked = Signal(object, object)  # Action, arguments
    question_asked = Signal(str, str, object)  # what will be set, what yes says, what it does

    def __init__(self) -> None:
        super().__init__()
        self._present = Present()
        self.take_control = button("&Take control", "Ask for the right to change things")
        self.give_up = button("&Give up", "Give control back")
        self.hand_over = button("Hand &over to", "Give control to another client, by its name")
        self.successor = QLineEdit()
        self.successor.setPlaceholderText("name")
        self.successor.setAccessibleName("who gets control")
        self.arm = button("&Arm…", "Let the pump come on when all is well; asks first")
        self.disarm = button("&Disarm", "Pump off, and not on again by itself")
        self.amplitude = NumberBox(6, "V", "pump amplitude")
        self.set_amplitude = button("&Set…", "Set the pump's amplitude; more of it asks first")
        self.offset = NumberBox(4, "mHz", "deliberate detuning of the pump")
        self.set_offset = button("S&et", "Detune the pump on purpose")
        self.set_amplitude.setAccessibleName("set the pump amplitude")
        self.set_offset.setAccessibleName("set the deliberate detuning")
        self.note_text = QLineEdit()
        self.note_text.setPlaceholderText("a note or a mark for the log")
        self.note_text.setAccessibleName("text of a note or mark")
        self.note_text.setMaxLength(500)
        self.note = button("&Note", "Write the line into the log")
        self.mark = button("Mar&k", "Write a mark into the log; a protocol may wait for it")
        self.reads_only = QLabel(f"Read only: {READS_ONLY}.")
        self.reads_only.setProperty("role", "heading")
        self.reads_only.hide()
        self.state, self.amplitude_now, self.offset_now = QLabel(""), QLabel(""), QLabel("")
        for label in (self.state, self.amplitude_now, self.offset_now):
            label.setProperty("role", "faint")
        self._lay_out()
        self._connect()

    def _lay_out(self) -> None:
        control = QHBoxLayout()
        for widget in (self.take_control, self.give_up, self.hand_over):
            control.addWidget(widget)
        control.addWidget(self.successor, 1)
        switch = QHBoxLayout()
        switch.addWidget(self.arm)
        switch.addWidget(self.disarm)
        switch.addWidget(self.state, 1)
        values = QGridLayout()
        values.setHorizontalSpacing(6)
        for row, (name, box, setter, now) in enumerate(
            (
                ("amplitude", self.amplitude, self.set_amplitude, self.amplitude_now),
                ("detuning", self.offset, self.set_offset, self.offset_now),
            )
        ):
            values.addWidget(QLabel(name), row, 0)
            values.addWidget(box, row, 1)
            values.addWidget(setter, row, 2)
            values.addWidget(now, row, 3)
        values.setColumnStretch(3, 1)
        notes = QHBoxLayout()
        notes.addWidget(self.note_text, 1)
        notes.addWidget(self.note)
        notes.addWidget(self.mark)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(8, 4, 8, 4)
        layout.setSpacing(5)
        layout.addWidget(self.reads_only)
        for part in (control, switch, values, notes):
            layout.addLayout(part)
        layout.addStretch()

    def _connect(self) -> None:
        for pressed, action in (
            (self.take_control, Action.TAKE_CONTROL),
            (self.give_up, Action.GIVE_UP_CONTROL),
            (self.disarm, Action.DISARM),
        ):
            pressed.clicked.connect(lambda _=False, action=action: self.asked.emit(action, ()))
        self.hand_over.clicked.connect(self._hand_over)
        self.successor.returnPressed.connect(self._hand_over)
        self.arm.clicked.connect(self._ask_to_arm)
        self.set_amplitude.clicked.connect(self._ask_for_amplitude)
        self.set_offset.clicked.connect(self._set_offset)
        self.note.clicked.connect(lambda: self._write(Action.NOTE))
        self.mark.clicked.connect(lambda: self._write(Action.MARK))
        self.note_text.returnPressed.connect(lambda: self._write(Action.NOTE))

    # -- what is asked ---------------------------------------------------------------

    def _hand_over(self) -> None:
        if self.successor.text().strip() and self.hand_over.isEnabled():
            self.asked.emit(Action.HAND_OVER, (self.successor.text().strip(),))

    def _ask_to_arm(self) -> None:
        present = self._present
        status, record = present.status, present.record
        amplitude = quantity_text(status.pump_amplitude if status else None, present.pump_unit)
        where = "the difference, as soon as it is known"
        if record is not None and record.difference_hz is not None:
            where = estimate_text(record.difference_hz, record.difference_sigma_hz)
        if status is not None and status.pump_offset_hz:
            where += f", detuned by {quantity_text(status.pump_offset_hz, 'Hz')}"
        self.question_asked.emit(
            f"Arm the pump? As soon as all is well it puts out {amplitude} at {where}.",
            "Yes, arm",
            lambda: self.asked.emit(Action.ARM, ()),
        )

    def _ask_for_amplitude(self) -> None:
        value, unit = self.amplitude.value(), self._present.pump_unit
        status = self._present.status
        now = status.pump_amplitude if status is not None else 0.0
        if value <= now:
            self.asked.emit(Action.PUMP_AMPLITUDE, (value,))
            return
        state = PUMP_WORDS[status.pump_state] if status is not None else "pump off"
        self.question_asked.emit(
            f"Raise the pump's amplitude from {quantity_text(now, unit)} to "
            f"{quantity_text(value, unit)}? Now: {state}.",
            f"Yes, set {quantity_text(value, unit)}",
            lambda: self.asked.emit(Action.PUMP_AMPLITUDE, (value,)),
        )

    def _set_offset(self) -> None:
        self.asked.emit(Action.PUMP_OFFSET, (1e-3 * self.offset.value(),))

    def _write(self, action: Action) -> None:
        text = self.note_text.text().strip()
        if text:
            self.asked.emit(action, (text,))
            self.note_text.clear()

    # -- what is shown ---------------------------------------------------------------

    def show_source(self, present: Present) -> None:
        """Another source: its limits and values."""
        self._present = present
        self.amplitude.setSuffix(f" {present.pump_unit}")
        limits, status = present.pump_limits, present.status
        if limits is not None:
            self.amplitude.setRange(0.0, limits.max_amplitude)
            largest_mhz = 1e3 * (limits.offset_limit_hz or 1.0)
            self.offset.setRange(-largest_mhz, largest_mhz)
        if status is not None:
            self.amplitude.setValue(status.pump_amplitude)
            self.offset.setValue(1e3 * status.pump_offset_hz)

    def show_state(self, present: Present, hindrances: Mapping[Action, str]) -> None:
        """What is now, and what can be done now."""
        self._present = present
        self.reads_only.setVisible(present.reads_only)
        for pressed, action in (
            (self.take_control, Action.TAKE_CONTROL),
            (self.give_up, Action.GIVE_UP_CONTROL),
            (self.hand_over, Action.HAND_OVER),
            (self.arm, Action.ARM),
            (self.disarm, Action.DISARM),
            (self.set_amplitude, Action.PUMP_AMPLITUDE),
            (self.set_offset, Action.PUMP_OFFSET),
            (self.note, Action.NOTE),
            (self.mark, Action.MARK),
        ):
            tell(pressed, hindrances[action])
        limits = present.pump_limits
        most = "" if limits is None else quantity_text(limits.max_amplitude, present.pump_unit)
        tell_hindrance(self.amplitude, hindrances[Action.PUMP_AMPLITUDE], f"at most {most}")
        tell_hindrance(self.offset, hindrances[Action.PUMP_OFFSET], "pump less difference")
        tell_hindrance(self.successor, hindrances[Action.HAND_OVER], "its name")
        status = present.status
        for label in (self.state, self.amplitude_now, self.offset_now):
            label.setEnabled(present.is_reachable)  # pale: what was, not what is
            if status is None:
                label.clear()
        if status is None:
            return
        self.state.setText(PUMP_WORDS[status.pump_state])
        amplitude = quantity_text(status.pump_amplitude, present.pump_unit)
        self.amplitude_now.setText(f"now {amplitude}, at most {most}")
        self.offset_now.setText(f"now {quantity_text(status.pump_offset_hz, 'Hz')}")
