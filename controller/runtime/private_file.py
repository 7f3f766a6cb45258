"""Small files for the owner alone, which are there whole or not at all."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

OWNER_ONLY = 0o600


def write_private(path: Path, text: str) -> None:
    """Write a file that nobody else may read; an older one is replaced at once.

    Parameters
    ----------
    path : Path
        The file.
    text : str
        What is in it.

    Raises
    ------
    OSError
        If it cannot be written; an older one is as it was.
    """
    partial = path.with_name(path.name + ".partial")
    with suppress(FileNotFoundError):
        partial.unlink()  # of a program that was killed
    descriptor = os.open(partial, os.O_WRONLY | os.O_CREAT | os.O_EXCL, OWNER_ONLY)
    with open(descriptor, "w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(descriptor)
    partial.replace(path)
