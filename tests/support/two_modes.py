"""Protocols of two coupled modes as an analysis is given them, with the truth beside them.

Exact steps of two coupled modes with thermal kicks, the drift that both share, a walk
of each mode on its own, a detector's noise and gain, and a pump whose phase follows
the tracked difference with its small errors. All seeds of a protocol run side by side,
one row of each array per seed. No line is shared with the analysis.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from controller.analysis.protocols.data import (
    BASEBAND_DTYPE,
    Facts,
    ModeFacts,
    ProtocolData,
)
from controller.records import Section

TWO_PI = 2.0 * math.pi
UPDATE_S = 0.02
HALVES = 2  # of an update: steps of the simulation
RECORD_UPDATES = 5  # 10 Hz
DRAWN = 20_000  # random numbers at a time, for speed
BOLTZMANN = 1.380649e-23


@dataclass(frozen=True, kw_only=True)
class Mode:
    """One mode in truth."""

    frequency_hz: float
    decay_rate_per_s: float
    mass_kg: float = 1.1e-11
    duffing_self_hz_per_m2: float = 0.0
    duffing_cross_hz_per_m2: float = 0.0

    def thermal_m(self, temperature_k: float) -> float:
        omega = TWO_PI * self.frequency_hz
        return math.sqrt(BOLTZMANN * temperature_k / self.mass_kg) / omega


@dataclass(frozen=True, kw_only=True)
class Bench:
    """Modes, bath, detector and pump in truth."""

    lower: Mode = Mode(frequency_hz=912e3, decay_rate_per_s=0.088)
    upper: Mode = Mode(frequency_hz=919e3, decay_rate_per_s=0.104)
    temperature_k: float = 295.0
    coupling_hz_per_unit: float = 0.1
    coupling_phase_rad: float = 0.7
    pump_shift_lower_hz_per_unit2: float = 0.02
    pump_shift_difference_hz_per_unit2: float = -0.008
    coupling_curvature_per_unit: float = 0.0  # g = c V (1 + curvature V)
    asymmetry: float = 0.01  # ln rho
    shared_walk_hz_per_root_s: float = 0.01
    drift_ratio: float = 1.0105  # d(upper)/d(lower)
    separate_walk_hz_per_root_s: float = 2e-5
    tracking_bias_hz: float = 4e-4  # tracked less true difference
    tracking_sigma_hz: float = 2e-4
    tracking_time_s: float = 3.0
    detector_noise: float = 4e-15
    gain_walk_per_root_s: float = 5e-4
    drive_phase_sigma_rad: float = 0.02  # how far the drives are off 90 degrees
    references_hz: tuple[float, float] = (912e3 - 0.4, 919e3 + 0.3)


@dataclass(frozen=True, kw_only=True)
class Stage:
    """One step of a protocol; amplitudes that are set are reached at once."""

    kind: str
    duration_s: float
    set_lower_m: float | None = None  # ring up: set at the start
    set_upper_m: float | None = None
    drive_lower: bool = False  # held at the amplitude it has at the start
    drive_upper: bool = False
    pump: float = 0.0
    detuning_hz: float = 0.0
    pump_rad: float = 0.0  # stepped at the start
    parameters: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """One seed: what the analysis gets, and the truth of each stage."""

    data: ProtocolData
    detunings_hz: np.ndarray  # (stages,), mean true detuning of the pump
    tracking_errors_hz: np.ndarray  # (stages,), true less tracked difference, mean


def facts_of(bench: Bench, rng: np.random.Generator) -> Facts:
    """What one knows beforehand: roughly right."""

    def mode(truth: Mode) -> ModeFacts:
        quality = TWO_PI * truth.frequency_hz / truth.decay_rate_per_s
        sigma = 1e14
        return ModeFacts(
            frequency_hz=truth.frequency_hz,
            quality_factor=quality * math.exp(0.1 * rng.standard_normal()),
            mass_kg=truth.mass_kg,
            detector_noise_m_per_root_hz=bench.detector_noise,
            duffing_self_hz_per_m2=truth.duffing_self_hz_per_m2 + sigma * rng.standard_normal(),
            duffing_cross_hz_per_m2=truth.duffing_cross_hz_per_m2 + sigma * rng.standard_normal(),
            duffing_sigma_hz_per_m2=sigma,
        )

    return Facts(
        lower=mode(bench.lower),
        upper=mode(bench.upper),
        temperature_k=bench.temperature_k,
        separate_walk_hz_per_root_s=bench.separate_walk_hz_per_root_s,
        gain_walk_per_root_s=bench.gain_walk_per_root_s,
        drift_ratio=bench.drift_ratio + 0.003 * float(rng.standard_normal()),
        drift_ratio_sigma=0.003,
        mass_ratio_sigma=0.03,
    )


class _Simulation:
    """All seeds of one protocol, one row each."""

    def __init__(self, bench: Bench, seeds: Sequence[int]) -> None:
        self.bench, self.rngs = bench, [np.random.default_rng(seed) for seed in seeds]
        n = len(seeds)
        modes = (bench.lower, bench.upper)
        self.dt = UPDATE_S / HALVES
        self.gammas = np.array([m.decay_rate_per_s for m in modes])
        self.thermal = np.array([m.thermal_m(bench.temperature_k) for m in modes])
        self.rates_hz = np.array([m.frequency_hz for m in modes]) - bench.references_hz
        self.shared_hz, self.own_hz = np.zeros(n), np.zeros((2, n))
        self.error_hz = np.zeros(n)  # tracked less true difference, beside the bias
        self.pump_turns, self.gain = np.zeros(n), np.ones(n)
        self.lag_rad = np.zeros((2, n))  # of the drives
        self.drawn, self.used = np.zeros((0, n)), 0
        # Amplitudes against the references.
        self.a = self.thermal[:, None] * self.normal(2, complex_=True)
        self.bands: list[tuple[np.ndarray, ...]] = []
        self.records: list[tuple[np.ndarray, ...]] = []

    def normal(self, count: int, *, complex_: bool = False) -> np.ndarray:
        """Standard numbers of each seed's own generator, shape (count, seeds)."""
        parts = 2 * count if complex_ else count
        if self.used + parts > len(self.drawn):
            fresh = np.stack([rng.standard_normal(DRAWN) for rng in self.rngs], axis=1)
            self.drawn, self.used = np.concatenate([self.drawn[self.used :], fresh]), 0
        drawn = self.drawn[self.used : self.used + parts]
        self.used += parts
        return drawn[:count] + 1j * drawn[count:] if complex_ else drawn

    def frequencies_hz(self, pump: float) -> tuple[np.ndarray, np.ndarray]:
        """Of both bare modes, against their references."""
        bench, powers = self.bench, np.abs(self.a) ** 2
        shift = bench.pump_shift_lower_hz_per_unit2 * pump**2
        lower = self.rates_hz[0] + self.shared_hz + self.own_hz[0] + shift
        upper = self.rates_hz[1] + bench.drift_ratio * self.shared_hz + self.own_hz[1]
        upper = upper + shift + bench.pump_shift_difference_hz_per_unit2 * pump**2
        lower = lower + bench.lower.duffing_self_hz_per_m2 * powers[0]
        upper = upper + bench.upper.duffing_self_hz_per_m2 * powers[1]
        lower = lower + bench.lower.duffing_cross_hz_per_m2 * powers[1]
        return lower, upper + bench.upper.duffing_cross_hz_per_m2 * powers[0]

    def walk(self) -> None:
        """Drift, own walks, tracking error and gain during one update."""
        bench, root = self.bench, math.sqrt(UPDATE_S)
        kicks = self.normal(7)
        self.shared_hz = self.shared_hz + bench.shared_walk_hz_per_root_s * root * kicks[0]
        self.own_hz = self.own_hz + bench.separate_walk_hz_per_root_s * root * kicks[1:3]
        kept = math.exp(-UPDATE_S / bench.tracking_time_s)
        fresh = bench.tracking_sigma_hz * math.sqrt(1.0 - kept**2)
        self.error_hz = kept * self.error_hz + fresh * kicks[3]
        fresh = bench.drive_phase_sigma_rad * math.sqrt(1.0 - kept**2)
        self.lag_rad = kept * self.lag_rad + fresh * kicks[5:7]
        self.gain = self.gain * (1.0 + bench.gain_walk_per_root_s * root * kicks[4])

    def advance(
        self, lower_hz: np.ndarray, upper_hz: np.ndarray, pump_hz: np.ndarray, stage: Stage
    ) -> None:
        """Half an update: exact for constant frequencies, plus kicks and drives."""
        bench, dt = self.bench, self.dt
        volts = stage.pump
        g = TWO_PI * bench.coupling_hz_per_unit * volts
        g *= 1.0 + bench.coupling_curvature_per_unit * volts
        pump = np.exp(1j * (TWO_PI * self.pump_turns + bench.coupling_phase_rad))
        gamma, rho = self.gammas, math.exp(bench.asymmetry)
        # In the frame of the pump, about the mean of both: sums and differences of rates.
        x, y = self.a[0], self.a[1] / pump
        mean = 1j * math.pi * (lower_hz + upper_hz - pump_hz) - gamma.sum() / 4.0
        half = 1j * math.pi * (lower_hz - upper_hz + pump_hz) - (gamma[0] - gamma[1]) / 4.0
        omega = np.sqrt(g**2 - half**2 + 0j)
        c = np.cos(omega * dt)
        s = np.where(np.abs(omega) > 1e-9, np.sin(omega * dt) / np.where(omega == 0, 1, omega), dt)
        grown = np.exp(mean * dt)
        self.a = np.stack(
            [
                grown * (c * x + s * (half * x + 1j * g * rho * y)),
                grown
                * (c * y + s * (1j * g / rho * x - half * y))
                * pump
                * np.exp(1j * TWO_PI * pump_hz * dt),
            ]
        )
        for row, held in enumerate(self.held):
            if held is not None:
                push = 0.5 * gamma[row] * held * dt * np.exp(1j * self.lag_rad[row])
                self.a[row] = self.a[row] + push * self.a[row] / np.abs(self.a[row])
        kick = np.sqrt(gamma * dt) * self.thermal
        self.a = self.a + kick[:, None] * self.normal(2, complex_=True)
        self.pump_turns = self.pump_turns + pump_hz * dt

    def play(self, stage: Stage, start_update: int) -> tuple[np.ndarray, np.ndarray]:
        """One stage; mean true detuning and mean tracking error of each seed."""
        for row, amplitude in enumerate((stage.set_lower_m, stage.set_upper_m)):
            if amplitude is not None:
                self.a[row] *= amplitude / np.abs(self.a[row])
        self.held = [
            np.abs(self.a[row]).copy() if is_driven else None
            for row, is_driven in enumerate((stage.drive_lower, stage.drive_upper))
        ]
        self.pump_turns = self.pump_turns + stage.pump_rad / TWO_PI
        bench = self.bench
        noise = bench.detector_noise / math.sqrt(UPDATE_S)
        detunings, errors = [], []
        updates = round(stage.duration_s / UPDATE_S)
        for update in range(start_update, start_update + updates):
            self.walk()
            lower_hz, upper_hz = self.frequencies_hz(stage.pump)
            true_hz = upper_hz - lower_hz
            tracked_hz = true_hz + bench.tracking_bias_hz + self.error_hz
            pump_hz = tracked_hz + stage.detuning_hz
            points, turns = [self.a], self.pump_turns
            for _ in range(HALVES):
                self.advance(lower_hz, upper_hz, pump_hz, stage)
                points.append(self.a)
            # The mean is taken in frames that turn with the modes (Simpson's rule).
            back = np.exp(1j * math.pi * UPDATE_S * np.stack([lower_hz, upper_hz]))
            mean = (points[0] * back + 4.0 * points[1] + points[2] / back) / 6.0
            seen = self.gain * mean + noise * self.normal(2, complex_=True)
            middle = TWO_PI * (turns + 0.5 * pump_hz * UPDATE_S)
            drives = [
                1j * np.exp(1j * (np.angle(points[1][row]) + self.lag_rad[row]))
                if held is not None
                else np.zeros(len(turns), complex)
                for row, held in enumerate(self.held)
            ]
            self.bands.append((*seen, middle, *drives))
            if update % RECORD_UPDATES == 0:
                self.records.append((tracked_hz, np.abs(self.a[0]), np.abs(self.a[1])))
            detunings.append(pump_hz - true_hz)
            errors.append(true_hz - tracked_hz)
        return np.mean(detunings, axis=0), np.mean(errors, axis=0)


