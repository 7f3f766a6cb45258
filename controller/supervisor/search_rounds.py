"""One search after the other, until both modes are found.

    first      where an earlier run left the modes, if that is known; else as below
    then       in the whole configured ranges, as often as it takes
    after loss where the modes should be by now, once; then in the whole ranges
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from controller.instrument import SampleBlock, StreamFormat, Tone
from controller.records import ModeId
from controller.settings import LoopSettings
from controller.supervisor.configs import decay_rate_per_s, thermal_motion
from controller.supervisor.drives import Drives
from controller.supervisor.loop_clock import LoopClock
from controller.supervisor.searching import (
    MOST_ATTEMPTS,
    Searching,
    SearchStep,
    SearchTarget,
    search_target,
)
from controller.supervisor.stream_watch import StreamHealth
from controller.supervisor.whereabouts import Whereabouts
from controller.tracking.pair import Tick, TrackedPair


class SearchRounds:
    """The searches of a run; owned by the engine.

    Parameters
    ----------
    settings : LoopSettings
        All settings.
    stream : StreamFormat
        What the samples mean.
    drives : Drives
        The drives, which ping.
    clock : LoopClock
        The loop's.

    Raises
    ------
    InputError
        If a range reaches outside the stream.
    """

    def __init__(
        self, settings: LoopSettings, stream: StreamFormat, drives: Drives, clock: LoopClock
    ) -> None:
        self._settings, self._stream = settings, stream
        self._drives, self._clock = drives, clock
        self.whereabouts = configured_whereabouts(settings, stream)
        self._searching: Searching | None = None
        self._is_first_likely = False  # of all searches, and at places of an earlier run
        self._next_record_index = 0

    def __repr__(self) -> str:
        return f"SearchRounds({self.status})"

    @property
    def is_searching(self) -> bool:
        """Whether a search goes on."""
        return self._searching is not None

    @property
    def status(self) -> str:
        """The search in a few words; empty if none goes on."""
        return "" if self._searching is None else f"searching: {self._searching.status}"

    # -- begin and end -------------------------------------------------------------

    def begin_first(self) -> None:
        """The stream begins."""
        self._next_record_index = self._clock.now_index
        self._is_first_likely = bool(self.whereabouts.likely_targets)
        self._begin(
            self.whereabouts.first_targets,
            most_attempts=1 if self._is_first_likely else MOST_ATTEMPTS,
        )

    def begin_again(self, pair: TrackedPair, last_tick: Tick | None) -> None:
        """A pair was lost: look where its modes should be by now."""
        now_index = self._clock.now_index
        targets = {
            mode: self.whereabouts.last_place(mode, pair, last_tick, now_index) for mode in ModeId
        }
        self._next_record_index = now_index + self._record_samples
        self._begin(targets, most_attempts=1)

    def _begin_wide(self) -> None:
        now_index = self._clock.now_index
        self._begin({mode: self.whereabouts.wide_target(mode, now_index) for mode in ModeId})

    def _begin(
        self, targets: Mapping[ModeId, SearchTarget], *, most_attempts: int = MOST_ATTEMPTS
    ) -> None:
        self._searching = Searching(
            self._stream,
            self._drives.channels,
            self._settings.drive,
            targets,
            self._clock.now_index,
            most_attempts=most_attempts,
        )

    def end(self) -> None:
        """What was found is followed."""
        self._searching = None

    # -- one block -------------------------------------------------------------------

    def process(self, block: SampleBlock, health: StreamHealth) -> SearchStep:
        """Take the next block of a search.

        Parameters
        ----------
        block : SampleBlock
            The next samples.
        health : StreamHealth
            Whether they can be used.

        Returns
        -------
        SearchStep
            Its failure says that the whole ranges were searched in vain; the next
            search has begun all the same.
        """
        searching = self._searching
        assert searching is not None
        step = SearchStep()
        if health.missing_samples or not health.is_usable:
            searching.restart(block.first_sample if health.is_usable else self._clock.now_index)
            step.tones += self._drives.all_off(self._clock.now_index)
            if not health.is_usable:
                return step
        elif health.reasons and searching.can_be_quieter:
            searching.quieter(self._clock.now_index)
            step.tones += self._drives.all_off(self._clock.now_index)
            text = "the detector was overloaded during the ping"
            step.events.append(self._clock.event("search", "quieter", text))
            return step
        inner = searching.process(block.samples, block.first_sample)
        step.tones += inner.tones
        step.events += inner.events
        if inner.found is not None:
            step.found = inner.found
            for mode, found in inner.found.items():
                self.whereabouts.note_strays(mode, found.strays_hz)
        elif inner.failure is not None:
            step.events.append(self._clock.event("search", "failed", inner.failure))
            step.failure = None if self._is_first_likely else inner.failure
            self._is_first_likely = False
            self._begin_wide()
        return step

    def tone_set(self, actual: Tone) -> None:
        """Take note of what the instrument did with a command."""
        if self._searching is not None:
            self._searching.tone_set(actual)

    def records_due(self) -> Iterator[int]:
        """The samples up to now at which a row of the log is due that is not yet written."""
        while self._next_record_index <= self._clock.now_index:
            yield self._next_record_index
            self._next_record_index += self._record_samples

    @property
    def _record_samples(self) -> int:
        return max(1, round(self._clock.rate_hz / self._settings.run.record_rate_hz))


def configured_whereabouts(settings: LoopSettings, stream: StreamFormat) -> Whereabouts:
    """Where the settings expect both modes.

    Parameters
    ----------
    settings : LoopSettings
        All settings.
    stream : StreamFormat
        What the samples mean.

    Returns
    -------
    Whereabouts
        Of modes that were never locked yet.

    Raises
    ------
    InputError
        If a range reaches outside the stream.
    """
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
    return Whereabouts(targets, decays_per_s, stream.sample_rate_hz, likely)
