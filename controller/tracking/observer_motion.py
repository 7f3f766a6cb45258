"""How pump, drives and amplitudes move both complex amplitudes over a step.

The equations of `observer`, with their derivatives by its states. Everything here follows
from the states of one moment; nothing remembers anything.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from controller.tracking.observer_states import (
    ASYMMETRY,
    COUPLING,
    LOWER_CROSS,
    LOWER_DECAY,
    LOWER_PUSH,
    LOWER_PUSH_ACROSS,
    LOWER_SELF,
    QUADRATURE,
    RATIO,
    REST_HZ,
    SHARED_HZ,
    SHIFT,
    SHIFT_DIFFERENCE,
    STATES,
    UPPER_CROSS,
    UPPER_DECAY,
    UPPER_PUSH,
    UPPER_PUSH_ACROSS,
    UPPER_SELF,
)

TWO_PI = 2.0 * math.pi


@dataclass(frozen=True, slots=True, kw_only=True)
class ObserverInput:
    """What acts on the modes during one step, at its middle.

    Where a tone comes on or goes off within the step, the mean is known only to
    some part of the change: that part is its sigma.
    """

    pump: float = 0.0  # amplitude at its frequency [unit]
    squared: float | None = None  # what shifts the modes [unit^2]; None: that of a sine
    pump_sigma: float = 0.0
    pump_rad: float = 0.0  # phase against upper less lower reference
    push: tuple[complex, complex] = (0j, 0j)  # of the drives [sample units per second]
    push_sigma: tuple[float, float] = (0.0, 0.0)

    @property
    def shifting(self) -> float:
        """Amplitude squared of the sine that shifts the modes as much [unit^2]."""
        return self.pump * self.pump if self.squared is None else self.squared


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StepMotion:
    """One step of both amplitudes, all in the observer's unit."""

    moved: np.ndarray  # (2,) complex, at its end
    middle: np.ndarray  # (2,) complex, in its middle
    half: np.ndarray  # (2, 2) complex propagator over half of it
    pushes: np.ndarray  # (2,) complex, what the drives are said to do [1/s]
    # By what each parameter that acts in the middle moves the amplitudes at the end, per second.
    per_second: Mapping[int, np.ndarray]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ModeMotion:
    """The equations of both modes at the states of one moment."""

    states: np.ndarray  # shape (STATES,)
    base_hz: float  # of the lower mode: the shared drift counts from here
    start_powers: np.ndarray  # squared amplitudes of lower and upper: Duffing counts from here
    has_duffing: bool  # whether amplitudes move frequencies

    @property
    def amplitudes(self) -> np.ndarray:
        """Both complex amplitudes, shape (2,)."""
        x = self.states
        return np.array([complex(x[0], x[1]), complex(x[2], x[3])])

    # -- a step ------------------------------------------------------------------

    def over(self, dt: float, act: ObserverInput, scale: float) -> StepMotion:
        """What a step does to the amplitudes.

        Parameters
        ----------
        dt : float
            Its length [s].
        act : ObserverInput
            What acts on the modes at its middle.
        scale : float
            Amplitude that counts as 1 [sample units].

        Returns
        -------
        StepMotion
            Where it leads, and on what this depends.
        """
        x, start = self.states, self.amplitudes
        pushes = np.array(act.push) / scale
        push = pushes * (
            1.0 + x[[LOWER_PUSH, UPPER_PUSH]] + 1j * x[[LOWER_PUSH_ACROSS, UPPER_PUSH_ACROSS]]
        )
        shifting = start
        if self.has_duffing:  # by the amplitudes in the middle of the step
            shifting = exponential(dt / 2.0 * self.generator(act, start)) @ start + dt / 2.0 * push
        half = exponential(dt / 2.0 * self.generator(act, shifting))
        step = half @ half
        middle = half @ start + dt / 2.0 * push
        slopes = self.slopes(act, shifting)
        return StepMotion(
            # What a steady push leaves: the propagator integrated over the step (Simpson).
            moved=step @ start + dt / 6.0 * (push + 4.0 * (half @ push) + step @ push),
            middle=middle,
            half=half,
            pushes=pushes,
            # As if the parameter acted in the middle: exact for what turns the phases.
            per_second={place: half @ (slope @ middle) for place, slope in slopes.items()},
        )

    def jacobian(self, dt: float, step: StepMotion) -> np.ndarray:
        """Derivative of the states after a step by those before.

        Parameters
        ----------
        dt : float
            Length of the step [s].
        step : StepMotion
            From `over`, of the same length.

        Returns
        -------
        ndarray of float64, shape (STATES, STATES)
            The parameters stay as they are.
        """
        jacobian = np.eye(STATES)
        jacobian[0:4, 0:4] = as_real(step.half @ step.half)
        for place, per_second in step.per_second.items():
            jacobian[0:4, place] = parts(dt * per_second)
        if self.has_duffing:
            # The amplitudes move the frequencies, and so themselves.
            turning = 2j * math.pi * dt * (step.half * step.middle[None, :])
            turning = turning @ self.duffing_slopes(step.middle)
            jacobian[0:4:2, 0:4] += turning.real
            jacobian[1:4:2, 0:4] += turning.imag
        lower, upper = step.pushes
        jacobian[0:2, LOWER_PUSH] = dt * lower.real, dt * lower.imag
        jacobian[0:2, LOWER_PUSH_ACROSS] = -dt * lower.imag, dt * lower.real
        jacobian[2:4, UPPER_PUSH] = dt * upper.real, dt * upper.imag
        jacobian[2:4, UPPER_PUSH_ACROSS] = -dt * upper.imag, dt * upper.real
        return jacobian

    # -- the generator -------------------------------------------------------------

    def generator(self, act: ObserverInput, amplitudes: np.ndarray) -> np.ndarray:
        """The 2 x 2 generator of the motion without pushes.

        Parameters
        ----------
        act : ObserverInput
            What acts on the modes.
        amplitudes : ndarray of complex128, shape (2,)
            That shift the modes.

        Returns
        -------
        ndarray of complex128, shape (2, 2)
            The amplitudes' rate of change by themselves [1/s].
        """
        x, squared = self.states, act.shifting
        shared = float(x[SHARED_HZ])
        lower_hz, upper_hz = 0.0, 0.0
        if self.has_duffing:
            lower_hz, upper_hz = self.duffing_hz(amplitudes)
        drifted_hz = self.base_hz + shared + x[SHIFT] * squared
        lower_hz += drifted_hz
        upper_hz += drifted_hz + x[RATIO] * shared + x[REST_HZ] + x[SHIFT_DIFFERENCE] * squared
        generator = act.pump * self.coupling_generator(act.pump_rad)
        generator[0, 0] = TWO_PI * 1j * lower_hz - x[LOWER_DECAY] / 2.0
        generator[1, 1] = TWO_PI * 1j * upper_hz - x[UPPER_DECAY] / 2.0
        return generator

    def coupling_generator(self, pump_rad: float) -> np.ndarray:
        """The part of the generator that a pump of 1 adds."""
        x = self.states
        rho, turn = math.exp(x[ASYMMETRY]), cmath.exp(-1j * pump_rad)
        coupling = TWO_PI * complex(x[COUPLING], x[QUADRATURE])
        return np.array(
            [
                [0.0, 1j * coupling * rho * turn],
                [1j * coupling.conjugate() / rho * turn.conjugate(), 0.0],
            ]
        )

    def slopes(self, act: ObserverInput, amplitudes: np.ndarray) -> dict[int, np.ndarray]:
        """Derivatives of the generator by the parameters that are in it.

        Parameters
        ----------
        act : ObserverInput
            What acts on the modes.
        amplitudes : ndarray of complex128, shape (2,)
            That shift the modes.

        Returns
        -------
        dict of int to ndarray of complex128, shape (2, 2)
            By the place of the parameter.
        """
        hertz, x = TWO_PI * 1j, self.states
        slopes = {
            SHARED_HZ: np.diag([hertz, hertz * (1.0 + x[RATIO])]),
            REST_HZ: np.diag([0.0, hertz]),
            RATIO: np.diag([0.0, hertz * float(x[SHARED_HZ])]),
            LOWER_DECAY: np.diag([-0.5 + 0j, 0.0]),
            UPPER_DECAY: np.diag([0.0, -0.5 + 0j]),
        }
        if self.has_duffing:
            lower_power, upper_power = self.powers(amplitudes)
            slopes[LOWER_SELF] = np.diag([hertz * lower_power, 0.0])
            slopes[LOWER_CROSS] = np.diag([hertz * upper_power, 0.0])
            slopes[UPPER_SELF] = np.diag([0.0, hertz * upper_power])
            slopes[UPPER_CROSS] = np.diag([0.0, hertz * lower_power])
        if act.pump != 0.0 or act.shifting != 0.0:
            slopes |= self._pump_slopes(act)
        return slopes

    def _pump_slopes(self, act: ObserverInput) -> dict[int, np.ndarray]:
        """By what says how the pump acts."""
        hertz, unit = TWO_PI * 1j, TWO_PI * act.pump
        rho, turn = math.exp(self.states[ASYMMETRY]), cmath.exp(-1j * act.pump_rad)
        pumped = act.pump * self.coupling_generator(act.pump_rad)
        return {
            SHIFT: act.shifting * np.diag([hertz, hertz]),
            SHIFT_DIFFERENCE: act.shifting * np.diag([0.0, hertz]),
            COUPLING: unit * np.array([[0.0, 1j * rho * turn], [1j * turn.conjugate() / rho, 0.0]]),
            QUADRATURE: unit * np.array([[0.0, -rho * turn], [turn.conjugate() / rho, 0.0]]),
            ASYMMETRY: np.array([[0.0, pumped[0, 1]], [-pumped[1, 0], 0.0]]),
        }

    # -- Duffing -------------------------------------------------------------------

    def powers(self, amplitudes: np.ndarray) -> np.ndarray:
        """Squared amplitudes of lower and upper against those at the start."""
        return np.asarray(np.abs(amplitudes) ** 2 - self.start_powers)

    def duffing_hz(self, amplitudes: np.ndarray) -> tuple[float, float]:
        """Shifts of both modes by the amplitudes."""
        x, (lower, upper) = self.states, self.powers(amplitudes)
        return (
            float(x[LOWER_SELF] * lower + x[LOWER_CROSS] * upper),
            float(x[UPPER_SELF] * upper + x[UPPER_CROSS] * lower),
        )

    def duffing_slopes(self, amplitudes: np.ndarray) -> np.ndarray:
        """Derivative of both shifts by the parts of the amplitudes, shape (2, 4)."""
        x = self.states
        own = np.array([[x[LOWER_SELF], x[LOWER_CROSS]], [x[UPPER_CROSS], x[UPPER_SELF]]])
        return np.asarray(2.0 * np.repeat(own, 2, axis=1) * parts(amplitudes))


