"""Amplitude control: up without overshoot, held, whatever responsivity and pump do."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.supervisor.drive import (
    APPROACH_S,
    LONG_AT_LIMIT,
    AmplitudeController,
    DriveConfig,
)

TICK_S = 0.1
LAG_S = 0.03  # of a command against what is measured: latency and filters of the real loop
STEPS = 20  # of the plant in a tick
DECAY_PER_S = 0.09  # gamma at 1 MHz and Q = 7e7
CONFIG = DriveConfig(
    target_amplitude=0.05, decay_rate_per_s=DECAY_PER_S, max_amplitude=10.0, responsivity=7.0e-3
)


class Plant:
    """dA/dt = b u - gamma A / 2 + d, with the controller in the loop."""

    def __init__(
        self,
        controller: AmplitudeController,
        responsivity: float,
        *,
        decay_per_s: float = DECAY_PER_S,
        amplitude: float = 1.0e-3,
        noise: float = 1.0e-6,
        seed: int = 7,
    ) -> None:
        self.controller, self.responsivity = controller, responsivity
        self.decay_per_s, self.amplitude, self.noise = decay_per_s, amplitude, noise
        self._rng = np.random.default_rng(seed)
        self._past = [amplitude] * STEPS
        self._drive = 0.0
        self.time_s = 0.0

    def run(
        self, duration_s: float, pump: Callable[[float], float] | None = None
    ) -> tuple[np.ndarray, np.ndarray]:
        """Amplitudes and drives, tick by tick."""
        amplitudes, drives = [], []
        step_s = TICK_S / STEPS
        late = round(LAG_S / 2.0 / step_s)
        for _ in range(round(duration_s / TICK_S)):
            seen = abs(self._past[-1 - late]) + self.noise * self._rng.standard_normal()
            new = self.controller.process(seen, self.noise, TICK_S, is_disturbed=pump is not None)
            for n in range(STEPS):
                drive = self._drive if n < late else new
                other = pump(self.time_s) if pump else 0.0
                push = self.responsivity * drive - 0.5 * self.decay_per_s * self.amplitude + other
                self.amplitude += step_s * push
                self.time_s += step_s
                self._past.append(self.amplitude)
            self._drive = new
            amplitudes.append(self.amplitude)
            drives.append(new)
        return np.array(amplitudes), np.array(drives)


def overshoot(amplitudes: np.ndarray) -> float:
    return float(amplitudes.max()) / CONFIG.target_amplitude - 1.0


@pytest.mark.parametrize("believed", [1.0 / 3.0, 1.0, 3.0])
@pytest.mark.parametrize("strength", [0.06, 0.2, 1.4, 5.0])
def test_it_rings_up_without_overshoot_though_responsivity_is_wrong_by_three(
    believed: float, strength: float
) -> None:
    # strength: the limit pushes by so many targets a second.
    true = strength * CONFIG.target_amplitude / CONFIG.max_amplitude
    plant = Plant(AmplitudeController(replace(CONFIG, responsivity=believed * true)), true)
    amplitudes, drives = plant.run(60.0)
    assert overshoot(amplitudes) < 0.02
    assert abs(drives).max() <= CONFIG.max_amplitude
    # 5 approach times after the limit alone would have got there.
    reached = round((5.0 * APPROACH_S * max(believed, 1.0) + 2.5 / strength) / TICK_S)
    assert abs(amplitudes[reached:] / CONFIG.target_amplitude - 1.0).max() < 0.02


@pytest.mark.parametrize("quality", [0.5, 0.8, 1.5, 2.0])
def test_a_wrong_quality_factor_leaves_nothing_over(quality: float) -> None:
    plant = Plant(AmplitudeController(CONFIG), 7.0e-3, decay_per_s=DECAY_PER_S / quality)
    amplitudes, _ = plant.run(60.0)
    assert overshoot(amplitudes) < 0.025  # twice the decay for once is not 'roughly known'
    assert amplitudes[-1] == pytest.approx(CONFIG.target_amplitude, rel=1e-3)


def test_the_pumps_flow_of_energy_is_made_up_for() -> None:
    """A pump of g / 2 pi = 20 mHz at equal amplitudes moves a mode by up to g A = 0.12 A / s."""
    plant = Plant(AmplitudeController(CONFIG), 7.0e-3)
    plant.run(20.0)
    flow = 0.12 * CONFIG.target_amplitude
    amplitudes, _ = plant.run(30.0, lambda time_s: flow)
    # The flow is followed within about a second, in which it moves the mode by 12 % at most.
    assert abs(amplitudes / CONFIG.target_amplitude - 1.0).max() < 0.12
    assert amplitudes[-1] == pytest.approx(CONFIG.target_amplitude, rel=2e-3)


def test_it_brakes_a_mode_that_is_too_large() -> None:
    plant = Plant(AmplitudeController(CONFIG), 7.0e-3, amplitude=2.0 * CONFIG.target_amplitude)
    amplitudes, drives = plant.run(10.0)
    assert drives[0] < 0.0
    assert amplitudes.min() > 0.98 * CONFIG.target_amplitude
    assert amplitudes[-1] == pytest.approx(CONFIG.target_amplitude, rel=5e-3)


@pytest.mark.parametrize("is_suspected", [True, False])
def test_a_fringe_flip_turns_the_drive_round(is_suspected: bool) -> None:
    plant = Plant(AmplitudeController(CONFIG), 7.0e-3)
    plant.run(20.0)
    plant.responsivity *= -1.0
    if is_suspected:
        plant.controller.suspect_reversal()
    amplitudes, drives = plant.run(20.0)
    assert plant.controller.responsivity < 0.0 and drives[-1] < 0.0
    assert amplitudes.min() > (0.85 if is_suspected else 0.6) * CONFIG.target_amplitude
    assert amplitudes[-1] == pytest.approx(CONFIG.target_amplitude, rel=2e-3)


def test_a_suspicion_alone_turns_nothing_round() -> None:
    plant = Plant(AmplitudeController(CONFIG), 7.0e-3)
    plant.run(20.0)
    plant.controller.suspect_reversal()
    plant.run(20.0)
    assert plant.controller.responsivity == pytest.approx(7.0e-3, rel=0.1)


def test_a_weak_drive_counts_as_settled_when_no_more_will_come() -> None:
    # The limit holds half the target: b u = gamma / 2 * target / 2.
    weak = 0.25 * DECAY_PER_S * CONFIG.target_amplitude / CONFIG.max_amplitude
    controller = AmplitudeController(replace(CONFIG, responsivity=weak))
    plant = Plant(controller, weak)
    patience_s = LONG_AT_LIMIT * 2.0 / DECAY_PER_S
    plant.run(patience_s - 1.0)
    assert not controller.has_settled(plant.amplitude)
    plant.run(2.0)
    assert controller.has_settled(plant.amplitude)
    assert plant.amplitude == pytest.approx(0.5 * CONFIG.target_amplitude, rel=0.06)


def test_a_mode_near_its_target_has_settled() -> None:
    controller = AmplitudeController(CONFIG)
    assert controller.has_settled(0.95 * CONFIG.target_amplitude)
    assert not controller.has_settled(0.85 * CONFIG.target_amplitude)


def test_after_a_rest_it_goes_on_with_what_it_learnt() -> None:
    controller = AmplitudeController(replace(CONFIG, responsivity=2.0e-3))
    plant = Plant(controller, 7.0e-3)
    plant.run(10.0)
    learnt = controller.responsivity
    controller.rest()
    assert controller.drive_amplitude == 0.0 and controller.responsivity == learnt


def test_copy_goes_on_alike_and_reset_is_new() -> None:
    controller = AmplitudeController(CONFIG)
    Plant(controller, 3.0e-3).run(3.0)
    other = controller.copy()
    step = (0.02, 1e-6, TICK_S)
    assert controller.process(*step, is_disturbed=False) == other.process(*step, is_disturbed=False)
    controller.reset()
    fresh = AmplitudeController(CONFIG)
    assert repr(controller) == repr(fresh)
    assert controller.process(*step, is_disturbed=True) == fresh.process(*step, is_disturbed=True)


@pytest.mark.parametrize(
    "name", ["target_amplitude", "decay_rate_per_s", "max_amplitude", "responsivity"]
)
def test_a_bad_config_is_refused_with_its_value(name: str) -> None:
    with pytest.raises(ValueError, match=f"{name} is 0.0"):
        replace(CONFIG, **{name: 0.0})


@settings(derandomize=True, deadline=None, max_examples=100)
@given(
    amplitudes=st.lists(st.floats(0.0, 1.0), min_size=1, max_size=60),
    durations=st.sampled_from([0.02, 0.1, 1.0]),
    is_disturbed=st.booleans(),
)
def test_whatever_is_seen_the_drive_stays_within_its_limit(
    amplitudes: list[float], durations: float, is_disturbed: bool
) -> None:
    controller = AmplitudeController(CONFIG)
    for amplitude in amplitudes:
        drive = controller.process(amplitude, 1e-6, durations, is_disturbed=is_disturbed)
        assert abs(drive) <= CONFIG.max_amplitude
        assert np.isfinite(controller.responsivity) and controller.responsivity != 0.0


@settings(derandomize=True, deadline=None, max_examples=40)
@given(believed=st.floats(1.0 / 3.0, 3.0), strength=st.floats(0.1, 5.0), start=st.floats(0.0, 0.9))
def test_no_start_overshoots(believed: float, strength: float, start: float) -> None:
    true = strength * CONFIG.target_amplitude / CONFIG.max_amplitude
    controller = AmplitudeController(replace(CONFIG, responsivity=believed * true))
    plant = Plant(controller, true, amplitude=start * CONFIG.target_amplitude)
    amplitudes, _ = plant.run(12.0)
    assert overshoot(amplitudes) < 0.02
