"""The engine: one clock, any blocks, requests heard everywhere, rows from the first sample."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from controller.engine import Engine, Step
from controller.errors import InputError
from controller.instrument import SampleBlock, StreamFormat, Tone
from controller.records import ModeId, PumpState
from controller.settings import LoopSettings
from controller.supervisor.requests import RequestKind
from tests.support.rehearsals import Rehearsal, prepared, request, with_pump_early

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER
FAULTS = "instrument.options.faults."


def reblocked(lengths: Sequence[int]) -> Callable[[SampleBlock], list[SampleBlock]]:
    """Cut what the simulator gives into blocks of other lengths, in turn."""
    turn = 0

    def cut(block: SampleBlock) -> list[SampleBlock]:
        nonlocal turn
        blocks, start = [], 0
        while start < len(block.samples):
            stop = start + lengths[turn % len(lengths)]
            turn += 1
            samples = block.samples[start:stop]
            blocks.append(SampleBlock(block.first_sample + start, samples, block.overload))
            start = stop
        return blocks

    return cut


def shifted(by: int) -> Callable[[SampleBlock], list[SampleBlock]]:
    return lambda block: [replace(block, first_sample=block.first_sample + by)]


def locked_s(rehearsal: Rehearsal) -> float:
    """When both modes were first locked [s]."""
    locked: set[ModeId] = set()
    for event in rehearsal.events:
        if event.kind == "state" and "-> locked" in event.text:
            locked.add(ModeId(event.source))
            if len(locked) == 2:
                return event.time_s
    raise AssertionError("never locked")


# -- from the first block to the last -------------------------------------------------


def test_it_locks_and_puts_the_pump_on() -> None:
    run = prepared(overrides=with_pump_early()).until(12.0)
    assert run.engine.has_locked and run.pump_is_on()
    assert run.engine.status_line.startswith("locked/locked  difference 6643.2")
    assert "pump on" in repr(run.engine)


def test_the_duration_counts_from_the_lock_of_both_modes() -> None:
    run = prepared(overrides={"run.duration_s": 2.0}).until()
    assert run.engine.finished
    assert run.end_index / run.rate_hz == pytest.approx(locked_s(run) + 2.0, abs=0.021)


def test_rows_come_ten_times_a_second_from_the_first_sample_and_never_back() -> None:
    run = prepared().until(10.0)
    times_s = run.times_s()
    assert times_s[0] == 0.0
    steps_s = np.diff(times_s)
    assert steps_s.min() > 0.0
    # One longer step: the filter of the trackers begins when the search has ended.
    assert np.sum(np.abs(steps_s - 0.1) > 1e-9) <= 1 and steps_s.max() < 0.3


@pytest.mark.parametrize("rate_hz", [1.0, 10.0, 25.0])
def test_rows_come_as_often_as_asked(rate_hz: float) -> None:
    run = prepared(overrides={"run.record_rate_hz": rate_hz}).until(12.0)
    times_s = run.times_s()
    followed = times_s[times_s > 7.0]
    assert np.median(np.diff(followed)) == pytest.approx(1.0 / rate_hz)


def test_nothing_is_claimed_before_the_lock() -> None:
    run = prepared().until(8.0)
    first_s = locked_s(run)
    for record in run.records:
        if record.time_s < first_s - 0.1:
            assert record.difference_hz is None
    assert run.records[-1].difference_hz is not None


def test_at_the_end_the_pump_goes_off_first_and_that_is_no_mute() -> None:
    run = prepared(overrides=with_pump_early()).until(12.0)
    count = len(run.tones)
    run.finish()
    assert [t.asked.channel for t in run.tones[count:]] == ["pump", "drive_lower", "drive_upper"]
    assert all(t.asked.amplitude == 0.0 for t in run.tones[count:])
    assert run.events_of("pump", "mute") == []
    assert run.events[-1].text == "on -> off: the run has ended"


def test_before_the_first_block_every_tone_can_be_stopped() -> None:
    engine = prepared().engine
    assert engine.status_line == "starting"
    assert [tone.amplitude for tone in engine.stop_tones()] == [0.0, 0.0, 0.0]
    assert engine.finish().records == ()


# -- blocks -----------------------------------------------------------------------------


@pytest.mark.parametrize("block_s", [0.005, 0.02, 0.1, 1.0])
def test_blocks_of_any_length_lock(block_s: float) -> None:
    run = prepared(overrides=with_pump_early(**{"instrument.options.block_s": block_s}))
    run.until(14.0 if block_s < 0.5 else 20.0)
    assert run.engine.has_locked and run.pump_is_on()
    assert run.records[-1].difference_hz == pytest.approx(6643.249, abs=2e-3)


def test_blocks_of_changing_length_lock() -> None:
    cut = reblocked([3, 977, 1, 40, 250, 1000])
    run = prepared(overrides=with_pump_early(), filtered=cut).until(14.0)
    assert run.engine.has_locked and run.pump_is_on()
    assert run.records[-1].difference_hz == pytest.approx(6643.249, abs=2e-3)


def test_single_samples_are_blocks_too() -> None:
    """A tenth of a second of them, in the middle of a lock."""
    run = prepared(overrides=with_pump_early()).until(11.0)
    run.filtered = reblocked([1])
    run.until(11.1)
    run.filtered = lambda block: [block]
    run.until(11.5)
    assert run.pump_is_on() and run.events_of("pump", "mute") == []


def test_an_empty_block_changes_nothing() -> None:
    run = prepared(overrides=with_pump_early()).until(11.0)
    empty = SampleBlock(run.end_index, np.empty(0, np.complex64), False)
    assert run.engine.step(empty) == Step()
    run.until(11.2)
    assert run.pump_is_on()


def test_a_stream_may_begin_at_any_index() -> None:
    first = 7_654_321
    run = prepared(filtered=shifted(first))
    # Tones are commanded in the same count.
    inner = run.simulator.set_tone
    run.simulator.set_tone = lambda tone: replace(  # type: ignore[method-assign]
        (done := inner(replace(tone, at_sample=tone.at_sample - first))),
        at_sample=done.at_sample + first,
    )
    run.until((first / run.rate_hz) + 8.0)
    assert run.engine.has_locked
    assert run.records[0].time_s == first / run.rate_hz
    assert all(e.time_s == e.sample_index / run.rate_hz for e in run.events)


def test_a_block_from_the_past_takes_the_pump_off_and_never_the_clock_back() -> None:
    run = prepared(overrides=with_pump_early()).until(11.0)
    old = SampleBlock(run.end_index - 5000, np.ones(1000, np.complex64), False)
    step = run.engine.step(old)
    assert [(t.channel, t.amplitude, t.at_sample) for t in step.tones] == [
        ("pump", 0.0, run.end_index)
    ]
    assert all(event.sample_index == run.end_index for event in step.events)


def test_a_stream_that_stays_in_the_past_has_failed() -> None:
    run = prepared().until(8.0)
    for n in range(300):
        run.engine.step(SampleBlock(n * 1000, np.ones(1000, np.complex64) * n, False))
    assert run.engine.failure == "the sample index went backwards and did not come back"


def test_the_same_seed_gives_the_same_rows() -> None:
    first, second = (prepared(overrides=with_pump_early()).until(10.0) for _ in range(2))
    assert first.records == second.records
    assert first.events == second.events


# -- instruments -----------------------------------------------------------------------------


def test_a_real_stream_locks() -> None:
    raw = {
        "instrument.options.stream": {"kind": "raw", "sample_rate_hz": 4.0e6},
        "instrument.options.drive.latency_samples": 4000,
        "drive.listen_s": 1.0,
    }
    run = prepared("quiet_room", raw).until(3.0)
    assert run.engine.has_locked


def test_a_complex_stream_may_have_its_centre_at_zero() -> None:
    """A device that mixes down itself and calls the result baseband."""
    low = {
        "modes.lower.frequency_hz": 5000.0,
        "modes.upper.frequency_hz": 11_626.0,
        "modes.lower.quality_factor": 3.0e5,
        "modes.upper.quality_factor": 7.0e5,
        "modes.lower.search_hz": 100.0,
        "modes.upper.search_hz": 100.0,
        "instrument.options.stream": {"center_hz": 0.0},
        "instrument.options.lower.frequency_hz": 5030.0,
        "instrument.options.upper.frequency_hz": 11_673.0,
        "instrument.options.lower.quality_factor": 3.0e5,
        "instrument.options.upper.quality_factor": 7.0e5,
        "instrument.options.lower.drive_newton_per_unit": 1.0e-16,
        "instrument.options.upper.drive_newton_per_unit": 2.0e-16,
        # So cold that modes so slow move as little as those of a megahertz.
        "instrument.options.environment.temperature_k": 7.0e-3,
        "tracking.temperature_k": 7.0e-3,
        "pump.amplitude": 0.0,
    }
    run = prepared("quiet_room", low).until(9.0)
    assert run.engine.has_locked
    assert run.records[-1].modes[LOWER].frequency_hz == pytest.approx(5030.0, abs=0.05)


def stepped(channels: Sequence[str], **tables: Any) -> tuple[Engine, Step]:
    """An engine on the simulator's stream with some of its channels, and its first step."""
    run = prepared(overrides=tables)
    tones = {name: run.simulator.tones[name] for name in channels}
    engine = Engine(run.configuration, run.simulator.stream, tones)
    run.simulator.start()
    return engine, engine.step(run.simulator.read(1.0))


