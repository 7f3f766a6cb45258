"""Analysis of a long watch: drift, stability, locks, and how well the pump stayed on.

Everything is read from the records of the loop; nothing is fitted to basebands.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from scipy.stats import norm

from controller.analysis.protocols.data import (
    TWO_PI,
    ProtocolData,
    ProtocolFailure,
    ProtocolResult,
    Results,
    guarded,
    with_sigmas,
)
from controller.records import ModeId, TrackerState

SECTION = "watch"
SHORTEST_S = 10.0
BLOCKS = 8  # of the watch, for slopes and scatters
FEWEST_PER_BLOCK = 4
ALLAN_TIMES_S = (1.0, 10.0, 100.0, 1000.0)  # in the results; the series has all octaves
FEWEST_AVERAGES = 4  # independent ones, for an Allan deviation
LINE_SHARE = 0.1  # of the line width: the pump is on the difference
KNOWN_STATES = (TrackerState.LOCKED.value, TrackerState.HOLDING.value)

Columns = Mapping[str, np.ndarray]


def drift_watch(data: ProtocolData) -> ProtocolResult:
    """Drift, Allan deviation, lock statistics and detuning of the pump over a watch.

    Parameters
    ----------
    data : ProtocolData
        A section `watch`, and the records during it.

    Returns
    -------
    ProtocolResult
        `difference_drift_hz_per_s`, `lower_drift_hz_per_s`, `upper_drift_hz_per_s`;
        `allan_deviation_N_s_hz` of the difference; `time_within_tenth_of_line`, the share
        of the time with the pump on at which it was nearer to the difference than a tenth
        of the mean line width; `rms_detuning_hz`; each with its sigma. `time_locked`, the
        share of the watch at which both modes were known; `losses`, how often they ceased
        to be; `time_pumped`, the share with the pump on. Series: the difference, the
        detuning, and the Allan deviations.

    Notes
    -----
    The sigma of a drift is the scatter of the slopes of overlapping blocks, carried to the
    whole as for a random walk: it includes what the room does. What the tracked difference
    may be off by counts as detuning of the pump, and in the sigmas as one error of the whole.
    """
    return guarded(_drift_watch, data)


def _drift_watch(data: ProtocolData) -> ProtocolResult:
    columns = _watched(data)
    times_s = columns["time_s"]
    values: dict[str, tuple[float, float]] = {}
    for name, key in (
        ("difference", "difference_hz"),
        *((mode.value, f"{mode}_frequency_hz") for mode in ModeId),
    ):
        values[f"{name}_drift_hz_per_s"] = _drift(times_s, columns[key])
    spacing_s = float(np.median(np.diff(times_s)))
    on_grid_hz = _on_grid(times_s, columns["difference_hz"], spacing_s)
    for averaging_s in ALLAN_TIMES_S:
        found = _allan_deviation(on_grid_hz, round(averaging_s / spacing_s))
        if found is not None:
            values[f"allan_deviation_{averaging_s:.0f}_s_hz"] = found
    is_pumped = (columns["pump_amplitude"] > 0.0) & np.isfinite(columns["pump_hz"])
    is_pumped &= np.isfinite(columns["difference_hz"] + columns["difference_sigma_hz"])
    if is_pumped.any():
        values |= _pump_values(data, columns, is_pumped)
    results: Results = with_sigmas(values)
    is_known = _is_known(columns)
    results["time_locked"] = float(is_known.mean())
    results["losses"] = float(np.sum(is_known[:-1] & ~is_known[1:]))
    results["time_pumped"] = float((columns["pump_amplitude"] > 0.0).mean())
    octaves = _octaves(on_grid_hz, spacing_s)
    detuning_hz = np.where(is_pumped, columns["pump_hz"] - columns["difference_hz"], np.nan)
    return ProtocolResult(
        results=results,
        series={
            "time_s": times_s,
            "difference_hz": columns["difference_hz"],
            "difference_sigma_hz": columns["difference_sigma_hz"],
            "detuning_hz": detuning_hz,
            "averaging_s": octaves[:, 0],
            "allan_deviation_hz": octaves[:, 1],
            "allan_deviation_sigma_hz": octaves[:, 2],
        },
    )


def _watched(data: ProtocolData) -> dict[str, np.ndarray]:
    """The records during the completed sections `watch`."""
    sections = [s for s in data.sections if s.name == SECTION and s.completed]
    if not sections:
        raise ProtocolFailure("no section `watch` was completed")
    times_s = data.records.get("time_s", np.zeros(0))
    is_inside = np.zeros(len(times_s), dtype=bool)
    for section in sections:
        is_inside |= (times_s >= section.start_s) & (times_s <= section.end_s)
    if not is_inside.any() or float(np.ptp(times_s[is_inside])) < SHORTEST_S:
        raise ProtocolFailure(f"the records of the watch span less than {SHORTEST_S:.0f} s")
    columns = {name: np.asarray(values)[is_inside] for name, values in data.records.items()}
    if not np.isfinite(columns["difference_hz"]).any():
        raise ProtocolFailure("the difference was never tracked during the watch")
    return columns


def _is_known(columns: Columns) -> np.ndarray:
    """Where both modes were known: by their states if those are there, else by the difference."""
    names = [f"{mode}_state" for mode in ModeId]
    if all(name in columns for name in names):
        return np.logical_and.reduce([np.isin(columns[name], KNOWN_STATES) for name in names])
    return np.isfinite(columns["difference_hz"])


# -- drift ------------------------------------------------------------------------


def _drift(times_s: np.ndarray, values_hz: np.ndarray) -> tuple[float, float]:
    """Slope of all, and its sigma from the slopes of overlapping blocks."""
    is_known = np.isfinite(values_hz)
    times_s, values_hz = times_s[is_known], values_hz[is_known]
    if len(times_s) < BLOCKS * FEWEST_PER_BLOCK:
        raise ProtocolFailure(f"{len(times_s)} readings are too few for a drift")
    whole = _slope(times_s, values_hz)
    length_s = float(np.ptp(times_s)) / BLOCKS
    starts_s = times_s[0] + 0.5 * length_s * np.arange(2 * BLOCKS - 1)
    slopes = []
    for start_s in starts_s:
        is_inside = (times_s >= start_s) & (times_s <= start_s + length_s)
        if is_inside.sum() >= FEWEST_PER_BLOCK:
            slopes.append(_slope(times_s[is_inside], values_hz[is_inside]))
    # The slope of a walk over T has a variance of 6/5 q/T, whatever T; a block's distance
    # from the slope of all has lost a share 1 / BLOCKS of it.
    variance = float(np.mean((np.array(slopes) - whole) ** 2)) / (1.0 - 1.0 / BLOCKS)
    return whole, math.sqrt(variance / BLOCKS)


def _slope(times_s: np.ndarray, values_hz: np.ndarray) -> float:
    centred_s = times_s - times_s.mean()
    return float(centred_s @ (values_hz - values_hz.mean())) / float(centred_s @ centred_s)


# -- stability ----------------------------------------------------------------------


def _on_grid(times_s: np.ndarray, values_hz: np.ndarray, spacing_s: float) -> np.ndarray:
    """Readings by their place on an even grid; NaN where one is missing."""
    places = np.round((times_s - times_s[0]) / spacing_s).astype(int)
    grid = np.full(places[-1] + 1, np.nan)
    grid[places] = values_hz
    return grid


def _allan_deviation(values_hz: np.ndarray, count: int) -> tuple[float, float] | None:
    """Overlapping Allan deviation of means over `count` readings, and its sigma.

    Averages with a missing reading are left out. With n independent differences of a
    random walk or slower, the relative sigma is near 1/sqrt(2 n).
    """
    if count < 1 or len(values_hz) < 2 * count:
        return None
    is_known = np.isfinite(values_hz)
    centred = np.where(is_known, values_hz - np.nanmean(values_hz), 0.0)
    sums = np.concatenate([[0.0], np.cumsum(centred)])
    knowns = np.concatenate([[0], np.cumsum(is_known)])
    means = (sums[count:] - sums[:-count]) / count
    is_whole = (knowns[count:] - knowns[:-count]) == count
    steps = (means[count:] - means[:-count])[is_whole[count:] & is_whole[:-count]]
    independent = len(steps) / count
    if independent < FEWEST_AVERAGES - 1:
        return None
    deviation = math.sqrt(0.5 * float(np.mean(steps**2)))
    return deviation, deviation / math.sqrt(2.0 * independent)


def _octaves(values_hz: np.ndarray, spacing_s: float) -> np.ndarray:
    """Averaging time, Allan deviation and sigma at octaves, shape (n, 3)."""
    rows, count = [], 1
    while (found := _allan_deviation(values_hz, count)) is not None:
        rows.append((count * spacing_s, *found))
        count *= 2
    return np.array(rows).reshape(-1, 3)


# -- pump --------------------------------------------------------------------------


def _pump_values(
    data: ProtocolData, columns: Columns, is_pumped: np.ndarray
) -> dict[str, tuple[float, float]]:
    """How far the pump was from the difference, as far as that is known."""
    detuning_hz = (columns["pump_hz"] - columns["difference_hz"])[is_pumped]
    sigma_hz = np.maximum(columns["difference_sigma_hz"][is_pumped], 1e-12)
    line_hz = 0.5 * (data.facts.lower.decay_rate_per_s + data.facts.upper.decay_rate_per_s) / TWO_PI
    edge_hz = LINE_SHARE * line_hz
    chances = norm.cdf((edge_hz - detuning_hz) / sigma_hz)
    chances -= norm.cdf((-edge_hz - detuning_hz) / sigma_hz)
    within, within_scatter = _mean_of_blocks(chances)
    square, square_scatter = _mean_of_blocks(detuning_hz**2 + sigma_hz**2)
    rms_hz = math.sqrt(square)
    # The tracked difference may err all the time in one way, as where masses are not known: it
    # is inside then or not, and the square of a normal error scatters by root 2 of its mean.
    within_sigma = math.hypot(within_scatter, math.sqrt(float(np.mean(chances * (1.0 - chances)))))
    square_sigma = math.hypot(square_scatter, math.sqrt(2.0) * float(np.mean(sigma_hz**2)))
    return {
        "time_within_tenth_of_line": (within, within_sigma),
        "rms_detuning_hz": (rms_hz, 0.5 * square_sigma / rms_hz),
    }


def _mean_of_blocks(values: np.ndarray) -> tuple[float, float]:
    """Mean of correlated readings, and its sigma from the means of blocks."""
    blocks = np.array([block.mean() for block in np.array_split(values, BLOCKS) if len(block)])
    sigma = float(blocks.std(ddof=1)) / math.sqrt(len(blocks)) if len(blocks) > 1 else 0.0
    return float(values.mean()), sigma
