"""Amplitude control of one driven mode: rings it up and holds it there.

With the force 90 degrees ahead of the motion, a mode of amplitude A obeys

    dA/dt = b u - gamma A / 2 + d

where u is the drive's amplitude, b the responsivity (amplitude per second and
unit) and d everything else that moves the amplitude: a decay rate that is not
what was believed, and the energy that the pump carries from mode to mode. The
search's ping gives a first b. A small Kalman filter follows b and d in what each
tick's drive achieved; the controller then asks for an exponential approach,

    u = ((target - A) / approach + gamma A / 2 - d) / b

which reaches the target without passing it, and leaves nothing over.

Where the detector has come to the other slope of its fringe, the motion that is
seen has turned round, and what should push it brakes: b is negative then. The
sign is told from what the drive achieves, by a running likelihood ratio.
"""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass

APPROACH_S = 1.0  # arbitrary between 0.5 and 5: slow against a tick, quick against a decay
TICKS_PER_APPROACH = 5.0  # or slower, where ticks are long: a command has to show first
# What one tick says of the rate of the amplitude is off by this part of the target per
# second: output latency and the filters shift it against the command. It sets how fast d
# is followed: about a second with DISTURBED, ten without.
RATE_SIGMA_PER_S = 0.15
# While u changes, this part of the tick still saw the old one (latency and filter delay
# of some 30 ms in a tick of 100 ms).
LATE_PART = 0.3
RESPONSIVITY_SIGMA = 1.0  # relative, of what a ping says: right within a factor of a few
RESPONSIVITY_WALK = 0.02  # relative, per root second: the fringe drifts
CALM = 0.005  # walk of d, part of the target per second and root second, without a pump
DISTURBED = 0.05  # the same with a pump
LEAST_RESPONSIVITY = 0.05  # of the configured one: |b| never reaches zero, however odd a tick
# Likelihood, as a logarithm, at which the sign of b is taken to be the other: once in e^20
# by chance. A phase that came back as another makes it nearly as likely as not.
REVERSED_AT = 20.0
SUSPECTED = 15.0
NEAR = 0.9  # of the target: the mode counts as held
LONG_AT_LIMIT = 3.0  # amplitude decay times at the limit, after which only exp(-3) = 5 % is to come


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveConfig:
    """What is asked of a drive, and what its channel can do.

    Raises
    ------
    ValueError
        If the target, the decay rate, the responsivity or the channel's limit
        is not positive.
    """

    target_amplitude: float  # sample units
    decay_rate_per_s: float  # gamma, energy
    max_amplitude: float  # channel's unit
    responsivity: float  # sample units per second and channel's unit

    def __post_init__(self) -> None:
        for name in ("target_amplitude", "decay_rate_per_s", "max_amplitude", "responsivity"):
            if not getattr(self, name) > 0.0:
                raise ValueError(f"{name} is {getattr(self, name)}; it has to be positive")


