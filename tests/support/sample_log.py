"""A plausible run of our own making, written as a log, with its truth.

Two modes drift with a room, lock, and the pump comes on; at two thirds of
the run the interlock opens for a while. Everything is drawn from one seed.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from controller.instrument import StreamFormat, Tone, ToneChannel
from controller.records import Event, ModeId, ModeRecord, PumpState, Record, TrackerState
from controller.runtime.log.writer import LogWriter
from controller.runtime.truth import TRUTH_COLUMNS

PUMP = ToneChannel(
    name="pump",
    amplitude_unit="V",
    max_amplitude=1.0,
    min_frequency_hz=1.0,
    max_frequency_hz=1.0e5,
    latency_samples=100,
    shares_clock=True,
    keeps_phase=True,
)
STREAM = StreamFormat(
    sample_rate_hz=50_000.0,
    center_hz=872_500.0,
    dtype="complex64",
    metres_per_unit=1.0e-9,
    full_scale=1.0,
)


@dataclass(frozen=True, kw_only=True)
class SampleRun:
    """What the made-up run is like."""

    duration_s: float = 120.0
    record_rate_hz: float = 10.0
    lower_hz: float = 870_213.4
    spacing_hz: float = 4_871.3
    line_width_hz: float = 0.012
    sigma_hz: float = 4.0e-4
    lock_after_s: float = 8.0
    pump_from_s: float = 20.0
    has_pump: bool = True
    seed: int = 11


def write_log(path: Path, run: SampleRun = SampleRun(), *, is_closed: bool = True) -> LogWriter:
    """Write the run; an unclosed writer is handed back for the caller to drop or close."""
    rng = np.random.default_rng(run.seed)
    stream = STREAM
    settings = {
        "title": "Sample run",
        "modes": {
            mode: {"frequency_hz": run.lower_hz, "quality_factor": run.lower_hz / run.line_width_hz}
            for mode in ModeId
        },
        "pump": {"offset_hz": 0.0},
    }
    writer = LogWriter(
        path,
        settings=json.dumps(settings),
        stream=stream,
        tones={"pump": PUMP} if run.has_pump else {},
    )
    times_s, lower_hz, upper_hz = true_frequencies(run)
    muted_s = (run.duration_s * 0.66, run.duration_s * 0.72)
    was_on = False
    for time_s, low_hz, up_hz in zip(times_s, lower_hz, upper_hz, strict=True):
        index = round(time_s * stream.sample_rate_hz)
        is_locked = time_s >= run.lock_after_s
        is_muted = muted_s[0] <= time_s < muted_s[1]
        is_on = run.has_pump and is_locked and time_s >= run.pump_from_s and not is_muted
        difference_hz = up_hz - low_hz + run.sigma_hz * rng.standard_normal()
        pump_hz = difference_hz + 0.2 * run.sigma_hz * rng.standard_normal()
        if is_on != was_on:
            _switch(writer, index, time_s, pump_hz, is_on=is_on)
        elif is_on:
            tone = Tone("pump", index, pump_hz, 0.5)
            writer.tone(tone, tone, at_index=index)
        was_on = is_on
        writer.record(
            Record(
                sample_index=index,
                time_s=index / stream.sample_rate_hz,
                modes={
                    ModeId.LOWER: _mode(low_hz, is_locked, run, rng),
                    ModeId.UPPER: _mode(up_hz, is_locked, run, rng),
                },
                difference_hz=difference_hz if is_locked else None,
                difference_sigma_hz=run.sigma_hz if is_locked else None,
                difference_innovation_ratio=_ratio(rng) if is_locked else None,
                pump_hz=pump_hz if is_on else None,
                pump_amplitude=0.5 if is_on else 0.0,
                pump_state=_pump_state(is_on, is_muted and run.has_pump, is_locked),
            )
        )
        writer.commit_if_due(index)
    taus_s = 0.1 * 2.0 ** np.arange(0, max(1, int(np.log2(run.duration_s))))
    for series, scale in (("difference", 1.0), ("lower", 8.0), ("upper", 8.2)):
        deviations_hz = scale * 3e-4 * np.sqrt(taus_s)
        writer.allan(index, series, taus_s, deviations_hz, 0.1 * deviations_hz * taus_s**0.3)
    if is_closed:
        writer.close("done")
    return writer


def true_frequencies(run: SampleRun) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times, lower and upper frequency at the records."""
    rng = np.random.default_rng(run.seed + 1)
    times_s = np.arange(int(run.duration_s * run.record_rate_hz)) / run.record_rate_hz
    room_hz = 0.05 * np.sin(2 * np.pi * times_s / max(60.0, run.duration_s / 2)) + np.cumsum(
        1e-3 * rng.standard_normal(len(times_s))
    )
    own_hz = np.cumsum(5e-5 * rng.standard_normal(len(times_s)))
    lower_hz = run.lower_hz + room_hz
    upper_hz = lower_hz + run.spacing_hz + 0.006 * room_hz + own_hz
    return times_s, lower_hz, upper_hz


