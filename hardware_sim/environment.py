"""Temperatures of room and film, and how far they move each mode.

Everything is computed on one fixed grid of steps, a stretch ahead, from
generators of its own: the drift is the same whatever the loop does and
however long its blocks are. Nothing here knows tones or amplitudes.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from scipy.signal import lfilter

from hardware_sim.options import EnvironmentOptions, ModeOptions

_STRETCH_STEPS = 1024  # arbitrary: long enough that numpy's overhead is spread thin

Values = np.ndarray


class OrnsteinUhlenbeck:
    """A stationary process with E[x(t) x(t+s)] = sigma^2 exp(-|s|/time).

    Sampled exactly: x(t+h) = rho x(t) + sigma sqrt(1 - rho^2) w with
    rho = exp(-h/time) and w normal; `upcoming` is the value that `take`
    hands out first.
    """

    def __init__(self, sigma: float, time_s: float, step_s: float, rng: np.random.Generator):
        self._rho = math.exp(-step_s / time_s)
        self._kick = sigma * math.sqrt(-math.expm1(-2.0 * step_s / time_s))
        self._rng = rng
        self.upcoming = sigma * float(rng.standard_normal())

    def take(self, count: int) -> Values:
        """The next values, one per step, shape (count,)."""
        kicks = self._kick * self._rng.standard_normal(count)
        values, _ = lfilter(
            [1.0], [1.0, -self._rho], np.concatenate(([self.upcoming], kicks)), zi=[0.0]
        )
        self.upcoming = float(values[-1])
        return values[:-1]


class Walk:
    """A random walk that starts at zero."""

    def __init__(self, per_root_s: float, step_s: float, rng: np.random.Generator):
        self._kick = per_root_s * math.sqrt(step_s)
        self._rng = rng
        self.upcoming = 0.0

    def take(self, count: int) -> Values:
        """The next values, one per step, shape (count,)."""
        kicks = self._kick * self._rng.standard_normal(count)
        values = self.upcoming + np.concatenate(([0.0], np.cumsum(kicks)))
        self.upcoming = float(values[-1])
        return values[:-1]


class Film:
    """Film above chip: laser heating, followed with a short lag [K]."""

    def __init__(self, options: EnvironmentOptions, step_s: float, rng: np.random.Generator):
        self._heating = OrnsteinUhlenbeck(options.film_sigma_k, options.film_time_s, step_s, rng)
        self._keep = math.exp(-step_s / options.film_response_s)
        self._state = self._keep * self._heating.upcoming  # as if long settled

    def take(self, count: int) -> Values:
        """The next values, one per step, shape (count,)."""
        heating = self._heating.take(count)
        values, state = lfilter([1.0 - self._keep], [1.0, -self._keep], heating, zi=[self._state])
        self._state = float(state[0])
        return values


class Grid:
    """Values on the fixed grid of steps, made a stretch ahead.

    `at` may go back one stretch and forward without limit; memory does not
    grow.
    """

    def __init__(self, make: Callable[[int, int], list[list[float]]]) -> None:
        self._make = make  # (first step, count) -> one list per quantity
        self._first = 0
        self._rows = list(zip(*make(0, _STRETCH_STEPS), strict=True))

    def at(self, step: int) -> tuple[float, ...]:
        """All quantities at a grid point."""
        while step >= self._first + len(self._rows):
            keep = self._rows[-_STRETCH_STEPS:]
            end = self._first + len(self._rows)
            self._first = end - len(keep)
            self._rows = keep + list(zip(*self._make(end, _STRETCH_STEPS), strict=True))
        return self._rows[step - self._first]


class Environment:
    """Offsets of both modes from their nominal frequencies [Hz]."""

    def __init__(
        self,
        options: EnvironmentOptions,
        modes: tuple[ModeOptions, ModeOptions],
        step_s: float,
        rngs: list[np.random.Generator],
    ) -> None:
        room_rng, film_rng, *walk_rngs = rngs
        self._options = options
        self._modes = modes
        self._step_s = step_s
        self._room = OrnsteinUhlenbeck(options.room_sigma_k, options.room_time_s, step_s, room_rng)
        self._film = Film(options, step_s, film_rng)
        self._walks = [
            Walk(mode.walk_hz_per_root_s, step_s, rng)
            for mode, rng in zip(modes, walk_rngs, strict=True)
        ]
        self._grid = Grid(self._offsets_hz)

    def __repr__(self) -> str:
        """The options it was made from."""
        return f"Environment({self._options})"

    def offsets_hz(self, step: int) -> tuple[float, ...]:
        """Lower's and upper's offset at a grid point [Hz]."""
        return self._grid.at(step)

    def _offsets_hz(self, first: int, count: int) -> list[list[float]]:
        """f_k - f_k0 of physics: shared temperatures, own walks."""
        room_k = self._room.take(count) + self._forced_k(first, count)
        film_k = self._film.take(count)
        return [
            (
                mode.frequency_hz * (mode.room_per_k * room_k + mode.film_per_k * film_k)
                + walk.take(count)
            ).tolist()
            for mode, walk in zip(self._modes, self._walks, strict=True)
        ]

    def _forced_k(self, first: int, count: int) -> Values:
        """Room's temperature change without its random part [K]."""
        options = self._options
        times_s = (first + np.arange(count)) * self._step_s
        forced = options.drift_k_per_s * times_s
        forced += options.cycle_k * np.sin(2.0 * np.pi * times_s / options.cycle_s)
        for step in options.steps:
            since = np.maximum(times_s - step.at_s, 0.0)
            forced += step.kelvin * -np.expm1(-since / step.time_s)
        return forced
