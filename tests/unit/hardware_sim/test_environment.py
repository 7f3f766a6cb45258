"""The environment: forced temperatures, steps, the grid."""

from __future__ import annotations

import math

import numpy as np
import pytest

from hardware_sim.environment import Environment, Film, Grid, OrnsteinUhlenbeck, Walk
from hardware_sim.options import EnvironmentOptions, LowerOptions, TemperatureStep, UpperOptions

STEP_S = 0.02
QUIET = {"room_sigma_k": 0.0}


def environment(**options: object) -> Environment:
    lower = LowerOptions(frequency_hz=1.0e6, room_per_k=1e-4, walk_hz_per_root_s=0.0)
    upper = UpperOptions(frequency_hz=1.1e6, room_per_k=1e-4, walk_hz_per_root_s=0.0)
    rngs = [np.random.default_rng(seed) for seed in range(4)]
    return Environment(
        EnvironmentOptions(**{**QUIET, **options}),  # type: ignore[arg-type]
        (lower, upper),
        STEP_S,
        rngs,
    )


def test_a_linear_drift() -> None:
    lower_hz, upper_hz = environment(drift_k_per_s=1e-3).offsets_hz(5000)
    assert lower_hz == pytest.approx(1e6 * 1e-4 * 1e-3 * 100.0)
    assert upper_hz == pytest.approx(1.1 * lower_hz)


def test_a_slow_cycle() -> None:
    cycling = environment(cycle_k=0.02, cycle_s=80.0)
    assert cycling.offsets_hz(1000)[0] == pytest.approx(2.0)  # a quarter of the cycle
    assert cycling.offsets_hz(3000)[0] == pytest.approx(-2.0)


def test_a_door() -> None:
    door = TemperatureStep(at_s=10.0, kelvin=0.05, time_s=20.0)
    opened = environment(steps=(door,))
    assert opened.offsets_hz(500)[0] == 0.0
    assert opened.offsets_hz(1500)[0] == pytest.approx(5.0 * (1.0 - math.exp(-1.0)))


def test_the_values_do_not_depend_on_how_they_are_asked_for() -> None:
    one = environment(room_sigma_k=1e-3, film_sigma_k=1e-4)
    other = environment(room_sigma_k=1e-3, film_sigma_k=1e-4)
    straight = [one.offsets_hz(step) for step in range(5000)]
    assert [other.offsets_hz(step) for step in range(0, 5000, 7)] == straight[::7]


def test_the_grid_may_look_back_a_little() -> None:
    grid = Grid(lambda first, count: [[float(index) for index in range(first, first + count)]])
    for step in (0, 1, 1023, 1024, 1023, 4000, 3500):
        assert grid.at(step) == (float(step),)


def test_random_parts_go_on_where_they_stopped() -> None:
    def makers() -> list[OrnsteinUhlenbeck | Walk | Film]:
        options = EnvironmentOptions(film_sigma_k=1e-3, film_time_s=1.0)
        return [
            OrnsteinUhlenbeck(1.0, 3.0, STEP_S, np.random.default_rng(1)),
            Walk(1.0, STEP_S, np.random.default_rng(2)),
            Film(options, STEP_S, np.random.default_rng(3)),
        ]

    for whole, split in zip(makers(), makers(), strict=True):
        values = np.concatenate([split.take(40), split.take(1), split.take(59)])
        np.testing.assert_allclose(values, whole.take(100), rtol=1e-12)


def test_the_film_follows_its_heating_with_a_lag() -> None:
    """A first-order lag of one second, stepped once a second: keeps e^-1 of the old."""
    options = EnvironmentOptions(film_sigma_k=1e-3, film_time_s=5.0, film_response_s=1.0)
    film = Film(options, 1.0, np.random.default_rng(3)).take(50)
    heating = OrnsteinUhlenbeck(1e-3, 5.0, 1.0, np.random.default_rng(3)).take(50)
    kept = math.exp(-1.0)
    np.testing.assert_allclose(film[1:], kept * film[:-1] + (1.0 - kept) * heating[1:])
