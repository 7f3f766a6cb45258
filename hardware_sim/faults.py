"""What goes wrong, and at which sample: a timetable, nothing more."""

from __future__ import annotations

from hardware_sim.options import FaultOptions, Interval

Span = tuple[int, int]  # first sample, first sample after


class Faults:
    """The timetable of one run, in samples.

    The simulator owns it; `next_lost` moves on, everything else only tells.
    """

    def __init__(self, options: FaultOptions, sample_rate_hz: float) -> None:
        self._rate = sample_rate_hz
        self._lost = self._spans(options.lost)
        self._overload = self._spans(options.overload)
        self._nan = self._spans(options.nan)
        self._frozen = self._spans(options.frozen)
        self._timeouts = frozenset(options.timeouts)
        self._fault = None if options.fault_at_s is None else self._sample(options.fault_at_s)
        self._deaths = [
            (
                death.mode,
                self._sample(death.at_s),
                None if death.until_s is None else self._sample(death.until_s),
            )
            for death in options.mode_dies
        ]
        self._jumps = [(jump.mode, self._sample(jump.at_s), jump.hz) for jump in options.jumps]

    def __repr__(self) -> str:
        """How many intervals of each kind."""
        return (
            f"Faults(lost={len(self._lost)}, overload={len(self._overload)}, "
            f"nan={len(self._nan)}, frozen={len(self._frozen)})"
        )

    def _sample(self, at_s: float) -> int:
        return round(at_s * self._rate)

    def _spans(self, intervals: tuple[Interval, ...]) -> list[Span]:
        return sorted(
            (self._sample(each.at_s), self._sample(each.at_s + each.duration_s))
            for each in intervals
        )

    @property
    def changes(self) -> list[int]:
        """The samples at which a mode jumps, dies or comes back."""
        deaths = [sample for _, *ends in self._deaths for sample in ends if sample is not None]
        return deaths + [sample for _, sample, _ in self._jumps]

    def next_lost(self, first: int, end: int) -> int | None:
        """Where the stream goes on if a loss begins in a block, else None."""
        while self._lost and self._lost[0][1] <= first:
            del self._lost[0]
        if self._lost and self._lost[0][0] < end:
            return self._lost.pop(0)[1]
        return None

    def is_timeout(self, call: int) -> bool:
        """Whether this call of read() finds nothing."""
        return call in self._timeouts

    def is_fatal(self, sample: int) -> bool:
        """Whether the instrument has failed for good."""
        return self._fault is not None and sample >= self._fault

    def is_frozen(self, first: int, end: int) -> bool:
        """Whether the block is a repetition of the one before."""
        return any(start < end and stop > first for start, stop in self._frozen)

    def overloaded(self, first: int, end: int) -> list[slice]:
        """Which samples of a block stand at full scale."""
        return _overlaps(self._overload, first, end)

    def not_a_number(self, first: int, end: int) -> list[slice]:
        """Which samples of a block are NaN."""
        return _overlaps(self._nan, first, end)

    def visibility(self, mode: str, sample: int) -> float:
        """1.0 where the detector sees the mode, 0.0 where it does not."""
        return float(
            not any(
                name == mode and start <= sample and (stop is None or sample < stop)
                for name, start, stop in self._deaths
            )
        )

    def jump_hz(self, mode: str, sample: int) -> float:
        """How far a mode has jumped until a sample [Hz]."""
        return sum(hz for name, start, hz in self._jumps if name == mode and start <= sample)


def _overlaps(spans: list[Span], first: int, end: int) -> list[slice]:
    """The parts of a block that lie in any of the spans."""
    return [
        slice(max(start - first, 0), min(stop, end) - first)
        for start, stop in spans
        if start < end and stop > first
    ]
