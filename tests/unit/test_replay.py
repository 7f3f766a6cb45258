"""The loop for recordings: any block size, gaps, bad samples, and reasons for every failure."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.errors import InputError
from controller.instrument import SampleBlock, StreamFormat
from controller.records import Event, ModeId, Record, TrackerState
from controller.replay import ReplayEngine
from controller.replay_loops.close_pair_loop import ClosePairLoop
from controller.replay_loops.far_pair_loop import FarPairLoop
from controller.settings import LoopSettings, ModeSettings, ModesSettings, RunSettings
from tests.support.line_streams import TwoLines, blocks_of

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER
LINES = TwoLines(sample_rate_hz=500.0, duration_s=10.0, frequencies_hz=(100.0, 101.3))
STEADY = replace(LINES, decay_times_s=(math.inf, math.inf), duration_s=14.0)
FAR = TwoLines(
    sample_rate_hz=4000.0,
    duration_s=9.0,
    frequencies_hz=(700.2, 1250.7),
    noise_density=1e-4,
)
GIVEN_HZ = (100.02, 101.28)


@dataclass(frozen=True)
class Played:
    """What a replay gave."""

    engine: ReplayEngine
    records: list[Record]
    events: list[Event]

    @property
    def states(self) -> list[str]:
        """Changes of the lower line's state."""
        return [e.text for e in self.events if e.kind == "state" and e.source == "lower"]

    @property
    def lines(self) -> dict:
        """The results of both lines."""
        return dict(self.engine.results["lines"])

    def assert_true(self, spacing_hz: float) -> None:
        """Every locked record and the mean are within five of their sigmas."""
        # The record in which the engine locks may stand just before the lock.
        locked = [r for r in self.records if is_locked(r) and r.difference_hz is not None]
        assert len(locked) >= len([r for r in self.records if is_locked(r)]) - 1 > 0
        for record in locked:
            assert record.difference_hz is not None
            assert record.difference_sigma_hz is not None
            assert abs(record.difference_hz - spacing_hz) < 5.0 * record.difference_sigma_hz
        mean = self.lines["difference"]
        assert abs(mean["frequency_hz"] - spacing_hz) < 5.0 * mean["frequency_hz_sigma"]


def is_locked(record: Record) -> bool:
    """Whether both lines are locked."""
    return all(mode.state is TrackerState.LOCKED for mode in record.modes.values())


def played(
    blocks: Iterable[SampleBlock],
    stream: StreamFormat = LINES.stream,
    modes_hz: tuple[float, float] | None = GIVEN_HZ,
    loop_settings: LoopSettings | None = None,
) -> Played:
    """A stream led through a new engine."""
    engine = ReplayEngine(stream, modes_hz, loop_settings)
    steps = []
    for block in blocks:
        if engine.finished or engine.failure is not None:
            break
        steps.append(engine.step(block))
    steps.append(engine.finish())
    return Played(
        engine,
        [record for step in steps for record in step.records],
        [event for step in steps for event in step.events],
    )


def configured(run: RunSettings | None = None) -> LoopSettings:
    """Settings for the two lines."""
    lower, upper = (ModeSettings(frequency_hz=hz) for hz in GIVEN_HZ)
    modes = ModesSettings(lower=lower, upper=upper)
    return LoopSettings(modes=modes) if run is None else LoopSettings(modes=modes, run=run)


# -- what comes out ---------------------------------------------------------------


def test_close_lines_come_out_with_their_decay_times() -> None:
    run = played(blocks_of(LINES.made()[0], 25))
    run.assert_true(LINES.spacing_hz)
    for mode, frequency_hz, decay_s in zip(
        ("lower", "upper"), LINES.frequencies_hz, LINES.decay_times_s, strict=True
    ):
        line = run.lines[mode]
        assert abs(line["frequency_hz"] - frequency_hz) < 5.0 * line["frequency_hz_sigma"]
        assert abs(line["decay_time_s"] - decay_s) < 5.0 * line["decay_time_s_sigma"]


def test_far_lines_come_out_with_their_decay_times() -> None:
    run = played(blocks_of(FAR.made()[0], 200), FAR.stream, (700.0, 1251.0))
    run.assert_true(FAR.spacing_hz)
    for mode, decay_s in zip(("lower", "upper"), FAR.decay_times_s, strict=True):
        line = run.lines[mode]
        assert abs(line["decay_time_s"] - decay_s) < 5.0 * line["decay_time_s_sigma"]


@pytest.mark.parametrize(
    ("lines", "modes_hz"), [(LINES, GIVEN_HZ), (FAR, (700.0, 1251.0))], ids=["close", "far"]
)
def test_the_beginning_is_followed_too(lines: TwoLines, modes_hz: tuple[float, float]) -> None:
    run = played(blocks_of(lines.made()[0], 100), lines.stream, modes_hz)
    known = [record for record in run.records if record.modes[LOWER].frequency_hz is not None]
    # What filters and first updates take; not what finding takes.
    assert known[0].time_s < 1.0
    assert [r.sample_index for r in run.records] == sorted(r.sample_index for r in run.records)


