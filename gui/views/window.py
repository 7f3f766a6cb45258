"""The window: what is asked first stands at the top, what is acted on at the right.

It lets the models tell what is, hands that to the views, and hands wishes to
the session. Nothing in it is modal: the mute button is always in reach.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
from PySide6.QtCore import QByteArray, QSettings, Qt, QTimer
from PySide6.QtGui import QAction, QCloseEvent, QKeySequence, QResizeEvent, QShortcut
from PySide6.QtWidgets import (
    QApplication,
    QDockWidget,
    QHBoxLayout,
    QLabel,
    QMainWindow,
    QPushButton,
    QSplitter,
    QStackedWidget,
    QToolBar,
    QVBoxLayout,
    QWidget,
)

from controller.service.client import ModeId
from gui.look import APPEARANCES, SYSTEM, Look, faded, look_now, palette_of, style_sheet
from gui.models.actions import Action
from gui.models.exports import row_words, rows_text
from gui.models.present import Changed, Origin
from gui.models.time_view import SPANS_S, TimeView
from gui.models.verdict import verdict_on
from gui.models.wording import bytes_text
from gui.session import Address, Session
from gui.views.buttons import button, tell_hindrance
from gui.views.cautions import CautionsPage
from gui.views.event_panel import EventPanel
from gui.views.exports import PlotMenu
from gui.views.open_page import OpenPage
from gui.views.plots import TimePlot
from gui.views.protocol_panel import ProtocolPanel
from gui.views.pump_panel import PumpPanel
from gui.views.question import Question
from gui.views.result_panel import ResultPanel
from gui.views.tracks import ALWAYS_SHOWN, QUANTITIES, DifferencePlot, ModeStrip
from gui.views.trust_panel import TrustPanel
from gui.views.verdict_band import MUTE_KEY, VerdictBand

FIRST_SIZE = (1280, 800)
SCREEN_SHARE = 0.9  # of a large screen
TALL, WIDE = 1100, 1900  # pixels from which there is room for all plots, for two columns
NARROW_DOCK, PUMP_HEIGHT = 390, 190
SHARES = (9, 6, 6)  # of the height: the difference, and each mode
STALE_EVERY_MS = 500
ANSWERS_ELSEWHERE = frozenset(("protocols", "check_protocol"))
LAYOUT_VERSION = 1  # raised when docks are added, so that an old layout is not put on


class Window(QMainWindow):
    """The desktop's one window.

    Parameters
    ----------
    session : Session
        What it shows.
    settings : QSettings
        Where its layout is remembered.
    """

    def __init__(self, session: Session, settings: QSettings) -> None:
        super().__init__()
        self.session, self.view = session, TimeView()
        self._settings = settings
        self._appearance = str(settings.value("appearance", SYSTEM))
        self._look = look_now(self._appearance)
        self._is_stale = False
        self._was_working: bool | None = None
        self._layout = QByteArray()  # of the docks, while nothing is open
        self._cursor_s: float | None = None
        self._rows: set[str] | None = None  # chosen by hand; None: by the window's height
        self.setWindowTitle("difftone")
        self.resize(*self._first_size())
        self._make_parts()
        self._make_docks()
        self._make_menus()
        self._connect()
        self._put_on_look()
        self._restore()
        self._show_source()

    @staticmethod
    def _first_size() -> tuple[int, int]:
        """As large as a large screen is worth, and small enough for a small one."""
        room = QApplication.primaryScreen().availableGeometry()
        if room.width() >= WIDE:
            return int(SCREEN_SHARE * room.width()), int(SCREEN_SHARE * room.height())
        return FIRST_SIZE

    # -- parts -----------------------------------------------------------------------

    def _make_parts(self) -> None:
        self.band = VerdictBand()
        self._band_bar = QToolBar("state")
        self._band_bar.setObjectName("state")
        self._band_bar.setMovable(False)
        self._band_bar.toggleViewAction().setVisible(False)
        self._band_bar.addWidget(self.band)
        self.addToolBar(Qt.ToolBarArea.TopToolBarArea, self._band_bar)
        self.open_page = OpenPage(self.session.rehearsals.scenarios, self.session.who)
        self.difference = DifferencePlot(self.view)
        self.strips = {mode: ModeStrip(self.view, mode) for mode in ModeId}
        splitter = QSplitter(Qt.Orientation.Vertical)
        splitter.setChildrenCollapsible(False)
        for place, part in enumerate((self.difference, *self.strips.values())):
            splitter.addWidget(part)
            splitter.setStretchFactor(place, SHARES[place])
        splitter.setSizes([100 * share for share in SHARES])
        self._splitter = splitter
        tracks = QWidget()
        layout = QVBoxLayout(tracks)
        layout.setContentsMargins(0, 0, 4, 0)
        layout.setSpacing(0)
        layout.addWidget(splitter, 1)
        layout.addLayout(self._make_time_bar())
        self.pages = QStackedWidget()
        self.pages.addWidget(self.open_page)
        self.pages.addWidget(tracks)
        self.question = Question()
        center = QWidget()
        column = QVBoxLayout(center)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        column.addWidget(self.question)
        column.addWidget(self.pages, 1)
        self.setCentralWidget(center)
        self.answer = QLabel("")
        self.answer.setTextFormat(Qt.TextFormat.PlainText)
        self.statusBar().addWidget(self.answer, 1)
        self.service_line = QLabel("")
        self.service_line.setProperty("role", "faint")
        self.statusBar().addPermanentWidget(self.service_line)

    def _make_time_bar(self) -> QHBoxLayout:
        bar = QHBoxLayout()
        bar.setContentsMargins(8, 2, 4, 2)
        self.follow = button("Follow no&w", "Show the newest records, and move on with them")
        self.follow.setCheckable(True)
        bar.addWidget(self.follow)
        self.spans: dict[str, QPushButton] = {}
        for name, span_s in SPANS_S.items():
            self.spans[name] = button(name, f"The last {name}")
            self.spans[name].clicked.connect(lambda _=False, span_s=span_s: self._show_last(span_s))
            bar.addWidget(self.spans[name])
        self.whole = button("whole run", "From the first record to the last")
        self.whole.clicked.connect(self._show_whole)
        bar.addWidget(self.whole)
        self.cursor_words = QLabel("")
        self.cursor_words.setProperty("role", "faint")
        self.cursor_words.setMinimumWidth(60)
        self.cursor_words.setAccessibleName("values under the cursor")
        bar.addWidget(self.cursor_words, 1)
        return bar

    def _make_docks(self) -> None:
        self.setDockNestingEnabled(True)
        self.pump_panel, self.protocol_panel = PumpPanel(), ProtocolPanel()
        self.trust_panel, self.result_panel = TrustPanel(self.view), ResultPanel()
        self.event_panel, self.cautions = EventPanel(), CautionsPage(self)
        self.docks: dict[str, QDockWidget] = {}
        for name, panel in (
            ("Pump and control", self.pump_panel),
            ("Protocol", self.protocol_panel),
            ("Trust", self.trust_panel),
            ("Results", self.result_panel),
            ("Events", self.event_panel),
        ):
            dock = QDockWidget(name, self)
            dock.setObjectName(name)
            dock.setWidget(panel)
            dock.setMinimumWidth(330)
            dock.visibilityChanged.connect(lambda _: self.redraw(is_needed=True))
            self.docks[name] = dock

    def lay_out_docks(self) -> None:
        """The standard layout: one column, or two where the window is wide."""
        pump, protocol, trust, results, events = self.docks.values()
        for dock in self.docks.values():
            self.removeDockWidget(dock)  # hidden: on top of each other they would need more room
            dock.setFloating(False)
            self.addDockWidget(Qt.DockWidgetArea.RightDockWidgetArea, dock)
        is_wide = self.width() >= WIDE
        if is_wide:
            self.splitDockWidget(pump, trust, Qt.Orientation.Horizontal)
            self.splitDockWidget(pump, protocol, Qt.Orientation.Vertical)
            self.splitDockWidget(trust, results, Qt.Orientation.Vertical)
            self.splitDockWidget(results, events, Qt.Orientation.Vertical)
        else:
            self.splitDockWidget(pump, protocol, Qt.Orientation.Vertical)
            for dock in (trust, results, events):
                self.tabifyDockWidget(protocol, dock)
        for dock in self.docks.values():
            dock.show()
        protocol.raise_()
        if is_wide:
            self.resizeDocks([pump, trust], [480, 560], Qt.Orientation.Horizontal)
            self.resizeDocks([trust, results, events], [560, 420, 320], Qt.Orientation.Vertical)
        else:
            self.resizeDocks([pump], [NARROW_DOCK], Qt.Orientation.Horizontal)

    def _make_menus(self) -> None:
        bar = self.menuBar()
        file = bar.addMenu("&File")
        self._add(file, "&Open…", self.leave_source, QKeySequence.StandardKey.Open)
        self._add(file, "&Shut the service down…", self._ask_to_shut_down)
        file.addSeparator()
        self._add(file, "&Quit", self.close, QKeySequence.StandardKey.Quit)
        view = bar.addMenu("&View")
        self._add(view, "Follow &now", self._follow_now, "Ctrl+Return")
        self._add(view, "Whole &run", self._show_whole, "Ctrl+0")
        self._add(view, "&Copy values under the cursor", self._copy_cursor, "Ctrl+Shift+C")
        view.addSeparator()
        self._row_actions: dict[str, QAction] = {}
        for quantity in QUANTITIES:
            action = view.addAction(f"of each mode: {quantity.title}")
            action.setCheckable(True)
            action.triggered.connect(self._choose_rows)
            self._row_actions[quantity.key] = action
        view.addSeparator()
        for dock in self.docks.values():
            view.addAction(dock.toggleViewAction())
        self._add(view, "Standard &layout", self._standard_layout)
        looks = view.addMenu("L&ook")
        for appearance in APPEARANCES:
            self._add(looks, appearance, partial(self.set_appearance, appearance))
        self._mute_key = QShortcut(QKeySequence(MUTE_KEY), self, self.mute)
        self._mute_key.setContext(Qt.ShortcutContext.ApplicationShortcut)
        helps = bar.addMenu("&Help")
        self._add(helps, "&Cautions", self._show_cautions, QKeySequence.StandardKey.HelpContents)

    def _add(
        self,
        menu: object,
        text: str,
        then: Callable[[], object],
        key: QKeySequence.StandardKey | str | None = None,
    ) -> None:
        action = menu.addAction(text)  # type: ignore[attr-defined]
        action.triggered.connect(lambda: then())
        if key is not None:
            action.setShortcut(QKeySequence(key))

    def _connect(self) -> None:
        session = self.session
        session.changed.connect(self._on_changed)
        session.answered.connect(self._on_answer)
        session.opening.connect(self._on_opening)
        session.failed.connect(self._on_failure)
        self.band.mute_asked.connect(self.mute)
        self.open_page.rehearse_asked.connect(session.open_rehearsal)
        self.open_page.connect_asked.connect(self._open_service)
        self.open_page.log_asked.connect(session.open_log)
        for panel in (self.pump_panel, self.protocol_panel):
            panel.asked.connect(lambda action, arguments: session.do(action, *arguments))
            panel.question_asked.connect(self.question.ask)
        self.protocol_panel.check_asked.connect(
            lambda protocol, values: session.ask("check_protocol", protocol, values)
        )
        self.event_panel.chosen.connect(self._show_moment)
        self.follow.clicked.connect(self._follow_now)
        self._menu = PlotMenu(self, self._cursor_text, self._visible_values)
        self._menu.saved.connect(self.say)
        for plot in self.time_plots:
            plot.moved.connect(lambda: self.redraw(is_needed=True))
            plot.pointed.connect(self._point)
            plot.asked_for_menu.connect(lambda where, plot=plot: self._menu.open(plot, where))
        for plot in self.trust_panel.plots:
            plot.asked_for_menu.connect(lambda where, plot=plot: self._menu.open(plot, where))
        QApplication.styleHints().colorSchemeChanged.connect(self._put_on_look)
        self._stale_timer = QTimer(self)
        self._stale_timer.setInterval(STALE_EVERY_MS)
        self._stale_timer.timeout.connect(self._tell_connection)
        self._stale_timer.start()

    @property
    def time_plots(self) -> list[TimePlot]:
        """All plots over the common time."""
        of_modes = [plot for strip in self.strips.values() for plot in strip.plots.values()]
        return [self.difference.plot, *of_modes, self.trust_panel.innovation]

    # -- looks and layout --------------------------------------------------------------

    def _put_on_look(self) -> None:
        """Light or dark, as the system has it."""
        self._look = look_now(self._appearance)
        QApplication.setPalette(palette_of(self._look))
        self.setStyleSheet(style_sheet(self._look))
        self.band.put_on(self._look)
        self._put_on_plots(faded(self._look) if self._is_stale else self._look)
        self.redraw(is_needed=True)

    def set_appearance(self, appearance: str) -> None:
        """Light, dark, or as the system has it."""
        self._appearance = appearance
        self._put_on_look()

    def _put_on_plots(self, look: Look) -> None:
        self.difference.put_on(look)
        self.trust_panel.put_on(look)
        for strip in self.strips.values():
            strip.put_on(look)

    def _restore(self) -> None:
        geometry = self._settings.value("geometry")
        if isinstance(geometry, QByteArray):
            self.restoreGeometry(geometry)
        self.lay_out_docks()
        layout = self._settings.value("layout")
        if isinstance(layout, QByteArray):
            self._layout = layout
        rows = self._settings.value("rows")
        if isinstance(rows, str) and rows:
            self._rows = set(rows.split(",")) & set(self._row_actions)
        self._show_rows()

    def _standard_layout(self) -> None:
        self._rows = None
        self._show_rows()
        self.lay_out_docks()

    def remember(self) -> None:
        """Keep the layout for the next time."""
        self._settings.setValue("geometry", self.saveGeometry())
        if self.is_working:
            self._layout = self.saveState(LAYOUT_VERSION)
        self._settings.setValue("layout", self._layout)
        self._settings.setValue("appearance", self._appearance)
        self._settings.setValue("rows", ",".join(sorted(self._rows or ())))
        self._settings.sync()

    def _share_height(self) -> None:
        """The docks can be given their heights only once they are to be seen."""
        names = ("Pump and control", "Protocol")
        height = self.height()
        self.resizeDocks(
            [self.docks[name] for name in names],
            [PUMP_HEIGHT, height - PUMP_HEIGHT],
            Qt.Orientation.Vertical,
        )

    def resizeEvent(self, event: QResizeEvent) -> None:
        """More room, more plots."""
        super().resizeEvent(event)
        self._show_rows()
        self.redraw(is_needed=True)

    def _choose_rows(self) -> None:
        chosen = {key for key, action in self._row_actions.items() if action.isChecked()}
        self._rows = chosen or set(ALWAYS_SHOWN)
        self._show_rows()
        self.redraw(is_needed=True)

    def _show_rows(self) -> None:
        rows = self._rows
        if rows is None:
            everything = {quantity.key for quantity in QUANTITIES}
            rows = everything if self.height() >= TALL else set(ALWAYS_SHOWN)
        for key, action in self._row_actions.items():
            action.setChecked(key in rows)
            for strip in self.strips.values():
                strip.plots[key].setVisible(key in rows)
        for place, plot in enumerate(reversed(self.strips[ModeId.UPPER].shown_plots)):
            plot.set_shows_time(place == 0)

    def closeEvent(self, event: QCloseEvent) -> None:
        """A rehearsal ends with its window."""
        self.remember()
        self._stale_timer.stop()
        self.cautions.close()
        self.session.close()
        super().closeEvent(event)

    # -- news --------------------------------------------------------------------------

    @property
    def is_working(self) -> bool:
        """Whether something is open."""
        return self.session.present.origin is not Origin.NOTHING

    def _on_changed(self, changed: set[Changed]) -> None:
        present = self.session.present
        if Changed.SOURCE in changed:
            self._show_source()
        if changed & {Changed.STATUS, Changed.SOURCE}:
            self._show_actions()
            self.trust_panel.draw_status(present)
        if Changed.RECORDS in changed:
            self._tell_record()
            self.redraw()
        if Changed.EVENTS in changed:
            self.event_panel.show_news()
        if Changed.SPECTRA in changed:
            self.trust_panel.draw_spectra(present)
        if Changed.RESULTS in changed:
            self.result_panel.show_results(present)
            if len(changed) < len(Changed) and present.results:
                self.docks["Results"].raise_()

    def _show_source(self) -> None:
        """Another source, or another state of the connection to it."""
        present = self.session.present
        self.pages.setCurrentIndex(int(self.is_working))
        if self.is_working != self._was_working:
            self._show_docks()
        self._was_working = self.is_working
        self._band_bar.setVisible(self.is_working)
        if not self.is_working:
            self.open_page.list_runs()
        self.pump_panel.show_source(present)
        self.event_panel.show_source(present)
        self.result_panel.show_results(present)
        is_log = present.origin is Origin.LOG
        self.whole.setVisible(is_log)
        if is_log:
            self.trust_panel.draw_status(present)
            self._show_whole()
        elif not len(present.history):
            self.view.show_last(self.view.span_s, 0.0, 0.0)
        if present.is_reachable and not is_log:
            self.session.ask("protocols")
        title = f"{present.title} – difftone" if self.is_working else "difftone"
        self.setWindowTitle(title)
        self._show_actions()
        self._tell_connection()
        self._tell_record()
        self.redraw(is_needed=True)

    def _show_docks(self) -> None:
        """As they were left, while something is open."""
        if not self.is_working:
            if self._was_working:
                self._layout = self.saveState(LAYOUT_VERSION)
            for dock in self.docks.values():
                dock.hide()
            return
        if not self.restoreState(self._layout, LAYOUT_VERSION):
            self.lay_out_docks()
            QTimer.singleShot(0, self._share_height)

    def _show_actions(self) -> None:
        present, hindrances = self.session.present, self.session.hindrances()
        self.pump_panel.show_state(present, hindrances)
        self.protocol_panel.show_state(present, hindrances)
        if not (present.is_reachable and self.session.has_control):
            self.question.hide()  # nobody could do any more what it asks
        tell_hindrance(self.band.mute, hindrances[Action.MUTE], "Pump off at once, until armed")
        status = present.status
        if status is None:
            self.band.control.setText("")
            self.service_line.setText("")
            return
        holder = status.control.who or "nobody"
        holder = "you hold control" if self.session.has_control else f"control: {holder}"
        self.band.control.setText(holder)
        log, deadlines = status.log, status.deadlines
        parts = [f"log: {log.state}{', ' + log.reason if log.reason else ''}, {log.rows} rows"]
        if log.free_bytes is not None:
            parts[0] += f", {bytes_text(log.free_bytes)} free"
        if deadlines.p99_ms is not None:
            parts.append(f"step p99 {deadlines.p99_ms:.1f} ms, {deadlines.missed} missed")
        self.service_line.setText("    ".join(parts))

    def _tell_record(self) -> None:
        present = self.session.present
        self.band.show_verdict(verdict_on(present), is_stale=self._is_stale)
        self.difference.tell(present)
        for strip in self.strips.values():
            strip.tell(present)

    def _tell_connection(self) -> None:
        """Since when there are no news, and the look of it."""
        present = self.session.present
        is_stale = present.origin in (Origin.SERVICE, Origin.REHEARSAL) and not present.is_reachable
        if is_stale != self._is_stale:
            self._is_stale = is_stale
            self._put_on_plots(faded(self._look) if is_stale else self._look)
            self._tell_record()
        text = {
            Origin.NOTHING: "",
            Origin.LOG: "finished run",
            Origin.REHEARSAL: "rehearsal: nothing is energised",
            Origin.SERVICE: "live",
        }[present.origin]
        if is_stale:
            since = self.session.heard_at
            text = f"no news since {since}" if since else "waiting for the service"
            if self.session.trouble:
                text = self.session.trouble
        self.band.connection.setText(text)
        if is_stale:
            self.band.sentence.setText(f"○  {text[:1].upper()}{text[1:]}")

    def redraw(self, *, is_needed: bool = False) -> None:
        """Draw the common stretch of time, unless nothing would be seen to move.

        Parameters
        ----------
        is_needed : bool
            Also where nothing has moved.
        """
        present, plot = self.session.present, self.difference.plot
        if not self.is_working:
            return
        self.follow.setChecked(self.view.follows)
        pixels = max(plot.width(), 100)
        step_s = self.view.span_s / pixels
        has_moved = self.view.move_to(present.newest_s, present.oldest_s, step_s)
        if not (has_moved or is_needed):
            return
        stretch = present.history.stretch(self.view.start_s, self.view.end_s, pixels)
        self.difference.draw(present, stretch)
        for strip in self.strips.values():
            strip.draw(present, stretch)
        if is_needed or self._is_in_sight("Trust"):
            self.trust_panel.draw_time(stretch)
        for each in self.time_plots:
            if not each.isHidden():
                each.show_time()

    def _is_in_sight(self, dock: str) -> bool:
        """Whether a dock is not behind another one."""
        return not self.docks[dock].visibleRegion().isEmpty()

    # -- time --------------------------------------------------------------------------

    def _show_last(self, span_s: float) -> None:
        present = self.session.present
        self.view.show_last(span_s, present.newest_s, present.oldest_s)
        self.redraw(is_needed=True)

    def _follow_now(self) -> None:
        self._show_last(self.view.span_s)

    def _show_whole(self) -> None:
        history = self.session.present.history
        if history.first_s is not None and history.last_s is not None:
            self.view.show(history.first_s, history.last_s)
            self.redraw(is_needed=True)

    def _show_moment(self, time_s: float) -> None:
        self.view.show(time_s - 0.5 * self.view.span_s, time_s + 0.5 * self.view.span_s)
        self._point(time_s)
        self.redraw(is_needed=True)

    def _point(self, time_s: float | None) -> None:
        self._cursor_s = time_s
        present = self.session.present
        if present.origin is Origin.LOG:
            present.look_at(present.newest_s if time_s is None else time_s)
            self._tell_record()
        for plot in self.time_plots:
            plot.set_cursor(time_s)
        self.cursor_words.setText(self._cursor_text())
        self.cursor_words.setToolTip(self.cursor_words.text())

    def _cursor_text(self) -> str:
        row = self._row_at_cursor()
        return "" if row is None else row_words(row, self.session.present.amplitude_unit)

    def _row_at_cursor(self) -> np.ndarray | None:
        if self._cursor_s is None:
            return None
        return self.session.present.history.row_at(self._cursor_s)

    def _visible_values(self, separator: str) -> str:
        history = self.session.present.history
        return rows_text(history.rows_between(self.view.start_s, self.view.end_s), separator)

    def _copy_cursor(self) -> None:
        self._menu.copy_cursor()

    # -- wishes ------------------------------------------------------------------------

    def mute(self) -> None:
        """Pump off, at once and without a question."""
        self.session.do(Action.MUTE)

    def say(self, text: str) -> None:
        """A line at the bottom."""
        self.answer.setText(text)
        self.answer.setToolTip(text)

    def leave_source(self) -> None:
        """Close what is open, and show the ways to begin."""
        self.session.close_source()

    def _open_service(self, address: Address, who: str) -> None:
        self.session.who = who
        self.session.open_service(address)

    def _ask_to_shut_down(self) -> None:
        hindrance = self.session.hindrances()[Action.SHUT_DOWN]
        if hindrance:
            self.say(f"shut down: not now, {hindrance}")
            return
        self.question.ask(
            "Shut the service down? Every tone goes off, and the drives with them.",
            "Yes, shut down",
            lambda: self.session.do(Action.SHUT_DOWN),
        )

    def _show_cautions(self) -> None:
        self.cautions.resize(560, 520)
        self.cautions.show()
        self.cautions.raise_()

    def _on_answer(self, name: str, is_done: bool, text: str, data: object) -> None:
        if name == "protocols" and isinstance(data, list):
            self.protocol_panel.show_protocols(data)
        elif name == "check_protocol":
            self.protocol_panel.show_timeline(text, is_possible=is_done)
        if name in ANSWERS_ELSEWHERE:
            return
        words = name.replace("_", " ").removesuffix(" hz")
        self.say(f"{words}: {text}" if is_done else f"NOT DONE: {text}")
        if not is_done:
            QApplication.beep()
        self._show_actions()

    def _on_opening(self, text: str) -> None:
        self.open_page.complain("")
        self.say(text)

    def _on_failure(self, why: str) -> None:
        self.open_page.complain(why)
        self.say(why)
