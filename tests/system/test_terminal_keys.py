"""A paced rehearsal of a protocol that is stopped by a key."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from controller.runtime.log.reader import LogReader

pytestmark = pytest.mark.live

COMMAND = (sys.executable, "-m", "controller.cli", "rehearse", "quiet_room", "--paced")
PATIENCE_S = 60.0


def test_a_key_ends_the_protocol_and_the_run_in_order(tmp_path: Path) -> None:
    out = tmp_path / "run"
    typed, read = os.openpty()
    os.write(typed, b"q")  # waits in the terminal until the run reads it
    command = [*COMMAND, "--protocol", "drift_watch", "--out", str(out)]
    run = subprocess.run(
        command, stdin=read, capture_output=True, text=True, timeout=PATIENCE_S, check=False
    )
    os.close(typed)
    os.close(read)
    # It ends in the first step: there is nothing to analyse.
    assert (run.returncode, "no section `watch` was completed" in run.stderr) == (1, True)
    assert "keys: p pause" in run.stderr
    with LogReader(out / "log.sqlite") as reader:
        asked = [event.text for event in reader.events() if event.source == "protocol"]
    assert "stop by operator" in asked
