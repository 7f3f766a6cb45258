"""What really happened, for whoever judges a run afterwards.

Rows are kept as numbers in a temporary file beyond the newest few thousand,
so that memory does not grow with the length of a run and no digit is lost.
"""

from __future__ import annotations

import csv
import json
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, BinaryIO, cast

import numpy as np

from hardware_sim.options import SimulatorOptions

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


def constants(options: SimulatorOptions, moves: Sequence[tuple[float, int]]) -> dict[str, Any]:
    """What does not change during a run, as `truth.json` has it.

    Parameters
    ----------
    options : SimulatorOptions
        All options.
    moves : sequence of (float, int)
        When the tip was moved [s], and to which position.

    Returns
    -------
    dict
        For `Truth.write`.
    """
    environment = options.environment
    shared = (
        ("room", environment.room_sigma_k, environment.room_time_s),
        ("film", environment.film_sigma_k, environment.film_time_s),
    )
    return {
        "temperature_k": environment.temperature_k,
        "detector_noise_m_per_root_hz": options.detector.noise_m_per_root_hz,
        "modes": {
            name: {
                "frequency_hz": mode.frequency_hz,
                "quality_factor": mode.quality_factor,
                "mass_kg": mode.mass_kg,
                "walk_hz_per_root_s": mode.walk_hz_per_root_s,
                "duffing_self_hz_per_m2": mode.duffing_self_hz_per_m2,
                "duffing_cross_hz_per_m2": mode.duffing_cross_hz_per_m2,
                "pump_shift_hz_per_v2": mode.pump_shift_hz_per_v2,
                "drive_newton_per_unit": mode.drive_newton_per_unit,
            }
            for name, mode in (("lower", options.lower), ("upper", options.upper))
        },
        "shared_drifts": [
            {
                "name": name,
                "sigma_k": sigma_k,
                "time_s": time_s,
                **{
                    f"{mode_name}_hz_per_k": mode.frequency_hz
                    * (mode.room_per_k if name == "room" else mode.film_per_k)
                    for mode_name, mode in (
                        ("lower", options.lower),
                        ("upper", options.upper),
                    )
                },
            }
            for name, sigma_k, time_s in shared
            if sigma_k > 0.0
        ],
        "pump": {
            "coupling_hz_per_v": options.pump.coupling_hz_per_v,
            "coupling_phase_rad": options.pump.coupling_phase_rad,
        },
        "source": options.source.model_dump(),
        "sample": {
            **options.sample.model_dump(),
            "moves": list(moves),
        },
        "stray_lines_hz": [line.frequency_hz for line in options.detector.lines],
        "drive_feedthrough_m_per_unit": options.detector.drive_feedthrough_m_per_unit,
        "seed": options.seed,
    }
