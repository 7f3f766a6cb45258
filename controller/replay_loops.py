"""The two loops of a replay: lines that share a baseband, and lines that filters part.

    close: down-converter -> first fit of both lines -> `tracking.close_pair` -> smoothing
    far:   the loop of `controller.engine` without tones

Nothing of a recording is lost to the time that finding takes: both loops go
back to where they began to listen once they know the lines. Both leave
`results["lines"]`: mean frequencies, difference and decay times with their
uncertainties. Samples in, records out: no file, no clock.

States of a close pair. Both lines are SEARCHING until a part of the record fits
two lines; PULLING_IN through that part; LOCKED while the line stands out of the noise
and the innovations are as predicted; HOLDING otherwise, and over a gap. If
neither line comes back within the time of a first fit, or the gap was so long
that the phase is not known after it, both are LOST and SEARCHING again.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from controller.engine import Engine, Step
from controller.errors import InputError
from controller.instrument import SampleBlock, StreamFormat
from controller.records import Event, ModeId, ModeRecord, Record, TrackerState
from controller.settings import LoopSettings, RunSettings
from controller.signal.downconverter import DownConverter, DownConverterConfig, decimation_for
from controller.signal.lines import LinesFit, fit_lines
from controller.supervisor.requests import Request
from controller.supervisor.stream_watch import StreamHealth, StreamWatch
from controller.tracking.close_pair import (
    KEPT_PART_UPDATES,
    ClosePair,
    ClosePairConfig,
    LineEstimate,
    PairEstimate,
)
from controller.tracking.stability import RunningAllan
from controller.tracking.states import checked

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER
LINES_RESULT = "lines"

# The shared baseband: both lines within its flat part, with room for drift.
RATE_PER_SPACING = 6.0
PASS_BAND = 0.6  # of the spacing
# Further apart, a sharper filter can be afforded, which keeps other lines out.
WIDE_SPACING_HZ = 10.0
WIDE_RATE_PER_SPACING = 2.5
WIDE_PASS_BAND = 0.55

FIRST_FIT_BEATS = 3.0  # two lines are told apart, and their decay seen, after a few beats
LEAST_FIRST_FIT_S = 0.4  # a struck body's first tenths of a second belong to its short partials
LEAST_FIRST_FIT_SAMPLES = 12
STEPS_PER_FIRST_FIT = 6  # a first part that does not fit is moved on by a sixth of it
LARGEST_SHIFT = 0.2  # of the spacing: a fit that lies further off is no fit of these lines
LEAST_SNR = 3.0  # of a line's amplitude over one quadrature of the noise per update
MOST_PHASE_SIGMA_RAD = 0.5  # beyond, the linear filter may settle a turn or a line off
SETTLED_RATIO, BEYOND_RATIO = 2.0, 5.0  # innovations of a lock, and of a line to be held
PATIENCE_FIRST_FITS = 3  # a line that does not lock for so long is not measurable

MOST_BUFFERED_SAMPLES = 2**23  # 64 MB of complex samples, to find lines in


class WeighedMean:
    """Mean of a track, and a sigma that owns up to its wander.

    The values of a track are all but one and the same estimate, so averaging
    does not shrink their sigma; a track that moves has no one value, and its
    spread is part of the uncertainty of any.
    """

    def __init__(self) -> None:
        self._reference = 0.0  # taken off, so that squares keep their digits
        self._count = 0
        self._weights = self._values = self._squares = 0.0

    def add(self, value: float, sigma: float) -> None:
        """Take one value of the track, weighed by what is known of it."""
        if not (math.isfinite(value) and math.isfinite(sigma) and sigma > 0.0):
            return
        if not self._count:
            self._reference = value
        apart, weight = value - self._reference, 1.0 / sigma**2
        self._count += 1
        self._weights += weight
        self._values += weight * apart
        self._squares += weight * apart**2

    @property
    def is_known(self) -> bool:
        """Whether there was a value."""
        return self._count > 0

    @property
    def value(self) -> float:
        """The mean; only where there was a value."""
        return self._reference + self._values / self._weights

    @property
    def sigma(self) -> float:
        """One standard deviation of the mean; only where there was a value."""
        mean = self._values / self._weights
        wander2 = max(self._squares / self._weights - mean**2, 0.0)
        return math.sqrt(self._count / self._weights + wander2)


class LineMeans:
    """Means of both lines and of their difference over a recording."""

    def __init__(self) -> None:
        self._frequencies = {mode: WeighedMean() for mode in ModeId}
        self._growths = {mode: WeighedMean() for mode in ModeId}
        self._amplitudes: dict[ModeId, float] = {}  # where each was first locked
        self._difference = WeighedMean()

    def add_line(
        self, mode: ModeId, frequency: tuple[float, float], growth: tuple[float, float]
    ) -> None:
        """Frequency [Hz] and growth rate [1/s] of a line at one time, each with its sigma."""
        self._frequencies[mode].add(*frequency)
        self._growths[mode].add(*growth)

    def add_amplitude(self, mode: ModeId, amplitude: float) -> None:
        """Amplitude of a line; the first one counts."""
        self._amplitudes.setdefault(mode, amplitude)

    def add_difference(self, difference_hz: float, sigma_hz: float) -> None:
        """Difference at one time [Hz]."""
        self._difference.add(difference_hz, sigma_hz)

    def results(self) -> dict[str, dict[str, object]]:
        """`lines`: one entry for each mode and one for the difference; empty if unknown."""
        if not self._difference.is_known:
            return {}
        lines: dict[str, object] = {mode.value: self._line(mode) for mode in ModeId}
        lines["difference"] = _with_sigma("frequency_hz", self._difference)
        return {LINES_RESULT: lines}

    def _line(self, mode: ModeId) -> dict[str, object]:
        growth = self._growths[mode]
        rate = rate_sigma = decay_s = decay_sigma_s = None
        if growth.is_known:
            rate, rate_sigma = -growth.value, growth.sigma
            if rate > rate_sigma:  # else it may be any, or none
                decay_s, decay_sigma_s = 1.0 / rate, rate_sigma / rate**2
        return {
            **_with_sigma("frequency_hz", self._frequencies[mode]),
            "decay_time_s": decay_s,
            "decay_time_s_sigma": decay_sigma_s,
            "decay_rate_per_s": rate,
            "decay_rate_per_s_sigma": rate_sigma,
            "amplitude": self._amplitudes.get(mode),
        }


def _with_sigma(name: str, mean: WeighedMean) -> dict[str, object]:
    known = mean.is_known
    return {name: mean.value if known else None, f"{name}_sigma": mean.sigma if known else None}


def shared_baseband(stream: StreamFormat, modes_hz: tuple[float, float]) -> DownConverterConfig:
    """The baseband that holds two close lines.

    Parameters
    ----------
    stream : StreamFormat
        What the samples mean.
    modes_hz : (float, float)
        The two lines, lower first [Hz].

    Returns
    -------
    DownConverterConfig
        One baseband, mixed with the middle of both lines.

    Raises
    ------
    InputError
        If the lines are too far apart for the stream, or too close to its edge.
    """
    spacing_hz = modes_hz[1] - modes_hz[0]
    is_wide = spacing_hz > WIDE_SPACING_HZ
    rate_hz = (WIDE_RATE_PER_SPACING if is_wide else RATE_PER_SPACING) * spacing_hz
    try:
        return DownConverterConfig(
            sample_rate_hz=stream.sample_rate_hz,
            center_hz=stream.center_hz,
            frequencies_hz=(0.5 * (modes_hz[0] + modes_hz[1]),),
            decimation=decimation_for(stream.sample_rate_hz, rate_hz),
            pass_band_hz=(WIDE_PASS_BAND if is_wide else PASS_BAND) * spacing_hz,
            complex_input=stream.dtype.startswith("complex"),
        )
    except InputError as error:
        raise InputError(
            f"modes {modes_hz[0]:.9g},{modes_hz[1]:.9g}: no baseband of this stream holds both "
            f"lines ({error})"
        ) from error


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
        self._spacing_hz = modes_hz[1] - modes_hz[0]
        self._converter = DownConverter(shared_baseband(stream, modes_hz))
        [self._middle_hz] = self._converter.frequencies_hz
        self._rate_hz = self._converter.config.output_rate_hz
        self._first_fit_samples = max(
            LEAST_FIRST_FIT_SAMPLES,
            math.ceil(max(FIRST_FIT_BEATS / self._spacing_hz, LEAST_FIRST_FIT_S) * self._rate_hz),
        )
        self._pair = ClosePair(
            ClosePairConfig(
                rate_hz=self._rate_hz,
                spacing_hz=self._spacing_hz,
                noise_bandwidth_hz=self._converter.noise_bandwidth_hz,
            )
        )
        self._watch = StreamWatch(stream)
        self._unfit_reasons: tuple[str, ...] = ()
        self._now: int | None = None  # sample index at which the stream read so far ends
        # While searching: what was not yet given up as holding no two lines.
        self._first_part: list[tuple[complex, int]] = []
        self._fits_tried = 0
        self._was_fitted = False
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
        self._allan = {
            name: RunningAllan(tau0_s=self._every / self._rate_hz)
            for name in ("difference", LOWER.value, UPPER.value)
        }

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
        return self._allan

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
        self._note_health(health)
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
        self._give_up_samples(len(self._first_part))
        self._harvest()
        if not self.has_locked:
            self._failure = self._why_never_locked()
        return self._flushed()

    # -- the stream --------------------------------------------------------------

    def _note_health(self, health: StreamHealth) -> None:
        """Say when the stream becomes unfit and fit again; a gap is always news."""
        if health.missing_samples:
            self._note("stream", "gap", health.reasons[0])
        lasting = health.reasons[1:] if health.missing_samples else health.reasons
        if lasting != self._unfit_reasons:
            kind, text = ("unfit", "; ".join(lasting)) if lasting else ("fit", "all is well again")
            self._note("stream", kind, text)
        self._unfit_reasons = lasting

    def _interrupt(self, reason: str) -> None:
        """Nothing is measured for a while: hold what is followed."""
        self._give_up_samples(len(self._first_part))
        for mode, state in self._states.items():
            if state in (TrackerState.PULLING_IN, TrackerState.LOCKED):
                self._enter(mode, TrackerState.HOLDING, reason)
        for running in self._allan.values():
            running.interrupt()

    def _take(self, sample: complex, center: int) -> None:
        """One sample of the baseband."""
        if self._pair.has_lines and self._is_beyond_prediction(center):
            self._lose("the gap was too long to know the phase after it", center)
        if self._pair.has_lines:
            self._follow(sample, center)
        else:
            self._first_part.append((sample, center))
            if len(self._first_part) >= self._first_fit_samples:
                self._try_first_fit()

    # -- searching -----------------------------------------------------------------

    def _try_first_fit(self) -> None:
        """Fit both lines to the first part, and follow them from its beginning if they fit."""
        self._fits_tried += 1
        fit = self._fit_of(np.array([sample for sample, _ in self._first_part]))
        if fit is None:
            self._give_up_samples(max(1, self._first_fit_samples // STEPS_PER_FIRST_FIT))
            return
        self._was_fitted = True
        first_part, self._first_part = self._first_part, []
        self._started_center = self._last_center = first_part[0][1]
        self._pair.start(fit)
        for mode, line in zip(ModeId, fit.lines, strict=True):
            text = (
                f"{self._middle_hz + line.frequency_hz:.4f} ± {line.frequency_sigma_hz:.2g} Hz, "
                f"amplitude {line.magnitude * self._stream.metres_per_unit:.3g}"
            )
            self._note(mode.value, "found", text, self._started_center)
            why = "a first part of the record fits both lines"
            self._enter(mode, TrackerState.PULLING_IN, why, self._started_center)
        for sample, center in first_part:
            self._follow(sample, center)

    def _fit_of(self, samples: np.ndarray) -> LinesFit | None:
        """A fit of two lines, if it is one: near where they should be, and significant."""
        expected_hz = (-0.5 * self._spacing_hz, 0.5 * self._spacing_hz)
        try:
            fit = fit_lines(
                samples,
                self._rate_hz,
                expected_hz,
                noise_bandwidth_hz=self._converter.noise_bandwidth_hz,
            )
        except (ValueError, np.linalg.LinAlgError):  # no information, or none that is finite
            return None
        is_fit = np.isfinite(fit.covariance).all() and all(
            abs(line.frequency_hz - hz) < LARGEST_SHIFT * self._spacing_hz
            and line.frequency_sigma_hz < 0.5 * LARGEST_SHIFT * self._spacing_hz
            and line.magnitude > 5.0 * line.magnitude_sigma
            for line, hz in zip(fit.lines, expected_hz, strict=True)
        )
        return fit if is_fit else None

    def _give_up_samples(self, count: int) -> None:
        """Samples in which nothing was found; the log shows the search."""
        for _, center in self._first_part[:count]:
            if self._is_record_due():
                searching = ModeRecord(state=TrackerState.SEARCHING)
                self._records.append(
                    Record(
                        sample_index=center,
                        time_s=center / self._sample_rate_hz,
                        modes=dict.fromkeys(ModeId, searching),
                    )
                )
        del self._first_part[:count]

    def _why_never_locked(self) -> str:
        lines = f"{self._modes_hz[0]:.9g} and {self._modes_hz[1]:.9g} Hz"
        if not self._fits_tried:
            fit_s = self._first_fit_samples / self._rate_hz
            filter_s = 2 * self._converter.group_delay_samples / self._sample_rate_hz
            return (
                f"no stretch of the recording is long enough: lines at {lines} are told apart in "
                f"{fit_s + filter_s:.3g} s without a gap or an unfit sample"
            )
        if self._was_fitted:
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
            self._records.append(self._record(estimate, center))
            self._take_statistics(estimate, is_locked)
            if is_locked and self._locked_center is None:
                self._locked_center = center
        is_held = all(state is TrackerState.HOLDING for state in self._states.values())
        self._held_updates = self._held_updates + 1 if is_held else 0
        if self._held_updates > self._first_fit_samples:
            self._lose("held for longer than a new fit takes", center)

    def _change_states(self, estimate: PairEstimate, center: int) -> None:
        """Lock by the innovations; hold a line that sinks into the noise."""
        followed_s = (center - self._started_center) / self._sample_rate_hz
        fitted_s = self._first_fit_samples / self._rate_hz
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

    def _record(self, estimate: PairEstimate, center: int) -> Record:
        modes = {
            mode: self._mode_record(mode, line, phase_error_rad, estimate)
            for mode, line, phase_error_rad in zip(
                ModeId, estimate.lines, estimate.phase_error_rad, strict=True
            )
        }
        return Record(
            sample_index=center,
            time_s=center / self._sample_rate_hz,
            modes=modes,
            difference_hz=estimate.spacing_hz,
            difference_sigma_hz=estimate.spacing_sigma_hz,
            difference_innovation_ratio=estimate.innovation_ratio,
        )

    def _mode_record(
        self, mode: ModeId, line: LineEstimate, phase_error_rad: float, estimate: PairEstimate
    ) -> ModeRecord:
        metres = self._stream.metres_per_unit
        decays = line.growth_per_s < 0.0
        snr = line.amplitude / (math.sqrt(2.0) * estimate.noise)
        return ModeRecord(
            state=self._states[mode],
            frequency_hz=self._middle_hz + line.offset_hz,
            frequency_sigma_hz=line.offset_sigma_hz,
            amplitude=line.amplitude * metres,
            amplitude_sigma=line.amplitude_sigma * metres,
            phase_error_rad=phase_error_rad,
            phase_sigma_rad=line.phase_sigma_rad,
            snr_db=20.0 * math.log10(snr) if snr > 0.0 else None,
            innovation_ratio=estimate.innovation_ratio,
            decay_time_s=-1.0 / line.growth_per_s if decays else None,
            decay_time_sigma_s=line.growth_sigma_per_s / line.growth_per_s**2 if decays else None,
        )

    def _take_statistics(self, estimate: PairEstimate, is_locked: bool) -> None:
        lower, upper = estimate.lines
        values = {
            "difference": estimate.spacing_hz,
            LOWER.value: lower.offset_hz,
            UPPER.value: upper.offset_hz,
        }
        for name, running in self._allan.items():
            if is_locked:
                running.process(np.array([values[name]]))
            else:
                running.interrupt()

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


class FarPairLoop:
    """Lines that filters part: the loop of `Engine` without tones.

    The engine listens for a while before it follows. So that the recording is
    followed from its first sample on, a second engine hears the beginning twice:
    once as if it had been played before the recording, to find the lines where
    the first engine found them, and once in its place, to follow them.

    Parameters
    ----------
    settings : LoopSettings
        All settings.
    stream : StreamFormat
        What the samples mean.

    Raises
    ------
    InputError
        See `Engine`.
    """

    def __init__(self, settings: LoopSettings, stream: StreamFormat) -> None:
        self._settings, self._stream = settings, stream
        self._engine = Engine(settings, stream, {})
        # Until the lines are found: what was heard, and what the engine said to it.
        self._beginning: list[SampleBlock] = []
        self._said: list[Step] = []
        self._is_listening = True
        self._means = LineMeans()
        self._failure: str | None = None

    def __repr__(self) -> str:
        return f"FarPairLoop({self.status_line})"

    @property
    def failure(self) -> str | None:
        """Why the lines were not followed."""
        return self._failure or self._engine.failure

    @property
    def has_locked(self) -> bool:
        """Whether both lines were locked at least once."""
        return self._engine.has_locked

    @property
    def finished(self) -> bool:
        """Whether the configured duration, counted from the first lock, is over."""
        return self._engine.finished

    @property
    def allan(self) -> Mapping[str, RunningAllan]:
        """Running Allan deviations of the difference and of each line."""
        return self._engine.allan

    @property
    def results(self) -> Mapping[str, dict[str, object]]:
        """Means over the locked records."""
        return self._means.results()

    @property
    def status_line(self) -> str:
        """The loop in a few words."""
        return self._engine.status_line

    def step(self, block: SampleBlock, requests: Sequence[Request] = ()) -> Step:
        """Take the next block; see `Engine.step`."""
        step = _without_pump(self._engine.step(block, requests))
        if self._is_listening:
            self._beginning.append(block)
            self._said.append(step)
            if _has_found(step):
                step = self._from_the_beginning()
            elif sum(len(each.samples) for each in self._beginning) > MOST_BUFFERED_SAMPLES:
                step = self._without_the_beginning()
            else:
                return Step()
        self._add_to_means(step.records)
        return step

    def finish(self) -> Step:
        """The recording is over."""
        step = self._without_the_beginning()
        self._add_to_means(step.records)
        if not self.has_locked and self._engine.failure is None:
            self._failure = f"the recording ended before both lines were locked: {self.status_line}"
        return step

    def _from_the_beginning(self) -> Step:
        """Follow the beginning with a new engine that already knows the lines."""
        first, end = self._beginning[0].first_sample, _end_of(self._beginning[-1])
        engine = Engine(self._settings, self._stream, {})
        for block in self._beginning:
            early = replace(block, first_sample=block.first_sample - (end - first))
            has_found = _has_found(engine.step(early))
        if not has_found:
            return self._without_the_beginning()
        search_events = [
            event for step in self._said for event in step.events if event.source != "stream"
        ]
        self._said = [_without_pump(engine.step(block)) for block in self._beginning]
        self._engine = engine
        step = self._without_the_beginning()
        events = sorted([*search_events, *step.events], key=lambda event: event.sample_index)
        return Step(records=step.records, events=tuple(events))

    def _without_the_beginning(self) -> Step:
        """What the engine said so far; from here on it speaks for itself."""
        said = self._said
        self._beginning, self._said, self._is_listening = [], [], False
        return Step(
            records=tuple(record for step in said for record in step.records),
            events=tuple(event for step in said for event in step.events),
        )

    def _add_to_means(self, records: Iterable[Record]) -> None:
        for record in records:
            for mode, line in record.modes.items():
                if line.state is TrackerState.LOCKED:
                    self._means.add_line(mode, _frequency_of(line), _growth_of(line))
                    if line.amplitude is not None:
                        self._means.add_amplitude(mode, line.amplitude)
            if all(line.state is TrackerState.LOCKED for line in record.modes.values()):
                self._means.add_difference(
                    _or_nan(record.difference_hz), _or_nan(record.difference_sigma_hz)
                )


def _without_pump(step: Step) -> Step:
    """What the engine says of a pump that is not there is no news."""
    return replace(step, events=tuple(event for event in step.events if event.source != "pump"))


def _has_found(step: Step) -> bool:
    """Whether the engine began to follow: it then tells its rates."""
    return any(event.source == "run" and event.kind == "rates" for event in step.events)


def _end_of(block: SampleBlock) -> int:
    return block.first_sample + len(block.samples)


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value


def _frequency_of(line: ModeRecord) -> tuple[float, float]:
    return _or_nan(line.frequency_hz), _or_nan(line.frequency_sigma_hz)


def _growth_of(line: ModeRecord) -> tuple[float, float]:
    """Growth rate with its sigma, from the decay time of a line that decays [1/s]."""
    if line.decay_time_s is None or line.decay_time_sigma_s is None:
        return math.nan, math.nan
    return -1.0 / line.decay_time_s, line.decay_time_sigma_s / line.decay_time_s**2
