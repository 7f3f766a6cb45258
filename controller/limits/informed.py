"""A filter that is given the true parameters: its uncertainty is the limit.

It has the observer's equations and none of its ignorance: couplings, shifts,
decay rates, Duffing coefficients, drive forces and the strengths of walks and
noises are those of the simulated membrane; only amplitudes and frequencies are
left to be found. It is run after a trial, on the basebands that were kept
beside the loop and the tones that were really set. Of stray lines beside the
modes it knows nothing.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from controller.instrument import StreamFormat, Tone, ToneChannel
from controller.limits.rivals import Basebands
from controller.records import ModeId
from controller.supervisor.configs import DRIVE_NAMES, PUMP_NAME
from controller.supervisor.influence import acting_tones
from controller.supervisor.tone_state import ToneState
from controller.tracking.observer import Observer, ObserverConfig, ObserverEstimate
from controller.tracking.phase_model import thermal_variance_m2
from controller.tracking.strays import StrayLines

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER
TWO_PI = 2.0 * math.pi

EXACT = 1.0e-9  # relative: what counts as known exactly
START_SIGMA_HZ = 0.3  # of both frequencies, as a search leaves them


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenTone:
    """A command that was carried out, and the end of the stream when it was given."""

    at_index: int
    tone: Tone


def informed_config(
    device: Mapping[str, Any],
    metres_per_unit: float,
    scale: float,
    gain_walk_per_root_s: float = 0.0,
) -> ObserverConfig:
    """The observer's prior with everything in it true.

    Parameters
    ----------
    device : mapping
        The simulated instrument's `truth.json`.
    metres_per_unit : float
        Of the stream.
    scale : float
        An amplitude as they occur [sample units].
    gain_walk_per_root_s : float
        Relative, of the detector's gain, of which `truth.json` says nothing.

    Returns
    -------
    ObserverConfig
        With uncertain frequencies only, which are at the frames at the start.
    """
    lower, upper = (device["modes"][mode] for mode in ModeId)
    shared_walk, ratio, unshared_walk = _drift(device["shared_drifts"])
    noise = device["detector_noise_m_per_root_hz"] / metres_per_unit
    action = [mode["mass_kg"] * mode["frequency_hz"] for mode in (lower, upper)]
    return ObserverConfig(
        scale=scale,
        detector_noise=(noise, noise),
        thermal_amplitude=_pair(
            math.sqrt(
                thermal_variance_m2(mode["frequency_hz"], mode["mass_kg"], device["temperature_k"])
            )
            / metres_per_unit
            for mode in (lower, upper)
        ),
        decay_rate_per_s=_pair(
            TWO_PI * mode["frequency_hz"] / mode["quality_factor"] for mode in (lower, upper)
        ),
        decay_rate_sigma=EXACT,
        frequency_hz=(0.0, 0.0),
        frequency_sigma_hz=(START_SIGMA_HZ, START_SIGMA_HZ),
        ratio=ratio,
        ratio_sigma=EXACT,
        ratio_walk_per_root_s=0.0,
        shift_hz=(
            lower["pump_shift_hz_per_v2"],
            upper["pump_shift_hz_per_v2"] - lower["pump_shift_hz_per_v2"],
        ),
        shift_sigma_hz=(EXACT, EXACT),
        coupling_hz=complex(device["pump"]["coupling_hz_per_v"]),
        coupling_sigma_hz=EXACT,
        asymmetry=0.5 * math.log(action[1] / action[0]),
        asymmetry_sigma=EXACT,
        shared_walk_hz_per_root_s=math.hypot(shared_walk, lower["walk_hz_per_root_s"]),
        separate_walk_hz_per_root_s=math.hypot(
            unshared_walk, lower["walk_hz_per_root_s"], upper["walk_hz_per_root_s"]
        ),
        gain_walk_per_root_s=gain_walk_per_root_s,
        push_sigma=EXACT,
        push_phase_sigma_rad=EXACT,
        duffing_hz=(
            metres_per_unit**2 * lower["duffing_self_hz_per_m2"],
            metres_per_unit**2 * lower["duffing_cross_hz_per_m2"],
            metres_per_unit**2 * upper["duffing_self_hz_per_m2"],
            metres_per_unit**2 * upper["duffing_cross_hz_per_m2"],
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class InformedTrack:
    """The informed filter's account, step by step."""

    times_s: np.ndarray
    difference_hz: np.ndarray
    sigma_hz: np.ndarray


