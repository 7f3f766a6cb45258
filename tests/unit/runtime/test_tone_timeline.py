"""What a channel put out, from its commands."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.instrument import Tone
from controller.runtime.log.reader import LoggedTone
from controller.runtime.tone_timeline import ToneSegment, tone_segments
from tests.support.sample_log import PUMP

RATE = 1000.0
PROMPT = replace(PUMP, latency_samples=0)


def command(
    at: int, amplitude: float, *, given_at: int | None = None, **values: float
) -> LoggedTone:
    """A command that was set as it was asked."""
    tone = Tone("pump", at, values.pop("frequency_hz", 100.0), amplitude, **values)
    index = at if given_at is None else given_at
    return LoggedTone(sample_index=index, time_s=index / RATE, asked=tone, set_tone=tone, reason="")


def segments(*commands: LoggedTone, latency: int = 0, end_s: float = 10.0) -> list[ToneSegment]:
    """The output up to the end."""
    channel = replace(PROMPT, latency_samples=latency)
    return list(tone_segments(commands, channel, sample_rate_hz=RATE, end_s=end_s))


def on_spans(found: list[ToneSegment]) -> list[tuple[float, float]]:
    """Where the amplitude is above zero."""
    return [(s.start_s, s.on_until_s) for s in found if s.on_until_s > s.start_s]


def test_a_tone_lasts_until_the_next_one_takes_over() -> None:
    found = segments(command(1000, 0.5), command(3000, 0.5), command(4000, 0.0))
    assert [(s.start_s, s.end_s) for s in found] == [(1.0, 3.0), (3.0, 4.0), (4.0, 10.0)]
    assert on_spans(found) == [(1.0, 3.0), (3.0, 4.0)]


def test_the_ramp_down_counts_as_on() -> None:
    found = segments(command(1000, 0.5), command(4000, 0.0, ramp_s=0.25))
    assert on_spans(found) == [(1.0, 4.0), (4.0, 4.25)]


def test_a_ramp_down_from_nothing_is_off() -> None:
    assert on_spans(segments(command(1000, 0.0, ramp_s=0.25))) == []


def test_a_second_mute_during_the_ramp_starts_no_new_ramp_from_zero() -> None:
    found = segments(
        command(1000, 0.5), command(2000, 0.0, ramp_s=0.1), command(3000, 0.0, ramp_s=0.1)
    )
    assert on_spans(found) == [(1.0, 2.0), (2.0, 2.1)]


def test_a_late_command_takes_effect_after_the_latency() -> None:
    [segment] = segments(command(1000, 0.5, given_at=1000), latency=40)
    assert segment.start_s == 1.04


def test_a_chirp_is_counted_from_where_it_was_set() -> None:
    [segment] = segments(
        command(1000, 0.5, given_at=1500, frequency_hz=100.0, chirp_hz_per_s=2.0), latency=500
    )
    assert segment.start_s == 2.0
    assert segment.frequency_hz == pytest.approx(102.0)


def test_a_newer_command_cancels_pending_ones_at_or_after_it() -> None:
    found = segments(
        command(1000, 0.5, given_at=0),
        command(5000, 0.5, given_at=10),  # pending: would undo the mute
        command(2000, 0.0, given_at=20),
    )
    assert on_spans(found) == [(1.0, 2.0)]


def test_a_pending_command_before_a_newer_one_stays() -> None:
    found = segments(command(1000, 0.5, given_at=0), command(5000, 0.0, given_at=0))
    assert on_spans(found) == [(1.0, 5.0)]


def test_a_refused_command_changes_nothing() -> None:
    refused = replace(command(2000, 0.0), set_tone=None)
    assert on_spans(segments(command(1000, 0.5), refused)) == [(1.0, 10.0)]


def test_nothing_reaches_beyond_the_end_of_the_stream() -> None:
    found = segments(command(1000, 0.5), command(12_000, 0.5, given_at=1500), end_s=2.0)
    assert on_spans(found) == [(1.0, 2.0)]
