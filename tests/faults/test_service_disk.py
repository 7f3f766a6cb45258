"""A disk that fills up under the live service: the loop goes on, the log comes back whole."""

from __future__ import annotations

import resource
import sqlite3
import time
from pathlib import Path

import numpy as np
import pytest

from controller.records import PumpState
from controller.service.client import Client
from controller.service.messages import StatusMessage
from tests.faults.test_service_ends import WITHIN_S, client_of, logged, wait_for
from tests.support.live_service import LiveService
from tests.support.witness import witnessed_scenario

FULL_BYTES = 50_000  # less than any log has
RECORD_S = 0.1

pytestmark = [
    pytest.mark.live,
    pytest.mark.skipif(
        not hasattr(resource, "prlimit"), reason="the limits of another process are Linux's"
    ),
]


def set_largest_file(pid: int, size_bytes: int) -> None:
    """How large a process's files may grow, as a disk that is full, or is cleared."""
    _, hard = resource.prlimit(pid, resource.RLIMIT_FSIZE)
    resource.prlimit(pid, resource.RLIMIT_FSIZE, (size_bytes, hard))


def wait_for_log(client: Client, state: str) -> StatusMessage:
    """The first status that shows the log so."""
    given_up_s = time.monotonic() + WITHIN_S
    while time.monotonic() < given_up_s:
        message = client.next_message(WITHIN_S)
        if isinstance(message, StatusMessage) and message.status.log.state == state:
            return message
    raise AssertionError(f"the log was never {state}")


@pytest.mark.parametrize("mutes", [True, False])
def test_a_disk_that_is_full_for_a_while(tmp_path: Path, mutes: bool) -> None:
    rules = f"arm_at_start = true\nmute_when_not_logging = {str(mutes).lower()}\n"
    scenario = str(witnessed_scenario(tmp_path, speed=8.0))
    with LiveService(tmp_path, scenario, rules) as service:
        with client_of(service) as client:
            wait_for(client, PumpState.ON)
            set_largest_file(service.state["pid"], FULL_BYTES)
            assert wait_for_log(client, "stopped").status.log.reason
            expected = PumpState.MUTED if mutes else PumpState.ON
            wait_for(client, expected)
            with client.control():
                client.arm()  # which does not help as long as there is no log
            for _ in range(2):
                wait_for(client, expected)
            set_largest_file(service.state["pid"], resource.RLIM_INFINITY)
            assert wait_for_log(client, "writing").status.log.dropped == 0
            wait_for(client, PumpState.ON)
        assert service.stop() == (0, "")
    kinds = [kind for (kind,) in logged(service.run_folder, "SELECT kind FROM events")]
    assert "resumed" in kinds
    assert kinds.count("mute") == (1 if mutes else 0)
    times_s = np.array(logged(service.run_folder, "SELECT time_s FROM records ORDER BY rowid"))
    assert np.max(np.diff(times_s[:, 0].astype(float))) < 1.5 * RECORD_S
    with sqlite3.connect(service.run_folder / "log.sqlite") as database:
        assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
