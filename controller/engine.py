"""The whole loop without I/O: samples in, tones, records and events out.

    step(block, requests) -> Step(tones, records, events)

    block -> stream watch -> search, until both modes are found
                          -> tracked pair -> drives, pump, records

The engine waits for nothing, reads no clock and opens no file: the same code
runs on an instrument, on the simulator and on a recording. Whoever calls it
sets the tones and reports back with `tone_set` what was really set.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.constants import Boltzmann

from controller.errors import InputError
from controller.instrument import SampleBlock, StreamFormat, Tone, ToneChannel
from controller.records import Event, ModeId, ModeRecord, PumpState, Record, TrackerState
from controller.settings import LoopSettings
from controller.supervisor.drive import AmplitudeController, DriveConfig
from controller.supervisor.pump import PumpConfig, PumpSupervisor, PumpView
from controller.supervisor.requests import Request, RequestKind
from controller.supervisor.searching import FoundMode, Searching, SearchTarget, search_target
from controller.supervisor.stream_watch import StreamHealth, StreamWatch
from controller.supervisor.tone_state import ToneState
from controller.tracking.joint import JointConfig, JointEstimator, PumpAction, Strengths
from controller.tracking.pair import Tick, TrackedPair, pair_config
from controller.tracking.phase_tracker import PhaseTracker, PhaseTrackerConfig
from controller.tracking.stability import RunningAllan

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER
TWO_PI = 2.0 * math.pi

# Where the settings leave a drift open, the joint estimate starts here and learns:
# arbitrary within a factor 30 either way, see the tests of the joint estimate.
START_SHARED_WALK = 5.0e-3  # Hz per root second
START_SEPARATE_WALK = 3.0e-5
# A pump that may be anywhere within a third of the line still sits on it.
SIGMA_LIMIT_LINES = 1.0 / 3.0
LEAST_SIGMA_LIMIT_HZ = 1.0e-3
# A coupling that nobody measured is taken to be within ten lines at the set amplitude.
UNKNOWN_COUPLING_LINES = 10.0
WINDOW_RATIO = 0.1  # of the difference, where the settings name no window
LEAST_SEARCH_AGAIN_HZ = 20.0  # a lost mode may have jumped by some hertz
LOCK_PATIENCE_S = 120.0  # from the first search to the first lock
TICK_S = 0.1
DRIVE_NAMES = {LOWER: "drive_lower", UPPER: "drive_upper"}
PUMP_NAME = "pump"


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """What one block brought."""

    tones: tuple[Tone, ...] = ()
    records: tuple[Record, ...] = ()
    events: tuple[Event, ...] = ()


class Engine:
    """The loop for an instrument; one thread, one run.

    Parameters
    ----------
    settings : LoopSettings
        All settings.
    stream : StreamFormat
        What the samples mean.
    tones : mapping of str to ToneChannel
        The outputs that there are; "drive_lower", "drive_upper" and "pump".

    Raises
    ------
    InputError
        If modes, window or amplitudes do not fit the stream and the outputs.
    """

    def __init__(
        self, settings: LoopSettings, stream: StreamFormat, tones: Mapping[str, ToneChannel]
    ) -> None:
        self._settings, self._stream = settings, stream
        self._rate_hz = stream.sample_rate_hz
        self._metres = stream.metres_per_unit
        self._drives = {
            mode: tones[name]
            for mode, name in DRIVE_NAMES.items()
            if name in tones and settings.drive.amplitude_of(mode) > 0.0
        }
        self._pump_channel = tones.get(PUMP_NAME)
        self._check(settings)
        self._targets = {
            mode: search_target(
                settings.modes.of(mode).frequency_hz, settings.modes.of(mode).search_hz, stream
            )
            for mode in ModeId
        }
        self._watch = StreamWatch(stream)
        self._drive_tones = {mode: ToneState(self._rate_hz) for mode in self._drives}
        self._controllers: dict[ModeId, AmplitudeController] = {}
        self._feedthrough: dict[ModeId, complex] = {}
        self._drive_phases_turns: dict[ModeId, float] = {}
        self._searching: Searching | None = None
        self._pair: TrackedPair | None = None
        self._pump: PumpSupervisor | None = None
        lower, upper = settings.modes.lower, settings.modes.upper
        # sqrt(m w) of upper over lower: how unequal the two feel the coupling, in metres.
        self._action_ratio = math.sqrt(
            upper.mass_kg * upper.frequency_hz / (lower.mass_kg * lower.frequency_hz)
        )
        self._refused_off: set[str] = set()
        self._first_index: int | None = None
        self._now = 0
        self._locked_at: int | None = None
        self._last_tick: Tick | None = None
        self._ticks = 0
        self._states = dict.fromkeys(ModeId, TrackerState.SEARCHING)
        self._failure: str | None = None
        self._allan = {
            name: RunningAllan(tau0_s=TICK_S) for name in ("difference", LOWER.value, UPPER.value)
        }

    def __repr__(self) -> str:
        return f"Engine({self.status_line})"

    # -- what the runner asks ----------------------------------------------------

    @property
    def failure(self) -> str | None:
        """Why the run cannot go on; None while it can."""
        return self._failure

    @property
    def finished(self) -> bool:
        """Whether the run's duration, counted from the first lock, is over."""
        if self._locked_at is None:
            return False
        return self._now - self._locked_at >= self._settings.run.duration_s * self._rate_hz

    @property
    def has_locked(self) -> bool:
        """Whether both modes were locked at least once."""
        return self._locked_at is not None

    @property
    def allan(self) -> Mapping[str, RunningAllan]:
        """Running Allan deviations of the difference and of each mode."""
        return self._allan

    @property
    def results(self) -> Mapping[str, dict[str, object]]:
        """Results beyond the records; none for an instrument without a protocol."""
        return {}

    @property
    def status_line(self) -> str:
        """The loop in a few words."""
        if self._searching is not None:
            return f"searching: {self._searching.status}"
        if self._pair is None or self._last_tick is None or self._pump is None:
            return "starting"
        states = "/".join(self._pair.trackers[mode].state.value for mode in ModeId)
        joint = self._last_tick.joint
        assert joint is not None
        return (
            f"{states}  difference {joint.difference_hz:.5f} Hz "
            f"+- {1e3 * joint.difference_sigma_hz:.3f} mHz  pump {self._pump.state.value}"
        )

    # -- one block ---------------------------------------------------------------

    def step(self, block: SampleBlock, requests: Sequence[Request] = ()) -> Step:
        """Take the next block.

        Parameters
        ----------
        block : SampleBlock
            The next samples; a gap shows in `first_sample`.
        requests : sequence of Request
            What the operator asks.

        Returns
        -------
        Step
            Tones to set now, in this order; records and events.
        """
        if self._first_index is None:
            self._first_index = block.first_sample
            self._begin_search(block.first_sample, self._targets)
        self._now = block.first_sample + len(block.samples)
        tones: list[Tone] = []
        records: list[Record] = []
        events: list[Event] = []
        health = self._watch.process(block)
        for reason in health.reasons:
            events.append(self._event("stream", "unfit", reason))
        for request in requests:
            if request.kind is RequestKind.MARK:
                events.append(self._event("run", "mark", request.text))
        if self._searching is not None:
            self._search(block, health, tones, events)
        elif self._pair is not None:
            self._track(block, health, tuple(requests), tones, records, events)
        tones.extend(self._tone_off(name) for name in sorted(self._refused_off))
        self._refused_off.clear()
        return Step(tones=tuple(tones), records=tuple(records), events=tuple(events))

    def tone_set(self, asked: Tone, actual: Tone | None, reason: str = "") -> tuple[Event, ...]:
        """Take note of what the instrument did with a command.

        Parameters
        ----------
        asked : Tone
            The command.
        actual : Tone or None
            What was really set; None if it was refused.
        reason : str
            Why it was refused.

        Returns
        -------
        tuple of Event
            What follows from a refusal.
        """
        if actual is None:
            events = [self._event(asked.channel, "refused", reason)]
            if asked.amplitude == 0.0:
                self._refused_off.add(asked.channel)  # ask again with the next block
            elif asked.channel == PUMP_NAME and self._pump is not None:
                events.extend(self._pump.tone_refused(self._now, reason))
                self._refused_off.add(PUMP_NAME)
            return tuple(events)
        if asked.channel == PUMP_NAME and self._pump is not None:
            self._pump.tone.process(actual)
        for mode, state in self._drive_tones.items():
            if DRIVE_NAMES[mode] == asked.channel:
                state.process(actual)
        return ()

    def finish(self) -> Step:
        """The stream has ended: tones off."""
        return Step(tones=self.stop_tones())

    def stop_tones(self) -> tuple[Tone, ...]:
        """Every tone off, the pump first."""
        names = [PUMP_NAME] if self._pump_channel is not None else []
        names += [DRIVE_NAMES[mode] for mode in self._drives]
        return tuple(self._tone_off(name) for name in names)

    # -- search --------------------------------------------------------------------

    def _begin_search(self, first_index: int, targets: Mapping[ModeId, SearchTarget]) -> None:
        self._pair, self._last_tick = None, None
        self._searching = Searching(
            self._stream, self._drives, self._settings.drive, targets, first_index
        )

    def _targets_again(self) -> Mapping[ModeId, SearchTarget]:
        """Where lost modes are looked for first: near where they were last."""
        pair = self._pair
        assert pair is not None
        targets = {}
        for mode, tracker in pair.trackers.items():
            frequency_hz = pair.frequency_hz(mode)
            original = self._targets[mode]
            far = abs(frequency_hz - original.frequency_hz) > 2.0 * original.half_width_hz
            sigma_hz = max(tracker.frequency_sigma_hz, LEAST_SEARCH_AGAIN_HZ / 5.0)
            half_width_hz = min(5.0 * sigma_hz, original.half_width_hz)
            targets[mode] = (
                original
                if far
                else SearchTarget(
                    frequency_hz=frequency_hz, half_width_hz=half_width_hz, was_there=True
                )
            )
        return targets

    def _search(
        self, block: SampleBlock, health: StreamHealth, tones: list[Tone], events: list[Event]
    ) -> None:
        searching = self._searching
        assert searching is not None
        if health.missing_samples or not health.is_usable:
            searching.restart(self._now if not health.is_usable else block.first_sample)
            tones.extend(self._tone_off(DRIVE_NAMES[mode]) for mode in self._drives)
            if not health.is_usable:
                return
        elif health.reasons and searching.is_pinging:
            searching.quieter(self._now)
            tones.extend(self._tone_off(DRIVE_NAMES[mode]) for mode in self._drives)
            events.append(self._event("search", "quieter", "the ping overloaded the detector"))
            return
        step = searching.process(block.samples, block.first_sample)
        tones.extend(step.tones)
        events.extend(step.events)
        if step.found is not None:
            self._begin_tracking(step.found, events)
        elif step.failure is not None:
            if self._locked_at is None:
                self._failure = step.failure
            events.append(self._event("search", "failed", step.failure))
            self._begin_search(self._now, self._targets)

    def _begin_tracking(self, found: Mapping[ModeId, FoundMode], events: list[Event]) -> None:
        spacing_hz = found[UPPER].frequency_hz - found[LOWER].frequency_hz
        config = pair_config(
            self._rate_hz,
            self._stream.center_hz,
            self._stream.dtype.startswith("complex"),
            abs(spacing_hz),
            min(TICK_S, 1.0 / self._settings.run.record_rate_hz),
        )
        trackers = {mode: self._tracker(mode, found[mode], config.update_s) for mode in ModeId}
        frequencies_hz = {mode: found[mode].frequency_hz for mode in ModeId}
        joint = JointEstimator(self._joint_config(found))
        self._pair = TrackedPair(config, frequencies_hz, trackers, joint, self._now)
        for mode in ModeId:
            trackers[mode].start(
                turns=0.0,
                offset_hz=0.0,
                frequency_sigma_hz=max(found[mode].frequency_sigma_hz, 0.05),
                amplitude=found[mode].amplitude,
            )
        self._drive_phases_turns = {
            mode: found[mode].drive_phase_rad / TWO_PI for mode in self._drives
        }
        self._feedthrough = {mode: found[mode].feedthrough for mode in self._drives}
        self._controllers = {
            mode: AmplitudeController(self._drive_config(mode, found[mode]))
            for mode in self._drives
        }
        if self._pump is None:
            self._pump = PumpSupervisor(self._pump_config(abs(spacing_hz)))
        self._searching = None
        self._states = dict.fromkeys(ModeId, TrackerState.SEARCHING)
        self._record_every = max(
            1, round(1.0 / (self._settings.run.record_rate_hz * config.tick_s))
        )
        events.append(
            self._event(
                "run",
                "rates",
                f"basebands at {self._rate_hz / config.decimation:.6g} Hz, updates of "
                f"{1e3 * config.update_s:.4g} ms, ticks of {1e3 * config.tick_s:.4g} ms",
            )
        )

    def _tracker(self, mode: ModeId, found: FoundMode, update_s: float) -> PhaseTracker:
        tracking = self._settings.tracking
        noise = tracking.detector_noise
        return PhaseTracker(
            PhaseTrackerConfig(
                update_s=update_s,
                detector_noise=found.detector_noise if noise is None else noise / self._metres,
                thermal_amplitude=self._thermal_amplitude(mode, found.frequency_hz),
                decay_rate_per_s=self._decay_rate(mode, found.frequency_hz),
                walk_hz_per_root_s=tracking.common_walk_hz_per_root_s or START_SHARED_WALK,
            )
        )

    def _joint_config(self, found: Mapping[ModeId, FoundMode]) -> JointConfig:
        modes, pump, tracking = self._settings.modes, self._settings.pump, self._settings.tracking
        shared = tracking.common_walk_hz_per_root_s
        separate = tracking.separate_walk_hz_per_root_s
        coupling_sigma_hz = pump.coupling_sigma_hz_per_unit
        if coupling_sigma_hz is None:
            known = pump.coupling_hz_per_unit
            coupling_sigma_hz = (
                UNKNOWN_COUPLING_LINES * self._narrower_line_hz() / max(pump.amplitude, 1e-9)
                if known is None
                else 0.1 * abs(known)
            )
        return JointConfig(
            lower_reference_hz=found[LOWER].frequency_hz,
            upper_reference_hz=found[UPPER].frequency_hz,
            frequency_sigma_hz=max(f.frequency_sigma_hz for f in found.values()) + 0.1,
            strengths=Strengths(
                shared_walk=(shared or START_SHARED_WALK) ** 2,
                separate_walk=(separate or START_SEPARATE_WALK) ** 2,
            ),
            learnt=(shared is None, separate is None, True, True),
            drift_ratio_sigma=tracking.drift_ratio_sigma,
            pump_shift_hz=(modes.lower.pump_shift_hz_per_v2, modes.upper.pump_shift_hz_per_v2),
            pump_shift_sigma_hz=(
                modes.lower.pump_shift_sigma_hz_per_v2,
                modes.upper.pump_shift_sigma_hz_per_v2,
            ),
            coupling_hz=pump.coupling_hz_per_unit or 0.0,
            coupling_quadrature_sigma_hz=coupling_sigma_hz,
            coupling_sigma_hz=coupling_sigma_hz,
            asymmetry_sigma=0.5 * pump.mass_ratio_sigma,
        )

    def _drive_config(self, mode: ModeId, found: FoundMode) -> DriveConfig:
        channel = self._drives[mode]
        decay = self._decay_rate(mode, found.frequency_hz)
        target = self._settings.drive.amplitude_of(mode) / self._metres
        # Without a ping's word: as if the channel's limit could hold ten times the target.
        assumed = 5.0 * decay * target / channel.max_amplitude
        return DriveConfig(
            target_amplitude=target,
            decay_rate_per_s=decay,
            max_amplitude=channel.max_amplitude,
            responsivity=found.responsivity or assumed,
        )

    def _pump_config(self, spacing_hz: float) -> PumpConfig:
        pump = self._settings.pump
        channel = self._pump_channel
        if channel is None:  # nothing to switch: the supervisor stays off
            channel = ToneChannel(PUMP_NAME, "V", 0.0, 0.0, math.inf, 0, True, True)
        window_hz = pump.difference_window_hz or (
            (1.0 - WINDOW_RATIO) * spacing_hz,
            (1.0 + WINDOW_RATIO) * spacing_hz,
        )
        assert self._first_index is not None
        return PumpConfig(
            channel=channel,
            sample_rate_hz=self._rate_hz,
            amplitude=min(pump.amplitude, channel.max_amplitude),
            offset_hz=pump.offset_hz,
            coupling_phase_rad=pump.coupling_phase_rad,
            window_hz=window_hz,
            sigma_limit_hz=pump.sigma_limit_hz
            or max(SIGMA_LIMIT_LINES * self._narrower_line_hz(), LEAST_SIGMA_LIMIT_HZ),
            healthy_s=pump.healthy_s,
            ramp_s=pump.ramp_s,
            from_index=self._first_index + round(self._settings.run.pump_from_s * self._rate_hz),
        )

    # -- tracking ------------------------------------------------------------------

    def _track(
        self,
        block: SampleBlock,
        health: StreamHealth,
        requests: tuple[Request, ...],
        tones: list[Tone],
        records: list[Record],
        events: list[Event],
    ) -> None:
        pair, pump = self._pair, self._pump
        assert pair is not None and pump is not None
        ticks: list[Tick] = []
        if health.missing_samples or not health.is_usable:
            resume = block.first_sample if health.is_usable else self._now
            pair.interrupt(resume, health.reasons[0])
        if health.is_usable:
            ticks = pair.process(block.samples, block.first_sample, self)
        events.extend(self._state_changes())
        pump_tones, pump_events = pump.process(self._view(health, bool(ticks)), requests)
        tones.extend(pump_tones)
        events.extend(pump_events)
        for tick in ticks:
            self._take_tick(tick)
            self._ticks += 1
            if self._ticks % self._record_every == 0:
                records.append(self._record(tick))
        if ticks:
            tones.extend(self._drive())
        if any(pair.trackers[mode].state is TrackerState.LOST for mode in ModeId):
            tones.extend(self.stop_tones())
            events.append(self._event("run", "search", "a line was lost: the search begins again"))
            self._begin_search(self._now, self._targets_again())
        elif self._locked_at is None and self._waited_s() > LOCK_PATIENCE_S:
            self._failure = f"no lock within {LOCK_PATIENCE_S:g} s: " + "; ".join(
                f"{mode.value} {pair.trackers[mode].state.value} ({pair.trackers[mode].reason})"
                for mode in ModeId
            )

    def _waited_s(self) -> float:
        assert self._first_index is not None
        return (self._now - self._first_index) / self._rate_hz

    def _view(self, health: StreamHealth, is_tick: bool) -> PumpView:
        pair = self._pair
        assert pair is not None
        reasons = list(health.reasons)
        locked = True
        for mode, tracker in pair.trackers.items():
            if tracker.state is not TrackerState.LOCKED:
                locked = False
                reasons.append(f"{mode.value} {tracker.state.value}: {tracker.reason}")
        if locked and self._locked_at is None:
            self._locked_at = self._now
        if locked and not self._amplitudes_reached():
            reasons.append("the drives have not reached their amplitudes")
        joint = pair.joint.estimate() if is_tick else None
        if joint is None and self._last_tick is not None:
            joint = self._last_tick.joint
        turns = None
        if locked and pair.center_index is not None:
            turns = pair.motion_turns(UPPER, self._now) - pair.motion_turns(LOWER, self._now)
        return PumpView(
            sample_index=self._now,
            reasons=tuple(reasons),
            difference_hz=None if joint is None else joint.difference_hz,
            tracked_sigma_hz=None if joint is None else joint.tracked_sigma_hz,
            difference_turns=turns,
            is_tick=is_tick,
        )

    def _amplitudes_reached(self) -> bool:
        """Before the pump comes on the first time, the drives have rung up.

        While a mode is rung up its frequency chirps and the pull of the pump
        would change; once the pump is on, amplitudes are the pump's affair.
        """
        assert self._pair is not None and self._pump is not None
        if self._pump.state is PumpState.ON:
            return True
        return all(
            self._pair.trackers[mode].amplitude > 0.9 * controller.config.target_amplitude
            for mode, controller in self._controllers.items()
        )

    def _take_tick(self, tick: Tick) -> None:
        """What the joint estimate learnt goes to the loops and the statistics."""
        pair = self._pair
        assert pair is not None and tick.joint is not None
        self._last_tick = tick
        for tracker in pair.trackers.values():
            tracker.walk_hz_per_root_s = tick.joint.shared_walk_hz_per_root_s
        locked = all(s.state is TrackerState.LOCKED for s in tick.modes.values())
        values = {
            "difference": tick.joint.difference_hz,
            LOWER.value: tick.modes[LOWER].frequency_hz,
            UPPER.value: tick.modes[UPPER].frequency_hz,
        }
        for name, running in self._allan.items():
            if locked:
                running.process(np.array([values[name]]))
            else:
                running.interrupt()

    def _drive(self) -> list[Tone]:
        """Each drive 90 degrees ahead of its mode, as strong as it takes."""
        pair, pump = self._pair, self._pump
        assert pair is not None and pump is not None
        tones = []
        for mode, controller in self._controllers.items():
            tracker = pair.trackers[mode]
            channel = self._drives[mode]
            if tracker.state is not TrackerState.LOCKED:
                controller.rest()
                if self._drive_tones[mode].amplitude > 0.0:
                    tones.append(self._tone_off(channel.name))
                continue
            amplitude = controller.process(
                tracker.amplitude,
                tracker.amplitude_sigma,
                pair.config.tick_s,
                learn=pump.tone.amplitude == 0.0,
            )
            ahead_turns = math.copysign(0.25, amplitude) - self._drive_phases_turns[mode]
            turns = pair.motion_turns(mode, self._now) + ahead_turns
            tones.append(
                Tone(
                    channel=channel.name,
                    at_sample=self._now,
                    frequency_hz=pair.motion_hz(mode),
                    amplitude=abs(amplitude),
                    phase_rad=TWO_PI * (turns % 1.0),
                )
            )
        return tones

    # -- Influence: what drives and pump do to the measurement -----------------------

    def feedthrough(self, mode: ModeId, mix_hz: float, centers: np.ndarray) -> np.ndarray | None:
        """The drive of a mode as the detector sees it, in the baseband's frame."""
        leak = self._feedthrough.get(mode, 0j)
        state = self._drive_tones.get(mode)
        first = int(centers[0])
        if state is None or leak == 0j:
            return None
        amplitude = state.amplitude_at(first)
        if amplitude == 0.0:
            return None
        assert self._pair is not None
        turns = state.turns_at(first) - self._pair.oscillator_turns(mode, first)
        elapsed_s = (centers - first) / self._rate_hz
        detuning_hz = state.frequency_at(first) - mix_hz
        return leak * amplitude * np.exp(2j * math.pi * (turns + detuning_hz * elapsed_s))

    def action(self, pair: TrackedPair, center_index: float) -> PumpAction:
        """Pull and shift by pump and drives at an update."""
        if pair.center_index is None:
            return PumpAction()
        turns = {mode: pair.motion_turns(mode, center_index) for mode in ModeId}
        known_hz = {mode: self._drive_pull_hz(mode, turns[mode], center_index) for mode in ModeId}
        assert self._pump is not None
        pump_tone = self._pump.tone
        amplitude = pump_tone.amplitude_at(center_index)
        lower_pull = upper_pull = 0j
        if amplitude > 0.0:
            psi = TWO_PI * (turns[UPPER] - turns[LOWER] - pump_tone.turns_at(center_index))
            psi -= self._settings.pump.coupling_phase_rad
            lower, upper = (max(t.amplitude, t.quadrature_sigma) for t in pair.trackers.values())
            # In metres the coupling is unequal: g_lower m w = g_upper m w of the other.
            ratio = self._action_ratio * upper / lower
            lower_pull = amplitude * ratio * cmath.exp(1j * psi)
            upper_pull = amplitude / ratio * cmath.exp(1j * psi)
        return PumpAction(
            squared=amplitude * amplitude,
            lower_pull=lower_pull,
            upper_pull=upper_pull,
            lower_known_hz=known_hz[LOWER],
            upper_known_hz=known_hz[UPPER],
        )

    def _drive_pull_hz(self, mode: ModeId, turns: float, center_index: float) -> float:
        """Rate that a drive adds which is not exactly 90 degrees ahead [Hz]."""
        state, controller = self._drive_tones.get(mode), self._controllers.get(mode)
        if state is None or controller is None:
            return 0.0
        drive = state.amplitude_at(center_index)
        assert self._pair is not None
        tracker = self._pair.trackers[mode]
        if drive == 0.0 or tracker.state is not TrackerState.LOCKED:
            return 0.0
        applied_turns = state.turns_at(center_index) + self._drive_phases_turns[mode]
        off_turns = applied_turns - turns - 0.25
        push = controller.responsivity * drive / max(tracker.amplitude, tracker.quadrature_sigma)
        return push * math.sin(TWO_PI * off_turns) / TWO_PI

    # -- records -------------------------------------------------------------------

    def _record(self, tick: Tick) -> Record:
        pair, pump, joint = self._pair, self._pump, tick.joint
        assert pair is not None and pump is not None and joint is not None
        index = round(tick.center_index)
        known = self._locked_at is not None
        pump_amplitude = pump.tone.amplitude_at(index)
        return Record(
            sample_index=index,
            time_s=index / self._rate_hz,
            modes={mode: self._mode_record(mode, tick) for mode in ModeId},
            difference_hz=joint.difference_hz if known else None,
            difference_sigma_hz=joint.difference_sigma_hz if known else None,
            difference_innovation_ratio=joint.innovation_ratio,
            drift_ratio=joint.drift_ratio,
            drift_ratio_sigma=joint.drift_ratio_sigma,
            pump_hz=pump.tone.frequency_at(index) if pump_amplitude > 0.0 else None,
            pump_amplitude=pump_amplitude,
            pump_state=pump.state,
        )

    def _mode_record(self, mode: ModeId, tick: Tick) -> ModeRecord:
        snapshot = tick.modes[mode]
        assert self._pair is not None
        pull_sigma_hz = self._pair.joint.pull_sigma_hz(mode)
        decay_s = decay_sigma_s = None
        if mode not in self._drives and snapshot.growth_per_s < 0.0:
            decay_s = -1.0 / snapshot.growth_per_s
            decay_sigma_s = snapshot.growth_sigma_per_s * decay_s**2
        drive = self._drive_tones.get(mode)
        return ModeRecord(
            state=snapshot.state,
            frequency_hz=snapshot.frequency_hz,
            frequency_sigma_hz=math.hypot(snapshot.frequency_sigma_hz, pull_sigma_hz),
            amplitude=snapshot.amplitude * self._metres,
            amplitude_sigma=snapshot.amplitude_sigma * self._metres,
            phase_error_rad=snapshot.phase_error_rad,
            phase_sigma_rad=snapshot.phase_sigma_rad,
            snr_db=snapshot.snr_db if math.isfinite(snapshot.snr_db) else None,
            innovation_ratio=snapshot.innovation_ratio,
            loop_bandwidth_hz=snapshot.loop_bandwidth_hz,
            decay_time_s=decay_s,
            decay_time_sigma_s=decay_sigma_s,
            cycle_slips=snapshot.cycle_slips,
            drive_amplitude=0.0 if drive is None else drive.amplitude_at(tick.center_index),
        )

    def _state_changes(self) -> list[Event]:
        assert self._pair is not None
        events = []
        for mode, tracker in self._pair.trackers.items():
            if tracker.state is not self._states[mode]:
                text = f"{self._states[mode].value} -> {tracker.state.value}: {tracker.reason}"
                events.append(self._event(mode.value, "state", text))
                self._states[mode] = tracker.state
        return events

    def _event(self, source: str, kind: str, text: str) -> Event:
        return Event(
            sample_index=self._now,
            time_s=self._now / self._rate_hz,
            source=source,
            kind=kind,
            text=text,
        )

    # -- small things ----------------------------------------------------------------

    def _tone_off(self, name: str) -> Tone:
        if name == PUMP_NAME and self._pump is not None:
            return self._pump.off_now(self._now)
        frequency_hz = next(
            (self._targets[mode].frequency_hz for mode in ModeId if DRIVE_NAMES[mode] == name),
            0.0,
        )
        return Tone(channel=name, at_sample=self._now, frequency_hz=frequency_hz, amplitude=0.0)

    def _thermal_amplitude(self, mode: ModeId, frequency_hz: float) -> float:
        """x_th in sample units; 0 where the stream is not calibrated."""
        if self._metres == 1.0:
            return 0.0
        settings = self._settings
        stiffness = settings.modes.of(mode).mass_kg * (TWO_PI * frequency_hz) ** 2
        return math.sqrt(Boltzmann * settings.tracking.temperature_k / stiffness) / self._metres

    def _narrower_line_hz(self) -> float:
        """Width of the narrower line, f / Q [Hz]."""
        modes = (self._settings.modes.lower, self._settings.modes.upper)
        return min(mode.frequency_hz / mode.quality_factor for mode in modes)

    def _decay_rate(self, mode: ModeId, frequency_hz: float) -> float:
        """gamma, the energy's decay rate, from the configured quality factor [1/s]."""
        return TWO_PI * frequency_hz / self._settings.modes.of(mode).quality_factor

    def _check(self, settings: LoopSettings) -> None:
        lower, upper = settings.modes.lower, settings.modes.upper
        if not lower.frequency_hz < upper.frequency_hz:
            raise InputError(
                f"modes.upper.frequency_hz is {upper.frequency_hz:g}, not above "
                f"modes.lower.frequency_hz = {lower.frequency_hz:g}"
            )
        channel = self._pump_channel
        if settings.pump.amplitude > 0.0:
            if channel is None:
                raise InputError(
                    "pump.amplitude is set, but the instrument has no tone channel 'pump'"
                )
            if settings.pump.amplitude > channel.max_amplitude:
                raise InputError(
                    f"pump.amplitude is {settings.pump.amplitude:g}, the channel gives at most "
                    f"{channel.max_amplitude:g} {channel.amplitude_unit}"
                )
        for mode, drive in self._drives.items():
            frequency_hz = settings.modes.of(mode).frequency_hz
            if not drive.min_frequency_hz <= frequency_hz <= drive.max_frequency_hz:
                raise InputError(
                    f"modes.{mode.value}.frequency_hz is {frequency_hz:g}, outside what "
                    f"{drive.name} can do: {drive.min_frequency_hz:g} to "
                    f"{drive.max_frequency_hz:g} Hz"
                )
