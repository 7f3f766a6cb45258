"""What a rehearsed protocol should have found, beside what it found.

Taken from the run's folder: the truth that the simulator left, the executed
steps, and what was known beforehand; the analyses themselves see none of it.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy.constants import Boltzmann
from scipy.special import i0

from controller.analysis.protocols.data import TWO_PI
from controller.errors import RunFailed
from controller.records import Section
from controller.runtime.configuration import make_instrument
from controller.runtime.log.reader import LogReader
from controller.runtime.outputs import LOG_NAME, SUMMARY_NAME
from controller.runtime.protocols import protocol_file
from controller.runtime.runner import run
from controller.runtime.truth import TRUTH_CSV, TRUTH_JSON
from controller.settings import Configuration
from tests.support.protocol_cases import value_and_sigma

Truths = dict[str, float]
MODES = ("lower", "upper")


@dataclass(frozen=True, kw_only=True)
class Compared:
    """One result beside its truth."""

    name: str
    value: float
    sigma: float
    truth: float

    @property
    def deviation(self) -> float:
        """In stated sigmas."""
        return (self.value - self.truth) / self.sigma


@dataclass(frozen=True, kw_only=True)
class TrueRun:
    """The truth of one run, and what was asked of it."""

    device: Mapping[str, Any]  # truth.json
    rows: np.ndarray  # truth.csv
    settings: Mapping[str, Any]  # as logged
    options: Mapping[str, Any]  # of the simulated instrument
    sections: tuple[Section, ...]
    basebands: Mapping[str, np.ndarray]  # as logged

    def named(self, name: str) -> list[Section]:
        """The completed steps of a name."""
        return [each for each in self.sections if each.name == name and each.completed]

    def named_within(self, name: str, opening: str, closing: str) -> list[Section]:
        """Those of whole sequences between two steps: what was interrupted was repeated."""
        found: list[Section] = []
        pending: list[Section] | None = None
        for section in self.sections:
            if section.name == opening:
                pending = []
            if not section.completed:
                pending = None
            if pending is not None and section.name == name:
                pending.append(section)
            if pending is not None and section.name == closing:
                found += pending
                pending = None
        return found

    def within(self, section: Section) -> np.ndarray:
        """The rows during a step."""
        times_s = self.rows["time_s"]
        return self.rows[(times_s > section.start_s) & (times_s < section.end_s)]

    def seen_lower_m(self, section: Section) -> float:
        """Mean amplitude of the lower mode during a step, as the detector shows it."""
        times_s = self.basebands["time_s"]
        is_within = (times_s > section.start_s) & (times_s < section.end_s)
        return float(np.abs(self.basebands["lower"][is_within]).mean())

    def decay_rate_per_s(self, mode: str) -> float:
        """Of the energy."""
        known = self.device["modes"][mode]
        return TWO_PI * known["frequency_hz"] / known["quality_factor"]

    @property
    def mean_decay_rate_per_s(self) -> float:
        """Of an energy that is shared evenly."""
        return sum(map(self.decay_rate_per_s, MODES)) / len(MODES)

    def thermal_ratio(self, mode: str) -> float:
        """True mean square of the thermal motion over the one that is assumed."""
        true_mass_kg = self.device["modes"][mode]["mass_kg"]
        assumed_k = self.settings["tracking"]["temperature_k"]
        assumed_kg = self.settings["modes"][mode]["mass_kg"]
        return (self.device["temperature_k"] / true_mass_kg) / (assumed_k / assumed_kg)

    @property
    def per_lower_amplitude(self) -> float:
        """Amplitude of the upper over that of a lower mode of equal action."""
        lower, upper = (self.device["modes"][mode] for mode in MODES)
        return math.sqrt(
            lower["mass_kg"] * lower["frequency_hz"] / (upper["mass_kg"] * upper["frequency_hz"])
        )

    def coupling_hz(self, section: Section) -> float:
        """g / 2 pi of a step with the pump on."""
        return float(self.device["pump"]["coupling_hz_per_v"]) * section.numbers["amplitude"]

    def mean_detuning_hz(self, section: Section) -> float:
        """Pump less true difference while a step has the pump on."""
        rows = self.within(section)
        rows = rows[rows["pump_amplitude"] > 0.0]
        return float((rows["pump_hz"] - rows["difference_hz"]).mean())

    def noise_m_per_root_hz(self, mode: str) -> float:
        """What stands around a mode: the detector's noise, and skirts of its neighbours.

        A mode of the variance x^2 and the decay rate c has x^2 c / ((c/2)^2 + w^2) at w
        beside it, in the measure of the detector's one-sided S^2 (Lorentzian, derived).
        """
        square = self.device["detector_noise_m_per_root_hz"] ** 2
        frequency_hz = self.device["modes"][mode]["frequency_hz"]
        for neighbour in self.options.get("detector", {}).get("neighbours", ()):
            own_rad_s = TWO_PI * neighbour["frequency_hz"]
            rate_per_s = own_rad_s / neighbour["quality_factor"]
            variance_m2 = Boltzmann * self.device["temperature_k"]
            variance_m2 /= neighbour["mass_kg"] * own_rad_s**2
            beside_rad_s = TWO_PI * frequency_hz - own_rad_s
            square += variance_m2 * rate_per_s / (0.25 * rate_per_s**2 + beside_rad_s**2)
        return math.sqrt(square)

    def gain_square(self) -> float:
        """Expectation of the square of the detector's gain, exp(2 s^2) I0(2 c)."""
        detector = self.options.get("detector", {})
        walk, cycle = detector.get("gain_sigma", 0.0), detector.get("gain_cycle", 0.0)
        return math.exp(2.0 * walk**2) * float(i0(2.0 * cycle))