def test_a_missing_drive_is_told_and_its_mode_left_alone() -> None:
    engine, step = stepped(("drive_lower", "pump"))
    assert [event.text for event in step.events if event.kind == "drive"] == [
        "no tone channel drive_upper: the upper mode is not driven"
    ]
    assert [tone.channel for tone in engine.stop_tones()] == ["pump", "drive_lower"]


def test_a_missing_pump_channel_is_refused_only_if_a_pump_is_wanted() -> None:
    with pytest.raises(InputError, match="no tone channel 'pump'"):
        stepped(("drive_lower", "drive_upper"))
    engine, _ = stepped(("drive_lower", "drive_upper"), **{"pump.amplitude": 0.0})
    assert "pump" not in [tone.channel for tone in engine.stop_tones()]


def test_a_search_outside_the_stream_is_refused() -> None:
    stream = StreamFormat(50_000.0, 2.0e6, "complex64", 1.0, 1.0)
    settings = LoopSettings.model_validate(
        {"modes": {"lower": {"frequency_hz": 1.0e6}, "upper": {"frequency_hz": 1.01e6}}}
    )
    with pytest.raises(InputError, match="reaches outside the stream"):
        Engine(settings, stream, {})


def test_a_mode_in_thermal_motion_is_followed_without_a_drive() -> None:
    run = prepared(overrides={"drive.amplitude_m": [0.0, 1.0e-9]}).until(9.0)
    assert run.engine.has_locked
    assert {t.asked.channel for t in run.tones if t.asked.amplitude > 0.0} == {"drive_upper"}
    assert run.records[-1].modes[LOWER].amplitude < 5e-11


