"""The loop for a recording: two lines followed in a stream that nobody drives.

    buffer -> (find the lines) -> far apart: the loop of `controller.engine`, no tones
                               -> close:     one shared baseband, `tracking.close_pair`

Everything follows from the stream and the spacing: the rate of the baseband,
the time of the first fit, the records. Without given frequencies the beginning
of the recording is kept until the lines are found in its spectrum. At the end
the close pair is smoothed backwards over the record, and each line's mean
frequency and decay time are given with their uncertainties.

Samples in, records out: no file, no clock.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from controller.engine import Engine, Step
from controller.errors import InputError
from controller.instrument import SampleBlock, StreamFormat, Tone
from controller.records import Event, ModeId, ModeRecord, Record, TrackerState
from controller.settings import LoopSettings, ModeSettings, ModesSettings, RunSettings
from controller.signal.downconverter import DownConverter, DownConverterConfig, decimation_for
from controller.signal.lines import LinesFit, fit_lines
from controller.signal.spectrum import SpectralPeak, amplitude_spectrum, find_peaks
from controller.supervisor.requests import Request
from controller.supervisor.stream_watch import StreamWatch
from controller.tracking.close_pair import ClosePair, ClosePairConfig, PairEstimate
from controller.tracking.stability import RunningAllan

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER

# Lines that are further apart than this are parted by filters: a filter then takes
# less than a tenth of a second.
FILTER_SPACING_HZ = 100.0
# The shared baseband: both lines within its flat part (a tenth of the rate either side
# of the middle), with room for drift.
RATE_PER_SPACING = 6.0
# Further apart, a sharper filter can be afforded, which keeps other lines out.
WIDE_SPACING_HZ = 10.0
WIDE_RATE_PER_SPACING = 2.5
WIDE_PASS_BAND = 0.55  # of the spacing
FIRST_FIT_BEATS = 3.0  # two lines are told apart, and their decay seen, after a few beats
LEAST_FIRST_FIT_S = 0.4  # a struck body's first tenths of a second belong to its short partials
STEP_BEATS = 0.5  # a first part that does not fit is moved on by this much
MOST_BUFFERED_SAMPLES = 2**23  # 64 MB of complex samples, to find lines in
LEAST_SNR = 3.0  # of a line's amplitude over one quadrature of the noise per update
KNOWN_SIGMAS = 10.0  # a mean takes what is known within so many times the best
LEAST_SPECTRUM_SAMPLES = 1024
MOST_CANDIDATES = 8
PEAKS_CONSIDERED = 60
LONELY_RATIO = 0.5  # a third line weaker than this part of the pair does not disturb it
LONELY_SPACINGS = 3.0  # the shared baseband reaches so far
PAIR_RATIO = 0.03  # a pair of lines lies within this part of its frequency


class ReplayEngine:
    """The loop for a recording; same members as `Engine`, no tones.

    Parameters
    ----------
    stream : StreamFormat
        What the samples mean.
    modes_hz : (float, float) or None
        Where the two lines are; None: they are found in the spectrum.
    settings : LoopSettings or None
        Settings from a configuration; its modes serve if modes_hz is None.

    Raises
    ------
    InputError
        If the lines are out of order or outside the stream.
    """

    def __init__(
        self,
        stream: StreamFormat,
        modes_hz: tuple[float, float] | None,
        settings: LoopSettings | None,
    ) -> None:
        self._stream = stream
        self._settings = settings
        if modes_hz is None and settings is not None:
            modes_hz = settings.modes.lower.frequency_hz, settings.modes.upper.frequency_hz
        self._run = settings.run if settings is not None else RunSettings(duration_s=1e12)
        self._is_complex = stream.dtype.startswith("complex")
        self._buffer: list[SampleBlock] = []
        self._buffered = 0
        self._loop: Engine | _ClosePairLoop | None = None
        self._failure: str | None = None
        self._events: list[Event] = []
        self._now = 0
        if modes_hz is not None:
            self._check(modes_hz)
            self._loop = self._loop_for(modes_hz)

    def __repr__(self) -> str:
        return f"ReplayEngine({self.status_line})"

    @property
    def failure(self) -> str | None:
        """Why the replay found or followed nothing."""
        return self._failure or (self._loop.failure if self._loop is not None else None)

    @property
    def finished(self) -> bool:
        """A recording ends by itself; a configured duration may end it before."""
        return self._loop is not None and self._loop.finished

    @property
    def has_locked(self) -> bool:
        """Whether both lines were locked at least once."""
        return self._loop is not None and self._loop.has_locked

    @property
    def allan(self) -> Mapping[str, RunningAllan]:
        """Running Allan deviations of the difference and of each line."""
        return self._loop.allan if self._loop is not None else {}

    @property
    def results(self) -> Mapping[str, dict[str, object]]:
        """Mean frequencies, difference and decay times of a close pair."""
        return self._loop.results if self._loop is not None else {}

    @property
    def status_line(self) -> str:
        """The replay in a few words."""
        return "reading, to find lines" if self._loop is None else self._loop.status_line

    def step(self, block: SampleBlock, requests: Sequence[Request] = ()) -> Step:
        """Take the next block; see `Engine.step`."""
        self._now = block.first_sample + len(block.samples)
        if self._loop is not None:
            return self._loop.step(block, requests)
        self._buffer.append(block)
        self._buffered += len(block.samples)
        if self._buffered < MOST_BUFFERED_SAMPLES:
            return Step()
        return self._begin()

    def tone_set(self, asked: Tone, actual: Tone | None, reason: str = "") -> tuple[Event, ...]:
        """A recording has no tones."""
        return ()

    def finish(self) -> Step:
        """The recording is over: what was kept is worked off, the pair smoothed."""
        first = self._begin() if self._loop is None else Step()
        if self._loop is None:
            return first
        last = self._loop.finish()
        return Step(
            tones=last.tones,
            records=first.records + last.records,
            events=first.events + last.events,
        )

    def stop_tones(self) -> tuple[Tone, ...]:
        """Nothing sounds."""
        return ()

    # -- inside -----------------------------------------------------------------

    def _check(self, modes_hz: tuple[float, float]) -> None:
        low_hz, high_hz = stream_range_hz(self._stream)
        if not modes_hz[0] < modes_hz[1]:
            raise InputError(
                f"modes {modes_hz[0]:g},{modes_hz[1]:g}: the second has to be above the first"
            )
        for frequency_hz in modes_hz:
            if not low_hz < frequency_hz < high_hz:
                raise InputError(
                    f"modes: {frequency_hz:g} Hz is outside the stream, which covers "
                    f"{low_hz:g} to {high_hz:g} Hz"
                )

    def _begin(self) -> Step:
        """Find the lines in what was kept, and work it off."""
        events: list[Event] = []
        blocks, self._buffer = self._buffer, []
        for pair in self._candidates(blocks, events):
            loop = self._loop_for(pair)
            steps = [loop.step(block) for block in blocks]
            if loop.has_locked:
                self._loop = loop
                return Step(
                    records=tuple(record for step in steps for record in step.records),
                    events=tuple(events) + tuple(event for step in steps for event in step.events),
                )
            text = f"no fit of two lines at {pair[0]:.4f} and {pair[1]:.4f} Hz"
            events.append(self._event("failed", text))
        self._failure = "no pair of narrow lines in the recording"
        return Step(events=tuple(events))

    def _candidates(
        self, blocks: Sequence[SampleBlock], events: list[Event]
    ) -> list[tuple[float, float]]:
        """Pairs of narrow neighbours in the spectrum, the strongest first."""
        if self._buffered < LEAST_SPECTRUM_SAMPLES:
            return []
        samples = np.concatenate([block.samples for block in blocks])
        samples = samples[np.isfinite(samples)]
        spectrum = amplitude_spectrum(
            samples, self._stream.sample_rate_hz, center_hz=self._stream.center_hz
        )
        peaks = find_peaks(spectrum)[:PEAKS_CONSIDERED]
        listed = ", ".join(f"{peak.frequency_hz:.3f}" for peak in peaks[:12])
        events.append(self._event("found", f"lines at {listed or 'no frequency'} Hz"))
        return _pairs(peaks, 3.0 * spectrum.line_width_hz)[:MOST_CANDIDATES]

    def _event(self, kind: str, text: str) -> Event:
        return Event(
            sample_index=self._now,
            time_s=self._now / self._stream.sample_rate_hz,
            source="search",
            kind=kind,
            text=text,
        )

    def _loop_for(self, modes_hz: tuple[float, float]) -> Engine | _ClosePairLoop:
        if modes_hz[1] - modes_hz[0] < FILTER_SPACING_HZ:
            return _ClosePairLoop(self._stream, modes_hz, self._run)
        return Engine(self._settings_for(modes_hz), self._stream, {})

    def _settings_for(self, modes_hz: tuple[float, float]) -> LoopSettings:
        """Settings of the loop for lines that filters part."""
        settings = self._settings
        if settings is None:
            search_hz = min(50.0, 0.1 * (modes_hz[1] - modes_hz[0]))
            lower, upper = (ModeSettings(frequency_hz=hz, search_hz=search_hz) for hz in modes_hz)
            return LoopSettings(modes=ModesSettings(lower=lower, upper=upper), run=self._run)
        modes = ModesSettings(
            lower=settings.modes.lower.model_copy(update={"frequency_hz": modes_hz[0]}),
            upper=settings.modes.upper.model_copy(update={"frequency_hz": modes_hz[1]}),
        )
        pump = settings.pump.model_copy(update={"amplitude": 0.0})
        return settings.model_copy(update={"modes": modes, "pump": pump})


def _pairs(peaks: Sequence[SpectralPeak], least_hz: float) -> list[tuple[float, float]]:
    """Neighbours that are alone among their like, strongest weaker line first."""
    found = []
    for place, first in enumerate(peaks):
        for second in peaks[place + 1 :]:
            lower_hz, upper_hz = sorted((first.frequency_hz, second.frequency_hz))
            apart_hz = upper_hz - lower_hz
            if not least_hz < apart_hz < PAIR_RATIO * upper_hz:
                continue
            strength = min(first.amplitude, second.amplitude)
            middle_hz = 0.5 * (lower_hz + upper_hz)
            alone = all(
                peak is first
                or peak is second
                or peak.amplitude < LONELY_RATIO * strength
                or abs(peak.frequency_hz - middle_hz) > LONELY_SPACINGS * apart_hz
                for peak in peaks
            )
            if alone:
                found.append((strength, (lower_hz, upper_hz)))
    return [pair for _, pair in sorted(found, reverse=True)]


def stream_range_hz(stream: StreamFormat) -> tuple[float, float]:
    """Lowest and highest frequency that a stream carries [Hz]."""
    half_hz = 0.5 * stream.sample_rate_hz
    if stream.dtype.startswith("complex"):
        return stream.center_hz - half_hz, stream.center_hz + half_hz
    return 0.0, half_hz


class _ClosePairLoop:
    """A close pair: shared baseband, first fit, joint tracking, smoothing."""

    def __init__(
        self, stream: StreamFormat, modes_hz: tuple[float, float], run: RunSettings
    ) -> None:
        self._stream, self._modes_hz, self._run = stream, modes_hz, run
        self._middle_hz = 0.5 * (modes_hz[0] + modes_hz[1])
        self._spacing_hz = modes_hz[1] - modes_hz[0]
        wide = self._spacing_hz > WIDE_SPACING_HZ
        rate_hz = (WIDE_RATE_PER_SPACING if wide else RATE_PER_SPACING) * self._spacing_hz
        rate_hz = min(rate_hz, stream.sample_rate_hz / 4.0)
        pass_band_hz = WIDE_PASS_BAND * self._spacing_hz if wide else None
        self._converter = DownConverter(
            DownConverterConfig(
                sample_rate_hz=stream.sample_rate_hz,
                center_hz=stream.center_hz,
                frequencies_hz=(self._middle_hz,),
                decimation=decimation_for(stream.sample_rate_hz, rate_hz),
                pass_band_hz=pass_band_hz,
                complex_input=stream.dtype.startswith("complex"),
            )
        )
        self._rate_hz = self._converter.config.output_rate_hz
        self._pair = ClosePair(ClosePairConfig(rate_hz=self._rate_hz, spacing_hz=self._spacing_hz))
        self._watch = StreamWatch(stream)
        self._first_part: list[complex] = []
        self._first_part_from = 0
        self._last_center: int | None = None
        self._started_at: int | None = None
        self._centers: list[int] = []  # of the updates that the smoother will give back
        self._now = 0
        self._first_index: int | None = None
        self._updates = 0
        self._every = max(1, round(self._rate_hz / run.record_rate_hz))
        self._states = dict.fromkeys(ModeId, TrackerState.SEARCHING)
        self._has_locked = False
        self._settled: list[bool] = []
        self._results: dict[str, dict[str, object]] = {}
        self._allan = {
            name: RunningAllan(tau0_s=self._every / self._rate_hz)
            for name in ("difference", LOWER.value, UPPER.value)
        }

    @property
    def failure(self) -> str | None:
        """None: whether lines were followed is known at the end."""
        return None

    @property
    def has_locked(self) -> bool:
        """Whether both lines were locked at least once."""
        return self._has_locked

    @property
    def finished(self) -> bool:
        """Whether the configured duration is over."""
        if self._first_index is None:
            return False
        read_s = (self._now - self._first_index) / self._stream.sample_rate_hz
        return read_s >= self._run.duration_s

    @property
    def allan(self) -> Mapping[str, RunningAllan]:
        """Running Allan deviations."""
        return self._allan

    @property
    def results(self) -> Mapping[str, dict[str, object]]:
        """Means over the record, after `finish`."""
        return self._results

    @property
    def status_line(self) -> str:
        """The pair in a few words."""
        if not self._pair.has_lines:
            return "searching: first fit"
        estimate = self._pair.estimate()
        states = "/".join(self._states[mode].value for mode in ModeId)
        return (
            f"{states}  difference {estimate.spacing_hz:.5f} Hz "
            f"+- {1e3 * estimate.spacing_sigma_hz:.3f} mHz"
        )

    def step(self, block: SampleBlock, requests: Sequence[Request] = ()) -> Step:
        """Take the next block."""
        events: list[Event] = []
        records: list[Record] = []
        if self._first_index is None:
            self._first_index = block.first_sample
            self._converter.reset(block.first_sample)
        self._now = block.first_sample + len(block.samples)
        health = self._watch.process(block)
        for reason in health.reasons:
            events.append(self._event("stream", "unfit", reason))
        if health.missing_samples or not health.is_usable:
            self._converter.reset(block.first_sample if health.is_usable else self._now)
            self._first_part.clear()
        if health.is_usable:
            baseband = self._converter.process(block.samples, block.first_sample)
            for sample, center in zip(baseband.samples[:, 0], baseband.center_indices, strict=True):
                self._take(complex(sample), int(center), records, events)
        return Step(records=tuple(records), events=tuple(events))

    def finish(self) -> Step:
        """Smooth the record and state the means."""
        if not self._pair.has_lines:
            return Step(events=(self._event("search", "failed", "no fit of two lines"),))
        self._results = {"lines": self._line_results(self._pair.smoothed())}
        return Step()

    # -- inside -----------------------------------------------------------------

    def _take(
        self, sample: complex, center: int, records: list[Record], events: list[Event]
    ) -> None:
        if not self._pair.has_lines:
            self._try_first_fit(sample, center, events)
            self._last_center = center
            return
        assert self._last_center is not None
        duration_s = (center - self._last_center) / self._stream.sample_rate_hz
        self._last_center = center
        estimate = self._pair.process(sample, duration_s)
        self._centers.append(center)
        self._updates += 1
        self._change_states(estimate, center, events)
        both = all(state is TrackerState.LOCKED for state in self._states.values())
        self._settled.append(both)
        self._has_locked |= both
        if self._updates % self._every == 0:
            records.append(self._record(estimate, center))
            self._take_statistics(estimate, both)

    def _try_first_fit(self, sample: complex, center: int, events: list[Event]) -> None:
        """Fit both lines to the first part that looks like two lines."""
        if not self._first_part:
            self._first_part_from = center
        self._first_part.append(sample)
        first_s = max(FIRST_FIT_BEATS / self._spacing_hz, LEAST_FIRST_FIT_S)
        needed = max(12, math.ceil(first_s * self._rate_hz))
        if len(self._first_part) < needed:
            return
        fit = self._fitted(np.array(self._first_part))
        if fit is None:
            step = max(1, round(STEP_BEATS / self._spacing_hz * self._rate_hz))
            del self._first_part[:step]
            return
        self._pair.start(fit, (len(self._first_part) - 1) / self._rate_hz)
        self._started_at = center
        for place, mode in enumerate(ModeId):
            line = fit.lines[place]
            text = (
                f"{self._middle_hz + line.frequency_hz:.4f} +- {line.frequency_sigma_hz:.2g} Hz, "
                f"amplitude {line.magnitude:.3g}"
            )
            events.append(self._event(mode.value, "found", text, center))
            self._enter(mode, TrackerState.PULLING_IN, "first fit of both lines", center, events)

    def _fitted(self, samples: np.ndarray) -> LinesFit | None:
        """A fit of two lines, if it is one: near where they should be, and significant."""
        half_hz = 0.5 * self._spacing_hz
        try:
            fit = fit_lines(samples, self._rate_hz, (-half_hz, half_hz))
        except (InputError, ValueError, np.linalg.LinAlgError):
            return None
        for line, expected_hz in zip(fit.lines, (-half_hz, half_hz), strict=True):
            off_hz = abs(line.frequency_hz - expected_hz)
            good = (
                off_hz < 0.2 * self._spacing_hz
                and line.frequency_sigma_hz < 0.1 * self._spacing_hz
                and line.magnitude > 5.0 * line.magnitude_sigma
                and np.isfinite(line.covariance).all()
            )
            if not good:
                return None
        return fit

    def _change_states(self, estimate: PairEstimate, center: int, events: list[Event]) -> None:
        """Lock by the innovations; hold when a line sinks into the noise."""
        assert self._started_at is not None
        followed_s = (center - self._started_at) / self._stream.sample_rate_hz
        for place, mode in enumerate(ModeId):
            line, state = estimate.lines[place], self._states[mode]
            visible = (
                line.amplitude > LEAST_SNR * estimate.noise
                or line.amplitude > LEAST_SNR * line.amplitude_sigma
            ) and line.phase_sigma_rad < 0.5
            if state is TrackerState.PULLING_IN and followed_s > 1.0 / self._spacing_hz:
                if visible and estimate.innovation_ratio < 10.0:
                    why = "innovations as predicted"
                    self._enter(mode, TrackerState.LOCKED, why, center, events)
            elif state is TrackerState.LOCKED and not visible:
                why = "the line is in the noise"
                self._enter(mode, TrackerState.HOLDING, why, center, events)
            elif state is TrackerState.HOLDING and visible:
                why = "the line is back"
                self._enter(mode, TrackerState.LOCKED, why, center, events)

    def _enter(
        self, mode: ModeId, state: TrackerState, why: str, center: int, events: list[Event]
    ) -> None:
        old, self._states[mode] = self._states[mode], state
        events.append(
            self._event(mode.value, "state", f"{old.value} -> {state.value}: {why}", center)
        )

    def _take_statistics(self, estimate: PairEstimate, both: bool) -> None:
        values = {
            "difference": estimate.spacing_hz,
            LOWER.value: estimate.lines[0].offset_hz,
            UPPER.value: estimate.lines[1].offset_hz,
        }
        for name, running in self._allan.items():
            if both:
                running.process(np.array([values[name]]))
            else:
                running.interrupt()

    def _record(self, estimate: PairEstimate, center: int) -> Record:
        metres = self._stream.metres_per_unit
        modes = {}
        for place, mode in enumerate(ModeId):
            line = estimate.lines[place]
            decays = line.growth_per_s < 0.0
            snr = line.amplitude / (math.sqrt(2.0) * estimate.noise)
            modes[mode] = ModeRecord(
                state=self._states[mode],
                frequency_hz=self._middle_hz + line.offset_hz,
                frequency_sigma_hz=line.offset_sigma_hz,
                amplitude=line.amplitude * metres,
                amplitude_sigma=line.amplitude_sigma * metres,
                phase_error_rad=estimate.phase_error_rad[place],
                phase_sigma_rad=line.phase_sigma_rad,
                snr_db=20.0 * math.log10(snr) if snr > 0.0 else None,
                innovation_ratio=estimate.innovation_ratio,
                decay_time_s=-1.0 / line.growth_per_s if decays else None,
                decay_time_sigma_s=(
                    line.growth_sigma_per_s / line.growth_per_s**2 if decays else None
                ),
            )
        return Record(
            sample_index=center,
            time_s=center / self._stream.sample_rate_hz,
            modes=modes,
            difference_hz=estimate.spacing_hz,
            difference_sigma_hz=estimate.spacing_sigma_hz,
            difference_innovation_ratio=estimate.innovation_ratio,
        )

    def _line_results(self, smoothed: list[PairEstimate]) -> dict[str, object]:
        """Means over the locked part of the record, weighed by what is known there."""
        used = self._settled[-len(smoothed) :]
        kept = [e for e, settled in zip(smoothed, used, strict=True) if settled] or smoothed[-1:]
        results: dict[str, object] = {}
        for place, mode in enumerate(ModeId):
            lines = [estimate.lines[place] for estimate in kept]
            mean_hz, sigma_hz = _mean_with_wander(
                np.array([line.offset_hz for line in lines]),
                np.array([line.offset_sigma_hz for line in lines]),
            )
            growth, growth_sigma = _mean_with_wander(
                np.array([line.growth_per_s for line in lines]),
                np.array([line.growth_sigma_per_s for line in lines]),
            )
            results[mode.value] = {
                "frequency_hz": self._middle_hz + mean_hz,
                "frequency_hz_sigma": sigma_hz,
                "decay_time_s": -1.0 / growth if growth < 0.0 else None,
                "decay_time_s_sigma": growth_sigma / growth**2 if growth < 0.0 else None,
                "amplitude": lines[0].amplitude * self._stream.metres_per_unit,
            }
        spacing_hz, spacing_sigma_hz = _mean_with_wander(
            np.array([estimate.spacing_hz for estimate in kept]),
            np.array([estimate.spacing_sigma_hz for estimate in kept]),
        )
        results["difference"] = {
            "frequency_hz": spacing_hz,
            "frequency_hz_sigma": spacing_sigma_hz,
        }
        return results

    def _event(self, source: str, kind: str, text: str, center: int | None = None) -> Event:
        index = self._now if center is None else center
        return Event(
            sample_index=index,
            time_s=index / self._stream.sample_rate_hz,
            source=source,
            kind=kind,
            text=text,
        )


def _mean_with_wander(values: np.ndarray, sigmas: np.ndarray) -> tuple[float, float]:
    """Mean of a smoothed track, and a sigma that owns up to its wander.

    The values of a smoothed track are all but one and the same estimate, so
    averaging does not shrink their sigma; a track that moves has no one value, and
    its spread is part of the uncertainty of any.
    """
    known = sigmas <= KNOWN_SIGMAS * sigmas.min()
    weights = known / known.sum()
    mean = float(weights @ values)
    wander2 = float(weights @ (values - mean) ** 2)
    return mean, math.sqrt(float(weights @ sigmas**2) + wander2)