def rehearsed(
    protocol: str,
    configuration: Configuration,
    path: Path,
    folder: Path,
    *,
    parameters: Mapping[str, float] | None = None,
) -> list[Compared]:
    """A shipped protocol from a cold start to its end, as `difftone rehearse` does it.

    Parameters
    ----------
    protocol : str
        Its name.
    configuration : Configuration
        With a simulated instrument.
    path : Path
        The configuration's file, for messages.
    folder : Path
        Takes the outputs of the run.
    parameters : mapping of str to float, optional
        Of the protocol, other than the shipped ones.

    Returns
    -------
    list of Compared
        Every result that has a truth.

    Raises
    ------
    RunFailed
        If the run or its analysis failed.
    """
    instrument = make_instrument(configuration, path)
    plan = protocol_file(protocol).for_run(configuration, instrument, parameters or {})
    outcome = run(configuration, folder, instrument=instrument, protocol=plan)
    if outcome.status:
        raise RunFailed(outcome.reason)
    return compared(folder, configuration.instrument.options)


def true_run(folder: Path, options: Mapping[str, Any]) -> TrueRun:
    """The truth in a run's folder.

    Parameters
    ----------
    folder : Path
        Of a finished run.
    options : mapping
        Of the simulated instrument.
    """
    with LogReader(folder / LOG_NAME) as reader:
        settings = dict(reader.settings)
        sections = tuple(reader.sections())
        basebands = reader.basebands()
    return TrueRun(
        device=json.loads((folder / TRUTH_JSON).read_text()),
        rows=np.genfromtxt(folder / TRUTH_CSV, delimiter=",", names=True),
        settings=settings,
        options=options,
        sections=sections,
        basebands=basebands,
    )


def compared(folder: Path, options: Mapping[str, Any]) -> list[Compared]:
    """Every result of a protocol that has a truth.

    Parameters
    ----------
    folder : Path
        Of a run that was carried out to its end.
    options : mapping
        Of the simulated instrument.

    Returns
    -------
    list of Compared
    """
    found = json.loads((folder / SUMMARY_NAME).read_text())["results"]
    analysis = found["protocol"]["analysis"]
    pairs = []
    for name, truth in TRUTHS[analysis](true_run(folder, options)).items():
        value, sigma = value_and_sigma(found[analysis], name)
        pairs.append(Compared(name=name, value=value, sigma=sigma, truth=truth))
    return pairs


# -- the truth of each analysis ------------------------------------------------


def _exchange(run: TrueRun) -> Truths:
    pumped = run.named("exchange")
    coupling = TWO_PI * run.coupling_hz(pumped[0])
    lower, upper = map(run.decay_rate_per_s, MODES)
    return {
        "energy_exchange_hz": coupling / math.pi,
        "decay_rate_lower_per_s": lower,
        "decay_rate_upper_per_s": upper,
        "cooperativity": 4.0 * coupling**2 / (lower * upper),
        "cycles_per_decay": 4.0 * coupling / (math.pi * (lower + upper)),
        "detuning_hz": float(np.mean([run.mean_detuning_hz(each) for each in pumped])),
    }


def _splitting_map(run: TrueRun) -> Truths:
    pumped = run.named("exchange")
    offsets_hz = [
        section.numbers["detuning_hz"] - run.mean_detuning_hz(section) for section in pumped
    ]
    return {
        "coupling_hz": run.coupling_hz(pumped[0]),
        "difference_offset_hz": float(np.mean(offsets_hz)),
    }


def _rate_calibration(run: TrueRun) -> Truths:
    lower, upper = (run.device["modes"][mode]["pump_shift_hz_per_v2"] for mode in MODES)
    return {
        "coupling_hz_per_unit": run.device["pump"]["coupling_hz_per_v"],
        "nonlinearity": 0.0,
        "pump_shift_difference_hz_per_unit2": upper - lower,
    }


def _ring_down(run: TrueRun) -> Truths:
    truths = {}
    for mode, other, sign in (("lower", "upper", -1.0), ("upper", "lower", 1.0)):
        own, beside = run.device["modes"][mode], run.device["modes"][other]
        self_hz, cross_hz = own["duffing_self_hz_per_m2"], beside["duffing_cross_hz_per_m2"]
        truths |= {
            f"{mode}.quality_factor": own["quality_factor"],
            f"{mode}.decay_time_s": 2.0 / run.decay_rate_per_s(mode),
            f"{mode}.duffing_difference_hz_per_m2": sign * (self_hz - cross_hz),
            f"{mode}.duffing_self_hz_per_m2": self_hz,
        }
    return truths


