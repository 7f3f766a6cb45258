"""What the protocols without an exchange leave behind, with the truth beside it.

Weak conversion is played by `two_modes`; the others need no coupled modes: exact
Ornstein-Uhlenbeck amplitudes, phases that diffuse and drift, and walks of frequencies.
No line is shared with the analyses.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.signal import lfilter

from controller.analysis.protocols.data import (
    BASEBAND_DTYPE,
    Facts,
    ModeFacts,
    ProtocolData,
)
from controller.records import Section
from tests.support.two_modes import BOLTZMANN, TWO_PI, UPDATE_S, Bench, Outcome, Stage, protocols

COUPLING_HZ = 5e-4
DRIVEN_M = 1e-9
FREQUENCIES_HZ = {"lower": 912e3, "upper": 919e3}
DECAYS_PER_S = {"lower": 0.088, "upper": 0.104}
MASS_KG = 1.1e-11
TEMPERATURE_K = 295.0
NOISE = 6e-14  # m/root Hz
SHARED_WALK_HZ = 0.01  # per root second
DRIFT_RATIO = 1.0105
SUBSTEPS = 5  # of an update: kicks within it
DWELL_UPDATES, BETWEEN_UPDATES = 150, 4


@dataclass(frozen=True, kw_only=True)
class Protocol:
    """What an analysis gets, and what it should find."""

    data: ProtocolData
    truths: dict[str, dict[str, float]]  # by group ("" for none) and name
    shifts_hz: np.ndarray = field(default_factory=lambda: np.zeros(0))


def thermal_m(mode: str) -> float:
    """Root mean square displacement of a mode in equilibrium."""
    return math.sqrt(BOLTZMANN * TEMPERATURE_K / MASS_KG) / (TWO_PI * FREQUENCIES_HZ[mode])


def facts(rng: np.random.Generator, noise: float = NOISE) -> Facts:
    """What one knows beforehand: decay rates to a tenth."""
    modes = {
        mode: ModeFacts(
            frequency_hz=frequency_hz,
            quality_factor=TWO_PI
            * frequency_hz
            / DECAYS_PER_S[mode]
            * math.exp(0.1 * rng.standard_normal()),
            mass_kg=MASS_KG,
            detector_noise_m_per_root_hz=noise,
        )
        for mode, frequency_hz in FREQUENCIES_HZ.items()
    }
    return Facts(temperature_k=TEMPERATURE_K, lower=modes["lower"], upper=modes["upper"])


# -- weak conversion -----------------------------------------------------------------


def weak_stages(pump: float, *, rounds: int = 2, duration_s: float = 12.0) -> list[Stage]:
    """Pump on, off, reversed and detuned in turn, the lower mode driven."""
    stages = [
        Stage(
            kind="release",
            duration_s=2.0,
            set_lower_m=DRIVEN_M,
            set_upper_m=3e-12,
            drive_lower=True,
        )
    ]

    def stage(kind: str, amplitude: float, turn: float = 0.0, detuning_hz: float = 0.0) -> Stage:
        return Stage(
            kind=kind,
            duration_s=duration_s,
            drive_lower=True,
            pump=amplitude,
            pump_rad=turn,
            detuning_hz=detuning_hz,
            parameters={
                "amplitude": amplitude,
                "detuning_hz": detuning_hz,
                "phase_rad": math.pi if kind == "reversed" else 0.0,
            },
        )

    for _ in range(rounds):
        stages += [
            stage("on", pump),
            stage("off", 0.0),
            stage("reversed", pump, math.pi),
            # The phase is turned back where the detuned pump comes on.
            stage("detuned", pump, math.pi, 0.3),
        ]
    return stages


def weak_protocols(bench: Bench, coupling_hz: float, seeds: Sequence[int]) -> list[Outcome]:
    """Weak conversion at a coupling, once for each seed; at none the pump does nothing."""
    per_unit = coupling_hz / 0.01
    changed = Bench(**{**vars(bench), "coupling_hz_per_unit": per_unit})
    return protocols(changed, weak_stages(0.01), seeds)


# -- thermal calibration -------------------------------------------------------------


def thermal_protocol(
    seed: int, *, duration_s: float = 900.0, noise: float = NOISE, metres_ratio: float = 1.0
) -> Protocol:
    """Both modes in thermal motion, read in metres that are `metres_ratio` times too short."""
    rng = np.random.default_rng(seed)
    count = round(duration_s / UPDATE_S)
    dt = UPDATE_S / SUBSTEPS
    drift_hz = SHARED_WALK_HZ * math.sqrt(dt) * np.cumsum(rng.standard_normal(count * SUBSTEPS))
    turned = np.exp(1j * TWO_PI * np.cumsum(7.0 + drift_hz)[SUBSTEPS // 2 :: SUBSTEPS] * dt)
    table = _table(count)
    truths = {}
    for mode, decay_per_s in DECAYS_PER_S.items():
        kept = math.exp(-0.5 * decay_per_s * dt)
        kicks = thermal_m(mode) * math.sqrt(1.0 - kept**2) * _complex(rng, count * SUBSTEPS)
        kicks[0] /= math.sqrt(1.0 - kept**2)
        motion = lfilter([1.0], [1.0, -kept], kicks).reshape(count, SUBSTEPS).mean(axis=1)
        seen = motion * turned + noise / math.sqrt(UPDATE_S) * _complex(rng, count)
        table[mode] = seen / metres_ratio
        truths[mode] = {
            "metres_per_unit_ratio": metres_ratio,
            "effective_temperature_k": TEMPERATURE_K / metres_ratio**2,
            "detector_noise_m_per_root_hz": noise / metres_ratio,
            "decay_rate_per_s": decay_per_s,
        }
    section = Section(name="thermal", kind="record", start_s=0.0, end_s=duration_s)
    return Protocol(data=_data((section,), table, facts(rng, noise), {}), truths=truths)


# -- alternating difference ------------------------------------------------------------


def alternating_protocol(
    seed: int,
    *,
    pairs: int = 20,
    shift_hz: float = 5e-4,
    image_hz: float = 0.0,
    background_hz: float = 2e-3,
) -> Protocol:
    """Two driven modes above a tip that flips; positions differ in shift and background."""
    rng = np.random.default_rng(seed)
    stride = DWELL_UPDATES + BETWEEN_UPDATES
    count = 2 * pairs * stride
    shifts_hz = shift_hz + image_hz * rng.standard_normal(pairs)
    backgrounds_hz = background_hz * rng.standard_normal(pairs)
    place = np.arange(count) // stride
    is_on = np.arange(count) % stride >= BETWEEN_UPDATES
    signs = np.where(place % 2 == 0, 1.0, -1.0)
    moved_hz = backgrounds_hz[place // 2] + signs * shifts_hz[place // 2]
    shared_hz = SHARED_WALK_HZ * math.sqrt(UPDATE_S) * np.cumsum(rng.standard_normal(count))
    table, dt = _table(count), UPDATE_S / SUBSTEPS
    lower_hz = 16.0 + shared_hz - 0.5 * moved_hz
    upper_hz = 33.0 + DRIFT_RATIO * shared_hz + 0.5 * moved_hz
    for mode, frequency_hz in (("lower", lower_hz), ("upper", upper_hz)):
        kick = math.sqrt(DECAYS_PER_S[mode] * dt) * thermal_m(mode) / DRIVEN_M
        phases_rad = np.cumsum(
            np.repeat(TWO_PI * frequency_hz * dt, SUBSTEPS)
            + kick * rng.standard_normal(count * SUBSTEPS)
        )
        middle_rad = phases_rad.reshape(count, SUBSTEPS).mean(axis=1)
        noise_m = 4e-15 / math.sqrt(UPDATE_S) * _complex(rng, count)
        table[mode] = DRIVEN_M * np.exp(1j * middle_rad) + noise_m
        table[f"drive_{mode}"] = 0.2j * np.exp(1j * middle_rad)
    table["pump_amplitude"] = np.where(is_on, 0.05, 0.0)
    sections = tuple(
        Section(
            name="plus" if number % 2 == 0 else "minus",
            kind="marker",
            start_s=(number * stride + BETWEEN_UPDATES) * UPDATE_S,
            end_s=(number + 1) * stride * UPDATE_S,
        )
        for number in range(2 * pairs)
    )
    records = {
        "time_s": table["time_s"][::5],
        "difference_hz": 7e3 + (upper_hz - lower_hz)[::5] + 3e-4,
        "lower_frequency_hz": FREQUENCIES_HZ["lower"] + lower_hz[::5] + 3e-3,
    }
    weights = np.ones(pairs) / pairs
    truth_hz = float(weights @ shifts_hz)
    return Protocol(
        data=_data(sections, table, facts(rng, 4e-15), records),
        truths={"": {"mean_shift_hz": truth_hz, "side_line_shift_hz": truth_hz}},
        shifts_hz=shifts_hz,
    )


# -- drift watch -----------------------------------------------------------------------


def drift_protocol(
    seed: int, *, duration_s: float = 1800.0, slope_hz_per_s: float = 2e-4
) -> Protocol:
    """Records of frequencies that walk and drift, the pump a little beside the difference."""
    rng = np.random.default_rng(seed)
    count = round(10.0 * duration_s)
    times_s = 0.1 * np.arange(count)
    walk_hz = 1e-3 * math.sqrt(0.1) * np.cumsum(rng.standard_normal(count))
    difference_hz = 7e3 + slope_hz_per_s * times_s + walk_hz
    detuning_hz = 4e-4 * lfilter(
        [math.sqrt(1.0 - 0.95**2)], [1.0, -0.95], rng.standard_normal(count)
    )
    records = {
        "time_s": times_s,
        "difference_hz": difference_hz,
        "difference_sigma_hz": np.full(count, 1e-4),
        "lower_frequency_hz": 912e3 + 5.0 * difference_hz,
        "upper_frequency_hz": 912e3 + 6.0 * difference_hz,
        "pump_amplitude": np.ones(count),
        "pump_hz": difference_hz + detuning_hz,
    }
    section = Section(name="watch", kind="hold", start_s=0.0, end_s=duration_s)
    # A walk of q per root second has the Allan variance q^2 tau / 3, a slope D the variance
    # (D tau)^2 / 2: common practice, no source.
    truths = {
        "difference_drift_hz_per_s": slope_hz_per_s,
        "lower_drift_hz_per_s": 5.0 * slope_hz_per_s,
        "allan_deviation_10_s_hz": math.hypot(
            1e-3 * math.sqrt(10.0 / 3.0), 10.0 * slope_hz_per_s / math.sqrt(2.0)
        ),
        "rms_detuning_hz": math.hypot(4e-4, 1e-4),
    }
    data = _data((section,), _table(1), facts(rng), records)
    return Protocol(data=data, truths={"": truths})


# -- all -------------------------------------------------------------------------------


def _complex(rng: np.random.Generator, count: int) -> np.ndarray:
    """Unit variance in each quadrature."""
    return np.asarray(rng.standard_normal(count) + 1j * rng.standard_normal(count))


def _table(count: int) -> np.ndarray:
    table = np.zeros(count, BASEBAND_DTYPE)
    table["sample_index"] = np.arange(count)
    table["time_s"] = (np.arange(count) + 0.5) * UPDATE_S
    table["duration_s"] = UPDATE_S
    return table


def _data(
    sections: tuple[Section, ...],
    table: np.ndarray,
    known: Facts,
    records: dict[str, np.ndarray],
) -> ProtocolData:
    return ProtocolData(
        sections=sections,
        basebands=table,
        lower_reference_hz=FREQUENCIES_HZ["lower"],
        upper_reference_hz=FREQUENCIES_HZ["upper"],
        facts=known,
        records=records,
    )
