"""Faults of all kinds at times that a seed chooses, and where each of them shows in a log.

A schedule is part of an instrument's options, so it travels through a configuration file:
what a service was given, a judge can draw up again.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np

from controller.runtime.log.reader import LogReader

SETTLED_S = 30.0  # after which both modes are found, held and pumped
KNOCK_RAD = 0.5
SEEN_WITHIN_S = 1.0  # of a fault's end: ten records, and many times what the interlock may take
JUMP_HZ = 3.0


class FaultKind(StrEnum):
    """What can happen to an instrument and still pass."""

    GAP = "gap"
    OVERLOAD = "overload"
    NAN = "nan"
    FROZEN = "frozen"
    TIMEOUT = "timeout"
    REFUSED = "refused"  # the pump's next command
    LATE = "late"  # the pump's next command takes effect later than it should
    JUMP = "jump"  # of one mode's frequency
    FLIP = "flip"  # the fringe's other slope
    KNOCK = "knock"  # both modes' amplitudes and phases
    BLIND = "blind"  # one mode cannot be seen for a while


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault, and when it happens in the stream."""

    kind: FaultKind
    at_s: float
    duration_s: float = 0.0
    size: float = 0.0  # of a jump [Hz]
    mode: str = "lower"


def schedule(seed: int, count: int, stream_s: float) -> tuple[Fault, ...]:
    """Faults spread over a stream, each kind as often as any other.

    Parameters
    ----------
    seed : int
        For kinds, times and sizes.
    count : int
        How many.
    stream_s : float
        Length of the stream [s]; nothing happens in its first and last half minute.

    Returns
    -------
    tuple of Fault
        In order of time.
    """
    rng = np.random.default_rng(seed)
    kinds = rng.permutation([list(FaultKind)[n % len(FaultKind)] for n in range(count)])
    slot_s = (stream_s - 2.0 * SETTLED_S) / count
    faults, jumped_hz = [], {"lower": 0.0, "upper": 0.0}
    for number, name in enumerate(kinds):
        kind = FaultKind(name)
        mode = str(rng.choice(["lower", "upper"]))
        hz = 0.0
        if kind is FaultKind.JUMP:  # to and fro, so that modes stay where they are looked for
            hz = -jumped_hz[mode] or float(rng.uniform(0.5, 1.0) * rng.choice([-JUMP_HZ, JUMP_HZ]))
            jumped_hz[mode] += hz
        faults.append(
            Fault(
                kind=kind,
                at_s=round(SETTLED_S + (number + float(rng.uniform(0.0, 0.3))) * slot_s, 4),
                duration_s=round(float(rng.uniform(0.05, 0.4)), 4),
                size=hz,
                mode=mode,
            )
        )
    return tuple(faults)


def simulator_options(faults: tuple[Fault, ...]) -> dict[str, Any]:
    """What of a schedule the simulated membrane can do by itself, as its options."""
    spans: dict[str, list[dict[str, float]]] = {}
    names = {FaultKind.GAP: "lost"}
    for kind in (FaultKind.GAP, FaultKind.OVERLOAD, FaultKind.NAN, FaultKind.FROZEN):
        spans[names.get(kind, kind.value)] = [
            {"at_s": each.at_s, "duration_s": each.duration_s}
            for each in faults
            if each.kind is kind
        ]
    return {
        "faults": {
            **spans,
            "jumps": [
                {"mode": each.mode, "at_s": each.at_s, "hz": each.size}
                for each in faults
                if each.kind is FaultKind.JUMP
            ],
            "mode_dies": [
                {"mode": each.mode, "at_s": each.at_s, "until_s": each.at_s + each.duration_s}
                for each in faults
                if each.kind is FaultKind.BLIND
            ],
        },
        "flips_at_s": [each.at_s for each in faults if each.kind is FaultKind.FLIP],
    }


def unseen(faults: tuple[Fault, ...], reader: LogReader) -> list[Fault]:
    """The faults of a schedule that a log says nothing of.

    Parameters
    ----------
    faults : tuple of Fault
        What was done.
    reader : LogReader
        The log of the run it was done to.

    Returns
    -------
    list of Fault
        Those without an event of their kind, or without evidence against the
        pump, between their begin and SEEN_WITHIN_S after their end.
    """
    traces: list[tuple[float, str]] = []
    for event in reader.events():
        traces.append((event.time_s, f"{event.source} {event.kind}: {event.text}"))
    latency_samples = reader.channels["pump"].latency_samples
    for tone in reader.tones("pump"):
        actual = tone.set_tone
        if actual is not None:
            expected = max(tone.asked.at_sample, tone.sample_index + latency_samples)
            if actual.at_sample > expected:
                traces.append((tone.time_s, "late tone"))
    return [fault for fault in faults if not any(_shows(fault, *trace) for trace in traces)]


_SIGNS = {
    FaultKind.GAP: ("stream gap",),
    FaultKind.OVERLOAD: ("stream unfit",),
    FaultKind.NAN: ("stream unfit",),
    FaultKind.FROZEN: ("stream unfit",),
    FaultKind.TIMEOUT: ("stream timeout",),
    FaultKind.REFUSED: ("pump refused",),
    FaultKind.LATE: ("late tone",),
    FaultKind.JUMP: ("pump interlock_open", "state", "search"),
    FaultKind.FLIP: ("pump interlock_open", "state", "search"),
    FaultKind.KNOCK: ("pump interlock_open", "state", "search"),
    FaultKind.BLIND: ("pump interlock_open", "state", "search"),
}


def _shows(fault: Fault, time_s: float, text: str) -> bool:
    is_time = fault.at_s <= time_s <= fault.at_s + fault.duration_s + SEEN_WITHIN_S
    return is_time and any(sign in text for sign in _SIGNS[fault.kind])
