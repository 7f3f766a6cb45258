"""The client: waits only where it is asked to, and never does late what it could not do in time."""

from __future__ import annotations

import inspect
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import zmq

from controller.service import Client, client_line
from controller.service import client as client_module
from controller.service.access import Role, make_client_key, make_service_key
from controller.service.client import (
    PictureMessage,
    RecordMessage,
    ServiceRefused,
    ServiceUnreachable,
    Telemetry,
)
from controller.service.commands import COMMANDS
from tests.support.little_service import DEADLINE_S, UPPER_HZ, LittleService, eventually

pytestmark = pytest.mark.live

LEASE_S = 1.0  # the shortest


@pytest.fixture
def service() -> Iterator[LittleService]:
    """Without keys."""
    with LittleService() as service:
        yield service


def client_of(service: LittleService, who: str = "ann", **options: object) -> Client:
    """A client that waits long, for a busy machine."""
    options = {"timeout_s": DEADLINE_S, **options}
    return Client(
        command_port=service.command_port,
        telemetry_port=service.telemetry_port,
        who=who,
        **options,  # type: ignore[arg-type]
    )


@pytest.fixture
def client(service: LittleService) -> Iterator[Client]:
    """A client of the service."""
    with client_of(service) as client:
        yield client


def first(client: Client, kind: type[Telemetry]) -> Telemetry:
    """The next message of a kind."""
    while True:
        message = client.next_message()
        assert message is not None, "nothing came"
        if isinstance(message, kind):
            return message


def done(service: LittleService) -> list[str]:
    """The commands that the service carried out."""
    return [incoming.command.model_dump()["command"] for incoming in service.done]


# --- commands ------------------------------------------------------------


def test_there_is_a_method_for_every_command() -> None:
    methods = {name for name, _ in inspect.getmembers(Client, callable)}
    assert set(COMMANDS) - methods == {"heartbeat"}  # the client's own affair


def test_the_first_command_waits_for_the_connection(client: Client) -> None:
    assert client.mute() == "mute done"


def test_commands_arrive_with_their_arguments(service: LittleService, client: Client) -> None:
    with client.control():
        client.pump_amplitude(0.25)
        client.pump_offset_hz(-1.5)
        client.start_protocol("exchange", {"decays": 3})
        client.mark("here")
    client.note("and there")
    arguments = [incoming.command.model_dump() for incoming in service.done]
    assert [(a.get("value"), a.get("text"), a.get("parameters")) for a in arguments] == [
        (0.25, None, None),
        (-1.5, None, None),
        (None, None, {"decays": 3.0}),
        (None, "here", None),
        (None, "and there", None),
    ]
    assert {incoming.who for incoming in service.done} == {"ann"}


def test_a_no_is_an_error_with_the_reason(client: Client) -> None:
    with pytest.raises(ServiceRefused, match="arm: needs control; take it first"):
        client.arm()
    assert client.ask("arm").ok is False


def test_a_mistake_is_a_no(client: Client) -> None:
    with pytest.raises(ServiceRefused, match="text: must be one line"):
        client.note("two\nlines")


def test_looking_gives_the_picture(service: LittleService, client: Client) -> None:
    service.publish_record(3.0)
    assert isinstance(first(client, RecordMessage), RecordMessage)
    picture = client.look()
    assert picture.service.name == "little"
    assert picture.record is not None
    assert picture.record.difference_hz == UPPER_HZ - 811e3


def test_nobody_there_is_an_error_in_time() -> None:
    with (
        zmq.Context() as context,
        context.socket(zmq.PULL) as silent,  # takes connections, and says nothing
        Client(
            command_port=silent.bind_to_random_port("tcp://127.0.0.1"),
            telemetry_port=1,
            timeout_s=0.2,
        ) as client,
    ):
        began_s = time.monotonic()
        with pytest.raises(ServiceUnreachable, match=r"no answer .* within 0\.2 s"):
            client.mute()
        assert time.monotonic() - began_s < DEADLINE_S
        assert not client.is_connected
        assert client.last_heard_s_ago is None


def test_what_could_not_be_sent_in_time_is_never_sent() -> None:
    with LittleService() as gone:
        ports = gone.command_port, gone.telemetry_port
    with Client("127.0.0.1", *ports, timeout_s=0.1) as client:
        with pytest.raises(ServiceUnreachable):
            client.note("too late")
        with LittleService(command_port=ports[0], telemetry_port=ports[1]) as service:
            client.timeout_s = DEADLINE_S
            client.note("in time")
            assert [getattr(each.command, "text", None) for each in service.done] == ["in time"]


def test_a_closed_client_says_so(service: LittleService) -> None:
    client = client_of(service)
    client.close()
    client.close()
    with pytest.raises(ServiceUnreachable, match="closed"):
        client.mute()


# --- messages ------------------------------------------------------------


def test_a_new_client_gets_the_picture_at_once(client: Client) -> None:
    assert isinstance(first(client, PictureMessage), PictureMessage)
    assert client.is_connected


