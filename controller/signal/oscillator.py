"""Phase that stays exact for days: one turn is 2**64 counts.

A float64 count of cycles loses a part in 1e5 of a cycle within a day at a
megahertz; integers modulo 2**64 lose nothing. Here live the numerically
controlled oscillator's arithmetic; filters and
mixing live in `controller.signal.downconverter`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

COUNTS_PER_TURN = 2**64
RAD_PER_COUNT = 2.0 * np.pi / COUNTS_PER_TURN


def counts_per_sample(frequency_hz: float, sample_rate_hz: float) -> int:
    """Phase advance of a frequency over one sample, in counts.

    Parameters
    ----------
    frequency_hz : float
        Any finite frequency, also negative or above half the rate [Hz].
    sample_rate_hz : float
        Sample rate, greater than 0 [Hz].

    Returns
    -------
    int
        The ratio of the two numbers, taken exactly, rounded to 2**-64 turn
        and reduced to [0, 2**64) [counts per sample].

    Raises
    ------
    ValueError
        If a number is not finite or the rate is not above 0.
    """
    if not np.isfinite(frequency_hz):
        raise ValueError(f"frequency_hz is {frequency_hz}; it must be finite")
    if not (np.isfinite(sample_rate_hz) and sample_rate_hz > 0.0):
        raise ValueError(f"sample_rate_hz is {sample_rate_hz}; it must be finite and above 0")
    frequency_top, frequency_bottom = float(frequency_hz).as_integer_ratio()
    rate_top, rate_bottom = float(sample_rate_hz).as_integer_ratio()
    numerator = frequency_top * rate_bottom * COUNTS_PER_TURN
    denominator = frequency_bottom * rate_top
    return ((2 * numerator + denominator) // (2 * denominator)) % COUNTS_PER_TURN


def turns_at(counts: int, sample_index: int) -> float:
    """Phase of an oscillator at one sample, as a fraction of a turn.

    Parameters
    ----------
    counts : int
        Phase advance [counts per sample].
    sample_index : int
        Absolute sample number, of any size; the phase is 0 at 0.

    Returns
    -------
    float
        Phase in [0, 1) [turns], cut to 53 bits so that it never rounds to 1.
    """
    return (((counts * sample_index) % COUNTS_PER_TURN) >> 11) / 2.0**53


def rotation(counts: int, first_index: int, length: int) -> NDArray[np.complex128]:
    """Unit phasors of an oscillator at successive samples.

    Parameters
    ----------
    counts : int
        Phase advance [counts per sample].
    first_index : int
        Absolute sample number of the first phasor, of any size.
    length : int
        Number of phasors, at least 0.

    Returns
    -------
    ndarray of complex128, shape (length,)
        exp(2 pi i counts n / 2**64) at n = first_index, first_index + 1, ...

    Notes
    -----
    The phase of each phasor is computed on its own in integers modulo
    2**64, so the error is that of one exponential at any index.
    """
    return rotations((counts,), first_index, length)[:, 0]


def rotations(counts: Sequence[int], first_index: int, length: int) -> NDArray[np.complex128]:
    """Unit phasors of several oscillators at successive samples.

    Parameters
    ----------
    counts : sequence of int, k of them
        Phase advances [counts per sample].
    first_index : int
        Absolute sample number of the first phasors, of any size.
    length : int
        Number of samples, at least 0.

    Returns
    -------
    ndarray of complex128, shape (length, k)
        As `rotation`, one column per oscillator.
    """
    advances = np.array([one % COUNTS_PER_TURN for one in counts], dtype=np.uint64)
    starts = np.array([one * first_index % COUNTS_PER_TURN for one in counts], dtype=np.uint64)
    steps = np.arange(length, dtype=np.uint64)[:, np.newaxis] * advances + starts
    # Read as signed, the counts lie in half a turn either side of 0.
    return np.exp((1j * RAD_PER_COUNT) * steps.view(np.int64))
