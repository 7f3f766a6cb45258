"""Waveforms of a tone: their part at the fundamental, and their mean square.

"sine"; "square"; "pulses": in each period one of +amplitude centred on phase 0 and
one of -amplitude centred on phase pi.
"""

from __future__ import annotations

import math

WAVEFORMS = ("sine", "square", "pulses")


def fundamental_factor(waveform: str, pulse_turns: float = 0.0) -> float:
    """Fourier component at the fundamental, per unit of amplitude.

    Parameters
    ----------
    waveform : {"sine", "square", "pulses"}
        As in the module's head.
    pulse_turns : float
        Width of one pulse times the frequency, 0 to 1/2; counts for pulses only.

    Returns
    -------
    float
        The b in b cos(phase): 1, 4/pi, or (4/pi) sin(pi pulse_turns). A train
        that begins with the negative pulse has the opposite sign.

    Raises
    ------
    ValueError
        If the waveform is none of these.

    Notes
    -----
    Derived: b = 2 times the mean of waveform times cos(phase) over a period.
    Checked against scipy.fft in tests/reference/test_pulse_train.py.
    """
    if waveform == "sine":
        return 1.0
    if waveform == "square":
        return 4.0 / math.pi
    if waveform == "pulses":
        return 4.0 / math.pi * math.sin(math.pi * pulse_turns)
    raise ValueError(f"waveform is {waveform!r}; there are {', '.join(WAVEFORMS)}")


def power_ratio(waveform: str, pulse_turns: float = 0.0) -> float:
    """Mean square over that of a sine of the same amplitude.

    Parameters
    ----------
    waveform : {"sine", "square", "pulses"}
        As in the module's head.
    pulse_turns : float
        Width of one pulse times the frequency, 0 to 1/2; counts for pulses only.

    Returns
    -------
    float
        1, 2, or 4 pulse_turns: by how much the shift of the modes and the
        heat exceed those of a sine.

    Raises
    ------
    ValueError
        If the waveform is none of these.
    """
    if waveform == "sine":
        return 1.0
    if waveform == "square":
        return 2.0
    if waveform == "pulses":
        return 4.0 * pulse_turns
    raise ValueError(f"waveform is {waveform!r}; there are {', '.join(WAVEFORMS)}")
