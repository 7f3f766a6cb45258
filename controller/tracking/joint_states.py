"""What the joint estimate estimates: the states of its filters, and their places.

Frequencies are offsets [Hz] from the two references, phases are in turns; see `joint`
for the model that they belong to.
"""

from __future__ import annotations

from controller.records import ModeId

# Phases at the end of the window, the shared drift f with its rate, the rest delta, and
# kappa less what was expected of it.
LOWER_TURNS, UPPER_TURNS, SHARED_HZ, RATE, REST_HZ, RATIO = range(6)
# By the pump: shift of the lower mode and of the difference by its square, both parts of
# the coupling, and how unequal the modes feel it.
SHIFT, SHIFT_DIFFERENCE, COUPLING, QUADRATURE, ASYMMETRY = range(6, 11)
# Of the difference, by the squared amplitude of lower and of upper mode: what is not known
# of Duffing terms beforehand.
LOWER_DUFFING, UPPER_DUFFING = 11, 12
LASTING = 13  # states from here on belong to the last window only
LOWER_MEAN, UPPER_MEAN = 13, 14  # phases averaged over it
MIDDLE_HZ = 15  # the shared drift in the middle of it
STATES = 16

# What follows the phases from window to window, unlike what is learnt over minutes.
FOLLOWED = [LOWER_TURNS, UPPER_TURNS, SHARED_HZ, REST_HZ, LOWER_MEAN, UPPER_MEAN, MIDDLE_HZ]


def phase_at_end(mode: ModeId) -> int:
    """Place of a mode's phase at the end of the window."""
    return LOWER_TURNS if mode is ModeId.LOWER else UPPER_TURNS


def phase_mean(mode: ModeId) -> int:
    """Place of a mode's phase averaged over the window: what a reading reads."""
    return LOWER_MEAN if mode is ModeId.LOWER else UPPER_MEAN
