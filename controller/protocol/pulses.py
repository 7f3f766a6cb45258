"""Trains of pulses: what a coil and its tip stand, and the heat that is left in a coil."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from controller.errors import InputError
from controller.settings import PulseSettings
from controller.signal.waveforms import power_ratio


@dataclass(frozen=True, slots=True, kw_only=True)
class PulseTrain:
    """A train of alternating pulses."""

    amplitude: float  # of each pulse, in the channel's unit
    pulse_s: float  # width of each pulse
    frequency_hz: float  # of the pairs

    @property
    def pulse_turns(self) -> float:
        """Width of one pulse in periods."""
        return self.pulse_s * self.frequency_hz

    @property
    def duty(self) -> float:
        """Part of the time in which current flows, either way."""
        return 2.0 * self.pulse_turns


@dataclass(frozen=True, slots=True)
class HeatingInterval:
    """A stretch of time with a constant mean power."""

    start_s: float
    end_s: float
    power_w: float


def heating_w(
    pulses: PulseSettings, amplitude: float, waveform: str, pulse_turns: float = 0.0
) -> float:
    """Mean power that a waveform leaves in the coil.

    Parameters
    ----------
    pulses : PulseSettings
        The coil.
    amplitude : float
        Peak, in the channel's unit.
    waveform : {"sine", "square", "pulses"}
        As in `controller.signal.waveforms`.
    pulse_turns : float
        Width of one pulse in periods; counts for pulses only.

    Returns
    -------
    float
        [W].
    """
    current_a = pulses.current_a(amplitude)
    sine_w = 0.5 * current_a * current_a * pulses.resistance_ohm
    return sine_w * power_ratio(waveform, pulse_turns)


def check_pulse_train(train: PulseTrain, limits: PulseSettings, table: str) -> None:
    """Refuse a train that breaks a limit by itself; its heat over time is another check.

    Parameters
    ----------
    train : PulseTrain
        What is asked.
    limits : PulseSettings
        What is allowed.
    table : str
        Where the limits stand, for messages.

    Raises
    ------
    InputError
        If a pulse is too short or overlaps the next, or current or duty are
        too large; it begins with the key, `pulse_s` or `amplitude`.
    """
    if train.pulse_s < limits.least_width_s:
        raise InputError(
            f"pulse_s = {train.pulse_s:g}: a pulse has to last {limits.least_width_s:g} s "
            f"at least ({table}.least_width_s)"
        )
    if train.duty > limits.largest_duty:
        widest_s = 0.5 * limits.largest_duty / train.frequency_hz
        raise InputError(
            f"pulse_s = {train.pulse_s:g}: current would flow {train.duty:.3g} of the time at "
            f"{train.frequency_hz:g} Hz; {limits.largest_duty:g} is allowed "
            f"({table}.largest_duty), a pulse of {widest_s:.3g} s"
        )
    current_a = limits.current_a(train.amplitude)
    if current_a > limits.largest_current_a:
        raise InputError(
            f"amplitude = {train.amplitude:g}: gives pulses of {current_a:.3g} A; "
            f"{limits.largest_current_a:g} A is allowed ({table}.largest_current_a)"
        )


def largest_energy_j(intervals: Iterable[HeatingInterval], window_s: float) -> float:
    """The most energy that falls into any window of a given length.

    Parameters
    ----------
    intervals : iterable of HeatingInterval
        Sorted or not; they may overlap.
    window_s : float
        Length of the window [s], > 0.

    Returns
    -------
    float
        [J]; 0.0 without intervals.

    Notes
    -----
    The energy in a window is piecewise linear in where the window begins; it
    bends only where an edge of the window meets an edge of an interval, so
    that the largest value lies at one of these.
    """
    heating = list(intervals)
    if not heating:
        return 0.0
    edges_s = np.array([(each.start_s, each.end_s) for each in heating]).ravel()
    steps_w = np.array([(each.power_w, -each.power_w) for each in heating]).ravel()
    order = np.argsort(edges_s, kind="stable")
    times_s, powers_w = edges_s[order], np.cumsum(steps_w[order])
    energies_j = np.concatenate([[0.0], np.cumsum(powers_w[:-1] * np.diff(times_s))])
    starts_s = np.concatenate([times_s, times_s - window_s])
    within_j = np.interp(starts_s + window_s, times_s, energies_j)
    within_j -= np.interp(starts_s, times_s, energies_j)
    return float(within_j.max())
