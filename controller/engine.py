"""The whole loop without I/O: samples in, tones, records and events out.

    step(block, requests) -> Step(tones, records, events)

    block -> stream watch -> searches, until both modes are found
                          -> following -> pump, drives, records

The engine waits for nothing, reads no clock and opens no file: the same code
runs on an instrument, on the simulator and on a recording. Whoever calls it
sets the tones and reports back with `tone_set` what was really set.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from controller.errors import InputError
from controller.instrument import SampleBlock, StreamFormat, Tone, ToneChannel
from controller.protocol.runner import LoopView, ProtocolRunner
from controller.records import (
    Baseband,
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
    PUMP_NAME,
    check_settings,
    driven_channels,
    pump_config,
    record_rate,
)
from controller.supervisor.drives import Drives
from controller.supervisor.exchange_memory import ExchangeMemory
from controller.supervisor.following import Following, were_locked
from controller.supervisor.handover import Handover
from controller.supervisor.lock_states import LockStates
from controller.supervisor.loop_clock import LoopClock
from controller.supervisor.loop_record import baseband, searching_record, tracking_record
from controller.supervisor.pair_start import adopt_drives, found_by, started_pair, tone_influence
from controller.supervisor.pump import PumpSupervisor, PumpView
from controller.supervisor.requests import PumpWish, Request, RequestKind
from controller.supervisor.search_rounds import SearchRounds
from controller.supervisor.searching import FoundMode, longest_search_s
from controller.supervisor.stability_watch import StabilityWatch
from controller.supervisor.stream_watch import StreamHealth, StreamNews, StreamWatch
from controller.tracking.pair import Tick
from controller.tracking.stability import RunningAllan

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER

LOCK_PATIENCE_S = 120.0  # from the start to the first lock, where searches are short
SEARCHES_WAITED_FOR = 3.0  # of the longest kind, where they are long
# Where lines are found and never locked, what is believed of them is more likely wrong than they.
LOOK_AT = (
    "if both lines are there, look at quality_factor and search_hz under [modes], at [drive], "
    "and at tracking.detector_noise where it is stated"
)
NOT_DRIVEN = "no such mode is driven now"


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
    differences_hz: list[float | None] = field(default_factory=list)  # None: in doubt
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
        self.protocol = protocol
        self._is_endless, self._watches_basebands = is_endless, watches_basebands
        self._pump_channel = tones.get(PUMP_NAME)
        self._clock = LoopClock(stream.sample_rate_hz)
        self._watch, self._news = StreamWatch(stream), StreamNews()
        self._drives = Drives(driven_channels(settings, tones), stream.sample_rate_hz)
        self._pump = self._new_pump(0)
        self._locks = LockStates(self._clock)
        self._searches = SearchRounds(settings, stream, self._drives, self._clock)
        self._following: Following | None = None
        self._memory = ExchangeMemory(stream.sample_rate_hz)
        self._stability: StabilityWatch | None = None  # from the first pair on
        self._refusals: dict[str, str] = {}  # of the last command of a channel
        self._failure: str | None = None
        self._record_rate = record_rate(settings)
        self._ticks = 0
        self._asked: tuple[Request, ...] = ()  # by the protocol, with the last block
        self._records_basebands = False  # the protocol, from the last block on
        self._protocol_from_s = 0.0  # where one began that is carried out

    def __repr__(self) -> str:
        return f"Engine({self.status_line})"

    def _new_pump(self, first_index: int) -> PumpSupervisor:
        return PumpSupervisor(
            pump_config(
                self._settings,
                self._pump_channel,
                self._clock.rate_hz,
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
        locked_index = self._locks.first_locked_index
        if locked_index is None:
            return False
        duration_samples = self._settings.run.duration_s * self._clock.rate_hz
        return self._clock.now_index - locked_index >= duration_samples

    @property
    def has_locked(self) -> bool:
        """Whether both modes were locked at least once."""
        return self._locks.first_locked_index is not None

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
        return tuple(self._locks.states.values())

    @property
    def allan(self) -> Mapping[str, RunningAllan]:
        """Running Allan deviations of the difference and of each mode, once there are any."""
        return {} if self._stability is None else self._stability.deviations

    @property
    def results(self) -> Mapping[str, dict[str, object]]:
        """Results beyond the records: how the protocol went."""
        if self.protocol is None:
            return {}
        if not self._is_endless:
            return {"protocol": self.protocol.results}
        # There may be others in the same log.
        times_s = {"start_s": self._protocol_from_s, "end_s": self._clock.now_s}
        return {"protocol": {**self.protocol.results, **times_s}}

    @property
    def knowledge(self) -> Knowledge | None:
        """What was learnt of the modes that are followed now, for the next start."""
        if self._following is None or not self.has_locked:
            return None
        estimator = self._following.pair.joint
        joint, shifts_hz = estimator.estimate(), estimator.pump_shifts_hz()
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
        if self._searches.is_searching:
            return self._searches.status
        live = None if self._following is None else self._following.live
        if live is None:
            return "starting"
        return (
            f"{self._locks.words}  difference {live.difference_hz:.5f} Hz "
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
        self._protocol_from_s = self._clock.now_s
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
        if self._clock.first_index is None:
            self._begin(block.first_sample, out)
        self._advance(block)
        health = self._watch.process(block)
        for kind, text in self._news.process(health):
            out.events.append(self._clock.event("stream", kind, text))
        asked = (*self._asked, *requests)
        for request in asked:
            if request.kind is RequestKind.MARK:
                out.events.append(self._clock.event("run", "mark", request.text))
            elif request.kind in (RequestKind.RELEASE, RequestKind.DRIVE):
                self._let_go_or_hold(request, out)
        out.tones.extend(self._drives.off_again(self._clock.now_index))
        if self._following is None:
            self._search(block, health, asked, out)
        else:
            self._follow(self._following, block, health, asked, out)
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

    def _begin(self, first_index: int, out: _Outcome) -> None:
        self._clock.begin(first_index)
        self._pump = self._new_pump(first_index)
        for mode in ModeId:
            is_driven = mode in self._drives.channels
            if self._settings.drive.amplitude_of(mode) > 0.0 and not is_driven:
                text = f"no tone channel {DRIVE_NAMES[mode]}: the {mode.value} mode is not driven"
                out.events.append(self._clock.event("run", "drive", text))
        self._searches.begin_first()

    def _advance(self, block: SampleBlock) -> None:
        self._clock.advance(block)
        if self._clock.is_stuck:
            self._failure = "the sample index went backwards and did not come back"

    def _lose_patience(self, health: StreamHealth) -> None:
        """A run that never locks has failed."""
        assert self._clock.first_index is not None
        if self._failure is not None or self.has_locked:
            return
        patience_s = max(
            LOCK_PATIENCE_S, SEARCHES_WAITED_FOR * longest_search_s(self._settings.drive)
        )
        if self._clock.elapsed_s(self._clock.first_index) > patience_s:
            doubts: tuple[str, ...] = (f"the search did not get beyond its {self.status_line}",)
            if self._following is not None:
                doubts = (*self._following.doubts(), LOOK_AT)
            reasons = "; ".join((*health.reasons, *doubts))
            self._failure = f"no lock within {patience_s:g} s: {reasons}"

    # -- a protocol ----------------------------------------------------------------

    def _go_on_with(
        self, protocol: ProtocolRunner, requests: tuple[Request, ...], out: _Outcome
    ) -> None:
        """Let the protocol see the loop; what it asks comes with the next block."""
        step = protocol.process(self._loop_view(requests, out), requests)
        self._asked = step.requests
        out.events.extend(step.events)
        out.sections.extend(step.sections)
        self._records_basebands = protocol.is_recording
        is_over = protocol.is_finished or protocol.failure is not None
        if is_over and self._is_endless:
            self._end_protocol(out)

    def _loop_view(self, requests: Sequence[Request], out: _Outcome) -> LoopView:
        following = self._following
        sigma_hz: float | None = None
        amplitudes_m, tick_s = dict.fromkeys(ModeId, 0.0), 1.0
        if following is not None:
            # A joint estimate that is still in doubt, as after a lock, is no lost lock.
            if following.live is not None and following.is_known and following.is_difference_known:
                sigma_hz = following.live.difference_sigma_hz
            for mode, tracker in following.pair.trackers.items():
                amplitudes_m[mode] = self._stream.metres_per_unit * tracker.amplitude
            tick_s = following.pair.config.tick_s
        return LoopView(
            sample_index=self._clock.now_index,
            time_s=self._clock.now_s,
            are_followed=following is not None,
            are_known=following is not None and following.is_known,
            are_locked=following is not None and self._locks.are_locked,
            amplitudes_m=amplitudes_m,
            difference_sigma_hz=sigma_hz,
            tick_s=tick_s,
            differences_hz=tuple(out.differences_hz),
            release_refusal=self._release_refusal,
            pump_state=self._pump.state,
            is_pump_over=self._pump.is_over,
            marks=tuple(r.text for r in requests if r.kind is RequestKind.MARK),
        )

    def _hand_out_basebands(self, out: _Outcome) -> None:
        if self._following is None:
            return
        pair = self._following.pair
        pair.keeps_means = self._records_basebands or self._watches_basebands
        references_hz = {mode: self._settings.modes.of(mode).frequency_hz for mode in ModeId}
        for kept in pair.kept_means():
            out.basebands.append(
                baseband(
                    kept,
                    self._drives,
                    self._pump.tone,
                    sample_rate_hz=self._clock.rate_hz,
                    references_hz=references_hz,
                    metres_per_unit=self._stream.metres_per_unit,
                )
            )

    # -- tones ---------------------------------------------------------------------

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
                events = (self._clock.event(asked.channel, "refused", reason),)
            self._refusals[asked.channel] = reason
        else:
            self._refusals.pop(asked.channel, None)
            self._searches.tone_set(actual)
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
        if self._following is not None and self.protocol is not None and is_train and is_switched:
            sigma_hz = self._settings.pump.pulses.flip_sigma_hz
            self._following.pair.announce_jump(actual.at_sample, sigma_hz)

    def finish(self) -> Step:
        """The stream has ended: tones off."""
        tones = self.stop_tones()
        return Step(tones=tones, events=self._pump.finish(self._clock.now_index))

    def stop_tones(self) -> tuple[Tone, ...]:
        """Every tone off, the pump first; if the stream goes on, the pump has to get healthy."""
        now_index = self._clock.now_index
        pump = [self._pump.silence(now_index)] if self._pump_channel is not None else []
        return (*pump, *self._drives.all_off(now_index))

    def _run_pump(self, view: PumpView, requests: tuple[Request, ...], out: _Outcome) -> None:
        tones, events = self._pump.process(view, requests)
        out.tones.extend(tones)
        out.events.extend(events)

    def _let_go_or_hold(self, request: Request, out: _Outcome) -> None:
        """Leave driven modes to themselves, watched by the observer; or drive them again."""
        is_release = request.kind is RequestKind.RELEASE
        modes = self._drives.named(request.text)
        refusal = "" if modes else NOT_DRIVEN
        if is_release:
            refusal = self._release_refusal(request.text)
        if refusal:
            text = f"{request.kind.value} {request.text}: {refusal}"
            out.events.append(self._clock.event("run", "request_refused", text))
            return
        if is_release:
            assert self._following is not None
            self._following.handover.release(modes)
            return
        for mode in modes if request.value > 0.0 else ():
            self._drives.aim(mode, request.value / self._stream.metres_per_unit)
        if self._following is not None:
            self._following.handover.drive(modes)

    def _release_refusal(self, text: str) -> str:
        """Why modes cannot be left to themselves now; empty if they can."""
        if self._following is None or not self._drives.named(text):
            return NOT_DRIVEN
        return self._following.handover.release_refusal(are_locked=self._locks.are_locked)

    # -- search --------------------------------------------------------------------

    def _search(
        self,
        block: SampleBlock,
        health: StreamHealth,
        requests: tuple[Request, ...],
        out: _Outcome,
    ) -> None:
        """One block of a search; the pump is off, but hears requests."""
        step = self._searches.process(block, health)
        out.tones.extend(step.tones)
        out.events.extend(step.events)
        if step.found is not None:
            self._begin_following(step.found, out)
        elif step.failure is not None:
            self._locks.forget_falls()
            if not (self._is_endless or self.has_locked):
                self._failure = step.failure
        view = PumpView(
            sample_index=self._clock.now_index,
            reasons=(*health.reasons, "the modes are not followed yet"),
            difference_hz=None,
            tracked_sigma_hz=None,
            difference_turns=None,
            is_tick=False,
        )
        self._run_pump(view, requests, out)
        for index in self._searches.records_due():
            states = self._locks.states
            out.records.append(searching_record(index, self._clock.rate_hz, self._pump, states))

    def _search_again(self, following: Following, why: str, out: _Outcome) -> None:
        """Look where both modes were last, then in the whole range."""
        self._drives.rest()
        out.tones.extend(self._drives.all_off(self._clock.now_index))
        out.events.append(self._clock.event("run", "search", f"{why}: the search begins again"))
        self._searches.begin_again(following.pair, following.last_tick)
        self._following = None
        self._locks.forget_falls()
        out.events.extend(self._locks.give_up(TrackerState.SEARCHING, "a new search begins"))

    # -- following -----------------------------------------------------------------

    def _begin_following(self, found: Mapping[ModeId, FoundMode], out: _Outcome) -> None:
        settings, stream, clock = self._settings, self._stream, self._clock
        strays_hz = {mode: self._searches.whereabouts.strays_hz(mode) for mode in ModeId}
        pair = started_pair(
            settings,
            stream,
            found,
            strays_hz,
            tick_s=self._record_rate.tick_s,
            now_index=clock.now_index,
        )
        self._searches.end()
        self._memory.begin_again(pair.joint)
        adopt_drives(self._drives, found, settings, stream)
        self._drives.released.clear()  # nobody observes free modes any more: hold them
        metres = stream.metres_per_unit
        self._following = Following(
            pair,
            tone_influence(pair, self._drives, self._pump.tone, settings, metres),
            Handover(pair, self._drives, self._memory, clock, settings, metres),
            self._drives,
            self._locks,
            clock,
        )
        config = pair.config
        if self._stability is None:
            self._stability = StabilityWatch(config.tick_s)
        text = (
            f"basebands at {clock.rate_hz / config.decimation:.6g} Hz, updates of "
            f"{1e3 * config.update_s:.4g} ms, ticks of {1e3 * config.tick_s:.4g} ms"
        )
        out.events.append(clock.event("run", "rates", text))

    def _begin_estimate_again(self, following: Following, out: _Outcome) -> None:
        """Follow anew from what the loops know."""
        text = "the joint estimate lost its way: it begins anew"
        out.events.extend(self._locks.give_up(TrackerState.HOLDING, text))
        self._begin_following(found_by(following.pair), out)

    def _follow(
        self,
        following: Following,
        block: SampleBlock,
        health: StreamHealth,
        requests: tuple[Request, ...],
        out: _Outcome,
    ) -> None:
        """One block of two followed modes."""
        ticks, events = following.measure(block, health)
        out.events.extend(events)
        for tick in ticks:
            out.events.extend(following.take_tick(tick))
            self._account_for(tick, following, out)
        view = following.view(health, self._pump.state, is_tick=bool(ticks))
        self._run_pump(view, requests, out)
        if ticks:
            is_disturbed = self._pump.tone.amplitude > 0.0
            now_index = self._clock.now_index
            out.tones.extend(
                self._drives.follow(following.pair, now_index, is_disturbed=is_disturbed)
            )
        if following.is_observed:
            return
        if self._locks.why_search:
            self._search_again(following, self._locks.why_search, out)
        elif following.is_estimate_lost:
            self._begin_estimate_again(following, out)

    def _account_for(self, tick: Tick, following: Following, out: _Outcome) -> None:
        """What a tick means for the next search, the statistics, the protocol and the log."""
        live, pair = following.live, following.pair
        assert live is not None and self._stability is not None
        for mode, tracker in pair.trackers.items():
            if tracker.state is TrackerState.LOCKED:
                now_index = self._clock.now_index
                self._searches.whereabouts.note_lock(mode, now_index, tracker.amplitude)
        is_locked = were_locked(tick)
        if is_locked:
            self._stability.process(
                live.difference_hz, tick.modes[LOWER].frequency_hz, tick.modes[UPPER].frequency_hz
            )
        else:
            self._stability.interrupt()
        is_known = following.is_difference_known and (is_locked or following.is_observed)
        out.differences_hz.append(live.difference_hz if is_known else None)
        self._ticks += 1
        if self._ticks % self._record_rate.every(pair.config.tick_s) == 0:
            out.records.append(
                tracking_record(
                    tick,
                    pair,
                    self._drives,
                    self._pump,
                    metres_per_unit=self._stream.metres_per_unit,
                    live=live if following.is_difference_known else None,
                )
            )
