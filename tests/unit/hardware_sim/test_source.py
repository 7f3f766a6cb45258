"""The weak source: which phase it has, and how it diffuses."""

from __future__ import annotations

import math

import numpy as np
import pytest

from hardware_sim.options import SourceOptions
from hardware_sim.source import Source


def source(seed: int = 1, **options: float) -> Source:
    return Source(SourceOptions(coupling_hz=1e-4, **options), np.random.default_rng(seed))


def test_it_turns_with_the_modes_and_its_detuning() -> None:
    weak = source(detuning_hz=0.3, phase_rad=0.5)
    for _ in range(100):
        coupling = weak.advance(0.02, offset_hz=-0.1)
    assert coupling.coupling_rad_s == pytest.approx(2.0 * math.pi * 1e-4)
    assert coupling.rate_rad_per_s == pytest.approx(2.0 * math.pi * 0.2)
    turned = 0.5 + 2.0 * math.pi * 0.2 * 2.0
    assert math.remainder(weak.phase_rad - turned, 2.0 * math.pi) == pytest.approx(0.0, abs=1e-12)


def test_without_a_coherence_time_nothing_is_drawn() -> None:
    first, second = source(seed=1), source(seed=2)
    for _ in range(10):
        first.advance(0.02, 0.0)
        second.advance(0.02, 0.0)
    assert first.phase_rad == second.phase_rad == 0.0


def test_its_coherence_falls_exponentially() -> None:
    """<exp(i (phase(t) - phase(0)))> = exp(-t / coherence_s), in steps of any length."""
    count, turns = 4000, []
    weak = source(coherence_s=0.5)
    for _ in range(count):
        before = weak.phase_rad
        for step_s in (0.02, 0.03, 0.2):
            weak.advance(step_s, 0.0)
        turns.append(np.exp(1j * (weak.phase_rad - before)))
    # Each part of a number on the unit circle varies by less than 1.
    assert abs(np.mean(turns) - math.exp(-0.25 / 0.5)) < 4.0 * math.sqrt(2.0 / count)


def test_repr_tells_strength_and_phase() -> None:
    assert repr(source(phase_rad=0.25)) == "Source(0.0001 Hz, 0.25 rad)"
