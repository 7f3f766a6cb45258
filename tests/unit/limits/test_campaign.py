"""A campaign: what is made of many trials, and how it ends early."""

from __future__ import annotations

import json
import math
import multiprocessing
import signal
from dataclasses import replace
from pathlib import Path

import pytest

from controller.errors import InputError
from controller.limits.campaign import (
    RegimeResult,
    _interrupts_held,
    document,
    legend,
    run_campaign,
    table,
)
from controller.limits.regimes import REGIMES
from controller.limits.trial import TrialResult
from controller.runtime.configuration import load_configuration, with_overrides
from controller.runtime.summary import strict
from controller.settings import Configuration

QUIET_ROOM = Path(__file__).resolve().parents[3] / "hardware_sim" / "scenarios" / "quiet_room.toml"
WIDEST = 120  # columns


def result(seed: int, factor: float = 1.0, limit_hz: float = 1e-4) -> TrialResult:
    """A trial whose errors are multiples of a factor."""
    multiples = {
        "difftone": 1.1, "trackers": 12.0, "informed": 1.0, "independent": 15.0,
        "script 0.3 s": 9.0, "script 3 s": 3.0, "script 30 s": 4.0,
        "loops 0.1 Hz": 5.0, "loops 1 Hz": 2.0,
    }  # fmt: skip
    return TrialResult(
        seed=seed,
        errors_hz={name: 1e-4 * factor * multiple for name, multiple in multiples.items()},
        limit_hz=limit_hz,
        learning_limit_hz=1.5 * limit_hz,
        sigma_hz=1.2e-4,
        informed_sigma_hz=1e-4,
        known_fraction=1.0,
        covered={"68": 0.66, "95": 0.94},
        undetected_losses=seed % 2,
    )


def regime_result(*trials: TrialResult) -> RegimeResult:
    return RegimeResult(regime=REGIMES["driven"], trials=trials)


def failed(seed: int, reason: str) -> TrialResult:
    return TrialResult(seed=seed, failure=reason)


def quiet_room(**options: object) -> Configuration:
    return with_overrides(load_configuration(QUIET_ROOM), QUIET_ROOM, options=options)


# --- figures -----------------------------------------------------------------------------


def test_medians_are_over_the_trials_that_could_be_judged() -> None:
    of_three = regime_result(result(1), failed(2, "no lock"), result(3, 2.0), result(4, 9.0))
    assert len(of_three.done) == 3
    assert of_three.error_hz("difftone") == pytest.approx(2.2e-4)
    assert of_three.limit_hz == 1e-4
    assert of_three.undetected_losses == 2
    assert of_three.covered("68") == pytest.approx(0.66)


def test_a_share_is_as_uncertain_as_the_trials_differ() -> None:
    shares = (0.9, 1.0, 0.8)
    three = regime_result(*(replace(result(1), covered={"95": share}) for share in shares))
    assert three.covered("95") == pytest.approx(0.9)
    assert three.covered_sigma("95") == pytest.approx(0.1 / math.sqrt(3.0))
    assert math.isnan(regime_result(result(1)).covered_sigma("95"))


def test_a_ratio_is_taken_within_each_trial() -> None:
    ratios = regime_result(result(1, 1.0, 1e-4), result(2, 4.0, 2e-4), result(3, 3.0, 1e-3))
    assert ratios.ratio("informed") == pytest.approx(1.0)  # of 1, 2 and 0.3
    assert ratios.learning_ratio == pytest.approx(1.5)


def test_the_best_of_a_kind_has_the_least_median() -> None:
    one = regime_result(result(1))
    assert one.best("script ") == "script 3 s"
    assert one.best("loops ") == "loops 1 Hz"
    assert regime_result(failed(1, "no lock")).best("script ") == ""


def test_what_is_unknown_is_no_number() -> None:
    none = regime_result(failed(1, "no lock"))
    for figure in (none.limit_hz, none.error_hz("difftone"), none.ratio("x"), none.covered("68")):
        assert math.isnan(figure)
    assert math.isnan(none.learning_limit_hz) and math.isnan(none.learning_ratio)
    assert math.isnan(none.known_fraction)


# --- what is printed ---------------------------------------------------------------------


