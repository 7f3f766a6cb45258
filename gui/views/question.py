"""A question before an output is energised: in place, never in front of the mute button."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QPushButton, QVBoxLayout, QWidget

from gui.views.cautions import SHORT_CAUTION


class Question(QFrame):
    """Hidden until something is asked; says what will be set, and waits for yes or no."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setProperty("role", "question")
        self._then: Callable[[], None] = lambda: None
        self.text, self.caution = QLabel(""), QLabel(SHORT_CAUTION)
        self.caution.setProperty("role", "faint")
        for label in (self.text, self.caution):
            label.setWordWrap(True)
            label.setTextFormat(Qt.TextFormat.PlainText)
        self.yes, self.no = QPushButton("Yes"), QPushButton("No, leave it")
        self.yes.clicked.connect(self._confirm)
        self.no.clicked.connect(self.hide)
        words, layout = QVBoxLayout(), QHBoxLayout(self)
        words.addWidget(self.text)
        words.addWidget(self.caution)
        layout.setContentsMargins(10, 6, 10, 6)
        layout.addLayout(words, 1)
        layout.addWidget(self.yes)
        layout.addWidget(self.no)
        self.hide()

    def ask(self, text: str, yes: str, then: Callable[[], None]) -> None:
        """Ask; what is to be done is done only after a yes.

        Parameters
        ----------
        text : str
            What will be set.
        yes : str
            What the button says.
        then : callable
            Does it.
        """
        self._then = then
        self.text.setText(text)
        self.yes.setText(yes)
        self.show()
        self.no.setFocus()

    def _confirm(self) -> None:
        self.hide()
        self._then()
