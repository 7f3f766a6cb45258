"""Two trackers on one stream: from samples to phases, update by update.

    samples -> down-converter -> (n, 2) basebands -> updates of a few samples
            -> phase tracker of each mode -> raw phases -> joint estimate (a tick)

An update is the time over which the baseband is averaged for one correction of
the loops; a tick is several updates, after which the joint estimate advances.
What drives and pump do to the phases is asked of an `Influence`, so that
frequencies are bare.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from controller.records import ModeId, TrackerState
from controller.signal.downconverter import DownConverter, DownConverterConfig, decimation_for
from controller.signal.oscillator import COUNTS_PER_TURN, counts_per_sample, turns_at
from controller.tracking.joint import JointEstimate, JointEstimator, JointReading, PumpAction
from controller.tracking.phase_tracker import PhaseReading, PhaseTracker

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER
TWO_PI = 2.0 * math.pi

# A mode that has drifted by this part of the flat pass band is mixed down anew.
RETUNE_RATIO = 0.25


class Influence(Protocol):
    """What drives and pump do to what is measured; the engine knows it."""

    def feedthrough(self, mode: ModeId, mix_hz: float, centers: np.ndarray) -> np.ndarray | None:
        """The drive as the detector sees it, in the frame of the baseband."""

    def action(self, pair: TrackedPair, center_index: float) -> PumpAction:
        """Pull and shift by pump and drives at an update."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class PairConfig:
    """Rates of the chain, all in samples of what comes before."""

    sample_rate_hz: float
    center_hz: float
    complex_input: bool
    decimation: int
    samples_per_update: int
    updates_per_tick: int

    @property
    def update_s(self) -> float:
        """Duration of an update [s]."""
        return self.samples_per_update * self.decimation / self.sample_rate_hz

    @property
    def tick_s(self) -> float:
        """Duration of a tick [s]."""
        return self.updates_per_tick * self.update_s