def test_messages_come_in_order(service: LittleService, client: Client) -> None:
    first(client, PictureMessage)
    for tenth in range(50):
        service.publish_record(tenth / 10)
    times_s = [first(client, RecordMessage).time_s for _ in range(50)]
    assert times_s == [tenth / 10 for tenth in range(50)]
    assert client.missed == 0


def test_what_is_not_fetched_is_dropped_and_counted(
    service: LittleService, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(client_module, "MESSAGES_KEPT", 10)
    first(client, PictureMessage)
    for tenth in range(100):
        service.publish_record(tenth / 10)
    assert eventually(lambda: client.missed >= 80)
    assert len(client.messages()) <= 10


def test_topics_that_are_not_wanted_do_not_come(service: LittleService) -> None:
    with client_of(service, topics=["record"]) as client:
        assert eventually(
            lambda: client.next_message(0.01) is not None, lambda: service.publish_record(1.0)
        )
        assert {message.topic for message in client.messages()} <= {"record"}


def test_it_comes_back_when_the_service_does() -> None:
    with LittleService() as service, client_of(service) as client:
        assert client.mute()
        first(client, PictureMessage)
        service.stop()
        client.messages()
        ports = {"command_port": service.command_port, "telemetry_port": service.telemetry_port}
        with LittleService(**ports) as again:
            assert client.mute()
            assert done(again) == ["mute"]
            assert isinstance(first(client, PictureMessage), PictureMessage)


# --- control -------------------------------------------------------------


def test_control_is_kept_by_heartbeats(service: LittleService, client: Client) -> None:
    with client.control(LEASE_S):
        before_s = time.monotonic()
        assert eventually(lambda: time.monotonic() > before_s + 1.5 * LEASE_S)
        assert client.has_control
        client.arm()
    assert service.vanished == []
    assert not client.has_control


def test_a_client_that_is_closed_gives_control_back(service: LittleService) -> None:
    client = client_of(service)
    client.take_control(LEASE_S)
    client.close()
    assert service.control.holder is None
    assert service.vanished == []


def test_control_is_handed_over_and_kept_by_the_other(
    service: LittleService, client: Client
) -> None:
    with client_of(service, "bob") as other:
        other.note("here")
        client.take_control(LEASE_S)
        client.hand_over("bob")
        assert not client.has_control
        assert eventually(lambda: other.has_control)
        before_s = time.monotonic()
        assert eventually(lambda: time.monotonic() > before_s + 1.5 * LEASE_S)
        assert other.arm() == "arm done"
        assert service.vanished == []


def test_a_second_client_does_not_get_control(service: LittleService, client: Client) -> None:
    with client.control(), client_of(service, "bob") as other:
        with pytest.raises(ServiceRefused, match="ann holds control"):
            other.take_control()
        assert other.mute() == "mute done"


def test_lost_control_is_noticed(service: LittleService, client: Client) -> None:
    client.take_control(LEASE_S)
    service.control.holder = None
    assert eventually(lambda: not client.has_control)


# --- keys ----------------------------------------------------------------


def test_a_client_with_a_key_is_let_in_and_one_without_is_told(tmp_path: Path) -> None:
    folder = tmp_path / "keys"
    make_service_key(folder)
    path = make_client_key(folder, "ann", Role.CONTROLLER)
    with LittleService(keys=folder) as service:
        with client_of(service, keys=path) as client, client.control():
            assert client.arm() == "arm done"
        with client_of(service, timeout_s=0.3) as client:
            with pytest.raises(ServiceUnreachable):
                client.mute()
            assert eventually(lambda: "wants keys" in client.trouble)
            assert client.messages() == []


def test_a_client_that_is_let_in_later_comes_in_by_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(client_line, "REOPEN_S", 0.1)
    folder = tmp_path / "keys"
    make_service_key(folder)
    path = make_client_key(folder, "ann", Role.CONTROLLER)
    listed = (folder / "clients.toml").read_text()
    (folder / "clients.toml").write_text("")
    with LittleService(keys=folder) as service, client_of(service, keys=path) as client:
        assert eventually(lambda: "does not let this key in" in client.trouble)
        (folder / "clients.toml").write_text(listed)
        assert client.mute() == "mute done"
        assert client.trouble == ""


# --- what it brings along ------------------------------------------------

IMPORT_COST = """
import sys, time
before_s = time.process_time()
import controller.service.client
print(time.process_time() - before_s)
heavy = {"numpy", "scipy", "matplotlib", "controller.engine", "controller.settings"}
print(*sorted(heavy & set(sys.modules)))
"""


def test_it_is_light() -> None:
    outputs = [
        subprocess.run(
            [sys.executable, "-c", IMPORT_COST], capture_output=True, text=True, check=True
        ).stdout.splitlines()
        for _ in range(2)
    ]
    assert outputs[0][1] == ""
    assert min(float(spent_s) for spent_s, _ in outputs) < 0.3
