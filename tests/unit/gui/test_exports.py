"""Values for tables and for people."""

from __future__ import annotations

import csv
import io

import numpy as np

from gui.models.columns import COLUMNS, record_row
from gui.models.exports import row_words, rows_text
from tests.support.desk import pumped_record


def test_a_table_has_every_column_and_every_digit() -> None:
    record = pumped_record(2.5, error_hz=1e-3)
    text = rows_text(np.array([record_row(record)]))
    [row] = list(csv.DictReader(io.StringIO(text)))
    assert tuple(row) == COLUMNS
    assert float(row["pump_hz"]) == record.pump_hz
    assert row["pump_state"] == "on" and row["lower_state"] == "locked"
    assert row["lower_snr_db"] == ""


def test_a_row_in_words_names_difference_pump_and_modes() -> None:
    words = row_words(record_row(pumped_record(2.5, error_hz=1e-3)), "m")
    assert words.startswith("0:00:02.5    difference 7\u2009000.000\u200900 Hz ± 100 µHz")
    assert "pump less difference 1.0 mHz" in words
    assert "upper 818\u2009000.000 Hz, 1.00 nm" in words