def test_a_mode_that_cannot_be_seen_fails_the_run_with_the_reason() -> None:
    blind = {
        "drive.amplitude_m": 0.0,
        "instrument.options.detector.noise_m_per_root_hz": 1.0e-10,
    }
    run = prepared(overrides=blind).until(200.0)
    assert run.engine.failure is not None
    assert run.engine.failure.startswith("no line of the lower and upper mode in 1043712.0 ± 200")


def test_a_stream_that_is_never_fit_fails_the_run_with_the_reason() -> None:
    run = prepared(
        filtered=lambda block: [replace(block, samples=np.full(1000, np.nan, np.complex64))]
    ).until(200.0)
    assert run.end_index / run.rate_hz == pytest.approx(120.0, abs=0.1)
    assert run.engine.failure is not None
    assert "no lock within 120 s: samples are not finite" in run.engine.failure
    # Said once, not with every block.
    assert len(run.events_of("stream")) == 1


def test_a_drive_at_its_limit_is_waited_for_and_then_the_pump_comes() -> None:
    # The limit holds 2 b u / gamma = 0.85 nm of the 2 nm that are asked for.
    weak: dict[str, Any] = {
        "drive.amplitude_m": 2.0e-9,
        "instrument.options.drive.max_amplitude": 1.0,
    }
    for mode in ModeId:
        weak[f"modes.{mode}.quality_factor"] = 2.0e7
        weak[f"modes.{mode}.search_hz"] = 50.0
        weak[f"instrument.options.{mode}.quality_factor"] = 2.0e7
    run = prepared(overrides=with_pump_early(**weak)).until(60.0)
    assert run.engine.has_locked
    amplitude_m = run.records[-1].modes[LOWER].amplitude
    assert amplitude_m is not None and 0.6e-9 < amplitude_m < 1.1e-9
    assert run.pump_is_on()
    [on_s] = [at_s for at_s, is_on in run.pump_edges_s() if is_on]
    # Three amplitude decay times of 2 / gamma = 6 s at the limit, and no sooner.
    assert on_s > locked_s(run) + 18.0


