"""How a pair begins: as it was found, with drives of which nothing better is known."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from controller.records import ModeId, TrackerState
from controller.settings import LoopSettings
from controller.supervisor.drive import DriveConfig
from controller.supervisor.drives import DrivePath, Drives
from controller.supervisor.pair_start import adopt_drives, found_by, started_pair
from controller.supervisor.searching import FoundMode
from tests.unit.supervisor.test_drives import CHANNELS, RATE_HZ
from tests.unit.supervisor.test_search_rounds import MODES, STREAM

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER
SETTINGS = LoopSettings.model_validate({"modes": MODES})  # both modes are driven by default
FOUND = {
    mode: FoundMode(
        frequency_hz=hz,
        frequency_sigma_hz=0.2,
        amplitude=0.7,
        detector_noise=1.0e-5,
        responsivity=0.14,
        drive_phase_rad=0.6,
        has_answered=True,
    )
    for mode, hz in ((LOWER, 1_043_728.0), (UPPER, 1_050_371.0))
}


def started() -> Any:
    strays_hz: dict[ModeId, tuple[float, ...]] = dict.fromkeys(ModeId, ())
    return started_pair(SETTINGS, STREAM, FOUND, strays_hz, tick_s=0.1, now_index=5000)


def adopted(drives: Drives, found: dict[ModeId, FoundMode]) -> DriveConfig:
    adopt_drives(drives, found, SETTINGS, STREAM)
    return drives.controllers[LOWER].config


def test_trackers_begin_where_the_modes_were_found() -> None:
    pair = started()
    for mode, tracker in pair.trackers.items():
        assert tracker.state is TrackerState.PULLING_IN
        assert pair.frequency_hz(mode) == FOUND[mode].frequency_hz
        assert tracker.amplitude == 0.7 and tracker.frequency_sigma_hz == 0.2


def test_what_a_pair_knows_can_be_begun_with_anew() -> None:
    again = found_by(started())
    for mode, found in again.items():
        assert found.frequency_hz == FOUND[mode].frequency_hz
        assert found.detector_noise == FOUND[mode].detector_noise
        assert not found.has_answered


def test_the_first_news_of_a_drive_are_believed_whatever_they_are() -> None:
    drives = Drives(CHANNELS, RATE_HZ)
    deaf = {mode: replace(each, has_answered=False) for mode, each in FOUND.items()}
    assert adopted(drives, deaf).responsivity == 0.14


def test_later_news_count_if_the_mode_has_answered() -> None:
    drives = Drives(CHANNELS, RATE_HZ)
    adopted(drives, FOUND)
    for has_answered, expected in ((False, 0.14), (True, 0.3)):
        news = {
            mode: replace(each, responsivity=0.3, has_answered=has_answered)
            for mode, each in FOUND.items()
        }
        assert adopted(drives, news).responsivity == expected


def test_a_drive_that_has_held_its_mode_is_left_as_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    drives = Drives(CHANNELS, RATE_HZ)
    before = adopted(drives, FOUND)
    drives.adopt(LOWER, before, DrivePath(phase_turns=0.1))
    monkeypatch.setattr(drives, "has_proven", lambda mode: mode is LOWER)
    news = {mode: replace(each, responsivity=0.3) for mode, each in FOUND.items()}
    assert adopted(drives, news) == before
    assert drives.controllers[UPPER].config.responsivity == 0.3
