"""The drives of both modes: tones that follow the motion 90 degrees ahead.

A drive may leave its line with another phase than was commanded and leak into
the detector; the search's ping tells both. What has once held its mode is
kept: a later ping, into a mode that still rings, would tell less.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from controller.instrument import Tone, ToneChannel
from controller.records import ModeId, TrackerState
from controller.supervisor.drive import AmplitudeController, DriveConfig
from controller.supervisor.tone_state import ToneState
from controller.tracking.pair import TrackedPair

TWO_PI = 2.0 * math.pi
# A leak of this part of the motion turns its phase by 1e-4 rad, which a drive turned
# by it answers with a pull of 1e-5 of a line.
NEGLIGIBLE_LEAK = 1.0e-4
AHEAD_TURNS = 0.25  # of the motion: all force, no shift
FAR_RATIO = 1.5  # between amplitudes, either way: far beyond what noise does to one that is held


@dataclass(frozen=True, slots=True, kw_only=True)
class DrivePath:
    """What lies between a command and the mode, and beside it the detector."""

    phase_turns: float = 0.0  # by which the force leads what was commanded
    feedthrough: complex = 0j  # sample units per unit of the drive


class Drives:
    """The drive channels that are used; owned by the engine, one thread.

    Parameters
    ----------
    channels : mapping of ModeId to ToneChannel
        The drives of the modes that are driven.
    sample_rate_hz : float
        Rate of the stream [Hz].
    """

    def __init__(self, channels: Mapping[ModeId, ToneChannel], sample_rate_hz: float) -> None:
        self.channels = dict(channels)
        self._rate_hz = sample_rate_hz
        self.reset()

    def reset(self) -> None:
        """Nothing sounds, nothing is known."""
        self.tones = {mode: ToneState(self._rate_hz) for mode in self.channels}
        self.controllers: dict[ModeId, AmplitudeController] = {}
        self._paths: dict[ModeId, DrivePath] = {}
        self._refused_off: set[ModeId] = set()
        self._proven: set[ModeId] = set()
        self._slips = dict.fromkeys(self.channels, 0)
        self._driven_at: int | None = None
        self.released: set[ModeId] = set()  # modes that are left to ring down

    def __repr__(self) -> str:
        return f"Drives({', '.join(map(repr, self.tones.values()))})"

    # -- commands ----------------------------------------------------------------

    def adopt(self, mode: ModeId, config: DriveConfig, path: DrivePath) -> None:
        """Take what a search found out about one drive."""
        self.controllers[mode] = AmplitudeController(config)
        self._paths[mode] = path

    def aim(self, mode: ModeId, amplitude: float) -> None:
        """Hold a mode at another amplitude from now on [sample units], > 0."""
        controller = self.controllers.get(mode)
        if controller is not None:
            controller.config = replace(controller.config, target_amplitude=amplitude)

    def has_proven(self, mode: ModeId) -> bool:
        """Whether a drive has brought its mode to its amplitude with what is known of it."""
        return mode in self._proven

    def follow(self, pair: TrackedPair, now_index: int, *, is_disturbed: bool) -> list[Tone]:
        """Each drive 90 degrees ahead of its mode, as strong as it takes.

        Parameters
        ----------
        pair : TrackedPair
            The modes.
        now_index : int
            End of the last block [samples].
        is_disturbed : bool
            Whether a pump moves the amplitudes, too.

        Returns
        -------
        list of Tone
            One for each locked mode; 'off' for others that still sound.
        """
        before = self._driven_at
        elapsed_s = pair.config.tick_s
        if before is not None:
            elapsed_s = max((now_index - before) / self._rate_hz, elapsed_s)
        self._driven_at = now_index
        tones = []
        for mode, controller in self.controllers.items():
            tracker = pair.trackers[mode]
            if tracker.state is not TrackerState.LOCKED or mode in self.released:
                controller.rest()
                if self.tones[mode].amplitude > 0.0:
                    tones.append(self.off(mode, now_index))
                continue
            if tracker.cycle_slips != self._slips[mode]:
                self._slips[mode] = tracker.cycle_slips
                controller.suspect_reversal()
            amplitude = controller.process(
                tracker.amplitude, tracker.amplitude_sigma, elapsed_s, is_disturbed=is_disturbed
            )
            if controller.has_settled(tracker.amplitude):
                self._proven.add(mode)
            ahead = math.copysign(AHEAD_TURNS, amplitude) - self._paths[mode].phase_turns
            turns = pair.motion_turns(mode, now_index) + ahead
            tones.append(
                Tone(
                    channel=self.channels[mode].name,
                    at_sample=now_index,
                    frequency_hz=pair.motion_hz(mode),
                    amplitude=abs(amplitude),
                    phase_rad=TWO_PI * (turns % 1.0),
                )
            )
        return tones

    def rest(self) -> None:
        """Nothing is followed any more."""
        for controller in self.controllers.values():
            controller.rest()
        self._driven_at = None

    def off(self, mode: ModeId, now_index: int) -> Tone:
        """The command that ends a drive."""
        channel = self.channels[mode]
        return Tone(
            channel=channel.name,
            at_sample=now_index,
            frequency_hz=self.tones[mode].frequency_hz or channel.min_frequency_hz,
            amplitude=0.0,
        )

    def all_off(self, now_index: int) -> list[Tone]:
        """The commands that end every drive, whether it sounds or not."""
        return [self.off(mode, now_index) for mode in self.channels]

    def off_again(self, now_index: int) -> list[Tone]:
        """'Off' once more where it was refused."""
        return [self.off(mode, now_index) for mode in sorted(self._refused_off)]

    def tone_set(self, asked: Tone, actual: Tone | None) -> None:
        """Take note of what became of a command; None: it was refused."""
        for mode, channel in self.channels.items():
            if channel.name != asked.channel:
                continue
            if actual is not None:
                self.tones[mode].process(actual)
                self._refused_off.discard(mode)
            elif asked.amplitude == 0.0:
                self._refused_off.add(mode)

    # -- what they do ------------------------------------------------------------

    def named(self, text: str) -> set[ModeId]:
        """Those of the modes that a request names, "" for both, that have a drive."""
        return {mode for mode in self.channels if text in ("", mode.value)}

    def unsettled(self, pair: TrackedPair) -> list[ModeId]:
        """The modes that a drive has still to bring to their amplitudes."""
        return [
            mode
            for mode, controller in self.controllers.items()
            if mode not in self.released
            and not controller.has_settled(pair.trackers[mode].amplitude)
        ]

    def are_ramping(self, pair: TrackedPair) -> bool:
        """Whether a drive is still far from the amplitude that it is to bring its mode to.

        A drive that works hard turns a phase by what it is off 90 degrees.
        """
        return any(
            not target / FAR_RATIO < pair.trackers[mode].amplitude < target * FAR_RATIO
            for mode, controller in self.controllers.items()
            if mode not in self.released and (target := controller.config.target_amplitude) > 0.0
        )

    def feedthrough(
        self, pair: TrackedPair, mode: ModeId, mix_hz: float, centers: np.ndarray
    ) -> np.ndarray | None:
        """A drive as the detector sees it, in the frame of the mode's baseband.

        Parameters
        ----------
        pair : TrackedPair
            The modes, whose mix oscillators are the frames.
        mode : ModeId
            Which drive.
        mix_hz : float
            Frequency of the frame [Hz].
        centers : ndarray of float64, shape (n,)
            Sample indices, rising.

        Returns
        -------
        ndarray of complex128, shape (n,), or None
            Sample units; None where nothing leaks that could be seen.
        """
        leak = self._paths[mode].feedthrough if mode in self._paths else 0j
        if leak == 0j:
            return None
        first, last = float(centers[0]), float(centers[-1])
        tone = self.tones[mode]
        loudest = max(tone.amplitude_at(first), tone.amplitude_at(last))
        if abs(leak) * loudest <= NEGLIGIBLE_LEAK * pair.trackers[mode].amplitude:
            return None
        frame_turns = (
            pair.oscillator_turns(mode, first) + mix_hz * (centers - first) / self._rate_hz
        )
        return leak * tone.phasors(centers, frame_turns)

    def push(self, mode: ModeId, frame_turns: float, index: float) -> complex:
        """What a drive adds to the amplitude of its mode.

        Parameters
        ----------
        mode : ModeId
            Which.
        frame_turns : float
            Phase of the frame at `index` [turns].
        index : float
            Sample index.

        Returns
        -------
        complex
            Sample units per second, in that frame: -i b u exp(i phase).
        """
        controller = self.controllers.get(mode)
        tone = self.tones.get(mode)
        if controller is None or tone is None:
            return 0j
        drive = tone.amplitude_at(index)
        if drive == 0.0:
            return 0j
        turns = tone.turns_at(index) + self._paths[mode].phase_turns - frame_turns - AHEAD_TURNS
        return cmath.rect(controller.responsivity * drive, TWO_PI * (turns % 1.0))

    def pull_hz(self, pair: TrackedPair, mode: ModeId, turns: float, center_index: float) -> float:
        """Rate that a drive adds which is not exactly 90 degrees ahead.

        Parameters
        ----------
        pair : TrackedPair
            The modes.
        mode : ModeId
            Which.
        turns : float
            Phase of its motion at `center_index` [turns].
        center_index : float
            Sample index.

        Returns
        -------
        float
            b u / A sin(off) / 2 pi [Hz]; in equilibrium (gamma / 4 pi) tan(off).
        """
        controller = self.controllers.get(mode)
        tracker = pair.trackers[mode]
        if controller is None or tracker.state is not TrackerState.LOCKED:
            return 0.0
        drive = self.tones[mode].amplitude_at(center_index)
        if drive == 0.0:
            return 0.0
        applied_turns = self.tones[mode].turns_at(center_index) + self._paths[mode].phase_turns
        off_turns = applied_turns - turns - AHEAD_TURNS
        amplitude = max(tracker.amplitude, tracker.quadrature_sigma)
        push_per_s = controller.responsivity * drive / amplitude
        return push_per_s * math.sin(TWO_PI * off_turns) / TWO_PI
