"""What tests of a log that is written by a thread share."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from controller.instrument import Tone
from controller.records import Event, ModeId, ModeRecord, Record, TrackerState
from controller.runtime.log.thread import LogState, LogThread
from tests.support.sample_log import PUMP, STREAM

RATE_HZ = STREAM.sample_rate_hz
RECORD_SAMPLES = round(RATE_HZ / 10)
QUICK_S = 0.02  # between two commits, where a test waits for many
PATIENCE_S = 10.0  # far more than anything here takes, also on a busy machine


def opened(path: Path, **options: Any) -> LogThread:
    """A log that looks at its file every few milliseconds."""
    options = {"commit_every_s": QUICK_S, **options}
    return LogThread(path, settings="{}", stream=STREAM, tones={"pump": PUMP}, **options)


def record(place: int, **values: Any) -> Record:
    """The record at a place, ten a second; both modes are locked."""
    index = place * RECORD_SAMPLES
    mode = ModeRecord(
        state=TrackerState.LOCKED, frequency_hz=870_213.4 + place, frequency_sigma_hz=1e-3
    )
    known: dict[str, Any] = {"difference_hz": 4871.3, "difference_sigma_hz": 1e-4, **values}
    return Record(
        sample_index=index,
        time_s=index / RATE_HZ,
        modes={ModeId.LOWER: mode, ModeId.UPPER: mode},
        **known,
    )


def pump_tone(place: int, amplitude: float = 0.5) -> Tone:
    """A command of the pump."""
    return Tone("pump", place * RECORD_SAMPLES, 4871.3, amplitude, 0.1)


def event(place: int, kind: str, text: str = "") -> Event:
    """An event of the pump."""
    index = place * RECORD_SAMPLES
    return Event(sample_index=index, time_s=index / RATE_HZ, source="pump", kind=kind, text=text)


def wait_for(log: LogThread, condition: Callable[[LogState], bool]) -> LogState:
    """The first state that fulfils a condition; fails when none comes."""
    until_s = time.monotonic() + PATIENCE_S
    pause = threading.Event()
    while not condition(state := log.state):
        assert time.monotonic() < until_s, f"still {state}"
        pause.wait(QUICK_S / 4)
    return state
