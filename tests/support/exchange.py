"""Two coupled modes in rotating frames, for tests of the observer.

Exact steps by the closed exponential of a 2 x 2 matrix, with the truth beside them;
it shares no line with the simulator or the observer.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass, field

import numpy as np

from controller.tracking.observer import Observer, ObserverConfig, ObserverEstimate
from controller.tracking.observer_motion import ObserverInput

TWO_PI = 2.0 * math.pi
DUFFING_PARTS = 2  # of a step of 20 ms: after 8 s amplitudes are right to 3e-6 (against 16 parts)


@dataclass(frozen=True, kw_only=True)
class Exchange:
    """What the modes do; amplitudes in units of the first one's start."""

    duration_s: float = 30.0
    step_s: float = 0.02
    start: tuple[complex, complex] = (0.003 + 0j, 1.0 + 0j)
    decay_rates_per_s: tuple[float, float] = (0.07, 0.065)
    thermal_amplitude: float = 2.7e-3
    detector_noise: float = 1e-5  # per root hertz
    coupling_hz: complex = 0.14 + 0.077j
    pump_from_s: float = 1.0
    shared_walk: float = 2e-3  # Hz per root second
    separate_walk: float = 2e-5
    ratio: float = 0.0056
    pushes: tuple[complex, complex] = (0j, 0j)
    # By a mode's own amplitude squared and the other's: lower, lower, upper, upper [Hz]
    duffing_hz: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    duffing_sigma_hz: float = 0.0  # by which the prior is wrong
    gain_walk: float = 0.0  # of the logarithm of the detector's gain, per root second

    def duffing_shifts_hz(self, amplitudes: np.ndarray) -> np.ndarray:
        """Shifts of both modes against the start."""
        lower, upper = np.abs(amplitudes) ** 2 - np.abs(np.array(self.start)) ** 2
        by_self, by_upper, by_own, by_lower = self.duffing_hz
        return np.array([by_self * lower + by_upper * upper, by_own * upper + by_lower * lower])


@dataclass
class Followed:
    """The observer's estimates beside the truth."""

    estimates: list[ObserverEstimate] = field(default_factory=list)
    differences_hz: list[float] = field(default_factory=list)  # the truth
    lowers_hz: list[float] = field(default_factory=list)
    amplitudes: list[tuple[float, float]] = field(default_factory=list)
    readings: list[tuple[complex, complex]] = field(default_factory=list)


def observer_config(
    case: Exchange, rng: np.random.Generator, **changes: object
) -> tuple[ObserverConfig, float, float]:
    """A prior that is wrong by its own sigmas; and the true rest [Hz] and ln rho."""
    rest_hz, asymmetry = 0.02 * rng.standard_normal(), 0.02 * rng.standard_normal()
    size = abs(case.coupling_hz)
    wrong = complex(rng.standard_normal(), rng.standard_normal())
    decays = tuple(rate * math.exp(0.2 * rng.standard_normal()) for rate in case.decay_rates_per_s)
    settings: dict[str, object] = {
        "scale": 1.0,
        "detector_noise": (case.detector_noise, case.detector_noise),
        "thermal_amplitude": (case.thermal_amplitude, case.thermal_amplitude),
        "decay_rate_per_s": decays,
        "decay_rate_sigma": 0.2,
        "frequency_hz": (0.0, 0.0),
        "frequency_sigma_hz": (0.01, 0.02),
        "ratio": case.ratio + 0.003 * rng.standard_normal(),
        "ratio_sigma": 0.003,
        "shift_hz": (0.0, 0.0),
        "shift_sigma_hz": (1e-4, 1e-4),
        "coupling_hz": case.coupling_hz + 0.1 * size * wrong,
        "coupling_sigma_hz": 0.1 * size,
        "asymmetry": 0.0,
        "asymmetry_sigma": 0.02,
        "shared_walk_hz_per_root_s": case.shared_walk,
        "separate_walk_hz_per_root_s": case.separate_walk,
        "gain_walk_per_root_s": case.gain_walk,
    }
    if case.duffing_sigma_hz > 0.0:
        off_hz = case.duffing_sigma_hz * rng.standard_normal(4)
        settings["duffing_hz"] = tuple(np.array(case.duffing_hz) + off_hz)
        settings["duffing_sigma_hz"] = case.duffing_sigma_hz
    return ObserverConfig(**{**settings, **changes}), rest_hz, asymmetry  # type: ignore[arg-type]


