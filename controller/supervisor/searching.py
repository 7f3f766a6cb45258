"""The schedule of a search: look, ping, listen, and what came of it.

    look    1 s           what is there before: stray lines, thermal motion
    ping    ping_s        each drive sweeps its search range once
    listen  listen_s      the free motion, whose spectrum shows the modes

A ping that shows nothing is repeated four times longer, twice; then the search
has failed. A ping that drives the detector into overload is repeated with a
quarter of the amplitude. A mode without a drive is not pinged: the search
listens, for twice as long, twice, where no line moves as thermal motion does.
What was followed a moment ago still rings; it need not answer a ping if it is
as strong as it should be.
"""

from __future__ import annotations

import cmath
import copy
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import Enum

import numpy as np

from controller.errors import InputError
from controller.instrument import StreamFormat, Tone, ToneChannel, stream_band_hz
from controller.records import Event, ModeId
from controller.settings import DriveSettings
from controller.signal.downconverter import DownConverter, DownConverterConfig, decimation_for
from controller.signal.oscillator import counts_per_sample, rotation
from controller.tracking.search import (
    FoundLine,
    PingAnswer,
    ThermalMotion,
    answered_lines,
    chosen_line,
    lines_in,
    noise_density,
    ping_answer,
)

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER

LOOK_S = 1.0  # arbitrary between 0.5 and 3: resolves 4 Hz with the window that is used
SETTLE_S = 0.05  # after the ping, before listening: its feed-through has left the filter
MOST_ATTEMPTS = 3
LONGER = 4.0
PING_BLOCKS = 1.5  # a ping outlasts the block after its start, at whose end it is told to end
QUIETER = 0.25
# Seven quarters make 1e-4: what still overloads is not the ping.
LEAST_SCALE = 1.0e-4
# A mode that still rings has its last amplitude, less its decay, within this factor: the
# quality factor is known roughly, and the search comes some amplitude decays later.
AS_EXPECTED = 5.0
DISTINCT_BINS = 8.0  # lines this many resolutions apart are two: the window's lobe is 8 bins wide
LEAST_DRIVE_PHASE_RAD = 0.1  # a tenth of a radian pulls by 1/40 of a line: not worth the risk


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchTarget:
    """Where one mode is expected."""

    frequency_hz: float
    half_width_hz: float
    # What is left of its motion, if it was followed a moment ago: such a line need not answer.
    expected_amplitude: float | None = None
    # What moves it, if it is not driven; None: whatever is strongest may be it.
    thermal: ThermalMotion | None = None

    def expects(self, line: FoundLine) -> bool:
        """Whether a line is as strong as what was followed before."""
        if self.expected_amplitude is None:
            return False
        return 1.0 / AS_EXPECTED <= line.amplitude / self.expected_amplitude <= AS_EXPECTED


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundMode:
    """One mode as the search found it, at the end of the search."""

    frequency_hz: float
    frequency_sigma_hz: float
    amplitude: float
    detector_noise: float  # one-sided, sample units per root hertz
    responsivity: float | None = None  # amplitude per second and unit of the drive
    drive_phase_rad: float = 0.0  # by which the drive's line leads what was commanded
    feedthrough: complex = 0j  # sample units per unit of the drive
    has_answered: bool = False  # a ping has shown what is said of the drive
    drive_scale: float = 1.0  # the part of the drive's range that does not overload the detector
    strays_hz: tuple[float, ...] = ()  # other lines that were there, steady ones


@dataclass(slots=True, kw_only=True)
class SearchStep:
    """What a block brought."""

    tones: list[Tone] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    found: Mapping[ModeId, FoundMode] | None = None
    failure: str | None = None


class _Stage(Enum):
    LOOK = "look"
    PING = "ping"
    LISTEN = "listen"


