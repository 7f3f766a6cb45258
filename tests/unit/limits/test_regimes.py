"""Regimes: what a scenario becomes, and names that are none."""

from __future__ import annotations

import pytest

from controller.errors import InputError
from controller.limits.regimes import REGIMES, Regime, regimes_named
from controller.records import ModeId
from controller.settings import Configuration
from controller.supervisor.requests import RequestKind


def scenario(amplitude_m: object = 1.0e-9) -> Configuration:
    """A scenario that asks for things a regime has to change."""
    mode = {"frequency_hz": 9.1e5}
    return Configuration.model_validate(
        {
            "modes": {"lower": mode, "upper": {"frequency_hz": 9.2e5}},
            "drive": {"amplitude_m": amplitude_m},
            "pump": {"amplitude": 0.4, "healthy_s": 3.0},
            "run": {"duration_s": 600.0, "pump_from_s": 45.0, "record_rate_hz": 20.0},
            "instrument": {"class": "simulator"},
        }
    )


@pytest.mark.parametrize("regime", REGIMES.values(), ids=REGIMES)
def test_a_run_lasts_longer_than_what_is_asked_and_judged(regime: Regime) -> None:
    applied = regime.applied(scenario())
    assert regime.judged_s[0] < regime.judged_s[1] < applied.run.duration_s
    assert all(at_s < applied.run.duration_s for at_s, _ in regime.requests(applied))
    assert applied.run.pump_from_s == 0.0


@pytest.mark.parametrize("regime", REGIMES.values(), ids=REGIMES)
def test_a_pump_that_may_come_on_waits_to_be_armed(regime: Regime) -> None:
    assert (regime.applied(scenario()).pump.amplitude > 0.0) is regime.is_pumped
    if regime.is_pumped:
        assert any(asked.kind is RequestKind.ARM for asked in regime.asked)
        first = min(regime.asked, key=lambda asked: asked.at_s)
        assert first.kind is RequestKind.DISARM and first.at_s < 0.0


def test_amplitudes_are_those_of_the_scenario_times_ratios() -> None:
    exchange = REGIMES["exchange"]
    applied = exchange.applied(scenario((2.0e-9, 3.0e-9)))
    assert [applied.drive.amplitude_of(mode) for mode in ModeId] == [2.0e-9, 3.0e-9]
    weakened = [request for _, request in exchange.requests(applied) if request.value > 0.0]
    assert [(request.kind, request.text) for request in weakened] == [(RequestKind.DRIVE, "lower")]
    assert weakened[0].value == pytest.approx(0.05 * 2.0e-9)
    assert REGIMES["thermal"].applied(scenario()).drive.amplitude_of(ModeId.UPPER) == 0.0


def test_the_rest_of_a_scenario_stays() -> None:
    before = scenario()
    after = REGIMES["driven"].applied(before)
    assert (after.modes, after.instrument) == (before.modes, before.instrument)
    assert after.pump.healthy_s == 3.0 and after.run.record_rate_hz == 20.0
    assert before == scenario()


def test_regimes_come_in_the_order_of_their_names_each_once() -> None:
    found = regimes_named(["thermal", "driven", "thermal"])
    assert [regime.name for regime in found] == ["thermal", "driven"]


@pytest.mark.parametrize(
    ("names", "remedy"),
    [
        (["driven", "ringdown"], "did you mean ring_down?"),
        (["x"], "there are driven"),
        ([], "none"),
    ],
)
def test_an_unknown_regime_is_refused(names: list[str], remedy: str) -> None:
    with pytest.raises(InputError, match=remedy.replace("?", r"\?")):
        regimes_named(names)
