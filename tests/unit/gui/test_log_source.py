"""A log in the window."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from controller.errors import InputError
from gui.models.columns import PLACES
from gui.models.log_source import read_log
from gui.models.present import Origin
from tests.support.sample_log import SampleRun, write_log


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """The log of a made-up run."""
    path = tmp_path / "log.sqlite"
    write_log(path)
    return path


def test_a_log_is_read_as_it_was_written(path: Path) -> None:
    run, shares = SampleRun(), list[float]()
    present = read_log(path, shares.append)
    assert present.origin is Origin.LOG and present.is_reachable
    assert len(present.history) == run.duration_s * run.record_rate_hz
    last = present.history.row_at(run.duration_s)
    assert last is not None
    spacing_hz = last[PLACES["difference_hz"]]
    assert spacing_hz == pytest.approx(run.spacing_hz, abs=1.0)
    assert present.line_width_hz == pytest.approx(run.line_width_hz)
    assert present.events.matching("interlock") and shares[-1] == 1.0
    assert "records" in present.ending


def test_the_folder_of_a_run_is_read_too(path: Path) -> None:
    assert len(read_log(path.parent).history) == len(read_log(path).history)


def test_a_long_log_is_thinned_to_its_extremes(path: Path) -> None:
    whole, thinned = read_log(path), read_log(path, most_rows=100)
    assert len(thinned.history) <= 100
    assert "least and largest" in thinned.ending
    for present in (whole, thinned):
        rows = present.history.rows_between(0.0, 1e9)[:, PLACES["lower_phase_error_rad"]]
        extremes = np.nanmin(rows), np.nanmax(rows)
        assert extremes == (
            np.nanmin(whole.history.stretch(0.0, 1e9, 50).low("lower_phase_error_rad")),
            np.nanmax(whole.history.stretch(0.0, 1e9, 50).high("lower_phase_error_rad")),
        )


def test_what_is_no_log_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError):
        read_log(tmp_path / "nothing.sqlite")
    (tmp_path / "text.sqlite").write_text("no log")
    with pytest.raises(InputError):
        read_log(tmp_path / "text.sqlite")