class InformedFilter:
    """Runs the informed observer over kept basebands; one use.

    Parameters
    ----------
    config : ObserverConfig
        From `informed_config`.
    device : mapping
        The simulated instrument's `truth.json`.
    kept : Basebands
        What the detector saw, around frequencies at which the modes start.
    channels : mapping of str to ToneChannel
        The instrument's outputs.
    stream : StreamFormat
        What the samples mean.
    """

    def __init__(
        self,
        config: ObserverConfig,
        device: Mapping[str, Any],
        kept: Basebands,
        channels: Mapping[str, ToneChannel],
        stream: StreamFormat,
    ) -> None:
        metres_per_unit = stream.metres_per_unit
        self._stream_rate_hz = stream.sample_rate_hz
        self._observer = Observer(config)
        self._kept = kept
        self._coupling_phase_rad = float(device["pump"]["coupling_phase_rad"])
        real, imaginary = device["drive_feedthrough_m_per_unit"]
        self._leak = complex(real, imaginary) / metres_per_unit
        self._pushes = {
            mode: float(table["drive_newton_per_unit"])
            / (2.0 * table["mass_kg"] * TWO_PI * table["frequency_hz"])
            / metres_per_unit
            for mode, table in ((mode, device["modes"][mode]) for mode in ModeId)
        }
        self._tones = {name: ToneState(self._stream_rate_hz) for name in channels}
        # Told where stray lines are, it takes them off as the loop does.
        lines_hz = device.get("stray_lines_hz", ())
        self._strays = [
            StrayLines(_near(lines_hz, mix_hz, kept.rate_hz), self._stream_rate_hz)
            for mix_hz in kept.mix_hz
        ]

    def run(self, given: Sequence[GivenTone], samples_per_step: int) -> InformedTrack:
        """Take all that was kept.

        Parameters
        ----------
        given : sequence of GivenTone
            Every command that was carried out, in order.
        samples_per_step : int
            Kept samples of one step.

        Returns
        -------
        InformedTrack
            Difference and its uncertainty at the middle of each step's readings.
        """
        kept = self._kept
        rows: list[tuple[float, float, float]] = []
        center_indices = kept.times_s * self._stream_rate_hz
        waiting = list(given)
        before: float | None = None
        for start in range(0, len(kept.samples) - samples_per_step + 1, samples_per_step):
            part = slice(start, start + samples_per_step)
            centers = center_indices[part]
            middle = float(centers[0] + centers[-1]) / 2.0
            while waiting and waiting[0].at_index <= middle:
                tone = waiting.pop(0).tone
                self._tones[tone.channel].process(tone)
            if before is not None:
                estimate = self._step(kept.samples[part], centers, before, middle)
                rows.append(
                    (
                        middle / self._stream_rate_hz,
                        kept.mix_difference_hz + estimate.difference_hz,
                        estimate.difference_sigma_hz,
                    )
                )
            before = middle
        table = np.array(rows).reshape(-1, 3)
        return InformedTrack(times_s=table[:, 0], difference_hz=table[:, 1], sigma_hz=table[:, 2])

    def _step(
        self, samples: np.ndarray, centers: np.ndarray, start: float, end: float
    ) -> ObserverEstimate:
        """One step of the observer, from the middle of the last readings to that of these."""
        duration_s = (end - start) / self._stream_rate_hz
        times_s = (centers - end) / self._stream_rate_hz
        last = self._observer.estimate()
        offsets_hz = last.lower_hz, last.lower_hz + last.difference_hz
        lower_mean, upper_mean = (
            # Turned back to the middle, lest a mode away from its frame average itself out.
            complex(
                np.mean(
                    self._cleaned(mode, samples[:, place], centers, offsets_hz[place])
                    * np.exp(-1j * TWO_PI * offsets_hz[place] * times_s)
                )
            )
            for place, mode in enumerate(ModeId)
        )
        act = acting_tones(
            self._tones[PUMP_NAME],
            lambda index: self._frame_turns(UPPER, index) - self._frame_turns(LOWER, index),
            self._coupling_phase_rad,
            {mode: partial(self._push, mode) for mode in ModeId},
            (start, end),
            self._stream_rate_hz,
        )
        return self._observer.process((lower_mean, upper_mean), duration_s, act)

    def _cleaned(
        self, mode: ModeId, samples: np.ndarray, centers: np.ndarray, motion_hz: float
    ) -> np.ndarray:
        """A mode's baseband without what leaks into it, and without stray lines."""
        place = 0 if mode is LOWER else 1
        return self._strays[place].process(
            samples - self._leaked(mode, centers),
            centers,
            mix_hz=self._kept.mix_hz[place],
            mix_turns=self._frame_turns(mode, float(centers[0])) % 1.0,
            motion_hz=motion_hz,
            is_followed=True,
        )

    def _frame_turns(self, mode: ModeId, index: float) -> float:
        """Phase of a frame at a stream sample [turns]."""
        return self._kept.mix_hz[0 if mode is LOWER else 1] * index / self._stream_rate_hz

    def _leaked(self, mode: ModeId, centers: np.ndarray) -> np.ndarray | complex:
        """The drive as the detector sees it."""
        tone = self._tones.get(DRIVE_NAMES[mode])
        if tone is None or self._leak == 0j:
            return 0j
        frame_turns = np.array([self._frame_turns(mode, float(index)) for index in centers])
        return self._leak * tone.phasors(centers.astype(float), frame_turns)

    def _push(self, mode: ModeId, index: float) -> complex:
        """What a drive adds to the amplitude of its mode [sample units per second]."""
        tone = self._tones.get(DRIVE_NAMES[mode])
        amplitude = 0.0 if tone is None else tone.amplitude_at(index)
        if tone is None or amplitude == 0.0:
            return 0j
        turns = tone.turns_at(index) - self._frame_turns(mode, index)
        return -1j * cmath.rect(self._pushes[mode] * amplitude, TWO_PI * (turns % 1.0))


