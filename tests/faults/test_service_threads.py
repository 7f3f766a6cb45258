"""A defect in any thread of the service: tones off first, one line, status 1, nothing lost.

The service runs in the test's own process, so that anything in it can be broken; its loop
is a process of its own, as ever.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from controller import cli
from controller.records import PumpState
from controller.runtime.log.keeper import LogKeeper
from controller.service import child, server
from controller.service.state_file import ServiceState, read_state
from tests.support.witness import said, tones_on, witnessed_scenario

pytestmark = pytest.mark.live

ALL_OFF = ["tone pump 0.0", "tone drive_lower 0.0", "tone drive_upper 0.0", "stop"]
BLOCK_S, RECORD_S = 0.02, 0.1
LATER_S = 9.0  # in the stream, when the pump has been on for a while
SERVICE = "\n[service]\ncommand_port = 0\ntelemetry_port = 0\narm_at_start = true\n"
Act = Callable[["server._Service"], None]


class Broken:
    """A service of which something breaks once its pump is on."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.folder, self.patch = folder, monkeypatch
        self.calls_before: list[tuple[int, str]] = []
        self.has_acted = False
        monkeypatch.setenv("XDG_STATE_HOME", str(folder))

    def once_pumping(self, act: Act) -> None:
        """Do something to the service in the first turn with its pump on."""
        turn = server._Service._turn

        def watched(service: server._Service) -> None:
            turn(service)
            state = service._loop.state
            if not self.has_acted and state is not None and state.pump_state is PumpState.ON:
                self.has_acted, self.calls_before = True, said(self.folder)
                act(service)

        self.patch.setattr(server._Service, "_turn", watched)

    def serve(self, **options: object) -> int:
        """Run to the end; the exit status."""
        path = witnessed_scenario(self.folder, speed=8.0, **options)
        path.write_text(path.read_text(encoding="utf-8") + SERVICE, encoding="utf-8")
        out = str(self.folder / "run")
        return cli.main(["serve", str(path), "--out", out, "--name", "test"])

    @property
    def state(self) -> ServiceState:
        """What the state file says of its end."""
        state = read_state("test")
        assert state is not None
        return state

    def rows(self, query: str) -> list[tuple[Any, ...]]:
        """Rows of the log."""
        with sqlite3.connect(self.folder / "run" / "log.sqlite") as database:
            return database.execute(query).fetchall()


@pytest.fixture
def broken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Broken]:
    """Not started yet."""
    yield Broken(tmp_path, monkeypatch)


def assert_ended_in_order(broken: Broken, complaint: str, because: str) -> None:
    """One line, tones off, a log that is whole and says why."""
    assert len(complaint.splitlines()) == 1 and "Traceback" not in complaint
    assert because in complaint
    state = broken.state
    assert (state.outcome, state.tones_off) == ("failed", True)
    assert because in state.reason
    assert tones_on(said(broken.folder)) == set()
    assert broken.rows("SELECT outcome FROM run") == [("failed",)]
    assert because in broken.rows("SELECT reason FROM run")[0][0]
    assert broken.rows("PRAGMA integrity_check") == [("ok",)]


def assert_no_record_lost(broken: Broken) -> None:
    """Ten records a second, to the last tone's time."""
    times_s = np.array(broken.rows("SELECT time_s FROM records ORDER BY rowid"))[:, 0]
    assert np.max(np.diff(times_s)) < 1.5 * RECORD_S
    [(end_s,)] = broken.rows("SELECT max(time_s) FROM tones")
    # A record stands for the middle of its tick, and is known a filter's delay later.
    assert end_s - times_s[-1] < 2.0 * RECORD_S + 2.0 * BLOCK_S


def raise_defect(service: server._Service) -> None:
    """A defect of the service's own thread."""
    raise ZeroDivisionError("a defect\nof two lines")