def _ramsey(run: TrueRun) -> Truths:
    free = run.named_within("free", "first_pulse", "read_out")
    times = [run.within(section)["difference_hz"] for section in free]
    difference_hz = float(np.concatenate(times).mean())
    return {
        "difference_hz": difference_hz,
        "difference_tracked_hz": difference_hz,
        "difference_disagreement_hz": 0.0,
        "dephasing_time_s": 1.0 / run.mean_decay_rate_per_s,
        "energy_decay_time_s": 1.0 / run.mean_decay_rate_per_s,
    }


def _echo(run: TrueRun) -> Truths:
    decay_time_s = 1.0 / run.mean_decay_rate_per_s
    return {
        "echo_dephasing_time_s": decay_time_s,
        "plain_dephasing_time_s": decay_time_s,
        "energy_decay_time_s": decay_time_s,
        "recovered_fraction": 1.0,
    }


def _adiabatic_transfer(run: TrueRun) -> Truths:
    chirps = run.named("chirp")
    coupled = (TWO_PI * run.coupling_hz(chirps[0])) ** 2
    spans_hz = [
        abs(section.numbers["chirp_hz_per_s"]) * section.numbers["duration_s"] for section in chirps
    ]
    lost = float(np.mean(spans_hz)) * run.mean_decay_rate_per_s
    total = coupled + lost
    return {
        "coupling_hz": run.coupling_hz(chirps[0]),
        "fastest_safe_chirp_hz_per_s": coupled / math.log(20.0),
        "slowest_useful_chirp_hz_per_s": lost / math.log(2.0),
        "best_chirp_hz_per_s": coupled / math.log1p(coupled / lost),
        "largest_transfer": coupled / total * (lost / total) ** (lost / coupled),
        "energy_decay_time_s": 1.0 / run.mean_decay_rate_per_s,
    }


def _weak_conversion(run: TrueRun) -> Truths:
    pumped = run.named("on")
    coupling_hz = run.coupling_hz(pumped[0])
    lower_m = float(np.mean([run.seen_lower_m(each) for each in pumped]))
    driven_m = run.per_lower_amplitude * 2.0 * TWO_PI * coupling_hz * lower_m
    quarter_ahead_rad = run.device["pump"]["coupling_phase_rad"] + 0.5 * math.pi
    return {
        "coupling_hz": coupling_hz,
        "converted_amplitude_m": driven_m / run.decay_rate_per_s("upper"),
        "converted_phase_rad": math.remainder(quarter_ahead_rad, TWO_PI),
        "control_coupling_hz": 0.0,
    }


def _thermal_calibration(run: TrueRun) -> Truths:
    truths = {}
    for mode in MODES:
        power_ratio = run.thermal_ratio(mode) * run.gain_square()
        truths |= {
            f"{mode}.metres_per_unit_ratio": power_ratio**-0.5,
            f"{mode}.effective_temperature_k": power_ratio
            * run.settings["tracking"]["temperature_k"],
            f"{mode}.detector_noise_m_per_root_hz": run.noise_m_per_root_hz(mode),
            f"{mode}.decay_rate_per_s": run.decay_rate_per_s(mode),
        }
    return truths


def _drift_watch(run: TrueRun) -> Truths:
    rows = run.within(run.named("watch")[0])
    errors_hz = rows["pump_hz"] - rows["difference_hz"]
    tenth_hz = 0.1 * run.mean_decay_rate_per_s / TWO_PI
    drifts = {
        f"{name}_drift_hz_per_s": float(np.polyfit(rows["time_s"], rows[f"{name}_hz"], 1)[0])
        for name in ("difference", *MODES)
    }
    return drifts | {
        "time_within_tenth_of_line": float((np.abs(errors_hz) < tenth_hz).mean()),
        "rms_detuning_hz": float(np.sqrt((errors_hz**2).mean())),
    }


def _alternating_difference(run: TrueRun) -> Truths:
    shifts_hz = run.options.get("sample", {}).get("shift_hz", (0.0,))
    mean_hz = float(np.mean(shifts_hz))
    return {"mean_shift_hz": mean_hz, "side_line_shift_hz": mean_hz}


TRUTHS: dict[str, Callable[[TrueRun], Truths]] = {
    "adiabatic_transfer": _adiabatic_transfer,
    "alternating_difference": _alternating_difference,
    "drift_watch": _drift_watch,
    "echo": _echo,
    "exchange": _exchange,
    "ramsey": _ramsey,
    "rate_calibration": _rate_calibration,
    "ring_down": _ring_down,
    "splitting_map": _splitting_map,
    "thermal_calibration": _thermal_calibration,
    "weak_conversion": _weak_conversion,
}
