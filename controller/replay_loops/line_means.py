"""Means of two lines over a recording, with uncertainties that own up to their wander."""

from __future__ import annotations

import math

from controller.records import ModeId

LINES_RESULT = "lines"


class WeighedMean:
    """Mean of a track, and a sigma that owns up to its wander.

    The values of a track are all but one and the same estimate, so averaging
    does not shrink their sigma; a track that moves has no one value, and its
    spread is part of the uncertainty of any.
    """

    def __init__(self) -> None:
        self._reference = 0.0  # taken off, so that squares keep their digits
        self._count = 0
        self._weights = self._values = self._squares = 0.0

    def add(self, value: float, sigma: float) -> None:
        """Take one value of the track, weighed by what is known of it."""
        if not (math.isfinite(value) and math.isfinite(sigma) and sigma > 0.0):
            return
        if not self._count:
            self._reference = value
        apart, weight = value - self._reference, 1.0 / sigma**2
        self._count += 1
        self._weights += weight
        self._values += weight * apart
        self._squares += weight * apart**2

    @property
    def is_known(self) -> bool:
        """Whether there was a value."""
        return self._count > 0

    @property
    def value(self) -> float:
        """The mean; only where there was a value."""
        return self._reference + self._values / self._weights

    @property
    def sigma(self) -> float:
        """One standard deviation of the mean; only where there was a value."""
        mean = self._values / self._weights
        wander2 = max(self._squares / self._weights - mean**2, 0.0)
        return math.sqrt(self._count / self._weights + wander2)


class LineMeans:
    """Means of both lines and of their difference over a recording."""

    def __init__(self) -> None:
        self._frequencies = {mode: WeighedMean() for mode in ModeId}
        self._growths = {mode: WeighedMean() for mode in ModeId}
        self._amplitudes: dict[ModeId, float] = {}  # where each was first locked
        self._difference = WeighedMean()

    def add_line(
        self, mode: ModeId, frequency: tuple[float, float], growth: tuple[float, float]
    ) -> None:
        """Frequency [Hz] and growth rate [1/s] of a line at one time, each with its sigma."""
        self._frequencies[mode].add(*frequency)
        self._growths[mode].add(*growth)

    def add_amplitude(self, mode: ModeId, amplitude: float) -> None:
        """Amplitude of a line; the first one counts."""
        self._amplitudes.setdefault(mode, amplitude)

    def add_difference(self, difference_hz: float, sigma_hz: float) -> None:
        """Difference at one time [Hz]."""
        self._difference.add(difference_hz, sigma_hz)

    def results(self) -> dict[str, dict[str, object]]:
        """`lines`: one entry for each mode and one for the difference; empty if unknown."""
        if not self._difference.is_known:
            return {}
        lines: dict[str, object] = {mode.value: self._line(mode) for mode in ModeId}
        lines["difference"] = _with_sigma("frequency_hz", self._difference)
        return {LINES_RESULT: lines}

    def _line(self, mode: ModeId) -> dict[str, object]:
        growth = self._growths[mode]
        rate = rate_sigma = decay_s = decay_sigma_s = None
        if growth.is_known:
            rate, rate_sigma = -growth.value, growth.sigma
            if rate > rate_sigma:  # else it may be any, or none
                decay_s, decay_sigma_s = 1.0 / rate, rate_sigma / rate**2
        return {
            **_with_sigma("frequency_hz", self._frequencies[mode]),
            "decay_time_s": decay_s,
            "decay_time_s_sigma": decay_sigma_s,
            "decay_rate_per_s": rate,
            "decay_rate_per_s_sigma": rate_sigma,
            "amplitude": self._amplitudes.get(mode),
        }


def _with_sigma(name: str, mean: WeighedMean) -> dict[str, object]:
    known = mean.is_known
    return {name: mean.value if known else None, f"{name}_sigma": mean.sigma if known else None}
