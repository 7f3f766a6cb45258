"""What the observer estimates: its states and their places.

Amplitudes are in units of the observer's scale, frequencies are offsets in Hz, rates in 1/s;
see `observer` for the equations that they belong to.
"""

from __future__ import annotations

# Two complex amplitudes, then the parameters.
LOWER_RE, LOWER_IM, UPPER_RE, UPPER_IM = range(4)
SHARED_HZ, REST_HZ, RATIO, SHIFT, SHIFT_DIFFERENCE = range(4, 9)
COUPLING, QUADRATURE, ASYMMETRY, LOWER_DECAY, UPPER_DECAY = range(9, 14)
# What the pushes are in truth, less what they are said to be, relative: in phase, across.
LOWER_PUSH, LOWER_PUSH_ACROSS, UPPER_PUSH, UPPER_PUSH_ACROSS = range(14, 18)
# Duffing coefficients: of each mode by its own and by the other's squared amplitude.
LOWER_SELF, LOWER_CROSS, UPPER_SELF, UPPER_CROSS = range(18, 22)
GAIN = 22  # logarithm of the detector's gain against that at the start, for both modes
STATES = 23
# What lasts beyond an exchange.
LEARNT = [*range(REST_HZ, UPPER_DECAY + 1), *range(LOWER_SELF, GAIN)]
