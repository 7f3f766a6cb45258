"""Two modes that are followed: from a block to what pump, log and protocol are to know.

    block -> pair, piece by piece -> ticks -> whose difference counts -> what speaks against it

A following begins when both modes were found, or when the joint estimate begins anew, and
ends with its pair. What outlasts it (drives, pump, states of the modes) is the engine's.
"""

from __future__ import annotations

import math

from controller.instrument import SampleBlock
from controller.records import Event, ModeId, PumpState, TrackerState
from controller.supervisor.drives import Drives
from controller.supervisor.evidence import doubt_of_estimate, doubts_of_observer
from controller.supervisor.handover import Handover
from controller.supervisor.influence import ToneInfluence
from controller.supervisor.live_difference import LiveEstimate
from controller.supervisor.lock_states import LockStates
from controller.supervisor.loop_clock import LoopClock
from controller.supervisor.pump import PumpView
from controller.supervisor.stream_watch import StreamHealth
from controller.tracking.pair import Tick, TrackedPair

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER

# Longer blocks are followed in pieces: an update long, so that no state of a tracker
# comes and goes unseen between two looks at it.
PIECE_S = 0.02
# A joint estimate that is in doubt for so long begins anew from the loops' frequencies.
ESTIMATE_LOST_S = 1.0
# A drive that rings a mode up or down within some seconds turns its phase by some ten
# milliradians, which looks like a walk of the difference by a millihertz.
RAMP_WALK_HZ_PER_ROOT_S = 1.0e-3


