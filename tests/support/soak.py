"""A long run with faults, and what is to be said of it afterwards."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from controller.engine import Engine
from controller.records import PumpState
from controller.runtime.configuration import load_configuration, make_instrument, with_overrides
from controller.runtime.ending import StopRequest
from controller.runtime.log.pieces import LOG_NAME, Rotation
from controller.runtime.log.reader import LogReader
from controller.runtime.log.thread import LogThread
from controller.runtime.loop import Ending, LoopRun
from controller.runtime.summary import pump_account
from controller.service.processes import resident_bytes
from tests.support.fault_schedule import Fault, schedule, unseen
from tests.support.rehearsals import SCENARIOS

CLASS = "tests.support.faulty_membrane:FaultyMembrane"
PIECE_MB = 20.0
RECORD_S = 0.1
WARM_SHARE = 0.25  # of the run, before memory is expected to stay
LEAST_FOR_SLOPE_S = 1200.0  # a shorter run says nothing of MB in an hour
MOST_SLOPE_MB_PER_H = (
    2.0  # arbitrary between a heap that settles, 0.5, and an hour of records that are kept, 30
)
CLOSED_WITHIN_S = 60.0


@dataclass(slots=True, kw_only=True)
class Usage:
    """Memory and files of a process over the stream's time."""

    times_s: list[float] = field(default_factory=list)
    memory_mb: list[float] = field(default_factory=list)
    handles: list[int] = field(default_factory=list)

    def note(self, time_s: float, pid: int | str = "self") -> None:
        """Look at a process, as proc(5) has it."""
        self.times_s.append(time_s)
        self.memory_mb.append(resident_bytes(pid) / 1e6)
        self.handles.append(len(os.listdir(f"/proc/{pid}/fd")))

    @property
    def slope_mb_per_h(self) -> float | None:
        """Growth after the warm-up, by least squares; None: too short to tell."""
        if len(self.times_s) < 5 or self.times_s[-1] < LEAST_FOR_SLOPE_S:
            return None
        times_s, memory_mb = np.array(self.times_s), np.array(self.memory_mb)
        is_warm = times_s >= WARM_SHARE * times_s[-1]
        return float(3600.0 * np.polyfit(times_s[is_warm], memory_mb[is_warm], 1)[0])


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What a soak has shown."""

    faults: tuple[Fault, ...]
    unseen: list[Fault]
    on_s: float
    on_outside_interlock_s: float
    mutes: int
    off_reason: str  # why the pump was off at the end
    relocks: int
    pieces: int
    longest_silence_s: float  # between two records
    is_on_at_the_end: bool
    end_s: float
    usages: dict[str, Usage]

    @property
    def complaints(self) -> list[str]:
        """What must not be, each in a line; empty: all is well."""
        found = [f"not in the log: {each.kind} at {each.at_s:.2f} s" for each in self.unseen]
        if self.on_outside_interlock_s > 0.0:
            found.append(f"the pump was on outside for {self.on_outside_interlock_s:.4f} s")
        longest_s = max(each.duration_s for each in self.faults) + 3.0 * RECORD_S
        if self.longest_silence_s > longest_s:
            found.append(f"no record for {self.longest_silence_s:.2f} s")
        if not self.is_on_at_the_end:
            found.append(f"the pump was not on at the end: {self.off_reason or 'unknown'}")
        for name, usage in self.usages.items():
            slope = usage.slope_mb_per_h
            if slope is not None and slope > MOST_SLOPE_MB_PER_H:
                found.append(f"{name} grew by {slope:.2f} MB in an hour")
            if usage.handles and usage.handles[-1] > min(usage.handles) + 2:
                found.append(
                    f"{name} has {usage.handles[-1]} files open, {min(usage.handles)} once"
                )
        return found

    def lines(self) -> list[str]:
        """Everything, for a terminal."""
        injected = Counter(each.kind.value for each in self.faults)
        missing = Counter(each.kind.value for each in self.unseen)
        seen = ", ".join(f"{kind} {n - missing[kind]}/{n}" for kind, n in sorted(injected.items()))
        lines = [
            f"stream {self.end_s / 3600.0:.3f} h, {self.pieces} pieces of log",
            f"faults found in the log / injected: {seen}",
            f"pump on {self.on_s:.0f} s, outside its interlock {self.on_outside_interlock_s:.4f} s",
            f"mutes {self.mutes}, relocks {self.relocks}, "
            f"longest time without a record {self.longest_silence_s:.2f} s",
        ]
        for name, usage in self.usages.items():
            slope = usage.slope_mb_per_h
            growth = "too short for a slope" if slope is None else f"{slope:+.2f} MB/h"
            if usage.handles:
                lines.append(
                    f"{name}: {usage.memory_mb[-1]:.0f} MB ({growth}), "
                    f"{min(usage.handles)} to {max(usage.handles)} files open"
                )
        return lines


def soak_scenario(folder: Path, seed: int, count: int, stream_s: float) -> Path:
    """The quiet room with faults, as a file; the pump comes on early.

    Parameters
    ----------
    folder : Path
        For the file.
    seed, count, stream_s
        As for `schedule`.

    Returns
    -------
    Path
        The file.
    """
    text = (SCENARIOS / "quiet_room.toml").read_text(encoding="utf-8")
    options = f"schedule_seed = {seed}\nfault_count = {count}\nstream_s = {stream_s}\n"
    for before, after in (
        ('class = "simulator"\n', f'class = "{CLASS}"\n'),
        ("[instrument.options]\n", f"[instrument.options]\n{options}"),
        ("pump_from_s = 45.0\n", "pump_from_s = 0.0\n"),
        ("[pump]\n", "[pump]\nhealthy_s = 0.5\n"),
    ):
        assert before in text
        text = text.replace(before, after, 1)
    path = folder / "soak.toml"
    path.write_text(text, encoding="utf-8")
    return path


def run_virtual(
    folder: Path,
    seed: int,
    count: int,
    stream_s: float,
    progress: Callable[[float, str], None] | None = None,
) -> Verdict:
    """The loop and the log's thread in virtual time, to the end of the stream.

    Parameters
    ----------
    folder : Path
        For the log.
    seed, count, stream_s
        As for `schedule`.
    progress : callable, optional
        Shown stream time [s] and a line about once in a minute of the stream.

    Returns
    -------
    Verdict
        What is to be said of it.
    """
    path = soak_scenario(folder, seed, count, stream_s)
    configuration = with_overrides(load_configuration(path), path, options={"duration_s": stream_s})
    instrument = make_instrument(configuration, path)
    instrument._record_truth = lambda: None  # type: ignore[attr-defined]  # its memory is not ours
    log = LogThread(
        folder / LOG_NAME,
        settings=configuration.model_dump_json(by_alias=True),
        stream=instrument.stream,
        tones=instrument.tones,
        rotation=Rotation(largest_mb=PIECE_MB),
    )
    engine = Engine(configuration, instrument.stream, instrument.tones, is_endless=True)
    usage = Usage()
    next_s = 0.0

    def watch(step: object, time_s: float) -> None:
        nonlocal next_s
        if time_s >= next_s:
            next_s = time_s + 60.0
            usage.note(time_s)
            # A loop in virtual time may be ahead of any disk: let the log come after.
            log.wait_until_written(CLOSED_WITHIN_S)
            if progress is not None:
                progress(time_s, engine.status_line)

    run = LoopRun(
        engine,
        instrument,
        _PatientlyClosed(log),  # type: ignore[arg-type]
        configuration.run,
        StopRequest(),
        watch=watch,
    )
    ending = run.to_the_end(folder)
    assert ending == Ending("done"), ending
    assert log.state.dropped == 0, log.state
    return judged(folder, schedule(seed, count, stream_s), {"loop and log": usage})


class _PatientlyClosed:
    """A log that is given all the time it wants to close: the stream does not wait for it."""

    def __init__(self, log: LogThread) -> None:
        self._log = log

    def __getattr__(self, name: str) -> Any:
        return getattr(self._log, name)

    def close(self, outcome: str, reason: str = "") -> None:
        """Wait for it."""
        self._log.close(outcome, reason, within_s=CLOSED_WITHIN_S)


def judged(folder: Path, faults: tuple[Fault, ...], usages: dict[str, Usage]) -> Verdict:
    """What the log of a soak says.

    Parameters
    ----------
    folder : Path
        Of the run.
    faults : tuple of Fault
        What was done to it.
    usages : dict of str to Usage
        What its processes took.

    Returns
    -------
    Verdict
        For `complaints` and `lines`.
    """
    with LogReader(folder) as reader:
        end_s = reader.end_s
        faults = tuple(each for each in faults if each.at_s < end_s - 2.0)
        account = pump_account(reader, end_s)
        records = reader.columns(["time_s", "pump_state"])
        # The loop's last word is that the pump is off: the second before counts.
        last = records["pump_state"][-20:-10]
        return Verdict(
            faults=faults,
            unseen=unseen(faults, reader),
            relocks=sum(event.kind == "relocked" for event in reader.events()),
            pieces=len(reader.file_names),
            longest_silence_s=float(np.max(np.diff(records["time_s"]))),
            is_on_at_the_end=bool(np.all(last == PumpState.ON.value)),
            end_s=end_s,
            usages=usages,
            **account,
        )
