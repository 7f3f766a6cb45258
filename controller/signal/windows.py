"""Figures of merit of windows that scipy.signal.windows does not tell.

The windows themselves are scipy's. Any window is an array here, so symmetric
and periodic forms, which differ in the third digit, are the caller's choice;
spectra take the periodic form.
"""

from __future__ import annotations

import numpy as np
import scipy.optimize
from numpy.typing import NDArray


def noise_bandwidth_bins(window: NDArray[np.float64]) -> float:
    """Equivalent noise bandwidth of a window, in bins.

    Parameters
    ----------
    window : ndarray of float64, shape (n,)
        Weights; their sum is not 0.

    Returns
    -------
    float
        n sum(w^2) / (sum w)^2, 1 for the rectangular window [bins of
        sample rate / n].

    References
    ----------
    F. J. Harris, Proc. IEEE 66, 51 (1978), Eq. (15).
    """
    return float(len(window) * np.dot(window, window) / np.sum(window) ** 2)


def scallop_loss_db(window: NDArray[np.float64]) -> float:
    """Loss of a line half-way between two bins against one on a bin.

    Parameters
    ----------
    window : ndarray of float64, shape (n,)
        Weights; their sum is not 0.

    Returns
    -------
    float
        Positive where the line half-way reads lower [dB].

    References
    ----------
    F. J. Harris, Proc. IEEE 66, 51 (1978), Eq. (17).
    """
    return float(-20.0 * np.log10(_relative_response(window, 0.5)))


def half_power_width_bins(window: NDArray[np.float64]) -> float:
    """Full width at half power that a steady line shows, in bins.

    Parameters
    ----------
    window : ndarray of float64, shape (n,)
        Weights of a low pass: the response falls from bin 0.

    Returns
    -------
    float
        The 3 dB width [bins of sample rate / n].
    """
    outer = 0.5
    while _relative_response(window, outer) > 0.5**0.5:
        outer += 0.5
    crossing = scipy.optimize.brentq(
        lambda bins: _relative_response(window, bins) - 0.5**0.5, outer - 0.5, outer
    )
    return float(2.0 * crossing)


def _relative_response(window: NDArray[np.float64], offset_bins: float) -> float:
    """Magnitude of the transform some bins away from its peak, over the peak."""
    turns = np.arange(len(window)) * (offset_bins / len(window))
    return float(np.abs(np.dot(window, np.exp(-2j * np.pi * turns))) / np.abs(np.sum(window)))
