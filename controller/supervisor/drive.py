"""The drive of one mode: rings it up, holds its amplitude, follows its phase.

With the force 90 degrees ahead of the motion, a mode of amplitude A obeys

    dA/dt = b u - gamma A / 2

where u is the drive's amplitude and b the responsivity (metres per second
and unit). The search's ping gives a first b; ringing up improves it. The
controller asks for an exponential approach of a second and so does not
overshoot; an integral removes what the model leaves over.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass

APPROACH_S = 1.0  # arbitrary between 0.5 and 5: slow against a tick, quick against a decay
INTEGRAL_S = 8.0  # slower than the approach, so that the two do not ring
NEAR = 0.05  # within this part of the target the integral works and b is left alone


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveConfig:
    """What is asked of a drive, and what its channel can do.

    Raises
    ------
    ValueError
        If the responsivity or the channel's limit is not positive.
    """

    target_amplitude: float
    decay_rate_per_s: float
    max_amplitude: float
    responsivity: float

    def __post_init__(self) -> None:
        if not (self.responsivity > 0.0 and self.max_amplitude > 0.0):
            raise ValueError(
                f"responsivity {self.responsivity} and max_amplitude {self.max_amplitude} "
                "have to be positive"
            )


class AmplitudeController:
    """Amplitude controller of one mode; owned by the engine, one call a tick."""

    def __init__(self, config: DriveConfig) -> None:
        self.config = config
        self.reset()

    def reset(self) -> None:
        """Forget what was learnt while ringing up."""
        self.responsivity = self.config.responsivity
        self.drive_amplitude = 0.0  # negative: the force is turned round and brakes
        self._responsivity_variance = (0.5 * self.config.responsivity) ** 2
        self._integral = 0.0
        self._last: float | None = None

    def copy(self) -> AmplitudeController:
        """An independent controller that goes on alike."""
        return copy.deepcopy(self)

    def __repr__(self) -> str:
        return f"AmplitudeController(u={self.drive_amplitude:.3g}, b={self.responsivity:.3g})"

    def rest(self) -> float:
        """Drive off: the mode is not followed."""
        self.drive_amplitude = 0.0
        self._integral = 0.0
        self._last = None
        return 0.0

    def process(
        self, amplitude: float, amplitude_sigma: float, duration_s: float, *, learn: bool
    ) -> float:
        """The drive's amplitude for the next tick.

        Parameters
        ----------
        amplitude, amplitude_sigma : float
            The mode's amplitude now and its sigma [sample units].
        duration_s : float
            Length of a tick [s].
        learn : bool
            Whether drive and decay alone move the amplitude (the pump is off).

        Returns
        -------
        float
            Amplitude in the channel's unit, negative where it has to brake.
        """
        c = self.config
        target = c.target_amplitude
        error = target - amplitude
        if learn and abs(error) > NEAR * target:
            self._learn(amplitude, amplitude_sigma, duration_s)
        self._last = amplitude
        hold = 0.5 * c.decay_rate_per_s * target / self.responsivity
        wanted = hold + error / APPROACH_S / self.responsivity
        if abs(error) < NEAR * target:
            self._integral += error * duration_s / (APPROACH_S * INTEGRAL_S) / self.responsivity
            self._integral = min(max(self._integral, -c.max_amplitude), c.max_amplitude)
        wanted += self._integral
        self.drive_amplitude = min(max(wanted, -c.max_amplitude), c.max_amplitude)
        return self.drive_amplitude

    def _learn(self, amplitude: float, amplitude_sigma: float, duration_s: float) -> None:
        """Kalman update of b from how far the last tick's drive got."""
        if self._last is None or self.drive_amplitude == 0.0:
            return
        pushed = (
            amplitude - self._last + 0.5 * self.config.decay_rate_per_s * amplitude * duration_s
        )
        push = self.drive_amplitude * duration_s
        noise2 = 2.0 * amplitude_sigma**2 + (0.2 * self.responsivity * push) ** 2
        total = push * push * self._responsivity_variance + noise2
        gain = push * self._responsivity_variance / total
        self.responsivity += gain * (pushed - push * self.responsivity)
        self.responsivity = max(self.responsivity, 0.1 * self.config.responsivity)
        self._responsivity_variance *= 1.0 - gain * push
        # The first ticks follow the loop's own settling: never believe them for good.
        floor = (0.05 * self.responsivity) ** 2
        self._responsivity_variance = max(self._responsivity_variance, floor)
