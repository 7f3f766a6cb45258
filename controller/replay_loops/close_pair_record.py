"""One row of the log for a close pair, in absolute frequencies and metres."""

from __future__ import annotations

import math
from collections.abc import Mapping

from controller.records import ModeId, ModeRecord, Record, TrackerState
from controller.tracking.close_pair import LineEstimate, PairEstimate


def searching_record(center: int, sample_rate_hz: float) -> Record:
    """A row while no lines are followed."""
    searching = ModeRecord(state=TrackerState.SEARCHING)
    return Record(
        sample_index=center,
        time_s=center / sample_rate_hz,
        modes=dict.fromkeys(ModeId, searching),
    )


def following_record(
    estimate: PairEstimate,
    states: Mapping[ModeId, TrackerState],
    center: int,
    *,
    sample_rate_hz: float,
    middle_hz: float,
    metres_per_unit: float,
) -> Record:
    """A row while both lines are followed.

    Parameters
    ----------
    estimate : PairEstimate
        Of this update.
    states : mapping of ModeId to TrackerState
        Of both lines.
    center : int
        The stream's index for which it stands [samples].
    sample_rate_hz : float
        Rate of the stream [Hz].
    middle_hz : float
        Mix frequency of the shared baseband [Hz].
    metres_per_unit : float
        Displacement per sample unit [m].

    Returns
    -------
    Record
        Without a pump.
    """
    modes = {
        mode: _mode_record(
            line, phase_error_rad, estimate, states[mode], middle_hz, metres_per_unit
        )
        for mode, line, phase_error_rad in zip(
            ModeId, estimate.lines, estimate.phase_error_rad, strict=True
        )
    }
    return Record(
        sample_index=center,
        time_s=center / sample_rate_hz,
        modes=modes,
        difference_hz=estimate.spacing_hz,
        difference_sigma_hz=estimate.spacing_sigma_hz,
        difference_innovation_ratio=estimate.innovation_ratio,
    )


def _mode_record(
    line: LineEstimate,
    phase_error_rad: float,
    estimate: PairEstimate,
    state: TrackerState,
    middle_hz: float,
    metres_per_unit: float,
) -> ModeRecord:
    decays = line.growth_per_s < 0.0
    snr = line.amplitude / (math.sqrt(2.0) * estimate.noise)
    return ModeRecord(
        state=state,
        frequency_hz=middle_hz + line.offset_hz,
        frequency_sigma_hz=line.offset_sigma_hz,
        amplitude=line.amplitude * metres_per_unit,
        amplitude_sigma=line.amplitude_sigma * metres_per_unit,
        phase_error_rad=phase_error_rad,
        phase_sigma_rad=line.phase_sigma_rad,
        snr_db=20.0 * math.log10(snr) if snr > 0.0 else None,
        innovation_ratio=estimate.innovation_ratio,
        decay_time_s=-1.0 / line.growth_per_s if decays else None,
        decay_time_sigma_s=line.growth_sigma_per_s / line.growth_per_s**2 if decays else None,
    )
