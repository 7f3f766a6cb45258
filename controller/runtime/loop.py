"""One turn of the loop after another, on one thread: read, step, set tones, log.

    instrument.read -> engine.step -> instrument.set_tone -> log

Nothing is computed or decided here. What is kept here is the order in which
things are switched: whatever happens (an end, a fault of the instrument, a
full disk, Ctrl-C, an error of our own), every tone goes off first, the pump
before the drives; then the log is completed.
"""

from __future__ import annotations

import gc
import math
import operator
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from numbers import Real
from pathlib import Path
from typing import Any, Protocol, TypeVar

import numpy as np

from controller.engine import Step
from controller.errors import InstrumentError, RunFailed
from controller.instrument import (
    Instrument,
    InstrumentFault,
    SampleBlock,
    StreamEnded,
    StreamTimeout,
    Tone,
    ToneRefused,
)
from controller.records import Baseband, Event, ModeId, Record, Section, TrackerState
from controller.runtime.block_clock import BlockClock
from controller.runtime.configuration import one_line
from controller.runtime.ending import (
    DONE,
    FAILED,
    INTERRUPTED,
    STOPPED_BY_OPERATOR,
    StopRequest,
)
from controller.settings import RunSettings
from controller.supervisor.requests import Request

ALLAN_EVERY_S = 10.0  # stream time between two rows of running Allan deviations in the log
COLLECT_AFTER = 50_000  # new objects between two looks for garbage; the default is 700
PROGRESS_EVERY_S = 0.1  # stream time between two calls of the progress display

Progress = Callable[[float, str], None]
"""Shown a stream time [s] and the engine's status line while a run goes on."""

RequestSource = Callable[[], Sequence[Request]]
"""Asked before each step, and must not wait: what operators have asked for since."""

Analyse = Callable[[str], Mapping[str, Any]]
"""Given the name of a protocol's analysis, after the log is committed: what it found."""

Watch = Callable[[Step, float], None]
"""Shown each step and the stream time [s] that it leads to."""

Answer = TypeVar("Answer")


def no_requests() -> Sequence[Request]:
    """A source of requests for a run that nobody attends."""
    return ()


def clock_of(instrument: Instrument, limits: RunSettings) -> BlockClock | None:
    """A clock for an instrument in real time; None for one that goes as fast as it is read."""
    if not instrument.paced:
        return None
    return BlockClock(instrument.stream.sample_rate_hz, limits.read_timeout_s)


class RunLog(Protocol):
    """Where a run is logged; see `controller.runtime.log.writer` for the meaning of each."""

    def record(self, record: Record) -> None:
        """Add one record."""
        ...

    def section(self, section: Section) -> None:
        """Add a step of a protocol that has ended."""
        ...

    def baseband(self, baseband: Baseband) -> None:
        """Add both modes and all tones of one update."""
        ...

    def event(self, event: Event) -> None:
        """Add one event."""
        ...

    def tone(
        self, asked: Tone, set_: Tone | None, reason: str = "", *, at_index: int | None = None
    ) -> None:
        """Add one tone command, and what was really set; None: it was refused."""
        ...

    def allan(
        self,
        sample_index: int,
        series: str,
        taus_s: Sequence[float] | np.ndarray,
        deviations: Sequence[float] | np.ndarray,
        sigmas: Sequence[float] | np.ndarray,
    ) -> None:
        """Add the running Allan deviation of one series."""
        ...

    def result(self, name: str, result: Mapping[str, Any]) -> None:
        """Keep a result; a newer one of the same name replaces it."""
        ...

    def commit(self) -> None:
        """Commit what is buffered."""
        ...

    def commit_if_due(self, sample_index: int) -> None:
        """Commit if a second of stream time has passed."""
        ...

    def close(self, outcome: str, reason: str = "") -> None:
        """Commit and state how the run ended; may be called twice."""
        ...


class Loop(Protocol):
    """What the runner needs of an engine; see `controller.engine`."""

    def step(self, block: SampleBlock, requests: Sequence[Request] = ()) -> Step:
        """The tones, records and events that a block of samples leads to."""
        ...

    def tone_set(self, asked: Tone, actual: Tone | None, reason: str = "") -> Sequence[Event]:
        """Told what became of a tone command; None: it was refused."""
        ...

    def finish(self) -> Step:
        """The last records, after the stream has ended."""
        ...

    def stop_tones(self) -> Sequence[Tone]:
        """Every tone at amplitude 0, the pump first."""
        ...

    @property
    def finished(self) -> bool:
        """Whether the run has lasted as long as it should."""
        ...

    @property
    def failure(self) -> str | None:
        """Why the loop cannot lock, or None."""
        ...

    @property
    def status_line(self) -> str:
        """State in a few words, for the operator."""
        ...

    @property
    def results(self) -> Mapping[str, dict[str, Any]]:
        """What the run found, by name."""
        ...

    @property
    def allan(self) -> Mapping[str, Any]:
        """Running Allan deviations by series; see `controller.tracking.stability`."""
        ...


