"""The window, driven as a person would, on a service without a loop behind it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import QPoint, QSettings, Qt
from PySide6.QtGui import QAccessible, QGuiApplication, QPalette
from PySide6.QtWidgets import (
    QAbstractButton,
    QAbstractSpinBox,
    QApplication,
    QComboBox,
    QLineEdit,
    QStyleOptionViewItem,
    QTableView,
    QTreeWidget,
    QWidget,
)
from pytestqt.qtbot import QtBot

from controller.records import ModeId, PumpState
from controller.service.access import Role, make_client_key, make_service_key
from controller.service.messages import EventMessage, RecordMessage, ResultMessage, StatusMessage
from gui.look import SYSTEM, look_for
from gui.models.actions import Action
from gui.models.present import Changed
from gui.session import Address, Rehearsals, Session
from gui.views.elided_label import ElidedLabel
from gui.views.window import Window
from tests.support.desk import event, present_of, present_with, pumped_record, status
from tests.support.little_service import LittleService
from tests.support.sample_log import SampleRun, write_log

pytestmark = pytest.mark.live

WITHIN_MS = 10_000
CONTROLS = (QAbstractButton, QLineEdit, QAbstractSpinBox, QComboBox, QTableView, QTreeWidget)
LINE_PIXELS = 14  # what lies closer than this from top to bottom stands in one line


def settings(folder: Path) -> QSettings:
    """A file of its own."""
    return QSettings(str(folder / "desk.ini"), QSettings.Format.IniFormat)


@pytest.fixture
def service() -> Iterator[LittleService]:
    """Says yes to everything."""
    with LittleService() as service:
        yield service


@pytest.fixture
def idle_window(qtbot: QtBot, tmp_path: Path) -> Iterator[Window]:
    """A window with nothing open."""
    session = Session(Rehearsals(scenarios={"quiet_room": "Quiet room"}))
    window = Window(session, settings(tmp_path))
    qtbot.addWidget(window)
    window.show()
    yield window
    window.close()


@pytest.fixture
def window(qtbot: QtBot, idle_window: Window, service: LittleService) -> Window:
    """A window on the service."""
    connect(qtbot, idle_window, service)
    return idle_window


def connect(qtbot: QtBot, window: Window, service: LittleService, keys: Path | None = None) -> None:
    """By the page that is shown while nothing is open."""
    page = window.open_page
    page.command_port.setValue(service.command_port)
    page.telemetry_port.setValue(service.telemetry_port)
    page.keys.setText("" if keys is None else str(keys))
    page.who.setText("ann")
    qtbot.mouseClick(page.connect_button, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: window.session.present.is_reachable, timeout=WITHIN_MS)


def done(service: LittleService) -> list[str]:
    """The commands that the service carried out."""
    return [str(incoming.command.model_dump()["command"]) for incoming in service.done]


def press(qtbot: QtBot, button: QAbstractButton) -> None:
    """As soon as it can be pressed."""
    qtbot.waitUntil(button.isEnabled, timeout=WITHIN_MS)
    qtbot.mouseClick(button, Qt.MouseButton.LeftButton)


def show(window: Window, *messages: object) -> None:
    """Let the window have news."""
    window.session.changed.emit(window.session.present.take(messages))  # type: ignore[arg-type]


# --- acting ----------------------------------------------------------------


def test_mute_takes_one_press_and_no_control(
    qtbot: QtBot, window: Window, service: LittleService
) -> None:
    qtbot.mouseClick(window.band.mute, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: done(service).count("mute") == 1, timeout=WITHIN_MS)
    window.pump_panel.note_text.setFocus()
    qtbot.keyClick(window.pump_panel.note_text, Qt.Key.Key_F12)
    qtbot.waitUntil(lambda: done(service).count("mute") == 2, timeout=WITHIN_MS)
    assert window.pump_panel.note_text.text() == ""  # the key is no text


def test_what_needs_control_says_so_until_it_is_taken(
    qtbot: QtBot, window: Window, service: LittleService
) -> None:
    panel = window.pump_panel
    assert not panel.arm.isEnabled() and "take control first" in panel.arm.toolTip()
    press(qtbot, panel.take_control)
    qtbot.waitUntil(lambda: window.session.has_control, timeout=WITHIN_MS)
    qtbot.waitUntil(panel.arm.isEnabled, timeout=WITHIN_MS)
    assert "you hold control" in window.band.control.text()


def test_arming_asks_first_and_shows_what_it_will_set(
    qtbot: QtBot, window: Window, service: LittleService
) -> None:
    panel = window.pump_panel
    told = status(PumpState.OFF, pump_amplitude=0.5)
    show(window, RecordMessage(time_s=1.0, record=pumped_record(1.0)))
    press(qtbot, panel.take_control)
    qtbot.waitUntil(panel.arm.isEnabled, timeout=WITHIN_MS)
    show(window, StatusMessage(time_s=1.0, status=told))
    press(qtbot, panel.arm)
    assert window.question.isVisible()
    assert "500 mV at 7\u2009000.000\u200900 Hz ± 100 µHz" in window.question.text.text()
    assert "high voltage" in window.question.caution.text()
    qtbot.mouseClick(window.question.no, Qt.MouseButton.LeftButton)
    assert not window.question.isVisible()
    press(qtbot, panel.arm)
    assert window.band.mute.isEnabled()  # nothing stands before it
    qtbot.mouseClick(window.question.yes, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: "arm" in done(service), timeout=WITHIN_MS)
    assert done(service).count("arm") == 1


def test_more_amplitude_asks_and_less_does_not(
    qtbot: QtBot, window: Window, service: LittleService
) -> None:
    panel = window.pump_panel
    press(qtbot, panel.take_control)
    qtbot.waitUntil(panel.set_amplitude.isEnabled, timeout=WITHIN_MS)
    panel.amplitude.setValue(0.25)
    press(qtbot, panel.set_amplitude)
    assert "from 0 V to 250 mV" in window.question.text.text()
    qtbot.mouseClick(window.question.yes, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: done(service).count("pump_amplitude") == 1, timeout=WITHIN_MS)
    panel.amplitude.setValue(0.0)
    press(qtbot, panel.set_amplitude)
    assert not window.question.isVisible()
    qtbot.waitUntil(lambda: done(service).count("pump_amplitude") == 2, timeout=WITHIN_MS)


def test_amplitudes_beyond_the_limit_cannot_be_typed(window: Window) -> None:
    window.pump_panel.amplitude.setValue(1e3)
    assert window.pump_panel.amplitude.value() == 2.0  # of the little service's channel


def test_a_number_may_be_typed_with_a_comma(qtbot: QtBot, window: Window) -> None:
    box = window.pump_panel.amplitude
    assert box.valueFromText("0,25 V") == box.valueFromText("0.25 V") == 0.25
    assert box.valueFromText("−1.5e-1") == -0.15


def test_a_note_is_written(qtbot: QtBot, window: Window, service: LittleService) -> None:
    qtbot.keyClicks(window.pump_panel.note_text, "lid closed")
    qtbot.keyClick(window.pump_panel.note_text, Qt.Key.Key_Return)
    qtbot.waitUntil(lambda: "note" in done(service), timeout=WITHIN_MS)
    assert service.done[-1].command.model_dump()["text"] == "lid closed"


def test_a_refusal_is_shown(qtbot: QtBot, window: Window) -> None:
    window.session.do(Action.ARM)  # without control
    qtbot.waitUntil(lambda: "NOT DONE" in window.answer.text(), timeout=WITHIN_MS)
    assert "control" in window.answer.text()  # and why


def test_a_readers_key_shows_at_once_that_it_may_only_read(
    qtbot: QtBot, idle_window: Window, tmp_path: Path
) -> None:
    make_service_key(tmp_path / "keys")
    files = {role: make_client_key(tmp_path / "keys", str(role), role) for role in Role}
    panel, band = idle_window.pump_panel, idle_window.band
    with LittleService(keys=tmp_path / "keys") as service:
        connect(qtbot, idle_window, service, files[Role.READER])
        qtbot.waitUntil(lambda: idle_window.session.present.reads_only, timeout=WITHIN_MS)
        assert panel.reads_only.isVisible()
        assert band.control.text() == "read only; control: nobody"
        assert not band.mute.isEnabled() and "may read" in band.mute.toolTip()
        assert not panel.take_control.isEnabled() and not panel.note.isEnabled()
        assert idle_window.protocol_panel.check.isEnabled()
        idle_window.leave_source()
        connect(qtbot, idle_window, service, files[Role.CONTROLLER])
        press(qtbot, panel.take_control)
        qtbot.waitUntil(lambda: idle_window.session.has_control, timeout=WITHIN_MS)
        assert not panel.reads_only.isVisible() and band.mute.isEnabled()
        assert service.vanished == []


# --- looking ---------------------------------------------------------------


def test_events_are_searched_and_lead_to_their_time(qtbot: QtBot, window: Window) -> None:
    panel = window.event_panel
    for time_s, kind in ((100.0, "mute"), (200.0, "gap"), (300.0, "mute")):
        happened = event(time_s, "pump", kind, f"because of {kind}")
        show(window, EventMessage(time_s=time_s, event=happened))
    assert [line.time_s for line in panel.table.lines] == [300.0, 200.0, 100.0]
    qtbot.keyClicks(panel.search, "because mute")
    assert [line.time_s for line in panel.table.lines] == [300.0, 100.0]
    panel.list.activated.emit(panel.table.index(1, 0))
    assert window.tracks.view.start_s < 100.0 < window.tracks.view.end_s
    assert not window.tracks.view.follows


def test_a_long_reason_is_told_in_full(window: Window) -> None:
    reason = "the upper drive has not reached its amplitude, and the difference is uncertain"
    happened = event(100.0, "pump", "interlock_open", reason)
    show(window, EventMessage(time_s=100.0, event=happened))
    window.docks["Events"].raise_()
    panel = window.event_panel
    panel.list.setCurrentIndex(panel.table.index(0, 3))
    assert panel.told.isVisible()
    assert panel.told.text() == f"0:01:40.0  pump  interlock_open: {reason}"


def test_a_mark_tells_its_reason(qtbot: QtBot, window: Window) -> None:
    for time_s in (0.1, 30.0):
        show(window, RecordMessage(time_s=time_s, record=pumped_record(time_s)))
    happened = event(15.0, "lower", "state", "locked -> lost: the phase ran away")
    show(window, EventMessage(time_s=30.0, event=happened))
    window.tracks.redraw(is_needed=True)
    ribbon = next(iter(window.tracks.strips.values())).ribbon
    assert [mark.time_s for mark in ribbon.marks] == [15.0]
    found = {ribbon.described(x) for x in range(ribbon.width())}
    assert any("the phase ran away" in text for text in found)


def test_dragging_stops_following_and_a_button_follows_again(qtbot: QtBot, window: Window) -> None:
    for n in range(100):
        show(window, RecordMessage(time_s=float(n + 1), record=pumped_record(float(n + 1))))
    plot = window.tracks.difference.plot
    before_s = window.tracks.view.start_s
    plot.box.panned.emit(-20.0)
    assert not window.tracks.view.follows
    assert window.tracks.view.start_s == pytest.approx(before_s - 20.0)
    shown = [each.box.viewRange()[0] for each in window.tracks.plots if each.isVisible()]
    assert np.ptp(np.array(shown), axis=0) == pytest.approx([0.0, 0.0])  # all of them
    qtbot.keyClick(plot, Qt.Key.Key_Plus)
    assert window.tracks.view.span_s < 60.0
    qtbot.mouseClick(window.tracks.spans["10 min"], Qt.MouseButton.LeftButton)
    assert window.tracks.view.follows and window.tracks.view.span_s == pytest.approx(600.0)


def test_values_are_copied_and_plots_saved(qtbot: QtBot, window: Window, tmp_path: Path) -> None:
    show(window, *(RecordMessage(time_s=t, record=pumped_record(t)) for t in (1.0, 2.0, 3.0)))
    window.tracks.difference.plot.pointed.emit(2.1)
    window.tracks.menu.copy_cursor()
    assert QGuiApplication.clipboard().text().startswith("0:00:02.0    difference 7")
    assert "difference" in window.tracks.cursor_words.text()
    window.tracks.menu.copy_visible()
    assert len(QGuiApplication.clipboard().text().splitlines()) == 4
    for kind, beginning in (("png", b"\x89PNG"), ("svg", b"<?xml"), ("csv", b"time_s,")):
        path = tmp_path / f"plot.{kind}"
        window.tracks.menu.save(window.tracks.difference.plot, path)
        assert path.read_bytes().startswith(beginning)
    window.tracks.menu.save(window.tracks.difference.plot, tmp_path / "nowhere" / "plot.csv")
    assert "cannot be written" in window.answer.text()


def test_results_are_in_full_and_copied(qtbot: QtBot, window: Window) -> None:
    failure = "the fit did not converge: the upper mode had decayed before the pump came on"
    result = {
        "decay_rate_upper_per_s": 0.099741,
        "decay_rate_upper_per_s_sigma": 0.00079,
        "is_strongly_coupled": True,
        "failure": failure,
    }
    show(window, ResultMessage(time_s=1.0, name="exchange", result=result))
    window.resize(1280, 800)
    window.docks["Results"].raise_()
    QApplication.processEvents()
    tree = window.result_panel.tree
    lines = [tree.topLevelItem(0).child(n) for n in range(3)]
    for line in lines:
        is_alone = line.isFirstColumnSpanned()
        for column in range(1 if is_alone else 3):
            place = tree.indexFromItem(line, column)
            room = tree.viewport().width() if is_alone else tree.columnWidth(column)
            needed = tree.itemDelegate().sizeHint(QStyleOptionViewItem(), place)
            indent = 2 * tree.indentation() if column == 0 else 0
            assert needed.width() + indent <= room
            assert needed.height() <= tree.visualItemRect(line).height()
    assert lines[2].text(0).replace("\n", " ") == f"failure: {failure}"
    assert failure in lines[2].toolTip(0)
    tree.setCurrentItem(lines[0])
    tree.setFocus()
    qtbot.keyClick(tree, Qt.Key.Key_C, Qt.KeyboardModifier.ControlModifier)
    assert QGuiApplication.clipboard().text() == "decay rate upper\t0.09974 1/s\t± 0.00079 1/s"


def test_what_is_no_longer_news_looks_so(qtbot: QtBot, window: Window) -> None:
    show(window, RecordMessage(time_s=1.0, record=pumped_record(1.0)))
    assert window.tracks.difference.side.isEnabled()
    window.session.present.lose()
    window.session.changed.emit({Changed.SOURCE, Changed.STATUS})
    assert not window.tracks.difference.side.isEnabled()
    assert not window.service_line.isEnabled()
    assert window.band.control.text() == "control: not known"


def test_words_without_room_end_in_an_ellipsis_and_keep_their_text(qtbot: QtBot) -> None:
    label = ElidedLabel()
    qtbot.addWidget(label)
    label.setText("a sentence that is far longer than the room that there is for it")
    label.resize(80, 20)
    label.show()
    narrow = label.grab().toImage()
    assert label.toolTip() == label.text() and label.minimumSizeHint().width() < 80
    label.resize(800, 20)
    assert label.grab().toImage().copy(narrow.rect()) != narrow  # it ended otherwise


# --- the window itself -------------------------------------------------------


def reached_by_tab(first: QWidget) -> list[QWidget]:
    """What the tab key leads to, in its order."""
    reached: list[QWidget] = []
    widget = first
    while widget not in reached:
        reached.append(widget)
        widget = widget.nextInFocusChain()
        while not (is_reachable(widget) or widget in reached):
            widget = widget.nextInFocusChain()
    return reached


def is_reachable(widget: QWidget) -> bool:
    """Whether the tab key stops there."""
    takes_focus = bool(widget.focusPolicy() & Qt.FocusPolicy.TabFocus)
    return takes_focus and widget.isVisible() and widget.focusProxy() is None


def name_of(widget: QWidget) -> str:
    """What a screen reader calls it."""
    interface = QAccessible.queryAccessibleInterface(widget)
    return interface.text(QAccessible.Text.Name) if interface is not None else ""


@pytest.fixture
def able_window(qtbot: QtBot, window: Window) -> Window:
    """With control, protocols, and a question: all that can be asked for is there."""
    chosen = [
        {"name": "echo", "title": "Echo", "parameters": {"free_s": 1.0, "turns": 0.1}},
        {"name": "exchange", "title": "Exchange", "parameters": {"decays": 2.5, "ratio": 0.1}},
    ]
    window.protocol_panel.show_protocols(chosen)
    window.question.ask("Sure?", "Yes", lambda: None)
    press(qtbot, window.pump_panel.take_control)
    qtbot.waitUntil(window.pump_panel.arm.isEnabled, timeout=WITHIN_MS)
    return window


def test_every_control_can_be_reached_by_keyboard(able_window: Window) -> None:
    reached = reached_by_tab(able_window.band.mute)
    for kind in CONTROLS:
        faults = [
            name_of(widget) or repr(widget)
            for panel in (able_window.band, able_window.tracks, *able_window.docks.panels)
            for widget in panel.findChildren(kind)
            if widget.isVisible()
            and widget not in reached
            and not widget.objectName().startswith("qt_")
        ]
        assert faults == []


def test_the_tab_key_leads_as_one_reads(able_window: Window) -> None:
    reached = reached_by_tab(able_window.band.mute)
    for panel in (able_window.tracks, *able_window.docks.panels):
        within = [widget for widget in reached if panel.isAncestorOf(widget)]
        places = [widget.mapTo(panel, widget.rect().center()) for widget in within]
        lines = [(place.y() // LINE_PIXELS, place.x()) for place in places]
        assert lines == sorted(lines), [name_of(widget) for widget in within]


def test_panels_are_reached_one_after_the_other(able_window: Window) -> None:
    panels = [able_window.band, *able_window.docks.panels, able_window.tracks]  # act, then look
    owners = [
        next((n for n, panel in enumerate(panels) if panel.isAncestorOf(widget)), None)
        for widget in reached_by_tab(able_window.band.mute)
    ]
    known = [owner for owner in owners if owner is not None]
    assert known == sorted(known)


def test_the_ways_to_begin_are_reached_as_one_reads(idle_window: Window) -> None:
    page = idle_window.open_page
    reached = [w for w in reached_by_tab(page.scenarios) if page.isAncestorOf(w)]
    assert [name_of(widget) for widget in reached] == [
        *("scenarios", "Rehearse"),
        *("Address", "Commands, port", "Telemetry, port", "Key file", "choose the key file"),
        *("Your name", "Connect"),
        *("runs", "Browse", "Elsewhere…"),
    ]


def test_what_is_reached_has_a_name(able_window: Window) -> None:
    assert [
        repr(widget) for widget in reached_by_tab(able_window.band.mute) if not name_of(widget)
    ] == []


def test_plots_without_data_have_no_numbers(window: Window) -> None:
    for plot in window.trust_panel.plots:
        assert [axis.tickValues(0.0, 1.0, 200) for axis in (plot.values, plot.below)] == [[], []]


def test_light_and_dark(window: Window) -> None:
    colours = []
    for appearance in ("light", "dark"):
        window.set_appearance(appearance)
        colours.append(paper_lightness(window.tracks.difference.plot))
    assert colours[0] > 200 > 60 > colours[1]


def paper_lightness(plot: QWidget) -> int:
    """Of a corner in which nothing is drawn."""
    QApplication.processEvents()
    return plot.grab().toImage().pixelColor(QPoint(2, 2)).lightness()


@pytest.mark.parametrize(
    ("before", "after"),
    [(Qt.ColorScheme.Light, Qt.ColorScheme.Dark), (Qt.ColorScheme.Dark, Qt.ColorScheme.Light)],
)
def test_a_change_of_the_systems_scheme_reaches_everything(
    idle_window: Window, before: Qt.ColorScheme, after: Qt.ColorScheme
) -> None:
    """Also where no news come that would bring the new colours, as in a log."""
    window, look = idle_window, look_for(SYSTEM, after)
    window.session.present = present_with(status(), pumped_record(1.0))
    window.session.changed.emit(set(Changed))
    for scheme in (before, after):
        QApplication.styleHints().colorSchemeChanged.emit(scheme)
    assert look.good in window.band.sentence.styleSheet()
    assert look.good in window.tracks.strips[ModeId.LOWER].side.text("state")
    papers = [plot.backgroundBrush().color().name() for plot in window.tracks.plots]
    papers += [plot.backgroundBrush().color().name() for plot in window.trust_panel.plots]
    assert set(papers) == {look.paper}
    for plot in window.tracks.plots:
        assert plot.values.textPen().color().name() == look.faint
        assert plot.caption.palette().windowText().color().name() == look.faint
    QApplication.processEvents()
    for widget, colour in (
        (window.pump_panel.note_text, look.paper),
        (window.event_panel.list, look.paper),
        (window.statusBar(), look.raised),
    ):
        role = QPalette.ColorRole.Base if colour == look.paper else QPalette.ColorRole.Window
        assert widget.palette().color(role).name() == colour


def test_the_layout_is_remembered(
    qtbot: QtBot, window: Window, tmp_path: Path, service: LittleService
) -> None:
    window.docks["Events"].close()
    window._row_actions["snr"].trigger()
    window.close()
    again = Window(Session(), settings(tmp_path))
    qtbot.addWidget(again)
    again.show()
    assert not again.tracks.strips["lower"].plots["snr"].isHidden()  # type: ignore[index]
    connect(qtbot, again, service)
    assert again.docks["Events"].isHidden()
    assert not again.docks["Protocol"].isHidden()
    again.close()


def test_what_cannot_be_opened_is_said(qtbot: QtBot, idle_window: Window, tmp_path: Path) -> None:
    idle_window.session.open_log(tmp_path / "none.sqlite")
    qtbot.waitUntil(lambda: "none.sqlite" in idle_window.open_page.message.text())
    idle_window.session.open_service(Address(keys=tmp_path / "none.key"))
    assert "none.key" in idle_window.open_page.message.text()
    assert not idle_window.is_working


def test_a_finished_run_says_what_it_does_not_show(
    qtbot: QtBot, idle_window: Window, tmp_path: Path
) -> None:
    write_log(tmp_path / "log.sqlite", SampleRun(duration_s=30.0))
    idle_window.session.open_log(tmp_path / "log.sqlite")
    qtbot.waitUntil(lambda: "finished run" in idle_window.protocol_panel.status.text())
    captions = [plot.caption.text() for plot in idle_window.trust_panel.spectra.values()]
    assert all("not kept in a log" in caption for caption in captions)


def test_a_rehearsal_that_does_not_begin_is_said(qtbot: QtBot, idle_window: Window) -> None:
    press(qtbot, idle_window.open_page.rehearse)  # the command of these rehearsals ends at once
    qtbot.waitUntil(
        lambda: "has not begun" in idle_window.open_page.message.text(), timeout=WITHIN_MS
    )
    assert not idle_window.is_working


def test_all_that_has_changed_is_drawn(window: Window) -> None:
    window.session.present = present_of(RecordMessage(time_s=1.0, record=pumped_record(1.0)))
    window.session.changed.emit(set(Changed))
    assert window.tracks.difference.side.text("width") == "81.1 mHz"