class Searching:
    """One search for both modes; owned by the engine, one thread."""

    def __init__(
        self,
        stream: StreamFormat,
        channels: Mapping[ModeId, ToneChannel],
        drive: DriveSettings,
        targets: Mapping[ModeId, SearchTarget],
        first_index: int,
        *,
        most_attempts: int = MOST_ATTEMPTS,
    ) -> None:
        self._stream, self._channels, self._drive = stream, channels, drive
        self._most_attempts = most_attempts
        self._targets = dict(targets)
        half_width_hz = max(target.half_width_hz for target in targets.values())
        is_complex = stream.dtype.startswith("complex")
        # The flat part of a baseband is a tenth of its rate either side.
        rate_hz = min(10.0 * half_width_hz, 0.25 * stream.sample_rate_hz)
        self._converter = DownConverter(
            DownConverterConfig(
                sample_rate_hz=stream.sample_rate_hz,
                center_hz=stream.center_hz,
                frequencies_hz=tuple(targets[mode].frequency_hz for mode in ModeId),
                decimation=decimation_for(stream.sample_rate_hz, rate_hz),
                complex_input=is_complex,
            ),
            first_index,
        )
        self._half_width_hz = min(half_width_hz, 0.4 * self._converter.config.output_rate_hz)
        self._stage = _Stage.LOOK
        self._stage_end = first_index
        self._scale = 1.0
        self._before: np.ndarray | None = None  # basebands of the first whole look
        self._ping_s = drive.ping_s
        self._attempt = 1
        self._begin(first_index)

    def __repr__(self) -> str:
        return f"Searching({self._stage.value}, attempt {self._attempt})"

    def reset(self) -> None:
        """Begin the present attempt again, at the sample that is due."""
        self._begin(self._converter.next_index)

    def copy(self) -> Searching:
        """An independent search that goes on alike."""
        return copy.deepcopy(self)

    @property
    def status(self) -> str:
        """What it is doing, in a word."""
        return self._stage.value

    def restart(self, first_index: int) -> None:
        """A gap or an unfit block: begin the attempt again after it."""
        self._converter.reset(first_index)
        self._begin(first_index)

    def quieter(self, first_index: int) -> None:
        """The ping overloaded the detector: begin again with a quarter of it."""
        self._scale *= QUIETER
        self.restart(first_index)

    @property
    def can_be_quieter(self) -> bool:
        """Whether a ping sounds that may be what overloads the detector."""
        return self._stage is _Stage.PING and self._scale > LEAST_SCALE

    def tone_set(self, actual: Tone) -> None:
        """Take note of a tone that was really set: of a ping, its true start and end."""
        for mode, ping in self._pings.items():
            if ping.channel != actual.channel:
                continue
            if actual.amplitude == 0.0:
                self._ping_end = actual.at_sample
            else:
                phase_rad = ping.phase_rad if actual.phase_rad is None else actual.phase_rad
                self._pings[mode] = replace(actual, phase_rad=phase_rad)

    def process(self, samples: np.ndarray, first_index: int) -> SearchStep:
        """Take a block.

        Parameters
        ----------
        samples : ndarray, shape (n,)
            Samples that follow on the last block's.
        first_index : int
            Absolute index of the first.

        Returns
        -------
        SearchStep
            Tones to set, events, and at the end the modes or a failure.
        """
        baseband = self._converter.process(samples, first_index)
        self._samples.append(baseband.samples)
        self._centers.append(baseband.center_indices)
        end = first_index + len(samples)
        # A ping's end is commanded one block after its start: whoever sets tones may put
        # those that end a tone first, and a start cancels what is pending after it.
        step = SearchStep(tones=list(self._ends))
        self._ends.clear()
        if self._stage is _Stage.LOOK and end >= self._stage_end:
            if self._before is None:
                self._before = np.concatenate(self._samples)
            if self._channels:
                self._ping(end, len(samples), step)
            else:
                self._stage, self._stage_end = _Stage.LISTEN, self._listen_end(end)
        elif self._stage is _Stage.PING and end >= self._stage_end:
            self._stage, self._stage_end = _Stage.LISTEN, self._listen_end(end)
        elif self._stage is _Stage.LISTEN and end >= self._stage_end:
            self._conclude(end, step)
        return step

    # -- inside -----------------------------------------------------------------

    def _begin(self, first_index: int) -> None:
        rate_hz = self._stream.sample_rate_hz
        self._stage = _Stage.LOOK
        self._stage_end = first_index + round(LOOK_S * rate_hz)
        self._samples: list[np.ndarray] = []
        self._centers: list[np.ndarray] = []
        self._pings: dict[ModeId, Tone] = {}
        self._ends: list[Tone] = []
        self._ping_end = self._listen_start = self._stage_end

    def _listen_end(self, end: int) -> int:
        rate_hz = self._stream.sample_rate_hz
        self._listen_start = end + round(SETTLE_S * rate_hz) * bool(self._channels)
        if not self._channels:
            self._listen_start = self._stage_end - round(LOOK_S * rate_hz)  # the look counts too
        return end + round((SETTLE_S + self._drive.listen_s) * rate_hz)

    def _ping(self, index: int, block_samples: int, step: SearchStep) -> None:
        """Sweep each drive once across its range, from below."""
        rate_hz = self._stream.sample_rate_hz
        latency = max(channel.latency_samples for channel in self._channels.values())
        start = index + latency + 1
        ping_s = max(self._ping_s, PING_BLOCKS * block_samples / rate_hz)
        stop = start + round(ping_s * rate_hz)
        for mode, channel in self._channels.items():
            target = self._targets[mode]
            ping = Tone(
                channel=channel.name,
                at_sample=start,
                frequency_hz=target.frequency_hz - target.half_width_hz,
                amplitude=self._scale * channel.max_amplitude,
                phase_rad=0.0,
                chirp_hz_per_s=2.0 * target.half_width_hz / ping_s,
            )
            end = Tone(
                channel=channel.name,
                at_sample=stop,
                frequency_hz=target.frequency_hz,
                amplitude=0.0,
            )
            self._pings[mode] = ping
            step.tones.append(ping)
            self._ends.append(end)
        self._stage, self._stage_end = _Stage.PING, stop
        self._ping_end = stop
        step.events.append(
            self._event(index, "ping", f"a sweep of {ping_s:g} s, attempt {self._attempt}")
        )

    def _conclude(self, index: int, step: SearchStep) -> None:
        samples, centers = np.concatenate(self._samples), np.concatenate(self._centers)
        rate_hz = self._converter.config.output_rate_hz
        # What answers is told against the motion before any ping: after a broken attempt a
        # mode rings already.
        before = samples if self._before is None else self._before
        after = samples[centers >= self._listen_start]
        lines = {
            mode: self._lines(mode, before[:, column], after[:, column], rate_hz)
            for column, mode in enumerate(ModeId)
        }
        chosen = self._chosen_pair(lines)
        missing = [mode for mode in ModeId if mode not in chosen]
        if not missing:
            step.found = {
                mode: replace(
                    self._found(mode, column, chosen[mode], samples, centers, after),
                    strays_hz=self._strays_hz(mode, lines[mode], tuple(chosen.values())),
                )
                for column, mode in enumerate(ModeId)
            }
            for mode, line in chosen.items():
                step.events.extend(self._described(index, mode, line, lines[mode]))
        elif self._attempt >= self._most_attempts or not self._can_go_on(missing):
            step.failure = self._no_line(missing, lines)
        else:
            self._attempt += 1
            self._go_on(index, missing, step)

    def _can_go_on(self, missing: list[ModeId]) -> bool:
        """Whether another ping or a longer look may show what is missing."""
        return bool(self._channels) or any(self._is_thermal(mode) for mode in missing)

    def _is_thermal(self, mode: ModeId) -> bool:
        return self._targets[mode].thermal is not None

    def _go_on(self, index: int, missing: list[ModeId], step: SearchStep) -> None:
        """Ping again for longer, or listen for as long again if no ping was missed."""
        silent = [mode for mode in missing if mode in self._pings]
        if silent:
            self._ping_s *= LONGER
            step.events.append(
                self._event(index, "again", f"no answer of the {' and '.join(silent)} mode")
            )
            self._begin(index)
            return
        self._stage_end = 2 * index - self._listen_start
        more_s = (self._stage_end - index) / self._stream.sample_rate_hz
        text = f"no thermal motion of the {' and '.join(missing)} mode: {more_s:.3g} s more"
        step.events.append(self._event(index, "longer", text))

    def _lines(
        self, mode: ModeId, before: np.ndarray, after: np.ndarray, rate_hz: float
    ) -> list[FoundLine]:
        """The lines in the range of one mode."""
        if mode in self._pings:
            return answered_lines(before, after, rate_hz, self._half_width_hz)
        return lines_in(after, rate_hz, self._half_width_hz)

    def _chosen_pair(self, lines: Mapping[ModeId, list[FoundLine]]) -> dict[ModeId, FoundLine]:
        """One line for each mode, the upper above the lower; fewer if there are none.

        Where both ranges hold both lines, the first choice of one mode may be the
        other one's line: both orders are tried.
        """
        best: dict[ModeId, FoundLine] = {}
        for first, second in ((LOWER, UPPER), (UPPER, LOWER)):
            pair: dict[ModeId, FoundLine] = {}
            line = self._chosen(first, lines[first])
            if line is not None:
                pair[first] = line
            beyond = [
                other
                for other in lines[second]
                if line is None or self._is_beyond(second, other, first, line)
            ]
            other = self._chosen(second, beyond)
            if other is not None:
                pair[second] = other
            if (len(pair), _strength(pair)) > (len(best), _strength(best)):
                best = pair
        return best

    def _is_beyond(self, mode: ModeId, line: FoundLine, other: ModeId, taken: FoundLine) -> bool:
        """Whether a line is another than the one taken, on its own mode's side of it."""
        above_hz = self._frequency_hz(mode, line) - self._frequency_hz(other, taken)
        if mode is LOWER:
            above_hz = -above_hz
        return above_hz > DISTINCT_BINS / self._drive.listen_s

    def _chosen(self, mode: ModeId, lines: list[FoundLine]) -> FoundLine | None:
        """The line of one mode: one that answered, or is as strong as it was."""
        target = self._targets[mode]
        if target.thermal is not None:
            # What rings although nobody drove it is taken if nothing else shows up in time.
            may_be_hot = self._attempt > 1
            return _thermal_line(target, target.thermal, lines, may_be_hot)
        if mode in self._pings:
            likely = [line for line in lines if line.answered or target.expects(line)]
            may_be_any = target.expected_amplitude is None and self._attempt >= MOST_ATTEMPTS
            lines = likely if likely or not may_be_any else lines
        return chosen_line(lines, 0.0, target.half_width_hz, must_answer=False)

    def _frequency_hz(self, mode: ModeId, line: FoundLine) -> float:
        return self._targets[mode].frequency_hz + line.offset_hz

    def _no_line(self, missing: list[ModeId], lines: Mapping[ModeId, list[FoundLine]]) -> str:
        targets = [self._targets[mode] for mode in missing]
        ranges = ", ".join(f"{t.frequency_hz:.1f} ± {t.half_width_hz:g} Hz" for t in targets)
        text = f"no line of the {' and '.join(missing)} mode in {ranges}"
        if self._drive.max_amplitude is not None and any(mode in self._pings for mode in missing):
            text += f"; drive.max_amplitude keeps the burst to {self._drive.max_amplitude:g}"
        seen = sum(len(lines[mode]) for mode in missing if self._is_thermal(mode))
        if seen:
            text += (
                f"; {seen} seen, none of which wanders as thermal motion does by "
                "quality_factor, mass_kg and temperature_k"
            )
        return text

    def _strays_hz(
        self, mode: ModeId, lines: list[FoundLine], taken: tuple[FoundLine, ...]
    ) -> tuple[float, ...]:
        """Where steady lines are beside the modes, by their frequencies."""
        return tuple(
            self._frequency_hz(mode, line)
            for line in lines
            if line not in taken and not line.answered and line.is_steady
        )

    def _found(
        self,
        mode: ModeId,
        column: int,
        line: FoundLine,
        samples: np.ndarray,
        centers: np.ndarray,
        after: np.ndarray,
    ) -> FoundMode:
        target = self._targets[mode]
        rate_hz = self._converter.config.output_rate_hz
        responsivity, feedthrough, drive_phase_rad = None, 0j, 0.0
        if mode in self._pings:
            ping = self._pings[mode]
            margin = SETTLE_S * self._stream.sample_rate_hz
            end = self._ping_end
            around = (centers > ping.at_sample - margin) & (centers < end + margin)
            sweep = self._sweep(ping, target.frequency_hz, centers[around], end)
            since_s = (centers[-1] - end) / self._stream.sample_rate_hz
            then_hz = line.offset_hz - line.drift_hz_per_s * since_s
            answer = ping_answer(samples[around, column], sweep, rate_hz, then_hz)
            responsivity, feedthrough = abs(answer.responsivity), answer.feedthrough
            drive_phase_rad = self._drive_phase_rad(answer, ping, mode, line)
        return FoundMode(
            frequency_hz=self._frequency_hz(mode, line),
            frequency_sigma_hz=line.sigma_hz,
            amplitude=line.amplitude,
            detector_noise=noise_density(
                after[:, column], rate_hz, self._half_width_hz, line.offset_hz
            ),
            responsivity=responsivity,
            drive_phase_rad=drive_phase_rad,
            feedthrough=feedthrough,
            has_answered=mode in self._pings and line.answered,
            drive_scale=self._scale,
        )

    def _drive_phase_rad(
        self, answer: PingAnswer, ping: Tone, mode: ModeId, line: FoundLine
    ) -> float:
        """Phase error of the drive's line, where the ping shows one beyond doubt.

        A force acts -90 degrees ahead of the motion it makes. Thermal kicks during
        the ping limit what can be said; below that the commanded phase is believed.
        """
        before = line.amplitude / max(line.answer_ratio, 1.0)
        made = abs(answer.responsivity) * ping.amplitude / math.sqrt(ping.chirp_hz_per_s)
        sigma_rad = math.hypot(answer.phase_sigma_rad, 0.3 * before / max(made, 1e-300))
        phase_rad = cmath.phase(answer.responsivity * 1j)
        return phase_rad if abs(phase_rad) > max(5.0 * sigma_rad, LEAST_DRIVE_PHASE_RAD) else 0.0

    def _sweep(self, ping: Tone, mix_hz: float, centers: np.ndarray, end: float) -> np.ndarray:
        """The ping as it was commanded, in the frame of the baseband."""
        rate_hz = self._stream.sample_rate_hz
        elapsed_s = (centers - ping.at_sample) / rate_hz
        turns = elapsed_s * (ping.frequency_hz - mix_hz + 0.5 * ping.chirp_hz_per_s * elapsed_s)
        start = rotation(-counts_per_sample(mix_hz, rate_hz), ping.at_sample, 1)[0]
        start = start * cmath.exp(1j * (ping.phase_rad or 0.0))
        sounding = (centers >= ping.at_sample) & (centers < end)
        return sounding * np.exp(2j * np.pi * turns) * start * ping.amplitude

    def _described(
        self, index: int, mode: ModeId, line: FoundLine, lines: list[FoundLine]
    ) -> list[Event]:
        target = self._targets[mode]
        text = (
            f"{target.frequency_hz + line.offset_hz:.4f} ± {line.sigma_hz:.2g} Hz, "
            f"amplitude {line.amplitude:.3g}"
        )
        if mode in self._pings:
            text += f", {line.answer_ratio:.3g} times what it was before the ping"
        if target.thermal is not None:
            text += f", wanders {target.thermal.wander_ratio(line):.2g} times as it should"
        others = [other for other in lines if other is not line]
        if others:
            text += "; also there: " + ", ".join(
                f"{target.frequency_hz + other.offset_hz:.2f} Hz"
                f"{' (stray)' if self._is_stray(mode, other) else ''}"
                for other in others[:4]
            )
        return [self._event(index, "found", text, source=mode.value)]

    def _is_stray(self, mode: ModeId, line: FoundLine) -> bool:
        """Whether a line does not behave as the mode does."""
        thermal = self._targets[mode].thermal
        if thermal is not None:
            return not thermal.could_be(line)
        return mode in self._pings and not line.answered

    def _event(self, index: int, kind: str, text: str, source: str = "search") -> Event:
        return Event(
            sample_index=index,
            time_s=index / self._stream.sample_rate_hz,
            source=source,
            kind=kind,
            text=text,
        )


