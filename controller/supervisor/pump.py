"""The pump: when it may be on, and which frequency and phase it has.

Theory of operation. The interlock is open while there is any evidence
against the pump: a mode that is not locked, an uncertainty or a difference
outside its limits, a stream that is not fit. OFF: nobody wants the pump.
ARMED: wanted, waiting until all has been well for a while. ON: the tone is
out. MUTED: evidence (or the operator) took it off; it comes back by itself
after the healthy time, except after an operator's mute. In every state
but ON the commanded amplitude is zero.

While ON the tone follows the difference in frequency, without a break in
phase, and its phase is drawn slowly to that of the difference: two modes of
equal amplitude and this phase are a dressed state, which exchanges nothing.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Iterator
from dataclasses import dataclass

from controller.instrument import Tone, ToneChannel
from controller.records import Event, PumpState
from controller.supervisor.requests import Request, RequestKind
from controller.supervisor.tone_state import ToneState

LEARN_S = 3.0  # the phases show a shift to a millihertz within a second
STEER_S = 5.0  # arbitrary between 2 and 20: slow against a tick, quick against phase diffusion
# The phase may cost this much frequency at most [Hz]; a line is some 10 mHz wide.
STEER_LIMIT_HZ = 5.0e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class PumpConfig:
    """Limits and wishes for the pump."""

    channel: ToneChannel
    sample_rate_hz: float
    amplitude: float
    offset_hz: float
    coupling_phase_rad: float
    window_hz: tuple[float, float]
    sigma_limit_hz: float
    healthy_s: float
    ramp_s: float
    from_index: int  # not before this sample


@dataclass(frozen=True, slots=True, kw_only=True)
class PumpView:
    """What the supervisor sees at the end of a block."""

    sample_index: int
    reasons: tuple[str, ...]  # evidence from stream and trackers
    difference_hz: float | None
    tracked_sigma_hz: float | None  # how well the phases' difference frequency is known
    difference_turns: float | None  # phase of upper minus lower at sample_index, modulo 1
    is_tick: bool  # a fresh joint estimate stands behind this view


class PumpSupervisor:
    """Decides the pump, and nobody else does; owned by the engine."""

    def __init__(self, config: PumpConfig) -> None:
        self.config = config
        self.amplitude = config.amplitude
        self.offset_hz = config.offset_hz
        self.reset()

    def reset(self) -> None:
        """Pump off, nothing healthy yet."""
        self.state = PumpState.OFF
        self.wanted = self.amplitude > 0.0
        self.is_open = True  # the interlock
        self._held_by_operator = False
        self._healthy_since: int | None = None
        self._on_since: int | None = None
        self.tone = ToneState(self.config.sample_rate_hz)

    def copy(self) -> PumpSupervisor:
        """An independent supervisor that goes on alike."""
        return copy.deepcopy(self)

    def __repr__(self) -> str:
        return f"PumpSupervisor({self.state.value}, {self.tone.frequency_hz:.6f} Hz)"

    # -- decisions --------------------------------------------------------------

    def process(
        self, view: PumpView, requests: tuple[Request, ...]
    ) -> tuple[tuple[Tone, ...], tuple[Event, ...]]:
        """Judge the evidence and set the pump.

        Parameters
        ----------
        view : PumpView
            Evidence and estimate at the end of the last block.
        requests : tuple of Request
            What the operator asks.

        Returns
        -------
        tuple of Tone, tuple of Event
            Commands for the pump's channel, and what changed.
        """
        events: list[Event] = []
        for request in requests:
            events.extend(self._obey(request, view.sample_index))
        reasons = view.reasons + self._limits_broken(view)
        events.extend(self._judge(view.sample_index, reasons))
        tones: list[Tone] = []
        forbidden = self.is_open or self._held_by_operator or not self.wanted
        if self.state is PumpState.ON and forbidden:
            why = "; ".join(reasons) or (
                "the operator muted it" if self._held_by_operator else "not wanted"
            )
            tones.append(self._off_tone(view.sample_index))
            events.append(self._event(view.sample_index, "mute", why))
            state = PumpState.MUTED if self.wanted else PumpState.OFF
            events.append(self._enter(state, view.sample_index, why))
        elif self.state is PumpState.ON and view.is_tick:
            tones.extend(self._follow(view))
        elif self.state is not PumpState.ON:
            events.extend(self._wait(view))
            if self.state is PumpState.ON:
                tones.append(self._on_tone(view))
        return tuple(tones), tuple(events)

    def off_now(self, sample_index: int) -> Tone:
        """The tone that takes the pump off, whatever the state."""
        if self.state is PumpState.ON:
            self.state = PumpState.MUTED
        return self._off_tone(sample_index)

    def tone_refused(self, sample_index: int, reason: str) -> tuple[Event, ...]:
        """The channel refused: the pump counts as muted until all is well again."""
        if self.state is not PumpState.ON:
            return ()
        self._healthy_since = None
        return (
            self._event(sample_index, "mute", f"tone refused: {reason}"),
            self._enter(PumpState.MUTED, sample_index, f"tone refused: {reason}"),
        )

    # -- inside -----------------------------------------------------------------

    def _obey(self, request: Request, index: int) -> Iterator[Event]:
        kind = request.kind
        if kind is RequestKind.ARM:
            self.wanted, self._held_by_operator = self.amplitude > 0.0, False
        elif kind is RequestKind.DISARM:
            self.wanted = False
        elif kind is RequestKind.MUTE:
            self._held_by_operator = True
        elif kind is RequestKind.SET_AMPLITUDE:
            self.amplitude = min(max(request.value, 0.0), self.config.channel.max_amplitude)
            self.wanted = self.wanted and self.amplitude > 0.0
        elif kind is RequestKind.SET_OFFSET:
            self.offset_hz = request.value
        shown = request.text or (f"{request.value:g}" if kind.value.startswith("set") else "")
        yield self._event(index, "request", f"{kind.value} {shown}".strip() + f" by {request.who}")

    def _limits_broken(self, view: PumpView) -> tuple[str, ...]:
        if view.difference_hz is None or view.tracked_sigma_hz is None:
            return ("the difference is not known",)
        broken = []
        if view.tracked_sigma_hz > self.config.sigma_limit_hz and not self._just_on(view):
            broken.append(
                f"the difference is uncertain by {1e3 * view.tracked_sigma_hz:.3g} mHz, "
                f"limit {1e3 * self.config.sigma_limit_hz:.3g} mHz"
            )
        low, high = self.config.window_hz
        if not low <= view.difference_hz <= high:
            broken.append(f"the difference {view.difference_hz:.3f} Hz left {low:g} to {high:g} Hz")
        tone_hz = view.difference_hz + self.offset_hz
        channel = self.config.channel
        if not channel.min_frequency_hz <= tone_hz <= channel.max_frequency_hz:
            broken.append(f"the channel cannot do {tone_hz:.3f} Hz")
        return tuple(broken)

    def _just_on(self, view: PumpView) -> bool:
        """Whether the pump came on a moment ago.

        Coming on shifts both modes by amounts that are known only once the
        phases have shown them; meanwhile the stated uncertainty is that of
        the shift, and no reason to go off again.
        """
        if self.state is not PumpState.ON or self._on_since is None:
            return False
        on_s = (view.sample_index - self._on_since) / self.config.sample_rate_hz
        return on_s < LEARN_S

    def _judge(self, index: int, reasons: tuple[str, ...]) -> Iterator[Event]:
        """Open or close the interlock, and count the healthy time."""
        if reasons:
            self._healthy_since = None
            if not self.is_open:
                self.is_open = True
                yield self._event(index, "interlock_open", "; ".join(reasons))
            return
        if self._healthy_since is None:
            self._healthy_since = index
        if self.is_open:
            self.is_open = False
            yield self._event(index, "interlock_closed", "all is well")

    def _wait(self, view: PumpView) -> Iterator[Event]:
        """In a state without a tone: should it change?"""
        index = view.sample_index
        if not self.wanted:
            if self.state is not PumpState.OFF:
                yield self._enter(PumpState.OFF, index, "not wanted")
            return
        if index < self.config.from_index:
            return
        if self.state is PumpState.OFF:
            yield self._enter(PumpState.ARMED, index, "wanted")
        if self._held_by_operator:
            if self.state is PumpState.ARMED:
                yield self._enter(PumpState.MUTED, index, "the operator muted it")
            return
        healthy = self._healthy_since is not None and not self.is_open
        if healthy and view.is_tick and view.difference_turns is not None:
            assert self._healthy_since is not None
            healthy_s = (index - self._healthy_since) / self.config.sample_rate_hz
            if healthy_s >= self.config.healthy_s:
                yield self._enter(PumpState.ON, index, "all was well for the healthy time")

    def _enter(self, state: PumpState, index: int, why: str) -> Event:
        old, self.state = self.state, state
        self._on_since = index if state is PumpState.ON else None
        return self._event(index, "state", f"{old.value} -> {state.value}: {why}")

    def _event(self, index: int, kind: str, text: str) -> Event:
        return Event(
            sample_index=index,
            time_s=index / self.config.sample_rate_hz,
            source="pump",
            kind=kind,
            text=text,
        )

    def _off_tone(self, index: int) -> Tone:
        channel = self.config.channel
        frequency_hz = self.tone.frequency_hz or channel.min_frequency_hz
        return Tone(
            channel=channel.name,
            at_sample=index,
            frequency_hz=frequency_hz,
            amplitude=0.0,
            ramp_s=self.config.ramp_s,
        )

    def _on_tone(self, view: PumpView) -> Tone:
        assert view.difference_hz is not None and view.difference_turns is not None
        return Tone(
            channel=self.config.channel.name,
            at_sample=view.sample_index,
            frequency_hz=view.difference_hz + self.offset_hz,
            amplitude=self.amplitude,
            phase_rad=2.0 * math.pi * (view.difference_turns % 1.0)
            - self.config.coupling_phase_rad,
            ramp_s=self.config.ramp_s,
        )

    def _follow(self, view: PumpView) -> Iterator[Tone]:
        """Follow the difference; no step in phase, ever."""
        assert view.difference_hz is not None and view.tracked_sigma_hz is not None
        frequency_hz = view.difference_hz + self.offset_hz
        channel = self.config.channel
        if not channel.keeps_phase:
            # A change may break the phase: only where staying is worse than the break.
            least_hz = max(2.0 * view.tracked_sigma_hz, 0.1 * self.config.sigma_limit_hz)
            if abs(frequency_hz - self.tone.frequency_hz) < least_hz:
                frequency_hz = self.tone.frequency_hz
        elif self.offset_hz == 0.0 and view.difference_turns is not None:
            behind = (
                view.difference_turns
                - self.config.coupling_phase_rad / (2.0 * math.pi)
                - self.tone.turns_at(view.sample_index)
            )
            behind -= round(behind)
            steer_hz = behind / STEER_S
            frequency_hz += min(max(steer_hz, -STEER_LIMIT_HZ), STEER_LIMIT_HZ)
        if frequency_hz == self.tone.frequency_hz and self.amplitude == self.tone.amplitude:
            return
        yield Tone(
            channel=channel.name,
            at_sample=view.sample_index,
            frequency_hz=frequency_hz,
            amplitude=self.amplitude,
            ramp_s=0.0 if self.amplitude == self.tone.amplitude else self.config.ramp_s,
        )