def pair_config(
    sample_rate_hz: float,
    center_hz: float,
    complex_input: bool,
    spacing_hz: float,
    tick_s: float,
) -> PairConfig:
    """Rates that follow from the stream and the spacing of the two lines.

    Parameters
    ----------
    sample_rate_hz, center_hz : float
        The stream [Hz].
    complex_input : bool
        Whether samples are complex.
    spacing_hz : float
        Distance of the two lines [Hz].
    tick_s : float
        Wanted time between joint estimates [s].

    Returns
    -------
    PairConfig
        Basebands at 400 Hz where the spacing allows it: the filter then spans
        20 ms, short enough for the interlock. The neighbour must lie in the
        stop band, which begins at 0.9 of the baseband's rate, so close lines
        are given slower basebands.
    """
    rate_hz = min(400.0, spacing_hz / 0.95, sample_rate_hz / 4.0)
    decimation = decimation_for(sample_rate_hz, rate_hz)
    rate_hz = sample_rate_hz / decimation
    samples_per_update = max(1, round(0.02 * rate_hz))
    updates_per_tick = max(1, round(tick_s * rate_hz / samples_per_update))
    return PairConfig(
        sample_rate_hz=sample_rate_hz,
        center_hz=center_hz,
        complex_input=complex_input,
        decimation=decimation,
        samples_per_update=samples_per_update,
        updates_per_tick=updates_per_tick,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ModeSnapshot:
    """One tracker in the middle of a tick."""

    state: TrackerState
    frequency_hz: float
    frequency_sigma_hz: float
    amplitude: float
    amplitude_sigma: float
    growth_per_s: float
    growth_sigma_per_s: float
    phase_error_rad: float
    phase_sigma_rad: float
    snr_db: float
    innovation_ratio: float
    loop_bandwidth_hz: float
    cycle_slips: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """The pair at the middle of a tick; estimates stand for `center_index`."""

    center_index: float
    modes: Mapping[ModeId, ModeSnapshot]
    joint: JointEstimate | None
    action: PumpAction


class TrackedPair:
    """Down-converter, two trackers and the joint estimate; one thread."""

    def __init__(
        self,
        config: PairConfig,
        frequencies_hz: Mapping[ModeId, float],
        trackers: Mapping[ModeId, PhaseTracker],
        joint: JointEstimator,
        first_index: int,
    ) -> None:
        self.config = config
        self.trackers = trackers
        self.joint = joint
        self._references_hz = dict(frequencies_hz)
        self._mixes_hz = dict(frequencies_hz)
        self._counts = {mode: self._counts_of(hz) for mode, hz in frequencies_hz.items()}
        self._carried_turns = dict.fromkeys(ModeId, 0.0)
        self._carried_at = dict.fromkeys(ModeId, 0.0)
        self._converter = DownConverter(
            DownConverterConfig(
                sample_rate_hz=config.sample_rate_hz,
                center_hz=config.center_hz,
                frequencies_hz=tuple(frequencies_hz[mode] for mode in ModeId),
                decimation=config.decimation,
                complex_input=config.complex_input,
            ),
            first_index,
        )
        self.pass_band_hz = self._converter.config.pass_half_width_hz
        self.center_index: float | None = None  # of the last update
        self._pulls_hz = dict.fromkeys(ModeId, 0.0)
        self._tick_center: float | None = None  # of the last tick
        self._pending: list[np.ndarray] = []
        self._pending_centers: list[np.ndarray] = []
        self._begin_tick()

    def __repr__(self) -> str:
        return f"TrackedPair({self.trackers[LOWER]!r}, {self.trackers[UPPER]!r})"

    def reset(self) -> None:
        """Forget the lines; the converter goes on where it is."""
        for tracker in self.trackers.values():
            tracker.reset()
        self.joint.reset()
        self.interrupt(self._converter.next_index, "reset")

    def copy(self) -> TrackedPair:
        """An independent pair that goes on alike."""
        return copy.deepcopy(self)

    def interrupt(self, first_index: int, reason: str) -> None:
        """The stream is broken; it goes on at `first_index`."""
        for tracker in self.trackers.values():
            tracker.hold(reason)
        self._converter.reset(first_index)
        self._clear_pending()
        self._begin_tick()

    def process(self, samples: np.ndarray, first_index: int, influence: Influence) -> list[Tick]:
        """Take a block; returns the ticks it completed.

        Parameters
        ----------
        samples : ndarray, shape (n,)
            Samples that follow on the last block's.
        first_index : int
            Absolute index of the first.
        influence : Influence
            What drives and pump do.

        Returns
        -------
        list of Tick
            Often empty: a tick is several blocks.
        """
        baseband = self._converter.process(samples, first_index)
        self._pending.append(baseband.samples)
        self._pending_centers.append(baseband.center_indices)
        length = self.config.samples_per_update
        held = sum(map(len, self._pending))
        if held < length:
            return []
        samples, centers = np.concatenate(self._pending), np.concatenate(self._pending_centers)
        ticks = []
        for start in range(0, held - length + 1, length):
            stop = start + length
            tick = self._update(samples[start:stop], centers[start:stop], influence)
            if tick is not None:
                ticks.append(tick)
        rest = held - held % length
        self._pending, self._pending_centers = [samples[rest:]], [centers[rest:]]
        self._retune_if_needed()
        return ticks

    # -- phases -----------------------------------------------------------------

    def frequency_hz(self, mode: ModeId) -> float:
        """Bare frequency of a mode by its own tracker [Hz]."""
        return self._mixes_hz[mode] + self.trackers[mode].offset_hz

    def motion_hz(self, mode: ModeId) -> float:
        """Rate of a mode's phase: its bare frequency and what pulls it now [Hz]."""
        return self.frequency_hz(mode) + self._pulls_hz[mode]

    def motion_turns(self, mode: ModeId, index: float) -> float:
        """Phase of a mode's displacement at a sample index, modulo 1 [turns]."""
        assert self.center_index is not None
        tracker = self.trackers[mode]
        elapsed_s = (index - self.center_index) / self.config.sample_rate_hz
        advanced = tracker.turns + (tracker.offset_hz + self._pulls_hz[mode]) * elapsed_s
        return (advanced + self.oscillator_turns(mode, index)) % 1.0

    def oscillator_turns(self, mode: ModeId, index: float) -> float:
        """Phase of a mode's mix oscillator at a sample index [turns]."""
        whole = math.floor(index)
        fraction_s = (index - whole) / self.config.sample_rate_hz
        return turns_at(self._counts[mode], whole) + self._mixes_hz[mode] * fraction_s

    # -- inside -----------------------------------------------------------------

    def _counts_of(self, frequency_hz: float) -> int:
        return counts_per_sample(frequency_hz, self.config.sample_rate_hz)

    def _clear_pending(self) -> None:
        self._pending, self._pending_centers = [], []

    def _begin_tick(self) -> None:
        self._readings: dict[ModeId, list[PhaseReading]] = {mode: [] for mode in ModeId}
        self._reading_turns: dict[ModeId, list[float]] = {mode: [] for mode in ModeId}
        self._centers: list[float] = []
        self._actions: list[PumpAction] = []
        self._snapshot: dict[ModeId, ModeSnapshot] = {}

    def _update(
        self, samples: np.ndarray, centers: np.ndarray, influence: Influence
    ) -> Tick | None:
        """One correction of both loops."""
        center = float(centers[0] + centers[-1]) / 2.0
        rate_hz = self.config.sample_rate_hz
        times_s = (centers - center) / rate_hz
        duration_s = self.config.update_s
        if self.center_index is not None:  # longer after a gap
            duration_s = (center - self.center_index) / rate_hz
        # Before the update the pair stands at the last centre; what pump and drives
        # did since then is taken as what they do at this one.
        action = influence.action(self, center)
        self.center_index = center
        pulls_hz = self._pulls_hz = {LOWER: action.lower_known_hz, UPPER: action.upper_known_hz}
        for mode, pull_hz in self.joint.coupling_pulls_hz(action).items():
            pulls_hz[mode] += pull_hz
        for column, mode in enumerate(ModeId):
            used = samples[:, column]
            leak = influence.feedthrough(mode, self._mixes_hz[mode], centers)
            if leak is not None:
                used = used - leak
            reading = self.trackers[mode].process(used, times_s, duration_s, pulls_hz[mode])
            self._readings[mode].append(reading)
            self._reading_turns[mode].append(reading.turns + self._reference_turns(mode, center))
        self._centers.append(center)
        self._actions.append(action)
        if len(self._centers) == (self.config.updates_per_tick + 1) // 2:
            self._snapshot = {mode: self._snapshot_of(mode) for mode in ModeId}
        if len(self._centers) < self.config.updates_per_tick:
            return None
        return self._tick()

    def _tick(self) -> Tick:
        center = float(np.mean(self._centers))
        before = self._tick_center
        duration_s = (
            self.config.tick_s if before is None else (center - before) / self.config.sample_rate_hz
        )
        self._tick_center = center
        action = _mean_action(self._actions)
        joint = self.joint.process(duration_s, self._joint_reading(), action)
        tick = Tick(center_index=center, modes=self._snapshot, joint=joint, action=action)
        self._begin_tick()
        return tick

    def _joint_reading(self) -> JointReading:
        turns: dict[ModeId, float | None] = {}
        variance: dict[ModeId, float] = {}
        diffusion: dict[ModeId, float] = {}
        for mode in ModeId:
            tracker = self.trackers[mode]
            readings = self._readings[mode]
            whole = all(reading.is_valid for reading in readings)
            usable = whole and tracker.state is TrackerState.LOCKED
            turns[mode] = float(np.mean(self._reading_turns[mode])) if usable else None
            # The mean of n readings; phase diffusion within the tick adds its own
            # (a tick's mean differs from the phase at its centre by q tick / 12).
            amplitude2 = max(tracker.amplitude**2, tracker.quadrature_sigma**2)
            config = tracker.config
            diffusion[mode] = (
                config.decay_rate_per_s * config.thermal_amplitude**2 / amplitude2 / TWO_PI**2
            )
            variance[mode] = readings[-1].variance_turns2 / len(readings) if usable else math.inf
        return JointReading(
            lower_turns=turns[LOWER],
            lower_variance_turns2=variance[LOWER],
            upper_turns=turns[UPPER],
            upper_variance_turns2=variance[UPPER],
            lower_diffusion_turns2_per_s=diffusion[LOWER],
            upper_diffusion_turns2_per_s=diffusion[UPPER],
        )

    def _snapshot_of(self, mode: ModeId) -> ModeSnapshot:
        t = self.trackers[mode]
        return ModeSnapshot(
            state=t.state,
            frequency_hz=self.frequency_hz(mode),
            frequency_sigma_hz=t.frequency_sigma_hz,
            amplitude=t.amplitude,
            amplitude_sigma=t.amplitude_sigma,
            growth_per_s=t.growth_per_s,
            growth_sigma_per_s=t.growth_sigma_per_s,
            phase_error_rad=t.phase_error_rad,
            phase_sigma_rad=t.phase_sigma_rad,
            snr_db=t.snr_db,
            innovation_ratio=t.innovation_ratio,
            loop_bandwidth_hz=t.noise_bandwidth_hz,
            cycle_slips=t.cycle_slips,
        )

    def _reference_turns(self, mode: ModeId, center: float) -> float:
        """Phase of the mix oscillator against the fixed reference, continuous."""
        detuning_hz = self._mixes_hz[mode] - self._references_hz[mode]
        elapsed_s = (center - self._carried_at[mode]) / self.config.sample_rate_hz
        return self._carried_turns[mode] + detuning_hz * elapsed_s

    def _retune_if_needed(self) -> None:
        """Mix anew around modes that have drifted; phases go on without a step."""
        center = self.center_index
        assert center is not None
        limit_hz = RETUNE_RATIO * self.pass_band_hz
        if not any(
            abs(tracker.offset_hz) > limit_hz and tracker.state is TrackerState.LOCKED
            for tracker in self.trackers.values()
        ):
            return
        new_hz = {
            mode: self.frequency_hz(mode)
            if self.trackers[mode].state is TrackerState.LOCKED
            else self._mixes_hz[mode]
            for mode in ModeId
        }
        for mode in ModeId:
            counts = self._counts_of(new_hz[mode])
            shift = (counts - self._counts[mode]) % COUNTS_PER_TURN
            whole = math.floor(center)
            shift_hz = new_hz[mode] - self._mixes_hz[mode]
            shift_turns = turns_at(shift, whole) + (
                shift_hz * (center - whole) / self.config.sample_rate_hz
            )
            self._carried_turns[mode] = self._reference_turns(mode, center) + shift_turns
            self._carried_at[mode] = center
            self.trackers[mode].retune(shift_hz, shift_turns)
            self._mixes_hz[mode], self._counts[mode] = new_hz[mode], counts
        self._converter.retune(tuple(new_hz[mode] for mode in ModeId))
        # Samples that wait for an update were mixed with the old oscillator.
        self._clear_pending()


def _mean_action(actions: list[PumpAction]) -> PumpAction:
    """The mean of what was done during the updates of a tick."""
    count = len(actions)
    return PumpAction(
        squared=sum(a.squared for a in actions) / count,
        lower_pull=sum(a.lower_pull for a in actions) / count,
        upper_pull=sum(a.upper_pull for a in actions) / count,
        lower_known_hz=sum(a.lower_known_hz for a in actions) / count,
        upper_known_hz=sum(a.upper_known_hz for a in actions) / count,
    )
