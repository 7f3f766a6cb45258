"""What drives and pump do to what is measured, so that frequencies are bare."""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np

from controller.records import ModeId
from controller.supervisor.drives import Drives
from controller.supervisor.tone_state import ToneState
from controller.tracking.joint_motion import PumpAction
from controller.tracking.observer_motion import ObserverInput
from controller.tracking.pair import TrackedPair

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER
TWO_PI = 2.0 * math.pi
LONGEST_RAMP_S = 0.01  # of a pump tone; the settings allow no longer one


@dataclass(frozen=True, slots=True, kw_only=True)
class DuffingShift:
    """How amplitudes move the frequencies, against amplitudes at which they are held."""

    # by the mode's own amplitude squared and the other's: lower, lower, upper, upper
    hz_per_unit2: tuple[float, float, float, float]
    held: tuple[float, float]  # lower and upper [sample units]

    def shifts_hz(self, amplitudes: tuple[float, float]) -> tuple[float, float]:
        """Shifts of lower and upper mode [Hz] at amplitudes in sample units."""
        lower, upper = (
            amplitude**2 - held**2 for amplitude, held in zip(amplitudes, self.held, strict=True)
        )
        by_self, by_upper, by_own, by_lower = self.hz_per_unit2
        return by_self * lower + by_upper * upper, by_own * upper + by_lower * lower


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
    duffing : DuffingShift, optional
        What the amplitudes do to the bare frequencies; None: nothing.
    """

    def __init__(
        self,
        pair: TrackedPair,
        drives: Drives,
        pump_tone: ToneState,
        *,
        coupling_phase_rad: float,
        action_ratio: float,
        duffing: DuffingShift | None = None,
    ) -> None:
        self._pair, self._drives, self._pump_tone = pair, drives, pump_tone
        self._coupling_phase_rad = coupling_phase_rad
        self._action_ratio = action_ratio
        self._duffing = duffing

    def feedthrough(self, mode: ModeId, mix_hz: float, centers: np.ndarray) -> np.ndarray | None:
        """The drive of a mode as the detector sees it, in the baseband's frame."""
        return self._drives.feedthrough(self._pair, mode, mix_hz, centers)

    def action(self, pair: TrackedPair, center_index: float) -> PumpAction:
        """Pull and shift by pump and drives at an update."""
        if pair.center_index is None:
            return PumpAction()
        turns = {mode: pair.motion_turns(mode, center_index) for mode in ModeId}
        amplitude = self._pump_tone.fundamental_at(center_index)
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
        lower_duffing_hz = upper_duffing_hz = 0.0
        # The trackers stand at the last centre: amplitudes as they are halfway from there.
        half_s = 0.5 * (center_index - pair.center_index) / pair.config.sample_rate_hz
        amplitudes = (
            pair.trackers[LOWER].amplitude_in(half_s),
            pair.trackers[UPPER].amplitude_in(half_s),
        )
        if self._duffing is not None:
            lower_duffing_hz, upper_duffing_hz = self._duffing.shifts_hz(amplitudes)
        return PumpAction(
            lower_duffing_hz=lower_duffing_hz,
            upper_duffing_hz=upper_duffing_hz,
            powers=(amplitudes[0] ** 2, amplitudes[1] ** 2),
            squared=self._pump_tone.squared_at(center_index),
            lower_pull=lower_pull,
            upper_pull=upper_pull,
            lower_known_hz=known_hz[LOWER],
            upper_known_hz=known_hz[UPPER],
        )

    def forces(self, pair: TrackedPair, start_index: float, end_index: float) -> ObserverInput:
        """Pump and pushes of the drives during a step.

        Parameters
        ----------
        pair : TrackedPair
            The modes, whose mix oscillators are the frames.
        start_index, end_index : float
            The step [samples].

        Returns
        -------
        ObserverInput
            Pump amplitude and phase, and the pushes in sample units per second, at the
            middle; where a tone changed, half the change as the sigma.
        """
        return acting_tones(
            self._pump_tone,
            lambda index: pair.oscillator_turns(UPPER, index) - pair.oscillator_turns(LOWER, index),
            self._coupling_phase_rad,
            {mode: partial(self._push, pair, mode) for mode in ModeId},
            (start_index, end_index),
            pair.config.sample_rate_hz,
        )

    def _push(self, pair: TrackedPair, mode: ModeId, index: float) -> complex:
        return self._drives.push(mode, pair.oscillator_turns(mode, index), index)


def acting_tones(
    pump_tone: ToneState,
    frame_turns: Callable[[float], float],
    coupling_phase_rad: float,
    pushes: Mapping[ModeId, Callable[[float], complex]],
    step: tuple[float, float],
    sample_rate_hz: float,
) -> ObserverInput:
    """Pump and pushes during a step, as an observer takes them.

    Parameters
    ----------
    pump_tone : ToneState
        The pump's tone.
    frame_turns : callable
        Phase of the upper less the lower frame at a sample index [turns].
    coupling_phase_rad : float
        What line and coupling add to the pump's phase [rad].
    pushes : mapping of ModeId to callable
        Push on each mode at a sample index [sample units per second].
    step : (float, float)
        Start and end [samples].
    sample_rate_hz : float
        Rate of the stream [Hz].

    Returns
    -------
    ObserverInput
        At the middle of the step; where a tone changed, half the change as the sigma.
    """
    start_index, end_index = step
    middle = 0.5 * (start_index + end_index)
    # A ramp that began before the step may still go on in it.
    before = start_index - LONGEST_RAMP_S * sample_rate_hz
    first, last = (pump_tone.fundamental_at(index) for index in (before, end_index))
    pump_rad = coupling_phase_rad
    if max(first, last) > 0.0:
        # A tone that starts within the step has its phase from there on.
        sounding = middle if pump_tone.amplitude_at(middle) > 0.0 else end_index
        sounding_s = (middle - sounding) / sample_rate_hz
        turns = pump_tone.turns_at(sounding) + pump_tone.frequency_at(sounding) * sounding_s
        pump_rad += TWO_PI * ((turns - frame_turns(middle)) % 1.0)
    lower, upper = (
        [pushes[mode](index) for index in (before, middle, end_index)] for mode in ModeId
    )
    return ObserverInput(
        pump=0.5 * (first + last),
        squared=0.5 * (pump_tone.squared_at(before) + pump_tone.squared_at(end_index)),
        pump_sigma=0.5 * abs(last - first),
        pump_rad=pump_rad,
        push=(lower[1], upper[1]),
        push_sigma=(
            0.5 * abs(abs(lower[2]) - abs(lower[0])),
            0.5 * abs(abs(upper[2]) - abs(upper[0])),
        ),
    )
