"""The whole loop without I/O: samples in, tones, records and events out.

    step(block, requests) -> Step(tones, records, events)

    block -> stream watch -> search, until both modes are found
                          -> tracked pair -> drives, pump, records

The engine waits for nothing, reads no clock and opens no file: the same code
runs on an instrument, on the simulator and on a recording. Whoever calls it
sets the tones and reports back with `tone_set` what was really set.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from controller.errors import InputError
from controller.instrument import SampleBlock, StreamFormat, Tone, ToneChannel
from controller.protocol.runner import LoopView, ProtocolRunner
from controller.records import (
    Baseband,
    EstimateSource,
    Event,
    Knowledge,
    ModeId,
    PumpState,
    Record,
    Section,
    TrackerState,
)
from controller.settings import LoopSettings
from controller.supervisor.configs import (
    DRIVE_NAMES,
    LEAST_START_SIGMA_HZ,
    PUMP_NAME,
    action_ratio,
    check_settings,
    decay_rate_per_s,
    drive_config,
    driven_channels,
    duffing_shift,
    joint_config,
    observer_config,
    pump_config,
    record_rate,
    thermal_motion,
    tracker_config,
)
from controller.supervisor.drives import DrivePath, Drives
from controller.supervisor.evidence import doubt_of_estimate, doubts_of_observer, has_jumped
from controller.supervisor.exchange_memory import ExchangeMemory
from controller.supervisor.influence import ToneInfluence
from controller.supervisor.live_difference import LiveDifference, LiveEstimate
from controller.supervisor.loop_record import baseband, searching_record, tracking_record
from controller.supervisor.pump import PumpSupervisor, PumpView
from controller.supervisor.requests import PumpWish, Request, RequestKind
from controller.supervisor.searching import (
    MOST_ATTEMPTS,
    FoundMode,
    Searching,
    SearchTarget,
    longest_search_s,
    search_target,
)
from controller.supervisor.stream_watch import StreamHealth, StreamWatch
from controller.supervisor.whereabouts import Whereabouts
from controller.tracking.joint import JointEstimator
from controller.tracking.observer import Observer
from controller.tracking.pair import Tick, TrackedPair, pair_config
from controller.tracking.phase_tracker import PhaseTracker
from controller.tracking.stability import RunningAllan

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER

# Longer blocks are followed in pieces: an update long, so that no state of a tracker
# comes and goes unseen between two looks at it.
PIECE_S = 0.02
LOCK_PATIENCE_S = 120.0  # from the start to the first lock, where searches are short
SEARCHES_WAITED_FOR = 3.0  # of the longest kind, where they are long
# A joint estimate that is in doubt for so long begins anew from the loops' frequencies.
ESTIMATE_LOST_S = 1.0
# A mode that falls out of lock so often in so short a time is followed with a wrong idea of
# it, such as a ping that was disturbed: it is searched for anew.
MOST_FALLS = 8
FALLS_S = 20.0
FALLS_TO = {
    TrackerState.PULLING_IN: TrackerState.HOLDING,
    TrackerState.LOCKED: TrackerState.HOLDING,
    TrackerState.HOLDING: TrackerState.LOST,
    TrackerState.LOST: TrackerState.SEARCHING,
}
NOT_DRIVEN = "no such mode is driven now"
# A drive that rings a mode up or down within some seconds turns its phase by some ten
# milliradians, which looks like a walk of the difference by a millihertz.
RAMP_WALK_HZ_PER_ROOT_S = 1.0e-3
STUCK_S = 5.0  # worth of blocks in a row from before the stream's end


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """What one block brought."""

    tones: tuple[Tone, ...] = ()
    records: tuple[Record, ...] = ()
    events: tuple[Event, ...] = ()
    basebands: tuple[Baseband, ...] = ()  # where a protocol records, or somebody watches
    are_basebands_recorded: bool = False  # by a protocol: they belong into the log
    sections: tuple[Section, ...] = ()  # of the protocol, that have ended
    results: Mapping[str, dict[str, object]] = field(default_factory=dict)  # of one that ended


@dataclass(slots=True, kw_only=True)
class _Outcome:
    """A step in the making."""

    tones: list[Tone] = field(default_factory=list)
    records: list[Record] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    basebands: list[Baseband] = field(default_factory=list)
    sections: list[Section] = field(default_factory=list)
    are_basebands_recorded: bool = False
    results: dict[str, dict[str, object]] = field(default_factory=dict)


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
    protocol : ProtocolRunner, optional
        What is carried out; the run ends with it. None: the pump is kept on the
        difference for the run's duration.
    is_endless : bool
        Go on until somebody stops the stream: the first lock is waited for as
        long as it takes, and after a protocol the loop goes on without one.
    watches_basebands : bool
        Hand out basebands in every step, also where no protocol records.

    Raises
    ------
    InputError
        If modes, window or amplitudes do not fit the stream and the outputs.
    """

    def __init__(
        self,
        settings: LoopSettings,
        stream: StreamFormat,
        tones: Mapping[str, ToneChannel],
        protocol: ProtocolRunner | None = None,
        *,
        is_endless: bool = False,
        watches_basebands: bool = False,
    ) -> None:
        check_settings(settings, stream, tones)
        self._settings, self._stream = settings, stream
        self._rate_hz = stream.sample_rate_hz
        self.protocol = protocol
        self._is_endless, self._watches_basebands = is_endless, watches_basebands
        self._pump_channel = tones.get(PUMP_NAME)
        modes = settings.modes
        targets = {
            mode: search_target(
                modes.of(mode).frequency_hz,
                modes.of(mode).search_hz,
                stream,
                thermal_motion(settings, stream, mode),
            )
            for mode in ModeId
        }
        decays_per_s = {
            mode: decay_rate_per_s(settings, mode, modes.of(mode).frequency_hz) for mode in ModeId
        }
        likely = {
            mode: replace(
                targets[mode],
                frequency_hz=likely_hz,
                half_width_hz=min(modes.of(mode).likely_within_hz, modes.of(mode).search_hz),
            )
            for mode in ModeId
            if (likely_hz := modes.of(mode).likely_hz) is not None
        }
        self._whereabouts = Whereabouts(targets, decays_per_s, self._rate_hz, likely)
        self._watch = StreamWatch(stream)
        self._drives = Drives(driven_channels(settings, tones), self._rate_hz)
        self._pump = self._new_pump(0)
        self._searching: Searching | None = None
        self._is_looking_where_likely = False  # in the first search of all
        self._pair: TrackedPair | None = None
        self._influence: ToneInfluence | None = None
        self._last_tick: Tick | None = None
        self._live_difference = LiveDifference()
        self._live: LiveEstimate | None = None
        self._states = dict.fromkeys(ModeId, TrackerState.SEARCHING)
        self._falls: dict[ModeId, list[int]] = {mode: [] for mode in ModeId}  # out of lock, when
        self._doubts: dict[ModeId, str] = {}  # what spoke against a mode during this block
        self._first_index: int | None = None
        self._now = 0
        self._late_samples = 0  # of blocks in a row that brought nothing new
        self._unfit_reasons: tuple[str, ...] = ()
        self._refusals: dict[str, str] = {}  # of the last command of a channel
        self._locked_at: int | None = None
        self._has_pair_locked = False
        self._both_locked_at: int | None = None  # when last
        self._is_relock_due = False
        self._estimate_doubt = ""
        self._estimate_lost_s = 0.0
        self._failure: str | None = None
        self._record_rate = record_rate(settings)
        self._next_record_index = 0  # while searching
        self._ticks = 0
        self._allan: dict[str, RunningAllan] = {}
        self._memory = ExchangeMemory(stream.sample_rate_hz)
        self._new_differences_hz: list[float | None] = []  # of this block; None: in doubt
        self._asked: tuple[Request, ...] = ()  # by the protocol, with the last block
        self._records_basebands = False  # the protocol, from the last block on
        self._protocol_from = 0  # where one began that is carried out

    def __repr__(self) -> str:
        return f"Engine({self.status_line})"

    def _new_pump(self, first_index: int) -> PumpSupervisor:
        return PumpSupervisor(
            pump_config(
                self._settings,
                self._pump_channel,
                self._rate_hz,
                # A protocol says itself when the pump comes on.
                None if self.protocol is not None else first_index,
            )
        )

    # -- what the runner asks ----------------------------------------------------

    @property
    def failure(self) -> str | None:
        """Why the run cannot go on; None while it can."""
        if self._failure is None and self.protocol is not None and not self._is_endless:
            return self.protocol.failure
        return self._failure

    @property
    def finished(self) -> bool:
        """Whether the protocol, or the run's duration from the first lock on, is over."""
        if self._is_endless:
            return False
        if self.protocol is not None:
            return self.protocol.is_finished
        if self._locked_at is None:
            return False
        return self._now - self._locked_at >= self._settings.run.duration_s * self._rate_hz

    @property
    def has_locked(self) -> bool:
        """Whether both modes were locked at least once."""
        return self._locked_at is not None

    @property
    def pump_state(self) -> PumpState:
        """What the pump may do now."""
        return self._pump.state

    @property
    def pump_wish(self) -> PumpWish:
        """How the pump should be while it is on."""
        return self._pump.wish

    @property
    def tracker_states(self) -> tuple[TrackerState, ...]:
        """Of the lower and of the upper mode."""
        return tuple(self._states[mode] for mode in ModeId)

    @property
    def allan(self) -> Mapping[str, RunningAllan]:
        """Running Allan deviations of the difference and of each mode, once there are any."""
        return self._allan

    @property
    def results(self) -> Mapping[str, dict[str, object]]:
        """Results beyond the records: how the protocol went."""
        if self.protocol is None:
            return {}
        if not self._is_endless:
            return {"protocol": self.protocol.results}
        # There may be others in the same log.
        from_s, now_s = self._protocol_from / self._rate_hz, self._now / self._rate_hz
        return {"protocol": {**self.protocol.results, "start_s": from_s, "end_s": now_s}}

    @property
    def knowledge(self) -> Knowledge | None:
        """What was learnt of the modes that are followed now, for the next start."""
        if self._pair is None or self._locked_at is None:
            return None
        joint, shifts_hz = self._pair.joint.estimate(), self._pair.joint.pump_shifts_hz()
        return Knowledge(
            shared_walk_hz_per_root_s=joint.shared_walk_hz_per_root_s,
            separate_walk_hz_per_root_s=joint.separate_walk_hz_per_root_s,
            drift_ratio=joint.drift_ratio,
            drift_ratio_sigma=joint.drift_ratio_sigma,
            coupling_hz_per_unit=joint.coupling_hz,
            coupling_sigma_hz_per_unit=joint.coupling_sigma_hz,
            pump_shift_hz_per_unit2={mode: shift for mode, (shift, _) in shifts_hz.items()},
            pump_shift_sigma_hz_per_unit2={mode: sigma for mode, (_, sigma) in shifts_hz.items()},
        )

    @property
    def status_line(self) -> str:
        """The loop in a few words."""
        if self.protocol is None:
            return self._loop_line
        return f"{self.protocol.status}, {self.protocol.remaining_s:.0f} s left  {self._loop_line}"

    @property
    def _loop_line(self) -> str:
        if self._searching is not None:
            return f"searching: {self._searching.status}"
        if self._pair is None or self._last_tick is None:
            return "starting"
        states = "/".join(self._states[mode].value for mode in ModeId)
        live = self._live
        if live is None:
            return "starting"
        return (
            f"{states}  difference {live.difference_hz:.5f} Hz "
            f"± {1e3 * live.difference_sigma_hz:.3f} mHz  pump {self._pump.state.value}"
        )

    # -- protocols of an endless run ---------------------------------------------

    def begin_protocol(self, protocol: ProtocolRunner) -> None:
        """Carry out a protocol from the next block on; the pump is the protocol's until it ends.

        Parameters
        ----------
        protocol : ProtocolRunner
            New.

        Raises
        ------
        InputError
            If another one is being carried out.
        """
        if self.protocol is not None:
            raise InputError(f"{self.protocol.title or 'a protocol'} is being carried out")
        self.protocol = protocol
        self._protocol_from = self._now
        self._pump.begin_direction()

    def _end_protocol(self, out: _Outcome) -> None:
        """Back to the plain loop: the pump waits for its operator, the modes are driven as ever."""
        out.results.update(self.results)
        self.protocol = None
        self._pump.end_direction()
        self._asked = (*self._asked, *self._drives_as_configured())

    def _drives_as_configured(self) -> Iterator[Request]:
        for mode in self._drives.channels:
            yield Request(
                kind=RequestKind.DRIVE,
                text=mode.value,
                value=self._settings.drive.amplitude_of(mode),
                who="run",
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
        out = _Outcome()
        if self._first_index is None:
            self._begin(block.first_sample, out)
        self._advance(block)
        health = self._watch.process(block)
        self._note_health(health, out)
        asked = (*self._asked, *requests)
        for request in asked:
            if request.kind is RequestKind.MARK:
                out.events.append(self._event("run", "mark", request.text))
            elif request.kind in (RequestKind.RELEASE, RequestKind.DRIVE):
                self._let_go_or_hold(request, out)
        out.tones.extend(self._drives.off_again(self._now))
        self._new_differences_hz.clear()
        if self._searching is not None:
            self._search(block, health, asked, out)
        else:
            self._track(block, health, asked, out)
        self._asked = ()
        if self.protocol is not None:
            out.are_basebands_recorded = self._records_basebands
            self._go_on_with(self.protocol, tuple(requests), out)
        self._hand_out_basebands(out)
        if not self._is_endless:
            self._lose_patience(health)
        return Step(
            tones=tuple(out.tones),
            records=tuple(out.records),
            events=tuple(out.events),
            basebands=tuple(out.basebands),
            are_basebands_recorded=out.are_basebands_recorded,
            sections=tuple(out.sections),
            results=out.results,
        )

    def _go_on_with(
        self, protocol: ProtocolRunner, requests: tuple[Request, ...], out: _Outcome
    ) -> None:
        """Let the protocol see the loop; what it asks comes with the next block."""
        step = protocol.process(self._loop_view(requests), requests)
        self._asked = step.requests
        out.events.extend(step.events)
        out.sections.extend(step.sections)
        self._records_basebands = protocol.is_recording
        is_over = protocol.is_finished or protocol.failure is not None
        if is_over and self._is_endless:
            self._end_protocol(out)

    def _hand_out_basebands(self, out: _Outcome) -> None:
        if self._pair is not None:
            self._pair.keeps_means = self._records_basebands or self._watches_basebands
            out.basebands.extend(self._basebands(self._pair))

    def _loop_view(self, requests: Sequence[Request]) -> LoopView:
        pair, live = self._pair, self._live
        is_locked = all(state is TrackerState.LOCKED for state in self._states.values())
        # A joint estimate that is still in doubt, as after a lock, is no lost lock.
        are_known = is_locked or self._is_observed
        sigma_hz = None
        if live is not None and are_known and self._is_difference_known:
            sigma_hz = live.difference_sigma_hz
        metres = self._stream.metres_per_unit
        return LoopView(
            sample_index=self._now,
            time_s=self._now / self._rate_hz,
            are_followed=pair is not None,
            are_known=pair is not None and are_known,
            are_locked=pair is not None and is_locked,
            amplitudes_m={
                mode: 0.0 if pair is None else metres * pair.trackers[mode].amplitude
                for mode in ModeId
            },
            difference_sigma_hz=sigma_hz,
            tick_s=1.0 if pair is None else pair.config.tick_s,
            differences_hz=tuple(self._new_differences_hz),
            release_refusal=self._release_refusal,
            pump_state=self._pump.state,
            is_pump_over=self._pump.is_over,
            marks=tuple(r.text for r in requests if r.kind is RequestKind.MARK),
        )

    def _basebands(self, pair: TrackedPair) -> list[Baseband]:
        references_hz = {mode: self._settings.modes.of(mode).frequency_hz for mode in ModeId}
        return [
            baseband(
                kept,
                self._drives,
                self._pump.tone,
                sample_rate_hz=self._rate_hz,
                references_hz=references_hz,
                metres_per_unit=self._stream.metres_per_unit,
            )
            for kept in pair.kept_means()
        ]

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
        events: tuple[Event, ...] = ()
        if actual is None:
            if self._refusals.get(asked.channel) != reason:  # said once, not with every tick
                events = (self._event(asked.channel, "refused", reason),)
            self._refusals[asked.channel] = reason
        else:
            self._refusals.pop(asked.channel, None)
            if self._searching is not None:
                self._searching.tone_set(actual)
        if asked.channel == PUMP_NAME:
            if actual is not None:
                self._announce_flip(actual)
            return events + self._pump.tone_set(asked, actual, reason)
        self._drives.tone_set(asked, actual)
        return events

    def _announce_flip(self, actual: Tone) -> None:
        """A train of a protocol comes or goes: the tip is switched, and the difference jumps."""
        before = self._pump.tone
        is_train = self._pump.wish.waveform == "pulses"
        is_switched = (actual.amplitude > 0.0) != (before.amplitude > 0.0)
        if self._pair is not None and self.protocol is not None and is_train and is_switched:
            self._pair.announce_jump(actual.at_sample, self._settings.pump.pulses.flip_sigma_hz)

    def finish(self) -> Step:
        """The stream has ended: tones off."""
        tones = self.stop_tones()
        return Step(tones=tones, events=self._pump.finish(self._now))

    def stop_tones(self) -> tuple[Tone, ...]:
        """Every tone off, the pump first; if the stream goes on, the pump has to get healthy."""
        pump = [self._pump.silence(self._now)] if self._pump_channel is not None else []
        return (*pump, *self._drives.all_off(self._now))

    def _begin(self, first_index: int, out: _Outcome) -> None:
        self._first_index = self._now = self._next_record_index = first_index
        self._pump = self._new_pump(first_index)
        for mode in ModeId:
            is_driven = mode in self._drives.channels
            if self._settings.drive.amplitude_of(mode) > 0.0 and not is_driven:
                text = f"no tone channel {DRIVE_NAMES[mode]}: the {mode.value} mode is not driven"
                out.events.append(self._event("run", "drive", text))
        self._is_looking_where_likely = bool(self._whereabouts.likely_targets)
        self._begin_search(
            self._whereabouts.first_targets,
            most_attempts=1 if self._is_looking_where_likely else MOST_ATTEMPTS,
        )

    def _advance(self, block: SampleBlock) -> None:
        """The one clock never runs backwards; a stream that does is no stream any more."""
        end_index = block.first_sample + len(block.samples)
        self._late_samples = 0 if end_index > self._now else self._late_samples + len(block.samples)
        self._now = max(self._now, end_index)
        if self._late_samples > STUCK_S * self._rate_hz:
            self._failure = "the sample index went backwards and did not come back"

    def _note_health(self, health: StreamHealth, out: _Outcome) -> None:
        """Say when the stream becomes unfit and fit again; a gap is always news."""
        if health.missing_samples:
            out.events.append(self._event("stream", "gap", health.reasons[0]))
        lasting = health.reasons[1:] if health.missing_samples else health.reasons
        if lasting != self._unfit_reasons:
            kind, text = ("unfit", "; ".join(lasting)) if lasting else ("fit", "all is well again")
            out.events.append(self._event("stream", kind, text))
        self._unfit_reasons = lasting

    def _lose_patience(self, health: StreamHealth) -> None:
        """A run that never locks has failed."""
        assert self._first_index is not None
        if self._failure is not None or self._locked_at is not None:
            return
        patience_s = max(
            LOCK_PATIENCE_S, SEARCHES_WAITED_FOR * longest_search_s(self._settings.drive)
        )
        if self._now - self._first_index > patience_s * self._rate_hz:
            reasons = "; ".join((*health.reasons, *self._not_followed()))
            self._failure = f"no lock within {patience_s:g} s: {reasons}"

    # -- search --------------------------------------------------------------------

    def _begin_search(
        self, targets: Mapping[ModeId, SearchTarget], *, most_attempts: int = MOST_ATTEMPTS
    ) -> None:
        self._pair = self._influence = self._last_tick = self._live = None
        self._falls = {mode: [] for mode in ModeId}
        self._searching = Searching(
            self._stream,
            self._drives.channels,
            self._settings.drive,
            targets,
            self._now,
            most_attempts=most_attempts,
        )

    def _begin_search_again(self, why: str, out: _Outcome) -> None:
        """Look where both modes were last, then in the whole range."""
        self._drives.rest()
        out.tones.extend(self._drives.all_off(self._now))
        out.events.append(self._event("run", "search", f"{why}: the search begins again"))
        assert self._pair is not None
        targets = {
            mode: self._whereabouts.last_place(mode, self._pair, self._last_tick, self._now)
            for mode in ModeId
        }
        self._next_record_index = self._now + self._record_samples
        self._begin_search(targets, most_attempts=1)
        self._give_up(TrackerState.SEARCHING, "a new search begins", out)

    def _search(
        self,
        block: SampleBlock,
        health: StreamHealth,
        requests: tuple[Request, ...],
        out: _Outcome,
    ) -> None:
        """One block of a search; the pump is off, but hears requests."""
        self._advance_search(block, health, out)
        view = PumpView(
            sample_index=self._now,
            reasons=(*health.reasons, "the modes are not followed yet"),
            difference_hz=None,
            tracked_sigma_hz=None,
            difference_turns=None,
            is_tick=False,
        )
        tones, events = self._pump.process(view, requests)
        out.tones.extend(tones)
        out.events.extend(events)
        while self._next_record_index <= self._now:
            out.records.append(
                searching_record(self._next_record_index, self._rate_hz, self._pump, self._states)
            )
            self._next_record_index += self._record_samples

    @property
    def _record_samples(self) -> int:
        return max(1, round(self._rate_hz / self._settings.run.record_rate_hz))

    def _advance_search(self, block: SampleBlock, health: StreamHealth, out: _Outcome) -> None:
        searching = self._searching
        assert searching is not None
        if health.missing_samples or not health.is_usable:
            searching.restart(block.first_sample if health.is_usable else self._now)
            out.tones.extend(self._drives.all_off(self._now))
            if not health.is_usable:
                return
        elif health.reasons and searching.can_be_quieter:
            searching.quieter(self._now)
            out.tones.extend(self._drives.all_off(self._now))
            text = "the detector was overloaded during the ping"
            out.events.append(self._event("search", "quieter", text))
            return
        step = searching.process(block.samples, block.first_sample)
        out.tones.extend(step.tones)
        out.events.extend(step.events)
        if step.found is not None:
            self._begin_tracking(step.found, out)
        elif step.failure is not None:
            out.events.append(self._event("search", "failed", step.failure))
            may_fail = not (self._is_endless or self._is_looking_where_likely)
            if self._locked_at is None and may_fail:
                self._failure = step.failure
            self._is_looking_where_likely = False
            self._begin_search(
                {mode: self._whereabouts.wide_target(mode, self._now) for mode in ModeId}
            )

    def _begin_tracking(self, found: Mapping[ModeId, FoundMode], out: _Outcome) -> None:
        settings, stream = self._settings, self._stream
        config = pair_config(
            self._rate_hz,
            stream.center_hz,
            stream.dtype.startswith("complex"),
            found[UPPER].frequency_hz - found[LOWER].frequency_hz,
            self._record_rate.tick_s,
        )
        trackers = {
            mode: PhaseTracker(tracker_config(settings, stream, mode, found[mode], config.update_s))
            for mode in ModeId
        }
        frequencies_hz = {mode: found[mode].frequency_hz for mode in ModeId}
        joint = JointEstimator(joint_config(settings, found, stream.metres_per_unit))
        for mode in ModeId:
            self._whereabouts.note_strays(mode, found[mode].strays_hz)
        strays_hz = {mode: self._whereabouts.strays_hz(mode) for mode in ModeId}
        self._pair = TrackedPair(config, frequencies_hz, trackers, joint, self._now, strays_hz)
        self._memory.begin_again(joint)
        for mode, tracker in trackers.items():
            tracker.start(
                turns=0.0,
                offset_hz=0.0,
                frequency_sigma_hz=max(found[mode].frequency_sigma_hz, LEAST_START_SIGMA_HZ),
                amplitude=found[mode].amplitude,
            )
        self._adopt_drives(found)
        self._drives.released.clear()  # nobody observes free modes any more: hold them
        self._influence = ToneInfluence(
            self._pair,
            self._drives,
            self._pump.tone,
            coupling_phase_rad=settings.pump.coupling_phase_rad,
            action_ratio=action_ratio(settings),
            duffing=duffing_shift(settings, stream.metres_per_unit),
        )
        self._searching, self._last_tick = None, None
        self._live_difference.reset()
        self._live = None
        self._has_pair_locked = False
        self._estimate_doubt, self._estimate_lost_s = "", 0.0
        if not self._allan:
            self._allan = {
                name: RunningAllan(tau0_s=config.tick_s)
                for name in ("difference", LOWER.value, UPPER.value)
            }
        text = (
            f"basebands at {self._rate_hz / config.decimation:.6g} Hz, updates of "
            f"{1e3 * config.update_s:.4g} ms, ticks of {1e3 * config.tick_s:.4g} ms"
        )
        out.events.append(self._event("run", "rates", text))

    def _adopt_drives(self, found: Mapping[ModeId, FoundMode]) -> None:
        """Believe what a ping tells of the drives, unless more is known of them."""
        for mode, channel in self._drives.channels.items():
            news = found[mode]
            is_known = mode in self._drives.controllers
            if self._drives.has_proven(mode) or (is_known and not news.has_answered):
                continue
            config = drive_config(self._settings, self._stream, mode, channel, news)
            path = DrivePath(
                phase_turns=news.drive_phase_rad / (2.0 * math.pi), feedthrough=news.feedthrough
            )
            self._drives.adopt(mode, config, path)

    # -- tracking ------------------------------------------------------------------

    def _track(
        self,
        block: SampleBlock,
        health: StreamHealth,
        requests: tuple[Request, ...],
        out: _Outcome,
    ) -> None:
        """One block of two followed modes."""
        pair, pump = self._pair, self._pump
        assert pair is not None
        ticks = self._measure(block, health, out)
        self._note_relock(out)
        for tick in ticks:
            self._take_tick(tick, out)
        tones, events = pump.process(self._view(health, bool(ticks)), requests)
        out.tones.extend(tones)
        out.events.extend(events)
        if ticks:
            is_disturbed = pump.tone.amplitude > 0.0
            out.tones.extend(self._drives.follow(pair, self._now, is_disturbed=is_disturbed))
        if self._is_observed:
            return
        if any(state is TrackerState.LOST for state in self._states.values()):
            self._begin_search_again("a line was lost", out)
        elif any(len(falls) > MOST_FALLS for falls in self._falls.values()):
            self._begin_search_again("a line falls out of lock again and again", out)
        elif self._estimate_lost_s > ESTIMATE_LOST_S:
            self._begin_estimate_again(out)

    def _begin_estimate_again(self, out: _Outcome) -> None:
        """Track anew from what the loops know."""
        assert self._pair is not None
        text = "the joint estimate lost its way: it begins anew"
        self._give_up(TrackerState.HOLDING, text, out)
        found = {}
        for mode, tracker in self._pair.trackers.items():
            found[mode] = FoundMode(
                frequency_hz=self._pair.frequency_hz(mode),
                frequency_sigma_hz=tracker.frequency_sigma_hz,
                amplitude=tracker.amplitude,
                detector_noise=tracker.config.detector_noise,
            )
        self._begin_tracking(found, out)

    def _measure(self, block: SampleBlock, health: StreamHealth, out: _Outcome) -> list[Tick]:
        """Let the pair follow a block, piece by piece, and note every change of state."""
        pair, influence = self._pair, self._influence
        assert pair is not None and influence is not None
        self._doubts = {}
        if health.missing_samples or not health.is_usable:
            pair.interrupt(block.first_sample if health.is_usable else self._now, health.reasons[0])
            self._note_states(out)
        if not health.is_usable:
            return []
        ticks: list[Tick] = []
        piece = max(1, round(PIECE_S * self._rate_hz))
        for start in range(0, len(block.samples), piece):
            samples = block.samples[start : start + piece]
            ticks += pair.process(samples, block.first_sample + start, influence)
            self._note_states(out)
        return ticks

    def _note_states(self, out: _Outcome) -> None:
        assert self._pair is not None
        for mode, tracker in self._pair.trackers.items():
            if tracker.state is not self._states[mode]:
                out.events.append(self._state_event(mode, tracker.state, tracker.reason))
            if tracker.state is not TrackerState.LOCKED:
                self._doubts[mode] = f"{mode.value} {tracker.state.value}: {tracker.reason}"
            elif has_jumped(tracker):
                error_rad = abs(tracker.phase_error_rad)
                self._doubts[mode] = f"{mode.value} jumped: phase error {error_rad:.2g} rad"

    def _note_relock(self, out: _Outcome) -> None:
        """Say how long it took, once both modes are locked again after a lock was lost."""
        is_locked = all(state is TrackerState.LOCKED for state in self._states.values())
        if is_locked and self._is_relock_due and self._both_locked_at is not None:
            lost_s = (self._now - self._both_locked_at) / self._rate_hz
            text = f"both modes locked again {lost_s:.1f} s after the lock was lost"
            out.events.append(self._event("run", "relocked", text))
        # While the observer's word counts, the loops are blind now and then: no lock is lost.
        self._is_relock_due = not (is_locked or self._is_observed)
        if not self._is_relock_due:
            self._both_locked_at = self._now

    def _state_event(self, mode: ModeId, state: TrackerState, reason: str) -> Event:
        before, self._states[mode] = self._states[mode], state
        if before is TrackerState.LOCKED:
            recent = self._now - FALLS_S * self._rate_hz
            self._falls[mode] = [at for at in self._falls[mode] if at > recent] + [self._now]
        return self._event(mode.value, "state", f"{before.value} -> {state.value}: {reason}")

    def _give_up(self, last: TrackerState, reason: str, out: _Outcome) -> None:
        """Let both modes fall back to a state, by the ways that a tracker has."""
        for mode in ModeId:
            while self._states[mode] is not last:
                below = FALLS_TO[self._states[mode]]
                out.events.append(self._state_event(mode, below, reason))

    def _let_go_or_hold(self, request: Request, out: _Outcome) -> None:
        """Leave driven modes to themselves, watched by the observer; or drive them again."""
        pair = self._pair
        modes = self._driven_modes(request.text)
        refusal = "" if modes else NOT_DRIVEN
        if request.kind is RequestKind.RELEASE:
            refusal = self._release_refusal(request.text)
        if refusal:
            text = f"{request.kind.value} {request.text}: {refusal}"
            out.events.append(self._event("run", "request_refused", text))
            return
        if request.kind is RequestKind.DRIVE:
            for mode in modes if request.value > 0.0 else ():
                self._drives.aim(mode, request.value / self._stream.metres_per_unit)
            if pair is not None and pair.observer is not None and self._drives.released:
                self._memory.note_end(pair, self._now)
            self._drives.released -= modes
            return
        assert pair is not None
        if not self._drives.released:
            pair.observer = None  # the loops know more by now: a new one begins
        if pair.observer is None:
            learnt = self._memory.recall(pair, self._now)
            pair.observer = Observer(
                observer_config(self._settings, pair, self._stream.metres_per_unit, learnt)
            )
            self._memory.note_start(pair, self._now)
            self._tell_strengths(pair.observer)
        self._drives.released |= modes

    def _driven_modes(self, text: str) -> set[ModeId]:
        """Those of the modes that a request names that have a drive."""
        named = {mode for mode in ModeId if text in ("", mode.value)}
        return named & set(self._drives.channels)

    def _release_refusal(self, text: str) -> str:
        """Why modes cannot be left to themselves now; empty if they can."""
        if self._pair is None or not self._driven_modes(text):
            return NOT_DRIVEN
        is_watched = bool(self._drives.released) and self._pair.observer is not None
        is_locked = all(state is TrackerState.LOCKED for state in self._states.values())
        return "" if is_watched or is_locked else "both modes have to be locked first"

    @property
    def _is_observed(self) -> bool:
        """Whether the observer's word counts: where the loops are blind is no evidence then."""
        return self._live is not None and self._live.source is EstimateSource.OBSERVER

    def _not_followed(self) -> tuple[str, ...]:
        """The modes that are not locked or jumped, be it for a part of this block."""
        if self._pair is None:
            return (f"the search did not get beyond its {self.status_line}",)
        if self._is_observed:
            return doubts_of_observer(self._pair)
        return tuple(self._doubts.values())

    def _view(self, health: StreamHealth, is_tick: bool) -> PumpView:
        pair = self._pair
        assert pair is not None
        reasons = (*health.reasons, *self._not_followed())
        is_locked = all(state is TrackerState.LOCKED for state in self._states.values())
        if is_locked:
            self._has_pair_locked = True
            if self._locked_at is None:
                self._locked_at = self._now
        if self._estimate_doubt and not self._is_observed:
            reasons = (*reasons, self._estimate_doubt)
        elif not reasons:
            reasons = self._not_settled()
        live = self._live
        turns = None
        if is_tick and self._is_observed:
            # To come on with; while it is on, nulls turn the phases round and the pump
            # keeps its own.
            is_on = self._pump.state is PumpState.ON
            turns = None if is_on else pair.observed_difference_turns(self._now)
        elif is_tick and is_locked:
            turns = pair.motion_turns(UPPER, self._now) - pair.motion_turns(LOWER, self._now)
        return PumpView(
            sample_index=self._now,
            reasons=reasons,
            difference_hz=None if live is None else live.difference_hz,
            tracked_sigma_hz=None if live is None else live.tracked_sigma_hz,
            difference_turns=turns,
            is_tick=is_tick,
        )

    def _not_settled(self) -> tuple[str, ...]:
        """Before the pump comes on, the drives have rung up.

        While a mode is rung up its frequency chirps and the pull of the pump
        would change; once the pump is on, amplitudes are the pump's affair.
        """
        assert self._pair is not None
        if self._pump.state is PumpState.ON:
            return ()
        unsettled = self._drives.unsettled(self._pair)
        return tuple(f"the {mode.value} drive has not reached its amplitude" for mode in unsettled)

    def _take_tick(self, tick: Tick, out: _Outcome) -> None:
        """What the joint estimate learnt goes to the loops, the statistics and the log."""
        pair = self._pair
        assert pair is not None and tick.joint is not None
        self._last_tick = tick
        if not self._drives.released and self._drives.are_ramping(pair):
            pair.announce_jump(self._now, RAMP_WALK_HZ_PER_ROOT_S * math.sqrt(pair.config.tick_s))
        for mode, tracker in pair.trackers.items():
            tracker.walk_hz_per_root_s = tick.joint.shared_walk_hz_per_root_s
            if tracker.state is TrackerState.LOCKED:
                self._whereabouts.note_lock(mode, self._now, tracker.amplitude)
        is_locked = all(s.state is TrackerState.LOCKED for s in tick.modes.values())
        self._estimate_doubt = doubt_of_estimate(tick, pair) if is_locked else ""
        self._take_live(tick, is_locked, out)
        assert self._live is not None
        self._estimate_lost_s += pair.config.tick_s
        if not self._estimate_doubt or self._is_observed:
            self._estimate_lost_s = 0.0
        values = {
            "difference": self._live.difference_hz,
            LOWER.value: tick.modes[LOWER].frequency_hz,
            UPPER.value: tick.modes[UPPER].frequency_hz,
        }
        for name, running in self._allan.items():
            if is_locked:
                running.process(np.array([values[name]]))
            else:
                running.interrupt()
        is_known = self._is_difference_known and (is_locked or self._is_observed)
        self._new_differences_hz.append(self._live.difference_hz if is_known else None)
        self._ticks += 1
        if self._ticks % self._record_rate.every(pair.config.tick_s) == 0:
            out.records.append(
                tracking_record(
                    tick,
                    pair,
                    self._drives,
                    self._pump,
                    metres_per_unit=self._stream.metres_per_unit,
                    live=self._live if self._is_difference_known else None,
                )
            )

    @property
    def _is_difference_known(self) -> bool:
        return self._has_pair_locked and (self._is_observed or not self._estimate_doubt)

    def _take_live(self, tick: Tick, is_locked: bool, out: _Outcome) -> None:
        """Choose the estimate that counts; the observer takes walks and noise from the loops."""
        assert self._pair is not None
        observer = self._pair.observer
        are_free = bool(self._drives.released)
        self._pair.is_joint_resting = are_free
        if observer is not None and is_locked and not are_free:
            self._tell_strengths(observer)
        before = self._live_difference.source
        self._live = self._live_difference.process(tick, are_locked=is_locked, are_free=are_free)
        if self._live.source is not before:
            text = f"{before.value} -> {self._live.source.value}"
            out.events.append(self._event("run", "source", text))

    def _tell_strengths(self, observer: Observer) -> None:
        """Let the observer have what loops and joint estimate learnt of walks and noise."""
        assert self._pair is not None
        joint = self._pair.joint.estimate()
        observer.shared_walk_hz_per_root_s = joint.shared_walk_hz_per_root_s
        observer.separate_walk_hz_per_root_s = joint.separate_walk_hz_per_root_s
        lower, upper = (self._pair.trackers[mode].noise_scale for mode in ModeId)
        observer.noise_scales = (max(lower, 1.0), max(upper, 1.0))

    def _event(self, source: str, kind: str, text: str) -> Event:
        return Event(
            sample_index=self._now,
            time_s=self._now / self._rate_hz,
            source=source,
            kind=kind,
            text=text,
        )
