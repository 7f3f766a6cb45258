"""Opens the window, on whatever it is asked to show."""

from __future__ import annotations

import signal
import sys
from pathlib import Path

from PySide6.QtCore import QSettings, QTimer
from PySide6.QtWidgets import QApplication

from gui.session import Address, Rehearsals, Session
from gui.views.window import Window

SIGNALS_EVERY_MS = 200  # Python sees a Ctrl-C only when it gets its turn


def settings_file() -> QSettings:
    """Where the layout is remembered, in the user's folder of configurations."""
    return QSettings(QSettings.Format.IniFormat, QSettings.Scope.UserScope, "difftone", "desk")


def make_application() -> QApplication:
    """The one application of the process."""
    existing = QApplication.instance()
    if isinstance(existing, QApplication):
        return existing
    application = QApplication(sys.argv[:1])
    application.setApplicationName("difftone")
    application.setStyle("Fusion")
    return application


def open_desk(
    rehearsals: Rehearsals,
    *,
    scenario: str | None = None,
    address: Address | None = None,
    log: Path | None = None,
) -> int:
    """Open the window and stay until it is closed.

    Parameters
    ----------
    rehearsals : Rehearsals
        What can be rehearsed.
    scenario : str, optional
        What to rehearse at once.
    address : Address, optional
        The service to connect to at once.
    log : Path, optional
        The log to show at once.

    Returns
    -------
    int
        Exit status.
    """
    application = make_application()
    window = Window(Session(rehearsals), settings_file())
    window.show()
    if scenario is not None:
        window.session.open_rehearsal(scenario)
    elif address is not None:
        window.session.open_service(address)
    elif log is not None:
        window.session.open_log(log)
    signal.signal(signal.SIGINT, lambda *_: window.close())
    signal.signal(signal.SIGTERM, lambda *_: window.close())
    listener = QTimer()
    listener.timeout.connect(lambda: None)
    listener.start(SIGNALS_EVERY_MS)
    return int(application.exec())
