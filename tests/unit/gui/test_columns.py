"""Rows: a record, a picture's curves and a log give the same."""

from __future__ import annotations

import numpy as np

from controller.records import ModeId, PumpState, TrackerState
from controller.service.messages import RecentCurves, RecordMessage
from gui.models.columns import (
    COLUMNS,
    LOG_COLUMNS,
    MODE_STATES,
    PLACES,
    PUMP_STATES,
    log_rows,
    recent_rows,
    record_row,
    row_record,
)
from tests.support.desk import pumped_record
from tests.support.little_service import picture


def test_every_state_has_a_rank() -> None:
    assert set(MODE_STATES) == set(TrackerState)
    assert set(PUMP_STATES) == set(PumpState)


def test_a_record_fills_a_row() -> None:
    row = record_row(pumped_record(3.0, error_hz=2e-3))
    assert row[PLACES["time_s"]] == 3.0
    assert row[PLACES["pump_hz"]] - row[PLACES["difference_hz"]] == np.float64(7000.002) - 7000.0
    assert MODE_STATES[int(row[PLACES["lower_state"]])] is TrackerState.LOCKED
    assert np.isnan(row[PLACES["lower_snr_db"]])


def test_a_row_gives_its_record_back() -> None:
    row = record_row(pumped_record(3.0, error_hz=2e-3))
    np.testing.assert_array_equal(record_row(row_record(row)), row)


def test_the_curves_of_a_picture_agree_with_its_records() -> None:
    shown = picture()
    records = [pumped_record(float(n), error_hz=1e-3 * n) for n in range(5)]
    for each in records:
        shown.take(RecordMessage(time_s=each.time_s, record=each))
    rows = recent_rows(shown.message().recent)
    expected = np.array([record_row(each) for each in records])
    known = np.isfinite(rows)
    np.testing.assert_array_equal(rows[known], expected[known])
    for name in ("difference_hz", "pump_hz", "pump_state", "lower_state", "upper_hz"):
        assert known[:, PLACES[name]].all()


def test_an_empty_picture_has_no_rows() -> None:
    assert recent_rows(RecentCurves()).shape == (0, len(COLUMNS))


def test_a_piece_of_a_log_gives_the_same_rows() -> None:
    record = pumped_record(2.0)
    row = record_row(record)
    chunk = {
        theirs: np.array([row[PLACES[ours]]])
        for ours, theirs in zip(COLUMNS, LOG_COLUMNS, strict=True)
    }
    chunk["pump_state"] = np.array([str(record.pump_state)])
    for mode in ModeId:
        chunk[f"{mode}_state"] = np.array([str(record.modes[mode].state)])
    np.testing.assert_array_equal(log_rows(chunk)[0], row)
