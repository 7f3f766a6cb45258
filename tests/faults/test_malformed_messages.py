"""Whatever bytes clients send: the service goes on, answers others, and grows no memory."""

from __future__ import annotations

import socket as plain_socket
from collections.abc import Iterator

import numpy as np
import pytest
import zmq

from tests.support.little_service import LittleService
from tests.support.malformed import malformed_commands, malformed_streams, send_and_hang_up

pytestmark = pytest.mark.live

SEED = 11
COMMANDS, STREAMS = 3000, 300


@pytest.fixture
def service() -> Iterator[LittleService]:
    """A service with nothing behind it."""
    with LittleService() as service:
        yield service


def is_well(service: LittleService) -> bool:
    """Whether a newcomer gets its answer and the picture."""
    with zmq.Context() as context:
        commands, telemetry = context.socket(zmq.DEALER), context.socket(zmq.SUB)
        commands.linger = telemetry.linger = 0
        commands.connect(f"tcp://127.0.0.1:{service.command_port}")
        telemetry.connect(f"tcp://127.0.0.1:{service.telemetry_port}")
        telemetry.subscribe("picture")
        commands.send_json({"request": 1, "command": "look", "who": "newcomer"})
        has_answer = bool(commands.poll(10_000)) and commands.recv_json()["ok"]
        has_picture = bool(telemetry.poll(10_000))
        commands.close()
        telemetry.close()
    return has_answer and has_picture


def test_malformed_commands_do_nothing(service: LittleService) -> None:
    with zmq.Context() as context, context.socket(zmq.DEALER) as socket:
        socket.linger = 0
        socket.connect(f"tcp://127.0.0.1:{service.command_port}")
        for parts in malformed_commands(np.random.default_rng(SEED), COMMANDS):
            socket.send_multipart(parts)
            while socket.poll(0):
                assert socket.recv_json()["ok"] is False
        socket.send_json({"request": "last", "command": "note", "who": "sane", "text": "done"})
        while socket.poll(10_000):
            answer = socket.recv_json()
            if answer["ok"]:
                break
        assert answer["request"] == "last"
    assert [each.who for each in service.done] == ["sane"]
    assert service.sockets.malformed == COMMANDS
    assert is_well(service)


@pytest.mark.parametrize("port", ["command_port", "telemetry_port"])
def test_bytes_that_are_no_zeromq_do_nothing(service: LittleService, port: str) -> None:
    place = "127.0.0.1", getattr(service, port)
    for content in malformed_streams(np.random.default_rng(SEED), STREAMS):
        send_and_hang_up(place, content)
    assert service.done == []
    assert is_well(service)


def test_a_crowd_that_says_nothing_keeps_nobody_out(service: LittleService) -> None:
    silent = [
        plain_socket.create_connection(("127.0.0.1", service.command_port), timeout=10.0)
        for _ in range(200)
    ]
    assert is_well(service)
    for connection in silent:
        connection.close()
    assert is_well(service)


def test_a_flood_of_commands_keeps_no_telemetry_waiting(service: LittleService) -> None:
    with zmq.Context() as context:
        flood, telemetry = context.socket(zmq.DEALER), context.socket(zmq.SUB)
        flood.linger = telemetry.linger = 0
        flood.connect(f"tcp://127.0.0.1:{service.command_port}")
        telemetry.connect(f"tcp://127.0.0.1:{service.telemetry_port}")
        telemetry.subscribe("status")
        assert telemetry.poll(10_000)
        heard = 0
        while heard < 20:
            for _ in range(100):
                try:
                    flood.send(b"{}", zmq.NOBLOCK)
                except zmq.Again:
                    break
            while telemetry.poll(0):
                telemetry.recv_multipart()
                heard += 1
        flood.close()
        telemetry.close()
    assert service.sockets.malformed > 0
