"""Where a mode is looked for: first where it was, then in the whole range."""

from __future__ import annotations

import copy
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from controller.records import ModeId
from controller.supervisor.searching import SearchTarget
from controller.tracking.pair import Tick, TrackedPair

SAME_LINE_HZ = 1.0  # a stray line that drifts is met again within that
MOST_STRAYS = 6  # near each mode: each costs time with every update
LEAST_SEARCH_AGAIN_HZ = 20.0  # half-width: a lost mode may have jumped by some hertz


@dataclass(frozen=True, slots=True, kw_only=True)
class _LastLock:
    """What a mode was like when it was last locked."""

    sample_index: int
    amplitude: float


class Whereabouts:
    """What is remembered of both modes for a search; owned by the engine.

    Parameters
    ----------
    targets : mapping of ModeId to SearchTarget
        The configured ranges.
    decay_rates_per_s : mapping of ModeId to float
        Energy decay rates, roughly [1/s].
    sample_rate_hz : float
        Rate of the stream [Hz].
    likely_targets : mapping of ModeId to SearchTarget
        Where modes were in an earlier run; empty: nothing is known.
    """

    def __init__(
        self,
        targets: Mapping[ModeId, SearchTarget],
        decay_rates_per_s: Mapping[ModeId, float],
        sample_rate_hz: float,
        likely_targets: Mapping[ModeId, SearchTarget] = MappingProxyType({}),
    ) -> None:
        self.targets = dict(targets)
        self.likely_targets = dict(likely_targets)
        self._decay_rates_per_s = dict(decay_rates_per_s)
        self._rate_hz = sample_rate_hz
        self.reset()

    def reset(self) -> None:
        """Nothing was ever locked."""
        self._last_locks: dict[ModeId, _LastLock] = {}
        self._strays_hz: dict[ModeId, tuple[float, ...]] = {}

    def copy(self) -> Whereabouts:
        """An independent memory that goes on alike."""
        return copy.deepcopy(self)

    def __repr__(self) -> str:
        return f"Whereabouts({', '.join(mode.value for mode in self._last_locks)} known)"

    def note_lock(self, mode: ModeId, sample_index: int, amplitude: float) -> None:
        """A mode is locked, with this amplitude [sample units]."""
        self._last_locks[mode] = _LastLock(sample_index=sample_index, amplitude=amplitude)

    def note_strays(self, mode: ModeId, frequencies_hz: tuple[float, ...]) -> None:
        """Stray lines that a search saw near a mode [Hz].

        One that an earlier search saw stays: a later one may look at a part of the range.
        """
        kept = [
            known
            for known in self._strays_hz.get(mode, ())
            if all(abs(known - seen) > SAME_LINE_HZ for seen in frequencies_hz)
        ]
        self._strays_hz[mode] = (*frequencies_hz, *kept)[:MOST_STRAYS]

    def strays_hz(self, mode: ModeId) -> tuple[float, ...]:
        """The stray lines near a mode that are known."""
        return self._strays_hz.get(mode, ())

    @property
    def first_targets(self) -> dict[ModeId, SearchTarget]:
        """Where the first search of all looks."""
        return {**self.targets, **self.likely_targets}

    def wide_target(self, mode: ModeId, sample_index: int) -> SearchTarget:
        """The configured range, and what is left there of a motion that was followed."""
        target, last = self.targets[mode], self._last_locks.get(mode)
        if last is None:
            return target
        elapsed_s = (sample_index - last.sample_index) / self._rate_hz
        left = last.amplitude * math.exp(-0.5 * self._decay_rates_per_s[mode] * elapsed_s)
        return replace(target, expected_amplitude=left)

    def last_place(
        self, mode: ModeId, pair: TrackedPair, last_tick: Tick | None, sample_index: int
    ) -> SearchTarget:
        """Where a mode should be by now, if it ever was locked; else where it is expected.

        Parameters
        ----------
        mode : ModeId
            Which.
        pair : TrackedPair
            The pair that followed it.
        last_tick : Tick or None
            Its last tick.
        sample_index : int
            Now [samples].

        Returns
        -------
        SearchTarget
            Around the frequency that is foretold, five of its sigmas wide.
        """
        wide = self.wide_target(mode, sample_index)
        frequency_hz, sigma_hz = self._foretold_hz(mode, pair, last_tick, sample_index)
        is_far = abs(frequency_hz - wide.frequency_hz) > 2.0 * wide.half_width_hz
        if mode not in self._last_locks or is_far:
            return wide
        half_width_hz = max(LEAST_SEARCH_AGAIN_HZ, 5.0 * sigma_hz)
        return replace(
            wide,
            frequency_hz=frequency_hz,
            half_width_hz=min(half_width_hz, wide.half_width_hz),
        )

    def _foretold_hz(
        self, mode: ModeId, pair: TrackedPair, last_tick: Tick | None, sample_index: int
    ) -> tuple[float, float]:
        """Where a mode has drifted to by now, by the joint estimate, and one sigma.

        A loop that followed the mode to another place than the estimate knows of counts in.
        """
        tracked_hz = pair.frequency_hz(mode)
        tracked_sigma_hz = pair.trackers[mode].frequency_sigma_hz
        if last_tick is None:
            return tracked_hz, tracked_sigma_hz
        elapsed_s = (sample_index - last_tick.center_index) / self._rate_hz
        joint = pair.joint.foretold(elapsed_s)
        is_lower = mode is ModeId.LOWER
        foretold_hz = joint.lower_hz if is_lower else joint.upper_hz
        sigma_hz = joint.lower_sigma_hz if is_lower else joint.upper_sigma_hz
        return foretold_hz, math.hypot(sigma_hz, tracked_sigma_hz, foretold_hz - tracked_hz)
