"""The pieces of a long log: their names, and when one is full.

A run is logged in `log.sqlite`; a long one goes on in `log-2.sqlite`,
`log-3.sqlite` and so on, each with the head of the run in it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

LOG_NAME = "log.sqlite"

_LATER = re.compile(r"log-([1-9]\d*)\.sqlite")

BYTES_PER_MB = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Rotation:
    """When a log goes on in its next piece; by default never."""

    largest_mb: float | None = None  # size of a piece
    daily: bool = False  # a piece for each day, in UTC

    def is_due(self, size_bytes: int, begun: date, today: date) -> bool:
        """Whether a piece of this size that was begun on this day is full."""
        is_large = self.largest_mb is not None and size_bytes >= self.largest_mb * BYTES_PER_MB
        return is_large or (self.daily and today != begun)


ONE_PIECE = Rotation()


def utc_today() -> date:
    """The day in UTC."""
    return datetime.now(UTC).date()


def piece_path(first: Path, number: int) -> Path:
    """The file of a piece, counted from 1.

    Parameters
    ----------
    first : Path
        The file of the first piece.
    number : int
        Which piece.

    Returns
    -------
    Path
        `log-2.sqlite` beside `log.sqlite`, and so on.
    """
    return first if number == 1 else first.with_name(f"{first.stem}-{number}{first.suffix}")


def beside(log: Path, name: str) -> Path:
    """Where a file that is made of a log goes by default.

    Parameters
    ----------
    log : Path
        A piece, or the folder of a run.
    name : str
        Name of the file, as of a whole run.

    Returns
    -------
    Path
        In the folder of the run; of a later piece with its number:
        `report-2.html`.
    """
    if log.is_dir():
        return log / name
    found = _LATER.fullmatch(log.name)
    first = log.with_name(name)
    return first if found is None else piece_path(first, int(found.group(1)))


def piece_paths(folder: Path) -> list[Path]:
    """The pieces of the log in the folder of a run, in order."""
    numbered = {1: folder / LOG_NAME} if (folder / LOG_NAME).is_file() else {}
    for path in folder.iterdir():
        if found := _LATER.fullmatch(path.name):
            numbered[int(found.group(1))] = path
    return [numbered[number] for number in sorted(numbered)]