class AmplitudeController:
    """Amplitude controller of one mode; owned by the drives, one call a tick."""

    def __init__(self, config: DriveConfig) -> None:
        self.config = config
        self.reset()

    def reset(self) -> None:
        """Forget what was learnt."""
        c = self.config
        self.responsivity = c.responsivity  # negative: the fringe has turned the motion round
        self.drive_amplitude = 0.0  # negative: the force is turned round
        # Covariance of b and d: variance of b, both, variance of d.
        self._bb = (RESPONSIVITY_SIGMA * c.responsivity) ** 2
        self._forget_disturbance()
        self._reversal = 0.0  # log likelihood ratio of the other sign, zero or more
        self._at_limit_s = 0.0
        self._before = 0.0  # the drive of the tick before
        self._last_amplitude: float | None = None

    def copy(self) -> AmplitudeController:
        """An independent controller that goes on alike."""
        return copy.deepcopy(self)

    def __repr__(self) -> str:
        return f"AmplitudeController(u={self.drive_amplitude:.3g}, b={self.responsivity:.3g})"

    @property
    def is_at_its_limit(self) -> bool:
        """Whether the channel's limit has held the mode for so long that no more will come."""
        return self._at_limit_s > LONG_AT_LIMIT * 2.0 / self.config.decay_rate_per_s

    def has_settled(self, amplitude: float) -> bool:
        """Whether a mode of this amplitude is as far as its drive will bring it."""
        return amplitude > NEAR * self.config.target_amplitude or self.is_at_its_limit

    def suspect_reversal(self) -> None:
        """The line came back with another phase: its sign may have changed."""
        self._reversal = SUSPECTED

    def rest(self) -> None:
        """Drive off: the mode is not followed."""
        self.drive_amplitude = self._before = 0.0
        self._last_amplitude = None
        self._at_limit_s = 0.0
        self._forget_disturbance()

    def _forget_disturbance(self) -> None:
        self.disturbance_per_s, self._bd = 0.0, 0.0
        # A quality factor that is known roughly: the decay may be off by a third.
        self._dd = (0.3 * 0.5 * self.config.decay_rate_per_s * self.config.target_amplitude) ** 2

    def process(
        self, amplitude: float, amplitude_sigma: float, duration_s: float, *, is_disturbed: bool
    ) -> float:
        """The drive's amplitude for the next tick.

        Parameters
        ----------
        amplitude, amplitude_sigma : float
            The mode's amplitude now and its sigma [sample units].
        duration_s : float
            Time since the last call [s], > 0.
        is_disturbed : bool
            Whether a pump moves the amplitude, too.

        Returns
        -------
        float
            Amplitude in the channel's unit, negative where the force has to be
            turned round: to brake, or because the motion is seen upside down.
        """
        c = self.config
        if self._last_amplitude is not None:
            self._learn(amplitude, amplitude_sigma, duration_s, is_disturbed)
        self._last_amplitude, self._before = amplitude, self.drive_amplitude
        approach_s = max(APPROACH_S, TICKS_PER_APPROACH * duration_s)
        rate_per_s = (c.target_amplitude - amplitude) / approach_s
        decay_per_s = 0.5 * c.decay_rate_per_s * amplitude
        wanted = (rate_per_s + decay_per_s - self.disturbance_per_s) / self.responsivity
        self.drive_amplitude = min(max(wanted, -c.max_amplitude), c.max_amplitude)
        is_at_limit = abs(self.drive_amplitude) == c.max_amplitude and rate_per_s > 0.0
        self._at_limit_s = self._at_limit_s + duration_s if is_at_limit else 0.0
        return self.drive_amplitude

    def _learn(
        self, amplitude: float, amplitude_sigma: float, duration_s: float, is_disturbed: bool
    ) -> None:
        """Kalman update of b and d from what the last tick's drive achieved."""
        c = self.config
        assert self._last_amplitude is not None
        mean = 0.5 * (amplitude + self._last_amplitude)
        achieved = amplitude - self._last_amplitude + 0.5 * c.decay_rate_per_s * mean * duration_s
        walk = (DISTURBED if is_disturbed else CALM) * c.target_amplitude
        bb = self._bb + (RESPONSIVITY_WALK * self.responsivity) ** 2 * duration_s
        bd = self._bd
        dd = self._dd + walk**2 * duration_s
        # What the last tick achieved is (b, d) times this row, plus noise.
        push, drift = self.drive_amplitude * duration_s, duration_s
        change = self.drive_amplitude - self._before
        noise = math.hypot(
            math.sqrt(2.0) * amplitude_sigma,
            RATE_SIGMA_PER_S * c.target_amplitude * duration_s,
            LATE_PART * self.responsivity * change * duration_s,
        )
        b_row, d_row = bb * push + bd * drift, bd * push + dd * drift
        total = push * b_row + drift * d_row + noise**2
        pushed = self.responsivity * push
        innovation = achieved - pushed - self.disturbance_per_s * drift
        reversed_innovation = innovation + 2.0 * pushed
        self._reversal += 0.5 * (innovation**2 - reversed_innovation**2) / total
        self._reversal = max(self._reversal, 0.0)
        if self._reversal > REVERSED_AT:
            self.responsivity, self._reversal = -self.responsivity, 0.0
            self._forget_disturbance()
            return
        sign = math.copysign(1.0, self.responsivity)
        size = abs(self.responsivity) + sign * b_row / total * innovation
        self.responsivity = sign * max(size, LEAST_RESPONSIVITY * c.responsivity)
        self.disturbance_per_s += d_row / total * innovation
        self._bb = bb - b_row * b_row / total
        self._bd = bd - b_row * d_row / total
        self._dd = dd - d_row * d_row / total
