"""How a pair begins to be followed: from what a search found to trackers and drives."""

from __future__ import annotations

import math
from collections.abc import Mapping

from controller.instrument import StreamFormat
from controller.records import ModeId
from controller.settings import LoopSettings
from controller.supervisor.configs import (
    LEAST_START_SIGMA_HZ,
    action_ratio,
    drive_config,
    duffing_shift,
    joint_config,
    tracker_config,
)
from controller.supervisor.drives import DrivePath, Drives
from controller.supervisor.influence import ToneInfluence
from controller.supervisor.searching import FoundMode
from controller.supervisor.tone_state import ToneState
from controller.tracking.joint import JointEstimator
from controller.tracking.pair import TrackedPair, pair_config
from controller.tracking.phase_tracker import PhaseTracker

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER


def started_pair(
    settings: LoopSettings,
    stream: StreamFormat,
    found: Mapping[ModeId, FoundMode],
    strays_hz: Mapping[ModeId, tuple[float, ...]],
    *,
    tick_s: float,
    now_index: int,
) -> TrackedPair:
    """The pair that follows what was found.

    Parameters
    ----------
    settings : LoopSettings
        All settings.
    stream : StreamFormat
        What the samples mean.
    found : mapping of ModeId to FoundMode
        Both modes.
    strays_hz : mapping of ModeId to tuple of float
        Stray lines near each [Hz].
    tick_s : float
        Wanted time between two joint estimates [s].
    now_index : int
        Where the stream read so far ends [samples].

    Returns
    -------
    TrackedPair
        Started.
    """
    config = pair_config(
        stream.sample_rate_hz,
        stream.center_hz,
        stream.dtype.startswith("complex"),
        found[UPPER].frequency_hz - found[LOWER].frequency_hz,
        tick_s,
    )
    trackers = {
        mode: PhaseTracker(tracker_config(settings, stream, mode, found[mode], config.update_s))
        for mode in ModeId
    }
    frequencies_hz = {mode: found[mode].frequency_hz for mode in ModeId}
    joint = JointEstimator(joint_config(settings, found, stream.metres_per_unit))
    pair = TrackedPair(config, frequencies_hz, trackers, joint, now_index, strays_hz)
    for mode, tracker in trackers.items():
        tracker.start(
            turns=0.0,
            offset_hz=0.0,
            frequency_sigma_hz=max(found[mode].frequency_sigma_hz, LEAST_START_SIGMA_HZ),
            amplitude=found[mode].amplitude,
        )
    return pair


def found_by(pair: TrackedPair) -> dict[ModeId, FoundMode]:
    """What the loops of a pair know of both modes, as if a search had just found them."""
    return {
        mode: FoundMode(
            frequency_hz=pair.frequency_hz(mode),
            frequency_sigma_hz=tracker.frequency_sigma_hz,
            amplitude=tracker.amplitude,
            detector_noise=tracker.config.detector_noise,
        )
        for mode, tracker in pair.trackers.items()
    }


def adopt_drives(
    drives: Drives,
    found: Mapping[ModeId, FoundMode],
    settings: LoopSettings,
    stream: StreamFormat,
) -> None:
    """Believe what a ping tells of the drives, unless more is known of them.

    Parameters
    ----------
    drives : Drives
        The drives.
    found : mapping of ModeId to FoundMode
        Both modes.
    settings : LoopSettings
        All settings.
    stream : StreamFormat
        What the samples mean.
    """
    for mode, channel in drives.channels.items():
        news = found[mode]
        is_known = mode in drives.controllers
        if drives.has_proven(mode) or (is_known and not news.has_answered):
            continue
        path = DrivePath(
            phase_turns=news.drive_phase_rad / (2.0 * math.pi), feedthrough=news.feedthrough
        )
        drives.adopt(mode, drive_config(settings, stream, mode, channel, news), path)


def tone_influence(
    pair: TrackedPair,
    drives: Drives,
    pump: ToneState,
    settings: LoopSettings,
    metres_per_unit: float,
) -> ToneInfluence:
    """What drives and pump do to a pair, as far as the settings tell.

    Parameters
    ----------
    pair : TrackedPair
        The pair.
    drives : Drives
        The drives.
    pump : ToneState
        The pump's tone.
    settings : LoopSettings
        All settings.
    metres_per_unit : float
        Displacement per sample unit [m].

    Returns
    -------
    ToneInfluence
        For this pair only.
    """
    return ToneInfluence(
        pair,
        drives,
        pump,
        coupling_phase_rad=settings.pump.coupling_phase_rad,
        action_ratio=action_ratio(settings),
        duffing=duffing_shift(settings, metres_per_unit),
    )
