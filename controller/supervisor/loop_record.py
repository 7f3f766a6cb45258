"""One row of the log: what the loop knows, in absolute frequencies and metres."""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping

from controller.records import (
    Baseband,
    EstimateSource,
    ModeId,
    ModeRecord,
    PumpState,
    Record,
    TrackerState,
)
from controller.supervisor.drives import Drives
from controller.supervisor.live_difference import LiveEstimate
from controller.supervisor.pump import PumpSupervisor
from controller.supervisor.tone_state import ToneState
from controller.tracking.pair import Tick, TrackedPair, UpdateMeans

TWO_PI = 2.0 * math.pi


def searching_record(
    sample_index: int,
    sample_rate_hz: float,
    pump: PumpSupervisor,
    states: Mapping[ModeId, TrackerState],
) -> Record:
    """A row while nothing is followed."""
    return Record(
        sample_index=sample_index,
        time_s=sample_index / sample_rate_hz,
        modes={mode: ModeRecord(state=states[mode]) for mode in ModeId},
        pump_state=pump.state_at(sample_index),
    )


def tracking_record(
    tick: Tick,
    pair: TrackedPair,
    drives: Drives,
    pump: PumpSupervisor,
    *,
    metres_per_unit: float,
    live: LiveEstimate | None,
) -> Record:
    """The row of a tick, for the sample at its centre.

    Parameters
    ----------
    tick : Tick
        The estimates.
    pair : TrackedPair
        The pair that made it.
    drives : Drives
        The drives.
    pump : PumpSupervisor
        The pump; the row holds what was commanded.
    metres_per_unit : float
        Displacement per sample unit [m].
    live : LiveEstimate or None
        The difference that counts; None before both modes were locked.

    Returns
    -------
    Record
        None where something is not known.
    """
    assert tick.joint is not None
    index = round(tick.center_index)
    state = pump.state_at(index)
    is_on = state is PumpState.ON and pump.tone.amplitude_at(index) > 0.0
    joint = tick.joint
    return Record(
        sample_index=index,
        time_s=index / pair.config.sample_rate_hz,
        modes={mode: _mode_record(mode, tick, pair, drives, metres_per_unit) for mode in ModeId},
        difference_hz=None if live is None else live.difference_hz,
        difference_sigma_hz=None if live is None else live.difference_sigma_hz,
        difference_innovation_ratio=_innovation_ratio(tick, live),
        difference_source=EstimateSource.TRACKERS if live is None else live.source,
        drift_ratio=joint.drift_ratio,
        drift_ratio_sigma=joint.drift_ratio_sigma,
        pump_hz=pump.tone.frequency_at(index) if is_on else None,
        pump_amplitude=pump.tone.amplitude_at(index) if is_on else 0.0,
        pump_state=state,
    )


def baseband(
    kept: UpdateMeans,
    drives: Drives,
    pump: ToneState,
    *,
    sample_rate_hz: float,
    references_hz: Mapping[ModeId, float],
    metres_per_unit: float,
) -> Baseband:
    """An update of both modes and all tones, against fixed references.

    Parameters
    ----------
    kept : UpdateMeans
        Against the mix oscillators.
    drives : Drives
        The drives.
    pump : ToneState
        The pump's tone.
    sample_rate_hz : float
        Rate of the stream [Hz].
    references_hz : mapping of ModeId to float
        The fixed references [Hz].
    metres_per_unit : float
        Displacement per sample unit [m].

    Returns
    -------
    Baseband
        In metres and channels' units.
    """
    index = kept.center_index
    time_s = index / sample_rate_hz
    reference_turns = {mode: references_hz[mode] * time_s for mode in ModeId}
    lower, upper = (
        metres_per_unit * mean * cmath.exp(TWO_PI * 1j * ((turns - reference_turns[mode]) % 1.0))
        for mode, mean, turns in zip(ModeId, kept.means, kept.oscillator_turns, strict=True)
    )
    pump_turns = pump.turns_at(index) - (
        reference_turns[ModeId.UPPER] - reference_turns[ModeId.LOWER]
    )
    tones = {
        mode: 0j
        if mode not in drives.tones
        else cmath.rect(
            drives.tones[mode].amplitude_at(index),
            TWO_PI * ((drives.tones[mode].turns_at(index) - reference_turns[mode]) % 1.0),
        )
        for mode in ModeId
    }
    return Baseband(
        sample_index=round(index),
        time_s=time_s,
        lower=lower,
        upper=upper,
        duration_s=kept.duration_s,
        pump_amplitude=pump.amplitude_at(index),
        pump_phase_rad=TWO_PI * (pump_turns % 1.0),
        drive_lower=tones[ModeId.LOWER],
        drive_upper=tones[ModeId.UPPER],
    )


def _innovation_ratio(tick: Tick, live: LiveEstimate | None) -> float:
    """Of the estimate that counts."""
    if live is not None and live.source is EstimateSource.OBSERVER and tick.observed is not None:
        return tick.observed.innovation_ratio
    return tick.joint.innovation_ratio


def _mode_record(
    mode: ModeId, tick: Tick, pair: TrackedPair, drives: Drives, metres_per_unit: float
) -> ModeRecord:
    snapshot = tick.modes[mode]
    decay_s = decay_sigma_s = None
    if mode not in drives.channels and snapshot.growth_per_s < 0.0:
        decay_s = -1.0 / snapshot.growth_per_s
        decay_sigma_s = snapshot.growth_sigma_per_s * decay_s**2
    tone = drives.tones.get(mode)
    pull_sigma_hz = pair.joint.pull_sigma_hz(mode)
    return ModeRecord(
        state=snapshot.state,
        frequency_hz=snapshot.frequency_hz,
        frequency_sigma_hz=math.hypot(snapshot.frequency_sigma_hz, pull_sigma_hz),
        amplitude=snapshot.amplitude * metres_per_unit,
        amplitude_sigma=snapshot.amplitude_sigma * metres_per_unit,
        phase_error_rad=snapshot.phase_error_rad,
        phase_sigma_rad=snapshot.phase_sigma_rad,
        snr_db=snapshot.snr_db if math.isfinite(snapshot.snr_db) else None,
        innovation_ratio=snapshot.innovation_ratio,
        loop_bandwidth_hz=snapshot.loop_bandwidth_hz,
        decay_time_s=decay_s,
        decay_time_sigma_s=decay_sigma_s,
        cycle_slips=snapshot.cycle_slips,
        drive_amplitude=0.0 if tone is None else tone.amplitude_at(tick.center_index),
    )
