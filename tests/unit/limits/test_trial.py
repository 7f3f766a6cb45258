"""A trial: what counts as covered and as lost, why one fails, and a short one on the simulator."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from controller.errors import InputError
from controller.limits.regimes import Regime
from controller.limits.trial import (
    DIFFTONE,
    INFORMED,
    LEARNER,
    TRACKERS,
    Trial,
    coverage,
    rms,
    run_trial,
    simulated_instrument,
    undetected_losses,
)
from controller.records import EstimateSource, ModeId, ModeRecord, Record, TrackerState
from controller.runtime.configuration import load_configuration, with_overrides
from controller.settings import Configuration

ROOT = Path(__file__).resolve().parents[3]
QUIET_ROOM = ROOT / "hardware_sim" / "scenarios" / "quiet_room.toml"
SHORT = Regime(
    name="short",
    title="both modes driven for a while",
    amplitude_ratios=(1.0, 1.0),
    is_pumped=False,
    judged_s=(15.0, 40.0),
)


def quiet_room(**options: object) -> Configuration:
    return with_overrides(load_configuration(QUIET_ROOM), QUIET_ROOM, options=options)


def trial(**options: object) -> Trial:
    return Trial(
        configuration=quiet_room(**options),
        source=QUIET_ROOM,
        regime=SHORT,
        seed=20,
        with_rivals=False,
    )


# --- judging -----------------------------------------------------------------------------


def records(
    count: int,
    upper: TrackerState = TrackerState.LOCKED,
    source: EstimateSource = EstimateSource.TRACKERS,
) -> list[Record]:
    """Ten records a second with one state throughout."""
    modes = {
        ModeId.LOWER: ModeRecord(state=TrackerState.LOCKED),
        ModeId.UPPER: ModeRecord(state=upper),
    }
    return [
        Record(sample_index=100 * n, time_s=0.1 * n, modes=modes, difference_source=source)
        for n in range(count)
    ]


def errors(*stretches: tuple[int, float]) -> np.ndarray:
    """Normalised errors: so many of a value, and so on."""
    return np.concatenate([np.full(count, value) for count, value in stretches])


def test_a_long_error_with_a_lock_claimed_is_an_undetected_loss() -> None:
    wrong = errors((10, 0.5), (25, -6.0), (5, 1.0), (30, 7.0))
    assert undetected_losses(records(70), wrong) == 2


@pytest.mark.parametrize("wrong", [errors((10, 0.0), (20, 9.0)), errors((30, 4.9))])
def test_an_error_of_two_seconds_or_within_five_sigma_is_none(wrong: np.ndarray) -> None:
    assert undetected_losses(records(30), wrong) == 0


def test_an_error_without_a_claim_is_no_undetected_loss() -> None:
    assert undetected_losses(records(40, TrackerState.HOLDING), errors((40, 9.0))) == 0
    assert undetected_losses(records(40), errors((40, math.nan))) == 0
    assert undetected_losses([], errors((0, 0.0))) == 0


def test_the_observer_claims_what_it_states_whatever_the_loops_are() -> None:
    claimed = records(40, TrackerState.LOST, EstimateSource.OBSERVER)
    assert undetected_losses(claimed, errors((40, 9.0))) == 1
    assert undetected_losses(claimed, errors((19, 9.0), (1, math.nan), (20, 9.0))) == 0


def test_coverage_counts_what_was_stated() -> None:
    assert coverage(np.array([0.5, -0.9, -1.9, 3.0, math.nan])) == {"68": 0.5, "95": 0.75}
    assert all(math.isnan(share) for share in coverage(np.full(3, math.nan)).values())


def test_the_root_mean_square_leaves_out_what_is_unknown() -> None:
    assert rms(np.array([3.0, -4.0, math.nan])) == pytest.approx(math.sqrt(12.5))
    assert math.isnan(rms(np.array([math.nan])))


# --- trials that cannot be judged --------------------------------------------------------


def test_an_instrument_without_a_truth_is_refused(tmp_path: Path) -> None:
    instrument = {"class": "tests.support.instruments:ScriptedInstrument"}
    loop = quiet_room().model_dump(by_alias=True) | {"instrument": instrument}
    path = tmp_path / "bench.toml"
    with pytest.raises(InputError, match="limits needs a simulated instrument"):
        simulated_instrument(Configuration.model_validate(loop), path)


@pytest.mark.parametrize(
    ("options", "reason"),
    [
        ({"duration_s": 5.0}, "the stream ended too early: the rehearsal ended after 5.0 s"),
        ({"faults": {"lost": [{"at_s": 25.0, "duration_s": 0.1}]}}, "a stream without gaps: block"),
        ({"sead": 3}, "quiet_room.toml: instrument.options: "),
    ],
)
def test_a_trial_that_cannot_be_judged_says_why(options: dict[str, object], reason: str) -> None:
    result = run_trial(trial(**options))
    assert reason in result.failure and "\n" not in result.failure
    assert result.seed == 20 and math.isnan(result.limit_hz) and not result.errors_hz


# --- a short one -------------------------------------------------------------------------


def test_a_driven_pair_is_followed_to_near_its_limit() -> None:
    result = run_trial(trial())
    assert result.failure == ""
    # Two ways to one number: the Riccati equation of both phases, and the filter that is given
    # the truth, of complex amplitudes. They differ by drifts that are a walk here, a
    # relaxation there, and by steps of 20 ms against 10 ms.
    assert result.informed_sigma_hz == pytest.approx(result.limit_hz, rel=0.03)
    assert result.limit_hz == pytest.approx(71.8e-6, rel=0.01)  # of this scenario
    # The errors stay alike for some second: 25 s are at least ten independent ones, whose rms
    # has a relative deviation of 1 / sqrt(20); four of those.
    assert result.errors_hz[INFORMED] < (1.0 + 4.0 / math.sqrt(20.0)) * result.limit_hz
    # Who has to learn the ratio of the drifts knows less, and says so.
    assert result.learning_limit_hz > result.informed_sigma_hz
    assert result.errors_hz[LEARNER] < (1.0 + 4.0 / math.sqrt(20.0)) * result.learning_limit_hz
    assert DIFFTONE in result.errors_hz
    assert result.known_fraction == 1.0
    assert result.undetected_losses == 0
    alone = run_trial(replace(trial(), with_limit=False))
    assert alone.covered == result.covered
    assert alone.errors_hz == {name: result.errors_hz[name] for name in (DIFFTONE, TRACKERS)}
    assert math.isnan(alone.limit_hz)
