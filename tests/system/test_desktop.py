"""The desktop on the real service: a newcomer's walk, and a service that dies and comes back."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from PySide6.QtCore import QSettings, Qt
from PySide6.QtWidgets import QAbstractButton, QApplication
from pytestqt.qtbot import QtBot

from controller.records import ModeId, PumpState
from controller.runtime.log.reader import LogReader
from controller.service.messages import RecordMessage
from gui.models.present import Changed, Origin
from gui.models.verdict import Level, verdict_on
from gui.session import Address, Rehearsals, Session
from gui.views.window import Window
from tests.rules.sources import ROOT
from tests.support.desk import present_of, pumped_record
from tests.support.witness import witnessed_scenario

pytestmark = pytest.mark.live

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")  # before the first window

WITHIN_MS = 60_000  # for what takes seconds, on a machine however busy
REDRAWS = 1200  # more than a thousand: an extension that loses references has died by then
SPEED = 8.0  # stream seconds in a second
EXCHANGE_HZ = 2 * 0.04 * 0.5  # g / pi: the quiet room's coupling per volt, twice, at its amplitude
SERVE = [sys.executable, "-m", "controller.cli", "serve"]


@pytest.fixture(autouse=True)
def _surroundings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Runs and state files stay here; the membrane that goes fast is found."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))


@pytest.fixture
def scenario(tmp_path: Path) -> Path:
    """The quiet room, faster than real time."""
    return witnessed_scenario(tmp_path, speed=SPEED)


@pytest.fixture
def window(qtbot: QtBot, tmp_path: Path, scenario: Path) -> Iterator[Window]:
    """A window in which the quiet room can be rehearsed."""

    def command(name: str) -> list[str]:
        assert name == "quiet_room"
        return [*SERVE, "--port", "0", "--rehearse", str(scenario), "--out", "runs/first"]

    rehearsals = Rehearsals(scenarios={"quiet_room": "Quiet room"}, command=command)
    settings = QSettings(str(tmp_path / "desk.ini"), QSettings.Format.IniFormat)
    window = Window(Session(rehearsals), settings)
    qtbot.addWidget(window)
    window.resize(1280, 800)
    window.show()
    yield window
    window.close()


class Person:
    """Presses what can be pressed, and waits for what is to be seen."""

    def __init__(self, qtbot: QtBot, window: Window, pictures: Path) -> None:
        self._qtbot, self._window, self._pictures = qtbot, window, pictures

    def waits_for(self, is_seen: Callable[[], bool]) -> None:
        """However long a busy machine takes."""
        self._qtbot.waitUntil(is_seen, timeout=WITHIN_MS)

    def presses(self, button: QAbstractButton) -> None:
        """As soon as it can be pressed."""
        self.waits_for(button.isEnabled)
        self._qtbot.mouseClick(button, Qt.MouseButton.LeftButton)

    def takes_a_picture(self, name: str) -> None:
        """For whoever looks at the test's folder."""
        assert self._window.grab().save(str(self._pictures / f"{name}.png"))

    def sees(self, mode: ModeId) -> str:
        """The state of a mode in words."""
        return self._window.tracks.strips[mode].side.text("state")


@pytest.fixture
def person(qtbot: QtBot, window: Window, tmp_path: Path) -> Person:
    """Sits before the window."""
    return Person(qtbot, window, tmp_path)