def test_the_table_has_a_row_for_each_regime_in_three_blocks() -> None:
    lines = table({"driven": regime_result(result(1), result(2)), "thermal": regime_result()})
    errors, others, coverage = (block.splitlines() for block in lines.split("\n\n"))
    assert errors[1].endswith("0.100  0.150 (1.50)  0.100 (1.00)  0.110 (1.10)")
    assert others[1].endswith("1.50 (15.0)  0.300 (3.00) 3 s  0.200 (2.00) 1 Hz")
    assert errors[2].split() == others[2].split() == ["thermal", *["-"] * 4]
    assert coverage[1].split() == ["driven", "66.0±0.0", "94.0±0.0", "100.0", "1", "2", "of", "2"]


def test_the_table_stays_within_its_width_where_rivals_are_lost() -> None:
    lost = regime_result(result(1, 8.7e5))
    text = table(dict.fromkeys(REGIMES, lost))
    assert max(map(len, text.splitlines())) <= WIDEST
    assert "(>999)" in text
    assert max(map(len, legend(list(REGIMES)).splitlines())) <= WIDEST


def test_failed_trials_stand_below_the_table_with_their_reason() -> None:
    some = regime_result(failed(5, "no lock"), result(6), failed(7, "no lock"), failed(8, "a gap"))
    *_, first, second = table({"driven": some}).splitlines()
    assert first == "driven: 2 of 4 trials failed (seed 5, 7): no lock"
    assert second == "driven: 1 of 4 trials failed (seed 8): a gap"


def test_the_legend_explains_every_column_and_row() -> None:
    regimes = {"driven": regime_result(result(1))}
    heads = " ".join(line for line in table(regimes).splitlines() if line.startswith("regime"))
    text = legend(["driven"])
    for column in ("limit", "learning", "given truth", "difftone", "trackers", "two optimal",
                   "best script", "best loops", "68 %", "95 %", "known", "lost",
                   "trials"):  # fmt: skip
        assert column in heads and f"  {column}" in text.replace(", ", "  ")
    assert f"driven        {REGIMES['driven'].title}" in text


def test_the_document_holds_every_trial() -> None:
    trials = regime_result(result(1), failed(2, "no lock"))
    text = json.dumps(strict(document({"x": (quiet_room(), {"driven": trials})})), allow_nan=False)
    whole = json.loads(text)
    assert whole["schema"] == "difftone.limits/1"
    [scenario] = whole["scenarios"]
    [regime] = scenario["regimes"]
    assert (scenario["name"], regime["name"]) == ("x", "driven")
    good, bad = regime["trials"]
    assert good["errors_hz"] == dict(result(1).errors_hz) and good["covered"]["95"] == 0.94
    assert (bad["seed"], bad["failure"], bad["limit_hz"]) == (2, "no lock", None)


# --- running -----------------------------------------------------------------------------


def test_bad_input_is_refused_before_anything_runs() -> None:
    with pytest.raises(InputError, match="unknown"):
        run_campaign(quiet_room(), QUIET_ROOM, regimes=["drivn"], seeds=[1])
    with pytest.raises(InputError, match="seed"):
        run_campaign(quiet_room(), QUIET_ROOM, regimes=["driven"], seeds=[-1])


def test_an_interruption_leaves_no_process_behind() -> None:
    def interrupt(result: TrialResult) -> None:
        assert "ended too early" in result.failure
        raise KeyboardInterrupt

    before = set(multiprocessing.active_children())
    brief = quiet_room(duration_s=1.0)
    with pytest.raises(KeyboardInterrupt):
        run_campaign(
            brief, QUIET_ROOM, regimes=["driven"], seeds=[1, 2], workers=1, progress=interrupt
        )
    assert set(multiprocessing.active_children()) <= before


def test_an_interrupt_that_is_held_comes_afterwards() -> None:
    """Whoever runs the tests in the background has SIGINT ignored: here it is not."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        _check_a_held_interrupt()
    finally:
        signal.signal(signal.SIGINT, before)


def _check_a_held_interrupt() -> None:
    reached = False
    with pytest.raises(KeyboardInterrupt), _interrupts_held():
        signal.raise_signal(signal.SIGINT)
        reached = True
    assert reached
    assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, ())
