"""The next start looks where the modes were last, and does not depend on it."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from controller.engine import Engine
from controller.records import ModeId, TrackerState
from controller.runtime.last_known import LEAST_LOOK_HZ, LastKnown, last_known_of, narrowed
from controller.settings import Configuration
from hardware_sim.simulator import SimulatedMembrane
from tests.support.rehearsals import Rehearsal, prepared

SAVED = datetime(2031, 4, 5, tzinfo=UTC)
LOCKED_BY_S = 15.0  # two searches of five seconds each, and a lock
# The mode that the first search met rings by then: it answers only to a longer ping, the third.
ONE_DISPLACED_BY_S = 40.0
DISPLACED_HZ = 90.0  # beyond the first look, well within the configured range


def locked_run(
    configuration: Configuration | None = None, until_s: float = LOCKED_BY_S
) -> Rehearsal:
    """The shipped quiet room until both modes are locked."""
    made = prepared()
    if configuration is not None:
        simulator = SimulatedMembrane(**configuration.instrument.options)
        made = Rehearsal(
            configuration=configuration,
            simulator=simulator,
            engine=Engine(configuration, simulator.stream, simulator.tones),
        )
    return made.until(until_s)


def searches_that_failed(made: Rehearsal) -> list[str]:
    return [each.text for each in made.events_of("search", "failed")]


def are_locked(made: Rehearsal) -> bool:
    return all(each.state is TrackerState.LOCKED for each in made.records[-1].modes.values())


@pytest.fixture(scope="module")
def first_run() -> Rehearsal:
    return locked_run()


@pytest.fixture(scope="module")
def known(first_run: Rehearsal) -> LastKnown:
    found = last_known_of(first_run.records[-1], first_run.engine.knowledge, SAVED)
    assert found is not None
    return found


def test_what_is_known_is_what_the_engine_says(first_run: Rehearsal, known: LastKnown) -> None:
    knowledge = first_run.engine.knowledge
    assert knowledge is not None
    last = first_run.records[-1]
    for mode in ModeId:
        assert known.of(mode).frequency_hz == last.modes[mode].frequency_hz
        assert known.of(mode).pump_shift_hz_per_v2 == knowledge.pump_shift_hz_per_unit2[mode]
    assert known.common_walk_hz_per_root_s == knowledge.shared_walk_hz_per_root_s > 0.0
    assert known.drift_ratio == last.drift_ratio


def test_before_anything_is_locked_nothing_is_known() -> None:
    assert prepared().engine.knowledge is None


def test_the_first_search_finds_modes_where_they_were(
    first_run: Rehearsal, known: LastKnown
) -> None:
    again = locked_run(narrowed(first_run.configuration, known, 60.0))
    assert again.configuration.modes.lower.likely_within_hz == LEAST_LOOK_HZ
    assert searches_that_failed(again) == []
    assert are_locked(again)


@pytest.mark.parametrize(
    ("displaced", "until_s"),
    [((ModeId.UPPER,), ONE_DISPLACED_BY_S), ((ModeId.LOWER, ModeId.UPPER), LOCKED_BY_S)],
)
def test_modes_that_are_elsewhere_are_found_in_the_whole_range(
    first_run: Rehearsal, known: LastKnown, displaced: tuple[ModeId, ...], until_s: float
) -> None:
    wrong: dict[str, Any] = {
        mode.value: known.of(mode).model_copy(
            update={"frequency_hz": known.of(mode).frequency_hz + DISPLACED_HZ}
        )
        for mode in displaced
    }
    settings = narrowed(first_run.configuration, known.model_copy(update=wrong), 60.0)
    again = locked_run(settings, until_s)
    assert len(searches_that_failed(again)) == 1
    assert again.engine.failure is None
    assert are_locked(again)