def protocols(bench: Bench, stages: Sequence[Stage], seeds: Sequence[int]) -> list[Outcome]:
    """One protocol, once for each seed."""
    simulation = _Simulation(bench, seeds)
    sections, truths, update = [], [], 0
    for stage in stages:
        truths.append(simulation.play(stage, update))
        start_s, update = update * UPDATE_S, update + round(stage.duration_s / UPDATE_S)
        sections.append(
            Section(
                name=stage.kind,
                kind=stage.kind,
                start_s=start_s,
                end_s=update * UPDATE_S,
                parameters=stage.parameters,
            )
        )
    times_s = (np.arange(update) + 0.5) * UPDATE_S
    pumps = np.concatenate([np.full(round(s.duration_s / UPDATE_S), s.pump) for s in stages])
    columns = [np.array(column) for column in zip(*simulation.bands, strict=True)]
    records = [np.array(column) for column in zip(*simulation.records, strict=True)]
    recorded = np.arange(0, update, RECORD_UPDATES)
    reference_hz = bench.references_hz[1] - bench.references_hz[0]
    outcomes = []
    for row, seed in enumerate(seeds):
        table = np.zeros(update, BASEBAND_DTYPE)
        table["sample_index"] = np.arange(update)
        table["time_s"], table["duration_s"] = times_s, UPDATE_S
        table["pump_amplitude"] = pumps
        for name, column in zip(
            ("lower", "upper", "pump_phase_rad", "drive_lower", "drive_upper"),
            columns,
            strict=True,
        ):
            table[name] = column[:, row]
        data = ProtocolData(
            sections=tuple(sections),
            basebands=table,
            lower_reference_hz=bench.references_hz[0],
            upper_reference_hz=bench.references_hz[1],
            facts=facts_of(bench, np.random.default_rng([seed, 1])),
            records={
                "time_s": times_s[recorded],
                "difference_hz": records[0][:, row] + reference_hz,
                "difference_sigma_hz": np.full(
                    len(recorded), math.hypot(bench.tracking_sigma_hz, bench.tracking_bias_hz)
                ),
                "pump_amplitude": pumps[recorded],
                "lower_amplitude": records[1][:, row],
                "upper_amplitude": records[2][:, row],
            },
        )
        outcomes.append(
            Outcome(
                data=data,
                detunings_hz=np.array([truth[0][row] for truth in truths]),
                tracking_errors_hz=np.array([truth[1][row] for truth in truths]),
            )
        )
    return outcomes


