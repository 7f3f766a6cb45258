"""The summary of a run, from its log: `summary.json`.

The account of the pump is drawn up from the tone commands and the interlock
events alone, so that it can convict the supervisor that gave them. Logs are
read in pieces: memory does not grow with the length of a run.
"""

from __future__ import annotations

import json
import math
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from controller.errors import InputError
from controller.instrument import ToneChannel, amplitude_unit
from controller.records import Event, ModeId, PumpState, TrackerState
from controller.runtime.log.reader import LogReader
from controller.runtime.tone_timeline import tone_segments

if TYPE_CHECKING:
    from controller.runtime.truth import TruthComparison

SCHEMA = "difftone.summary/1"

# How long after the evidence the pump may still be on; the channel's latency
# comes on top (requirement of the interlock).
INTERLOCK_GRACE_S = 0.05

# Events of the pump that say what speaks against it.
OBJECTIONS = frozenset({"interlock_open", "again", "mute", "waiting"})

_KNOWN_STATES = (TrackerState.LOCKED.value, TrackerState.HOLDING.value)


def summarise(reader: LogReader, truth: TruthComparison | None) -> dict[str, Any]:
    """What a run found, kept and did, as plain numbers.

    Parameters
    ----------
    reader : LogReader
        The log of the run, finished or killed.
    truth : TruthComparison or None
        The truth that a simulated instrument left, if any.

    Returns
    -------
    dict
        The content of `summary.json`; None is unknown.

    Raises
    ------
    InputError
        If the log or the truth is damaged.
    """
    end_s = reader.end_s
    results = reader.results()
    modes, difference, detuning_hz = _estimates(reader)
    _prefer_fit(results.get("lines", {}), modes, difference)
    summary: dict[str, Any] = {
        "schema": SCHEMA,
        "outcome": reader.outcome or "unfinished",
        "reason": reader.reason,
        "duration_s": end_s,
        "amplitude_unit": amplitude_unit(reader.stream),
        "modes": modes,
        "difference": difference,
        "pump": {**pump_account(reader, end_s), "rms_detuning_hz": detuning_hz},
        "results": results,
    }
    if truth is not None:
        summary["truth"] = truth.compare(reader)
    return summary


