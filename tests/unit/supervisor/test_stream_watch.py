"""The stream watch: what is no measurement is told before it is filtered."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.instrument import SampleBlock, StreamFormat
from controller.supervisor.stream_watch import (
    LEAST_STILL_SAMPLES,
    StreamHealth,
    StreamNews,
    StreamWatch,
)

STREAM = StreamFormat(50_000.0, 1.0e6, "complex64", 1.0e-9, 1.0)
REAL_STREAM = StreamFormat(5.0e6, 0.0, "int16", 1.0e-12, 32767.0)


def noise(count: int, seed: int = 3, scale: float = 0.01) -> np.ndarray:
    rng = np.random.default_rng(seed)
    parts = rng.standard_normal((2, count))
    return (scale * (parts[0] + 1j * parts[1])).astype(np.complex64)


def judged(*blocks: SampleBlock, stream: StreamFormat = STREAM) -> list[StreamHealth]:
    watch = StreamWatch(stream)
    return [watch.process(block) for block in blocks]


def in_blocks(samples: np.ndarray, length: int, first: int = 0) -> list[SampleBlock]:
    return [
        SampleBlock(first + start, samples[start : start + length], False)
        for start in range(0, len(samples), length)
    ]


def test_noise_is_fit() -> None:
    assert all(
        health == StreamHealth(reasons=(), missing_samples=0, is_usable=True)
        for health in judged(*in_blocks(noise(5000), 1000))
    )


def test_a_stream_may_begin_anywhere() -> None:
    [health] = judged(SampleBlock(123_456_789, noise(100), False))
    assert health.reasons == () and health.missing_samples == 0


def test_lost_samples_are_counted_and_the_block_is_used() -> None:
    health = judged(SampleBlock(0, noise(100), False), SampleBlock(130, noise(100, 4), False))[1]
    assert (health.missing_samples, health.is_usable) == (30, True)
    assert health.reasons == ("30 samples lost",)


def test_a_block_from_the_past_is_not_used_and_changes_nothing() -> None:
    blocks = in_blocks(noise(300), 100)
    healths = judged(*blocks, blocks[1], SampleBlock(300, noise(100, 9), False))
    assert healths[3].reasons == ("the sample index went backwards",)
    assert not healths[3].is_usable
    assert healths[4].reasons == ()


def test_a_block_that_overlaps_the_last_one_is_not_used_and_moves_the_end() -> None:
    first, overlapping, after = (SampleBlock(n, noise(100, n), False) for n in (0, 50, 150))
    healths = judged(first, overlapping, after)
    assert [health.is_usable for health in healths] == [True, False, True]
    assert healths[1].reasons == ("the sample index went backwards",)
    assert healths[2].reasons == () and healths[2].missing_samples == 0


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, complex(0.0, np.nan)])
def test_one_sample_that_is_not_finite_spoils_its_block(value: complex) -> None:
    samples = noise(1000)
    samples[417] = value
    [health] = judged(SampleBlock(0, samples, False))
    assert health.reasons == ("samples are not finite",) and not health.is_usable


@pytest.mark.parametrize("value", [0.0, 0.3, 0.2 - 0.4j])
@pytest.mark.parametrize("length", [1, 7, 1000])
def test_a_constant_stands_still_in_blocks_of_any_length(value: complex, length: int) -> None:
    samples = np.concatenate([noise(1000), np.full(2000, value, np.complex64)])
    blocks = in_blocks(samples, length)
    healths = judged(*blocks)
    for block, health in zip(blocks, healths, strict=True):
        end = block.first_sample + len(block.samples)
        is_certain = end >= 1000 + LEAST_STILL_SAMPLES and block.first_sample >= 1000
        if is_certain or end <= 1000:
            assert health.is_usable is not is_certain


def test_a_block_that_ends_in_a_constant_stands_still() -> None:
    samples = noise(1000)
    samples[-LEAST_STILL_SAMPLES:] = samples[-LEAST_STILL_SAMPLES]
    [health] = judged(SampleBlock(0, samples, False))
    assert health.reasons == ("the stream stands still",)


@pytest.mark.parametrize("length", [1, 10, 1000])
def test_a_block_that_is_repeated_stands_still(length: int) -> None:
    block = noise(length)
    healths = judged(*(SampleBlock(n * length, block, False) for n in range(200)))
    repeated = LEAST_STILL_SAMPLES // length + 2  # the first one is new
    assert healths[0].is_usable
    assert not any(health.is_usable for health in healths[repeated:])


def test_few_equal_integers_are_noise() -> None:
    # A quiet converter: three values, so that runs of some ten equal samples are common.
    rng = np.random.default_rng(11)
    samples = rng.integers(-1, 2, 200_000).astype(np.int16)
    healths = judged(*in_blocks(samples, 10), stream=REAL_STREAM)
    assert all(health.is_usable for health in healths)


@pytest.mark.parametrize("value", [1.0, -1.0, 1.0j, -1.0j])
def test_a_sample_at_full_scale_is_an_overload(value: complex) -> None:
    samples = noise(1000)
    samples[5] = value
    [health] = judged(SampleBlock(0, samples, False))
    assert health.reasons == ("overload",) and health.is_usable


def test_the_most_negative_integer_is_an_overload() -> None:
    samples = np.arange(100, dtype=np.int16)
    samples[3] = -32768
    assert judged(SampleBlock(0, samples, False), stream=REAL_STREAM)[0].reasons == ("overload",)


def test_what_the_instrument_calls_an_overload_is_one() -> None:
    assert judged(SampleBlock(0, noise(100), True))[0].reasons == ("overload",)


def test_an_empty_block_says_nothing() -> None:
    healths = judged(
        SampleBlock(0, noise(100), False),
        SampleBlock(100, np.empty(0, np.complex64), False),
        SampleBlock(100, noise(100, 5), False),
    )
    assert [health.reasons for health in healths] == [(), (), ()]


def test_copy_goes_on_alike_and_reset_forgets() -> None:
    watch = StreamWatch(STREAM)
    watch.process(SampleBlock(0, noise(100), False))
    other = watch.copy()
    late = SampleBlock(150, noise(100, 5), False)
    assert watch.process(late) == other.process(late)
    watch.reset()
    assert watch.process(SampleBlock(7, noise(100), False)).reasons == ()
    assert "107" in repr(watch)


@settings(derandomize=True, deadline=None, max_examples=60)
@given(
    lengths=st.lists(st.integers(1, 400), min_size=1, max_size=12),
    still_from=st.integers(0, 1500),
)
def test_any_split_finds_the_same_stretch_that_stands_still(
    lengths: list[int], still_from: int
) -> None:
    samples = noise(2000)
    samples[still_from:] = samples[still_from]
    watch, start, turn = StreamWatch(STREAM), 0, 0
    while start < len(samples):
        stop = min(len(samples), start + lengths[turn % len(lengths)])
        health = watch.process(SampleBlock(start, samples[start:stop], False))
        # The sample at still_from is the first of the equal ones.
        is_still = stop - still_from >= LEAST_STILL_SAMPLES
        assert health.is_usable is not is_still
        start, turn = stop, turn + 1


# -- news ---------------------------------------------------------------------------------------


def health(*reasons: str, missing_samples: int = 0) -> StreamHealth:
    return StreamHealth(reasons=reasons, missing_samples=missing_samples, is_usable=True)


def test_what_lasts_is_told_when_it_begins_and_when_it_is_over() -> None:
    news = StreamNews()
    told = [news.process(each) for each in (health(), *[health("overload")] * 3, health())]
    assert told == [[], [("unfit", "overload")], [], [], [("fit", "all is well again")]]


def test_each_gap_is_news_and_lasts_not() -> None:
    news, gap = StreamNews(), health("20 samples lost", missing_samples=20)
    assert [news.process(each) for each in (gap, gap, health())] == [
        [("gap", "20 samples lost")],
        [("gap", "20 samples lost")],
        [],
    ]


def test_an_overload_after_a_gap_is_told_beside_it() -> None:
    both = health("20 samples lost", "overload", missing_samples=20)
    assert StreamNews().process(both) == [("gap", "20 samples lost"), ("unfit", "overload")]


def test_news_copied_go_on_alike_and_reset_forget() -> None:
    news = StreamNews()
    news.process(health("overload"))
    assert news.copy().process(health("overload")) == []
    assert repr(news) == "StreamNews(overload)"
    news.reset()
    assert news.process(health("overload")) == [("unfit", "overload")]
