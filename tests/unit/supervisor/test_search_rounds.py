"""One search after the other: where the modes are likely, where they were, everywhere."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from controller.errors import InputError
from controller.instrument import SampleBlock, StreamFormat
from controller.records import ModeId
from controller.settings import LoopSettings
from controller.supervisor.drives import Drives
from controller.supervisor.loop_clock import LoopClock
from controller.supervisor.search_rounds import SearchRounds, configured_whereabouts
from controller.supervisor.stream_watch import StreamHealth

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER
RATE_HZ = 50_000.0
STREAM = StreamFormat(RATE_HZ, 1.047e6, "complex64", 1.0e-9, 1.0e3)
MODES: dict[str, Any] = {
    "lower": {"frequency_hz": 1.0437e6, "search_hz": 200.0},
    "upper": {"frequency_hz": 1.0503e6, "search_hz": 200.0},
}
WELL = StreamHealth(reasons=(), missing_samples=0, is_usable=True)
LIKELY_HZ = 1_043_728.0


def settings(**lower: float) -> LoopSettings:
    modes = {**MODES, "lower": {**MODES["lower"], **lower}}
    return LoopSettings.model_validate({"modes": modes, "drive": {"amplitude_m": 0.0}})


class Rounds:
    """Searches in noise, which find nothing, block after block."""

    def __init__(self, loop_settings: LoopSettings) -> None:
        self.clock = LoopClock(RATE_HZ)
        self.searches = SearchRounds(loop_settings, STREAM, Drives({}, RATE_HZ), self.clock)
        self.clock.begin(0)
        self.searches.begin_first()
        self._rng = np.random.default_rng(5)

    def next_end(self) -> tuple[float, str | None]:
        """When the present search has failed [s], and what is said of it to the engine."""
        while True:
            parts = self._rng.standard_normal((2, 25_000))
            samples = (parts[0] + 1j * parts[1]).astype(np.complex64)
            block = SampleBlock(self.clock.now_index, samples, False)
            self.clock.advance(block)
            step = self.searches.process(block, WELL)
            if any(event.kind == "failed" for event in step.events):
                return self.clock.now_s, step.failure


def test_configured_ranges_are_those_of_the_settings() -> None:
    where = configured_whereabouts(settings(), STREAM)
    assert where.targets[UPPER].frequency_hz == 1.0503e6
    assert where.targets[UPPER].half_width_hz == 200.0
    assert where.likely_targets == {}


def test_what_is_likely_is_looked_at_first_and_never_beyond_the_range() -> None:
    where = configured_whereabouts(settings(likely_hz=LIKELY_HZ, likely_within_hz=500.0), STREAM)
    assert where.first_targets[LOWER].frequency_hz == LIKELY_HZ
    assert where.first_targets[LOWER].half_width_hz == 200.0
    assert where.first_targets[UPPER] == where.targets[UPPER]


def test_a_range_outside_the_stream_is_refused() -> None:
    with pytest.raises(InputError, match="reaches outside the stream"):
        configured_whereabouts(settings(frequency_hz=1.0e6), STREAM)


def test_only_the_whole_range_can_be_searched_in_vain() -> None:
    rounds = Rounds(settings(likely_hz=LIKELY_HZ))
    likely_s, failure = rounds.next_end()
    assert failure is None and rounds.searches.is_searching
    wide_s, failure = rounds.next_end()
    assert failure is not None and "no line" in failure
    # One attempt where it is likely, all of them elsewhere.
    assert likely_s < wide_s - likely_s
    assert rounds.searches.is_searching  # all the same


def test_rows_are_due_at_their_rate_from_where_a_search_began() -> None:
    rounds = Rounds(settings())
    every = round(RATE_HZ / 10.0)  # the setting's default
    assert list(rounds.searches.records_due()) == [0]
    rounds.clock.advance(SampleBlock(0, np.zeros(12_000, np.complex64), False))
    assert list(rounds.searches.records_due()) == [every, 2 * every]
    pair: Any = SimpleNamespace(
        frequency_hz=lambda mode: MODES[mode.value]["frequency_hz"],
        trackers={mode: SimpleNamespace(frequency_sigma_hz=1.0) for mode in ModeId},
    )
    rounds.searches.begin_again(pair, None)
    assert list(rounds.searches.records_due()) == []
    rounds.clock.advance(SampleBlock(12_000, np.zeros(every, np.complex64), False))
    assert list(rounds.searches.records_due()) == [12_000 + every]


def test_an_unfit_block_begins_the_search_anew_and_an_overload_makes_it_quieter() -> None:
    rounds = Rounds(settings())
    unusable = StreamHealth(reasons=("samples are not finite",), missing_samples=0, is_usable=False)
    block = SampleBlock(0, np.zeros(1000, np.complex64), False)
    rounds.clock.advance(block)
    assert rounds.searches.process(block, unusable).events == []
    assert rounds.searches.status.startswith("searching: ")
    rounds.searches.end()
    assert (rounds.searches.is_searching, rounds.searches.status) == (False, "")
