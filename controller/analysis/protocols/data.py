"""What an analysis of a protocol is given, and what it hands back.

Given: the executed steps, the basebands of both modes, the records of the
loop, and what was known beforehand. Handed back: numbers with one-sigma
uncertainties and series for a figure, or the reason why there are none.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from scipy.constants import Boltzmann

from controller.records import ModeId, Section

TWO_PI = 2.0 * math.pi

BASEBAND_DTYPE = np.dtype(
    [
        ("sample_index", np.int64),
        ("time_s", np.float64),
        ("lower", np.complex128),
        ("upper", np.complex128),
        ("duration_s", np.float64),
        ("pump_amplitude", np.float64),
        ("pump_phase_rad", np.float64),
        ("drive_lower", np.complex128),
        ("drive_upper", np.complex128),
    ]
)

# A number or its sigma, a truth, the reason of a failure; or a group of them, as for one mode.
Value = float | bool | str | None
Results = dict[str, "Value | Results"]


class ProtocolFailure(Exception):
    """Why an analysis has no result; caught at its entry and reported as failed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ModeFacts:
    """What was known of one mode beforehand."""

    frequency_hz: float
    quality_factor: float  # roughly
    mass_kg: float  # roughly
    detector_noise_m_per_root_hz: float  # one-sided
    duffing_self_hz_per_m2: float = 0.0
    duffing_cross_hz_per_m2: float = 0.0
    duffing_sigma_hz_per_m2: float = 1.0e14  # how well both are known

    @property
    def decay_rate_per_s(self) -> float:
        """Energy decay rate."""
        return TWO_PI * self.frequency_hz / self.quality_factor

    def thermal_amplitude_m(self, temperature_k: float) -> float:
        """Root mean square displacement in equilibrium, x_th = sqrt(k T / m) / omega."""
        return math.sqrt(Boltzmann * temperature_k / self.mass_kg) / (TWO_PI * self.frequency_hz)


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What was known beforehand: the modes, the bath and how things wander."""

    lower: ModeFacts
    upper: ModeFacts
    temperature_k: float = 295.0
    separate_walk_hz_per_root_s: float = 3.0e-5  # of each mode on its own
    gain_walk_per_root_s: float = 1.0e-3  # relative, of the detector
    drift_ratio: float | None = None  # d(upper)/d(lower) of the shared drift; None: f2 / f1
    drift_ratio_sigma: float = 0.01
    mass_ratio_sigma: float = 0.05  # relative
    coupling_hz_per_unit: float = 0.0  # g / 2 pi per unit of the pump's amplitude; 0: not known
    coupling_sigma_hz_per_unit: float = 0.0
    coupling_phase_rad: float = 0.0  # what line and coupling add to the pump's phase

    def of(self, mode: ModeId) -> ModeFacts:
        """The facts of one mode."""
        return self.lower if mode is ModeId.LOWER else self.upper

    def difference_duffing_hz_per_m2(self, mode: ModeId) -> tuple[float, float]:
        """How far one mode's |a|^2 moves the difference [Hz/m^2], and the sigma of that."""
        lower, upper = self.lower, self.upper
        sigma = math.hypot(lower.duffing_sigma_hz_per_m2, upper.duffing_sigma_hz_per_m2)
        if mode is ModeId.LOWER:
            return upper.duffing_cross_hz_per_m2 - lower.duffing_self_hz_per_m2, sigma
        return upper.duffing_self_hz_per_m2 - lower.duffing_cross_hz_per_m2, sigma

    @property
    def action_ratio(self) -> float:
        """Root of m omega, upper over lower: how unequally a coupling acts in metres."""
        upper, lower = self.upper, self.lower
        return math.sqrt(upper.mass_kg * upper.frequency_hz / (lower.mass_kg * lower.frequency_hz))

    @property
    def difference_walk_hz_per_root_s(self) -> float:
        """Random walk of the difference that no shared drift explains."""
        return math.sqrt(2.0) * self.separate_walk_hz_per_root_s

    @property
    def difference_per_lower(self) -> float:
        """Change of the difference with the lower frequency under shared drift, without unit."""
        ratio = self.drift_ratio or self.upper.frequency_hz / self.lower.frequency_hz
        return ratio - 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ProtocolData:
    """All that one protocol left behind."""

    sections: tuple[Section, ...]
    basebands: np.ndarray  # of BASEBAND_DTYPE, sorted in time, perhaps with gaps
    lower_reference_hz: float  # against which the basebands turn
    upper_reference_hz: float
    facts: Facts
    records: Mapping[str, np.ndarray] = field(default_factory=dict)  # columns of the log's table
    marks: tuple[tuple[float, str], ...] = ()  # time [s] and text

    @property
    def reference_difference_hz(self) -> float:
        """Upper less lower reference."""
        return self.upper_reference_hz - self.lower_reference_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class ProtocolResult:
    """Numbers and figure data, or the reason why there are none."""

    results: Results | None  # NAME and NAME_sigma side by side; None: failed
    failure: str | None = None
    series: Mapping[str, np.ndarray] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """Basebands that follow each other while the tones stay as they are."""

    basebands: np.ndarray  # of BASEBAND_DTYPE
    parameters: Mapping[str, float]  # of the sections it lies in

    @property
    def start_s(self) -> float:
        """Time of the first baseband."""
        return float(self.basebands["time_s"][0])

    @property
    def duration_s(self) -> float:
        """From the first to the last baseband."""
        return float(self.basebands["time_s"][-1]) - self.start_s

    @property
    def spacing_s(self) -> float:
        """Time from one baseband to the next."""
        return float(np.median(np.diff(self.basebands["time_s"])))

    @property
    def pump_amplitude(self) -> float:
        """In the channel's unit."""
        return float(self.basebands["pump_amplitude"][0])


