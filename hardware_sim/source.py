"""A weak source that couples the modes on its own, with a phase that diffuses.

It turns with the difference of the bare modes, but for its detuning. Nothing
here knows the pump.
"""

from __future__ import annotations

import math

import numpy as np

from hardware_sim.membrane import TWO_PI, Pump
from hardware_sim.options import SourceOptions


class Source:
    """The coupling by the source, step by step; the simulator owns it."""

    def __init__(self, options: SourceOptions, rng: np.random.Generator) -> None:
        self._options = options
        self._rng = rng
        self.phase_rad = options.phase_rad  # against the difference of the reference frames

    def __repr__(self) -> str:
        """Strength and present phase."""
        return f"Source({self._options.coupling_hz} Hz, {self.phase_rad} rad)"

    def advance(self, step_s: float, offset_hz: float) -> Pump:
        """Advance by a step and return the coupling in it.

        Parameters
        ----------
        step_s : float
            Length of the step [s].
        offset_hz : float
            Difference of the bare modes above that of the frames [Hz].

        Returns
        -------
        Pump
            As if a pump tone did it.

        Notes
        -----
        The phase diffuses between steps by dVar(phase)/dt = 2 / coherence_s,
        so that <exp(i (phase(t) - phase(0)))> = exp(-t / coherence_s).
        """
        options = self._options
        rate_rad_per_s = TWO_PI * (offset_hz + options.detuning_hz)
        coupling = Pump(self.phase_rad, rate_rad_per_s, TWO_PI * options.coupling_hz)
        self.phase_rad += rate_rad_per_s * step_s
        if options.coherence_s is not None:
            sigma_rad = math.sqrt(2.0 * step_s / options.coherence_s)
            self.phase_rad += sigma_rad * float(self._rng.standard_normal())
        self.phase_rad = math.remainder(self.phase_rad, TWO_PI)
        return coupling