def write_summary(summary: Mapping[str, Any], path: Path | str) -> None:
    """Write a summary as strict JSON: no NaN, no infinity, unknown is null.

    Parameters
    ----------
    summary : mapping
        What `summarise` returned.
    path : Path or str
        The file; it appears under its name only when it is complete.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    path = Path(path)
    partial = path.with_name(path.name + ".partial")
    try:
        text = json.dumps(strict(summary), indent=2, ensure_ascii=False, allow_nan=False)
        partial.write_text(text + "\n", encoding="utf-8")
        partial.replace(path)
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error.strerror})") from error


def strict(value: Any) -> Any:
    """The value in what strict JSON knows: plain types, None for not finite."""
    if isinstance(value, Mapping):
        return {str(key): strict(item) for key, item in value.items()}
    if isinstance(value, np.generic | np.ndarray):
        return strict(value.tolist())
    if isinstance(value, list | tuple):
        return [strict(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def _estimates(
    reader: LogReader,
) -> tuple[list[dict[str, Any]], dict[str, Any], float | None]:
    """The last known modes and difference, and the rms detuning of the pump."""
    modes: dict[ModeId, dict[str, Any]] = {
        mode: {
            "name": mode.value,
            "frequency_hz": None,
            "frequency_sigma_hz": None,
            "amplitude": None,
            "locked_fraction": None,
        }
        for mode in ModeId
    }
    difference: dict[str, Any] = {"frequency_hz": None, "sigma_hz": None}
    locked_counts = dict.fromkeys(ModeId, 0)
    record_count = 0
    detuning = MeanSquare()
    offset_hz = pump_offset_hz(reader.settings)
    names = ["difference_hz", "difference_sigma_hz", "pump_hz", "pump_state"]
    quantities = ("frequency_hz", "frequency_sigma_hz", "amplitude", "state")
    names += [f"{mode}_{quantity}" for mode in ModeId for quantity in quantities]
    for chunk in reader.chunks(names):
        is_known = {mode: np.isin(chunk[f"{mode}_state"], _KNOWN_STATES) for mode in ModeId}
        for mode, entry in modes.items():
            _keep_last(
                entry,
                is_known[mode] & np.isfinite(chunk[f"{mode}_frequency_hz"]),
                {name: chunk[f"{mode}_{name}"] for name in quantities[:3]},
            )
            # The first record stands before anything could have been measured.
            counted = chunk[f"{mode}_state"][1 if record_count == 0 else 0 :]
            locked_counts[mode] += int(np.count_nonzero(counted == TrackerState.LOCKED.value))
        _keep_last(
            difference,
            is_known[ModeId.LOWER] & is_known[ModeId.UPPER] & np.isfinite(chunk["difference_hz"]),
            {"frequency_hz": chunk["difference_hz"], "sigma_hz": chunk["difference_sigma_hz"]},
        )
        pump_error_hz = chunk["pump_hz"] - (chunk["difference_hz"] + offset_hz)
        detuning.add(pump_error_hz[chunk["pump_state"] == PumpState.ON.value])
        record_count += len(pump_error_hz)
    if record_count > 1:
        for mode, entry in modes.items():
            entry["locked_fraction"] = locked_counts[mode] / (record_count - 1)
    return list(modes.values()), difference, detuning.root


def _keep_last(
    entry: dict[str, Any], is_valid: np.ndarray, columns: Mapping[str, np.ndarray]
) -> None:
    """Overwrite the entry with the last valid row of the columns."""
    valid_rows = np.flatnonzero(is_valid)
    if len(valid_rows):
        entry.update({name: strict(column[valid_rows[-1]]) for name, column in columns.items()})


def _prefer_fit(
    lines: Mapping[str, Any], modes: list[dict[str, Any]], difference: dict[str, Any]
) -> None:
    """Take what a fit of the whole recording found, where there was one."""
    for entry in modes:
        fit = lines.get(entry["name"]) or {}
        if "frequency_hz" in fit:
            entry["frequency_hz"] = fit["frequency_hz"]
            entry["frequency_sigma_hz"] = fit["frequency_hz_sigma"]
            entry["amplitude"] = fit.get("amplitude", entry["amplitude"])
    fit = lines.get("difference") or {}
    if "frequency_hz" in fit:
        difference["frequency_hz"] = fit["frequency_hz"]
        difference["sigma_hz"] = fit["frequency_hz_sigma"]


def pump_offset_hz(settings: Mapping[str, Any]) -> float:
    """The deliberate detuning of the pump that a run was told to keep [Hz]."""
    return float((settings.get("pump") or {}).get("offset_hz") or 0.0)


def pump_account(reader: LogReader, end_s: float) -> dict[str, Any]:
    """How long the pump was on, and how long where it must not be.

    Parameters
    ----------
    reader : LogReader
        The log.
    end_s : float
        Where the stream ends [s].

    Returns
    -------
    dict
        `on_s` and `on_outside_interlock_s` [s], the number of `mutes`, and
        `off_reason`: why the pump was off at the end although it was wanted;
        empty where it was on, or meant to be off.
    """
    channel = reader.channels.get("pump")
    interlock, mutes = [], 0
    objection, states = "", ""
    for event in reader.events():
        if event.source == "pump":
            mutes += event.kind == "mute"
            if event.kind in OBJECTIONS:
                objection = event.text
            elif event.kind == "state":
                states = event.text
            if event.kind in ("interlock_open", "interlock_closed"):
                interlock.append(event)
    why_off = {"mutes": mutes, "off_reason": objection if _waits_at_the_end(states) else ""}
    if channel is None:
        return {"on_s": 0.0, "on_outside_interlock_s": 0.0, **why_off}
    rate_hz = reader.stream.sample_rate_hz
    grace_s = INTERLOCK_GRACE_S + channel.latency_samples / rate_hz
    forbidden = forbidden_spans(interlock, grace_s=grace_s, end_s=end_s)
    openings_s = [event.time_s for event in interlock if event.kind == "interlock_open"]
    on_s = outside_s = 0.0
    for start_s, until_s in _joined(_on_spans(reader, channel, end_s)):
        on_s += until_s - start_s
        # What evidence has once spoken against is wrong to its end, whatever becomes of the
        # evidence: the pump has to go off and come back through the healthy time.
        first = bisect_left(openings_s, start_s)
        deadline_s = openings_s[first] + grace_s if first < len(openings_s) else math.inf
        deadline_s = min(deadline_s, until_s)
        outside_s += until_s - deadline_s
        # Spans of both kinds are in order: what ended before is done with.
        while forbidden and forbidden[0][1] <= start_s:
            forbidden.pop(0)
        for from_s, to_s in forbidden:
            if from_s >= deadline_s:
                break
            outside_s += min(deadline_s, to_s) - max(start_s, from_s)
    return {"on_s": on_s, "on_outside_interlock_s": outside_s, **why_off}


def _waits_at_the_end(last_change: str) -> bool:
    """Whether the pump was wanted but off, by its last change of state: "BEFORE -> AFTER: why"."""
    before, _, rest = last_change.partition(" -> ")
    after = rest.partition(":")[0]
    return (before if after == PumpState.OFF else after) in (PumpState.ARMED, PumpState.MUTED)


def _joined(spans: Iterable[tuple[float, float]]) -> Iterator[tuple[float, float]]:
    """Spans in order, those made one that follow without a break."""
    start_s: float | None = None
    end_s = 0.0
    for from_s, until_s in spans:
        if start_s is not None and from_s > end_s:
            yield start_s, end_s
            start_s = None
        start_s = from_s if start_s is None else start_s
        end_s = until_s
    if start_s is not None:
        yield start_s, end_s


def _on_spans(
    reader: LogReader, channel: ToneChannel, end_s: float
) -> Iterable[tuple[float, float]]:
    segments = tone_segments(
        reader.tones(channel.name),
        channel,
        sample_rate_hz=reader.stream.sample_rate_hz,
        end_s=end_s,
    )
    return (
        (segment.start_s, segment.on_until_s)
        for segment in segments
        if segment.on_until_s > segment.start_s
    )


def forbidden_spans(
    interlock: Iterable[Event], *, grace_s: float, end_s: float
) -> list[tuple[float, float]]:
    """When the pump had to be off.

    Parameters
    ----------
    interlock : iterable of Event
        Events "interlock_open" (the evidence forbids the pump) and
        "interlock_closed" (it permits it), in order. Before the first one
        the interlock is open.
    grace_s : float
        How long after opening the pump may still be on [s].
    end_s : float
        Where the stream ends [s].

    Returns
    -------
    list of (float, float)
        Starts and ends [s], in order and apart from each other.
    """
    spans: list[tuple[float, float]] = []
    forbidden_from_s: float | None = 0.0
    for event in interlock:
        if event.kind == "interlock_closed":
            if forbidden_from_s is not None and forbidden_from_s < event.time_s:
                spans.append((forbidden_from_s, event.time_s))
            forbidden_from_s = None
        elif forbidden_from_s is None:
            forbidden_from_s = event.time_s + grace_s
    if forbidden_from_s is not None and forbidden_from_s < end_s:
        spans.append((forbidden_from_s, end_s))
    return spans


class MeanSquare:
    """Running mean of squares that leaves out what is not finite."""

    def __init__(self) -> None:
        self._sum = 0.0
        self._count = 0

    def add(self, values: np.ndarray) -> None:
        """Take in more values, shape (n,)."""
        finite = values[np.isfinite(values)]
        self._sum += float(np.dot(finite, finite))
        self._count += len(finite)

    @property
    def mean(self) -> float | None:
        """Mean of the squares; None without a value."""
        return self._sum / self._count if self._count else None

    @property
    def root(self) -> float | None:
        """Root mean square; None without a value."""
        return math.sqrt(self._sum / self._count) if self._count else None
