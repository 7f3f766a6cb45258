"""The pump through an exchange: released modes, nulls, and a difference that stays known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from controller.records import EstimateSource, ModeId, PumpState
from controller.supervisor.requests import Request, RequestKind
from tests.support.rehearsals import Rehearsal, prepared

RELEASED_S = 15.0
END_S = 75.0
# One mode holds nearly all the motion, the pump couples by g / 2 pi = 0.16 Hz: the energy
# goes there and back every 3 s, while it decays within half a minute.
EXCHANGE = {
    "drive.amplitude_m": [3.0e-11, 1.0e-9],
    "pump.coupling_hz_per_unit": 0.31,
    "pump.coupling_sigma_hz_per_unit": 0.03,
    "pump.healthy_s": 1.0,
    "run.pump_from_s": RELEASED_S + 0.5,
    "run.duration_s": END_S,
    "instrument.options.pump.coupling_hz_per_v": 0.32,
}


@pytest.fixture(scope="module")
def exchange() -> Rehearsal:
    """Locked, released, and pumped; read only."""
    rehearsal = prepared(overrides=EXCHANGE)
    release = Request(kind=RequestKind.RELEASE)
    return rehearsal.until(END_S, requests={RELEASED_S: release})


@pytest.fixture(scope="module")
def errors(exchange: Rehearsal, tmp_path_factory: pytest.TempPathFactory) -> np.ndarray:
    """Time, error of the difference and its sigma, while the exchange goes on."""
    truth = exchange.truth(tmp_path_factory.mktemp("truth"))
    rows = [
        (record.time_s, record.difference_hz, record.difference_sigma_hz)
        for record in exchange.records
        if record.time_s > RELEASED_S + 10.0 and record.difference_hz is not None
    ]
    table = np.array(rows, dtype=float)
    table[:, 1] -= np.interp(table[:, 0], truth["time_s"], truth["difference_hz"])
    return table


def test_the_amplitudes_go_through_nulls(exchange: Rehearsal, tmp_path: Path) -> None:
    """Otherwise the other tests would say nothing."""
    truth = exchange.truth(tmp_path)
    is_pumped = truth["time_s"] > RELEASED_S + 1.0
    for name in ("lower_amplitude_m", "upper_amplitude_m"):
        amplitude = truth[name][is_pumped]
        falls = np.count_nonzero(np.diff(np.sign(np.diff(amplitude))) > 0)
        assert falls > 10
        assert amplitude.min() < 0.05 * amplitude.max()


def test_the_observer_is_the_source_and_the_pump_stays_on(exchange: Rehearsal) -> None:
    records = [record for record in exchange.records if record.time_s > RELEASED_S + 2.0]
    assert {record.difference_source for record in records} == {EstimateSource.OBSERVER}
    assert {record.pump_state for record in records} == {PumpState.ON}
    account = exchange.account()
    assert account["mutes"] == 0 and account["on_outside_interlock_s"] == 0.0


def test_drives_are_off_once_released(exchange: Rehearsal) -> None:
    last = exchange.records[-1]
    assert all(last.modes[mode].drive_amplitude == 0.0 for mode in ModeId)


def test_the_difference_is_known_through_the_nulls(errors: np.ndarray) -> None:
    """A line is 14 mHz wide: a tenth of it is 1.4 mHz."""
    assert np.sqrt(np.mean(errors[:, 1] ** 2)) < 1.4e-3
    assert np.median(errors[:, 2]) < 0.5e-3


def test_the_stated_uncertainty_is_right(errors: np.ndarray) -> None:
    """Errors keep for seconds: 50 s hold some 15 that are independent, chi-square/15."""
    normalised = np.mean((errors[:, 1] / errors[:, 2]) ** 2)
    assert 0.2 < normalised < 2.7  # the central 99.9 % of chi-square with 15


def test_a_change_of_source_is_in_the_events(exchange: Rehearsal) -> None:
    changes = exchange.events_of("run", "source")
    assert [event.text for event in changes] == ["trackers -> observer"]
    assert abs(changes[0].time_s - RELEASED_S) < 0.2


def test_driven_again_the_loops_take_over() -> None:
    rehearsal = prepared(overrides=EXCHANGE | {"pump.amplitude": 0.0})
    requests = {
        RELEASED_S: Request(kind=RequestKind.RELEASE),
        RELEASED_S + 5.0: Request(kind=RequestKind.DRIVE),
    }
    rehearsal.until(RELEASED_S + 10.0, requests=requests)
    sources = [event.text for event in rehearsal.events_of("run", "source")]
    assert sources == ["trackers -> observer", "observer -> trackers"]
    assert rehearsal.records[-1].modes[ModeId.UPPER].drive_amplitude > 0.0


def test_a_mode_that_is_not_driven_cannot_be_released() -> None:
    rehearsal = prepared()
    release = Request(kind=RequestKind.RELEASE, text="middle")
    rehearsal.until(0.1, requests={0.02: release})
    assert rehearsal.events_of("run", "request_refused")


@pytest.mark.parametrize(
    "scenario", ["aircon_cycle", "fringe_feedthrough", "low_signal", "strong_duffing"]
)
def test_rooms_and_detectors_of_other_scenarios(scenario: str, tmp_path: Path) -> None:
    """Drift, strays, gain, noise and Duffing as they come: a tenth of a line, or nearly.

    Lines are 13 to 21 mHz wide; the sigmas themselves reach 2 mHz late in the ring-down.
    """
    overrides = {
        "drive.amplitude_m": [3.0e-11, 6.0e-10],
        "pump.healthy_s": 1.0,
        "run.pump_from_s": 20.5,
        "run.duration_s": 70.0,
    }
    rehearsal = prepared(scenario, overrides=overrides)
    rehearsal.until(70.0, requests={20.0: Request(kind=RequestKind.RELEASE)})
    records = [record for record in rehearsal.records if record.time_s > 35.0]
    assert {record.difference_source for record in records} == {EstimateSource.OBSERVER}
    truth = rehearsal.truth(tmp_path)
    times_s = np.array([record.time_s for record in records])
    found_hz = np.array([record.difference_hz for record in records], dtype=float)
    sigmas_hz = np.array([record.difference_sigma_hz for record in records], dtype=float)
    errors_hz = found_hz - np.interp(times_s, truth["time_s"], truth["difference_hz"])
    assert np.sqrt(np.mean(errors_hz**2)) < 2.0e-3
    # Errors keep for ten seconds and more: 35 s hold some three that are independent,
    # and chi-square with three stays below this in 999 of 1000 cases.
    assert np.mean((errors_hz / sigmas_hz) ** 2) < 5.5
    assert rehearsal.account()["on_outside_interlock_s"] == 0.0


def test_modes_that_are_not_locked_cannot_be_released() -> None:
    """The observer begins from what the loops know: nothing yet."""
    rehearsal = prepared(overrides=EXCHANGE)
    rehearsal.until(5.5, requests={5.4: Request(kind=RequestKind.RELEASE)})
    [refused] = rehearsal.events_of("run", "request_refused")
    assert "locked" in refused.text
