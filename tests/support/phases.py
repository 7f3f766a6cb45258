"""Phases and basebands of lines that drift, from numpy alone.

A second description of what the trackers assume: nothing here comes from the
controller, so that a mistake in a shared formula would show.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from controller.tracking.phase_tracker import PhaseReading, PhaseTracker

SAMPLES_PER_UPDATE = 8
BASEBAND_RATE_HZ = 400.0
UPDATE_S = SAMPLES_PER_UPDATE / BASEBAND_RATE_HZ


def times_s(duration_s: float) -> np.ndarray:
    """Times of the baseband samples of a record, shape (n,) [s]."""
    return np.arange(round(duration_s * BASEBAND_RATE_HZ)) / BASEBAND_RATE_HZ


def line(
    turns: np.ndarray,
    amplitude: np.ndarray | float = 1.0,
    density: float = 0.0,
    rng: np.random.Generator | None = None,
) -> np.ndarray:
    """A line with white detector noise of a one-sided density, complex, shape (n,).

    A mean over T then has the variance density^2 / T in each quadrature.
    """
    samples = amplitude * np.exp(2j * np.pi * turns)
    if rng is not None:
        noise = rng.standard_normal((2, len(turns)))
        samples = samples + density * math.sqrt(BASEBAND_RATE_HZ) * (noise[0] + 1j * noise[1])
    return samples


def follow(
    tracker: PhaseTracker,
    samples: np.ndarray,
    on_update: Callable[[PhaseReading], None] = lambda reading: None,
    *,
    pull_hz: float = 0.0,
) -> None:
    """Hand a record to a tracker, update by update."""
    about_center_s = (np.arange(SAMPLES_PER_UPDATE) - 3.5) / BASEBAND_RATE_HZ
    for start in range(0, len(samples) - SAMPLES_PER_UPDATE + 1, SAMPLES_PER_UPDATE):
        update = samples[start : start + SAMPLES_PER_UPDATE]
        on_update(tracker.process(update, about_center_s, UPDATE_S, pull_hz))


def walk(rng: np.random.Generator, steps: int, variance_per_s: float, step_s: float) -> np.ndarray:
    """A random walk from 0, shape (steps,)."""
    return np.cumsum(math.sqrt(variance_per_s * step_s) * rng.standard_normal(steps))


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """Two modes in one room, all strengths known."""

    shared_sigma_hz: float = 0.13  # of the lower mode
    shared_time_s: float = 200.0
    ratio: float = 1.0095  # drift of the upper mode per drift of the lower
    walks_hz_per_root_s: tuple[float, float] = (1.0e-4, 1.2e-4)
    diffusion_turns2_per_s: float = 1.9e-8
    noise_turns2_s: float = 4.0e-13  # white phase noise; over a time, this over the time

    @property
    def shared_walk(self) -> float:
        """Of the shared drift over times far below its own [Hz^2/s]."""
        return 2.0 * self.shared_sigma_hz**2 / self.shared_time_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Phases:
    """Mean phases over windows, and the truth in their middles, shape (2, windows)."""

    turns: np.ndarray
    frequencies_hz: np.ndarray

    @property
    def difference_hz(self) -> np.ndarray:
        """Upper less lower, shape (windows,)."""
        return self.frequencies_hz[1] - self.frequencies_hz[0]


def phases_of(
    room: Room, window_s: float, windows: int, seed: int, steps_per_window: int = 20
) -> Phases:
    """Both phases, averaged over windows that follow on one another."""
    rng = np.random.default_rng(seed)
    steps, step_s = windows * steps_per_window, window_s / steps_per_window
    kept = math.exp(-step_s / room.shared_time_s)
    kicks = room.shared_sigma_hz * math.sqrt(1.0 - kept**2) * rng.standard_normal(steps)
    shared = np.empty(steps)
    value = room.shared_sigma_hz * rng.standard_normal()
    for index, kick in enumerate(kicks):
        shared[index] = value = kept * value + kick
    frequencies_hz = np.stack((shared, room.ratio * shared))
    for row, strength in enumerate(room.walks_hz_per_root_s):
        frequencies_hz[row] += walk(rng, steps, strength**2, step_s)
    turns = np.cumsum(frequencies_hz, axis=1) * step_s
    for row in range(2):
        turns[row] += walk(rng, steps, room.diffusion_turns2_per_s, step_s)
    means = turns.reshape(2, windows, steps_per_window).mean(axis=2)
    means += math.sqrt(room.noise_turns2_s / window_s) * rng.standard_normal(means.shape)
    middles = frequencies_hz.reshape(2, windows, steps_per_window)[:, :, steps_per_window // 2]
    return Phases(turns=means, frequencies_hz=middles)
