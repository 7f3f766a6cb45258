"""Buttons that say why they cannot be pressed."""

from __future__ import annotations

from PySide6.QtWidgets import QPushButton, QWidget


def tell_hindrance(widget: QWidget, hindrance: str, otherwise: str = "") -> None:
    """Disable a widget and say why; or enable it and say what it does."""
    widget.setEnabled(not hindrance)
    widget.setToolTip(f"Not now: {hindrance}" if hindrance else otherwise)
    widget.setAccessibleDescription(widget.toolTip())


def button(text: str, tooltip: str = "") -> QPushButton:
    """A button that can be reached by keyboard; the tooltip says what it does."""
    made = QPushButton(text)
    made.setToolTip(tooltip)
    made.setProperty("does", tooltip)
    made.setAutoDefault(False)
    return made


def tell(pressed: QPushButton, hindrance: str) -> None:
    """Enable or disable a button of ours."""
    tell_hindrance(pressed, hindrance, str(pressed.property("does") or ""))
