"""Ranges and ticks of axes: chosen here, so that they stay put while data move."""

from __future__ import annotations

import math

import numpy as np

_TIME_STEPS_S = (
    *(0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 15.0, 30.0),
    *(60.0, 120.0, 300.0, 600.0, 900.0, 1800.0),
    *(3600.0, 7200.0, 10800.0, 21600.0, 43200.0, 86400.0),
)

MARGIN = 0.12  # of the data's extent, free above and below
LEAST_USED = 0.4  # of a range; a range that is used less is made smaller


def linear_ticks(low: float, high: float, most: int) -> list[float]:
    """Round numbers between two, at most so many."""
    span = high - low
    if not (math.isfinite(span) and span > 0.0 and most > 0):
        return []
    step = 10.0 ** math.floor(math.log10(span / most))
    step = next(step * times for times in (1, 2, 5, 10, 20) if span / (step * times) <= most)
    first = math.ceil(low / step - 1e-9)
    return [n * step for n in range(first, math.floor(high / step + 1e-9) + 1)]


def time_ticks(low_s: float, high_s: float, most: int) -> tuple[list[float], float]:
    """Round times between two, at most so many, and their step [s]."""
    span_s = high_s - low_s
    if not (math.isfinite(span_s) and span_s > 0.0 and most > 0):
        return [], 1.0
    days_s = 86400.0 * max(math.ceil(span_s / 86400.0 / most), 1)
    step_s = next((step_s for step_s in _TIME_STEPS_S if span_s / step_s <= most), days_s)
    first = math.ceil(low_s / step_s - 1e-9)
    last = math.floor(high_s / step_s + 1e-9)
    return [n * step_s for n in range(first, last + 1)], step_s


def logarithmic_ticks(low: float, high: float, most: int) -> list[float]:
    """Logarithms of round values between two logarithms, at most so many.

    Whole decades, or every second, third, ...; where those are fewer than
    two, 1, 2 and 5 in each decade, or every second, third, ... of these;
    where those are, round values.
    """
    if not (math.isfinite(high - low) and high > low and most > 0):
        return []
    first, last = math.ceil(low - 1e-9), math.floor(high + 1e-9)
    step = max(math.ceil((last - first + 1) / most), 1)
    decades = [float(n) for n in range(first, last + 1, step)]
    if len(decades) > 1:
        return decades
    between = [n + math.log10(m) for n in range(first - 1, last + 1) for m in (1, 2, 5)]
    between = [tick for tick in between if low - 1e-9 <= tick <= high + 1e-9]
    between = between[:: max(math.ceil(len(between) / most), 1)]
    if len(between) > 1:
        return between
    return decades or [math.log10(v) for v in linear_ticks(10.0**low, 10.0**high, most) if v > 0.0]


def extent(*series: np.ndarray) -> tuple[float, float] | None:
    """The least and the largest finite value of several series; None: there is none."""
    finite = [each[np.isfinite(each)] for each in series]
    finite = [each for each in finite if len(each)]
    if not finite:
        return None
    return min(float(each.min()) for each in finite), max(float(each.max()) for each in finite)


def steady_range(
    shown: tuple[float, float] | None, data: tuple[float, float] | None, least_span: float
) -> tuple[float, float] | None:
    """The range to show: as it is while the data fit well, else a new one around them.

    Parameters
    ----------
    shown : tuple of float or None
        The range shown now.
    data : tuple of float or None
        The least and the largest value.
    least_span : float
        A range is never made smaller than this.

    Returns
    -------
    tuple of float or None
        None: there is nothing to show.
    """
    if data is None:
        return shown
    low, high = data
    if shown is not None and shown[0] <= low and high <= shown[1]:
        is_used = high - low >= LEAST_USED * (shown[1] - shown[0])
        if is_used or shown[1] - shown[0] <= 1.01 * least_span:
            return shown
    span = max((1.0 + 2.0 * MARGIN) * (high - low), least_span)
    middle = 0.5 * (low + high)
    return middle - span / 2.0, middle + span / 2.0


def round_reference(low: float, high: float) -> float:
    """A round value just below a range, with so few digits that the rest is short."""
    step = 10.0 ** math.ceil(math.log10(high - low) - 1e-9)
    return math.floor(low / step) * step