@dataclass(frozen=True, slots=True)
class Ending:
    """Why the stream was left."""

    outcome: str  # DONE, FAILED or INTERRUPTED
    reason: str = ""


class LoopRun:
    """The loop of one run; owned by the thread that calls the instrument.

    Parameters
    ----------
    engine : Loop
        The loop, new.
    instrument : Instrument
        Made, not started; started and stopped here.
    log : RunLog
        Where everything goes; closed here.
    limits : RunSettings
        How long a read may take, and how often it may fail.
    stop_request : StopRequest
        Looked at before each block.
    progress : callable, optional
        Shown stream time [s] and a status line about ten times a second of
        stream time.
    requests : callable, optional
        What operators ask.
    analyse : callable, optional
        Called after a protocol; None: its data are only logged.
    watch : callable, optional
        Shown each step after it is logged, and the stream time [s]; must not wait.
    clock : BlockClock, optional
        For a stream in real time: while blocks come late, the pump is off.
    """

    def __init__(
        self,
        engine: Loop,
        instrument: Instrument,
        log: RunLog,
        limits: RunSettings,
        stop_request: StopRequest,
        *,
        progress: Progress | None = None,
        requests: RequestSource = no_requests,
        analyse: Analyse | None = None,
        watch: Watch | None = None,
        clock: BlockClock | None = None,
    ) -> None:
        self.end_index = 0  # sample index at which the stream read so far ends
        self._engine = engine
        self._instrument = instrument
        self._log = log
        self._limits = limits
        self._progress = progress
        self._stop_request = stop_request
        self._requests = requests
        self._analyse = analyse
        self._watch = watch
        self._clock = clock
        self._rate_hz = instrument.stream.sample_rate_hz
        self._locked_modes: set[ModeId] = set()  # those that have been locked at some time
        self._refused_off: set[str] = set()  # channels whose last command, to go off, was refused
        self._next_allan_index = self._next_progress_index = 0
        self._analysis_failure = ""  # why a protocol has no results
        self._stop_failure = ""  # why the tones may still be on

    def to_the_end(self, folder: Path) -> Ending:
        """Stream until something ends it; leave every tone off and the log closed."""
        try:
            try:
                ending = self._stream()
            except (InstrumentError, RunFailed) as error:
                ending = Ending(FAILED, one_line(error))
            finally:
                # Also for an error of our own: nothing may stay on.
                silenced = self._silence()
            self._complete_log(silenced)
            self._write_truth(folder)
            if ending.outcome == DONE:
                ending = self._verdict()
            if self._stop_failure:
                reason = "; ".join(filter(None, (ending.reason, self._stop_failure)))
                ending = Ending(FAILED, reason)
            self._note("end", ending.reason or ending.outcome)
            self._log.close(ending.outcome, ending.reason)
            return ending
        except RunFailed as error:  # the log itself cannot be written
            return Ending(FAILED, one_line(error))
        except Exception as error:
            with suppress(RunFailed):
                self._log.close(
                    FAILED, f"internal error: {type(error).__name__}: {one_line(error)}"
                )
            raise
        finally:
            with suppress(RunFailed):
                self._log.close(FAILED, "ended by an internal error")

    def _stream(self) -> Ending:
        """Read, step and set tones until the run is over."""
        _call("start", self._instrument.start)
        self._note("start", f"{self._rate_hz:g} samples per second")
        with _quiet_collector():
            return self._blocks()

    def _blocks(self) -> Ending:
        """Block after block, to the end."""
        timeouts = 0
        while not self._engine.finished and self._engine.failure is None:
            if self._stop_request.is_set:
                return Ending(INTERRUPTED, STOPPED_BY_OPERATOR)
            try:
                block = self._read()
            except StreamEnded:
                break
            except StreamTimeout as error:
                timeouts += 1
                self._on_timeout(timeouts, one_line(error))
                continue
            timeouts = 0
            self._on_block(block)
        return Ending(DONE)

    def _verdict(self) -> Ending:
        """How a run ended that came to the end of its stream or its time."""
        if self._engine.failure is not None:
            return Ending(FAILED, self._engine.failure)
        if self._analysis_failure:
            return Ending(FAILED, self._analysis_failure)
        never = [mode for mode in ModeId if mode not in self._locked_modes]
        if never:
            return Ending(FAILED, f"the {' and the '.join(never)} mode never locked")
        return Ending(DONE)

    def _read(self) -> SampleBlock:
        """The next block, checked."""
        if self._clock is not None:
            self._clock.reading()
        block = _call("read", self._instrument.read, self._limits.read_timeout_s)
        samples = getattr(block, "samples", None)
        expected = np.dtype(self._instrument.stream.dtype)
        if not isinstance(block, SampleBlock):
            raise InstrumentFault(f"read() gave {type(block).__name__}, not a SampleBlock")
        if not isinstance(samples, np.ndarray):
            raise InstrumentFault(
                f"read() gave samples as {type(samples).__name__}, not as a numpy array"
            )
        if samples.ndim != 1 or not np.can_cast(samples.dtype, expected, "same_kind"):
            raise InstrumentFault(
                f"read() gave samples of type {samples.dtype} and shape {samples.shape}; "
                f"the stream says {expected} in one dimension"
            )
        try:
            first_sample = operator.index(block.first_sample)
        except TypeError:
            raise InstrumentFault(
                f"read() gave first_sample = {block.first_sample!r}; an index, a whole number, "
                "is needed"
            ) from None
        samples = samples.astype(expected, copy=False)
        return replace(block, first_sample=first_sample, samples=samples)

    def _on_block(self, block: SampleBlock) -> None:
        """One turn of the loop."""
        self.end_index = max(self.end_index, block.first_sample + len(block.samples))
        if self._clock is not None:
            self._judge_arrival(self._clock, len(block.samples))
        step = self._engine.step(block, self._requests())
        # A tone that goes off is never kept waiting by one that goes on.
        for tone in sorted(step.tones, key=_urgency):
            self._set_tone(tone)
        if self._clock is not None:
            self._clock.commanded()
        self._log_step(step)
        if self.end_index >= self._next_allan_index:
            self._next_allan_index = self.end_index + round(ALLAN_EVERY_S * self._rate_hz)
            self._log_allan()
        self._log.commit_if_due(self.end_index)
        if self._watch is not None:
            self._watch(step, self.end_index / self._rate_hz)
        if self._progress is not None and self.end_index >= self._next_progress_index:
            self._next_progress_index = self.end_index + round(PROGRESS_EVERY_S * self._rate_hz)
            self._progress(self.end_index / self._rate_hz, self._engine.status_line)

    def _judge_arrival(self, clock: BlockClock, samples: int) -> None:
        """While blocks lie in a queue they are history: the pump is off until they are fresh."""
        if clock.arrived(self.end_index, samples):
            text = f"a block came {clock.late_by_s:.3g} s late: the pump is off until there is none"
            self._note("late", text, source="stream")
        if clock.is_behind:
            self._silence_pump("blocks come late")

    def _silence_pump(self, reason: str) -> None:
        for tone in self._engine.stop_tones():
            if tone.channel == "pump":
                self._set_tone(tone, reason)

    def _on_timeout(self, count: int, text: str) -> None:
        """Pump off at the first block that stays away; a fault at too many."""
        reason = f"no block within {self._limits.read_timeout_s:g} s ({text})"
        self._note("timeout", reason, source="stream")
        if count == 1:
            self._silence_pump(reason)
        self._log.commit_if_due(self.end_index)
        if count > self._limits.timeouts_allowed:
            raise InstrumentFault(f"{reason}, {count} times in a row")

    def _set_tone(self, tone: Tone, reason: str = "") -> None:
        """Command one tone, and tell engine and log what became of it."""
        actual, refusal = self._command(tone)
        self._log_tone(tone, actual, refusal or reason)
        if actual is not None or tone.amplitude > 0.0:
            self._refused_off.discard(tone.channel)
        elif tone.channel in self._refused_off:
            # The engine asks again after one refusal; after two, only stop() is left.
            raise InstrumentFault(f"{tone.channel} could not be turned off: {refusal}")
        else:
            self._refused_off.add(tone.channel)

    def _command(self, tone: Tone) -> tuple[Tone | None, str]:
        """What the instrument really set, or None and why it refused."""
        try:
            actual = _call("set_tone", self._instrument.set_tone, tone)
        except ToneRefused as error:
            return None, one_line(error)
        if not isinstance(actual, Tone):
            raise InstrumentFault(f"set_tone() gave {type(actual).__name__}, not a Tone")
        if actual.channel != tone.channel:
            raise InstrumentFault(
                f"set_tone() gave a tone of {actual.channel!r} when asked for {tone.channel!r}"
            )
        for name in ("at_sample", "frequency_hz", "amplitude", "phase_rad"):
            value = getattr(actual, name)
            is_number = isinstance(value, Real) and math.isfinite(value)
            if not is_number and (name, value) != ("phase_rad", None):
                raise InstrumentFault(f"set_tone() gave a tone of {name} = {value!r}")
        return actual, ""

    def _silence(self) -> list[tuple[Tone, Tone | None, str]]:
        """Every tone off and the instrument stopped, whatever it answers."""
        done: list[tuple[Tone, Tone | None, str]] = []
        for tone in self._engine.stop_tones():
            try:
                done.append((tone, *self._command(tone)))
            except InstrumentError as error:
                done.append((tone, None, one_line(error)))
        try:
            _call("stop", self._instrument.stop)
        except InstrumentError as error:
            self._stop_failure = f"{one_line(error)}; look whether every tone is off"
        else:
            refused = [asked.channel for asked, actual, _ in done if actual is None]
            if refused:  # stop() should have turned them off, but that is its word alone
                self._stop_failure = (
                    f"{', '.join(refused)} refused to go off; look whether every tone is off"
                )
        return done

    def _complete_log(self, silenced: Sequence[tuple[Tone, Tone | None, str]]) -> None:
        """The last tones, records, deviations and results."""
        for asked, actual, reason in silenced:
            self._log_tone(asked, actual, reason or "end of the run")
        self._log_step(self._engine.finish())
        self._log_allan()
        results = dict(self._engine.results)
        for name, result in results.items():
            self._log.result(name, result)
        analysis = results.get("protocol", {}).get("analysis")
        if analysis is not None and self._analyse is not None:
            self._log.commit()
            found = self._analyse(analysis)
            self._log.result(analysis, found)
            if "failure" in found:
                self._analysis_failure = f"the analysis {analysis} failed: {found['failure']}"

    def _write_truth(self, folder: Path) -> None:
        """Let a simulated instrument leave its truth beside the run."""
        write_truth = getattr(self._instrument, "write_truth", None)
        if callable(write_truth):
            try:
                _call("write_truth", write_truth, folder)
            except InstrumentError as error:
                self._note("fault", one_line(error))

    def _log_step(self, step: Step) -> None:
        for record in step.records:
            self._log.record(record)
            self._locked_modes.update(_locked_in(record))
        for section in step.sections:
            self._log.section(section)
        for baseband in step.basebands if step.are_basebands_recorded else ():
            self._log.baseband(baseband)
        for event in step.events:
            self._log.event(event)
        for name, result in step.results.items():
            self._log.result(name, result)

    def _log_tone(self, asked: Tone, actual: Tone | None, reason: str) -> None:
        self._log.tone(asked, actual, reason, at_index=self.end_index)
        for event in self._engine.tone_set(asked, actual, reason):
            self._log.event(event)

    def _log_allan(self) -> None:
        for series, running in self._engine.allan.items():
            estimate = running.estimate()
            self._log.allan(
                self.end_index, series, estimate.taus_s, estimate.deviations, estimate.sigmas
            )

    def _note(self, kind: str, text: str, source: str = "run") -> None:
        """An event of the runtime itself."""
        self._log.event(
            Event(
                sample_index=self.end_index,
                time_s=self.end_index / self._rate_hz,
                source=source,
                kind=kind,
                text=text,
            )
        )