def write_truth(folder: Path, run: SampleRun = SampleRun()) -> None:
    """Write the truth of the run as an instrument would leave it."""
    times_s, lower_hz, upper_hz = true_frequencies(run)
    ones = np.ones(len(times_s))
    rows = np.column_stack(
        (times_s, lower_hz, upper_hz, upper_hz - lower_hz, 1e-9 * ones, 1e-9 * ones, 0 * ones, ones)
    )
    with (folder / "truth.csv").open("w", encoding="utf-8") as file:
        file.write(",".join(TRUTH_COLUMNS) + "\n")
        file.writelines(",".join(map(repr, row)) + "\n" for row in rows.tolist())
    device = {
        "temperature_k": 295.0,
        "detector_noise_m_per_root_hz": 1e-14,
        "modes": {
            mode: {
                "frequency_hz": run.lower_hz,
                "quality_factor": run.lower_hz / run.line_width_hz,
                "mass_kg": 1e-11,
                "walk_hz_per_root_s": 1.1e-4,
            }
            for mode in ModeId
        },
        "shared_drifts": [
            {
                "name": "room",
                "sigma_k": 1e-3,
                "time_s": 60.0,
                "lower_hz_per_k": 60.0,
                "upper_hz_per_k": 60.4,
            }
        ],
        "seed": run.seed,
    }
    (folder / "truth.json").write_text(json.dumps(device), encoding="utf-8")


def _mode(
    frequency_hz: float, is_locked: bool, run: SampleRun, rng: np.random.Generator
) -> ModeRecord:
    if not is_locked:
        return ModeRecord(state=TrackerState.SEARCHING)
    return ModeRecord(
        state=TrackerState.LOCKED,
        frequency_hz=frequency_hz + 3 * run.sigma_hz * rng.standard_normal(),
        frequency_sigma_hz=3 * run.sigma_hz,
        amplitude=1e-9 * (1.0 + 1e-3 * rng.standard_normal()),
        phase_error_rad=2e-3 * rng.standard_normal(),
        phase_sigma_rad=2e-3,
        snr_db=42.0,
        innovation_ratio=_ratio(rng),
        loop_bandwidth_hz=1.5,
        drive_amplitude=0.01,
    )


def _ratio(rng: np.random.Generator) -> float:
    return float(rng.chisquare(20) / 20)


def _pump_state(is_on: bool, is_muted: bool, is_locked: bool) -> PumpState:
    if is_on:
        return PumpState.ON
    if is_muted:
        return PumpState.MUTED
    return PumpState.ARMED if is_locked else PumpState.OFF


def _switch(
    writer: LogWriter, index: int, time_s: float, frequency_hz: float, *, is_on: bool
) -> None:
    """The interlock closes or opens, and the pump follows within the same block."""
    kind = "interlock_closed" if is_on else "interlock_open"
    text = "all is well" if is_on else "predicted uncertainty above its limit"
    writer.event(Event(sample_index=index, time_s=time_s, source="pump", kind=kind, text=text))
    if not is_on:
        writer.event(
            Event(sample_index=index, time_s=time_s, source="pump", kind="mute", text=text)
        )
    tone = Tone("pump", index, frequency_hz, 0.5 if is_on else 0.0, ramp_s=0.005)
    writer.tone(tone, tone, text, at_index=index)
