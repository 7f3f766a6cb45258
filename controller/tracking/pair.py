"""Two trackers on one stream: from samples to phases, update by update.

    samples -> down-converter -> (n, 2) basebands -> updates of a few samples
            -> phase tracker of each mode -> raw phases -> joint estimate (a tick)

An update is the time over which the baseband is averaged for one correction of
the loops; a tick is several updates, after which the joint estimate advances.
What drives and pump do to the phases is asked of an `Influence`, so that
frequencies are bare.
"""

from __future__ import annotations

import cmath
import copy
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from controller.records import ModeId, TrackerState
from controller.signal.downconverter import DownConverter, DownConverterConfig, decimation_for
from controller.signal.oscillator import (
    COUNTS_PER_TURN,
    counts_per_sample,
    rotation,
    turns_at,
)
from controller.tracking.joint import JointEstimate, JointEstimator, JointReading
from controller.tracking.joint_motion import PumpAction
from controller.tracking.observer import Observer, ObserverEstimate
from controller.tracking.observer_motion import ObserverInput
from controller.tracking.phase_tracker import PhaseReading, PhaseTracker
from controller.tracking.strays import StrayLines

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER
TWO_PI = 2.0 * math.pi

# A mode that has drifted by this part of the flat pass band is mixed down anew.
RETUNE_RATIO = 0.25

# Of a tick: the reach of the filters beyond it, from which a jump is still seen within.
JUMP_MARGIN = 0.25
FOLLOWING = (TrackerState.LOCKED, TrackerState.PULLING_IN)

_NONE_PENDING = np.empty((0, 2), dtype=np.complex128), np.empty(0, dtype=np.int64)


class Influence(Protocol):
    """What drives and pump do to what is measured; the engine knows it."""

    def feedthrough(self, mode: ModeId, mix_hz: float, centers: np.ndarray) -> np.ndarray | None:
        """The drive as the detector sees it, in the frame of the baseband."""

    def action(self, pair: TrackedPair, center_index: float) -> PumpAction:
        """Pull and shift by pump and drives at an update."""
        ...

    def forces(self, pair: TrackedPair, start_index: float, end_index: float) -> ObserverInput:
        """Pump and pushes of the drives during a step, for the observer."""
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
    joint: JointEstimate
    action: PumpAction
    observed: ObservedPair | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class UpdateMeans:
    """Mean basebands of one update, against the mix oscillators."""

    center_index: float
    duration_s: float
    oscillator_turns: tuple[float, float]  # of the mix oscillators then
    means: tuple[complex, complex]  # lower and upper [sample units]


@dataclass(frozen=True, slots=True, kw_only=True)
class ObservedPair:
    """The observer in the middle of a tick, in absolute frequencies."""

    lower_hz: float
    lower_sigma_hz: float
    difference_hz: float
    difference_sigma_hz: float
    innovation_ratio: float


