"""Carries out a protocol: step after step, by what the loop sees.

    view of the loop -> the present step -> requests to the loop, sections for the log

Theory of operation. Each step asks the loop for something when it begins, and is
done when the loop shows it, or when its time is over. While a step goes on, the
loop may lose a mode or mute the pump: the step is interrupted then, except `wait`,
which only lets time pass. The pump is asked off, the modes are driven and found
again by the loop itself, and the protocol goes back to the last step that prepared
the modes (find, lock, settle, ring_up or drive) and tries again, as often as its
`retries` allow. A pause takes effect between two steps; what is lost meanwhile
interrupts the step that was to come. A skipped step ends at once and counts as not
completed; a skipped pump goes off.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from controller.protocol.language import ProtocolPlan
from controller.protocol.timeline import LEAST_AVERAGES, PlannedStep, flattened
from controller.records import Event, ModeId, PumpState, Section
from controller.settings import LoopSettings
from controller.supervisor.requests import PumpWish, Request, RequestKind
from controller.tracking.stability import RunningAllan

WHO = "protocol"
# Steps that prepare the modes: they wait where a lock is lost, and it is to them that an
# interrupted protocol goes back.
PREPARING = ("find", "lock", "settle", "ring_up", "drive")
NEAR = 0.1  # of the amplitude that was asked for
DEFAULT_TIMEOUT_S = 300.0
PUMP_TIMEOUT_S = 60.0  # for a pump to come on: the healthy time and some
# A step that begins while the difference is not known has so long: some ticks of the
# observer, which begins when modes are released.
KNOWN_WITHIN_S = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopView:
    """What a protocol sees of the loop at the end of a block."""

    sample_index: int
    time_s: float
    are_followed: bool  # both modes were found
    are_known: bool  # both locked, or known by the observer
    are_locked: bool
    amplitudes_m: Mapping[ModeId, float]
    difference_sigma_hz: float | None
    tick_s: float  # between two of the estimates that follow
    differences_hz: tuple[float | None, ...]  # estimates of this block; None: in doubt
    release_refusal: Callable[[str], str]  # why a mode ("" for both) cannot be left; empty: it can
    pump_state: PumpState
    is_pump_over: bool  # it was on for the time that was wished
    marks: tuple[str, ...] = ()  # that came with this block


@dataclass(frozen=True, slots=True, kw_only=True)
class ProtocolStep:
    """What a block brought."""

    requests: tuple[Request, ...] = ()
    sections: tuple[Section, ...] = ()
    events: tuple[Event, ...] = ()


class ProtocolRunner:
    """Carries out one protocol; owned by the engine, one thread.

    Parameters
    ----------
    steps : sequence of PlannedStep
        Repeats and sweeps unrolled.
    retries : int
        How often an interrupted step may be tried again, in all.
    title : str
        Of the protocol.
    analysis : str or None
        Name of the analysis that its data are for.
    """

    def __init__(
        self,
        steps: Sequence[PlannedStep],
        *,
        retries: int = 3,
        title: str = "",
        analysis: str | None = None,
    ) -> None:
        self._steps = tuple(steps)
        self._retries = retries
        self.title, self.analysis = title, analysis
        self.reset()

    @classmethod
    def of(cls, plan: ProtocolPlan, settings: LoopSettings) -> ProtocolRunner:
        """What carries out a plan for modes and pump as the settings describe them."""
        return cls(
            flattened(plan, settings),
            retries=plan.retries,
            title=plan.title,
            analysis=plan.analysis,
        )

    def reset(self) -> None:
        """Before the first step."""
        self._place = 0
        self._begun_s: float | None = None
        self._attempts = [0] * len(self._steps)
        self._repeated = 0
        self._is_pumped = False  # the pump was asked on and should be
        self._has_come_on = False  # the pump, in the present step
        self._was_known = False
        self._recovering_from_s: float | None = None
        self._undisturbed = _Undisturbed()
        self._pause_wanted = False
        self._marks: list[str] = []
        self._now_s = 0.0
        self.failure: str | None = None
        self.is_stopped = False

    def copy(self) -> ProtocolRunner:
        """An independent protocol that goes on alike."""
        return copy.deepcopy(self)

    def __repr__(self) -> str:
        return f"ProtocolRunner({self.status})"

    # -- what others ask ---------------------------------------------------------

    @property
    def is_finished(self) -> bool:
        """Whether all steps are done, or it was stopped."""
        return self.is_stopped or self._place >= len(self._steps)

    @property
    def step(self) -> PlannedStep | None:
        """The present step."""
        return None if self.is_finished else self._steps[self._place]

    @property
    def number(self) -> int:
        """Of the present step, from 1."""
        return min(self._place + 1, len(self._steps))

    @property
    def count(self) -> int:
        """How many steps there are."""
        return len(self._steps)

    @property
    def results(self) -> dict[str, object]:
        """How it went."""
        return {
            "title": self.title,
            "analysis": self.analysis,
            "steps": self.count,
            "done": min(self._place, self.count),
            "repeated": self._repeated,
            "failure": self.failure,
        }

    @property
    def is_paused(self) -> bool:
        """Whether it waits for an operator before the next step."""
        return self._pause_wanted and self._begun_s is None

    @property
    def is_recovering(self) -> bool:
        """Whether it waits for the modes after an interruption."""
        return self._recovering_from_s is not None

    @property
    def is_recording(self) -> bool:
        """Whether basebands are wanted now."""
        step = self.step
        return step is not None and self._begun_s is not None and step.is_recorded

    @property
    def remaining_s(self) -> float:
        """What is left by the plan, the present step included [s]."""
        if self.is_finished:
            return 0.0
        elapsed_s = 0.0 if self._begun_s is None else self._now_s - self._begun_s
        present_s = max(self._steps[self._place].duration_s - elapsed_s, 0.0)
        return present_s + sum(step.duration_s for step in self._steps[self._place + 1 :])

    @property
    def status(self) -> str:
        """The present step in a few words."""
        step = self.step
        if step is None:
            return "protocol stopped" if self.is_stopped else "protocol done"
        state = "paused before " if self.is_paused else ""
        if self._recovering_from_s is not None:
            state = "recovering, then "
        return f"{state}{step.title} ({self.number} of {self.count})"

    # -- one block ---------------------------------------------------------------

    def process(self, view: LoopView, requests: Sequence[Request] = ()) -> ProtocolStep:
        """Take what the loop sees.

        Parameters
        ----------
        view : LoopView
            At the end of a block.
        requests : sequence of Request
            The operator's; those for a protocol are obeyed.

        Returns
        -------
        ProtocolStep
            Requests to the loop, sections that ended, events.
        """
        self._now_s = view.time_s
        was_finished = self.is_finished
        if self._begun_s is None or self._steps[self._place].kind != "marker":
            self._marks.clear()  # only those of this block may be waited for by then
        self._marks.extend(view.marks)
        asked: list[Request] = []
        sections: list[Section] = []
        events: list[Event] = []
        for request in requests:
            if not self.is_finished:
                self._obey(request, view, asked, sections, events)
        if not self.is_finished and self.failure is None:
            self._advance(view, asked, sections, events)
        if self.is_finished and not was_finished:
            asked.append(_request(RequestKind.DISARM))
            if not self.is_stopped:
                events.append(self._event(view, "done", f"{self.count} steps"))
        self._was_known = view.are_known
        return ProtocolStep(requests=tuple(asked), sections=tuple(sections), events=tuple(events))

    def _obey(
        self,
        request: Request,
        view: LoopView,
        asked: list[Request],
        sections: list[Section],
        events: list[Event],
    ) -> None:
        if request.kind is RequestKind.PAUSE:
            self._pause_wanted = True
        elif request.kind is RequestKind.RESUME:
            self._pause_wanted = False
        elif request.kind is RequestKind.SKIP and (step := self.step) is not None:
            self._end(view, sections, completed=False, reason="skipped by the operator")
            self._place += 1
            if step.kind in ("pump_on", "pump_off"):
                self._is_pumped = False
                asked.append(_request(RequestKind.DISARM))
        elif request.kind is RequestKind.STOP:
            self._end(view, sections, completed=False, reason="stopped by the operator")
            self.is_stopped = True
        else:
            return
        events.append(self._event(view, "request", f"{request.kind.value} by {request.who}"))

    def _advance(
        self,
        view: LoopView,
        asked: list[Request],
        sections: list[Section],
        events: list[Event],
    ) -> None:
        """Begin and end steps until one has to wait."""
        self._undisturbed.process(view)
        if self._recovering_from_s is not None:
            if self.is_paused:  # nobody waits for a lock
                self._recovering_from_s = view.time_s
                return
            if not view.are_locked:
                self._lose_patience(view, events)
                return
            self._recovering_from_s = None
        while (step := self.step) is not None:
            if self.is_paused:
                if why := self._loss(step, view):
                    self._interrupt(f"{why} during a pause", view, asked, sections, events)
                return
            if self._begun_s is None:
                refusal = self._begin(step, view, asked, events)
                if refusal:
                    self._interrupt(refusal, view, asked, sections, events)
                    return
                if not step.is_instant:
                    return
            self._has_come_on |= view.pump_state is PumpState.ON
            why = self._interruption(step, view)
            if why:
                self._interrupt(why, view, asked, sections, events)
                return
            if not self._is_done(step, view):
                return
            self._end(view, sections, completed=True)
            self._place += 1

    def _begin(
        self, step: PlannedStep, view: LoopView, asked: list[Request], events: list[Event]
    ) -> str:
        """Ask for what a step needs; why the loop would refuse it, empty if it does not."""
        self._begun_s = view.time_s
        self._attempts[self._place] += 1
        self._has_come_on = False
        self._undisturbed.reset()
        events.append(self._event(view, "step", f"{self.number} of {self.count}: {step.title}"))
        if step.kind == "release":
            refusal = view.release_refusal(_named_mode(step))
            if refusal:
                return f"release refused: {refusal}"
        asked.extend(self._opening(step))
        return ""

    def _end(
        self,
        view: LoopView,
        sections: list[Section],
        *,
        completed: bool,
        reason: str = "",
    ) -> None:
        step, begun_s = self.step, self._begun_s
        self._begun_s = None
        if step is None or begun_s is None:
            return
        if step.kind == "marker":
            self._marks.clear()  # a mark ends one step
        sections.append(
            Section(
                number=self.number,
                name=step.name,
                kind=step.kind,
                parameters=step.parameters,
                start_s=begun_s,
                end_s=view.time_s,
                completed=completed,
                attempt=self._attempts[self._place],
                reason=reason,
            )
        )

    # -- steps -------------------------------------------------------------------

    def _opening(self, step: PlannedStep) -> list[Request]:
        """What a step asks of the loop when it begins."""
        p, text = step.parameters, _named_mode(step)
        if step.kind in ("ring_up", "drive"):
            value = float(p.get("amplitude_m", 0.0))
            return [_request(RequestKind.DRIVE, text=text, value=value)]
        if step.kind == "release":
            return [_request(RequestKind.RELEASE, text=text)]
        if step.kind == "pump_off":
            self._is_pumped = False
            return [_request(RequestKind.DISARM)]
        if step.kind == "pump_on":
            self._is_pumped = "duration_s" not in p
            return [Request(kind=RequestKind.PUMP, wish=_wish(p), who=WHO)]
        return []

    def _is_done(self, step: PlannedStep, view: LoopView) -> bool:
        elapsed_s = view.time_s - (self._begun_s or 0.0)
        p = step.parameters
        if step.kind == "find":
            return view.are_followed
        if step.kind in ("lock", "drive"):
            return view.are_locked
        if step.kind == "settle":
            return self._has_settled(p, view)
        if step.kind == "ring_up":
            return view.are_locked and _is_rung_up(p, view)
        if step.kind == "pump_on":
            return view.is_pump_over if "duration_s" in p else view.pump_state is PumpState.ON
        if step.kind == "pump_off":
            return view.pump_state is PumpState.OFF
        if step.kind == "marker":
            is_required = bool(p.get("required", True))
            return self._is_marked(step) or (not is_required and self._has_waited(step, elapsed_s))
        return elapsed_s >= float(p.get("duration_s", 0.0))

    def _is_marked(self, step: PlannedStep) -> bool:
        """Whether the mark that a step waits for has come."""
        wanted = str(step.parameters.get("text", ""))
        return any(not wanted or mark == wanted for mark in self._marks)

    def _has_settled(self, parameters: Mapping[str, float | str | bool], view: LoopView) -> bool:
        sigma_hz = parameters.get("difference_sigma_hz")
        if sigma_hz is not None:
            known = view.difference_sigma_hz
            return known is not None and known < float(sigma_hz)
        deviation_hz = self._undisturbed.deviation_hz(float(parameters["averaging_s"]))
        return deviation_hz is not None and deviation_hz < float(parameters["allan_deviation_hz"])

    def _loss(self, step: PlannedStep, view: LoopView) -> str:
        """What a step that is still to begin would have needed and is lost; empty: nothing."""
        if step.kind in (*PREPARING, "wait"):
            return ""
        if self._was_known and not view.are_known:
            return "a lock was lost"
        if self._is_pumped and step.kind != "pump_off":
            return _pump_loss(view)
        return ""

    def _interruption(self, step: PlannedStep, view: LoopView) -> str:
        """Why the present step cannot go on; empty if it can."""
        elapsed_s = view.time_s - (self._begun_s or 0.0)
        is_watched = step.kind != "wait"
        is_lost = self._was_known or elapsed_s > KNOWN_WITHIN_S
        if is_watched and step.kind not in PREPARING and is_lost and not view.are_known:
            return "a lock was lost"
        if is_watched and self._should_be_pumped(step, view) and (why := _pump_loss(view)):
            return why
        if self._has_waited(step, elapsed_s) and not self._is_done(step, view):
            return f"it took longer than {elapsed_s:.3g} s"
        return ""

    def _should_be_pumped(self, step: PlannedStep, view: LoopView) -> bool:
        """Whether the pump should be on."""
        if step.kind == "pump_on":
            return self._has_come_on and not view.is_pump_over
        return self._is_pumped

    @staticmethod
    def _has_waited(step: PlannedStep, elapsed_s: float) -> bool:
        """Whether a step that waits for something has waited too long."""
        if step.kind in ("hold", "wait", "record", "release", "pump_off"):
            return False
        default_s = DEFAULT_TIMEOUT_S
        if step.kind == "pump_on":
            default_s = PUMP_TIMEOUT_S + float(step.parameters.get("duration_s", 0.0))
        return elapsed_s > float(step.parameters.get("timeout_s", default_s))

    def _interrupt(
        self,
        why: str,
        view: LoopView,
        asked: list[Request],
        sections: list[Section],
        events: list[Event],
    ) -> None:
        """Go back to where the modes were prepared, if there are tries left."""
        step = self.step
        assert step is not None
        self._end(view, sections, completed=False, reason=why)
        asked.append(_request(RequestKind.DISARM))
        asked.append(_request(RequestKind.DRIVE))
        self._is_pumped = False
        if self._repeated >= self._retries:
            self.failure = f"{step.title} (step {self.number}): {why}, {self._repeated} repeats"
            events.append(self._event(view, "failed", self.failure))
            return
        self._repeated += 1
        self._recovering_from_s = view.time_s
        while self._place > 0 and self._steps[self._place].kind not in PREPARING:
            self._place -= 1
        # Modes in a row that were prepared together are prepared together again.
        while self._place > 0 and self._steps[self._place - 1].kind in PREPARING:
            self._place -= 1
        text = f"{why}: back to {self._steps[self._place].title}, repeat {self._repeated}"
        events.append(self._event(view, "interrupted", text))

    def _lose_patience(self, view: LoopView, events: list[Event]) -> None:
        """Fail where the modes are not locked again."""
        assert self._recovering_from_s is not None
        if view.time_s - self._recovering_from_s > DEFAULT_TIMEOUT_S:
            self.failure = f"{self.status}: no lock within {DEFAULT_TIMEOUT_S:g} s"
            events.append(self._event(view, "failed", self.failure))

    def _event(self, view: LoopView, kind: str, text: str) -> Event:
        return Event(
            sample_index=view.sample_index,
            time_s=view.time_s,
            source="protocol",
            kind=kind,
            text=text,
        )


def _request(kind: RequestKind, *, text: str = "", value: float = 0.0) -> Request:
    return Request(kind=kind, text=text, value=value, who=WHO)


def _wish(parameters: Mapping[str, float | str | bool]) -> PumpWish:
    numbers = {
        "offset_hz": "detuning_hz",
        "phase_rad": "phase_rad",
        "pulse_s": "pulse_s",
        "chirp_hz_per_s": "chirp_hz_per_s",
    }
    duration_s = parameters.get("duration_s")
    return PumpWish(
        amplitude=float(parameters["amplitude"]),
        waveform=str(parameters.get("waveform", "sine")),
        continues=bool(parameters.get("continues", False)),
        duration_s=None if duration_s is None else float(duration_s),
        **{name: float(parameters.get(key, 0.0)) for name, key in numbers.items()},
    )


class _Undisturbed:
    """Allan deviation of the difference since a step began, or since it was last in doubt."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """A step begins."""
        self._allan: RunningAllan | None = None  # begins with the first estimate
        self._span_s = 0.0

    def process(self, view: LoopView) -> None:
        """Take the estimates of a block."""
        for difference_hz in view.differences_hz:
            if difference_hz is None:
                self.reset()
                continue
            if self._allan is None:
                self._allan = RunningAllan(view.tick_s)
            self._allan.process(np.array([difference_hz]))
            self._span_s += view.tick_s

    def deviation_hz(self, averaging_s: float) -> float | None:
        """At an averaging time; None before there are enough of these."""
        if self._allan is None or self._span_s < LEAST_AVERAGES * averaging_s:
            return None
        return self._allan.deviation_at(averaging_s)


def _named_mode(step: PlannedStep) -> str:
    """The mode that a step names, as a request does: empty for both."""
    mode = str(step.parameters.get("mode", "both"))
    return "" if mode == "both" else mode


def _pump_loss(view: LoopView) -> str:
    """How a pump that should be on is not; empty if it is."""
    if view.pump_state is PumpState.ON:
        return ""
    return "the pump was muted" if view.pump_state is PumpState.MUTED else "the pump went off"


def _is_rung_up(parameters: Mapping[str, float | str | bool], view: LoopView) -> bool:
    target_m = float(parameters["amplitude_m"])
    mode = str(parameters.get("mode", "both"))
    modes = [each for each in ModeId if mode in ("both", each.value)]
    return all(math.isclose(view.amplitudes_m[each], target_m, rel_tol=NEAR) for each in modes)