def test_a_complex_stream_reads_the_same() -> None:
    for center_hz in (0.0, 90.0):
        lines = replace(LINES, center_hz=center_hz)
        run = played(blocks_of(lines.made()[0], 100), lines.stream)
        run.assert_true(LINES.spacing_hz)
        assert run.lines["lower"]["frequency_hz"] == pytest.approx(100.0, abs=0.01)


def test_integer_samples_read_in_metres() -> None:
    samples = np.round(1000.0 * LINES.made()[0]).astype(np.int16)
    stream = StreamFormat(LINES.sample_rate_hz, 0.0, "int16", 1.0e-12, 32767.0)
    run = played(blocks_of(samples, 100), stream)
    run.assert_true(LINES.spacing_hz)
    first = next(record for record in run.records if is_locked(record))
    expected = 1.0e-9 * math.exp(-first.time_s / LINES.decay_times_s[0])
    assert first.modes[LOWER].amplitude == pytest.approx(expected, rel=0.02)


def test_close_lines_are_found_in_the_spectrum() -> None:
    run = played(blocks_of(STEADY.made()[0], 100), modes_hz=None)
    run.assert_true(STEADY.spacing_hz)
    assert run.events[0].text.startswith("lines at ")


def test_a_pair_is_found_between_gaps() -> None:
    lines = replace(STEADY, duration_s=20.0)
    blocks = list(blocks_of(lines.made()[0], 100, lost=(1500, 2500)))
    blocks[3] = replace(blocks[3], samples=np.full(100, np.nan, dtype=np.float32))
    played(blocks, modes_hz=None).assert_true(STEADY.spacing_hz)


@settings(deadline=None, max_examples=6, derandomize=True)
@given(block_samples=st.sampled_from([1, 7, 64, 500, 4999, 1_000_000]))
def test_any_block_size_gives_the_same_records(block_samples: int) -> None:
    samples = LINES.made()[0][:3000]
    run, usual = (played(blocks_of(samples, count)) for count in (block_samples, 100))
    assert [r.sample_index for r in run.records] == [r.sample_index for r in usual.records]
    for record, other in zip(run.records, usual.records, strict=True):
        assert record.modes[LOWER].state is other.modes[LOWER].state
        if other.difference_hz is not None:
            # The filter sums in single precision: 1e-7 of the largest sample, noise is 1e-2.
            assert record.difference_hz == pytest.approx(
                other.difference_hz, abs=1e-2 * other.difference_sigma_hz
            )


def test_the_same_recording_gives_the_same_numbers() -> None:
    samples = LINES.made()[0]
    first, second = (played(blocks_of(samples, 100)) for _ in range(2))
    assert first.records == second.records
    assert first.engine.results == second.engine.results


# -- gaps and unfit samples --------------------------------------------------------


def test_phases_go_on_over_a_gap() -> None:
    run = played(blocks_of(STEADY.made()[0], 100, lost=(4000, 5000)))
    run.assert_true(STEADY.spacing_hz)
    assert [text.split(":")[0] for text in run.states] == [
        "searching -> pulling_in",
        "pulling_in -> locked",
        "locked -> holding",
        "holding -> locked",
    ]
    assert any(event.kind == "gap" and "1000 samples lost" in event.text for event in run.events)
    in_gap = [r for r in run.records if 4000 <= r.sample_index < 5000]
    assert in_gap == []


def test_no_allan_difference_reaches_over_a_gap() -> None:
    lines = replace(STEADY, frequencies_hz=(100.0, 101.3))
    samples = lines.made()[0]
    whole = played(blocks_of(samples, 100)).engine.allan["difference"].estimate()
    cut = played(blocks_of(samples, 100, lost=(4000, 4500))).engine.allan["difference"].estimate()
    assert len(cut.taus_s) < len(whole.taus_s)


def test_after_a_gap_that_is_too_long_the_lines_are_looked_for_again() -> None:
    samples = STEADY.made()[0]
    late = [
        replace(
            block, first_sample=block.first_sample + (10**7 if block.first_sample > 3000 else 0)
        )
        for block in blocks_of(samples, 100)
    ]
    run = played(late)
    run.assert_true(STEADY.spacing_hz)
    assert any("lost -> searching" in text for text in run.states)
    assert is_locked(run.records[-1])


def test_numbers_that_are_not_finite_are_a_gap() -> None:
    samples = STEADY.made()[0]
    samples[4000:4050] = np.nan
    run = played(blocks_of(samples, 100))
    run.assert_true(STEADY.spacing_hz)
    assert any("not finite" in event.text for event in run.events)


def test_a_block_that_comes_twice_is_passed_over() -> None:
    blocks = list(blocks_of(STEADY.made()[0], 100))
    run = played([*blocks[:30], blocks[10], *blocks[30:]])
    run.assert_true(STEADY.spacing_hz)
    assert any("went backwards" in event.text for event in run.events)