def is_alive(pid: int) -> bool:
    """Whether there is such a process, dead ones that nobody has asked for left out."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def test_a_newcomer_walks_from_rehearsal_to_log(
    qtbot: QtBot, window: Window, person: Person
) -> None:
    pump, protocol = window.pump_panel, window.protocol_panel
    # Rehearse, and watch it lock.
    person.presses(window.open_page.rehearse)
    person.waits_for(lambda: window.session.present.origin is Origin.REHEARSAL)
    person.waits_for(lambda: all("locked" in person.sees(mode) for mode in ModeId))
    service_pid = window.session.rehearsal.pid  # type: ignore[union-attr]
    # Arm: control first, then a question that says what will be put out.
    person.presses(pump.take_control)
    person.presses(pump.arm)
    assert "500 mV" in window.question.text.text()
    person.takes_a_picture("question")
    person.presses(window.question.yes)
    person.waits_for(lambda: verdict_on(window.session.present).level is Level.GOOD)
    assert float(window.band.number.text()) < 0.1
    assert "within a tenth of the line" in window.band.sentence.text()
    person.takes_a_picture("on_the_difference")
    # Run an exchange, shortened.
    person.waits_for(lambda: protocol.choice.findData("exchange") >= 0)
    protocol.choose("exchange")
    protocol.parameter("decays").setValue(1.0)
    person.presses(protocol.start)
    person.waits_for(window.question.isVisible)
    assert "output pump: sine of up to 0.5 V" in window.question.text.text()
    person.takes_a_picture("question_of_protocol")
    person.presses(window.question.yes)
    person.waits_for(lambda: "is being carried out" in protocol.status.text())
    person.waits_for(lambda: "step 7 of 12" in protocol.left.text())
    person.takes_a_picture("exchange")
    # Read the exchange rate off the screen.
    results = window.result_panel
    person.waits_for(lambda: results.text_of("exchange", "energy exchange") != "")
    value, unit, _, sigma, sigma_unit = results.text_of("exchange", "energy exchange").split()
    assert unit == sigma_unit == "mHz"
    assert abs(1e-3 * float(value) - EXCHANGE_HZ) < 5e-3 * float(sigma)
    assert results.figure.isVisible()
    window.docks["Trust"].raise_()
    person.takes_a_picture("trust")
    window.docks["Results"].raise_()
    person.takes_a_picture("result")
    # Arm again, and mute: one key, no question.
    person.presses(pump.arm)
    person.presses(window.question.yes)
    present = window.session.present
    person.waits_for(lambda: present.record.pump_state is PumpState.ON)  # type: ignore[union-attr]
    qtbot.keyClick(window, Qt.Key.Key_F12)
    person.waits_for(lambda: "Muted by" in window.band.sentence.text())
    person.takes_a_picture("muted")
    # Leave: the rehearsal's service ends. Find the run in its log.
    window.leave_source()
    person.waits_for(lambda: not window.is_working and not is_alive(service_pid))
    window.open_page.list_runs()
    assert window.open_page.runs.item(0).text() == "first"
    person.presses(window.open_page.open_log)
    person.waits_for(lambda: window.session.present.origin is Origin.LOG)
    assert results.text_of("exchange", "energy exchange").startswith(value)
    qtbot.keyClicks(window.event_panel.search, "operator muted")
    assert "mute" in {line.kind for line in window.event_panel.table.lines}
    assert "this is the log of a run" in pump.arm.toolTip()
    person.takes_a_picture("log")


def test_the_command_opens_a_rehearsal_and_ends_with_it(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "controller.cli", "desk", "--rehearse", "quiet_room"]
    surroundings = {**os.environ, "XDG_CONFIG_HOME": str(tmp_path)}
    desk = subprocess.Popen(command, env=surroundings, stderr=subprocess.DEVNULL)
    log = tmp_path / "runs" / "quiet_room-1" / "log.sqlite"
    try:
        assert any(log.is_file() for _ in pauses())
    finally:
        desk.terminate()
    assert desk.wait(60.0) == 0
    with LogReader(log) as reader:
        assert reader.outcome == "interrupted"
    assert (tmp_path / "difftone" / "desk.ini").is_file()  # the layout is remembered


def pauses() -> Iterator[None]:
    """As many as there are in what a busy machine takes."""
    pause, until_s = threading.Event(), time.monotonic() + 1e-3 * WITHIN_MS
    while time.monotonic() < until_s:
        yield
        pause.wait(0.1)


def free_ports() -> int:
    """A port that is free, like the one after it."""
    while True:
        with socket.socket() as one, socket.socket() as other:
            one.bind(("127.0.0.1", 0))
            port = int(one.getsockname()[1])
            try:
                other.bind(("127.0.0.1", port + 1))
            except (OSError, OverflowError):
                continue
            return port


def test_a_service_that_is_killed_and_started_again(
    window: Window, person: Person, scenario: Path
) -> None:
    port = free_ports()

    def start(out: str) -> subprocess.Popen[bytes]:
        command = [*SERVE, "--port", str(port), "--rehearse", str(scenario), "--out", out]
        return subprocess.Popen(command, stdout=subprocess.DEVNULL)

    service = start("one")
    try:
        window.session.open_service(Address(command_port=port, telemetry_port=port + 1))
        person.waits_for(lambda: len(window.session.present.history) > 10)
        service.send_signal(signal.SIGKILL)
        person.waits_for(lambda: "No news since" in window.band.sentence.text())
        assert "no connection" in window.band.mute.toolTip()
        person.takes_a_picture("no_news")
        service.wait()
        service = start("two")
        person.waits_for(lambda: window.session.present.is_reachable)
        person.waits_for(lambda: window.band.mute.isEnabled())
        person.takes_a_picture("news_again")
    finally:
        service.terminate()
        service.wait()


def test_the_window_survives_a_thousand_redraws(qtbot: QtBot, window: Window) -> None:
    window.session.present = present_of(told(0.05))
    window.session.changed.emit(set(Changed))
    for n in range(1, REDRAWS + 1):
        window.session.changed.emit(window.session.present.take([told(0.1 * n)]))
        if n % 20 == 0:
            QApplication.processEvents()
    assert len(window.session.present.history) == REDRAWS + 1
    assert window.band.number.text() == "0.012"


def told(time_s: float) -> RecordMessage:
    """A record with the pump a little beside the difference."""
    return RecordMessage(time_s=time_s, record=pumped_record(time_s, error_hz=1e-3))
