"""The loop for two lines that share a baseband: first fit, joint tracking, smoothing.

States of a close pair. Both lines are SEARCHING until a part of the record fits
two lines; PULLING_IN through that part; LOCKED while the line stands out of the noise
and the innovations are as predicted; HOLDING otherwise, and over a gap. If
neither line comes back within the time of a first fit, or the gap was so long
that the phase is not known after it, both are LOST and SEARCHING again.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping, Sequence

import numpy as np

from controller.engine import Step
from controller.instrument import SampleBlock, StreamFormat
from controller.records import Event, ModeId, Record, TrackerState
from controller.replay_loops.close_pair_record import following_record, searching_record
from controller.replay_loops.first_fit import FirstFit, FirstPart
from controller.replay_loops.line_means import LineMeans
from controller.replay_loops.shared_baseband import shared_baseband
from controller.settings import RunSettings
from controller.signal.downconverter import DownConverter
from controller.supervisor.requests import Request
from controller.supervisor.stability_watch import StabilityWatch
from controller.supervisor.stream_watch import StreamNews, StreamWatch
from controller.tracking.close_pair import (
    KEPT_PART_UPDATES,
    ClosePair,
    ClosePairConfig,
    LineEstimate,
    PairEstimate,
)
from controller.tracking.stability import RunningAllan
from controller.tracking.states import checked

LEAST_SNR = 3.0  # of a line's amplitude over one quadrature of the noise per update
MOST_PHASE_SIGMA_RAD = 0.5  # beyond, the linear filter may settle a turn or a line off
SETTLED_RATIO, BEYOND_RATIO = 2.0, 5.0  # innovations of a lock, and of a line to be held
PATIENCE_FIRST_FITS = 3  # a line that does not lock for so long is not measurable


class ClosePairLoop:
    """A close pair: shared baseband, first fit, joint tracking, smoothing.

    Parameters
    ----------
    stream : StreamFormat
        What the samples mean.
    modes_hz : (float, float)
        The two lines, lower first [Hz].
    run : RunSettings
        Duration from the first lock, and rate of records.

    Raises
    ------
    InputError
        See `shared_baseband`.
    """

    def __init__(
        self, stream: StreamFormat, modes_hz: tuple[float, float], run: RunSettings
    ) -> None:
        self._stream, self._modes_hz, self._run = stream, modes_hz, run
        self._sample_rate_hz = stream.sample_rate_hz
        self._converter = DownConverter(shared_baseband(stream, modes_hz))
        [self._middle_hz] = self._converter.frequencies_hz
        self._rate_hz = self._converter.config.output_rate_hz
        spacing_hz, noise_hz = modes_hz[1] - modes_hz[0], self._converter.noise_bandwidth_hz
        self._first_fit = FirstFit(self._rate_hz, spacing_hz, noise_hz)
        self._pair = ClosePair(
            ClosePairConfig(
                rate_hz=self._rate_hz, spacing_hz=spacing_hz, noise_bandwidth_hz=noise_hz
            )
        )
        self._watch, self._news = StreamWatch(stream), StreamNews()
        self._now: int | None = None  # sample index at which the stream read so far ends
        # While following.
        self._started_center = self._last_center = 0
        self._held_updates = 0  # in a row, of both lines
        self._were_locked: deque[bool] = deque(maxlen=2 * KEPT_PART_UPDATES)  # both, by update
        self._states = dict.fromkeys(ModeId, TrackerState.SEARCHING)
        self._locked_center: int | None = None  # of the first lock of both
        # For whoever asks.
        self._updates = 0
        self._every = max(1, round(self._rate_hz / run.record_rate_hz))
        self._records: list[Record] = []  # of this step
        self._events: list[Event] = []
        self._means = LineMeans()
        self._failure: str | None = None
        self._stability = StabilityWatch(self._every / self._rate_hz)

    def __repr__(self) -> str:
        return f"ClosePairLoop({self.status_line})"

    @property
    def failure(self) -> str | None:
        """Why the lines were not followed; known after `finish`."""
        return self._failure

    @property
    def has_locked(self) -> bool:
        """Whether both lines were locked at least once."""
        return self._locked_center is not None

    @property
    def finished(self) -> bool:
        """Whether the configured duration, counted from the first lock, is over."""
        if self._locked_center is None or self._now is None:
            return False
        return self._now - self._locked_center >= self._run.duration_s * self._sample_rate_hz

    @property
    def allan(self) -> Mapping[str, RunningAllan]:
        """Running Allan deviations of the difference and of each line."""
        return self._stability.deviations

    @property
    def results(self) -> Mapping[str, dict[str, object]]:
        """Means over the record; those of its end are there after `finish`."""
        return self._means.results()

    @property
    def status_line(self) -> str:
        """The pair in a few words."""
        if not self._pair.has_lines:
            return "searching: first fit of both lines"
        estimate = self._pair.estimate()
        states = "/".join(self._states[mode].value for mode in ModeId)
        return (
            f"{states}  difference {estimate.spacing_hz:.5f} Hz "
            f"± {1e3 * estimate.spacing_sigma_hz:.3f} mHz"
        )

    def step(self, block: SampleBlock, requests: Sequence[Request] = ()) -> Step:
        """Take the next block; see `Engine.step`."""
        if self._now is None:
            self._now = block.first_sample
        self._now = max(self._now, block.first_sample + len(block.samples))
        health = self._watch.process(block)
        for kind, text in self._news.process(health):
            self._note("stream", kind, text)
        if health.missing_samples or not health.is_usable:
            self._interrupt(health.reasons[0])
        if health.is_usable:
            if self._converter.next_index != block.first_sample:
                self._converter.reset(block.first_sample)
            baseband = self._converter.process(block.samples, block.first_sample)
            for sample, center in zip(baseband.samples[:, 0], baseband.center_indices, strict=True):
                self._take(complex(sample), int(center))
        return self._flushed()

    def finish(self) -> Step:
        """The recording is over: smooth what was followed, state the means."""
        self._first_fit.interrupt()
        self._record_search()
        self._harvest()
        if not self.has_locked:
            self._failure = self._why_never_locked()
        return self._flushed()

    # -- the stream --------------------------------------------------------------

    def _interrupt(self, reason: str) -> None:
        """Nothing is measured for a while: hold what is followed."""
        self._first_fit.interrupt()
        self._record_search()
        for mode, state in self._states.items():
            if state in (TrackerState.PULLING_IN, TrackerState.LOCKED):
                self._enter(mode, TrackerState.HOLDING, reason)
        self._stability.interrupt()

    def _take(self, sample: complex, center: int) -> None:
        """One sample of the baseband."""
        if self._pair.has_lines and self._is_beyond_prediction(center):
            self._lose("the gap was too long to know the phase after it", center)
        if self._pair.has_lines:
            self._follow(sample, center)
            return
        part = self._first_fit.process(sample, center)
        self._record_search()
        if part is not None:
            self._begin(part)

    # -- searching -----------------------------------------------------------------

    def _begin(self, part: FirstPart) -> None:
        """Follow both lines from the beginning of the part that fits them."""
        self._started_center = self._last_center = part.samples[0][1]
        self._pair.start(part.fit)
        for mode, line in zip(ModeId, part.fit.lines, strict=True):
            text = (
                f"{self._middle_hz + line.frequency_hz:.4f} ± {line.frequency_sigma_hz:.2g} Hz, "
                f"amplitude {line.magnitude * self._stream.metres_per_unit:.3g}"
            )
            self._note(mode.value, "found", text, self._started_center)
            why = "a first part of the record fits both lines"
            self._enter(mode, TrackerState.PULLING_IN, why, self._started_center)
        for sample, center in part.samples:
            self._follow(sample, center)

    def _record_search(self) -> None:
        """Samples in which nothing was found: the log shows the search."""
        for center in self._first_fit.given_up():
            if self._is_record_due():
                self._records.append(searching_record(center, self._sample_rate_hz))

    def _why_never_locked(self) -> str:
        lines = f"{self._modes_hz[0]:.9g} and {self._modes_hz[1]:.9g} Hz"
        if not self._first_fit.has_tried:
            filter_s = 2 * self._converter.group_delay_samples / self._sample_rate_hz
            return (
                f"no stretch of the recording is long enough: lines at {lines} are told apart in "
                f"{self._first_fit.length_s + filter_s:.3g} s without a gap or an unfit sample"
            )
        if self._first_fit.has_fitted:
            return f"the lines at {lines} were fitted, but did not stay as they were fitted"
        return f"no part of the recording fits two lines near {lines}"

    # -- following -----------------------------------------------------------------

    def _follow(self, sample: complex, center: int) -> None:
        """One update of both lines."""
        duration_s = (center - self._last_center) / self._sample_rate_hz
        estimate = self._pair.process(sample, duration_s)
        self._last_center = center
        self._change_states(estimate, center)
        is_locked = all(state is TrackerState.LOCKED for state in self._states.values())
        self._were_locked.append(is_locked)
        if self._is_record_due():
            self._take_row(estimate, center, is_locked=is_locked)
            if is_locked and self._locked_center is None:
                self._locked_center = center
        is_held = all(state is TrackerState.HOLDING for state in self._states.values())
        self._held_updates = self._held_updates + 1 if is_held else 0
        if self._held_updates > self._first_fit.length:
            self._lose("held for longer than a new fit takes", center)

    def _change_states(self, estimate: PairEstimate, center: int) -> None:
        """Lock by the innovations; hold a line that sinks into the noise."""
        followed_s = (center - self._started_center) / self._sample_rate_hz
        fitted_s = self._first_fit.length_s
        ratio = estimate.innovation_ratio
        for mode, line in zip(ModeId, estimate.lines, strict=True):
            state, is_visible = self._states[mode], _is_visible(line, estimate)
            why = "innovations beyond what is predicted" if is_visible else "in the noise"
            if state is TrackerState.LOCKED:
                if not is_visible or ratio > BEYOND_RATIO:
                    self._enter(mode, TrackerState.HOLDING, why, center)
            elif is_visible and ratio < SETTLED_RATIO:
                if followed_s >= fitted_s:
                    self._enter(mode, TrackerState.LOCKED, "innovations as predicted", center)
            elif state is TrackerState.PULLING_IN and followed_s > PATIENCE_FIRST_FITS * fitted_s:
                self._enter(mode, TrackerState.HOLDING, why, center)

    def _is_beyond_prediction(self, center: int) -> bool:
        """Whether a gap was too long for the phase of a line that counts."""
        gap_s = (center - self._last_center) / self._sample_rate_hz
        if gap_s < 1.5 / self._rate_hz:
            return False
        now, sigmas_rad = self._pair.estimate(), self._pair.phase_sigmas_after_rad(gap_s)
        return any(
            sigma_rad > MOST_PHASE_SIGMA_RAD and _is_visible(line, now)
            for line, sigma_rad in zip(now.lines, sigmas_rad, strict=True)
        )

    def _lose(self, reason: str, center: int) -> None:
        """Give up both lines, and look for them again."""
        self._harvest()
        self._pair.reset()
        self._held_updates = 0
        for mode in ModeId:
            self._enter(mode, TrackerState.LOST, reason, center)
            self._enter(mode, TrackerState.SEARCHING, "a new search begins", center)

    def _enter(
        self, mode: ModeId, state: TrackerState, why: str, center: int | None = None
    ) -> None:
        before, self._states[mode] = self._states[mode], checked(self._states[mode], state)
        self._note(mode.value, "state", f"{before.value} -> {state.value}: {why}", center)

    # -- what comes out ----------------------------------------------------------------

    def _is_record_due(self) -> bool:
        """Counts the samples of the baseband; those of every so many get into the log."""
        self._updates += 1
        return self._updates % self._every == 0

    def _take_row(self, estimate: PairEstimate, center: int, *, is_locked: bool) -> None:
        """One row for the log, one value for the statistics."""
        self._records.append(
            following_record(
                estimate,
                self._states,
                center,
                sample_rate_hz=self._sample_rate_hz,
                middle_hz=self._middle_hz,
                metres_per_unit=self._stream.metres_per_unit,
            )
        )
        if is_locked:
            lower, upper = estimate.lines
            self._stability.process(estimate.spacing_hz, lower.offset_hz, upper.offset_hz)
        else:
            self._stability.interrupt()

    def _harvest(self) -> None:
        """Smooth what was followed, and take its locked part into the means."""
        if not self._pair.has_lines:
            return
        smoothed = self._pair.smoothed()
        were_locked = np.array(self._were_locked)[-len(smoothed) :]
        self._were_locked.clear()
        if not were_locked.any():
            return
        for place, mode in enumerate(ModeId):
            offset = smoothed.frequency_hz(place, were_locked)
            growth = smoothed.growth_per_s(place, were_locked)
            self._means.add_line(
                mode,
                (self._middle_hz + offset.value, math.hypot(offset.sigma, offset.spread)),
                (growth.value, math.hypot(growth.sigma, growth.spread)),
            )
            amplitude = smoothed.amplitude(place, were_locked)
            self._means.add_amplitude(mode, amplitude * self._stream.metres_per_unit)
        spacing = smoothed.spacing_hz(were_locked)
        self._means.add_difference(spacing.value, math.hypot(spacing.sigma, spacing.spread))

    def _note(self, source: str, kind: str, text: str, center: int | None = None) -> None:
        index = (self._now or 0) if center is None else center
        self._events.append(
            Event(
                sample_index=index,
                time_s=index / self._sample_rate_hz,
                source=source,
                kind=kind,
                text=text,
            )
        )

    def _flushed(self) -> Step:
        """The records and events since the last time."""
        step = Step(records=tuple(self._records), events=tuple(self._events))
        self._records, self._events = [], []
        return step


def _is_visible(line: LineEstimate, estimate: PairEstimate) -> bool:
    """Whether a line stands out of the noise, and its phase is known."""
    stands_out = line.amplitude > LEAST_SNR * min(estimate.noise, line.amplitude_sigma)
    return stands_out and line.phase_sigma_rad < MOST_PHASE_SIGMA_RAD
