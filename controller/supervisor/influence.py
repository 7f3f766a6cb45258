"""What drives and pump do to what is measured, so that frequencies are bare."""

from __future__ import annotations

import cmath
import math

import numpy as np

from controller.records import ModeId
from controller.supervisor.drives import Drives
from controller.supervisor.tone_state import ToneState
from controller.tracking.joint import PumpAction
from controller.tracking.pair import TrackedPair

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER
TWO_PI = 2.0 * math.pi


class ToneInfluence:
    """The influence of the commanded tones on a tracked pair; no state of its own.

    Parameters
    ----------
    pair : TrackedPair
        The modes.
    drives : Drives
        Their drives.
    pump_tone : ToneState
        The pump's tone.
    coupling_phase_rad : float
        What line and coupling add to the pump's phase [rad].
    action_ratio : float
        sqrt(m w) of the upper over the lower mode: in metres they feel the
        coupling unequally, since g_lower m w = g_upper m w of the other.
    """

    def __init__(
        self,
        pair: TrackedPair,
        drives: Drives,
        pump_tone: ToneState,
        *,
        coupling_phase_rad: float,
        action_ratio: float,
    ) -> None:
        self._pair, self._drives, self._pump_tone = pair, drives, pump_tone
        self._coupling_phase_rad = coupling_phase_rad
        self._action_ratio = action_ratio

    def feedthrough(self, mode: ModeId, mix_hz: float, centers: np.ndarray) -> np.ndarray | None:
        """The drive of a mode as the detector sees it, in the baseband's frame."""
        return self._drives.feedthrough(self._pair, mode, mix_hz, centers)

    def action(self, pair: TrackedPair, center_index: float) -> PumpAction:
        """Pull and shift by pump and drives at an update."""
        if pair.center_index is None:
            return PumpAction()
        turns = {mode: pair.motion_turns(mode, center_index) for mode in ModeId}
        amplitude = self._pump_tone.amplitude_at(center_index)
        lower_pull = upper_pull = 0j
        if amplitude > 0.0:
            psi = TWO_PI * (turns[UPPER] - turns[LOWER] - self._pump_tone.turns_at(center_index))
            turned = amplitude * cmath.exp(1j * (psi - self._coupling_phase_rad))
            lower, upper = (
                max(pair.trackers[mode].amplitude, pair.trackers[mode].quadrature_sigma)
                for mode in ModeId
            )
            ratio = self._action_ratio * upper / lower
            lower_pull, upper_pull = turned * ratio, turned / ratio
        known_hz = {
            mode: self._drives.pull_hz(pair, mode, turns[mode], center_index) for mode in ModeId
        }
        return PumpAction(
            squared=amplitude * amplitude,
            lower_pull=lower_pull,
            upper_pull=upper_pull,
            lower_known_hz=known_hz[LOWER],
            upper_known_hz=known_hz[UPPER],
        )