def runs_where(data: ProtocolData, is_wanted: np.ndarray, shortest_s: float = 1.0) -> list[Run]:
    """The stretches of basebands that are wanted, cut where anything changes.

    Interrupted steps are left out, and so are the first and the last baseband of
    a stretch, during which a tone may have come or gone.

    Parameters
    ----------
    data : ProtocolData
        Basebands and sections.
    is_wanted : ndarray of bool, shape (n,)
        One per baseband.
    shortest_s : float
        Shorter stretches are left out [s].

    Returns
    -------
    list of Run
        In the order of time.
    """
    basebands = data.basebands
    times_s = basebands["time_s"]
    if len(times_s) < 2:
        return []
    wanted = is_wanted.copy()
    for section in data.sections:
        if not section.completed:
            wanted &= (times_s < section.start_s) | (times_s > section.end_s)
    is_cut = np.diff(times_s) > 1.5 * basebands["duration_s"][1:]
    is_cut |= np.diff(basebands["pump_amplitude"]) != 0.0
    is_cut |= np.diff(wanted)
    pieces = np.split(np.arange(len(times_s)), np.flatnonzero(is_cut) + 1)
    runs = []
    for piece in pieces:
        inner = piece[1:-1]
        if len(inner) < 2 or not wanted[inner[0]]:
            continue
        stretch = basebands[inner]
        if stretch["time_s"][-1] - stretch["time_s"][0] >= shortest_s:
            runs.append(Run(basebands=stretch, parameters=_parameters(data.sections, stretch)))
    return runs


def _parameters(sections: tuple[Section, ...], stretch: np.ndarray) -> dict[str, float]:
    """What the steps that a stretch lies in were told; the later ones prevail."""
    start_s, end_s = stretch["time_s"][0], stretch["time_s"][-1]
    merged: dict[str, float] = {}
    for section in sections:
        if section.completed and section.start_s < end_s and section.end_s > start_s:
            merged.update(section.numbers)
    return merged


