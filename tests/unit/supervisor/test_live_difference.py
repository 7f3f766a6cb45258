"""Which estimate counts: the trackers' while they see, the observer's where they are blind."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.records import EstimateSource
from controller.supervisor.live_difference import HEALTHY_RATIO, LiveDifference
from controller.tracking.pair import ObservedPair, Tick
from tests.support.rehearsals import Rehearsal, prepared, with_pump_early

TRACKERS, OBSERVER = EstimateSource.TRACKERS, EstimateSource.OBSERVER


@pytest.fixture(scope="module")
def tick() -> Tick:
    """A tick of a locked loop, with an observer that says something else."""
    rehearsal: Rehearsal = prepared(overrides=with_pump_early()).until(9.0)
    found = rehearsal.following.last_tick
    assert found is not None
    observed = ObservedPair(
        lower_hz=1.0e6,
        lower_sigma_hz=1e-3,
        difference_hz=6643.0,
        difference_sigma_hz=2e-4,
        innovation_ratio=1.0,
    )
    return replace(found, observed=observed)


def test_locked_and_driven_modes_are_the_trackers(tick: Tick) -> None:
    live = LiveDifference().process(tick, are_locked=True, are_free=False)
    assert live.source is TRACKERS
    assert live.difference_hz == tick.joint.difference_hz
    assert live.tracked_sigma_hz == tick.joint.tracked_sigma_hz


@pytest.mark.parametrize(("are_locked", "are_free"), [(False, False), (True, True)])
def test_where_a_loop_is_blind_the_observer_counts(
    tick: Tick, are_locked: bool, are_free: bool
) -> None:
    live = LiveDifference().process(tick, are_locked=are_locked, are_free=are_free)
    assert live.source is OBSERVER
    assert (live.difference_hz, live.difference_sigma_hz) == (6643.0, 2e-4)


def test_an_observer_that_lost_its_way_is_not_believed(tick: Tick) -> None:
    assert tick.observed is not None
    lost = replace(tick, observed=replace(tick.observed, innovation_ratio=HEALTHY_RATIO))
    assert LiveDifference().process(lost, are_locked=False, are_free=True).source is TRACKERS


def test_without_an_observer_there_is_no_choice(tick: Tick) -> None:
    blind = replace(tick, observed=None)
    assert LiveDifference().process(blind, are_locked=False, are_free=True).source is TRACKERS


def test_copy_and_reset(tick: Tick) -> None:
    live = LiveDifference()
    live.process(tick, are_locked=False, are_free=True)
    twin = live.copy()
    live.reset()
    assert twin.source is OBSERVER and live.source is TRACKERS
    assert "trackers" in repr(live)
