"""What really happened, for whoever judges a run afterwards.

Rows are kept as numbers in a temporary file beyond the newest few thousand,
so that memory does not grow with the length of a run and no digit is lost.
"""

from __future__ import annotations

import csv
import json
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, BinaryIO, cast

import numpy as np

COLUMNS = (
    "time_s",
    "lower_hz",
    "upper_hz",
    "difference_hz",
    "lower_amplitude_m",
    "upper_amplitude_m",
    "pump_hz",
    "pump_amplitude",
)
_ROWS_IN_MEMORY = 4096  # 256 KiB


class Truth:
    """Rows of the true state of the membrane.

    The simulator owns it; a row holds `COLUMNS` in their order.
    """

    def __init__(self) -> None:
        self._newest: list[tuple[float, ...]] = []
        self._older: BinaryIO | None = None

    def __repr__(self) -> str:
        """How many rows are still in memory."""
        return f"Truth({len(self._newest)} rows in memory)"

    def append(self, row: tuple[float, ...]) -> None:
        """Add a row."""
        self._newest.append(row)
        if len(self._newest) >= _ROWS_IN_MEMORY:
            if self._older is None:
                self._older = cast(BinaryIO, tempfile.TemporaryFile())  # noqa: SIM115
            np.asarray(self._newest).tofile(self._older)
            self._newest.clear()

    def chunks(self) -> Iterator[np.ndarray]:
        """All rows in order, in arrays of shape (n, 8)."""
        if self._older is not None:
            self._older.seek(0)
            row_bytes = 8 * len(COLUMNS)
            while block := self._older.read(_ROWS_IN_MEMORY * row_bytes):
                yield np.frombuffer(block).reshape(-1, len(COLUMNS))
        if self._newest:
            yield np.asarray(self._newest)

    def write(self, folder: Path, constants: Mapping[str, Any]) -> None:
        """Write `truth.csv`, and the constants as `truth.json`.

        Parameters
        ----------
        folder : Path
            An existing folder.
        constants : mapping
            What does not change during a run.
        """
        with (folder / "truth.csv").open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(COLUMNS)
            for chunk in self.chunks():
                writer.writerows(map(repr, row) for row in chunk.tolist())
        text = json.dumps(constants, indent=2, allow_nan=False)
        (folder / "truth.json").write_text(text + "\n", encoding="utf-8")
