"""What is left for the next start, and what a configuration makes of it."""

from __future__ import annotations

import json
import os
import stat
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from controller.errors import InputError
from controller.records import Knowledge, ModeId, ModeRecord, TrackerState
from controller.runtime.last_known import (
    LAST_KNOWN_NAME,
    LEAST_LOOK_HZ,
    LastKnown,
    LastKnownFile,
    last_known_of,
    load_last_known,
    narrowed,
)
from controller.runtime.private_file import write_private
from controller.settings import Configuration
from tests.support.log_threads import record

SAVED = datetime(2031, 4, 5, 6, 7, 8, tzinfo=UTC)
HOUR_S = 3600.0
KNOWLEDGE = Knowledge(
    shared_walk_hz_per_root_s=0.3,
    separate_walk_hz_per_root_s=0.4,
    drift_ratio=1.01,
    drift_ratio_sigma=1e-4,
    coupling_hz_per_unit=0.5,
    coupling_sigma_hz_per_unit=0.02,
    pump_shift_hz_per_unit2={ModeId.LOWER: 0.02, ModeId.UPPER: -0.03},
    pump_shift_sigma_hz_per_unit2={ModeId.LOWER: 0.001, ModeId.UPPER: 0.2},
)


def configuration(**tables: object) -> Configuration:
    """Modes near those of the records."""
    return Configuration.model_validate(
        {
            "instrument": {"class": "simulator"},
            "modes": {
                "lower": {"frequency_hz": 870_300.0, "search_hz": 400.0},
                "upper": {"frequency_hz": 875_000.0, "search_hz": 400.0},
            },
            **tables,
        }
    )


def known(knowledge: Knowledge | None = KNOWLEDGE) -> LastKnown:
    """Both modes locked, as the loop had them."""
    whole = record(0)
    upper = replace(whole.modes[ModeId.UPPER], frequency_hz=875_084.7)
    found = last_known_of(
        replace(whole, modes={**whole.modes, ModeId.UPPER: upper}), knowledge, SAVED
    )
    assert found is not None
    return found


def test_what_is_saved_is_read_and_is_the_owners_alone(tmp_path: Path) -> None:
    file = LastKnownFile(tmp_path / LAST_KNOWN_NAME, now=lambda: SAVED)
    file.note(record(3), KNOWLEDGE)
    file.save_if_due()
    loaded = load_last_known(tmp_path)
    assert loaded.lower.frequency_hz == 870_216.4
    assert loaded.upper.pump_shift_hz_per_v2 == -0.03
    assert loaded.common_walk_hz_per_root_s == 0.3
    assert (loaded.saved, loaded.time_s) == (SAVED, 0.3)
    assert json.loads((tmp_path / LAST_KNOWN_NAME).read_text())["schema"] == (
        "difftone.last_known/1"
    )
    assert stat.S_IMODE(os.stat(tmp_path / LAST_KNOWN_NAME).st_mode) == 0o600
    assert [path.name for path in tmp_path.iterdir()] == [LAST_KNOWN_NAME]


def test_it_is_saved_once_a_minute_and_at_the_end(tmp_path: Path) -> None:
    file = LastKnownFile(tmp_path / LAST_KNOWN_NAME, now=lambda: SAVED)
    for place in (1, 2):
        file.note(record(place), None)
        file.save_if_due()
    assert load_last_known(tmp_path).time_s == 0.1
    file.save()
    assert load_last_known(tmp_path).time_s == 0.2


@pytest.mark.parametrize(
    "lower",
    [
        ModeRecord(state=TrackerState.HOLDING, frequency_hz=8.7e5, frequency_sigma_hz=1.0),
        ModeRecord(state=TrackerState.LOCKED),
        ModeRecord(state=TrackerState.LOCKED, frequency_hz=float("nan"), frequency_sigma_hz=1.0),
    ],
)
def test_a_mode_that_is_not_locked_is_not_known(lower: ModeRecord) -> None:
    whole = record(0)
    assert (
        last_known_of(replace(whole, modes={**whole.modes, ModeId.LOWER: lower}), KNOWLEDGE, SAVED)
        is None
    )
    assert last_known_of(replace(whole, difference_sigma_hz=float("nan")), None, SAVED) is None


def test_age_counts_both_ways() -> None:
    assert known().age_s(SAVED + timedelta(hours=1)) == HOUR_S
    assert known().age_s(SAVED - timedelta(hours=1)) == HOUR_S


