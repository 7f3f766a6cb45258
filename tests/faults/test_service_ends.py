"""However the service or its loop ends, nothing stays on, and the next start knows of it."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.records import PumpState, TrackerState
from controller.service.client import Client
from controller.service.messages import (
    EventMessage,
    PictureMessage,
    RecordMessage,
    StatusMessage,
    Telemetry,
)
from tests.support.live_service import LiveService, free_port, front_pid
from tests.support.witness import said, tones_on, witnessed_scenario

pytestmark = pytest.mark.live

WITHIN_S = 30.0
HOLDER = """
import sys
from controller.service.client import Client
client = Client(command_port=int(sys.argv[1]), telemetry_port=int(sys.argv[2]), timeout_s=20.0)
client.take_control(1.0)
client.arm()
sys.stdin.read()
"""
DRIVES = {"drive_lower", "drive_upper"}
OFF_IN_ORDER = ["tone pump 0.0", "tone drive_lower 0.0", "tone drive_upper 0.0", "stop"]


@pytest.fixture
def service(tmp_path: Path) -> Iterator[LiveService]:
    """A service on a witnessed membrane."""
    with started(tmp_path) as service:
        yield service


def started(folder: Path, out: str = "run", **options: object) -> LiveService:
    """A service whose state is in this folder."""
    return LiveService(folder, str(witnessed_scenario(folder, **options)), out=out)


def client_of(service: LiveService) -> Client:
    """A client of it."""
    state = service.state
    return Client(
        command_port=state["command_port"],
        telemetry_port=state["telemetry_port"],
        who="test",
        timeout_s=WITHIN_S,
    )


def wait_for(client: Client, what: str) -> Telemetry:
    """The first message that shows something: the pump's state, or the kind of an event."""
    given_up_s = time.monotonic() + WITHIN_S
    while time.monotonic() < given_up_s:
        message = client.next_message(WITHIN_S)
        if isinstance(message, StatusMessage) and message.status.pump_state == what:
            return message
        if isinstance(message, EventMessage) and message.event.kind == what:
            return message
    raise AssertionError(f"no {what} came")


def wait_until_locked(client: Client) -> None:
    """Wait until both modes are found, with the pump off all the while."""
    given_up_s = time.monotonic() + WITHIN_S
    while time.monotonic() < given_up_s:
        message = client.next_message(WITHIN_S)
        if isinstance(message, RecordMessage):
            assert message.record.pump_state == PumpState.OFF
            if {mode.state for mode in message.record.modes.values()} == {TrackerState.LOCKED}:
                return
    raise AssertionError("the modes were not found")


def wait_for_picture(client: Client, event: str | None = None) -> PictureMessage:
    """The next picture, with an event of this kind."""
    given_up_s = time.monotonic() + WITHIN_S
    while time.monotonic() < given_up_s:
        message = client.next_message(WITHIN_S)
        if not isinstance(message, PictureMessage):
            continue
        if event is None or event in {entry.event.kind for entry in message.events}:
            return message
    raise AssertionError("no picture came")


def pumping(service: LiveService) -> None:
    """Arm the pump and wait until it is on."""
    with client_of(service) as client, client.control():
        client.arm()
        wait_for(client, PumpState.ON)


def wait_for_death(pid: int) -> None:
    """Wait until a process that is not ours has gone."""
    subprocess.run(["tail", f"--pid={pid}", "-f", os.devnull], timeout=WITHIN_S, check=True)


def logged(folder: Path, query: str) -> list[tuple[object, ...]]:
    """Rows of a log."""
    with sqlite3.connect(folder / "log.sqlite") as database:
        return database.execute(query).fetchall()


def assert_silent(folder: Path, *, after: list[tuple[int, str]]) -> list[str]:
    """Since these calls the pump went off first, then the rest; what was called."""
    calls = said(folder)
    assert tones_on(after) >= {"pump", *DRIVES}
    assert tones_on(calls) == set()
    return [text for _, text in calls[len(after) :]]


def test_it_ends_in_order_when_it_is_terminated(tmp_path: Path, service: LiveService) -> None:
    pumping(service)
    before = said(tmp_path)
    assert service.stop() == (0, "")
    after = assert_silent(tmp_path, after=before)
    assert after[-4:] == OFF_IN_ORDER
    state = service.state
    assert (state["state"], state["outcome"], state["tones_off"]) == ("ended", "interrupted", True)
    assert logged(service.run_folder, "SELECT outcome FROM run") == [("interrupted",)]
    [(text,)] = logged(service.run_folder, "SELECT text FROM events ORDER BY rowid DESC LIMIT 1")
    assert text == "stopped by the operator"
    [(priority,)] = logged(service.run_folder, "SELECT text FROM events WHERE kind = 'priority'")
    assert "real-time priority" in priority


def test_a_service_that_is_killed_takes_its_loop_and_the_tones_with_it(
    tmp_path: Path, service: LiveService
) -> None:
    pumping(service)
    loop_pid, before = service.state["loop_pid"], said(tmp_path)
    service.process.kill()
    wait_for_death(loop_pid)
    assert_silent(tmp_path, after=before)
    assert logged(service.run_folder, "PRAGMA integrity_check") == [("ok",)]
    assert service.state["state"] == "running"  # nobody was there to write it

    count = len(said(tmp_path))
    with started(tmp_path, out="next") as following, client_of(following) as client:
        wait_for(client, PumpState.OFF)
        assert [text for _, text in said(tmp_path)[count:]][:3] == ["made", "stop", "start"]


