"""The handover between loops and observer, and of the modes between drives and themselves.

    release ->  an observer begins with what the last one learnt, the drives go off
    drive   ->  what the observer learnt is kept, the drives hold the modes again

The observer goes on beside the loops afterwards; `live_difference` chooses between
the two. It takes the strength of walks and noise from the loops while they see.
"""

from __future__ import annotations

from controller.records import EstimateSource, ModeId
from controller.settings import LoopSettings
from controller.supervisor.configs import observer_config
from controller.supervisor.drives import Drives
from controller.supervisor.exchange_memory import ExchangeMemory
from controller.supervisor.live_difference import LiveDifference, LiveEstimate
from controller.supervisor.loop_clock import LoopClock
from controller.tracking.observer import Observer
from controller.tracking.pair import Tick, TrackedPair


class Handover:
    """Who knows the difference of one pair; lives as long as the pair.

    Parameters
    ----------
    pair : TrackedPair
        The pair, whose observer begins here.
    drives : Drives
        The drives.
    memory : ExchangeMemory
        What earlier observers learnt.
    clock : LoopClock
        The loop's.
    settings : LoopSettings
        All settings.
    metres_per_unit : float
        Displacement per sample unit [m].
    """

    def __init__(
        self,
        pair: TrackedPair,
        drives: Drives,
        memory: ExchangeMemory,
        clock: LoopClock,
        settings: LoopSettings,
        metres_per_unit: float,
    ) -> None:
        self._pair, self._drives, self._memory, self._clock = pair, drives, memory, clock
        self._settings, self._metres_per_unit = settings, metres_per_unit
        self._choice = LiveDifference()
        self.live: LiveEstimate | None = None  # the difference that counts, from the first tick on

    def __repr__(self) -> str:
        return f"Handover({self.source.value})"

    @property
    def source(self) -> EstimateSource:
        """Where the difference that counts comes from."""
        return self._choice.source

    @property
    def is_observed(self) -> bool:
        """Whether the observer's word counts: where the loops are blind is no evidence then."""
        return self.live is not None and self.live.source is EstimateSource.OBSERVER

    def release_refusal(self, *, are_locked: bool) -> str:
        """Why no mode can be left to itself now; empty if it can."""
        is_watched = bool(self._drives.released) and self._pair.observer is not None
        return "" if is_watched or are_locked else "both modes have to be locked first"

    def release(self, modes: set[ModeId]) -> None:
        """Leave modes to themselves, watched by the observer."""
        pair = self._pair
        if not self._drives.released:
            pair.observer = None  # the loops know more by now: a new one begins
        if pair.observer is None:
            learnt = self._memory.recall(pair, self._clock.now_index)
            pair.observer = Observer(
                observer_config(self._settings, pair, self._metres_per_unit, learnt)
            )
            self._memory.note_start(pair, self._clock.now_index)
            self._tell_strengths(pair.observer)
        self._drives.released |= modes

    def drive(self, modes: set[ModeId]) -> None:
        """Hold modes again that may have been released."""
        if self._pair.observer is not None and self._drives.released:
            self._memory.note_end(self._pair, self._clock.now_index)
        self._drives.released -= modes

    def process(self, tick: Tick, *, are_locked: bool) -> LiveEstimate:
        """Choose the estimate of a tick.

        Parameters
        ----------
        tick : Tick
            Both estimates.
        are_locked : bool
            Whether both loops were locked.

        Returns
        -------
        LiveEstimate
            The one that counts.
        """
        observer, are_free = self._pair.observer, bool(self._drives.released)
        self._pair.is_joint_resting = are_free
        if observer is not None and are_locked and not are_free:
            self._tell_strengths(observer)
        self.live = self._choice.process(tick, are_locked=are_locked, are_free=are_free)
        return self.live

    def _tell_strengths(self, observer: Observer) -> None:
        """Let the observer have what loops and joint estimate learnt of walks and noise."""
        joint = self._pair.joint.estimate()
        observer.shared_walk_hz_per_root_s = joint.shared_walk_hz_per_root_s
        observer.separate_walk_hz_per_root_s = joint.separate_walk_hz_per_root_s
        lower, upper = (self._pair.trackers[mode].noise_scale for mode in ModeId)
        observer.noise_scales = (max(lower, 1.0), max(upper, 1.0))
