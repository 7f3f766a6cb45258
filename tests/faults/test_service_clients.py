"""Clients that flood, and clients that do not read: the loop and its log never notice."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from controller.records import PumpState
from controller.service.messages import StatusMessage
from controller.service.processes import resident_bytes
from tests.faults.test_service_ends import client_of, logged, wait_for
from tests.support.live_service import LiveService, front_pid
from tests.support.witness import witnessed_scenario

pytestmark = pytest.mark.live

# Asks for the whole picture as fast as it can, and never reads an answer; subscribes to
# everything with several sockets, and never reads that.
FLOOD = """
import sys, zmq
context = zmq.Context()
for _ in range(5):
    slow = context.socket(zmq.SUB)
    slow.set(zmq.RCVHWM, 1)
    slow.connect(f"tcp://127.0.0.1:{sys.argv[2]}")
    slow.subscribe(b"")
flood = context.socket(zmq.DEALER)
flood.connect(f"tcp://127.0.0.1:{sys.argv[1]}")
while True:
    flood.send(b'{"request": 1, "command": "look", "who": "flood"}')
"""
RECORD_S = 0.1
SPEED = 1.5  # with less to wait for between two blocks, none would count
STATUSES = (
    6  # one a second of the stream, that are looked at, and as many before that to fill every queue
)
MOST_GROWTH_BYTES = 10_000_000  # arbitrary between noise of 1 MB and 100 answers of 60 kB a second


@contextmanager
def flooded(service: LiveService) -> Iterator[None]:
    """While somebody floods it."""
    ports = service.state["command_port"], service.state["telemetry_port"]
    flood = subprocess.Popen([sys.executable, "-c", FLOOD, *map(str, ports)])
    try:
        yield
    finally:
        flood.kill()
        flood.wait()


def test_a_flood_of_commands_and_subscribers_that_do_not_read(tmp_path: Path) -> None:
    scenario = str(witnessed_scenario(tmp_path, speed=SPEED))
    with (
        LiveService(tmp_path, scenario, "arm_at_start = true\n") as service,
        client_of(service) as client,
    ):
        before = wait_for(client, PumpState.ON)
        service_pid = service.state["pid"]
        pids = service_pid, service.state["loop_pid"], front_pid(service_pid)
        with flooded(service):
            for _ in range(STATUSES):
                wait_for(client, PumpState.ON)
            full = [resident_bytes(pid) for pid in pids]
            for _ in range(STATUSES):
                after = wait_for(client, PumpState.ON)
            grown = [resident_bytes(pid) - size for pid, size in zip(pids, full, strict=True)]
        assert isinstance(before, StatusMessage) and isinstance(after, StatusMessage)
        assert max(grown) < MOST_GROWTH_BYTES, grown
        blocks = after.status.deadlines.blocks - before.status.deadlines.blocks
        missed = after.status.deadlines.missed - before.status.deadlines.missed
        print(f"{missed} of {blocks} deadlines missed, grown by {grown} bytes")
        assert missed <= 0.001 * blocks
        assert client.missed == 0 and after.status.counts.dropped == 0
        assert service.stop() == (0, "")
    assert logged(service.run_folder, "SELECT count(*) FROM events WHERE kind = 'late'") == [(0,)]
    times_s = np.array(logged(service.run_folder, "SELECT time_s FROM records ORDER BY rowid"))
    assert np.max(np.diff(times_s[:, 0].astype(float))) < 1.5 * RECORD_S