def test_a_tenth_of_the_drive_finds_the_modes_and_no_tone_is_above_it() -> None:
    limit = 1.0  # of 10 V that the channels may put out
    run = prepared(overrides=with_pump_early(**{"drive.max_amplitude": limit})).until(35.0).finish()
    drives = [each.asked for each in run.tones if each.asked.channel.startswith("drive")]
    assert max(tone.amplitude for tone in drives) == limit
    assert run.engine.has_locked and run.pump_edges_s()[0][1]
    for mode in ModeId:
        assert run.records[-1].modes[mode].amplitude == pytest.approx(1e-9, rel=0.02)


def test_a_drive_whose_line_turns_the_phase_holds_its_mode_all_the_same() -> None:
    run = prepared(overrides={"run.duration_s": 30.0})
    inner = run.simulator.set_tone

    def turned(tone: Tone) -> Tone:
        """A line that adds 1.2 rad to the lower drive, unknown to anybody."""
        if tone.channel != "drive_lower" or tone.phase_rad is None:
            return inner(tone)
        actual = inner(replace(tone, phase_rad=tone.phase_rad + 1.2))
        assert actual.phase_rad is not None
        return replace(actual, phase_rad=actual.phase_rad - 1.2)

    run.simulator.set_tone = turned  # type: ignore[method-assign]
    run.until(25.0)
    found = run.records[-1].modes[LOWER]
    assert found.amplitude == pytest.approx(1e-9, rel=0.01)
    assert run.engine._drives._paths[LOWER].phase_turns == pytest.approx(
        1.2 / (2.0 * math.pi), abs=0.02
    )
    assert run.engine._drives._paths[UPPER].phase_turns == 0.0


# -- requests ----------------------------------------------------------------------------------


def test_requests_are_heard_while_searching() -> None:
    run = prepared(overrides=with_pump_early())
    run.until(13.0, requests={1.0: request(RequestKind.MUTE)})
    assert run.events_of("pump", "request")[0].text == "mute by operator"
    assert run.records[-1].pump_state is PumpState.MUTED
    run.until(16.0, requests={13.0: request(RequestKind.ARM)})
    assert run.pump_is_on()


def test_a_mark_is_logged_and_nothing_else() -> None:
    run = prepared(overrides=with_pump_early()).until(11.0)
    run.until(11.5, requests={11.1: request(RequestKind.MARK, text="door")})
    assert [event.text for event in run.events_of("run", "mark")] == ["door"]
    assert run.pump_is_on()


def test_an_offset_is_followed() -> None:
    run = prepared(overrides=with_pump_early()).until(11.0)
    run.until(12.0, requests={11.1: request(RequestKind.SET_OFFSET, 0.05)})
    record = run.records[-1]
    assert record.pump_hz is not None and record.difference_hz is not None
    assert record.pump_hz - record.difference_hz == pytest.approx(0.05, abs=2e-3)


# -- refusals ------------------------------------------------------------------------------------


def test_a_refused_off_is_asked_with_every_block_and_never_called_on() -> None:
    run = prepared(overrides=with_pump_early()).until(11.0)
    run.refuses = lambda tone: tone.channel == "pump"
    start = len(run.tones)
    run.until(11.2, requests={11.0: request(RequestKind.MUTE)})
    asked = [t.at_index for t in run.tones[start:] if t.asked.channel == "pump"]
    assert len(asked) == 10 and set(np.diff(asked)) == {1000}
    run.refuses = lambda tone: False
    run.until(11.3)
    accepted = [t for t in run.tones if t.asked.channel == "pump" and t.actual is not None]
    assert accepted[-1].asked.amplitude == 0.0
    muted = [r for r in run.records if r.time_s > 11.02]
    assert muted and all(r.pump_state is PumpState.MUTED for r in muted)


def test_a_refused_drive_is_told_and_tried_again() -> None:
    run = prepared(overrides=with_pump_early()).until(11.0)
    run.refuses = lambda tone: tone.channel == "drive_lower"
    run.until(12.0)
    assert len(run.events_of("drive_lower", "refused")) == 1  # not with every tick
    run.refuses = lambda tone: False
    run.until(13.0)
    assert run.records[-1].modes[LOWER].amplitude == pytest.approx(1e-9, rel=0.02)


def test_a_refused_end_of_a_ping_is_asked_again() -> None:
    refused: list[Tone] = []

    def refuses(tone: Tone) -> bool:
        is_first = tone.channel == "drive_upper" and tone.amplitude == 0.0 and not refused
        refused.extend([tone] if is_first else [])
        return is_first

    run = prepared(refuses=refuses).until(2.0)
    assert refused
    assert [t.actual.amplitude for t in run.tones if t.actual is not None][-1] == 0.0