@pytest.mark.parametrize(
    ("content", "complaint"),
    [
        ("", "JSON"),
        ("[]", "should be an object"),
        ('{"schema": "another/1"}', "schema"),
        (known().model_dump_json(by_alias=True).replace("870213.4", "-1"), "lower.frequency_hz"),
        (known().model_dump_json(by_alias=True).replace("870213.4", "NaN"), "lower.frequency_hz"),
    ],
)
def test_a_damaged_file_is_refused_in_one_line(
    tmp_path: Path, content: str, complaint: str
) -> None:
    path = tmp_path / LAST_KNOWN_NAME
    path.write_text(content)
    with pytest.raises(InputError) as caught:
        load_last_known(path)
    assert complaint in str(caught.value)
    assert str(path) in str(caught.value) and "\n" not in str(caught.value)


def test_a_missing_file_and_bytes_that_are_no_text_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        load_last_known(tmp_path)
    (tmp_path / LAST_KNOWN_NAME).write_bytes(b"\xff\xfe")
    with pytest.raises(InputError, match="cannot be read"):
        load_last_known(tmp_path)


def test_what_a_later_version_adds_is_ignored(tmp_path: Path) -> None:
    content = {**json.loads(known().model_dump_json(by_alias=True)), "more": 1}
    (tmp_path / LAST_KNOWN_NAME).write_text(json.dumps(content))
    assert load_last_known(tmp_path) == known()


def test_the_first_look_widens_with_age_from_a_floor_to_the_range() -> None:
    widths_hz = []
    for age_s in (0.0, 900.0, HOUR_S, 30 * 24 * HOUR_S):
        modes = narrowed(configuration(), known(), age_s).modes
        assert modes.lower.likely_hz == 870_213.4
        assert (modes.lower.frequency_hz, modes.lower.search_hz) == (870_300.0, 400.0)
        widths_hz.append(modes.lower.likely_within_hz)
    # Five sigmas of a walk of 0.5 Hz in a second: 150 Hz in an hour.
    assert widths_hz == pytest.approx([LEAST_LOOK_HZ, 75.0, 150.0, 400.0], rel=1e-6)


def test_without_a_walk_the_first_look_is_as_wide_as_the_range() -> None:
    assert narrowed(configuration(), known(None), 1.0).modes.lower.likely_within_hz == 400.0


def test_what_was_learnt_is_begun_with() -> None:
    begun = narrowed(configuration(), known(), 0.0)
    assert begun.tracking.likely_common_walk_hz_per_root_s == 0.3
    assert begun.tracking.likely_separate_walk_hz_per_root_s == 0.4
    assert begun.tracking.common_walk_hz_per_root_s is None  # it is still learnt
    assert begun.tracking.drift_ratio == 1.01
    assert begun.tracking.drift_ratio_sigma == pytest.approx((1e-4**2 + 1e-3**2) ** 0.5)
    assert begun.pump.coupling_hz_per_unit == 0.5
    assert begun.pump.coupling_sigma_hz_per_unit == pytest.approx((0.02**2 + 0.05**2) ** 0.5)
    assert begun.modes.lower.pump_shift_hz_per_v2 == 0.02
    assert begun.modes.upper.pump_shift_hz_per_v2 == 0.0  # less certain than the configuration


def test_what_the_configuration_states_stays() -> None:
    stated = configuration(pump={"coupling_hz_per_unit": 0.7}, tracking={"drift_ratio": 1.004})
    begun = narrowed(stated, known(), 0.0)
    assert begun.pump == stated.pump
    assert begun.tracking.drift_ratio == 1.004
    assert begun.tracking.drift_ratio_sigma == stated.tracking.drift_ratio_sigma


def test_a_ratio_that_is_known_no_better_than_before_is_not_taken_over() -> None:
    vague = replace(KNOWLEDGE, drift_ratio_sigma=0.02)
    assert narrowed(configuration(), known(vague), 0.0).tracking.drift_ratio is None


def test_a_coupling_within_its_noise_is_not_known() -> None:
    vague = replace(KNOWLEDGE, coupling_sigma_hz_per_unit=0.2)
    assert narrowed(configuration(), known(vague), 0.0).pump.coupling_hz_per_unit is None


def test_what_comes_out_is_a_valid_configuration() -> None:
    begun = narrowed(configuration(), known(), HOUR_S)
    assert Configuration.model_validate_json(begun.model_dump_json(by_alias=True)) == begun


def test_another_device_is_refused() -> None:
    other = configuration(
        modes={"lower": {"frequency_hz": 8.0e5}, "upper": {"frequency_hz": 8.75e5}}
    )
    with pytest.raises(InputError, match=r"outside modes\.lower"):
        narrowed(other, known(), 0.0)


def test_a_private_file_replaces_an_older_one_and_what_a_killed_program_left(
    tmp_path: Path,
) -> None:
    path = tmp_path / "state.json"
    path.write_text("older")
    path.chmod(0o644)
    (tmp_path / "state.json.partial").write_text("half")
    write_private(path, "newer µ")
    assert path.read_text(encoding="utf-8") == "newer µ"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [each.name for each in tmp_path.iterdir()] == ["state.json"]
