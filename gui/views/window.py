"""The window: what is asked first stands at the top, what is acted on at the right.

It lets the models tell what is, hands that to the views, and hands wishes to
the session. Nothing in it is modal: the mute button is always in reach.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from PySide6.QtCore import QByteArray, QSettings, Qt, QTimer
from PySide6.QtGui import QAction, QCloseEvent, QKeySequence, QResizeEvent, QShortcut
from PySide6.QtWidgets import (
    QApplication,
    QLabel,
    QMainWindow,
    QMenu,
    QStackedWidget,
    QToolBar,
    QVBoxLayout,
    QWidget,
)

from controller.service.client import Status
from gui.look import APPEARANCES, SYSTEM, faded, look_for, palette_of, style_sheet
from gui.models.actions import READS_ONLY, Action
from gui.models.history import Stretch
from gui.models.present import Changed, Origin
from gui.models.time_view import TimeView
from gui.models.verdict import verdict_on
from gui.models.wording import bytes_text
from gui.session import Address, Session
from gui.views.buttons import tell_hindrance
from gui.views.cautions import CautionsPage
from gui.views.docks import WIDE, Docks
from gui.views.elided_label import ElidedLabel
from gui.views.event_panel import EventPanel
from gui.views.open_page import OpenPage
from gui.views.protocol_panel import ProtocolPanel
from gui.views.pump_panel import PumpPanel
from gui.views.question import Question
from gui.views.result_panel import ResultPanel
from gui.views.time_page import TimePage
from gui.views.tracks import ALWAYS_SHOWN, QUANTITIES
from gui.views.trust_panel import TrustPanel
from gui.views.verdict_band import MUTE_KEY, VerdictBand

FIRST_SIZE = (1280, 800)
SCREEN_SHARE = 0.9  # of a large screen
TALL = 1100  # pixels from which there is room for all plots
STALE_EVERY_MS = 500
ANSWERS_ELSEWHERE = frozenset(("protocols", "check_protocol"))


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
        self.session, self._settings = session, settings
        self._appearance = str(settings.value("appearance", SYSTEM))
        self._scheme = QApplication.styleHints().colorScheme()
        self._look = look_for(self._appearance, self._scheme)
        self._is_stale = False
        self._rows: set[str] | None = None  # chosen by hand; None: by the window's height
        self.setWindowTitle("difftone")
        self.resize(*self._first_size())
        self._make_parts()
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
        self._make_panels()
        self.pages = QStackedWidget()
        self.pages.addWidget(self.open_page)
        self.pages.addWidget(self.tracks)
        self.question = Question()
        center = QWidget()
        column = QVBoxLayout(center)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        column.addWidget(self.question)
        column.addWidget(self.pages, 1)
        self.setCentralWidget(center)
        self.answer = ElidedLabel()
        self.answer.setAccessibleName("answer")
        self.statusBar().addWidget(self.answer, 1)
        self.service_line = QLabel("")
        self.service_line.setProperty("role", "faint")
        self.statusBar().addPermanentWidget(self.service_line)

    def _make_panels(self) -> None:
        view = TimeView()
        self.trust_panel = TrustPanel(view)
        self.tracks = TimePage(view, [self.trust_panel.innovation])
        self.pump_panel, self.protocol_panel = PumpPanel(), ProtocolPanel()
        self.result_panel, self.event_panel = ResultPanel(), EventPanel()
        self.cautions = CautionsPage(self)
        self.setDockNestingEnabled(True)
        self.docks = Docks(
            self,
            {
                "Pump and control": self.pump_panel,
                "Protocol": self.protocol_panel,
                "Trust": self.trust_panel,
                "Results": self.result_panel,
                "Events": self.event_panel,
            },
        )

    def _make_menus(self) -> None:
        bar = self.menuBar()
        file = bar.addMenu("&File")
        self._add(file, "&Open…", self.leave_source, QKeySequence.StandardKey.Open)
        self._add(file, "&Shut the service down…", self._ask_to_shut_down)
        file.addSeparator()
        self._add(file, "&Quit", self.close, QKeySequence.StandardKey.Quit)
        view = bar.addMenu("&View")
        self._add(view, "Follow &now", self.tracks.follow_now, "Ctrl+Return")
        self._add(view, "Whole &run", self.tracks.show_whole, "Ctrl+0")
        copy_cursor = self.tracks.menu.copy_cursor
        self._add(view, "&Copy values under the cursor", copy_cursor, "Ctrl+Shift+C")
        view.addSeparator()
        self._row_actions: dict[str, QAction] = {}
        for quantity in QUANTITIES:
            action = view.addAction(f"of each mode: {quantity.title}")
            action.setCheckable(True)
            action.triggered.connect(self._choose_rows)
            self._row_actions[quantity.key] = action
        view.addSeparator()
        for dock in self.docks.by_name.values():
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
        menu: QMenu,
        text: str,
        then: Callable[[], object],
        key: QKeySequence.StandardKey | str | None = None,
    ) -> None:
        action = menu.addAction(text)
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
        self.event_panel.chosen.connect(self.tracks.show_moment)
        self.tracks.drawn.connect(self._draw_trust)
        self.tracks.menu.saved.connect(self.say)
        for dock in self.docks.by_name.values():
            dock.visibilityChanged.connect(lambda _: self.tracks.redraw(is_needed=True))
        for plot in self.trust_panel.plots:
            plot.asked_for_menu.connect(lambda where, plot=plot: self.tracks.menu.open(plot, where))
        QApplication.styleHints().colorSchemeChanged.connect(self._follow_scheme)
        self._stale_timer = QTimer(self)
        self._stale_timer.setInterval(STALE_EVERY_MS)
        self._stale_timer.timeout.connect(self._tell_connection)
        self._stale_timer.start()

    # -- looks and layout --------------------------------------------------------------

    def _put_on_look(self) -> None:
        """Light or dark."""
        self._look = look_for(self._appearance, self._scheme)
        QApplication.setPalette(palette_of(self._look))
        self.setStyleSheet(style_sheet(self._look))
        self.band.put_on(self._look)
        self._put_on_plots()
        self._tell_connection()

    def set_appearance(self, appearance: str) -> None:
        """Light, dark, or as the system has it."""
        self._appearance = appearance
        self._put_on_look()

    def _follow_scheme(self, scheme: Qt.ColorScheme) -> None:
        """The system has become light or dark."""
        self._scheme = scheme
        self._put_on_look()

    def _put_on_plots(self) -> None:
        """Old news are pale; words that have a colour of their own are told again."""
        look = faded(self._look) if self._is_stale else self._look
        self.tracks.put_on(look)
        self.tracks.show_age(is_stale=self._is_stale)
        self.service_line.setEnabled(not self._is_stale)
        self.trust_panel.put_on(look)
        self._tell_record()
        self.tracks.redraw(is_needed=True)

    def _restore(self) -> None:
        geometry = self._settings.value("geometry")
        if isinstance(geometry, QByteArray):
            self.restoreGeometry(geometry)
        self.docks.lay_out()
        layout = self._settings.value("layout")
        if isinstance(layout, QByteArray):
            self.docks.take_layout(layout)
        rows = self._settings.value("rows")
        if isinstance(rows, str) and rows:
            self._rows = set(rows.split(",")) & set(self._row_actions)
        self._show_rows()

    def _standard_layout(self) -> None:
        self._rows = None
        self._show_rows()
        self.docks.lay_out()

    def remember(self) -> None:
        """Keep the layout for the next time."""
        self._settings.setValue("geometry", self.saveGeometry())
        self._settings.setValue("layout", self.docks.layout)
        self._settings.setValue("appearance", self._appearance)
        self._settings.setValue("rows", ",".join(sorted(self._rows or ())))
        self._settings.sync()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """More room, more plots."""
        super().resizeEvent(event)
        self._show_rows()
        self.tracks.redraw(is_needed=True)

    def _choose_rows(self) -> None:
        chosen = {key for key, action in self._row_actions.items() if action.isChecked()}
        self._rows = chosen or set(ALWAYS_SHOWN)
        self._show_rows()
        self.tracks.redraw(is_needed=True)

    def _show_rows(self) -> None:
        rows = self._rows
        if rows is None:
            everything = {quantity.key for quantity in QUANTITIES}
            rows = everything if self.height() >= TALL else set(ALWAYS_SHOWN)
        for key, action in self._row_actions.items():
            action.setChecked(key in rows)
        self.tracks.show_rows(rows)

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
            self.tracks.redraw()
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
        if self.is_working:
            self.docks.show()
        else:
            self.docks.hide()
        self._band_bar.setVisible(self.is_working)
        if not self.is_working:
            self.open_page.list_runs()
        self.pump_panel.show_source(present)
        self.event_panel.show_source(present)
        self.result_panel.show_results(present)
        self.tracks.show_source(present)
        is_log = present.origin is Origin.LOG
        if is_log:
            self.trust_panel.draw_status(present)
        if present.is_reachable and not is_log:
            self.session.ask("protocols")
        title = f"{present.title} – difftone" if self.is_working else "difftone"
        self.setWindowTitle(title)
        self._show_actions()
        self._tell_connection()
        self._tell_record()
        self.tracks.redraw(is_needed=True)

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
        self._tell_service(status, is_past=not present.is_reachable)
        if not present.is_reachable:
            self.band.control.setText("control: not known")
            return
        holder = status.control.who or "nobody"
        holder = "you hold control" if self.session.has_control else f"control: {holder}"
        self.band.control.setText(f"read only; {holder}" if present.reads_only else holder)
        self.band.control.setToolTip(READS_ONLY if present.reads_only else "")

    def _tell_service(self, status: Status, *, is_past: bool) -> None:
        """The log and the deadlines; of a run that is over or not heard, as they were."""
        log, deadlines = status.log, status.deadlines
        parts = [f"log: {log.state}{', ' + log.reason if log.reason else ''}, {log.rows} rows"]
        if log.free_bytes is not None:
            parts[0] += f", {bytes_text(log.free_bytes)} free"
        if deadlines.p99_ms is not None:
            parts.append(f"step p99 {deadlines.p99_ms:.1f} ms, {deadlines.missed} missed")
        text = "    ".join(parts)
        self.service_line.setText(f"when last heard: {text}" if is_past else text)

    def _tell_record(self) -> None:
        present = self.session.present
        self.band.show_verdict(verdict_on(present), is_stale=self._is_stale)
        self.tracks.tell()

    def _tell_connection(self) -> None:
        """Since when there are no news, and the look of it."""
        present = self.session.present
        is_stale = present.origin in (Origin.SERVICE, Origin.REHEARSAL) and not present.is_reachable
        if is_stale != self._is_stale:
            self._is_stale = is_stale
            self._put_on_plots()
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

    def _draw_trust(self, stretch: Stretch, is_needed: bool) -> None:
        """The innovations, unless nobody would see them."""
        if is_needed or self.docks.is_in_sight("Trust"):
            self.trust_panel.draw_time(stretch)

    # -- wishes ------------------------------------------------------------------------

    def mute(self) -> None:
        """Pump off, at once and without a question."""
        self.session.do(Action.MUTE)

    def say(self, text: str) -> None:
        """A line at the bottom."""
        self.answer.setText(text)

    def leave_source(self) -> None:
        """Close what is open, and show the ways to begin."""
        self.session.close_source()
        self.say("")  # what was answered there is no news here

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