def test_an_error_in_the_services_own_thread(
    broken: Broken, capsys: pytest.CaptureFixture[str]
) -> None:
    broken.once_pumping(raise_defect)
    assert broken.serve() == 1
    assert_ended_in_order(broken, capsys.readouterr().err, "ZeroDivisionError: a defect of two")
    texts = [text for _, text in said(broken.folder)[len(broken.calls_before) :]]
    assert texts[-4:] == ALL_OFF
    assert_no_record_lost(broken)


def test_telemetry_that_fails_again_and_again_costs_neither_the_log_nor_the_last_word(
    broken: Broken, capsys: pytest.CaptureFixture[str]
) -> None:
    def tells_no_more(service: server._Service) -> None:
        broken.patch.setattr(service._sockets, "publish", lambda message: raise_defect(service))

    broken.once_pumping(tells_no_more)
    assert broken.serve() == 1
    assert_ended_in_order(broken, capsys.readouterr().err, "ZeroDivisionError: a defect of two")
    assert_no_record_lost(broken)


def test_an_error_in_the_thread_of_the_log(
    broken: Broken, capsys: pytest.CaptureFixture[str]
) -> None:
    commit, failures = LogKeeper.commit, []

    def fails_once(keeper: LogKeeper) -> bool:
        if broken.has_acted and not failures:
            failures.append(keeper)
            raise KeyError("a defect")
        return commit(keeper)

    broken.patch.setattr(LogKeeper, "commit", fails_once)
    broken.once_pumping(lambda service: None)
    assert broken.serve() == 1
    assert_ended_in_order(broken, capsys.readouterr().err, "the log failed: KeyError: 'a defect'")
    assert [text for _, text in said(broken.folder)][-4:] == ALL_OFF
    assert_no_record_lost(broken)


def test_a_log_that_fails_for_good_is_told_on_one_line_too(
    broken: Broken, capsys: pytest.CaptureFixture[str]
) -> None:
    def fails(keeper: LogKeeper, *arguments: Any) -> bool:
        raise KeyError("a defect")

    def fails_from_now_on(service: server._Service) -> None:
        for method in ("commit", "write", "close"):
            broken.patch.setattr(LogKeeper, method, fails)

    broken.once_pumping(fails_from_now_on)
    assert broken.serve() == 1
    [complaint] = capsys.readouterr().err.splitlines()
    assert "the log failed: KeyError" in complaint
    assert [text for _, text in said(broken.folder)][-4:] == ALL_OFF
    assert broken.state.tones_off and broken.state.outcome == "failed"


def test_an_error_in_the_loop(broken: Broken, capsys: pytest.CaptureFixture[str]) -> None:
    assert broken.serve(breaks_at_s=LATER_S) == 1
    because = "internal error: ZeroDivisionError: a defect of the loop"
    assert_ended_in_order(broken, capsys.readouterr().err, because)
    assert [text for _, text in said(broken.folder)][-4:] == ALL_OFF
    [(last_s,)] = broken.rows("SELECT max(time_s) FROM records")
    assert last_s > LATER_S - BLOCK_S - 2.0 * RECORD_S


def test_a_loop_that_says_nothing_any_more_is_killed_and_its_instrument_stopped(
    broken: Broken, capsys: pytest.CaptureFixture[str]
) -> None:
    """The read hangs for good: neither a time-out nor a signal gets through to the loop."""
    broken.patch.setattr(child, "SILENT_S", 2.5)
    assert broken.serve(hangs_at_s=LATER_S) == 1
    assert_ended_in_order(broken, capsys.readouterr().err, "the loop was not heard for 2.5 s")
    calls = said(broken.folder)
    loop_pid = broken.state.loop_pid
    assert tones_on([call for call in calls if call[0] == loop_pid]) >= {"pump"}
    assert [text for pid, text in calls if pid != loop_pid] == ["made", "stop"]
    [(last_s,)] = broken.rows("SELECT max(time_s) FROM records")
    assert last_s > LATER_S - BLOCK_S - 2.0 * RECORD_S
