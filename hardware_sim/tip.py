"""A magnetic tip above a sample: what its sign and its position do to the modes.

The tip is flipped by the pump's pulses; which of its two ways counts as
positive is told by the simulator. Nothing here knows the membrane.
"""

from __future__ import annotations

import math

from hardware_sim.options import SampleOptions
from hardware_sim.tones import PHASE_BITS, Segment

_TURN = 1 << PHASE_BITS


class Tip:
    """The tip, with the sample below it; the simulator owns it.

    The sign is settled when a train comes on, and again when its phase jumps
    by more than a quarter of a turn: what follows smoothly keeps it.
    """

    def __init__(self, options: SampleOptions, sample_rate_hz: float) -> None:
        self._shifts_hz = options.shift_hz
        self._backgrounds_hz = options.background_hz or (0.0,) * len(options.shift_hz)
        self._flips_per_position = options.flips_per_position
        self._dwell_samples = (
            None if options.dwell_s is None else max(2, round(options.dwell_s * sample_rate_hz))
        )
        self._rate = sample_rate_hz
        self._train: Segment | None = None
        self._last_sign: float | None = None  # of the last train, which may be over
        self._flips = 0
        self.position = 0
        self.sign = 0.0
        self.moves: list[tuple[float, int]] = [(0.0, 0)]  # time [s], position from then on

    def __repr__(self) -> str:
        """Position and sign."""
        return f"Tip(position={self.position}, sign={self.sign})"

    @property
    def difference_hz(self) -> float:
        """How far the difference frequency is moved now [Hz]."""
        return self._backgrounds_hz[self.position] + self.sign * self._shifts_hz[self.position]

    def next_change(self, sample: int, limit: int) -> int:
        """The first sample after this one, up to a limit, at which the clock moves the tip."""
        if self._dwell_samples is None:
            return limit
        return min(limit, (sample // self._dwell_samples + 1) * self._dwell_samples)

    def move_to(self, sample: int) -> None:
        """Let the clock move the tip to where it is at a sample."""
        if self._dwell_samples is not None:
            self._move(sample, sample // self._dwell_samples)

    def next_position(self, sample: int) -> None:
        """Move the tip on by one position."""
        self._move(sample, self.position + 1)

    def follow(self, sample: int, train: Segment, lead_rad: float) -> None:
        """Let the pulses decide the sign of the tip from a sample on.

        Parameters
        ----------
        sample : int
            Where a step begins [samples].
        train : Segment
            What the pump's channel puts out there.
        lead_rad : float
            How far the train is ahead of the phase in which it couples the
            modes as they stand [rad].
        """
        before, self._train = self._train, train
        if train.waveform != "pulses" or not (train.amplitude or train.amplitude_at(sample)):
            self.sign = 0.0
        elif self.sign == 0.0 or (before is not None and _has_jumped(before, train, sample)):
            self._settle(sample, math.copysign(1.0, math.cos(lead_rad)))

    def _settle(self, sample: int, sign: float) -> None:
        """Give the tip a sign, and move it on if that was a flip too many."""
        # A train that was interrupted comes back with its sign: that is no flip.
        self._flips += self._last_sign is not None and sign != self._last_sign
        self.sign = self._last_sign = sign
        if self._flips_per_position is not None:
            self._move(sample, self._flips // self._flips_per_position)

    def _move(self, sample: int, position: int) -> None:
        """Put the tip over a position, counted on and on."""
        position %= len(self._shifts_hz)
        if position != self.position:
            self.position = position
            self.moves.append((sample / self._rate, position))


def _has_jumped(before: Segment, after: Segment, sample: int) -> bool:
    """Whether a phase goes on more than a quarter of a turn from where it was."""
    if before is after:
        return False
    jump = (after.phase_at(sample) - before.phase_at(sample)) % _TURN
    return _TURN // 4 < jump < 3 * _TURN // 4