def test_a_service_that_is_killed_is_started_again_with_the_pump_off(tmp_path: Path) -> None:
    scenario, port = str(witnessed_scenario(tmp_path)), free_port()
    arguments = ("--start-again", "--port", str(port))
    with LiveService(tmp_path, scenario, arguments=arguments) as service:
        pumping(service)
        first = service.state
        with client_of(service) as client:
            os.kill(first["pid"], signal.SIGKILL)
            picture = wait_for_picture(client, "predecessor")
            assert picture.status.pump_state == PumpState.OFF
            events = [entry.event for entry in picture.events]
            assert [event.text for event in events if event.kind == "predecessor"] == [
                "the service before this one failed: the service ended with SIGKILL; "
                f"its folder is {service.run_folder}"
            ]
            wait_until_locked(client)
            with client.control():
                assert client.mark("here") == "marked"
        second, calls = service.state, said(tmp_path)
        assert service.stop() == (0, "")
    assert (second["command_port"], second["telemetry_port"]) == (port, port + 1)
    assert second["folder"] == f"{service.run_folder}-2"
    of_the_first = [text for pid, text in calls if pid == first["loop_pid"]]
    assert of_the_first[-4:] == OFF_IN_ORDER
    of_the_second = [text for pid, text in calls if pid == second["loop_pid"]]
    assert of_the_second[:3] == ["made", "stop", "start"]
    assert tones_on(calls) == DRIVES
    for folder in (service.run_folder, Path(second["folder"])):
        assert logged(folder, "PRAGMA integrity_check") == [("ok",)]
    assert service.state["tones_off"]


def test_a_service_ends_in_order_when_who_would_start_it_again_is_killed(tmp_path: Path) -> None:
    scenario = str(witnessed_scenario(tmp_path))
    with LiveService(tmp_path, scenario, arguments=("--start-again",)) as service:
        assert service.state["pid"] != service.process.pid
        service.process.kill()
        wait_for_death(service.state["pid"])
    assert service.state["outcome"] == "interrupted" and service.state["tones_off"]


def test_sockets_that_are_killed_come_back_and_the_pump_stays_on(
    tmp_path: Path, service: LiveService
) -> None:
    pumping(service)
    before = said(tmp_path)
    with client_of(service) as client, client.control():
        wait_for(client, PumpState.ON)
        os.kill(front_pid(service.state["pid"]), signal.SIGKILL)
        picture = wait_for_picture(client, "front")
        assert picture.status.pump_state == PumpState.ON
        assert client.mark("still in control") == "marked"
    assert {"tone pump 0.0", "stop"}.isdisjoint(text for _, text in said(tmp_path)[len(before) :])
    assert service.stop() == (0, "")
    [(text,)] = logged(service.run_folder, "SELECT text FROM events WHERE kind = 'front'")
    assert text == "the process of the sockets ended with SIGKILL; it is started again"
    assert logged(service.run_folder, "SELECT count(*) FROM events WHERE kind = 'late'") == [(0,)]


def test_a_loop_that_is_killed_has_its_instrument_stopped_anew(
    tmp_path: Path, service: LiveService
) -> None:
    pumping(service)
    loop_pid, before = service.state["loop_pid"], said(tmp_path)
    os.kill(loop_pid, signal.SIGKILL)
    status, complaint = service.ended()
    assert status == 1
    assert complaint.startswith("difftone: the loop process ended with SIGKILL; the instrument was")
    assert len(complaint.splitlines()) == 1
    after = assert_silent(tmp_path, after=before)
    assert after[-2:] == ["made", "stop"]
    assert said(tmp_path)[-1][0] not in (loop_pid, service.process.pid)
    assert service.state["tones_off"]
    assert logged(service.run_folder, "SELECT outcome FROM run") == [("failed",)]


def test_a_loop_that_was_stopped_takes_the_pump_off_first_and_comes_back(tmp_path: Path) -> None:
    with started(tmp_path) as service:
        pumping(service)
        loop_pid = service.state["loop_pid"]
        with client_of(service) as client:
            os.kill(loop_pid, signal.SIGSTOP)
            before = said(tmp_path)
            client.messages()
            for _ in range(2):  # the service goes on alone, and tells how it is once a second
                wait_for(client, PumpState.ON)
            os.kill(loop_pid, signal.SIGCONT)
            wait_for(client, "late")
            wait_for(client, PumpState.ON)
        texts = [text for _, text in said(tmp_path)[len(before) :]]
        assert texts[0] == "tone pump 0.0"
        assert service.stop() == (0, "")


def test_when_who_holds_control_vanishes_the_pump_goes_off_if_so_configured(
    tmp_path: Path,
) -> None:
    rule = 'when_control_vanishes = "mute"\nmute_after_s = 0.2\n'
    scenario = str(witnessed_scenario(tmp_path))
    with LiveService(tmp_path, scenario, rule) as service, client_of(service) as client:
        ports = service.state["command_port"], service.state["telemetry_port"]
        holder = subprocess.Popen(
            [sys.executable, "-c", HOLDER, *map(str, ports)], stdin=subprocess.PIPE
        )
        wait_for(client, PumpState.ON)
        holder.kill()
        holder.communicate()
        wait_for(client, "control")  # it is not heard any more
        wait_for(client, PumpState.MUTED)
        assert tones_on(said(tmp_path)) == DRIVES


def test_an_instrument_that_cannot_be_made_is_bad_input(tmp_path: Path) -> None:
    scenario = str(witnessed_scenario(tmp_path, colour='"blue"'))
    with pytest.raises(AssertionError, match=r"difftone: .*instrument.options.colour"):
        LiveService(tmp_path, scenario)
    assert not (tmp_path / "witness.txt").exists()


def test_ctrl_c_is_for_the_service_alone(service: LiveService) -> None:
    service.process.send_signal(signal.SIGINT)
    assert service.ended() == (0, "")
    assert service.state["tones_off"]