def longest_search_s(drive: DriveSettings) -> float:
    """How long a search takes that needs every attempt [s]."""
    attempts = range(MOST_ATTEMPTS)
    pings_s = sum(drive.ping_s * LONGER**attempt for attempt in attempts)
    return pings_s + MOST_ATTEMPTS * (LOOK_S + SETTLE_S + drive.listen_s)


def _thermal_line(
    target: SearchTarget, thermal: ThermalMotion, lines: list[FoundLine], may_be_hot: bool
) -> FoundLine | None:
    """The line that wanders most as the mode should; hot only if it was so before, or must be."""
    candidates = [line for line in lines if thermal.could_be(line)]
    likely = [line for line in candidates if not thermal.is_hot(line) or target.expects(line)]
    if not likely and may_be_hot:
        likely = candidates
    return min(likely, key=lambda line: abs(math.log(thermal.wander_ratio(line))), default=None)


def _strength(pair: Mapping[ModeId, FoundLine]) -> float:
    """How well a choice of lines would be seen."""
    return math.prod(line.amplitude for line in pair.values())


def search_target(
    frequency_hz: float,
    half_width_hz: float,
    stream: StreamFormat,
    thermal: ThermalMotion | None = None,
) -> SearchTarget:
    """A target that lies inside the stream.

    Parameters
    ----------
    frequency_hz, half_width_hz : float
        Where to look [Hz].
    stream : StreamFormat
        The stream.
    thermal : ThermalMotion, optional
        What moves the mode, if it is not driven and that is known.

    Returns
    -------
    SearchTarget
        The same, checked.

    Raises
    ------
    InputError
        If the range reaches outside the stream.
    """
    low_hz, high_hz = stream_band_hz(stream)
    if not (low_hz < frequency_hz - half_width_hz and frequency_hz + half_width_hz < high_hz):
        raise InputError(
            f"{frequency_hz:g} ± {half_width_hz:g} Hz reaches outside the stream, "
            f"which covers {low_hz:g} to {high_hz:g} Hz"
        )
    return SearchTarget(frequency_hz=frequency_hz, half_width_hz=half_width_hz, thermal=thermal)
