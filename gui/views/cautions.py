"""What can hurt people and devices, where outputs are energised."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QLabel, QScrollArea, QVBoxLayout, QWidget

SHORT_CAUTION = (
    "This puts a voltage out. Local rules and trained people first: high voltage, hot coils, "
    "laser light, a tip that moves."
)

CAUTIONS = (
    (
        "Rules and people",
        "Local rules and trained people come first. This program switches voltages, and nothing "
        "in it replaces an interlock, a key or a person who knows the set-up.",
    ),
    (
        "High voltage",
        "Electrodes and static bias can kill. Interlocks on doors and covers belong in hardware. "
        "Know what the amplifier can deliver and limit it there: the limits shown here are limits "
        "in software.",
    ),
    (
        "Heat",
        "Coils and piezos heat up, and go on moving after the tone is off. A tip that is switched "
        "by current pulses heats its coil with every pulse.",
    ),
    (
        "Lasers",
        "Lasers harm eyes, also the infrared ones that nobody sees. Goggles for the wavelength, "
        "and nobody with a watch or a ring in the beam's plane.",
    ),
    (
        "A moving tip",
        "A tip that is driven, heated or moved can crash into the sample. Withdraw it before "
        "amplitudes are raised.",
    ),
    (
        "Before the first time",
        "Check with the output disconnected that mute, the end of the program and a pulled cable "
        "really turn every tone off.",
    ),
)


class CautionsPage(QScrollArea):
    """All of them, to be read."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWindowFlag(Qt.WindowType.Window)
        self.setWindowTitle("Cautions")
        page = QWidget()
        layout = QVBoxLayout(page)
        layout.setContentsMargins(16, 12, 16, 12)
        layout.setSpacing(6)
        for heading, text in CAUTIONS:
            title, body = QLabel(heading), QLabel(text)
            title.setProperty("role", "heading")
            body.setWordWrap(True)
            body.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
            layout.addWidget(title)
            layout.addWidget(body)
            layout.addSpacing(4)
        layout.addStretch()
        self.setWidget(page)
        self.setWidgetResizable(True)
        self.setFrameShape(QScrollArea.Shape.NoFrame)