def exponential(matrix: np.ndarray) -> np.ndarray:
    """exp of a 2 x 2 matrix: e^h [cosh s + (M - h) sinh(s) / s], h half the trace."""
    half = complex(matrix[0, 0] + matrix[1, 1]) / 2.0
    rest = matrix - half * np.eye(2)
    root = cmath.sqrt(-complex(rest[0, 0] * rest[1, 1] - rest[0, 1] * rest[1, 0]))
    slope = cmath.sinh(root) / root if abs(root) > 1e-12 else 1.0
    return cmath.exp(half) * (cmath.cosh(root) * np.eye(2) + slope * rest)


def moved(generator: np.ndarray, case: Exchange, amplitudes: np.ndarray, dt: float) -> np.ndarray:
    """Both amplitudes after a step; Duffing shifts by those in the middle of short parts."""
    if not any(case.duffing_hz):
        return exponential(generator * dt) @ amplitudes
    part = dt / DUFFING_PARTS
    for _ in range(DUFFING_PARTS):
        half = amplitudes
        for share in (0.5, 1.0):
            shifts = np.diag(TWO_PI * 1j * case.duffing_shifts_hz(half))
            half = exponential((generator + shifts) * share * part) @ amplitudes
        amplitudes = half
    return amplitudes


def followed(case: Exchange, seed: int, **changes: object) -> tuple[Observer, Followed]:
    """Run the modes and the observer; the pump follows the observer's difference."""
    rng = np.random.default_rng(seed)
    config, rest_hz, asymmetry = observer_config(case, rng, **changes)
    observer, out = Observer(config), Followed()
    amplitudes = np.array(case.start)
    shared_hz, pump_turns, rho, log_gain = 0.0, 0.0, math.exp(asymmetry), 0.0
    dt = case.step_s
    gammas = np.array(case.decay_rates_per_s)
    for index in range(round(case.duration_s / dt)):
        next_shared = shared_hz + case.shared_walk * math.sqrt(dt) * rng.standard_normal()
        next_rest = rest_hz + case.separate_walk * math.sqrt(dt) * rng.standard_normal()
        pump = 1.0 if index * dt >= case.pump_from_s else 0.0
        pump_hz = observer.estimate().difference_hz
        middle_rad = TWO_PI * (pump_turns + 0.5 * pump_hz * dt)
        lower_hz = 0.5 * (shared_hz + next_shared)
        upper_hz = (1.0 + case.ratio) * lower_hz + 0.5 * (rest_hz + next_rest)
        coupling = TWO_PI * pump * case.coupling_hz
        turn = np.exp(-1j * middle_rad)
        generator = np.array(
            [
                [TWO_PI * 1j * lower_hz - gammas[0] / 2.0, 1j * coupling * rho * turn],
                [
                    1j * np.conj(coupling) / rho * np.conj(turn),
                    TWO_PI * 1j * upper_hz - gammas[1] / 2.0,
                ],
            ]
        )
        kicks = rng.standard_normal(2) + 1j * rng.standard_normal(2)
        amplitudes = moved(generator, case, amplitudes, dt) + dt * np.array(case.pushes)
        amplitudes = amplitudes + np.sqrt(gammas * dt) * case.thermal_amplitude * kicks
        shared_hz, rest_hz, pump_turns = next_shared, next_rest, pump_turns + pump_hz * dt
        noise = rng.standard_normal(2) + 1j * rng.standard_normal(2)
        if case.gain_walk > 0.0:
            log_gain += case.gain_walk * math.sqrt(dt) * rng.standard_normal()
        seen = math.exp(log_gain) * amplitudes + case.detector_noise / math.sqrt(dt) * noise
        act = ObserverInput(pump=pump, pump_rad=middle_rad, push=case.pushes)
        out.readings.append((complex(seen[0]), complex(seen[1])))
        out.estimates.append(observer.process(out.readings[-1], dt, act))
        lower_shift_hz, upper_shift_hz = case.duffing_shifts_hz(amplitudes)
        out.differences_hz.append(
            case.ratio * shared_hz + rest_hz + upper_shift_hz - lower_shift_hz
        )
        out.lowers_hz.append(shared_hz + lower_shift_hz)
        out.amplitudes.append((abs(amplitudes[0]), abs(amplitudes[1])))
    return observer, out
