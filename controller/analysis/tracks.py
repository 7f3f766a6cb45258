"""What a report draws, gathered from the columns of a log piece by piece.

Derived series (drift, detuning, bands) are formed at full rate and thinned
afterwards, so that a band stays a band and no excursion gets lost.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from controller.analysis.thinning import (
    Curve,
    CurveThinner,
    StateSpan,
    StateThinner,
    bucket_records,
)
from controller.records import ModeId, PumpState, TrackerState

# From the state one wants to the one that must not go unseen.
TRACKER_STATES = tuple(
    state.value
    for state in (
        TrackerState.LOCKED,
        TrackerState.HOLDING,
        TrackerState.PULLING_IN,
        TrackerState.SEARCHING,
        TrackerState.LOST,
    )
)
PUMP_STATES = tuple(
    state.value for state in (PumpState.ON, PumpState.ARMED, PumpState.OFF, PumpState.MUTED)
)

# The columns of the records that `RunTracks.add_records` needs.
COLUMNS_NEEDED = (
    "time_s",
    "difference_hz",
    "difference_sigma_hz",
    "difference_innovation_ratio",
    "pump_hz",
    "pump_state",
    *(
        f"{mode}_{quantity}"
        for mode in ModeId
        for quantity in (
            "state",
            "frequency_hz",
            "frequency_sigma_hz",
            "amplitude",
            "phase_error_rad",
            "innovation_ratio",
            "decay_time_s",
        )
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class AllanCurve:
    """An Allan deviation over the averaging time."""

    taus_s: np.ndarray  # (n,)
    deviations_hz: np.ndarray  # (n,)
    sigmas_hz: np.ndarray | None = None  # (n,)


class RunTracks:
    """All series of one run, thinned as they come.

    Parameters
    ----------
    record_count : int
        Number of records to come.
    pump_offset_hz : float
        Deliberate detuning of the pump [Hz].
    """

    def __init__(self, record_count: int, *, pump_offset_hz: float = 0.0) -> None:
        self.bucket = bucket_records(record_count)
        self.end_s = 0.0
        self.start_hz: dict[str, float] = {}  # lower, upper, difference: first known value
        self.decay_time_s: float | None = None  # the longest known decay, last reported
        self._pump_offset_hz = pump_offset_hz
        self._records = CurveThinner(self.bucket)
        self._errors = CurveThinner(self.bucket)
        self._pump_errors = CurveThinner(self.bucket)
        self._states = {
            **{mode.value: StateThinner(TRACKER_STATES, self.bucket) for mode in ModeId},
            "pump": StateThinner(PUMP_STATES, self.bucket),
        }

    def add_records(self, columns: Mapping[str, np.ndarray]) -> None:
        """Take in the next records.

        Parameters
        ----------
        columns : mapping of str to ndarray, shape (n,)
            At least COLUMNS_NEEDED; states as text, NaN for unknown. Pieces
            should hold a multiple of `bucket` records.
        """
        times_s = columns["time_s"]
        if not len(times_s):
            return
        self.end_s = float(times_s[-1])
        is_known = {mode: np.isin(columns[f"{mode}_state"], TRACKER_STATES[:2]) for mode in ModeId}
        series: dict[str, np.ndarray] = {}
        for mode in ModeId:
            self._add_mode(mode, columns, is_known[mode], series)
        self._add_difference(columns, is_known[ModeId.LOWER] & is_known[ModeId.UPPER], series)
        self._records.add(times_s, series)
        for name, states in self._states.items():
            states.add(times_s, columns[f"{name}_state"])

    def _add_mode(
        self,
        mode: ModeId,
        columns: Mapping[str, np.ndarray],
        is_known: np.ndarray,
        series: dict[str, np.ndarray],
    ) -> None:
        frequency_hz = np.where(is_known, columns[f"{mode}_frequency_hz"], np.nan)
        series[f"{mode}_drift_hz"] = frequency_hz - self._start(mode, frequency_hz)
        series[f"{mode}_sigma_hz"] = columns[f"{mode}_frequency_sigma_hz"]
        for quantity in ("amplitude", "phase_error_rad", "innovation_ratio"):
            series[f"{mode}_{quantity}"] = columns[f"{mode}_{quantity}"]
        decay_times_s = columns[f"{mode}_decay_time_s"]
        if np.isfinite(decay_times_s).any():
            newest_s = float(decay_times_s[np.isfinite(decay_times_s)][-1])
            self.decay_time_s = max(newest_s, self.decay_time_s or 0.0)

    def _add_difference(
        self,
        columns: Mapping[str, np.ndarray],
        is_known: np.ndarray,
        series: dict[str, np.ndarray],
    ) -> None:
        difference_hz = np.where(is_known, columns["difference_hz"], np.nan)
        sigma_hz = np.where(is_known, columns["difference_sigma_hz"], np.nan)
        offset_hz = difference_hz - self._start("difference", difference_hz)
        is_on = columns["pump_state"] == PumpState.ON.value
        pump_hz = np.where(is_on, columns["pump_hz"], np.nan)
        series["difference_offset_hz"] = offset_hz
        series["difference_low_hz"] = offset_hz - sigma_hz
        series["difference_high_hz"] = offset_hz + sigma_hz
        series["pump_offset_hz"] = pump_hz - self.start_hz.get("difference", math.nan)
        series["detuning_hz"] = pump_hz - self._pump_offset_hz - columns["difference_hz"]
        series["difference_sigma_hz"] = sigma_hz
        series["difference_innovation_ratio"] = columns["difference_innovation_ratio"]

    def _start(self, name: str, values: np.ndarray) -> float:
        """The first known value of a series, once there is one."""
        finite = values[np.isfinite(values)]
        if name not in self.start_hz and len(finite):
            self.start_hz[str(name)] = float(finite[0])
        return self.start_hz.get(name, math.nan)

    def add_errors(self, errors: Mapping[str, np.ndarray]) -> None:
        """Take in estimates minus truth at the next records.

        Parameters
        ----------
        errors : mapping of str to ndarray, shape (n,)
            `time_s`, `is_locked`, and for lower, upper and difference
            `NAME_error_hz` and `NAME_sigma_hz`; drawn where locked.
        """
        series = {}
        for name in ("lower", "upper", "difference"):
            for quantity in (f"{name}_error_hz", f"{name}_sigma_hz"):
                series[quantity] = np.where(errors["is_locked"], errors[quantity], np.nan)
        self._errors.add(errors["time_s"], series)

    def add_pump_errors(self, times_s: np.ndarray, errors_hz: np.ndarray) -> None:
        """Take in the next errors of the applied pump frequency [Hz]; NaN is off."""
        self._pump_errors.add(times_s, {"error_hz": errors_hz})

    def curve(self, name: str) -> Curve:
        """A thinned series of the records; empty if there is none."""
        return self._records.curve(name)

    def error_curve(self, name: str) -> Curve:
        """A thinned series of the errors; empty without a truth."""
        return self._errors.curve(name)

    def pump_error_curve(self) -> Curve:
        """The thinned error of the pump; empty without a truth or a pump."""
        return self._pump_errors.curve("error_hz")

    def state_spans(self, name: str) -> list[StateSpan]:
        """States of "lower", "upper" or "pump" over the run."""
        return self._states[name].spans(self.end_s)
