"""When a service is started again, and when not; tests/faults has it with real services."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from controller.errors import RunFailed
from controller.service import start_again
from controller.service.start_again import MOST_SHORT_LIVES, keep_serving
from controller.service.state_file import ServiceState, StateFile, read_state, write_end_of

NAME = "test"
DONE, FAILED, BAD_INPUT = ["true"], ["false"], ["sh", "-c", "exit 2"]
KILLED = ["sh", "-c", "kill -9 $$"]
KEEPER = """
import sys
from controller.service import start_again
start_again.LEFT_WITHIN_S, start_again.MOST_SHORT_LIVES = 0.3, 1
start_again.keep_serving("test", lambda start: ["sh", "-c", *sys.argv[1:]], print)
"""


@pytest.fixture(autouse=True)
def alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A state folder of its own, no pauses, and this process looks after its own children."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    for pause in ("FIRST_PAUSE_S", "LONGEST_PAUSE_S", "LOOK_EVERY_S"):
        monkeypatch.setattr(start_again, pause, 0.0)
    monkeypatch.setattr(start_again, "adopt_orphans", lambda: None)
    monkeypatch.setattr(start_again, "_are_orphans_gone_within", lambda limit_s: True)


@pytest.fixture
def told() -> list[str]:
    """What is announced."""
    return []


def served(told: list[str], *ends: list[str]) -> int:
    """The status after services that end like this, one after the other."""
    return keep_serving(NAME, lambda start: ends[start - 1], told.append)


@pytest.mark.parametrize(("end", "status"), [(DONE, 0), (BAD_INPUT, 2)])
def test_who_is_done_or_never_could_begin_is_not_started_again(
    told: list[str], end: list[str], status: int
) -> None:
    assert served(told, end) == status
    assert told == []


def test_who_fails_in_any_way_is_started_again(told: list[str]) -> None:
    assert served(told, FAILED, KILLED, BAD_INPUT, DONE) == 0
    whys = [text.removeprefix("difftone test: the service ended with ") for text in told]
    again = "; it is started again at once"
    assert whys == [f"status 1{again}", f"SIGKILL{again}", f"status 2{again}"]


def test_who_fails_again_and_again_is_given_up(told: list[str]) -> None:
    with pytest.raises(RunFailed, match=f"status 1, {MOST_SHORT_LIVES} times in succession"):
        served(told, *[FAILED] * (MOST_SHORT_LIVES + 1))
    assert len(told) == MOST_SHORT_LIVES - 1


def test_pauses_grow_and_an_operator_ends_them(
    told: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(start_again, "FIRST_PAUSE_S", 100.0)
    monkeypatch.setattr(start_again, "LONGEST_PAUSE_S", 1000.0)

    def announce(text: str) -> None:
        told.append(text)
        if len(told) == 2:
            os.kill(os.getpid(), signal.SIGTERM)

    with pytest.raises(RunFailed, match="stopped by the operator; the service ended with status 1"):
        keep_serving(NAME, lambda start: FAILED, announce)
    assert [text.rpartition("again ")[2] for text in told] == ["at once", "in 100 s"]


def test_an_operator_ends_the_service_that_runs(told: list[str]) -> None:
    waits = f"trap 'exit 0' TERM; kill {os.getpid()}; while :; do :; done"
    assert served(told, ["sh", "-c", waits]) == 0


def test_what_a_dead_service_leaves_is_killed_if_it_does_not_end(tmp_path: Path) -> None:
    left = tmp_path / "pid"
    survivor = f"trap '' TERM; echo $$ > {left}; exec tail -f /dev/null"
    service = f'sh -c "$0" & until [ -s {left} ]; do :; done; kill -9 $$'
    command = [sys.executable, "-c", KEEPER, service, survivor]
    ended = subprocess.run(command, capture_output=True, text=True)
    assert "SIGKILL, 1 times in succession" in ended.stderr
    with pytest.raises(ProcessLookupError):
        os.kill(int(left.read_text()), signal.SIGKILL)


@pytest.mark.parametrize(("pid", "outcome"), [(17, "failed"), (18, "")])
def test_how_a_killed_service_ended_is_written_for_it(pid: int, outcome: str) -> None:
    state_file = StateFile(NAME)
    state_file.write(ServiceState(name=NAME, pid=17, folder="runs/test-1"))
    state_file.close()
    write_end_of(NAME, pid, "killed")
    left = read_state(NAME)
    assert left is not None and left.may_have_left_tones
    assert left.outcome == outcome
    assert left.ending == ("failed: killed" if outcome else "ended without a word")
