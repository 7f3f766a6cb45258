"""Frequency stability: Allan, modified Allan and Hadamard deviations.

Batch functions for a whole record of phases, and `RunningAllan` for a
series that never ends. Phase here is the time integral of the frequency
series, in whatever unit that gives; deviations come out in the unit of the
frequency. "Overlapping" and "non-overlapping" differ by 10 % on short
records, so the names say which it is.
"""

from __future__ import annotations

import copy
import math
from collections import deque
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

# Second differences per averaging time in the running estimate: at 16 the
# estimate is as good as at every sample to 1 % of its own uncertainty.
_TERMS_PER_FACTOR = 16

# 2**30 samples at ten a second are three years.
_MOST_OCTAVES = 31


class NoiseType(Enum):
    """Noise that the uncertainty of a deviation is stated for."""

    WHITE_PHASE = "white phase"
    WHITE_FREQUENCY = "white frequency"
    RANDOM_WALK_FREQUENCY = "random-walk frequency"


def phases_from(frequencies: NDArray[np.float64], interval_s: float) -> NDArray[np.float64]:
    """Phases of a series of mean frequencies.

    Parameters
    ----------
    frequencies : ndarray of float64, shape (n,)
        Mean frequency of each interval, in any unit.
    interval_s : float
        Length of an interval [s].

    Returns
    -------
    ndarray of float64, shape (n + 1,)
        Their running sum times the interval, from 0, in that unit times
        seconds.
    """
    return np.concatenate([[0.0], np.cumsum(frequencies) * interval_s])


def allan_deviation(phases: NDArray[np.float64], interval_s: float, factor: int) -> float:
    """Allan deviation from intervals that do not overlap.

    Parameters
    ----------
    phases : ndarray of float64, shape (n,)
        Evenly spaced phases; see `phases_from`.
    interval_s : float
        Their distance [s].
    factor : int
        Averaging time in intervals, m, at least 1.

    Returns
    -------
    float
        Deviation at m * interval_s, in units of phase per second.

    Raises
    ------
    ValueError
        If the record is shorter than 2 m + 1 phases.

    References
    ----------
    W. J. Riley, NIST SP 1065 (2008), section 5.2.
    """
    return overlapping_allan_deviation(
        _decimated(phases, factor, span=2), interval_s * factor, factor=1
    )


def overlapping_allan_deviation(
    phases: NDArray[np.float64], interval_s: float, factor: int
) -> float:
    """Allan deviation from all overlapping intervals.

    Parameters
    ----------
    phases : ndarray of float64, shape (n,)
        Evenly spaced phases; see `phases_from`.
    interval_s : float
        Their distance [s].
    factor : int
        Averaging time in intervals, m, at least 1.

    Returns
    -------
    float
        Deviation at m * interval_s, in units of phase per second.

    Raises
    ------
    ValueError
        If the record is shorter than 2 m + 1 phases.

    References
    ----------
    W. J. Riley, NIST SP 1065 (2008), Eq. (11).
    """
    _check_length(phases, factor, needed=2 * factor + 1)
    differences = _second_differences(phases, factor)
    return _root_mean_square(differences) / (math.sqrt(2.0) * factor * interval_s)


def modified_allan_deviation(phases: NDArray[np.float64], interval_s: float, factor: int) -> float:
    """Modified Allan deviation: phases averaged over the interval as well.

    Parameters
    ----------
    phases : ndarray of float64, shape (n,)
        Evenly spaced phases; see `phases_from`.
    interval_s : float
        Their distance [s].
    factor : int
        Averaging time in intervals, m, at least 1.

    Returns
    -------
    float
        Deviation at m * interval_s, in units of phase per second.

    Raises
    ------
    ValueError
        If the record is shorter than 3 m phases.

    References
    ----------
    W. J. Riley, NIST SP 1065 (2008), Eq. (14).
    """
    _check_length(phases, factor, needed=3 * factor)
    sums = np.concatenate([[0.0], np.cumsum(_second_differences(phases, factor))])
    means = (sums[factor:] - sums[:-factor]) / factor
    return _root_mean_square(means) / (math.sqrt(2.0) * factor * interval_s)


def hadamard_deviation(phases: NDArray[np.float64], interval_s: float, factor: int) -> float:
    """Hadamard deviation from intervals that do not overlap.

    Parameters
    ----------
    phases : ndarray of float64, shape (n,)
        Evenly spaced phases; see `phases_from`.
    interval_s : float
        Their distance [s].
    factor : int
        Averaging time in intervals, m, at least 1.

    Returns
    -------
    float
        Deviation at m * interval_s, blind to a linear drift, in units of
        phase per second.

    Raises
    ------
    ValueError
        If the record is shorter than 3 m + 1 phases.

    References
    ----------
    W. J. Riley, NIST SP 1065 (2008), Eqs. (17) and (18).
    """
    return overlapping_hadamard_deviation(
        _decimated(phases, factor, span=3), interval_s * factor, factor=1
    )


