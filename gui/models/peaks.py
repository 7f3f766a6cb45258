"""Neighbours of a tracked line in a spectrum: peaks that stand out and are not the line."""

from __future__ import annotations

import numpy as np

# Of a noise spectrum one point in exp(-OVER^2) exceeds this many times its root mean square:
# with 5, one in 7e10, so that noise alone is never marked.
OVER_FLOOR = 5.0
# Half-power widths from the tracked line at which its own skirt is left behind.
OWN_WIDTHS = 4.0
MOST = 8
# The median of a Rayleigh distribution over its root mean square.
MEDIAN_OVER_RMS = float(np.sqrt(np.log(2.0)))

OVER_MEDIAN = OVER_FLOOR / MEDIAN_OVER_RMS


def neighbours_hz(
    offsets_hz: np.ndarray, densities: np.ndarray, resolution_hz: float, tracked_hz: float | None
) -> list[tuple[float, float]]:
    """Peaks beside the tracked line, the strongest first.

    Parameters
    ----------
    offsets_hz, densities : ndarray of float64, shape (n,)
        A spectrum of amplitudes.
    resolution_hz : float
        Half-power width of a steady line.
    tracked_hz : float or None
        Where the tracked line is, on the axis of offsets.

    Returns
    -------
    list of (float, float)
        Offset and density of each.

    Notes
    -----
    Each point is compared with the median around it, so that a slope of the
    floor is none, and with the median between it and the line, so that the
    line's skirt is none; derived above OVER_FLOOR.
    """
    if len(densities) < 9:
        return []
    window = max(len(densities) // 8 | 1, 9)
    padded = np.pad(densities, window // 2, mode="reflect")
    floor = np.median(np.lib.stride_tricks.sliding_window_view(padded, window), axis=1)
    is_peak = densities > OVER_MEDIAN * floor
    is_peak[1:] &= densities[1:] >= densities[:-1]
    is_peak[:-1] &= densities[:-1] > densities[1:]
    if tracked_hz is not None:
        is_peak &= np.abs(offsets_hz - tracked_hz) > OWN_WIDTHS * resolution_hz
    places = np.flatnonzero(is_peak)
    if tracked_hz is not None:
        line = int(np.argmin(np.abs(offsets_hz - tracked_hz)))
        places = [n for n in places if densities[n] > OVER_MEDIAN * _between(densities, line, n)]
    found = sorted(places, key=lambda place: -densities[place])[:MOST]
    return [(float(offsets_hz[place]), float(densities[place])) for place in found]


def _between(densities: np.ndarray, line: int, peak: int) -> float:
    """The median of what lies between a line and a peak."""
    low, high = sorted((line, peak))
    return float(np.median(densities[low + 1 : high]))
