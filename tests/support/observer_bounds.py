"""An observer to which all is known but what a test leaves open, for the bounds of estimation."""

from __future__ import annotations

import math
from dataclasses import replace

from controller.tracking.observer import Observer, ObserverConfig
from controller.tracking.observer_states import LOWER_DECAY, UPPER_DECAY

ALL_KNOWN = ObserverConfig(
    scale=1.0,
    detector_noise=(1e-3, 1e-3),
    thermal_amplitude=(0.0, 0.0),
    decay_rate_per_s=(0.1, 0.1),
    decay_rate_sigma=0.0,
    frequency_hz=(0.0, 0.0),
    frequency_sigma_hz=(0.0, 0.0),
    ratio=0.0,
    ratio_sigma=0.0,
    shift_hz=(0.0, 0.0),
    shift_sigma_hz=(0.0, 0.0),
    coupling_hz=0j,
    coupling_sigma_hz=0.0,
    asymmetry=0.0,
    asymmetry_sigma=0.0,
    shared_walk_hz_per_root_s=0.0,
    separate_walk_hz_per_root_s=0.0,
    push_sigma=0.0,
    push_phase_sigma_rad=0.0,
)


def observer_but_for(**changes: object) -> Observer:
    """An observer that knows everything but for what is changed."""
    return Observer(replace(ALL_KNOWN, **changes))  # type: ignore[arg-type]


def decay_rates(observer: Observer) -> tuple[tuple[float, float], tuple[float, float]]:
    """Decay rate of the lower and of the upper mode, each with its sigma [1/s].

    They are no part of an estimate, so they are read from the filter's own state.
    """
    lower, upper = (
        (float(observer._x[place]), math.sqrt(observer._p[place, place]))
        for place in (LOWER_DECAY, UPPER_DECAY)
    )
    return lower, upper