def _near(lines_hz: Sequence[float], mix_hz: float, rate_hz: float) -> list[float]:
    """The lines that a baseband shows."""
    return [line_hz for line_hz in lines_hz if abs(line_hz - mix_hz) < rate_hz / 2.0]


def _drift(drifts: Sequence[Mapping[str, float]]) -> tuple[float, float, float]:
    """Shared walk of the lower mode, its ratio (upper over lower) - 1, and what it leaves.

    Over times far below its correlation time T, a drift of standard deviation s walks by
    s sqrt(2 / T) per root second. The ratio is that of the strongest drift; what the others
    do to the difference beyond it counts as a walk of its own.
    """
    lower_walks, upper_walks = (
        np.array(
            [d["sigma_k"] * math.sqrt(2.0 / d["time_s"]) * d[f"{mode}_hz_per_k"] for d in drifts]
        )
        for mode in ModeId
    )
    ratio = 1.0
    if np.any(lower_walks):
        strongest = np.argmax(np.abs(lower_walks))
        ratio = float(upper_walks[strongest] / lower_walks[strongest])
    left = upper_walks - ratio * lower_walks
    return math.hypot(*lower_walks), ratio - 1.0, math.hypot(*left)


def _pair(values: Iterable[float]) -> tuple[float, float]:
    lower, upper = values
    return lower, upper
