"""The runner: the order in which things are switched, whatever the instrument does."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from controller.engine import Step
from controller.errors import InputError, RunFailed
from controller.instrument import (
    InstrumentFault,
    SampleBlock,
    StreamTimeout,
    Tone,
    ToneRefused,
)
from controller.records import Event, ModeId, ModeRecord, Record, TrackerState
from controller.runtime import runner
from controller.runtime.log.writer import LogWriter
from controller.runtime.runner import Outcome, run_loop
from controller.settings import RunSettings
from controller.supervisor.requests import Request, RequestKind
from tests.support.instruments import RATE_HZ, ScriptedInstrument, WithTruth

PUMP_ON = Tone("pump", 0, 50.0, 0.5)
PUMP_OFF = Tone("pump", 0, 50.0, 0.0)
DRIVE_ON = Tone("drive_lower", 0, 100.0, 0.1)


class FakeEngine:
    """Locks at once, sends the tones of a script, and remembers what it is told."""

    def __init__(self, tones: Mapping[int, tuple[Tone, ...]] | None = None) -> None:
        self.tones_at_step = dict(tones or {})
        self.state = TrackerState.LOCKED
        self.finished = False
        self.failure: str | None = None
        self.status_line = "locked"
        self.results: dict[str, dict[str, Any]] = {"lines": {"spacing_hz": 5.0}}
        self.allan = {"difference": SimpleNamespace(estimate=self._estimate)}
        self.blocks: list[SampleBlock] = []
        self.requests: list[tuple[Request, ...]] = []  # that came with each block
        self.told: list[tuple[Tone, Tone | None, str]] = []

    def _estimate(self) -> SimpleNamespace:
        values = np.array([1.0])
        return SimpleNamespace(taus_s=values, deviations=values, sigmas=values)

    def step(self, block: SampleBlock, requests: Sequence[Request] = ()) -> Step:
        """A record for each block, and what the script says."""
        self.blocks.append(block)
        self.requests.append(tuple(requests))
        index = block.first_sample + len(block.samples)
        mode = ModeRecord(state=self.state)
        record = Record(
            sample_index=index, time_s=index / RATE_HZ, modes=dict.fromkeys(ModeId, mode)
        )
        tones = self.tones_at_step.get(len(self.blocks), ())
        return Step(tones=tones, records=(record,), events=())

    def tone_set(self, asked: Tone, actual: Tone | None, reason: str = "") -> tuple[Event, ...]:
        """Remember what became of a tone."""
        self.told.append((asked, actual, reason))
        return ()

    def finish(self) -> Step:
        """Nothing is left."""
        return Step(tones=(), records=(), events=())

    def stop_tones(self) -> tuple[Tone, ...]:
        """Pump first."""
        return tuple(Tone(name, 0, 1.0, 0.0) for name in ("pump", "drive_lower", "drive_upper"))


@pytest.fixture(autouse=True)
def written(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[Path]]:
    """Folders for which outputs were written, instead of the outputs."""
    folders: list[Path] = []

    def write_outputs(folder: Path, log_path: Path) -> dict[str, Any]:
        folders.append(folder)
        return {"schema": "difftone.summary/1"}

    monkeypatch.setattr(runner, "write_outputs", write_outputs)
    yield folders


def run_on(
    tmp_path: Path,
    instrument: ScriptedInstrument,
    engine: FakeEngine | None = None,
    **options: Any,
) -> Outcome:
    """One run of the loop."""
    return run_loop(
        engine or FakeEngine(), instrument, tmp_path / "run", None, RunSettings(), **options
    )


def logged(tmp_path: Path, query: str) -> list[tuple[Any, ...]]:
    """Rows of the log."""
    with sqlite3.connect(tmp_path / "run" / "log.sqlite") as database:
        return database.execute(query).fetchall()


def assert_safe(instrument: ScriptedInstrument) -> None:
    """Nothing puts out a tone, and the instrument was stopped."""
    assert not any(instrument.amplitudes.values())
    assert "stop" in instrument.calls


def test_a_stream_that_ends_is_a_run_that_is_done(tmp_path: Path, written: list[Path]) -> None:
    instrument = ScriptedInstrument(blocks=20)
    outcome = run_on(tmp_path, instrument)
    assert (outcome.status, outcome.outcome, outcome.reason) == (0, "done", "")
    assert outcome.stream_s == 2.0
    assert written == [tmp_path / "run"]
    assert_safe(instrument)
    assert logged(tmp_path, "SELECT outcome FROM run") == [("done",)]
    assert logged(tmp_path, "SELECT count(*) FROM records") == [(20,)]
    assert json.loads(logged(tmp_path, "SELECT value FROM results")[0][0]) == {"spacing_hz": 5.0}


def test_what_operators_ask_comes_with_the_next_block(tmp_path: Path) -> None:
    engine, mute = FakeEngine(), Request(kind=RequestKind.MUTE)
    asked = iter([(), (mute,), ()])
    run_on(tmp_path, ScriptedInstrument(blocks=3), engine, requests=lambda: next(asked))
    assert engine.requests == [(), (mute,), ()]


def test_every_tone_is_set_and_the_engine_told_what_came_of_it(tmp_path: Path) -> None:
    class Rounding(ScriptedInstrument):
        def set_tone(self, tone: Tone) -> Tone:
            return super().set_tone(replace(tone, frequency_hz=round(tone.frequency_hz)))

    asked = replace(DRIVE_ON, frequency_hz=100.4)
    engine = FakeEngine({3: (asked,)})
    run_on(tmp_path, Rounding(), engine)
    assert engine.told[0] == (asked, DRIVE_ON, "")
    row = logged(tmp_path, "SELECT asked_frequency_hz, set_frequency_hz, time_s FROM tones")[0]
    assert row == (100.4, 100.0, 0.3)


def test_a_pump_that_goes_off_goes_first(tmp_path: Path) -> None:
    drive_off = replace(DRIVE_ON, amplitude=0.0)
    upper_on = replace(DRIVE_ON, channel="drive_upper")
    engine = FakeEngine({1: (DRIVE_ON, PUMP_ON), 2: (upper_on, drive_off, PUMP_OFF)})
    instrument = ScriptedInstrument()
    run_on(tmp_path, instrument, engine)
    assert instrument.tones_set[2:5] == [PUMP_OFF, drive_off, upper_on]


def test_at_the_end_the_pump_goes_off_first_then_the_drives_then_stop(tmp_path: Path) -> None:
    instrument = ScriptedInstrument()
    run_on(tmp_path, instrument, FakeEngine({1: (PUMP_ON, DRIVE_ON)}))
    assert [tone.channel for tone in instrument.tones_set[-3:]] == [
        "pump",
        "drive_lower",
        "drive_upper",
    ]
    assert instrument.calls[-4:] == ["set_tone", "set_tone", "set_tone", "stop"]


def test_a_refused_tone_is_logged_and_the_run_goes_on(tmp_path: Path) -> None:
    instrument = ScriptedInstrument(faults={("set_tone", 1): ToneRefused("above the limit")})
    engine = FakeEngine({1: (DRIVE_ON,)})
    assert run_on(tmp_path, instrument, engine).status == 0
    assert engine.told[0] == (DRIVE_ON, None, "above the limit")
    rows = logged(tmp_path, "SELECT set_amplitude, reason FROM tones")
    assert rows[0] == (None, "above the limit")


@pytest.mark.parametrize(("refusals", "status"), [((2,), 0), ((2, 3), 1)])
def test_a_tone_that_twice_cannot_be_turned_off_ends_the_run(
    tmp_path: Path, refusals: tuple[int, ...], status: int
) -> None:
    faults = {("set_tone", n): ToneRefused("no") for n in refusals}
    instrument = ScriptedInstrument(faults=faults)
    engine = FakeEngine({1: (PUMP_ON,), 2: (PUMP_OFF,), 3: (PUMP_OFF,)})
    outcome = run_on(tmp_path, instrument, engine)
    assert outcome.status == status
    assert outcome.reason == ("pump could not be turned off: no" if status else "")
    assert_safe(instrument)


# --- runs that fail ------------------------------------------------------


def test_a_stream_that_ends_before_a_lock_is_a_failure(tmp_path: Path) -> None:
    engine = FakeEngine()
    engine.state = TrackerState.PULLING_IN
    outcome = run_on(tmp_path, ScriptedInstrument(), engine)
    assert (outcome.status, outcome.reason) == (1, "the lower and the upper mode never locked")
    assert logged(tmp_path, "SELECT outcome, reason FROM run") == [("failed", outcome.reason)]


def test_an_engine_that_cannot_lock_ends_the_run(tmp_path: Path, written: list[Path]) -> None:
    engine = FakeEngine()
    engine.failure = "no line within 200 Hz of 1183000 Hz"
    instrument = ScriptedInstrument()
    outcome = run_on(tmp_path, instrument, engine)
    assert (outcome.status, outcome.reason) == (1, engine.failure)
    assert_safe(instrument)
    assert written


def test_one_late_block_turns_the_pump_off_and_the_run_goes_on(tmp_path: Path) -> None:
    instrument = ScriptedInstrument(faults={("read", 3): StreamTimeout("late")})
    engine = FakeEngine({1: (PUMP_ON, DRIVE_ON)})
    assert run_on(tmp_path, instrument, engine).status == 0
    assert [(t.channel, t.amplitude) for t in instrument.tones_set[:3]] == [
        ("pump", 0.5),
        ("drive_lower", 0.1),
        ("pump", 0.0),
    ]
    asked, actual, reason = engine.told[2]
    assert asked.channel == "pump" and actual is not None and "no block within 1 s" in reason
    assert len(engine.blocks) == 20


def test_repeated_timeouts_are_a_fault(tmp_path: Path, written: list[Path]) -> None:
    faults = {("read", n): StreamTimeout("late") for n in range(3, 100)}
    instrument = ScriptedInstrument(faults=faults)
    outcome = run_on(tmp_path, instrument)
    assert outcome.status == 1
    assert outcome.reason == "no block within 1 s (late), 4 times in a row"
    assert instrument.calls.count("read") == 2 + 4
    assert_safe(instrument)
    assert written
    assert logged(tmp_path, "SELECT count(*) FROM events WHERE kind = 'timeout'") == [(4,)]


@pytest.mark.parametrize("method", ["start", "read", "set_tone"])
@pytest.mark.parametrize("error", [InstrumentFault("no power"), RuntimeError("a\nb"), KeyError(3)])
def test_whatever_an_instrument_raises_is_a_fault(
    tmp_path: Path, written: list[Path], method: str, error: Exception
) -> None:
    instrument = ScriptedInstrument(faults={(method, 1): error})
    outcome = run_on(tmp_path, instrument, FakeEngine({2: (PUMP_ON,)}))
    assert outcome.status == 1
    assert "\n" not in outcome.reason
    assert ("no power" in outcome.reason) or (f"{method}() failed" in outcome.reason)
    assert_safe(instrument)
    assert written


def test_an_instrument_that_fails_in_everything_is_still_stopped(tmp_path: Path) -> None:
    error = OSError("unplugged")
    faults = {("read", 2): error, ("set_tone", 0): error, ("stop", 0): error}
    instrument = ScriptedInstrument(faults=faults)
    outcome = run_on(tmp_path, instrument)
    assert outcome.status == 1
    assert instrument.calls[-1] == "stop"
    rows = logged(tmp_path, "SELECT channel, set_amplitude FROM tones")
    assert rows == [("pump", None), ("drive_lower", None), ("drive_upper", None)]


def test_a_stop_that_fails_fails_the_run(tmp_path: Path) -> None:
    instrument = ScriptedInstrument(faults={("stop", 0): OSError("unplugged")})
    outcome = run_on(tmp_path, instrument)
    assert outcome.status == 1 and outcome.outcome == "failed"
    assert outcome.reason == "stop() failed: OSError: unplugged; look whether every tone is off"


def test_a_tone_that_refuses_to_go_off_at_the_end_fails_the_run(tmp_path: Path) -> None:
    instrument = ScriptedInstrument(faults={("set_tone", 1): ToneRefused("no answer")})
    outcome = run_on(tmp_path, instrument)
    assert outcome.status == 1
    assert outcome.reason == "pump refused to go off; look whether every tone is off"
    assert_safe(instrument)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"channel": "drive_upper"}, "a tone of 'drive_upper' when asked for 'pump'"),
        ({"amplitude": float("nan")}, "a tone of amplitude = nan"),
        ({"frequency_hz": float("inf")}, "a tone of frequency_hz = inf"),
        ({"at_sample": None}, "a tone of at_sample = None"),
    ],
)
def test_a_tone_that_cannot_have_been_set_is_a_fault(
    tmp_path: Path, changes: dict[str, Any], message: str
) -> None:
    instrument = ScriptedInstrument()
    instrument.set_tone = lambda tone: replace(tone, **changes) if tone == PUMP_ON else tone  # type: ignore[method-assign]
    outcome = run_on(tmp_path, instrument, FakeEngine({1: (PUMP_ON,)}))
    assert outcome.status == 1 and message in outcome.reason


def test_a_driver_that_wants_to_end_the_program_is_a_fault(tmp_path: Path) -> None:
    instrument = ScriptedInstrument(faults={("read", 2): SystemExit(3)})
    outcome = run_on(tmp_path, instrument)
    assert outcome.status == 1 and outcome.reason == "read() failed: SystemExit: 3"
    assert_safe(instrument)


def test_each_call_may_fail_in_turn(tmp_path: Path) -> None:
    """The n-th call fails, n = 1, 2, ... until a run is untouched."""
    for method in ("read", "set_tone"):
        for n in range(1, 100):
            instrument = ScriptedInstrument(blocks=5, faults={(method, n): ValueError("no")})
            engine = FakeEngine({2: (PUMP_ON, DRIVE_ON), 4: (PUMP_OFF,)})
            outcome = run_on(tmp_path / f"{method}{n}", instrument, engine)
            assert instrument.calls[-1] == "stop"
            if instrument.calls.count(method) < n:
                assert outcome.status == 0
                break
        else:
            pytest.fail("no run was untouched")


@pytest.mark.parametrize(
    ("answer", "message"),
    [
        (None, "gave NoneType, not a SampleBlock"),
        (SampleBlock(0, [1.0, 2.0], False), "samples as list, not as a numpy array"),  # type: ignore[arg-type]
        (SampleBlock(0.5, np.zeros(2, np.float32), False), "first_sample = 0.5; an index"),  # type: ignore[arg-type]
        (SampleBlock(None, np.zeros(2, np.float32), False), "first_sample = None; an index"),  # type: ignore[arg-type]
        (SampleBlock(0, np.zeros((2, 2), np.float32), False), "in one dimension"),
        (SampleBlock(0, np.zeros(2, np.complex64), False), "the stream says float32"),
    ],
)
def test_a_block_of_the_wrong_kind_is_a_fault(tmp_path: Path, answer: object, message: str) -> None:
    instrument = ScriptedInstrument()
    instrument.read = lambda timeout_s: answer  # type: ignore[method-assign]
    outcome = run_on(tmp_path, instrument)
    assert outcome.status == 1
    assert message in outcome.reason


def test_samples_of_higher_precision_are_taken(tmp_path: Path) -> None:
    instrument = ScriptedInstrument()
    blocks = iter([SampleBlock(0, np.ones(100), False)])
    instrument.read = lambda timeout_s: next(blocks)  # type: ignore[method-assign]
    engine = FakeEngine()
    run_on(tmp_path, instrument, engine)
    assert engine.blocks[0].samples.dtype == np.float32


def test_a_setter_that_returns_no_tone_is_a_fault(tmp_path: Path) -> None:
    instrument = ScriptedInstrument()
    instrument.set_tone = lambda tone: None  # type: ignore[method-assign,assignment,return-value]
    outcome = run_on(tmp_path, instrument, FakeEngine({1: (DRIVE_ON,)}))
    assert outcome.status == 1
    assert outcome.reason.startswith("set_tone() gave NoneType, not a Tone; pump, drive_lower,")


def test_a_full_disk_ends_the_run_with_every_tone_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(self: LogWriter) -> None:
        raise RunFailed("log.sqlite: the log cannot be written (disk full)")

    monkeypatch.setattr(LogWriter, "commit", full)
    instrument = ScriptedInstrument()
    outcome = run_on(tmp_path, instrument, FakeEngine({1: (PUMP_ON,)}))
    assert outcome.status == 1
    assert "disk full" in outcome.reason
    assert_safe(instrument)


def test_an_error_of_our_own_leaves_nothing_on(tmp_path: Path) -> None:
    class Broken(FakeEngine):
        def step(self, block: SampleBlock, requests: Sequence[Request] = ()) -> Step:
            if len(self.blocks) == 3:
                raise ZeroDivisionError("a defect")
            return super().step(block, requests)

    instrument = ScriptedInstrument()
    with pytest.raises(ZeroDivisionError):
        run_on(tmp_path, instrument, Broken({1: (PUMP_ON,)}))
    assert_safe(instrument)
    assert logged(tmp_path, "SELECT outcome FROM run") == [("failed",)]
    assert logged(tmp_path, "SELECT count(*) FROM records") == [(3,)]


# --- the operator --------------------------------------------------------


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_the_run_in_order(tmp_path: Path, number: signal.Signals) -> None:
    before = signal.getsignal(number)
    instrument = ScriptedInstrument()
    instrument.on_read = lambda n: os.kill(os.getpid(), number) if n == 5 else None
    engine = FakeEngine({1: (PUMP_ON, DRIVE_ON)})
    outcome = run_on(tmp_path, instrument, engine)
    assert (outcome.status, outcome.outcome) == (0, "interrupted")
    assert outcome.reason == "stopped by the operator"
    assert len(engine.blocks) == 6
    assert_safe(instrument)
    assert logged(tmp_path, "SELECT count(*) FROM records") == [(6,)]
    assert signal.getsignal(number) is before


def test_a_second_signal_ends_the_run_at_once(tmp_path: Path) -> None:
    def twice(block_number: int) -> None:
        os.kill(os.getpid(), signal.SIGINT)
        os.kill(os.getpid(), signal.SIGINT)

    instrument = ScriptedInstrument()
    instrument.on_read = twice
    with pytest.raises(KeyboardInterrupt):
        run_on(tmp_path, instrument)
    assert_safe(instrument)
    assert logged(tmp_path, "SELECT outcome FROM run") == [("failed",)]


# --- the folder, the truth, the display ----------------------------------


def test_a_folder_of_another_run_is_refused_before_anything_starts(tmp_path: Path) -> None:
    run_on(tmp_path, ScriptedInstrument())
    instrument = ScriptedInstrument()
    with pytest.raises(InputError, match=r"--out .*run: holds log.sqlite of another run"):
        run_on(tmp_path, instrument)
    assert instrument.calls == []


def test_a_folder_that_cannot_be_made_is_refused(tmp_path: Path) -> None:
    (tmp_path / "run").write_text("a file")
    with pytest.raises(InputError, match=r"--out .*run: cannot be made"):
        run_on(tmp_path, ScriptedInstrument())


def test_the_truth_is_written_after_the_stop(tmp_path: Path) -> None:
    instrument = WithTruth()
    run_on(tmp_path, instrument)
    assert instrument.calls[-2:] == ["stop", "write_truth"]
    assert (tmp_path / "run" / "truth.json").exists()


def test_the_display_is_shown_stream_time_and_status(tmp_path: Path) -> None:
    shown: list[tuple[float, str]] = []
    run_on(tmp_path, ScriptedInstrument(), progress=lambda t, line: shown.append((t, line)))
    assert shown[0] == (0.1, "locked")
    assert shown[-1] == (2.0, "locked")


def test_running_deviations_are_logged_every_ten_seconds_and_at_the_end(tmp_path: Path) -> None:
    run_on(tmp_path, ScriptedInstrument(blocks=250))
    rows = logged(tmp_path, "SELECT DISTINCT time_s FROM allan ORDER BY time_s")
    assert [time_s for (time_s,) in rows] == [0.1, 10.1, 20.1, 25.0]