def test_a_lasting_overload_is_told_twice_not_with_every_block() -> None:
    blocks = [
        replace(block, overload=2000 <= block.first_sample < 4000)
        for block in blocks_of(STEADY.made()[0], 100)
    ]
    run = played(blocks)
    told = [(event.kind, event.text) for event in run.events if event.source == "stream"]
    assert told == [("unfit", "overload"), ("fit", "all is well again")]


def test_lines_that_die_are_held_and_found_again_when_they_are_struck_anew() -> None:
    dying = replace(LINES, decay_times_s=(0.8, 1.0), duration_s=14.0)
    samples = np.concatenate([dying.made()[0], replace(LINES, seed=1).made()[0]])
    run = played(blocks_of(samples, 100))
    run.assert_true(LINES.spacing_hz)
    assert any("locked -> holding" in text for text in run.states)
    assert is_locked(run.records[-1])


# -- how it ends ---------------------------------------------------------------------


def test_a_recording_that_is_too_short_says_how_long_it_has_to_be() -> None:
    samples = LINES.made()[0]
    run = played(blocks_of(samples[:700], 100))
    assert run.engine.results == {}
    told = re.search(r"told apart in ([\d.]+) s without a gap", run.engine.failure or "")
    assert told
    # That and an update more, a beat's sixth.
    enough = round((float(told[1]) + 1.0 / 1.3) * LINES.sample_rate_hz)
    assert played(blocks_of(samples[:enough], 100)).engine.failure is None


def test_silence_and_noise_fail_with_a_reason() -> None:
    noise = np.random.default_rng(3).standard_normal(5000).astype(np.float32)
    for samples in (noise, np.zeros(5000, dtype=np.float32)):
        run = played(blocks_of(samples, 100))
        assert "100.02 and 101.28 Hz" in (run.engine.failure or "")
        assert not run.engine.has_locked
        assert {r.modes[LOWER].state for r in run.records} <= {TrackerState.SEARCHING}


def test_a_recording_without_lines_fails_with_a_reason() -> None:
    noise = np.random.default_rng(3).standard_normal(5000).astype(np.float32)
    assert "no pair of narrow lines" in (
        played(blocks_of(noise, 100), modes_hz=None).engine.failure or ""
    )
    few = played(blocks_of(noise[:100], 100), modes_hz=None)
    assert "too few for a spectrum" in (few.engine.failure or "")
    assert "no pair" in (played([], modes_hz=None).engine.failure or "")


def test_far_lines_that_are_not_there_fail_with_a_reason() -> None:
    noise = np.random.default_rng(3).standard_normal(20_000).astype(np.float32)
    run = played(blocks_of(noise, 200), FAR.stream, (700.0, 1251.0))
    assert run.engine.failure
    assert run.engine.results == {}


def test_without_a_configured_duration_a_recording_is_followed_to_its_end() -> None:
    samples = STEADY.made()[0]
    for loop_settings in (None, configured(), configured(RunSettings(record_rate_hz=5.0))):
        run = played(blocks_of(samples, 100), loop_settings=loop_settings)
        assert run.records[-1].time_s > STEADY.duration_s - 2.0


def test_a_configured_duration_ends_the_replay_after_the_lock() -> None:
    run = played(
        blocks_of(STEADY.made()[0], 100), loop_settings=configured(RunSettings(duration_s=4.0))
    )
    first = next(record for record in run.records if is_locked(record))
    # To a block and the filter's delay.
    assert 4.0 <= run.records[-1].time_s - first.time_s + 2.0 < 6.5
    assert run.engine.finished


# -- what it refuses -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("modes_hz", "words"),
    [
        ((101.3, 100.0), "the second has to be above the first"),
        ((100.0, 100.0), "the second has to be above the first"),
        ((100.0, 251.0), "251 Hz is outside the stream, which covers 0 to 250 Hz"),
        ((-1.0, 100.0), "-1 Hz is outside the stream"),
        ((1.0, 2.0), "modes 1,2: no baseband of this stream holds both lines"),
        ((20.0, 110.0), "modes 20,110: no baseband of this stream holds both lines"),
    ],
)
def test_lines_that_do_not_fit_the_stream_are_refused(
    modes_hz: tuple[float, float], words: str
) -> None:
    with pytest.raises(InputError, match=words):
        ReplayEngine(LINES.stream, modes_hz, None)


def test_it_has_no_tones_and_shows_its_state() -> None:
    engine = ReplayEngine(LINES.stream, GIVEN_HZ, None)
    assert engine.stop_tones() == ()
    assert "searching" in repr(engine)
    engine = played(blocks_of(LINES.made()[0], 100)).engine
    assert "locked/locked  difference 1.3" in repr(engine)
    assert repr(ReplayEngine(LINES.stream, None, None)) == "ReplayEngine(reading, to find lines)"


def test_the_spacing_decides_the_loop() -> None:
    engine = ReplayEngine(FAR.stream, (700.0, 760.0), None)
    assert isinstance(engine._loop, ClosePairLoop)
    engine = ReplayEngine(FAR.stream, (700.0, 1251.0), None)
    assert isinstance(engine._loop, FarPairLoop)
