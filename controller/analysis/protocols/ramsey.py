"""Ramsey fringes: two pulses of a quarter exchange with a free time between."""

from __future__ import annotations

import math

import numpy as np

from controller.analysis.protocols.data import (
    TWO_PI,
    ProtocolData,
    ProtocolResult,
    guarded,
    with_sigmas,
)
from controller.analysis.protocols.fringes import (
    LINE_POINTS,
    FreeFringes,
    Fringes,
    Points,
    curve,
    frame_of,
    free_times,
    points_of,
    step_hz,
    tracked_each_hz,
)
from controller.analysis.protocols.transfers import (
    balanced,
    decay_of,
    passages,
    tracked_mean,
)


def ramsey(data: ProtocolData) -> ProtocolResult:
    """Difference, contrast and dephasing from Ramsey fringes.

    Parameters
    ----------
    data : ProtocolData
        Sequences `first_pulse`, `free`, `second_pulse`, `read_out` with six or more free
        times; the second pulse goes on in the phase of the first one, turned by an angle
        that grows with the free time.

    Returns
    -------
    ProtocolResult
        `fringe_hz`, frequency of the fringes against the true free time: what the second
        pulse is turned by in a second, and what the pump was above the difference.
        `difference_hz`, from it and the pump's logged phase, mean over all free time;
        `difference_tracked_hz`, what the loop reported, mean over the same; and
        `difference_disagreement_hz`, the former less the latter (its sigma has both).
        `contrast` at no free time. `dephasing_time_s`, in which the fringes in the energy
        fade by e, against `energy_decay_time_s`, in which the energy does: equal if nothing
        but the loss of energy dephases. `chi_square_ratio`, per degree of freedom.

    Notes
    -----
    Two pulses of a quarter exchange, resonant, hand over (1 + cos(Psi))/2, with Psi what the
    pump's phase is ahead of that of the modes (Ramsey 1950, from memory): by what is read
    after the first pulse, and what it gains in the free time. Lengths that are not quite a
    quarter and detunings, alike in every sequence, go into offset, contrast and phase, which
    are free; how unevenly both modes share the energy before the second pulse is read too.
    The frequency follows the lower mode's by a ratio and walks from one sequence
    to the next.

    References
    ----------
    T. Faust et al., Nature Physics 9, 485 (2013): Ramsey fringes of two mechanical modes,
    dephasing and energy decay alike.
    """
    return guarded(_ramsey, data)


def _ramsey(data: ProtocolData) -> ProtocolResult:
    found = passages(data, "first_pulse", "read_out")
    decay = decay_of(found, data.facts)
    found = balanced(found, decay)
    frame_hz = frame_of(found, data)
    frees = [free_times(passage, ("second_pulse",), data.facts, frame_hz) for passage in found]
    points = points_of(found, frees, data.facts, decay, signs=(1.0,))
    firsts = [each[0] for each in frees]
    tracked_hz = tracked_each_hz(firsts, data, frame_hz)
    fit = FreeFringes(points, firsts, data.facts, step_hz(found, points), tracked_hz)
    fringes = fit.fitted()
    difference_hz = fit.mean_difference_hz(fringes)
    pump_hz = float(points.turned_rad.sum() / points.free_s.sum()) / TWO_PI
    values = {
        "fringe_hz": (pump_hz - difference_hz[0], difference_hz[1]),
        "difference_hz": (
            data.reference_difference_hz + frame_hz + difference_hz[0],
            difference_hz[1],
        ),
        "contrast": fringes.contrast,
        "dephasing_time_s": fringes.dephasing_time_s(decay),
        "energy_decay_time_s": decay.time_s,
    }
    results = with_sigmas(values)
    tracked = tracked_mean(data, [(free.start_s, free.end_s) for free in firsts])
    results |= _compared(tracked, data, values["difference_hz"])
    results["chi_square_ratio"] = fringes.chi_square_ratio
    return ProtocolResult(
        results=results, series=_series(points, fringes, pump_hz - difference_hz[0])
    )


def _compared(
    tracked: tuple[float, float] | None, data: ProtocolData, difference_hz: tuple[float, float]
) -> dict[str, float | None]:
    """The tracked difference beside that of the fringes."""
    names = ("difference_tracked_hz", "difference_disagreement_hz")
    if tracked is None:
        return {f"{name}{end}": None for name in names for end in ("", "_sigma")}
    tracked_hz = data.reference_difference_hz + tracked[0]
    return {
        "difference_tracked_hz": tracked_hz,
        "difference_tracked_hz_sigma": tracked[1],
        "difference_disagreement_hz": difference_hz[0] - tracked_hz,
        "difference_disagreement_hz_sigma": math.hypot(difference_hz[1], tracked[1]),
    }


def _series(points: Points, fringes: Fringes, fringe_hz: float) -> dict[str, np.ndarray]:
    """Points, and the curve at the mean frequency, against the free time."""
    line_s = np.linspace(0.0, 1.05 * float(points.free_s.max()), LINE_POINTS)
    return {
        "free_s": points.free_s,
        "transferred": points.fractions,
        "transferred_sigma": fringes.sigmas,
        "expected": fringes.expected,
        "line_s": line_s,
        "line_transferred": curve(points, fringes, TWO_PI * fringe_hz * line_s, line_s),
    }