class Following:
    """One pair, for as long as it is followed; owned by the engine.

    Parameters
    ----------
    pair : TrackedPair
        Just started.
    influence : ToneInfluence
        What drives and pump do to it.
    handover : Handover
        Who knows its difference.
    drives : Drives
        The drives.
    locks : LockStates
        The states of both modes.
    clock : LoopClock
        The loop's.
    """

    def __init__(
        self,
        pair: TrackedPair,
        influence: ToneInfluence,
        handover: Handover,
        drives: Drives,
        locks: LockStates,
        clock: LoopClock,
    ) -> None:
        self.pair, self.handover = pair, handover
        self._influence = influence
        self._drives, self._locks, self._clock = drives, locks, clock
        self.last_tick: Tick | None = None
        self._has_locked = False  # both modes, with this pair
        self._estimate_doubt = ""
        self._estimate_lost_s = 0.0

    def __repr__(self) -> str:
        return f"Following({self._locks.words})"

    # -- what is known -----------------------------------------------------------------

    @property
    def live(self) -> LiveEstimate | None:
        """The difference that counts; None before the first tick."""
        return self.handover.live

    @property
    def is_observed(self) -> bool:
        """Whether the observer's word counts."""
        return self.handover.is_observed

    @property
    def is_known(self) -> bool:
        """Whether both modes are locked, or known by the observer."""
        return self._locks.are_locked or self.is_observed

    @property
    def is_difference_known(self) -> bool:
        """Whether there was a lock, and nothing speaks against the difference that counts."""
        return self._has_locked and (self.is_observed or not self._estimate_doubt)

    @property
    def is_estimate_lost(self) -> bool:
        """Whether the joint estimate should begin anew."""
        return self._estimate_lost_s > ESTIMATE_LOST_S

    def doubts(self) -> tuple[str, ...]:
        """What spoke against the modes, or against the observer, during this block."""
        return doubts_of_observer(self.pair) if self.is_observed else self._locks.doubts

    # -- one block -----------------------------------------------------------------------

    def measure(self, block: SampleBlock, health: StreamHealth) -> tuple[list[Tick], list[Event]]:
        """Let the pair follow a block, piece by piece, and note every change of state.

        Parameters
        ----------
        block : SampleBlock
            The next samples.
        health : StreamHealth
            Whether they can be used.

        Returns
        -------
        (list of Tick, list of Event)
            The ticks that have come, and what happened to the locks.
        """
        ticks: list[Tick] = []
        events: list[Event] = []
        self._locks.begin_block()
        if health.missing_samples or not health.is_usable:
            index = block.first_sample if health.is_usable else self._clock.now_index
            self.pair.interrupt(index, health.reasons[0])
            events += self._locks.note(self.pair)
        if health.is_usable:
            piece = max(1, round(PIECE_S * self._clock.rate_hz))
            for start in range(0, len(block.samples), piece):
                samples = block.samples[start : start + piece]
                ticks += self.pair.process(samples, block.first_sample + start, self._influence)
                events += self._locks.note(self.pair)
        return ticks, events + self._locks.note_locks(is_observed=self.is_observed)

    def take_tick(self, tick: Tick) -> list[Event]:
        """What the joint estimate learnt goes to the loops; choose the difference that counts."""
        self.last_tick = tick
        if not self._drives.released and self._drives.are_ramping(self.pair):
            walk_hz = RAMP_WALK_HZ_PER_ROOT_S * math.sqrt(self.pair.config.tick_s)
            self.pair.announce_jump(self._clock.now_index, walk_hz)
        for tracker in self.pair.trackers.values():
            tracker.walk_hz_per_root_s = tick.joint.shared_walk_hz_per_root_s
        is_locked = were_locked(tick)
        self._estimate_doubt = doubt_of_estimate(tick, self.pair) if is_locked else ""
        before = self.handover.source
        live = self.handover.process(tick, are_locked=is_locked)
        self._estimate_lost_s += self.pair.config.tick_s
        if not self._estimate_doubt or self.is_observed:
            self._estimate_lost_s = 0.0
        if live.source is before:
            return []
        return [self._clock.event("run", "source", f"{before.value} -> {live.source.value}")]

    def view(self, health: StreamHealth, pump_state: PumpState, *, is_tick: bool) -> PumpView:
        """What the pump has to know at the end of a block.

        Parameters
        ----------
        health : StreamHealth
            Of the stream.
        pump_state : PumpState
            Before this block.
        is_tick : bool
            Whether the block brought an estimate.

        Returns
        -------
        PumpView
            With everything that speaks against the pump.
        """
        reasons = (*health.reasons, *self.doubts())
        self._has_locked = self._has_locked or self._locks.are_locked
        if self._estimate_doubt and not self.is_observed:
            reasons = (*reasons, self._estimate_doubt)
        elif not reasons and pump_state is not PumpState.ON:
            reasons = self._not_settled()
        live = self.live
        return PumpView(
            sample_index=self._clock.now_index,
            reasons=reasons,
            difference_hz=None if live is None else live.difference_hz,
            tracked_sigma_hz=None if live is None else live.tracked_sigma_hz,
            difference_turns=self._difference_turns(pump_state) if is_tick else None,
            is_tick=is_tick,
        )

    def _difference_turns(self, pump_state: PumpState) -> float | None:
        """Phase of the difference that the pump may go by, now [turns]."""
        pair, now_index = self.pair, self._clock.now_index
        if self.is_observed:
            # To come on with; while it is on, nulls turn the phases round and the pump
            # keeps its own.
            is_on = pump_state is PumpState.ON
            return None if is_on else pair.observed_difference_turns(now_index)
        if self._locks.are_locked:
            return pair.motion_turns(UPPER, now_index) - pair.motion_turns(LOWER, now_index)
        return None

    def _not_settled(self) -> tuple[str, ...]:
        """Before the pump comes on, the drives have rung up.

        While a mode is rung up its frequency chirps and the pull of the pump
        would change; once the pump is on, amplitudes are the pump's affair.
        """
        unsettled = self._drives.unsettled(self.pair)
        return tuple(f"the {mode.value} drive has not reached its amplitude" for mode in unsettled)


def were_locked(tick: Tick) -> bool:
    """Whether both loops were locked at the middle of a tick."""
    return all(mode.state is TrackerState.LOCKED for mode in tick.modes.values())
