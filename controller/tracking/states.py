"""The states of a tracker and the only ways between them.

Theory of operation. A tracker starts SEARCHING: it has no line. Once the
search hands it a frequency it is PULLING_IN: the loop runs, its word is not
yet taken. When its phase error has stayed small for a while it is LOCKED.
Evidence that the line is not measurable (the amplitude falls out, the phase
jumps, the stream has a gap) makes it HOLDING at once: phase and frequency are
predicted, with a growing uncertainty, and nothing is measured. From there it
either agrees with its line again (LOCKED), finds the line there with another
phase (PULLING_IN), or gives up (LOST) and is sent SEARCHING again. Only LOCKED
is a measurement.

What is not in the table cannot happen; `checked` raises on it. The drawing in
DEVELOPERS.md is printed by `drawing`.
"""

from __future__ import annotations

from controller.records import TrackerState

_S = TrackerState

TRANSITIONS: dict[TrackerState, dict[TrackerState, str]] = {
    _S.SEARCHING: {_S.PULLING_IN: "the search found the line"},
    _S.PULLING_IN: {
        _S.LOCKED: "the phase error stayed small for the settling time",
        _S.HOLDING: "the line is not measurable",
        _S.LOST: "the loop does not settle",
    },
    _S.LOCKED: {_S.HOLDING: "the line is not measurable"},
    _S.HOLDING: {
        _S.LOCKED: "the line is back where it was predicted",
        _S.PULLING_IN: "the line is back with another phase",
        _S.LOST: "held too long",
    },
    _S.LOST: {_S.SEARCHING: "a new search begins"},
}


def checked(old: TrackerState, new: TrackerState) -> TrackerState:
    """The new state, if the table allows the change.

    Raises
    ------
    ValueError
        If the table does not list the change.
    """
    if new not in TRANSITIONS[old]:
        raise ValueError(f"a tracker cannot go from {old} to {new}")
    return new


def drawing() -> str:
    """The table as text, one change a line."""
    return "\n".join(
        f"{old.value:>10} -> {new.value:<10} {reason}"
        for old, targets in TRANSITIONS.items()
        for new, reason in targets.items()
    )
