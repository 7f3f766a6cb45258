"""Kills a program with `kill -9` while its log is written, and looks at what is left.

The program is this file itself, as a process of its own:

    python -m tests.support.log_kills FOLDER

It tells on its standard output what it has handed over to the log, and when,
and what the log has acknowledged as committed.
"""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from controller.errors import InputError
from controller.runtime.log.pieces import Rotation, piece_paths
from controller.runtime.log.reader import LogReader
from tests.support.log_threads import RECORD_SAMPLES, opened, pump_tone, record

ROOT = Path(__file__).resolve().parents[2]

FLOOD_RECORDS = 25  # between two acknowledgements, as fast as it goes
PACE_S = 0.005  # between two records that are paced: many more than a run has
PIECE_MB = 0.2  # a few hundred records: kills meet the change of pieces too
PATIENCE_S = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Killed:
    """What one kill left."""

    acknowledged: int  # records that the log had said were committed
    found: int  # records in the log afterwards, none missing in between
    lost_committed: int  # acknowledged, but not found: each is a defect
    lost_s: float  # wall time from the first lost record to the kill
    pieces: int
    complaint: str = ""  # why the log or a piece of it cannot be read


def killed(folder: Path, after_s: float, *, is_paced: bool) -> Killed:
    """Start the program, kill it, and read its log.

    Parameters
    ----------
    folder : Path
        Where it logs; empty.
    after_s : float
        When it is killed, from its first record on [s].
    is_paced : bool
        Records come paced and are committed by the clock; otherwise they come
        as fast as they are committed.

    Returns
    -------
    Killed
        What was left.
    """
    command = [sys.executable, "-m", "tests.support.log_kills", str(folder)]
    if is_paced:
        command.append("--paced")
    handed_s: dict[int, float] = {}  # when, by the clock that all processes share
    acknowledged = 0
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as program:
        assert program.stdout is not None
        killer = threading.Timer(after_s, os.kill, (program.pid, signal.SIGKILL))
        for line in program.stdout:
            if not killer.is_alive() and not handed_s:
                killer.start()
            if not line.endswith("\n"):
                break  # it was killed in the middle of a word
            word, place, at_s = line.split()
            if word == "handed":
                handed_s[int(place)] = float(at_s)
            else:
                acknowledged = int(place) + 1
        program.wait(PATIENCE_S)
        killer.join()
        killed_s = max(handed_s.values(), default=0.0)
    return _left(folder, acknowledged, handed_s, killed_s)


def _left(folder: Path, acknowledged: int, handed_s: dict[int, float], killed_s: float) -> Killed:
    paths = piece_paths(folder)
    found, complaint = 0, ""
    try:
        with LogReader(folder) as reader:
            indices = reader.columns(["sample_index"])["sample_index"]
            found = len(indices)
            if indices.tolist() != [place * RECORD_SAMPLES for place in range(found)]:
                complaint = "records are missing in between"
            tones = [tone.asked for tone in reader.tones()]
            if tones != [pump_tone(place) for place in range(len(tones))]:
                complaint = "tones are missing in between, or told twice"
        for path in paths:
            _check_piece(path)
    except (InputError, sqlite3.Error) as error:
        complaint = str(error)
    return Killed(
        acknowledged=acknowledged,
        found=found,
        lost_committed=max(0, acknowledged - found),
        lost_s=killed_s - handed_s[found] if found in handed_s else 0.0,
        pieces=len(paths),
        complaint=complaint,
    )


def _check_piece(path: Path) -> None:
    """Raise where a piece is damaged or cannot be read alone."""
    with closing(sqlite3.connect(path)) as database:
        [(verdict,)] = database.execute("PRAGMA integrity_check")
        is_made = database.execute("SELECT count(*) FROM sqlite_master").fetchone() != (0,)
    if verdict != "ok":
        raise InputError(f"{path}: {verdict}")
    if is_made:
        with LogReader(path) as reader:
            reader.columns()


def _write(folder: Path, is_paced: bool) -> None:
    """The program: writes until it is killed."""
    rotation = Rotation(largest_mb=PIECE_MB)
    options = {} if not is_paced else {"commit_every_s": 0.5}
    log = opened(folder / "log.sqlite", rotation=rotation, **options)
    pause = threading.Event()
    for place in _places():
        tone = pump_tone(place)
        log.record(record(place))
        log.tone(tone, tone, at_index=tone.at_sample)
        _tell("handed", place)
        if is_paced:
            pause.wait(PACE_S)
            if not log.state.waiting:
                _tell("committed", place)
        elif place % FLOOD_RECORDS == 0 and log.wait_until_written(PATIENCE_S):
            _tell("committed", place)


def _places() -> Iterator[int]:
    place = 0
    while True:
        yield place
        place += 1


def _tell(word: str, place: int) -> None:
    """One line in one call: it is there whole, or as far as a pipe takes it."""
    os.write(sys.stdout.fileno(), f"{word} {place} {time.monotonic()}\n".encode())


if __name__ == "__main__":
    _write(Path(sys.argv[1]), "--paced" in sys.argv[2:])