def ring_down_stages(duration_s: float = 60.0, amplitude_m: float = 1e-9) -> list[Stage]:
    """Each mode in turn rung up and released while the other one is driven."""
    return [
        Stage(
            kind="ring_up",
            duration_s=1.0,
            set_lower_m=amplitude_m,
            set_upper_m=amplitude_m,
            drive_lower=True,
            drive_upper=True,
        ),
        Stage(kind="release", duration_s=duration_s, drive_upper=True),
        Stage(
            kind="ring_up",
            duration_s=1.0,
            set_lower_m=amplitude_m,
            drive_lower=True,
            drive_upper=True,
        ),
        Stage(kind="release", duration_s=duration_s, drive_lower=True),
    ]


def exchange_stages(
    *,
    repeats: int = 1,
    duration_s: float = 40.0,
    amplitude_m: float = 1e-9,
    pumps: Sequence[float] = (1.0,),
    detunings_hz: Sequence[float] = (0.0,),
) -> list[Stage]:
    """Ring the upper mode up, release it, and let it exchange."""
    stages = []
    for pump in pumps:
        for detuning_hz in detunings_hz:
            for _ in range(repeats):
                stages += [
                    Stage(
                        kind="ring_up",
                        duration_s=2.0,
                        set_lower_m=2e-12,
                        set_upper_m=amplitude_m,
                        drive_upper=True,
                    ),
                    Stage(
                        kind="pump_on",
                        duration_s=duration_s,
                        pump=pump,
                        detuning_hz=detuning_hz,
                        parameters={"amplitude": pump, "detuning_hz": detuning_hz},
                    ),
                ]
    return stages
