"""A short soak: every kind of fault, loop and log together, in virtual time."""

from __future__ import annotations

from pathlib import Path

from controller.runtime.log.reader import LogReader
from tests.support.fault_schedule import FaultKind, schedule, unseen
from tests.support.soak import run_virtual

STREAM_S = 240.0
FAULTS = len(FaultKind) + 1


def test_a_soak_with_every_kind_of_fault(tmp_path: Path) -> None:
    verdict = run_virtual(tmp_path, seed=1, count=FAULTS, stream_s=STREAM_S)
    print("\n".join(verdict.lines()))
    assert verdict.complaints == []
    assert {fault.kind for fault in verdict.faults} == set(FaultKind)
    assert verdict.mutes >= len(FaultKind) - 2  # a late tone takes nothing off
    assert verdict.on_s > 0.5 * STREAM_S
    # Another schedule was not what happened, and the judge knows.
    others = schedule(seed=2, count=FAULTS, stream_s=STREAM_S)
    with LogReader(tmp_path) as reader:
        assert len(unseen(others, reader)) > FAULTS / 2
