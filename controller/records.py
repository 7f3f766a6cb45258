"""What the loop hands out: records, events and the states they name.

Frequencies are absolute bare resonances in Hz, amplitudes are peak values
in metres (or sample units where the stream is uncalibrated), and every
estimate stands beside its one-sigma uncertainty. None means unknown.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum


class ModeId(StrEnum):
    """The two modes; the difference is upper minus lower."""

    LOWER = "lower"
    UPPER = "upper"


class TrackerState(StrEnum):
    """What a tracker knows of its line."""

    SEARCHING = "searching"
    PULLING_IN = "pulling_in"
    LOCKED = "locked"
    HOLDING = "holding"
    LOST = "lost"


class PumpState(StrEnum):
    """What the pump may do; only ON puts a tone out."""

    OFF = "off"
    ARMED = "armed"
    ON = "on"
    MUTED = "muted"


class EstimateSource(StrEnum):
    """Which estimator the difference is taken from."""

    TRACKERS = "trackers"  # the joint estimate from the phases of the two loops
    OBSERVER = "observer"  # both complex amplitudes, where a loop is blind


@dataclass(frozen=True, slots=True, kw_only=True)
class ModeRecord:
    """One mode at one time: estimate, uncertainty and lock quality."""

    state: TrackerState
    frequency_hz: float | None = None
    frequency_sigma_hz: float | None = None
    amplitude: float | None = None
    amplitude_sigma: float | None = None
    phase_error_rad: float | None = None
    phase_sigma_rad: float | None = None
    snr_db: float | None = None  # carrier power over noise power in the update bandwidth
    innovation_ratio: float | None = None  # mean squared normalised innovation, 1 expected
    loop_bandwidth_hz: float | None = None
    decay_time_s: float | None = None  # of a free line; amplitude as exp(-t/decay_time_s)
    decay_time_sigma_s: float | None = None
    cycle_slips: int = 0
    drive_amplitude: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """The loop at one sample index; ten a second unless asked otherwise."""

    sample_index: int
    time_s: float
    modes: Mapping[ModeId, ModeRecord]
    difference_hz: float | None = None
    difference_sigma_hz: float | None = None
    difference_innovation_ratio: float | None = None
    difference_source: EstimateSource = EstimateSource.TRACKERS
    drift_ratio: float | None = None  # d(upper)/d(lower) that the joint estimate learnt
    drift_ratio_sigma: float | None = None
    pump_hz: float | None = None
    pump_amplitude: float = 0.0
    pump_state: PumpState = PumpState.OFF


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseband:
    """Both modes and all tones during one update, against fixed reference frequencies.

    A line A cos(2 pi f t + phi) stands here as A exp(i (2 pi (f - reference) t + phi)),
    with t from sample 0 of the stream; tones likewise.
    """

    sample_index: int  # middle of the update
    time_s: float
    lower: complex  # mean over the update, peak [m]
    upper: complex
    duration_s: float
    pump_amplitude: float  # in the channel's unit, 0 while off
    pump_phase_rad: float  # against upper less lower reference
    drive_lower: complex  # in the channel's unit
    drive_upper: complex


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A step of a protocol as it was carried out."""

    name: str
    kind: str  # "ring_up", "pump_on", ...
    start_s: float  # stream time
    end_s: float
    number: int = 1  # of the step, from 1
    parameters: Mapping[str, float | str | bool] = field(default_factory=dict)  # with swept ones
    completed: bool = True
    attempt: int = 1  # 1: the first
    reason: str = ""  # why it was not completed

    @property
    def numbers(self) -> dict[str, float]:
        """Those of its parameters that are numbers; a flag is 0 or 1."""
        return {
            key: float(value)
            for key, value in self.parameters.items()
            if not isinstance(value, str)
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Knowledge:
    """What the loop has learnt that lasts, for the next start."""

    shared_walk_hz_per_root_s: float
    separate_walk_hz_per_root_s: float
    drift_ratio: float  # d(upper)/d(lower)
    drift_ratio_sigma: float
    coupling_hz_per_unit: float  # g / 2 pi per unit of the pump's amplitude
    coupling_sigma_hz_per_unit: float
    pump_shift_hz_per_unit2: Mapping[ModeId, float]  # by the pump's amplitude squared
    pump_shift_sigma_hz_per_unit2: Mapping[ModeId, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happened, with its reason in words."""

    sample_index: int
    time_s: float
    source: str  # "lower", "upper", "pump", "stream", "run", "search"
    kind: str  # e.g. "state", "mute", "gap", "overload", "found"
    text: str
