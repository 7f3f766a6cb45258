"""The quantities that are kept over time, and how records and logs give them.

One row per record, one column per quantity, NaN where a value is unknown.
States are ranks: the larger, the more they matter when rows are merged for
drawing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from controller.service.client import (
    ModeId,
    ModeRecord,
    PumpState,
    RecentCurves,
    Record,
    TrackerState,
)

# What must not get lost in a crowded picture comes last.
MODE_STATES = (
    TrackerState.LOCKED,
    TrackerState.PULLING_IN,
    TrackerState.SEARCHING,
    TrackerState.HOLDING,
    TrackerState.LOST,
)
PUMP_STATES = (PumpState.OFF, PumpState.ON, PumpState.ARMED, PumpState.MUTED)

_MODE_COLUMNS = (
    *("state", "hz", "sigma_hz", "amplitude", "phase_error_rad", "phase_sigma_rad", "snr_db"),
    "innovation_ratio",
)

COLUMNS = (
    *("time_s", "difference_hz", "difference_sigma_hz", "difference_innovation_ratio"),
    *("pump_hz", "pump_amplitude", "pump_state"),
    *(f"{mode}_{name}" for mode in ModeId for name in _MODE_COLUMNS),
)
"""Names of the columns; a mode's begin with its name."""

PLACES = {name: place for place, name in enumerate(COLUMNS)}
"""Where each column stands in a row."""

_MODE_RANKS = {str(state): float(rank) for rank, state in enumerate(MODE_STATES)}
_PUMP_RANKS = {str(state): float(rank) for rank, state in enumerate(PUMP_STATES)}

# What a column is called in the records of a log, where that is another name.
_LOG_NAMES = {
    f"{mode}_{ours}": f"{mode}_{theirs}"
    for mode in ModeId
    for ours, theirs in (("hz", "frequency_hz"), ("sigma_hz", "frequency_sigma_hz"))
}

LOG_COLUMNS = tuple(_LOG_NAMES.get(name, name) for name in COLUMNS)
"""The columns of a log's table of records that fill ours, in the same order."""


def record_row(record: Record) -> np.ndarray:
    """One record as a row, shape (columns,)."""
    values: list[float | None] = [
        record.time_s,
        record.difference_hz,
        record.difference_sigma_hz,
        record.difference_innovation_ratio,
        record.pump_hz,
        record.pump_amplitude,
        _PUMP_RANKS[record.pump_state],
    ]
    for mode in ModeId:
        of_mode = record.modes[mode]
        values += (
            _MODE_RANKS[of_mode.state],
            of_mode.frequency_hz,
            of_mode.frequency_sigma_hz,
            of_mode.amplitude,
            of_mode.phase_error_rad,
            of_mode.phase_sigma_rad,
            of_mode.snr_db,
            of_mode.innovation_ratio,
        )
    return np.array(values, dtype=float)  # None becomes NaN


def row_record(row: np.ndarray) -> Record:
    """The record that fills such a row; what a row does not hold is unknown."""

    def of(name: str) -> float | None:
        value = float(row[PLACES[name]])
        return None if np.isnan(value) else value

    time_s = float(row[PLACES["time_s"]])
    return Record(
        sample_index=0,
        time_s=time_s,
        modes={
            mode: ModeRecord(
                state=MODE_STATES[int(of(f"{mode}_state") or 0)],
                frequency_hz=of(f"{mode}_hz"),
                frequency_sigma_hz=of(f"{mode}_sigma_hz"),
                amplitude=of(f"{mode}_amplitude"),
                phase_error_rad=of(f"{mode}_phase_error_rad"),
                phase_sigma_rad=of(f"{mode}_phase_sigma_rad"),
                snr_db=of(f"{mode}_snr_db"),
                innovation_ratio=of(f"{mode}_innovation_ratio"),
            )
            for mode in ModeId
        },
        difference_hz=of("difference_hz"),
        difference_sigma_hz=of("difference_sigma_hz"),
        difference_innovation_ratio=of("difference_innovation_ratio"),
        pump_hz=of("pump_hz"),
        pump_amplitude=of("pump_amplitude") or 0.0,
        pump_state=PUMP_STATES[int(of("pump_state") or 0)],
    )


def recent_rows(recent: RecentCurves) -> np.ndarray:
    """The curves of a picture as rows, shape (n, columns); what it does not have is NaN."""
    rows = np.full((len(recent.time_s), len(COLUMNS)), np.nan)
    for name, values in recent.model_dump().items():
        if name not in PLACES:
            continue
        rows[:, PLACES[name]] = _ranks(name, values) if _is_state(name) else values
    return rows


def log_rows(chunk: Mapping[str, np.ndarray]) -> np.ndarray:
    """A piece of a log's records as rows, shape (n, columns).

    Parameters
    ----------
    chunk : mapping of str to ndarray, shape (n,)
        The LOG_COLUMNS; states as text.
    """
    columns = [
        _ranks(name, chunk[theirs]) if _is_state(name) else chunk[theirs]
        for name, theirs in zip(COLUMNS, LOG_COLUMNS, strict=True)
    ]
    return np.array(columns, dtype=float).T


def _is_state(name: str) -> bool:
    return name.endswith("_state")


def _ranks(name: str, states: Sequence[str] | np.ndarray) -> list[float]:
    ranks = _PUMP_RANKS if name == "pump_state" else _MODE_RANKS
    return [ranks.get(str(state), np.nan) for state in states]
