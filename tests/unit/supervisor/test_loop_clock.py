"""The loop's clock: the end of the stream, which never comes back."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.instrument import SampleBlock
from controller.supervisor.loop_clock import STUCK_S, LoopClock

RATE_HZ = 1000.0


def block(first: int, length: int = 100) -> SampleBlock:
    return SampleBlock(first, np.zeros(length, np.complex64), False)


def begun(first_index: int = 0) -> LoopClock:
    clock = LoopClock(RATE_HZ)
    clock.begin(first_index)
    return clock


def test_it_stands_at_the_end_of_the_last_block() -> None:
    clock = begun(5000)
    clock.advance(block(5000))
    assert (clock.first_index, clock.now_index, clock.now_s) == (5000, 5100, 5.1)
    assert clock.elapsed_s(5050) == 0.05


@settings(derandomize=True, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 10_000), st.integers(0, 500))))
def test_it_never_goes_back(blocks: list[tuple[int, int]]) -> None:
    clock = begun()
    ends = [0]
    for first, length in blocks:
        clock.advance(block(first, length))
        ends.append(first + length)
        assert clock.now_index == max(ends)


def test_a_stream_that_stays_in_the_past_is_stuck_until_it_comes_back() -> None:
    clock = begun(100_000)
    for _ in range(round(STUCK_S * RATE_HZ / 100)):
        clock.advance(block(0))
        assert not clock.is_stuck
    clock.advance(block(0))
    assert clock.is_stuck
    clock.advance(block(100_000))
    assert not clock.is_stuck


def test_what_happens_happens_now() -> None:
    clock = begun()
    clock.advance(block(0, 250))
    event = clock.event("run", "mark", "door")
    assert (event.sample_index, event.time_s) == (250, 0.25)
    assert (event.source, event.kind, event.text) == ("run", "mark", "door")


def test_copy_goes_on_alike_and_reset_is_new() -> None:
    clock = begun()
    other = clock.copy()
    clock.advance(block(0))
    assert other.now_index == 0
    clock.reset()
    assert clock.first_index is None and clock.now_index == 0
    assert repr(other) == "LoopClock(now_index=0)"
