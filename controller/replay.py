"""The loop for a recording: two lines followed in a stream that nobody drives.

    blocks -> (find the lines) -> close: one shared baseband  } `controller.replay_loops`
                               -> far:   filters part the two }

Everything follows from the stream and the spacing. Without given frequencies
the beginning of the recording is kept until the lines are found in its
spectrum; then it is followed like the rest.

Samples in, records out: no file, no clock.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from controller.engine import Step
from controller.errors import InputError
from controller.instrument import SampleBlock, StreamFormat, Tone, stream_band_hz
from controller.records import Event
from controller.replay_loops.close_pair_loop import ClosePairLoop
from controller.replay_loops.far_pair_loop import MOST_BUFFERED_SAMPLES, FarPairLoop
from controller.settings import LoopSettings, ModeSettings, ModesSettings, RunSettings
from controller.signal.spectrum import SpectralPeak, amplitude_spectrum, find_peaks
from controller.supervisor.requests import Request
from controller.tracking.stability import RunningAllan

# Lines that are further apart than this are parted by filters: a filter then takes
# less than a tenth of a second.
FILTER_SPACING_HZ = 100.0
ENDLESS_S = 1.0e12  # a recording ends by itself
SEARCH_HZ = 50.0  # half-width of the search for far lines that are given without settings
SEARCH_RATIO = 0.1  # of their spacing, at most

LEAST_SPECTRUM_SAMPLES = 1024
LEAST_PAIR_WIDTHS = 3.0  # of the spectrum's line width: closer, two lines look like one
PAIR_RATIO = 0.03  # a pair of lines lies within this part of its frequency
LONELY_RATIO = 0.5  # a third line weaker than this part of the pair does not disturb it
LONELY_SPACINGS = 3.0  # the shared baseband reaches so far
PEAKS_CONSIDERED = 60
PEAKS_LISTED = 12
MOST_CANDIDATES = 8


class ReplayEngine:
    """The loop for a recording; same members as `Engine`, no tones.

    Parameters
    ----------
    stream : StreamFormat
        What the samples mean.
    modes_hz : (float, float) or None
        Where the two lines are; None: they are found in the spectrum.
    settings : LoopSettings or None
        Settings from a configuration; its modes serve if modes_hz is None. A
        duration that it does not name is that of the recording.

    Raises
    ------
    InputError
        If the lines are out of order or do not fit the stream.
    """

    def __init__(
        self,
        stream: StreamFormat,
        modes_hz: tuple[float, float] | None,
        settings: LoopSettings | None,
    ) -> None:
        self._stream = stream
        self._settings = settings
        self._run = _run_settings(settings)
        if modes_hz is None and settings is not None:
            modes_hz = settings.modes.lower.frequency_hz, settings.modes.upper.frequency_hz
        self._buffer: list[SampleBlock] = []
        self._buffered_samples = 0
        self._loop: ClosePairLoop | FarPairLoop | None = None
        self._failure: str | None = None
        self._now = 0
        if modes_hz is not None:
            _check(modes_hz, stream)
            self._loop = self._loop_for(modes_hz)

    def __repr__(self) -> str:
        return f"ReplayEngine({self.status_line})"

    @property
    def failure(self) -> str | None:
        """Why the replay found or followed nothing."""
        return self._failure or (self._loop.failure if self._loop is not None else None)

    @property
    def finished(self) -> bool:
        """Whether a configured duration is over; a recording ends by itself."""
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
        """Mean frequencies, difference and decay times, complete after `finish`."""
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
        self._buffered_samples += len(block.samples)
        return self._begin() if self._buffered_samples >= MOST_BUFFERED_SAMPLES else Step()

    def tone_set(self, asked: Tone, actual: Tone | None, reason: str = "") -> tuple[Event, ...]:
        """A recording has no tones."""
        return ()

    def finish(self) -> Step:
        """The recording is over: what was kept is worked off, the means are formed."""
        first = self._begin() if self._loop is None and self._failure is None else Step()
        if self._loop is None:
            return first
        last = self._loop.finish()
        return Step(records=first.records + last.records, events=first.events + last.events)

    def stop_tones(self) -> tuple[Tone, ...]:
        """Nothing sounds."""
        return ()

    # -- inside -----------------------------------------------------------------

    def _begin(self) -> Step:
        """Find the lines in what was kept, and work it off."""
        blocks, self._buffer = self._buffer, []
        listed, candidates = _lines_and_pairs(_longest_stretch(blocks), self._stream)
        events = [self._event("found", listed)]
        for pair_hz in candidates:
            text = f"two lines at {pair_hz[0]:.4f} and {pair_hz[1]:.4f} Hz"
            try:
                loop = self._loop_for(pair_hz)
            except InputError:  # too close to the edge of the stream
                continue
            steps = [loop.step(block) for block in blocks]
            if loop.has_locked:
                self._loop = loop
                return Step(
                    records=tuple(record for step in steps for record in step.records),
                    events=(
                        *events,
                        self._event("found", f"followed: {text}"),
                        *(event for step in steps for event in step.events),
                    ),
                )
            events.append(self._event("failed", f"not followed: {text}"))
        found = f"none of {len(candidates)} pairs could be followed" if candidates else listed
        self._failure = f"no pair of narrow lines in the recording: {found}"
        return Step(events=tuple(events))

    def _event(self, kind: str, text: str) -> Event:
        return Event(
            sample_index=self._now,
            time_s=self._now / self._stream.sample_rate_hz,
            source="search",
            kind=kind,
            text=text,
        )

    def _loop_for(self, modes_hz: tuple[float, float]) -> ClosePairLoop | FarPairLoop:
        if modes_hz[1] - modes_hz[0] < FILTER_SPACING_HZ:
            return ClosePairLoop(self._stream, modes_hz, self._run)
        return FarPairLoop(self._settings_for(modes_hz), self._stream)

    def _settings_for(self, modes_hz: tuple[float, float]) -> LoopSettings:
        """Settings of the loop for lines that filters part; nothing is driven or pumped."""
        settings = self._settings
        if settings is None:
            search_hz = min(SEARCH_HZ, SEARCH_RATIO * (modes_hz[1] - modes_hz[0]))
            lower, upper = (ModeSettings(frequency_hz=hz, search_hz=search_hz) for hz in modes_hz)
            settings = LoopSettings(modes=ModesSettings(lower=lower, upper=upper))
        modes = ModesSettings(
            lower=settings.modes.lower.model_copy(update={"frequency_hz": modes_hz[0]}),
            upper=settings.modes.upper.model_copy(update={"frequency_hz": modes_hz[1]}),
        )
        drive = settings.drive.model_copy(update={"amplitude_m": 0.0})
        pump = settings.pump.model_copy(update={"amplitude": 0.0})
        return settings.model_copy(
            update={"modes": modes, "drive": drive, "pump": pump, "run": self._run}
        )


def _run_settings(settings: LoopSettings | None) -> RunSettings:
    """The configured run; without a word on its duration, to the end of the recording."""
    run = RunSettings() if settings is None else settings.run
    if "duration_s" in run.model_fields_set:
        return run
    return run.model_copy(update={"duration_s": ENDLESS_S})


def _check(modes_hz: tuple[float, float], stream: StreamFormat) -> None:
    """Raise InputError for lines out of order or outside the stream."""
    low_hz, high_hz = stream_band_hz(stream)
    if not modes_hz[0] < modes_hz[1]:
        raise InputError(
            f"modes {modes_hz[0]:.9g},{modes_hz[1]:.9g}: the second has to be above the first"
        )
    for frequency_hz in modes_hz:
        if not low_hz < frequency_hz < high_hz:
            raise InputError(
                f"modes: {frequency_hz:.9g} Hz is outside the stream, which covers "
                f"{low_hz:.9g} to {high_hz:.9g} Hz"
            )


def _longest_stretch(blocks: Sequence[SampleBlock]) -> np.ndarray:
    """The longest run of samples without a gap or a number that is not finite."""
    stretches: list[list[np.ndarray]] = [[]]
    next_index = None
    for block in blocks:
        is_finite = bool(np.isfinite(block.samples).all())
        if block.first_sample != next_index or not is_finite:
            stretches.append([])
        if is_finite:
            stretches[-1].append(block.samples)
        next_index = block.first_sample + len(block.samples)
    longest = max(stretches, key=lambda stretch: sum(map(len, stretch)))
    return np.concatenate(longest) if longest else np.empty(0)


def _lines_and_pairs(
    samples: np.ndarray, stream: StreamFormat
) -> tuple[str, list[tuple[float, float]]]:
    """The lines of a spectrum in words, and the pairs among them that may be followed."""
    if len(samples) < LEAST_SPECTRUM_SAMPLES:
        return f"only {len(samples)} samples without a gap, too few for a spectrum", []
    spectrum = amplitude_spectrum(samples, stream.sample_rate_hz, center_hz=stream.center_hz)
    peaks = find_peaks(spectrum)[:PEAKS_CONSIDERED]
    listed = ", ".join(f"{peak.frequency_hz:.3f}" for peak in peaks[:PEAKS_LISTED])
    if len(peaks) > PEAKS_LISTED:
        listed += f" and {len(peaks) - PEAKS_LISTED} more"
    pairs_hz = _pairs(peaks, LEAST_PAIR_WIDTHS * spectrum.line_width_hz)
    return f"lines at {listed or 'no frequency'} Hz", pairs_hz[:MOST_CANDIDATES]


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
            is_alone = all(
                peak is first
                or peak is second
                or peak.amplitude < LONELY_RATIO * strength
                or abs(peak.frequency_hz - middle_hz) > LONELY_SPACINGS * apart_hz
                for peak in peaks
            )
            if is_alone:
                found.append((strength, (lower_hz, upper_hz)))
    return [pair_hz for _, pair_hz in sorted(found, reverse=True)]
