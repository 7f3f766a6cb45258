"""Compares a log with the truth that a simulated instrument left beside it.

The truth is two files in the run's folder: `truth.csv` (what the device did,
ten rows a second) and `truth.json` (what it is made of). They are read after
the run; nothing of them reaches the loop. Both files and the log are read in
pieces: memory does not grow with the length of a run.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from itertools import islice
from pathlib import Path
from typing import Any, TextIO

import numpy as np

from controller.errors import InputError
from controller.records import ModeId, PumpState, TrackerState
from controller.runtime.log.reader import CHUNK_ROWS, LogReader
from controller.runtime.summary import MeanSquare, pump_offset_hz
from controller.runtime.tone_timeline import ToneSegment, tone_segments
from controller.tracking.limits import (
    DifferenceModel,
    difference_model,
    independent_difference_limit_hz,
    joint_limits,
)

TRUTH_CSV = "truth.csv"
TRUTH_JSON = "truth.json"
TRUTH_COLUMNS = (
    "time_s",
    "lower_hz",
    "upper_hz",
    "difference_hz",
    "lower_amplitude_m",
    "upper_amplitude_m",
    "pump_hz",
    "pump_amplitude",
)

# The limit settles as the update gets short against what is tracked; 10 ms is
# a tenth of the time between records and below every loop time constant here.
LIMIT_UPDATE_S = 0.01

# A lock is judged from here on where the pump never came on: the estimate
# has settled and its strengths are learnt (arbitrary between 10 and 60).
SETTLED_AFTER_S = 30.0

TWO_SIDED_95 = 1.959963984540054  # of the normal distribution

_KINDS = ("lower", "upper", "difference")
_LIMITS = (
    "lower_limit_hz",
    "upper_limit_hz",
    "difference_limit_hz",
    "difference_independent_limit_hz",
)


class TruthComparison:
    """The truth of one simulated run.

    Parameters
    ----------
    folder : Path or str
        Folder with `truth.csv` and `truth.json`.

    Raises
    ------
    InputError
        If a file is missing or damaged; also later, where a damaged row is met.
    """

    def __init__(self, folder: Path | str) -> None:
        self._csv_path = Path(folder) / TRUTH_CSV
        self.device = _device(Path(folder) / TRUTH_JSON)

    @classmethod
    def found_in(cls, folder: Path | str) -> TruthComparison | None:
        """The truth in a folder, or None where no instrument left one."""
        if not (Path(folder) / TRUTH_CSV).exists() or not (Path(folder) / TRUTH_JSON).exists():
            return None
        return cls(folder)

    def track(self) -> TruthTrack:
        """The truth at times that are asked for in ascending order."""
        return TruthTrack(self.rows())

    def rows(self) -> Iterator[dict[str, np.ndarray]]:
        """Rows of `truth.csv` as columns, in pieces of bounded length."""
        try:
            with self._csv_path.open(encoding="utf-8") as file:
                header = tuple(file.readline().strip().split(","))
                if header != TRUTH_COLUMNS:
                    raise InputError(
                        f"{self._csv_path}: the header must be {','.join(TRUTH_COLUMNS)}"
                    )
                while len(values := _next_rows(file)):
                    yield dict(zip(TRUTH_COLUMNS, values.T, strict=True))
        except (OSError, ValueError) as error:
            raise InputError(f"{self._csv_path}: cannot be read ({error})") from error

    def compare(self, reader: LogReader) -> dict[str, Any]:
        """How far log and pump are from the truth, and from the limit.

        Parameters
        ----------
        reader : LogReader
            The log of the same run.

        Returns
        -------
        dict
            The section `truth` of `summary.json`; None is unknown. Errors
            are counted over the records with the pump on; if there are
            none, over the locked ones from 30 s after the first lock.

        Raises
        ------
        InputError
            If the log or the truth is damaged.
        """
        with_pump, settled = _Errors(), _Errors()
        locked_from_s = math.inf
        for errors in self.errors(reader):
            time_s, is_locked = errors["time_s"], errors["is_locked"]
            if is_locked.any():
                locked_from_s = min(locked_from_s, float(time_s[is_locked][0]))
            with_pump.add(errors, errors["is_pump_on"])
            settled.add(errors, is_locked & (time_s >= locked_from_s + SETTLED_AFTER_S))
        chosen = with_pump if with_pump.count else settled
        section: dict[str, Any] = {
            "compared": "pump on" if chosen is with_pump else "both modes locked",
            "compared_records": chosen.count,
            **chosen.figures(),
            **self._limits(chosen),
            "pump_rms_error_hz": self._pump_rms_error_hz(reader),
        }
        error_hz, limit_hz = section["difference_rms_error_hz"], section["difference_limit_hz"]
        is_comparable = error_hz is not None and limit_hz
        section["difference_error_over_limit"] = error_hz / limit_hz if is_comparable else None
        return section

    def errors(
        self, reader: LogReader, *, rows: int = CHUNK_ROWS
    ) -> Iterator[dict[str, np.ndarray]]:
        """Estimate minus truth at the times of the records, in pieces.

        Parameters
        ----------
        reader : LogReader
            The log of the same run.
        rows : int
            Largest number of records in a piece.

        Yields
        ------
        dict of str to ndarray, shape (n,)
            `time_s`, `is_locked` (both modes), `is_pump_on`; for lower,
            upper and difference `NAME_error_hz` and `NAME_sigma_hz`; and
            the true `lower_amplitude_m`, `upper_amplitude_m`. NaN is unknown.
        """
        track = self.track()
        names = ["time_s", "difference_hz", "difference_sigma_hz", "pump_state"]
        quantities = ("state", "frequency_hz", "frequency_sigma_hz")
        names += [f"{mode}_{quantity}" for mode in ModeId for quantity in quantities]
        for chunk in reader.chunks(names, rows=rows):
            truth = track.at(chunk["time_s"])
            lower_locked, upper_locked = (
                chunk[f"{mode}_state"] == TrackerState.LOCKED.value for mode in ModeId
            )
            yield {
                "time_s": chunk["time_s"],
                "is_locked": lower_locked & upper_locked,
                "is_pump_on": chunk["pump_state"] == PumpState.ON.value,
                "difference_error_hz": chunk["difference_hz"] - truth["difference_hz"],
                "difference_sigma_hz": chunk["difference_sigma_hz"],
                **{
                    f"{mode}_error_hz": chunk[f"{mode}_frequency_hz"] - truth[f"{mode}_hz"]
                    for mode in ModeId
                },
                **{f"{mode}_sigma_hz": chunk[f"{mode}_frequency_sigma_hz"] for mode in ModeId},
                **{f"{mode}_amplitude_m": truth[f"{mode}_amplitude_m"] for mode in ModeId},
            }

    def pump_errors(self, reader: LogReader) -> Iterator[tuple[np.ndarray, np.ndarray]]:
        """Applied pump frequency minus offset minus true difference.

        Yields
        ------
        (ndarray of float64, ndarray of float64), shape (n,)
            Times of the truth [s] and errors [Hz], NaN while the pump is off;
            the frequency is that of the tone commands as set.
        """
        channel = reader.channels.get("pump")
        if channel is None:
            return
        offset_hz = pump_offset_hz(reader.settings)
        segments = tone_segments(
            reader.tones("pump"),
            channel,
            sample_rate_hz=reader.stream.sample_rate_hz,
            end_s=reader.end_s,
        )
        applied = _AppliedFrequency(segments)
        for truth in self.rows():
            applied_hz = applied.at(truth["time_s"])
            yield truth["time_s"], applied_hz - offset_hz - truth["difference_hz"]

    def _pump_rms_error_hz(self, reader: LogReader) -> float | None:
        errors = MeanSquare()
        for _, error_hz in self.pump_errors(reader):
            errors.add(error_hz)
        return errors.root

    def model(self, amplitudes_m: Mapping[ModeId, float]) -> DifferenceModel | None:
        """Noise and drift model of the device; None without detector noise or amplitude."""
        if not self.device.get("detector_noise_m_per_root_hz", True):
            return None
        if not all(amplitude_m > 0.0 for amplitude_m in amplitudes_m.values()):
            return None
        return difference_model(self.device, amplitudes_m, LIMIT_UPDATE_S)

    def _limits(self, errors: _Errors) -> dict[str, float | None]:
        """What the best possible estimators reach on this device."""
        model = self.model(errors.amplitudes_m()) if errors.count else None
        if model is None:
            return dict.fromkeys(_LIMITS)
        joint = joint_limits(model)
        limits_hz = (
            joint.lower_hz,
            joint.upper_hz,
            joint.difference_hz,
            independent_difference_limit_hz(model),
        )
        return dict(zip(_LIMITS, limits_hz, strict=True))


class TruthTrack:
    """The truth between its rows, for times asked in ascending order.

    Parameters
    ----------
    rows : iterator of dict of str to ndarray
        Pieces of `truth.csv` in order.
    """

    def __init__(self, rows: Iterator[dict[str, np.ndarray]]) -> None:
        self._rows = rows
        self._held = {name: np.empty(0) for name in TRUTH_COLUMNS}

    def at(self, times_s: np.ndarray) -> dict[str, np.ndarray]:
        """Linear interpolation; NaN outside the truth.

        Parameters
        ----------
        times_s : ndarray of float64, shape (n,)
            Ascending, and not before those of the last call [s].
        """
        if not len(times_s):
            return {name: np.empty(0) for name in TRUTH_COLUMNS}
        while not len(self._held["time_s"]) or self._held["time_s"][-1] < times_s[-1]:
            more = next(self._rows, None)
            if more is None:
                break
            self._held = {
                name: np.concatenate((self._held[name], more[name])) for name in TRUTH_COLUMNS
            }
        held_s = self._held["time_s"]
        # Keep the row before the first time, for the next call as for this one.
        keep_from = max(0, int(np.searchsorted(held_s, times_s[0], side="right")) - 1)
        self._held = {name: column[keep_from:] for name, column in self._held.items()}
        held_s = self._held["time_s"]
        if not len(held_s):
            return {name: np.full(len(times_s), np.nan) for name in TRUTH_COLUMNS}
        return {
            name: np.interp(times_s, held_s, column, left=np.nan, right=np.nan)
            for name, column in self._held.items()
        }


def predicted_allan_hz(model: DifferenceModel, taus_s: np.ndarray) -> np.ndarray:
    """Allan deviation that the difference has by the model of its drift.

    Parameters
    ----------
    model : DifferenceModel
        Walks and shared drifts of both modes.
    taus_s : ndarray of float64, shape (n,)
        Averaging times [s], > 0.

    Returns
    -------
    ndarray of float64, shape (n,)
        Deviations [Hz].

    Notes
    -----
    The frequency that an optimal filter reports has the Allan deviation of
    the frequency itself where that is a random walk: in steady state the
    covariance of its corrections equals that of the walk's steps.
    A walk of q Hz^2/s gives q tau/3 (IEEE Std 1139, random-walk frequency).
    A shared drift of standard deviation s and correlation time T acts with
    the difference of its coefficients; with u = tau/T its means over tau
    have the variance 2 s^2 (u - 1 + e^-u)/u^2 and neighbouring means the
    covariance s^2 (1 - e^-u)^2/u^2; the Allan variance is the first minus
    the second (derived from exp(-|t|/T)).
    """
    walk = sum(model.of(mode).frequency_walk_hz_per_root_s ** 2 for mode in ModeId)
    variances = walk * taus_s / 3.0
    for drift in model.shared_drifts:
        sigma_hz = (drift.upper_hz_per_k - drift.lower_hz_per_k) * drift.sigma_k
        ratios = taus_s / drift.time_s
        gone = -np.expm1(-ratios)
        variances = variances + sigma_hz**2 * (2.0 * (ratios - gone) - gone**2) / ratios**2
    return np.sqrt(np.maximum(variances, 0.0))


class _Errors:
    """Running figures of the errors that are compared."""

    def __init__(self) -> None:
        self.count = 0
        self._squares = {kind: MeanSquare() for kind in _KINDS}
        self._normalised = {kind: MeanSquare() for kind in _KINDS}
        self._inside = {kind: [0, 0, 0] for kind in _KINDS}  # valid, 68 %, 95 %
        self._amplitudes = {mode: MeanSquare() for mode in ModeId}

    def add(self, errors: Mapping[str, np.ndarray], is_chosen: np.ndarray) -> None:
        """Take in the chosen rows."""
        self.count += int(np.count_nonzero(is_chosen))
        for mode in ModeId:
            self._amplitudes[mode].add(errors[f"{mode}_amplitude_m"][is_chosen])
        for kind in _KINDS:
            error_hz = errors[f"{kind}_error_hz"][is_chosen]
            sigma_hz = errors[f"{kind}_sigma_hz"][is_chosen]
            self._squares[kind].add(error_hz)
            has_sigma = sigma_hz > 0.0
            normalised = error_hz[has_sigma] / sigma_hz[has_sigma]
            normalised = normalised[np.isfinite(normalised)]
            self._normalised[kind].add(normalised)
            for place, limit in enumerate((math.inf, 1.0, TWO_SIDED_95)):
                self._inside[kind][place] += int(np.count_nonzero(np.abs(normalised) <= limit))

    def amplitudes_m(self) -> dict[ModeId, float]:
        """Root mean square of the true amplitudes [m]; 0.0 is unknown."""
        return {mode: self._amplitudes[mode].root or 0.0 for mode in ModeId}

    def figures(self) -> dict[str, float | None]:
        """Rms errors, mean squared errors over their variance, coverage."""
        figures: dict[str, float | None] = {}
        for kind in _KINDS:
            valid, inside_68, inside_95 = self._inside[kind]
            figures[f"{kind}_rms_error_hz"] = self._squares[kind].root
            figures[f"{kind}_normalised_error"] = self._normalised[kind].mean
            figures[f"{kind}_coverage_68"] = inside_68 / valid if valid else None
            figures[f"{kind}_coverage_95"] = inside_95 / valid if valid else None
        return figures


class _AppliedFrequency:
    """Frequency of a tone where it is on, for times asked in ascending order."""

    def __init__(self, segments: Iterator[ToneSegment]) -> None:
        self._segments = segments
        self._held: list[ToneSegment] = []

    def at(self, times_s: np.ndarray) -> np.ndarray:
        """Frequencies [Hz] at ascending times [s]; NaN while the tone is off."""
        frequencies_hz = np.full(len(times_s), np.nan)
        if not len(times_s):
            return frequencies_hz
        while not self._held or self._held[-1].end_s < times_s[-1]:
            more = next(self._segments, None)
            if more is None:
                break
            self._held.append(more)
        if not self._held:
            return frequencies_hz
        held = np.array(
            [
                (piece.start_s, piece.on_until_s, piece.frequency_hz, piece.chirp_hz_per_s)
                for piece in self._held
            ]
        )
        places = np.searchsorted(held[:, 0], times_s, side="right") - 1
        start_s, on_until_s, frequency_hz, chirp_hz_per_s = held[np.maximum(places, 0)].T
        is_on = (places >= 0) & (times_s < on_until_s)
        applied_hz = frequency_hz + chirp_hz_per_s * (times_s - start_s)
        self._held = self._held[max(0, int(places[-1])) :]
        return np.where(is_on, applied_hz, frequencies_hz)


def _next_rows(file: TextIO) -> np.ndarray:
    """The next rows of an open table, shape (n, columns); n = 0 at its end."""
    lines = list(islice(file, CHUNK_ROWS))
    if lines and not lines[-1].endswith("\n"):
        lines.pop()  # a killed run may leave half a row
    rows = [[float(field or "nan") for field in line.strip().split(",")] for line in lines]
    return np.array(rows, dtype=float).reshape(-1, len(TRUTH_COLUMNS))


def _device(path: Path) -> dict[str, Any]:
    try:
        device = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise InputError(f"{path}: cannot be read ({error})") from error
    if not isinstance(device, dict):
        raise InputError(f"{path}: must hold one JSON object")
    return device