def overlapping_hadamard_deviation(
    phases: NDArray[np.float64], interval_s: float, factor: int
) -> float:
    """Hadamard deviation from all overlapping intervals.

    Parameters
    ----------
    phases : ndarray of float64, shape (n,)
        Evenly spaced phases; see `phases_from`.
    interval_s : float
        Their distance [s].
    factor : int
        Averaging time in intervals, m, at least 1.

    Returns
    -------
    float
        Deviation at m * interval_s, blind to a linear drift, in units of
        phase per second.

    Raises
    ------
    ValueError
        If the record is shorter than 3 m + 1 phases.

    References
    ----------
    W. J. Riley, NIST SP 1065 (2008), Eq. (20).
    """
    _check_length(phases, factor, needed=3 * factor + 1)
    second = _second_differences(phases, factor)
    third = second[factor:] - second[:-factor]
    return _root_mean_square(third) / (math.sqrt(6.0) * factor * interval_s)


def random_walk_deviation(
    walk_per_root_s: float, averaging_s: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Allan deviation of a frequency that walks at random and does nothing else.

    Parameters
    ----------
    walk_per_root_s : float
        Strength of the walk, in the unit of the frequency per root second.
    averaging_s : ndarray of float64, shape (n,)
        Averaging times [s], far above the sampling interval.

    Returns
    -------
    ndarray of float64, shape (n,)
        walk sqrt(t / 3): the limit of many samples of the sum over a sampled walk,
        step^2 (2 m^2 + 1) / (6 m).
    """
    return np.asarray(walk_per_root_s * np.sqrt(averaging_s / 3.0))


def overlapping_freedom(count: int, factor: int, noise: NoiseType) -> float:
    """Equivalent degrees of freedom of an overlapping Allan variance.

    Parameters
    ----------
    count : int
        Number of phases, N, at least 2 m + 1.
    factor : int
        Averaging time in intervals, m, at least 1.
    noise : NoiseType
        What the series is made of.

    Returns
    -------
    float
        At least 1, at most the number of terms, N - 2 m. The standard
        deviation of a deviation is the deviation over sqrt(2 freedom).

    References
    ----------
    W. J. Riley, NIST SP 1065 (2008), Table 5 (the simple formulas; those of
    Greenhall and Riley differ from them by up to 10 %).
    """
    n, m = float(count), float(factor)
    terms = n - 2.0 * m
    if noise is NoiseType.WHITE_PHASE:
        freedom = (n + 1.0) * terms / (2.0 * (n - m))
    elif noise is NoiseType.WHITE_FREQUENCY:
        freedom = 3.0 * (n - 1.0) / (2.0 * m) - 2.0 * (n - 2.0) / n
        freedom *= 4.0 * m**2 / (4.0 * m**2 + 5.0)
    else:
        freedom = (n - 2.0) * ((n - 1.0) ** 2 - 3.0 * m * (n - 1.0) + 4.0 * m**2)
        freedom /= m * max(n - 3.0, 1.0) ** 2
    return max(1.0, min(freedom, terms))


@dataclass(frozen=True, slots=True, kw_only=True)
class AllanEstimate:
    """Overlapping Allan deviations at octave spacing, shortest first."""

    taus_s: NDArray[np.float64]  # (n,) averaging times
    deviations: NDArray[np.float64]  # (n,) in the unit of the series
    sigmas: NDArray[np.float64]  # (n,) one standard deviation of the deviations


class RunningAllan:
    """Overlapping Allan deviation of a series, as it grows, in fixed memory.

    Owned by whoever has the series; one thread. Each octave keeps its last
    phases, 16 to an averaging time, and a sum of squares:

        octave k, m = 2**k, one phase in s = max(1, m / 16):
        x[n - 2m] ... x[n - m] ... x[n]  ->  sum of (x[n] - 2 x[n-m] + x[n-2m])^2

    Up to m = 16 this is the overlapping deviation itself; beyond, terms
    are s samples apart, which costs next to nothing as terms that close tell
    the same.

    Parameters
    ----------
    tau0_s : float
        Distance of two values, each the mean over that time [s].
    noise : NoiseType
        What the stated uncertainty assumes. Random-walk frequency has the
        fewest degrees of freedom, so it is on the safe side.

    Raises
    ------
    ValueError
        If tau0_s is not above 0.
    """

    def __init__(
        self, tau0_s: float, *, noise: NoiseType = NoiseType.RANDOM_WALK_FREQUENCY
    ) -> None:
        if not (math.isfinite(tau0_s) and tau0_s > 0.0):
            raise ValueError(f"tau0_s is {tau0_s}; it must be finite and above 0")
        self._tau0_s = tau0_s
        self._noise = noise
        self.reset()

    def reset(self) -> None:
        """Forget everything."""
        self._octaves: list[_Octave] = []
        self.interrupt()

    def interrupt(self) -> None:
        """A gap: keep what is known, and let no difference reach across."""
        self._reference: float | None = None  # taken off, so that phases stay small
        self._phase = 0.0
        self._index = 0
        for octave in self._octaves:
            octave.interrupt()

    def deviation_at(self, averaging_s: float) -> float | None:
        """Deviation at the averaging time that is nearest; None: not known yet."""
        estimate = self.estimate()
        taus_s = estimate.taus_s
        if not len(taus_s) or taus_s[-1] < averaging_s / math.sqrt(2.0):
            return None
        deviation = float(estimate.deviations[np.argmin(np.abs(np.log(taus_s / averaging_s)))])
        return deviation if math.isfinite(deviation) else None

    def process(self, values: NDArray[np.float64]) -> None:
        """Take the next values of the series.

        Parameters
        ----------
        values : ndarray of float64, shape (n,)
            Mean frequencies of successive intervals, any n from 0. One that
            is not finite counts as a gap.
        """
        for value in np.asarray(values, dtype=np.float64).tolist():
            if math.isfinite(value):
                self._take(value)
            else:
                self.interrupt()

    def estimate(self) -> AllanEstimate:
        """Deviations of all octaves that have at least one term.

        Returns
        -------
        AllanEstimate
            Empty before the third value.
        """
        known = [octave for octave in self._octaves if octave.terms > 0]
        deviations = np.array([octave.deviation() for octave in known])
        freedoms = np.array([octave.freedom(self._noise) for octave in known])
        return AllanEstimate(
            taus_s=np.array([octave.factor * self._tau0_s for octave in known]),
            deviations=deviations,
            sigmas=deviations / np.sqrt(2.0 * freedoms),
        )

    def copy(self) -> RunningAllan:
        """An independent estimate in the same state."""
        return copy.deepcopy(self)

    def __repr__(self) -> str:
        terms = [octave.terms for octave in self._octaves]
        return f"RunningAllan(tau0_s={self._tau0_s}, terms={terms})"

    def _take(self, value: float) -> None:
        if self._reference is None:
            self._reference = value
            self._feed()
        self._phase += value - self._reference
        self._index += 1
        self._feed()

    def _feed(self) -> None:
        """Hand the phase to the octaves whose turn it is, and open a new one."""
        for octave in self._octaves:
            if self._index % octave.stride:
                break  # strides are rising powers of two
            octave.add(self._phase)
        # A new octave takes over the phases of the last, before those are lost.
        if not self._octaves:
            self._octaves.append(_Octave(0, [self._phase]))
        elif self._octaves[-1].is_full and len(self._octaves) < _MOST_OCTAVES:
            self._octaves.append(self._octaves[-1].next_octave())


class _Octave:
    """Second differences over one averaging time."""

    def __init__(self, exponent: int, phases: list[float]) -> None:
        self.factor = 2**exponent
        self.stride = max(1, self.factor // _TERMS_PER_FACTOR)
        self._exponent = exponent
        self._lag = self.factor // self.stride
        self._phases = deque(phases, maxlen=2 * self._lag + 1)
        self._sum_of_squares = 0.0
        self.terms = 0

    @property
    def is_full(self) -> bool:
        """Whether the kept phases span two averaging times."""
        return len(self._phases) == 2 * self._lag + 1

    def interrupt(self) -> None:
        self._phases.clear()

    def add(self, phase: float) -> None:
        phases = self._phases
        phases.append(phase)
        if len(phases) == 2 * self._lag + 1:
            difference = phases[0] - 2.0 * phases[self._lag] + phase
            self._sum_of_squares += difference * difference
            self.terms += 1

    def next_octave(self) -> _Octave:
        """The octave above, with those phases kept here that it would have."""
        above = _Octave(self._exponent + 1, [])
        above._phases.extend(list(self._phases)[:: above.stride // self.stride])
        return above

    def deviation(self) -> float:
        # Phases here are sums of values, in units of the interval.
        return math.sqrt(0.5 * self._sum_of_squares / self.terms) / self.factor

    def freedom(self, noise: NoiseType) -> float:
        phases = (self.terms - 1) * self.stride + 2 * self.factor + 1
        return overlapping_freedom(phases, self.factor, noise)


def _second_differences(phases: NDArray[np.float64], factor: int) -> NDArray[np.float64]:
    first = phases[factor:] - phases[:-factor]
    return first[factor:] - first[:-factor]


def _root_mean_square(values: NDArray[np.float64]) -> float:
    return math.sqrt(np.dot(values, values) / len(values))


def _decimated(phases: NDArray[np.float64], factor: int, span: int) -> NDArray[np.float64]:
    _check_length(phases, factor, needed=span * factor + 1)
    return phases[::factor]


def _check_length(phases: NDArray[np.float64], factor: int, needed: int) -> None:
    if factor < 1:
        raise ValueError(f"factor is {factor}; it must be at least 1")
    if len(phases) < needed:
        raise ValueError(f"{len(phases)} phases given; factor {factor} needs {needed}")
