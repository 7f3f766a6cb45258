"""The truth: nothing lost, nothing rounded, little kept in memory."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np

from hardware_sim.truth import COLUMNS, Truth


def test_rows_come_back_with_every_digit(tmp_path: Path) -> None:
    rows = np.random.default_rng(1).standard_normal((10_000, len(COLUMNS)))
    truth = Truth()
    for row in rows.tolist():
        truth.append(tuple(row))
    truth.write(tmp_path, {"seed": 7})
    with (tmp_path / "truth.csv").open(newline="") as file:
        header, *lines = csv.reader(file)
    assert tuple(header) == COLUMNS
    assert np.array_equal(np.array(lines, float), rows)
    assert json.loads((tmp_path / "truth.json").read_text()) == {"seed": 7}


def test_writing_does_not_end_the_record(tmp_path: Path) -> None:
    truth = Truth()
    for index in range(9000):
        truth.append((float(index),) * len(COLUMNS))
        if index % 4500 == 0:
            truth.write(tmp_path, {})
    found = np.concatenate(list(truth.chunks()))
    assert np.array_equal(found[:, 0], np.arange(9000.0))


def test_memory_is_bounded() -> None:
    truth = Truth()
    for index in range(20_000):
        truth.append((float(index),) * len(COLUMNS))
    assert "rows in memory" in repr(truth)
    assert int(repr(truth).split("(")[1].split()[0]) < 4096