def is_driven(basebands: np.ndarray, mode: ModeId) -> np.ndarray:
    """Where a mode is driven, shape (n,)."""
    return np.asarray(basebands[f"drive_{mode}"] != 0.0)


def tracked_difference(
    data: ProtocolData, until_s: float, longest_s: float = 5.0
) -> tuple[float, float, float] | None:
    """The last difference that the loop reported while the pump was off.

    Parameters
    ----------
    data : ProtocolData
        With records.
    until_s : float
        Not after this time [s].
    longest_s : float
        Nor longer before it [s].

    Returns
    -------
    (float, float, float) or None
        Difference less that of the references [Hz], its sigma [Hz], its time [s].
    """
    records = data.records
    if not {"time_s", "difference_hz", "difference_sigma_hz", "pump_amplitude"} <= set(records):
        return None
    times_s = records["time_s"]
    is_good = (times_s <= until_s) & (times_s >= until_s - longest_s)
    is_good &= (records["pump_amplitude"] == 0.0) & np.isfinite(records["difference_hz"])
    is_good &= np.isfinite(records["difference_sigma_hz"])
    if not is_good.any():
        return None
    last = int(np.flatnonzero(is_good)[-1])
    return (
        float(records["difference_hz"][last]) - data.reference_difference_hz,
        float(records["difference_sigma_hz"][last]),
        float(times_s[last]),
    )


def unwrapped_rad(phases_rad: np.ndarray) -> np.ndarray:
    """A phase without jumps, however near to half a turn its steps lie on the average.

    Parameters
    ----------
    phases_rad : ndarray of float64, shape (n,)
        Evenly spaced [rad].

    Returns
    -------
    ndarray of float64, shape (n,)
        From the first as it is [rad]. The rate is known but for whole turns per step.
    """
    return np.asarray(phases_rad[0] + summed_rad(np.exp(1j * np.diff(phases_rad))))


def summed_rad(steps: np.ndarray) -> np.ndarray:
    """Angles of steps of a phase summed, each counted about their mean direction.

    Parameters
    ----------
    steps : ndarray of complex128, shape (n,)
        Of any size.

    Returns
    -------
    ndarray of float64, shape (n + 1,)
        From 0 [rad].
    """
    mean = complex(steps.sum())
    direction = mean / abs(mean) if mean else 1.0
    angles = np.angle(steps * np.conj(direction)) + np.angle(direction)
    return np.concatenate([[0.0], np.cumsum(angles)])


def with_sigmas(values: Mapping[str, tuple[float, float]]) -> Results:
    """NAME and NAME_sigma side by side, from pairs of value and sigma."""
    results: Results = {}
    for name, (value, sigma) in values.items():
        results[name] = float(value)
        results[f"{name}_sigma"] = float(sigma)
    return results


def propagated(
    function: Callable[[np.ndarray], float], values: np.ndarray, covariance: np.ndarray
) -> tuple[float, float]:
    """A function of fitted values, and its sigma to first order.

    Parameters
    ----------
    function : callable
        Of an array of shape (n,), to a number.
    values : ndarray of float64, shape (n,)
        As fitted.
    covariance : ndarray of float64, shape (n, n)
        Of the values.

    Returns
    -------
    (float, float)
        Value and sigma. The slopes are taken over a thousandth of each sigma.
    """
    steps = 1e-3 * np.sqrt(np.diag(covariance))
    slopes = np.zeros(len(values))
    for index, step in enumerate(steps):
        if step > 0.0:
            move = np.zeros(len(values))
            move[index] = step
            slopes[index] = (function(values + move) - function(values - move)) / (2.0 * step)
    return function(values), math.sqrt(max(float(slopes @ covariance @ slopes), 0.0))


def guarded(
    analysis: Callable[[ProtocolData], ProtocolResult], data: ProtocolData
) -> ProtocolResult:
    """The result of an analysis; a ProtocolFailure inside becomes a failed result."""
    try:
        return analysis(data)
    except ProtocolFailure as failure:
        return ProtocolResult(results=None, failure=str(failure))