def parts(amplitudes: np.ndarray) -> np.ndarray:
    """Two complex numbers as (re, im, re, im); a view."""
    return amplitudes.view(np.float64)


def exponential(matrix: np.ndarray) -> np.ndarray:
    """exp of a 2 x 2 matrix: e^h [cosh r + (M - h) sinh(r) / r], h half the trace."""
    half = complex(matrix[0, 0] + matrix[1, 1]) / 2.0
    apart = complex(matrix[0, 0] - matrix[1, 1]) / 2.0
    root2 = apart * apart + complex(matrix[0, 1] * matrix[1, 0])
    root = cmath.sqrt(root2)
    slope = cmath.sinh(root) / root if abs(root) > 1e-6 else 1.0 + root2 / 6.0
    grown = cmath.exp(half)
    even, odd = grown * cmath.cosh(root), grown * slope
    return np.array(
        [
            [even + odd * apart, odd * matrix[0, 1]],
            [odd * matrix[1, 0], even - odd * apart],
        ]
    )


def as_real(matrix: np.ndarray) -> np.ndarray:
    """A complex 2 x 2 matrix as it acts on (re, im, re, im)."""
    out = np.empty((4, 4))
    out[0::2, 0::2], out[0::2, 1::2] = matrix.real, -matrix.imag
    out[1::2, 0::2], out[1::2, 1::2] = matrix.imag, matrix.real
    return out
