"""Echo: Ramsey's two pulses with a pulse of half an exchange in the middle of the free time.

The middle pulse swaps the modes: what they gained on the pump before it they lose after
it, so that a detuning which stays the same does not count. Each free time is also measured
without that pulse.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from controller.analysis.protocols.data import (
    TWO_PI,
    Facts,
    ProtocolData,
    ProtocolFailure,
    ProtocolResult,
    guarded,
    propagated,
    with_sigmas,
)
from controller.analysis.protocols.fringes import (
    LOSS,
    FreeFringes,
    FreeTime,
    Fringes,
    Points,
    curve,
    fitted_fringes,
    frame_of,
    free_times,
    linear_start,
    points_of,
    step_hz,
    tracked_each_hz,
)
from controller.analysis.protocols.transfers import Decay, Passage, balanced, decay_of, passages
from controller.records import ModeId

LINE_POINTS = 400  # of a fitted curve
FREE_NUMBERS = 3  # contrast, phase and loss


def echo(data: ProtocolData) -> ProtocolResult:
    """What a pulse in the middle of the free time recovers.

    Parameters
    ----------
    data : ProtocolData
        Sequences as for `ramsey`, with and without a pulse `echo_pulse` between two equal
        free times, six or more of either kind.

    Returns
    -------
    ProtocolResult
        `echo_contrast` and `plain_contrast` at no free time; `echo_dephasing_time_s` and
        `plain_dephasing_time_s`, in which the fringes in the energy fade by e, against
        `energy_decay_time_s`. `recovered_fraction`: of the echo's contrast what is left
        after the longest free time at the commanded phase, loss of energy apart;
        `plain_fraction` the same without the middle pulse, where the `plain_detuning_hz`
        of the pump (mean, pump less difference) turns the fringes away. Each with its sigma.

    Notes
    -----
    Between the pulses the pump gains Psi_1 and, after the middle pulse, Psi_2 on the modes;
    the fringes have the phase Psi_1 + Psi_2 without and Psi_2 - Psi_1 with the echo. In the
    latter the difference matters only by what it drifts from one half to the other, which
    follows from the drift of the lower mode, from both amplitudes with their known Duffing
    shifts, and from the lengths of both halves.
    """
    return guarded(_echo, data)


def _echo(data: ProtocolData) -> ProtocolResult:
    found = passages(data, "first_pulse", "read_out")
    decay = decay_of(found, data.facts)
    found = balanced(found, decay)
    frame_hz = frame_of(found, data)
    plain = [each for each in found if "echo_pulse" not in each.parameters]
    echoed = [each for each in found if "echo_pulse" in each.parameters]
    if not plain or not echoed:
        raise ProtocolFailure(
            f"there are {len(plain)} sequences without an echo_pulse and {len(echoed)} with "
            "one; both kinds are needed"
        )
    plain_frees = [free_times(each, ("second_pulse",), data.facts, frame_hz) for each in plain]
    plain_points = points_of(plain, plain_frees, data.facts, decay, signs=(1.0,))
    firsts = [each[0] for each in plain_frees]
    tracked_hz = tracked_each_hz(firsts, data, frame_hz)
    turned_hz = step_hz(plain, plain_points)
    free = FreeFringes(plain_points, firsts, data.facts, turned_hz, tracked_hz)
    plain_fringes = free.fitted()
    difference_hz = free.mean_difference_hz(plain_fringes)
    steps_rad = np.array([_step_rad(each) for each in plain])
    pump_hz = float((plain_points.turned_rad - steps_rad).sum() / plain_points.free_s.sum())
    detuning_hz = pump_hz / TWO_PI - difference_hz[0]
    drift_share = free.difference_per_lower(plain_fringes)
    echo_points, echo_fringes = _echo_fringes(
        echoed, data.facts, decay, frame_hz, difference_hz[0], drift_share
    )
    longest_s = float(max(plain_points.free_s.max(), echo_points.free_s.max()))
    kept = propagated(
        lambda values: math.exp(-values[LOSS] * longest_s),
        plain_fringes.values,
        plain_fringes.covariance,
    )
    turned_rad = TWO_PI * detuning_hz * longest_s
    turn_sigma = TWO_PI * difference_hz[1] * longest_s
    results = with_sigmas(
        {
            "echo_contrast": echo_fringes.contrast,
            "plain_contrast": plain_fringes.contrast,
            "echo_dephasing_time_s": echo_fringes.dephasing_time_s(decay),
            "plain_dephasing_time_s": plain_fringes.dephasing_time_s(decay),
            "energy_decay_time_s": decay.time_s,
            "recovered_fraction": propagated(
                lambda values: math.exp(-values[LOSS] * longest_s),
                echo_fringes.values,
                echo_fringes.covariance,
            ),
            "plain_fraction": (
                kept[0] * math.cos(turned_rad),
                math.hypot(
                    kept[1] * math.cos(turned_rad), kept[0] * math.sin(turned_rad) * turn_sigma
                ),
            ),
            "plain_detuning_hz": (detuning_hz, difference_hz[1]),
        }
    )
    results["echo_chi_square_ratio"] = echo_fringes.chi_square_ratio
    results["plain_chi_square_ratio"] = plain_fringes.chi_square_ratio
    series = _series("plain", plain_points, plain_fringes, turned_hz + detuning_hz)
    series |= _series("echo", echo_points, echo_fringes, step_hz(echoed, echo_points))
    return ProtocolResult(results=results, series=series)


def _step_rad(passage: Passage) -> float:
    return passage.parameters["second_pulse"].get("phase_rad", 0.0)


def _echo_fringes(
    echoed: Sequence[Passage],
    facts: Facts,
    decay: Decay,
    frame_hz: float,
    difference_hz: float,
    drift_share: float,
) -> tuple[Points, Fringes]:
    """Fringes of the sequences with a middle pulse, at phases that are all but known."""
    frees = [free_times(each, ("echo_pulse", "second_pulse"), facts, frame_hz) for each in echoed]
    points = points_of(echoed, frees, facts, decay, signs=(-1.0, 1.0))
    gained_rad = [
        _gained_rad(before, after, facts, difference_hz, drift_share) for before, after in frees
    ]
    phases_rad = points.leads_rad + points.turned_rad - np.array(gained_rad)
    start = linear_start(points, phases_rad)[0]
    fringes = fitted_fringes(
        points,
        start=start,
        phases_rad=lambda _: phases_rad,
        prior=lambda _: np.zeros(0),
        freedom=len(echoed) - FREE_NUMBERS,
    )
    return points, fringes


def _gained_rad(
    before: FreeTime, after: FreeTime, facts: Facts, difference_hz: float, drift_share: float
) -> float:
    """Phase that the difference has by the second half beyond the first."""
    drift_hz = drift_share * after.lower_drift_hz(before)
    drift_hz += sum(
        facts.difference_duffing_hz_per_m2(mode)[0] * (later_m2 - earlier_m2)
        for mode, later_m2, earlier_m2 in zip(
            ModeId, after.powers_m2, before.powers_m2, strict=True
        )
    )
    return TWO_PI * (
        difference_hz * (after.duration_s - before.duration_s)
        + 0.5 * drift_hz * (after.duration_s + before.duration_s)
    )


def _series(kind: str, points: Points, fringes: Fringes, fringe_hz: float) -> dict[str, np.ndarray]:
    """Points, and the curve at the mean frequency, against the free time."""
    line_s = np.linspace(0.0, 1.05 * float(points.free_s.max()), LINE_POINTS)
    return {
        f"{kind}_free_s": points.free_s,
        f"{kind}_transferred": points.fractions,
        f"{kind}_transferred_sigma": fringes.sigmas,
        f"{kind}_expected": fringes.expected,
        f"{kind}_contrast": fringes.contrast[0] * np.exp(-fringes.values[LOSS] * points.free_s),
        f"{kind}_line_s": line_s,
        f"{kind}_line_transferred": curve(points, fringes, TWO_PI * fringe_hz * line_s, line_s),
    }
