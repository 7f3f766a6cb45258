"""The pump: when it may be on, and which frequency and phase it has.

Theory of operation. The interlock is open while there is any evidence
against the pump: a mode that is not locked, an uncertainty or a difference
outside its limits, a stream that is not fit, an operator who muted it. OFF:
nobody wants the pump. ARMED: wanted, waiting until all has been well for a
while. ON: the tone is out. MUTED: it was taken off; it comes back by itself
after the healthy time, except after an operator's mute. In every state but ON
the commanded amplitude is zero, and every way to ON leads through the whole
healthy time.

While ON the tone follows the difference in frequency, without a break in
phase, and its phase is drawn slowly to that of the difference: two modes of
equal amplitude and this phase are a dressed state, which exchanges nothing.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from controller.instrument import Tone, ToneChannel
from controller.records import Event, PumpState
from controller.supervisor.interlock import Interlock
from controller.supervisor.requests import PumpWish, Request, RequestKind
from controller.supervisor.tone_state import ToneState

LEARN_S = 3.0  # the phases show a shift to a millihertz within a second
STEER_S = 5.0  # arbitrary between 2 and 20: slow against a tick, quick against phase diffusion
# The phase may cost this much frequency at most [Hz]; a line is some 10 mHz wide.
STEER_LIMIT_HZ = 5.0e-4
WINDOW_RATIO = 0.1  # of the difference that was found, where no window is set
SAY_EVERY_S = 30.0  # a pump that does not come on says what it waits for
KEPT_STATES = 20  # records look back by a few blocks only
PUMP_KINDS = (
    RequestKind.ARM,
    RequestKind.DISARM,
    RequestKind.MUTE,
    RequestKind.UNMUTE,
    RequestKind.SET_AMPLITUDE,
    RequestKind.SET_OFFSET,
    RequestKind.PUMP,
)
SETTING_KINDS = (RequestKind.SET_AMPLITUDE, RequestKind.SET_OFFSET)


@dataclass(frozen=True, slots=True, kw_only=True)
class PumpConfig:
    """Limits and wishes for the pump.

    Raises
    ------
    ValueError
        If an amplitude, a time or the window is impossible.
    """

    channel: ToneChannel
    sample_rate_hz: float
    amplitude: float
    offset_hz: float
    coupling_phase_rad: float
    window_hz: tuple[float, float] | None  # None: around the first difference that is known
    sigma_limit_hz: float
    healthy_s: float
    ramp_s: float
    from_index: int  # not before this sample, unless somebody asks for it
    is_directed: bool = False  # by a protocol: ARM lifts a mute, and PUMP alone asks for the pump

    def __post_init__(self) -> None:
        if not 0.0 <= self.amplitude <= self.channel.max_amplitude:
            raise ValueError(
                f"amplitude is {self.amplitude}; the channel allows 0 to "
                f"{self.channel.max_amplitude}"
            )
        for name in ("sigma_limit_hz", "healthy_s"):
            if not getattr(self, name) > 0.0:
                raise ValueError(f"{name} is {getattr(self, name)}; it has to be positive")
        if self.window_hz is not None and not self.window_hz[0] < self.window_hz[1]:
            raise ValueError(f"window_hz is {self.window_hz}; its lower edge has to come first")


@dataclass(frozen=True, slots=True, kw_only=True)
class PumpView:
    """What the supervisor sees at the end of a block."""

    sample_index: int
    reasons: tuple[str, ...]  # evidence from stream, search and trackers
    difference_hz: float | None
    tracked_sigma_hz: float | None  # how well the phases' difference frequency is known
    difference_turns: float | None  # phase of upper minus lower at sample_index, modulo 1
    is_tick: bool  # a fresh joint estimate stands behind this view


class PumpSupervisor:
    """Decides the pump, and nobody else does; owned by the engine."""

    def __init__(self, config: PumpConfig) -> None:
        self.config = config
        self.reset()

    def reset(self) -> None:
        """Pump off, nothing healthy yet, wishes as configured."""
        self.wish = PumpWish(amplitude=self.config.amplitude, offset_hz=self.config.offset_hz)
        self._wish_before = self.wish  # a protocol took the pump over
        self.window_hz = self.config.window_hz
        self.tone = ToneState(self.config.sample_rate_hz)
        self.interlock = Interlock(self.config.sample_rate_hz, self.config.healthy_s)
        self._states = [(0, PumpState.OFF)]
        self._is_armed = not self.config.is_directed
        self._is_held = False  # by an operator's mute
        self._astray = ""  # the channel put out another frequency than was asked, until ARM
        self._on_since: int | None = None
        self._switched_at: int | None = None  # on, or off after a train of pulses
        self._on_at: int | None = None  # where the tone really began
        self.is_over = False  # a pump that was wished for a time has been on for it
        self._last_index = 0  # of the view before
        self._from_index = self.config.from_index
        self._said_at = self._from_index  # what the pump waits for
        self._asked_amplitude = 0.0
        self._off_refused = False
        self._silenced_from: PumpState | None = None

    def copy(self) -> PumpSupervisor:
        """An independent supervisor that goes on alike."""
        return copy.deepcopy(self)

    def __repr__(self) -> str:
        return f"PumpSupervisor({self.state.value}, {self.tone.frequency_hz:.6f} Hz)"

    @property
    def state(self) -> PumpState:
        """The state now."""
        return self._states[-1][1]

    @property
    def amplitude(self) -> float:
        """The amplitude that is wished [channel's unit]."""
        return self.wish.amplitude

    @property
    def is_wanted(self) -> bool:
        """Whether the pump should come on when all is well."""
        return self._is_armed and self.wish.amplitude > 0.0

    def state_at(self, sample_index: float) -> PumpState:
        """The state at a sample not long ago."""
        past = (state for index, state in reversed(self._states) if index <= sample_index)
        return next(past, self._states[0][1])

    # -- decisions --------------------------------------------------------------

    def process(
        self, view: PumpView, requests: tuple[Request, ...] = ()
    ) -> tuple[tuple[Tone, ...], tuple[Event, ...]]:
        """Judge the evidence and set the pump.

        Parameters
        ----------
        view : PumpView
            Evidence and estimate at the end of the last block.
        requests : tuple of Request
            What the operator asks; only some of it is the pump's business.

        Returns
        -------
        tuple of Tone, tuple of Event
            Commands for the pump's channel, and what changed.
        """
        index = view.sample_index
        events: list[Event] = []
        for request in requests:
            events.extend(self._obey(request, index))
        reasons = self._evidence(view)
        events.extend(self.interlock.process(index, reasons))
        if self._silenced_from is not None:
            events.extend(self._went_off(self._silenced_from, index, "; ".join(reasons)))
            self._silenced_from = None
        tones: list[Tone] = []
        if self._off_refused:
            tones.append(self._off_tone(index))
        ahead, self._last_index = index - self._last_index, index
        end_index = self._end_index()
        late_index = index + ahead + self.config.channel.latency_samples
        if self.state is PumpState.ON and not self.interlock.is_open and end_index <= late_index:
            # The next block would be too late: the end is commanded for its sample.
            tones.append(self._off_tone(max(round(end_index), index)))
            self._is_armed, self.is_over = False, True
            events.extend(self._leave_on(PumpState.OFF, index, "its time is over"))
        elif self.state is PumpState.ON:
            if self.interlock.is_open or not self.is_wanted:
                tones.append(self._off_tone(index))
                why = "; ".join(reasons) or "not wanted"
                state = PumpState.MUTED if self.is_wanted else PumpState.OFF
                events.extend(self._leave_on(state, index, why))
            elif view.is_tick:
                tones.extend(self._follow(view))
        else:
            events.extend(self._wait(view, reasons))
            if self.state is PumpState.ON:
                tones.append(self._on_tone(view))
        return tuple(tones), tuple(events)

    def silence(self, sample_index: int) -> Tone:
        """The tone that takes the pump off from outside; it has to get healthy again."""
        if self.state is PumpState.ON:
            self._silenced_from = PumpState.ON
            self._enter(PumpState.MUTED, sample_index)
        self.interlock.distrust()
        return self._off_tone(sample_index)

    def begin_direction(self) -> None:
        """A protocol takes the pump over: it goes off, and comes on as the protocol wishes."""
        self._wish_before = self.wish
        self.config = replace(self.config, is_directed=True)
        self._is_armed = self.is_over = False

    def end_direction(self) -> None:
        """The protocol is over: the pump goes off until it is armed, and is wished as before."""
        self.wish = self._wish_before
        self.config = replace(self.config, is_directed=False)
        self._is_armed = self.is_over = False

    def finish(self, sample_index: int) -> tuple[Event, ...]:
        """The run is over: the pump is off for good."""
        before = self._silenced_from or self.state
        self._silenced_from = None
        self._is_armed = False
        if before is PumpState.OFF:
            return ()
        self._enter(PumpState.OFF, sample_index)
        return (self._changed(before, sample_index, "the run has ended"),)

    def tone_set(self, asked: Tone, actual: Tone | None, reason: str = "") -> tuple[Event, ...]:
        """Take note of what became of a command.

        Parameters
        ----------
        asked : Tone
            The command.
        actual : Tone or None
            What was really set; None: it was refused, and the channel keeps
            what it had. A refused 'off' is asked again until it is accepted.
        reason : str
            Why it was refused.

        Returns
        -------
        tuple of Event
            What follows from a refusal.
        """
        if actual is not None:
            self.tone.process(actual)
            self._off_refused = self._off_refused and asked.amplitude > 0.0
            if actual.amplitude > 0.0:
                self._on_at = actual.at_sample if self._on_at is None else self._on_at
                self._astray = self._astray or self._astray_by(asked, actual)
            return ()
        self._off_refused = True
        if self.state is not PumpState.ON:
            return ()
        # What a refused command would have changed is unknown: take the pump off.
        return self._leave_on(PumpState.MUTED, asked.at_sample, f"tone refused: {reason}")

    def _astray_by(self, asked: Tone, actual: Tone) -> str:
        """What is wrong with a frequency that was set; empty if it is near enough."""
        later_s = (actual.at_sample - asked.at_sample) / self.config.sample_rate_hz
        asked_hz = asked.frequency_hz + asked.chirp_hz_per_s * later_s
        limit_hz = self.config.sigma_limit_hz
        if abs(actual.frequency_hz - asked_hz) <= limit_hz:
            return ""
        return (
            f"the channel set {actual.frequency_hz:.6f} Hz instead of {asked_hz:.6f} Hz, "
            f"limit {1e3 * limit_hz:.3g} mHz"
        )

    # -- evidence and requests ----------------------------------------------------

    def _obey(self, request: Request, index: int) -> Iterator[Event]:
        kind, value = request.kind, request.value
        if kind not in PUMP_KINDS:
            return
        refusal = self._refusal(request)
        shown = f"{kind.value} {value:g}" if kind in SETTING_KINDS else kind.value
        text = " ".join(part for part in (shown, request.text, f"by {request.who}") if part)
        if refusal:
            yield self._event(index, "request_refused", f"{text}: {refusal}")
            return
        if kind in (RequestKind.ARM, RequestKind.UNMUTE):
            self._is_held, self._astray = False, ""
            is_asked_for = kind is RequestKind.ARM and not self.config.is_directed
            self._is_armed = self._is_armed or is_asked_for
            if kind is RequestKind.ARM:
                self._wait_no_longer(index)
            if self.state is not PumpState.ON:
                self.interlock.distrust()
        elif kind is RequestKind.PUMP:
            assert request.wish is not None
            self.wish, self._is_armed, self.is_over = request.wish, True, False
            self._wait_no_longer(index)
        elif kind is RequestKind.DISARM:
            self._is_armed = False
        elif kind is RequestKind.MUTE:
            self._is_held = True
        elif kind is RequestKind.SET_AMPLITUDE:
            self.wish = replace(self.wish, amplitude=value)
        elif kind is RequestKind.SET_OFFSET:
            self.wish = replace(self.wish, offset_hz=value)
        yield self._event(index, "request", text)

    def _wait_no_longer(self, index: int) -> None:
        """Somebody asked for the pump: that means now, as soon as all is well."""
        self._from_index = min(self._from_index, index)
        self._said_at = min(self._said_at, index)

    def _refusal(self, request: Request) -> str:
        """Why a request cannot be followed; empty if it can."""
        if request.kind is RequestKind.PUMP:
            return self._wish_refusal(request.wish)
        if request.kind not in SETTING_KINDS:
            return ""
        if not math.isfinite(request.value):
            return "the value has to be a finite number"
        channel = self.config.channel
        is_possible = 0.0 <= request.value <= channel.max_amplitude
        if request.kind is RequestKind.SET_AMPLITUDE and not is_possible:
            return f"the channel allows 0 to {channel.max_amplitude:g} {channel.amplitude_unit}"
        return ""

    def _wish_refusal(self, wish: PumpWish | None) -> str:
        channel = self.config.channel
        if wish is None:
            return "it does not say how the pump should be"
        if not 0.0 <= wish.amplitude <= channel.max_amplitude:
            return f"the channel allows 0 to {channel.max_amplitude:g} {channel.amplitude_unit}"
        if wish.duration_s is not None and not 0.0 < wish.duration_s < math.inf:
            return f"it cannot be on for {wish.duration_s:g} s"
        if wish.waveform not in channel.waveforms:
            return f"the channel does {', '.join(channel.waveforms)}, not {wish.waveform}"
        return ""

    def _evidence(self, view: PumpView) -> tuple[str, ...]:
        """Everything that speaks against the pump."""
        reasons = list(view.reasons)
        if self._is_held:
            reasons.append("the operator muted it")
        if self._silenced_from is not None:
            reasons.append("the stream stayed away")
        if self._off_refused:
            reasons.append("the channel refused a tone and may not be off")
        if self._astray:
            reasons.append(self._astray)
        return (*reasons, *self._limits_broken(view))

    def _limits_broken(self, view: PumpView) -> tuple[str, ...]:
        difference_hz, sigma_hz = view.difference_hz, view.tracked_sigma_hz
        if difference_hz is None or sigma_hz is None:
            return ("the difference is not known",)
        broken = []
        limit_hz = self.config.sigma_limit_hz
        # Written so that a NaN breaks each limit.
        if not sigma_hz <= limit_hz and not self._has_just_switched(view.sample_index):
            broken.append(
                f"the difference is uncertain by {1e3 * sigma_hz:.3g} mHz, "
                f"limit {1e3 * limit_hz:.3g} mHz"
            )
        if self.window_hz is None:
            around = (1.0 - WINDOW_RATIO, 1.0 + WINDOW_RATIO)
            self.window_hz = around[0] * difference_hz, around[1] * difference_hz
        low_hz, high_hz = self.window_hz
        if not low_hz <= difference_hz <= high_hz:
            broken.append(
                f"the difference {difference_hz:.3f} Hz left {low_hz:g} to {high_hz:g} Hz"
            )
        tone_hz, channel = difference_hz + self._offset_hz(view.sample_index), self.config.channel
        if not channel.min_frequency_hz <= tone_hz <= channel.max_frequency_hz:
            broken.append(f"the channel cannot do {tone_hz:.3f} Hz")
        return tuple(broken)

    def _has_just_switched(self, index: int) -> bool:
        """Whether the pump came on, or a train of pulses ended, a moment ago.

        Coming on shifts both modes, and a train's end lets its tip go, by amounts
        that are known only once the phases have shown them; meanwhile the stated
        uncertainty is that of the shift, and no evidence against the pump.
        """
        if self._switched_at is None:
            return False
        return index - self._switched_at < LEARN_S * self.config.sample_rate_hz

    # -- states -----------------------------------------------------------------

    def _wait(self, view: PumpView, reasons: tuple[str, ...]) -> Iterator[Event]:
        """In a state without a tone: should it change?"""
        index = view.sample_index
        if not self.is_wanted:
            if self.state is not PumpState.OFF:
                yield self._enter_with_event(PumpState.OFF, index, "not wanted")
            return
        if index < self._from_index:
            return
        if self.state is PumpState.OFF:
            yield self._enter_with_event(PumpState.ARMED, index, "wanted")
        if self._is_held and self.state is PumpState.ARMED:
            yield self._enter_with_event(PumpState.MUTED, index, "the operator muted it")
        if reasons and index - self._said_at > SAY_EVERY_S * self.config.sample_rate_hz:
            self._said_at = index
            yield self._event(index, "waiting", "; ".join(reasons))
        is_well = not self.interlock.is_open
        is_long_enough = self.interlock.healthy_s(index) >= self.config.healthy_s
        sigma_hz = view.tracked_sigma_hz
        # Also where a train that has just ended excuses it.
        is_known = sigma_hz is not None and sigma_hz <= self.config.sigma_limit_hz
        can_follow = is_known and view.is_tick and view.difference_turns is not None
        if is_well and is_long_enough and can_follow:
            yield self._enter_with_event(PumpState.ON, index, "all was well for the healthy time")

    def _leave_on(self, state: PumpState, index: int, why: str) -> tuple[Event, ...]:
        self._enter(state, index)
        if state is not PumpState.OFF:  # as planned: nothing speaks against it
            self.interlock.distrust()
        return self._went_off(PumpState.ON, index, why)

    def _went_off(self, before: PumpState, index: int, why: str) -> tuple[Event, ...]:
        change = self._changed(before, index, why)
        if self.state is PumpState.OFF:
            return (change,)
        return self._event(index, "mute", why), change

    def _enter(self, state: PumpState, index: int) -> None:
        if state is PumpState.ON or self.state is PumpState.ON:
            has_ended = state is PumpState.OFF and self.wish.waveform == "pulses"
            self._switched_at = index if state is PumpState.ON or has_ended else None
        self._states = [*self._states[-KEPT_STATES:], (index, state)]
        self._on_since = index if state is PumpState.ON else None
        self._on_at = None

    def _enter_with_event(self, state: PumpState, index: int, why: str) -> Event:
        before = self.state
        self._enter(state, index)
        return self._changed(before, index, why)

    def _changed(self, before: PumpState, index: int, why: str) -> Event:
        return self._event(index, "state", f"{before.value} -> {self.state.value}: {why}")

    def _event(self, index: int, kind: str, text: str) -> Event:
        return Event(
            sample_index=index,
            time_s=index / self.config.sample_rate_hz,
            source="pump",
            kind=kind,
            text=text,
        )

    # -- tones ------------------------------------------------------------------

    def _off_tone(self, index: int) -> Tone:
        channel = self.config.channel
        self._asked_amplitude = 0.0
        return Tone(
            channel=channel.name,
            at_sample=index,
            frequency_hz=self.tone.frequency_hz or channel.min_frequency_hz,
            amplitude=0.0,
            ramp_s=self.config.ramp_s,
        )

    def _end_index(self) -> float:
        """Where a pump that was wished for a time ends [samples]; infinity: not by itself."""
        if self.wish.duration_s is None or self._on_at is None:
            return math.inf
        return self._on_at + round(self.wish.duration_s * self.config.sample_rate_hz)

    def _offset_hz(self, sample_index: int) -> float:
        """The detuning that is wished at a sample [Hz]."""
        since = self._on_at if self._on_at is not None else self._on_since
        if since is None or self.wish.chirp_hz_per_s == 0.0:
            return self.wish.offset_hz
        elapsed_s = max(sample_index - since, 0) / self.config.sample_rate_hz
        return self.wish.offset_hz + self.wish.chirp_hz_per_s * elapsed_s

    def _tone(self, view: PumpView, frequency_hz: float, ramp_s: float) -> Tone:
        """The pump as wished, with its phase going on."""
        self._asked_amplitude = self.wish.amplitude
        return Tone(
            channel=self.config.channel.name,
            at_sample=view.sample_index,
            frequency_hz=frequency_hz,
            amplitude=self.wish.amplitude,
            chirp_hz_per_s=self.wish.chirp_hz_per_s,
            ramp_s=ramp_s,
            waveform=self.wish.waveform,
            pulse_s=self.wish.pulse_s,
        )

    def _on_tone(self, view: PumpView) -> Tone:
        assert view.difference_hz is not None and view.difference_turns is not None
        frequency_hz = view.difference_hz + self._offset_hz(view.sample_index)
        turns, lead_rad = view.difference_turns, self._lead_rad
        if self.wish.continues and self.tone.frequency_hz > 0.0:
            turns, lead_rad = self.tone.turns_at(view.sample_index), self.wish.phase_rad
        phase_rad = 2.0 * math.pi * (turns % 1.0) + lead_rad
        return replace(self._tone(view, frequency_hz, self.config.ramp_s), phase_rad=phase_rad)

    @property
    def _lead_rad(self) -> float:
        """How far the tone's phase is ahead of that of the difference [rad]."""
        return self.wish.phase_rad - self.config.coupling_phase_rad

    def _follow(self, view: PumpView) -> Iterator[Tone]:
        """Follow the difference; no step in phase, ever."""
        assert view.difference_hz is not None and view.tracked_sigma_hz is not None
        wish = self.wish
        frequency_hz = view.difference_hz + self._offset_hz(view.sample_index)
        present_hz = self.tone.frequency_at(view.sample_index)  # it may chirp
        if not self.config.channel.keeps_phase:
            # A change may break the phase: only where staying is worse than the break.
            least_hz = max(2.0 * view.tracked_sigma_hz, 0.1 * self.config.sigma_limit_hz)
            if abs(frequency_hz - present_hz) < least_hz:
                frequency_hz = present_hz
        elif (
            wish.offset_hz == 0.0
            and wish.chirp_hz_per_s == 0.0
            and not wish.continues
            and view.difference_turns is not None
        ):
            frequency_hz += self._steering_hz(view.difference_turns, view.sample_index)
        is_new_amplitude = wish.amplitude != self._asked_amplitude
        if frequency_hz == present_hz and not is_new_amplitude:
            return
        yield self._tone(view, frequency_hz, self.config.ramp_s if is_new_amplitude else 0.0)

    def _steering_hz(self, difference_turns: float, index: int) -> float:
        """What draws the tone's phase to that of the difference [Hz]."""
        behind = difference_turns + self._lead_rad / (2.0 * math.pi) - self.tone.turns_at(index)
        behind -= round(behind)
        return min(max(behind / STEER_S, -STEER_LIMIT_HZ), STEER_LIMIT_HZ)
