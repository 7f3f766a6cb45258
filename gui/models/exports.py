"""Values as text, for the clipboard and for files."""

from __future__ import annotations

import math

import numpy as np

from gui.models.columns import COLUMNS, MODE_STATES, PLACES, PUMP_STATES
from gui.models.wording import clock_text, estimate_text, quantity_text


def rows_text(rows: np.ndarray, separator: str = ",") -> str:
    """Rows with a heading, one line each; an unknown value is empty.

    Parameters
    ----------
    rows : ndarray of float64, shape (n, columns)
        From a history.
    separator : str
        Between two values.
    """
    lines = [separator.join(COLUMNS)]
    lines += [separator.join(map(_value_text, COLUMNS, row)) for row in rows.tolist()]
    return "\n".join(lines) + "\n"


def _value_text(name: str, value: float) -> str:
    if math.isnan(value):
        return ""
    if name.endswith("_state"):
        return str((PUMP_STATES if name == "pump_state" else MODE_STATES)[int(value)])
    return repr(value)


def row_words(row: np.ndarray, amplitude_unit: str) -> str:
    """One row in a line of words, for the cursor."""

    def of(name: str) -> float:
        return float(row[PLACES[name]])

    parts = [
        clock_text(of("time_s"), 1),
        f"difference {estimate_text(of('difference_hz'), of('difference_sigma_hz'))}",
    ]
    if math.isfinite(of("pump_hz")):
        apart_hz = of("pump_hz") - of("difference_hz")
        parts.append(f"pump less difference {quantity_text(apart_hz, 'Hz', 2)}")
    for mode in ("lower", "upper"):
        amplitude = quantity_text(of(f"{mode}_amplitude"), amplitude_unit)
        parts.append(f"{mode} {estimate_text(of(f'{mode}_hz'), of(f'{mode}_sigma_hz'))}")
        parts[-1] += f", {amplitude}"
    return "    ".join(parts)
