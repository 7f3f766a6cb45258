"""The block clock: latencies, missed deadlines, and which blocks are history when they come."""

from __future__ import annotations

import numpy as np
import pytest

from controller.runtime.block_clock import BINS_PER_DECADE, BlockClock, LatencyHistogram

RATE_HZ, BLOCK = 1000.0, 20  # blocks of 20 ms
LATE_S = 0.5


class Stream:
    """A loop and its stream, by a clock that is told what time it is."""

    def __init__(self, block_s: float = BLOCK / RATE_HZ) -> None:
        self.now_s = 100.0
        self.end_index = 0
        self.clock = BlockClock(RATE_HZ, LATE_S, lambda: self.now_s)
        self._block_s, self._due_s = block_s, self.now_s

    def turn(self, takes_s: float = 0.001, late_s: float = 0.0) -> bool:
        """Read a block when it is due and step it; whether a delay begins with it."""
        self.clock.reading()
        self._due_s += self._block_s
        self.end_index += BLOCK
        self.now_s = max(self.now_s, self._due_s + late_s)
        is_late = self.clock.arrived(self.end_index, BLOCK)
        self.now_s += takes_s
        self.clock.commanded()
        return is_late

    def stand_still(self, for_s: float) -> None:
        """The stream's own clock stops for a while."""
        self._due_s += for_s


def test_latency_is_from_arrival_to_command() -> None:
    stream = Stream()
    for takes_s in (*[0.001] * 99, 0.004):
        stream.turn(takes_s)
    figures = stream.clock.figures()
    width = 10.0 ** (1.0 / BINS_PER_DECADE)
    assert figures.blocks == 100 and figures.block_s == 0.02
    assert figures.p50_s is not None and 0.001 <= figures.p50_s <= 0.001 * width * (1 + 1e-9)
    assert figures.worst_s == pytest.approx(0.004) and figures.p999_s == figures.worst_s


def test_quantiles_are_right_to_the_width_of_a_bin() -> None:
    durations_s = np.random.default_rng(1).lognormal(-7.0, 1.0, 5000)
    histogram = LatencyHistogram()
    for each in durations_s:
        histogram.add(each)
    for share in (0.01, 0.5, 0.99, 0.999):
        exact_s = np.quantile(durations_s, share, method="inverted_cdf")
        assert exact_s <= histogram.quantile_s(share) <= exact_s * 10.0 ** (1 / BINS_PER_DECADE)


def test_before_the_first_block_nothing_is_claimed() -> None:
    figures = Stream().clock.figures()
    assert figures.blocks == 0 and figures.p50_s is None and figures.worst_s is None


def test_durations_outside_all_bins_are_counted_in_the_last_ones() -> None:
    histogram = LatencyHistogram()
    histogram.add(0.0)
    histogram.add(1e9)
    assert histogram.quantile_s(0.5) == pytest.approx(1e-6) and histogram.quantile_s(1.0) == 1e2


def test_a_deadline_is_missed_when_the_step_ends_after_the_next_block_is_due() -> None:
    stream = Stream()
    for takes_s in (0.001, 0.019, 0.021, 0.001, 0.001):
        stream.turn(takes_s)
    assert stream.clock.figures().missed == 1


def test_a_block_that_came_late_leaves_less_time() -> None:
    stream = Stream()
    stream.turn()
    stream.turn(takes_s=0.012, late_s=0.01)
    stream.turn()
    assert stream.clock.figures().missed == 1


def test_a_slower_clock_of_the_device_is_no_missed_deadline() -> None:
    stream = Stream(block_s=0.02 * 1.0002)
    for _ in range(3000):
        stream.turn(0.0199)
    assert stream.clock.figures().missed == 0


@pytest.mark.parametrize("speed", [1.0, 2.5, 6.0])
def test_after_a_stop_blocks_are_history_until_the_loop_waits_again(speed: float) -> None:
    """Also where the stream is quicker than its sample rate says, as in a rehearsal."""
    stream = Stream(BLOCK / RATE_HZ / speed)
    for _ in range(200):
        assert not stream.turn()
    assert stream.turn(late_s=3.0) and stream.clock.is_behind  # stopped while it read
    assert stream.clock.late_by_s == pytest.approx(3.0, abs=1e-3)
    for _ in range(round(150 * speed)):  # of 20 ms, worked off in 1 ms each
        assert not stream.turn()
        assert stream.clock.is_behind
    for _ in range(round(100 * speed)):
        assert not stream.turn()
    assert not stream.clock.is_behind


def test_a_stop_in_the_middle_of_a_step_is_one_too() -> None:
    stream = Stream()
    stream.turn()
    stream.turn(takes_s=2.0)
    assert stream.turn() and stream.clock.is_behind


def test_blocks_that_do_not_count_leave_no_figures() -> None:
    stream = Stream()
    stream.clock.is_counting = False
    stream.turn()
    stream.turn(takes_s=0.11)
    stream.clock.is_counting = True
    for _ in range(10):  # five of them have waited in a queue, and one nearly
        stream.turn()
    figures = stream.clock.figures()
    assert figures.missed == 0 and figures.blocks == 4
    assert figures.worst_s == pytest.approx(0.001)


def test_a_stream_that_stood_still_has_a_new_schedule() -> None:
    stream = Stream()
    stream.turn()
    stream.stand_still(2.0)
    assert stream.turn()
    for _ in range(3):
        assert not stream.turn()
    assert not stream.clock.is_behind and stream.clock.figures().missed == 0
