"""Stability of the difference and of both modes: three series, interrupted together."""

from __future__ import annotations

import numpy as np

from controller.supervisor.stability_watch import DIFFERENCE, StabilityWatch
from controller.tracking.stability import RunningAllan

NAMES = (DIFFERENCE, "lower", "upper")


def points(running: RunningAllan) -> list[float]:
    return list(running.estimate().deviations)


def test_each_series_has_its_own_deviations() -> None:
    values_hz = np.random.default_rng(1).standard_normal((3, 200))
    watch = StabilityWatch(0.1)
    for difference_hz, lower_hz, upper_hz in values_hz.T:
        watch.process(difference_hz, lower_hz, upper_hz)
    for name, series_hz in zip(NAMES, values_hz, strict=True):
        alone = RunningAllan(tau0_s=0.1)
        alone.process(series_hz)
        assert points(watch.deviations[name]) == points(alone)


def test_nothing_is_taken_over_an_interruption() -> None:
    watch = StabilityWatch(0.1)
    for level_hz in (0.0, 1.0e3):
        for _ in range(20):
            watch.process(level_hz, level_hz, level_hz)
        watch.interrupt()
    assert all(set(points(running)) == {0.0} for running in watch.deviations.values())


def test_copy_goes_on_alike_and_reset_forgets() -> None:
    watch = StabilityWatch(0.1)
    for value_hz in (1.0, 2.0, 4.0):
        watch.process(value_hz, value_hz, value_hz)
    other = watch.copy()
    watch.reset()
    assert points(watch.deviations[DIFFERENCE]) == []
    assert points(other.deviations[DIFFERENCE]) != []
    assert repr(other) == "StabilityWatch(tau0_s=0.1)"