@contextmanager
def _quiet_collector() -> Iterator[None]:
    """Keep the garbage collector from the loop's way.

    What start-up made stays to the end and need not be looked at again, which would take
    tens of milliseconds in the middle of a run. The loop itself leaves hardly any cycles
    behind but makes small objects by the thousand: with the interpreter's threshold the
    collector takes a tenth of its time (measured: 54 against 65 times real time).
    """
    before = gc.get_threshold()
    gc.freeze()
    gc.set_threshold(COLLECT_AFTER, *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)
        gc.unfreeze()


def _call(name: str, method: Callable[..., Answer], *arguments: Any) -> Answer:
    """Call anybody's method: whatever it raises becomes an InstrumentError."""
    try:
        return method(*arguments)
    except InstrumentError:
        raise
    except (Exception, SystemExit) as error:  # a driver may want to end the whole program
        raise InstrumentFault(
            f"{name}() failed: {type(error).__name__}: {one_line(error)}"
        ) from error


def _urgency(tone: Tone) -> int:
    """Order of commands that come together: pump off, other tones off, the rest."""
    if tone.amplitude > 0.0:
        return 2
    return 0 if tone.channel == "pump" else 1


def _locked_in(record: Record) -> set[ModeId]:
    """The modes that a record shows locked."""
    return {mode for mode, r in record.modes.items() if r.state is TrackerState.LOCKED}