class TrackedPair:
    """Down-converter, two trackers and the joint estimate; one thread."""

    def __init__(
        self,
        config: PairConfig,
        frequencies_hz: Mapping[ModeId, float],
        trackers: Mapping[ModeId, PhaseTracker],
        joint: JointEstimator,
        first_index: int,
        strays_hz: Mapping[ModeId, Sequence[float]] | None = None,
    ) -> None:
        self.config = config
        self.trackers = trackers
        self.joint = joint
        self._references_hz = dict(frequencies_hz)
        self._strays = {
            mode: StrayLines((strays_hz or {}).get(mode, ()), config.sample_rate_hz)
            for mode in ModeId
        }
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
        self._begin()

    def __repr__(self) -> str:
        return f"TrackedPair({self.trackers[LOWER]!r}, {self.trackers[UPPER]!r})"

    def reset(self, first_index: int = 0) -> None:
        """Forget lines and stream; as new, for a stream that starts at `first_index`."""
        for tracker in self.trackers.values():
            tracker.reset()
        for strays in self._strays.values():
            strays.reset()
        self.joint.reset()
        self._converter.retune(tuple(self._references_hz[mode] for mode in ModeId))
        self._converter.reset(first_index)
        self._begin()

    def copy(self) -> TrackedPair:
        """An independent pair that goes on alike."""
        return copy.deepcopy(self)

    def interrupt(self, first_index: int, reason: str) -> None:
        """The stream is broken; it goes on at `first_index`."""
        for tracker in self.trackers.values():
            tracker.hold(reason)
        self._converter.reset(first_index)
        self._pending, self._pending_centers = _NONE_PENDING
        self._begin_tick()

    def announce_jump(self, sample_index: int, sigma_hz: float) -> None:
        """The difference will jump at a sample, not long ago or soon, by about a sigma [Hz]."""
        self._jumps.append((sample_index, sigma_hz))

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
        samples = np.concatenate((self._pending, baseband.samples))
        centers = np.concatenate((self._pending_centers, baseband.center_indices))
        length = self.config.samples_per_update
        ticks = []
        for start in range(0, len(samples) - length + 1, length):
            stop = start + length
            tick = self._update(samples[start:stop], centers[start:stop], influence)
            if tick is not None:
                ticks.append(tick)
        rest = len(samples) - len(samples) % length
        self._pending, self._pending_centers = samples[rest:], centers[rest:]
        if rest:
            self._retune_if_needed()
        return ticks

    # -- phases -----------------------------------------------------------------

    def frequency_hz(self, mode: ModeId) -> float:
        """Bare frequency of a mode by its own tracker [Hz]."""
        return self._mixes_hz[mode] + self.trackers[mode].offset_hz

    def mix_hz(self, mode: ModeId) -> float:
        """Frequency of a mode's mix oscillator [Hz]."""
        return self._mixes_hz[mode]

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

    def observed_difference_turns(self, index: float) -> float:
        """Phase of the upper less the lower amplitude at an index, by the observer [turns]."""
        assert self.center_index is not None and self.last_observed is not None
        lower, upper = self.last_observed.amplitudes
        apart = (cmath.phase(upper) - cmath.phase(lower)) / TWO_PI
        elapsed_s = (index - self.center_index) / self.config.sample_rate_hz
        apart += self.last_observed.difference_hz * elapsed_s
        oscillators = self.oscillator_turns(UPPER, index) - self.oscillator_turns(LOWER, index)
        return (apart + oscillators) % 1.0

    def oscillator_turns(self, mode: ModeId, index: float) -> float:
        """Phase of a mode's mix oscillator at a sample index [turns]."""
        whole = math.floor(index)
        fraction_s = (index - whole) / self.config.sample_rate_hz
        return turns_at(self._counts[mode], whole) + self._mixes_hz[mode] * fraction_s

    # -- inside -----------------------------------------------------------------

    def _counts_of(self, frequency_hz: float) -> int:
        return counts_per_sample(frequency_hz, self.config.sample_rate_hz)

    def _begin(self) -> None:
        """No line followed yet, mixed around the references."""
        self._mixes_hz = dict(self._references_hz)
        self._counts = {mode: self._counts_of(hz) for mode, hz in self._mixes_hz.items()}
        self.observer: Observer | None = None
        # While modes exchange energy or fade, their phases would teach the joint
        # estimate wrong strengths: it rests, and keeps what it knew.
        self.is_joint_resting = False
        self.keeps_means = False  # for a protocol that records
        self._carried_turns = dict.fromkeys(ModeId, 0.0)
        self._carried_at = dict.fromkeys(ModeId, 0.0)
        self._pulls_hz = dict.fromkeys(ModeId, 0.0)
        self.center_index: float | None = None  # of the last update
        self._tick_center: float | None = None  # of the last tick
        self.last_observed: ObserverEstimate | None = None
        self._kept_means: list[UpdateMeans] = []
        self._jumps: list[tuple[int, float]] = []  # announced: sample and sigma [Hz]
        self._pending, self._pending_centers = _NONE_PENDING
        self._begin_tick()

    def _begin_tick(self) -> None:
        self._readings: dict[ModeId, list[PhaseReading]] = {mode: [] for mode in ModeId}
        self._reading_turns: dict[ModeId, list[float]] = {mode: [] for mode in ModeId}
        self._centers: list[float] = []
        self._actions: list[PumpAction] = []
        self._snapshot: dict[ModeId, ModeSnapshot] = {}
        self._observed: ObservedPair | None = None

    def kept_means(self) -> list[UpdateMeans]:
        """What was kept since the last call."""
        kept, self._kept_means = self._kept_means, []
        return kept

    def _observe(
        self,
        observer: Observer,
        means: tuple[complex, complex],
        center: float,
        duration_s: float,
        influence: Influence,
    ) -> None:
        """Let the observer take the mean basebands of an update."""
        start = center - duration_s * self.config.sample_rate_hz
        act = influence.forces(self, start, center)
        self.last_observed = observer.process(means, duration_s, act)

    def _observed_pair(self) -> ObservedPair | None:
        if self.observer is None or self.last_observed is None:
            return None
        estimate = self.last_observed
        lower_hz, upper_hz = (self._mixes_hz[mode] for mode in ModeId)
        return ObservedPair(
            lower_hz=lower_hz + estimate.lower_hz,
            lower_sigma_hz=estimate.lower_sigma_hz,
            difference_hz=upper_hz - lower_hz + estimate.difference_hz,
            difference_sigma_hz=estimate.difference_sigma_hz,
            innovation_ratio=self.observer.innovation_ratio,
        )

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
        means: list[complex] = []
        for column, mode in enumerate(ModeId):
            used = samples[:, column]
            leak = influence.feedthrough(mode, self._mixes_hz[mode], centers)
            if leak is not None:
                used = used - leak
            if self._strays[mode]:
                used = self._strays[mode].process(
                    used,
                    centers,
                    mix_hz=self._mixes_hz[mode],
                    mix_turns=self.oscillator_turns(mode, float(centers[0])),
                    motion_hz=self.trackers[mode].offset_hz + pulls_hz[mode],
                    is_followed=self.trackers[mode].state in FOLLOWING,
                )
            if self.observer is not None or self.keeps_means:
                # By the bare frequency: what a pump does passes through nulls, where a
                # phase has no rate.
                turned = used * np.exp((-TWO_PI * 1j * self.trackers[mode].offset_hz) * times_s)
                means.append(complex(turned.sum()) / len(turned))
            reading = self.trackers[mode].process(used, times_s, duration_s, pulls_hz[mode])
            self._readings[mode].append(reading)
            self._reading_turns[mode].append(reading.turns + self._reference_turns(mode, center))
        if self.keeps_means:
            self._kept_means.append(
                UpdateMeans(
                    center_index=center,
                    duration_s=self.config.update_s,
                    oscillator_turns=(
                        self.oscillator_turns(LOWER, center),
                        self.oscillator_turns(UPPER, center),
                    ),
                    means=(means[0], means[1]),
                )
            )
        if self.observer is not None:
            self._observe(self.observer, (means[0], means[1]), center, duration_s, influence)
        self._centers.append(center)
        self._actions.append(action)
        if len(self._centers) == (self.config.updates_per_tick + 1) // 2:
            self._snapshot = {mode: self._snapshot_of(mode) for mode in ModeId}
            self._observed = self._observed_pair()
        if len(self._centers) < self.config.updates_per_tick:
            return None
        return self._tick()

    def _tick(self) -> Tick:
        center = (self._centers[0] + self._centers[-1]) / 2.0
        before, window_s = self._tick_center, self.config.tick_s
        duration_s = window_s  # longer after a gap
        if before is not None:
            duration_s = (center - before) / self.config.sample_rate_hz
        self._tick_center = center
        action, early = mean_and_early_action(self._actions)
        joint = self.joint.process(
            duration_s,
            self._joint_reading(),
            action,
            window_s=window_s,
            early=early,
            jump_sigma_hz=self._jump_sigma_hz(center),
        )
        for tracker in self.trackers.values():
            tracker.diffusion_scale = joint.diffusion_scale
        tick = Tick(
            center_index=center,
            modes=self._snapshot,
            joint=joint,
            action=action,
            observed=self._observed,
        )
        self._begin_tick()
        return tick

    def _jump_sigma_hz(self, center: float) -> float:
        """Of the announced jumps that may fall into the tick around a sample.

        One near the edge of a tick counts in both, because the filters smear it.
        """
        reach = (0.5 + JUMP_MARGIN) * self.config.tick_s * self.config.sample_rate_hz
        self._jumps = [(at, sigma_hz) for at, sigma_hz in self._jumps if at >= center - reach]
        return math.hypot(*(hz for at, hz in self._jumps if at <= center + reach))

    def _joint_reading(self) -> JointReading:
        """Mean phases over the tick, where every update of it was a measurement."""
        turns: dict[ModeId, float | None] = {}
        variance: dict[ModeId, float] = {}
        for mode, tracker in self.trackers.items():
            readings = self._readings[mode]
            count = len(readings)
            is_usable = (
                tracker.state is TrackerState.LOCKED
                and not self.is_joint_resting
                and all(reading.is_valid for reading in readings)
            )
            turns[mode] = sum(self._reading_turns[mode]) / count if is_usable else None
            variance[mode] = readings[-1].variance_turns2 / count if is_usable else math.inf
        return JointReading(
            lower_turns=turns[LOWER],
            lower_variance_turns2=variance[LOWER],
            upper_turns=turns[UPPER],
            upper_variance_turns2=variance[UPPER],
            lower_diffusion_turns2_per_s=self.trackers[LOWER].diffusion_turns2_per_s,
            upper_diffusion_turns2_per_s=self.trackers[UPPER].diffusion_turns2_per_s,
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
        lowest_hz, highest_hz = self._converter.config.frequency_range_hz
        new_hz = {
            mode: min(max(self.frequency_hz(mode), lowest_hz), highest_hz)
            if self.trackers[mode].state is TrackerState.LOCKED
            else self._mixes_hz[mode]
            for mode in ModeId
        }
        self._converter.retune(tuple(new_hz[mode] for mode in ModeId))
        shifts: list[tuple[float, float]] = []
        for column, mode in enumerate(ModeId):
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
            self._remix_pending(column, shift)
            shifts.append((shift_turns, shift_hz))
        if self.observer is not None:
            (lower_turns, lower_hz), (upper_turns, upper_hz) = shifts
            self.observer.rotate((lower_turns, upper_turns), (lower_hz, upper_hz))

    def _remix_pending(self, column: int, shift: int) -> None:
        """Refer samples that wait for an update to the new oscillator."""
        if len(self._pending):
            decimation = self.config.decimation
            first = int(self._pending_centers[0]) // decimation
            turning = rotation(-shift * decimation, first, len(self._pending))
            self._pending[:, column] *= turning


def mean_and_early_action(actions: Sequence[PumpAction]) -> tuple[PumpAction, PumpAction]:
    """Mean of what was done in equal parts of a window, and the mean of what came early.

    Parameters
    ----------
    actions : sequence of PumpAction
        One for each part, in their order, at least one.

    Returns
    -------
    tuple of PumpAction
        Plain mean, and mean weighed by the time that was left in the window.
    """
    count = len(actions)
    if count == 1 or all(action == actions[0] for action in actions):
        return actions[0], actions[0]
    even = [1.0 / count] * count
    early = [(2.0 * (count - place) - 1.0) / count**2 for place in range(count)]
    return _weighed(actions, even), _weighed(actions, early)


def _weighed(actions: Sequence[PumpAction], weights: Sequence[float]) -> PumpAction:
    pairs = list(zip(weights, actions, strict=True))
    powers = [a.powers for a in actions if a.powers is not None]
    are_known = len(powers) == len(actions)
    return PumpAction(
        squared=sum(w * a.squared for w, a in pairs),
        lower_pull=sum(w * a.lower_pull for w, a in pairs),
        upper_pull=sum(w * a.upper_pull for w, a in pairs),
        lower_known_hz=sum(w * a.lower_known_hz for w, a in pairs),
        upper_known_hz=sum(w * a.upper_known_hz for w, a in pairs),
        lower_duffing_hz=sum(w * a.lower_duffing_hz for w, a in pairs),
        upper_duffing_hz=sum(w * a.upper_duffing_hz for w, a in pairs),
        powers=_weighed_powers(powers, weights) if are_known else None,
    )


def _weighed_powers(
    powers: Sequence[tuple[float, float]], weights: Sequence[float]
) -> tuple[float, float]:
    lower, upper = np.asarray(weights) @ np.asarray(powers)
    return float(lower), float(upper)
