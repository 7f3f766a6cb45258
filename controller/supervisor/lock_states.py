"""The states of both modes, and what their changes tell of locks lost and found again."""

from __future__ import annotations

from controller.records import Event, ModeId, TrackerState
from controller.supervisor.evidence import has_jumped
from controller.supervisor.loop_clock import LoopClock
from controller.supervisor.recurrence import Recurrence
from controller.tracking.pair import TrackedPair

# A mode that falls out of lock so often in so short a time is followed with a wrong idea of
# it, such as a ping that was disturbed: it is searched for anew. One that jumps so often is
# followed with a wrong idea of its noise or of how fast it decays.
MOST_FALLS = 8
FALLS_S = 20.0
FALLS_TO = {
    TrackerState.PULLING_IN: TrackerState.HOLDING,
    TrackerState.LOCKED: TrackerState.HOLDING,
    TrackerState.HOLDING: TrackerState.LOST,
    TrackerState.LOST: TrackerState.SEARCHING,
}


class LockStates:
    """The states of both modes through a whole run; owned by the engine.

    Parameters
    ----------
    clock : LoopClock
        The loop's.
    """

    def __init__(self, clock: LoopClock) -> None:
        self._clock = clock
        self.states = dict.fromkeys(ModeId, TrackerState.SEARCHING)
        self.first_locked_index: int | None = None  # both modes
        self._last_locked_index: int | None = None  # both modes, or none was missed
        self._is_relock_due = False
        # Of each change of state, with its reason.
        self._recurrences: dict[tuple[ModeId, str], Recurrence] = {}
        self._were_jumping = dict.fromkeys(ModeId, False)
        self._jumps: dict[ModeId, list[int]] = {mode: [] for mode in ModeId}  # when
        self.forget_falls()
        self.begin_block()

    def __repr__(self) -> str:
        return f"LockStates({self.words})"

    @property
    def words(self) -> str:
        """Both states, the lower mode's first."""
        return "/".join(state.value for state in self.states.values())

    @property
    def are_locked(self) -> bool:
        """Whether both modes are locked."""
        return all(state is TrackerState.LOCKED for state in self.states.values())

    @property
    def why_search(self) -> str:
        """Why both modes have to be searched for; empty while they have not."""
        if any(state is TrackerState.LOST for state in self.states.values()):
            return "a line was lost"
        if any(len(falls) > MOST_FALLS for falls in self._falls.values()):
            return "a line falls out of lock again and again"
        return ""

    @property
    def doubts(self) -> tuple[str, ...]:
        """The modes that were not locked or jumped, be it for a part of this block."""
        return tuple(self._doubts.values())

    def begin_block(self) -> None:
        """Forget what spoke against the modes during the last block."""
        self._doubts: dict[ModeId, str] = {}

    def forget_falls(self) -> None:
        """A search begins: what it finds is another idea of the modes."""
        self._falls: dict[ModeId, list[int]] = {mode: [] for mode in ModeId}  # when

    def note(self, pair: TrackedPair) -> list[Event]:
        """Look at the trackers of a pair, and tell what has changed."""
        events = []
        for mode, tracker in pair.trackers.items():
            if tracker.state is not self.states[mode]:
                events += self._enter(mode, tracker.state, tracker.reason)
            jumps = tracker.state is TrackerState.LOCKED and has_jumped(tracker)
            if tracker.state is not TrackerState.LOCKED:
                self._doubts[mode] = f"{mode.value} {tracker.state.value}: {tracker.reason}"
            elif jumps:
                self._doubts[mode] = self._jumped(mode, abs(tracker.phase_error_rad))
            self._were_jumping[mode] = jumps
        return events + self._come_again()

    def _jumped(self, mode: ModeId, error_rad: float) -> str:
        """What a jump tells, and where the fault may be if it is one of many."""
        if not self._were_jumping[mode]:
            self._jumps[mode] = self._with_now(self._jumps[mode])
        text = f"{mode.value} jumped: phase error {error_rad:.2g} rad"
        if len(self._jumps[mode]) > MOST_FALLS:
            text += (
                ", again and again; tracking.detector_noise may be stated too small, or "
                f"modes.{mode.value}.quality_factor be far off"
            )
        return text

    def note_locks(self, *, is_observed: bool) -> list[Event]:
        """Say how long it took, once both modes are locked again after a lock was lost.

        Parameters
        ----------
        is_observed : bool
            Whether the observer's word counts: the loops are blind now and then, and no
            lock is lost.

        Returns
        -------
        list of Event
            At most one.
        """
        events = []
        if self.are_locked:
            if self.first_locked_index is None:
                self.first_locked_index = self._clock.now_index
            if self._is_relock_due and self._last_locked_index is not None:
                lost_s = self._clock.elapsed_s(self._last_locked_index)
                text = f"both modes locked again {lost_s:.1f} s after the lock was lost"
                events.append(self._clock.event("run", "relocked", text))
        self._is_relock_due = not (self.are_locked or is_observed)
        if not self._is_relock_due:
            self._last_locked_index = self._clock.now_index
        return events

    def give_up(self, last: TrackerState, reason: str) -> list[Event]:
        """Let both modes fall back to a state, by the ways that a tracker has."""
        events = []
        for mode in ModeId:
            while self.states[mode] is not last:
                events += self._enter(mode, FALLS_TO[self.states[mode]], reason)
        return events

    def _enter(self, mode: ModeId, state: TrackerState, reason: str) -> list[Event]:
        """Change a state; told at once, unless the same has just happened."""
        before, self.states[mode] = self.states[mode], state
        if before is TrackerState.LOCKED:
            self._falls[mode] = self._with_now(self._falls[mode])
        text = f"{before.value} -> {state.value}: {reason}"
        recurrence = self._recurrences.setdefault((mode, text), Recurrence(self._clock.rate_hz))
        if not recurrence.is_news(self._clock.now_index):
            return []
        return [self._clock.event(mode.value, "state", text)]

    def _come_again(self) -> list[Event]:
        """The changes that were counted and are due to be told."""
        now_index = self._clock.now_index
        events = [
            self._clock.event(mode.value, "again", f"{text} ({words})")
            for (mode, text), recurrence in self._recurrences.items()
            if (words := recurrence.summary(now_index))
        ]
        # Reasons may hold numbers: what is over is forgotten, or there would be ever more.
        for key in [key for key, each in self._recurrences.items() if each.is_over(now_index)]:
            del self._recurrences[key]
        return events

    def _with_now(self, indices: list[int]) -> list[int]:
        """The samples of the last seconds at which something happened, and this one."""
        recent = self._clock.now_index - FALLS_S * self._clock.rate_hz
        return [*(at for at in indices if at > recent), self._clock.now_index]
