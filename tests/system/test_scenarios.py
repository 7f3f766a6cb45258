"""The loop on the shipped scenarios, against the simulator's truth.

Each is run just long enough for the pump to be on for half a minute; their whole
lengths are in tests/benchmarks/scenarios.py. Fixed seeds: a failure repeats.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.stats import chi2

from controller.records import ModeId, PumpState
from controller.runtime.configuration import load_configuration, make_instrument, with_overrides
from controller.runtime.runner import run
from tests.support.rehearsals import SCENARIOS, Rehearsal, prepared, with_pump_early

NAMES = sorted(path.stem for path in SCENARIOS.glob("*.toml"))
LONG = [name for name in NAMES if name != "raw_stream"]
ON_S = 30.0
PUMP_LIMIT_HZ = 3.0e-3  # requirement: rms of the applied frequency against the truth
# Errors of the difference last for about as long as its filter looks back: a few seconds.
ERROR_LASTS_S = 5.0
TOLERATED = 1.0e-3  # probability that a right sigma fails its test


def differences(rehearsal: Rehearsal, folder: Path) -> dict[str, np.ndarray]:
    """Errors of estimate and pump at the records, with the stated sigma [Hz]."""
    truth, times_s = rehearsal.truth(folder), rehearsal.times_s()
    true_hz = np.interp(times_s, truth["time_s"], truth["difference_hz"])
    return {
        "time_s": times_s,
        "error": rehearsal.column(lambda r: r.difference_hz) - true_hz,
        "sigma": rehearsal.column(lambda r: r.difference_sigma_hz),
        "pump": rehearsal.column(lambda r: r.pump_hz) - true_hz,
    }


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.nanmean(values**2)))


def largest_mean_square(duration_s: float) -> float:
    """What the mean squared error over sigma does not exceed if sigma is right."""
    freedom = max(1.0, duration_s / ERROR_LASTS_S)
    return float(chi2.ppf(1.0 - TOLERATED, freedom) / freedom)


def check(rehearsal: Rehearsal, folder: Path) -> None:
    """The pump came on when it should, stayed on, and was where it should be."""
    seen = differences(rehearsal, folder)
    account = rehearsal.account()
    assert account["on_outside_interlock_s"] == 0.0 and account["mutes"] == 0
    [(on_s, is_on)] = rehearsal.pump_edges_s()
    assert is_on
    from_s = rehearsal.configuration.run.pump_from_s
    assert from_s <= on_s <= max(from_s, 15.0) + 0.2
    is_pumped = seen["time_s"] > on_s + 0.1
    assert np.isfinite(seen["pump"][is_pumped]).all()
    assert rms(seen["pump"][is_pumped]) < PUMP_LIMIT_HZ
    ratio2 = np.mean((seen["error"] / seen["sigma"])[is_pumped] ** 2)
    assert ratio2 < largest_mean_square(seen["time_s"][-1] - on_s)


@pytest.mark.parametrize("name", LONG)
def test_it_locks_and_keeps_the_pump_on_the_difference(name: str, tmp_path: Path) -> None:
    rehearsal = prepared(name)
    pump_from_s = rehearsal.configuration.run.pump_from_s
    check(rehearsal.until(pump_from_s + ON_S), tmp_path)


def test_a_raw_stream_is_followed_as_well(tmp_path: Path) -> None:
    """A hundred times the samples for each second: the pump early, and not for long.

    In so short a time nothing can be learnt of how unequal the masses are, which
    moves the difference by 2.7 mHz there: they are told.
    """
    early = {
        "run.pump_from_s": 6.0,
        "pump.healthy_s": 0.5,
        "drive.listen_s": 2.0,
        "modes.lower.mass_kg": 1.04e-11,
        "modes.upper.mass_kg": 9.8e-12,
    }
    check(prepared("raw_stream", early).until(11.0), tmp_path)


@pytest.mark.parametrize("seed", [101, 102, 103])
def test_other_seeds_do_as_well(seed: int, tmp_path: Path) -> None:
    overrides = with_pump_early(**{"instrument.options.seed": seed})
    check(prepared("quiet_room", overrides).until(30.0), tmp_path)


def test_in_the_quiet_room_the_error_is_near_the_joint_limit(tmp_path: Path) -> None:
    """The runner's own summary of a run of five minutes, as a user gets it."""
    path = SCENARIOS / "quiet_room.toml"
    configuration = with_overrides(load_configuration(path), path, duration_s=300.0)
    instrument = make_instrument(configuration, path)
    outcome = run(configuration, tmp_path, instrument=instrument)
    truth, pump = outcome.summary["truth"], outcome.summary["pump"]
    assert outcome.status == 0
    assert truth["difference_rms_error_hz"] < 1.25 * truth["difference_limit_hz"]
    assert truth["pump_rms_error_hz"] < PUMP_LIMIT_HZ
    assert pump["on_outside_interlock_s"] == 0.0 and pump["mutes"] == 0
    assert pump["on_s"] > 250.0
    assert all(mode["locked_fraction"] > 0.97 for mode in outcome.summary["modes"])


def test_the_same_seed_gives_the_same_run() -> None:
    first, second = (prepared("fringe_feedthrough").until(12.0) for _ in range(2))
    assert first.records == second.records
    assert first.tones == second.tones


def test_another_length_of_block_gives_the_same_statistics(tmp_path: Path) -> None:
    """Commands fall on other samples, so numbers differ; their errors may not."""
    for block_s in (0.01, 0.05):
        overrides = with_pump_early(**{"instrument.options.block_s": block_s})
        folder = tmp_path / str(block_s)
        folder.mkdir()
        check(prepared("quiet_room", overrides).until(35.0), folder)


def test_modes_that_are_not_in_the_range_fail_the_run_with_the_reason() -> None:
    away = {"modes.lower.frequency_hz": 1.0423e6, "modes.upper.frequency_hz": 1.0488e6}
    rehearsal = prepared("quiet_room", away).until(60.0)
    failure = rehearsal.engine.failure
    assert failure is not None
    assert failure.startswith("no line of the lower and upper mode in 1042300.0 ± 200 Hz")
    assert not rehearsal.engine.has_locked
    assert all(record.pump_state is PumpState.OFF for record in rehearsal.records)
    assert all(r.modes[ModeId.LOWER].state.value == "searching" for r in rehearsal.records)


def test_two_thermal_modes_are_followed_without_any_tone() -> None:
    rehearsal = prepared("quiet_room", {"drive.amplitude_m": 0.0, "pump.amplitude": 0.0})
    rehearsal.until(20.0)
    assert rehearsal.engine.has_locked and rehearsal.tones == []
    record = rehearsal.records[-1]
    assert record.difference_hz == pytest.approx(6643.25, abs=0.1)  # lines of 15 mHz
