"""Colours by meaning, pens and fonts, for light and dark surroundings.

What stands in one plot differs in luminance and in dash or pattern, so that
it can be told apart without colour: on paper, and by eyes that see fewer
colours. The palette is this project's own; `tests/unit/gui/test_look.py`
holds it to its contrasts.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import pyqtgraph as pg
from PySide6.QtCore import Qt
from PySide6.QtGui import QBrush, QColor, QFont, QPalette

from gui.models.verdict import Level


@dataclass(frozen=True, slots=True)
class Look:
    """The colours of one kind of surroundings."""

    paper: str  # behind curves
    raised: str  # behind controls
    ink: str  # text
    faint: str  # text that matters less, axes
    idle: str  # what cannot be pressed now
    rule: str  # edges
    difference: str
    sigma: str  # band of one standard deviation
    pump: str
    line_outer: str  # band of the line width
    line_inner: str  # band of a tenth of it
    lower: str
    upper: str
    good: str
    warning: str
    bad: str


LIGHT = Look(
    paper="#fbf9f5",
    raised="#f0ede6",
    ink="#1f242c",
    faint="#5c636f",
    idle="#8b8d90",
    rule="#c4c0b6",
    difference="#123a6b",
    sigma="#7f9cc0",
    pump="#c9560a",
    line_outer="#f2e4c6",
    line_inner="#e0bf7c",
    lower="#0b5f58",
    upper="#86449e",
    good="#17653c",
    warning="#8f5200",
    bad="#a3182d",
)

DARK = Look(
    paper="#14171c",
    raised="#1f242b",
    ink="#e9e7e2",
    faint="#a2a8b3",
    idle="#757c88",
    rule="#454c57",
    difference="#cfe2ff",
    sigma="#5f7ba3",
    pump="#ff8f3d",
    line_outer="#332c1d",
    line_inner="#5e4d27",
    lower="#5fd0c1",
    upper="#d5a8ef",
    good="#71d49d",
    warning="#f2b850",
    bad="#ff8d8d",
)

GLYPHS = {Level.GOOD: "✔", Level.WARNING: "◆", Level.BAD: "✖", Level.QUIET: "○"}
"""What stands for a level beside its colour."""

# Of the mode states and pump states: colour by level, and a pattern that prints.
STATE_LEVELS = {
    "locked": Level.GOOD,
    "pulling_in": Level.WARNING,
    "searching": Level.QUIET,
    "holding": Level.WARNING,
    "lost": Level.BAD,
    "off": Level.QUIET,
    "on": Level.GOOD,
    "armed": Level.WARNING,
    "muted": Level.BAD,
}
STATE_PATTERNS = {
    "locked": Qt.BrushStyle.SolidPattern,
    "pulling_in": Qt.BrushStyle.FDiagPattern,
    "searching": Qt.BrushStyle.Dense6Pattern,
    "holding": Qt.BrushStyle.VerPattern,
    "lost": Qt.BrushStyle.DiagCrossPattern,
    "off": Qt.BrushStyle.Dense6Pattern,
    "on": Qt.BrushStyle.SolidPattern,
    "armed": Qt.BrushStyle.FDiagPattern,
    "muted": Qt.BrushStyle.DiagCrossPattern,
}

DASHES = {
    "difference": Qt.PenStyle.SolidLine,
    "pump": Qt.PenStyle.DashLine,
    "limit": Qt.PenStyle.DotLine,
}

SYSTEM = "as the system"
APPEARANCES = (SYSTEM, "light", "dark")

BIG_POINTS = 28
KEPT_WHEN_FADED = frozenset(("paper", "raised", "ink", "faint", "idle", "rule"))


def look_for(appearance: str, scheme: Qt.ColorScheme) -> Look:
    """The colours for "light", for "dark", or for what the system's scheme is."""
    is_dark = scheme == Qt.ColorScheme.Dark if appearance == SYSTEM else appearance == "dark"
    return DARK if is_dark else LIGHT


def colour_of(look: Look, level: Level) -> str:
    """The colour of a level."""
    return {
        Level.GOOD: look.good,
        Level.WARNING: look.warning,
        Level.BAD: look.bad,
        Level.QUIET: look.faint,
    }[level]


def pen(colour: str, style: Qt.PenStyle = Qt.PenStyle.SolidLine) -> object:
    """A line of one pixel: wider ones are drawn ten times slower."""
    return pg.mkPen(QColor(colour), width=1, style=style)


def state_brush(look: Look, state: str) -> QBrush:
    """Colour and pattern of a state."""
    return QBrush(QColor(colour_of(look, STATE_LEVELS[state])), STATE_PATTERNS[state])


def big_font(font: QFont) -> QFont:
    """The same for the one number that is read from afar."""
    big = QFont(font)
    big.setPointSize(BIG_POINTS)
    big.setWeight(QFont.Weight.DemiBold)
    return big


def palette_of(look: Look) -> QPalette:
    """The colours for Qt's own widgets."""
    palette = QPalette()
    role = QPalette.ColorRole
    for name, colour in (
        (role.Window, look.raised),
        (role.Base, look.paper),
        (role.AlternateBase, look.raised),
        (role.Button, look.raised),
        (role.ToolTipBase, look.paper),
        (role.WindowText, look.ink),
        (role.Text, look.ink),
        (role.ButtonText, look.ink),
        (role.ToolTipText, look.ink),
        (role.PlaceholderText, look.faint),
        (role.Mid, look.rule),
        (role.Highlight, look.difference),
        (role.HighlightedText, look.paper),
        (role.Link, look.difference),
    ):
        palette.setColor(name, QColor(colour))
    for name in (role.WindowText, role.Text, role.ButtonText):
        palette.setColor(QPalette.ColorGroup.Disabled, name, QColor(look.idle))
    return palette


def style_sheet(look: Look) -> str:
    """What a palette cannot say."""
    return f"""
        QToolTip {{ color: {look.ink}; background: {look.paper}; border: 1px solid {look.rule}; }}
        QLabel[role="faint"] {{ color: {look.faint}; }}
        QLabel[role="heading"] {{ font-weight: 600; }}
        QLabel[role="caption"] {{ color: {look.faint}; background: transparent; }}
        QLabel[role="complaint"] {{ color: {look.bad}; }}
        QFrame[role="card"] {{ border: 1px solid {look.rule}; border-radius: 4px; }}
        QPushButton[role="mute"] {{
            background: {look.bad}; color: {look.paper}; font-weight: 700;
            border: 2px solid {look.ink}; border-radius: 4px; padding: 10px 18px;
        }}
        QPushButton[role="mute"]:disabled {{
            background: {look.rule}; color: {look.paper}; border-color: {look.rule};
        }}
        QFrame[role="question"] {{
            background: {look.paper}; border: 2px solid {look.warning}; border-radius: 4px;
        }}
        QDockWidget::title {{ background: {look.raised}; padding: 3px 6px; }}
        QMainWindow::separator {{ background: {look.rule}; width: 3px; height: 3px; }}
    """


def faded(look: Look) -> Look:
    """The same most of the way to the paper: for what is no longer news."""

    def paled(colour: str) -> str:
        one, other = QColor(colour), QColor(look.paper)
        parts = (
            (one.red(), other.red()),
            (one.green(), other.green()),
            (one.blue(), other.blue()),
        )
        return QColor(*((3 * a + 7 * b) // 10 for a, b in parts)).name()

    names = (each.name for each in fields(Look) if each.name not in KEPT_WHEN_FADED)
    return replace(look, **{name: paled(getattr(look, name)) for name in names})
