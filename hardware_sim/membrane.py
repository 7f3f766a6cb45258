"""The two coupled modes, propagated exactly over one step.

Within a step every frequency, amplitude of a tone and the coupling are
constant, so that the equations are linear with constant coefficients: in a
frame where the upper mode's amplitude turns with the pump,

    d/dt (b_lower, b_upper) = A (b_lower, b_upper) + forces + noise

          | p       i g_lu |    p, q: 2 pi i (detuning) - decay_rate / 2
      A = |                |    g_lu m_l w_l = g_ul m_u w_u (symmetric spring)
          | i g_ul  q      |

The motion in a step is then a sum of exponentials, which is what the
detector turns into samples. The noise of a step is drawn once, with its
exact covariance; it comes in evenly over the step, with a swing of its own
on the way, so that the waveform has no jumps and a mean over the step has
the right noise too. Nothing here knows samples, temperatures or commands.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass

import numpy as np

BOLTZMANN_J_PER_K = 1.380649e-23
TWO_PI = 2.0 * math.pi
# A kick grows as e^(xt) - 1 over its step: a straight line but for x / 12 of it; digits
# are lost by 1 / x.
_STRAIGHT = 1.0e-2
_STRAIGHT_RISE = math.expm1(_STRAIGHT)
_CIRCLE_SHARE = 1.0 / math.sqrt(12.0)
# Below this splitting times step the two eigenvalues are taken to be this
# far apart: it changes the result by 1e-12 and keeps 11 digits of it.
_LEAST_SPLITTING = 1.0e-5


class Motion:
    """A sum of exponentials, sum_k c_k exp(r_k t).

    Two lists side by side rather than pairs: an array is made of each, for
    every step.
    """

    __slots__ = ("coefficients", "rates")

    def __init__(self) -> None:
        self.coefficients: list[complex] = []  # [m], or sample units
        self.rates: list[complex] = []  # [1/s]

    def __repr__(self) -> str:
        """Coefficients and rates."""
        return f"Motion({self.coefficients}, {self.rates})"

    def add(self, coefficient: complex, rate: complex) -> None:
        """Add a term."""
        self.coefficients.append(coefficient)
        self.rates.append(rate)

    def add_seen(self, other: Motion, turn: complex, rate: complex) -> None:
        """Add another motion times turn exp(rate t)."""
        self.coefficients += [turn * coefficient for coefficient in other.coefficients]
        self.rates += [rate + own for own in other.rates]


class ComplexNormals:
    """Complex circular normal numbers with E|z|^2 = 1, one at a time."""

    def __init__(self, rng: np.random.Generator) -> None:
        self._rng = rng
        self._stock: list[complex] = []

    def next(self) -> complex:
        """The next number; drawn in stocks, since single draws are slow."""
        if not self._stock:
            parts = self._rng.standard_normal(8192) * math.sqrt(0.5)
            self._stock = parts.view(np.complex128).tolist()
        return self._stock.pop()

    def spawned(self) -> ComplexNormals:
        """Others, independent of these, which go on as if they had not been made."""
        return ComplexNormals(self._rng.spawn(1)[0])


def _fading_in(
    motion: Motion, kick_m: complex, swing_m: complex, rate: complex, step_s: float
) -> complex:
    """Add to a motion how the thermal noise of a step comes, within the step.

    Parameters
    ----------
    motion : Motion
        Takes all but the term at `rate`.
    kick_m : complex
        What has come by the end [m].
    swing_m : complex
        Independent of it, of the same variance [m].
    rate : complex
        Of the free motion along which it comes [1/s].
    step_s : float
        Length of the step [s].

    Returns
    -------
    complex
        Coefficient of the term at `rate` [m].

    Notes
    -----
    A straight line to the end, and a circle w (1 - exp(2 pi i t/step)) that
    begins and ends at nought. White noise that adds up to an end of variance
    K has, given the end, a mean over the step of variance K/12 about half of
    it (Brownian bridge); so has this with E|w|^2 = K/12. The circle turns
    either way, as the end's sign has it.
    """
    line_m = kick_m * cmath.exp(-rate * step_s) / _STRAIGHT_RISE
    circle_m = swing_m * _CIRCLE_SHARE
    motion.add(line_m, rate + _STRAIGHT / step_s)
    motion.add(-circle_m, rate + complex(0.0, math.copysign(TWO_PI, kick_m.real) / step_s))
    return circle_m - line_m


# Frozen dataclasses take three times as long to make, and these are made for
# every step; nobody changes one.
@dataclass(slots=True)
class Force:
    """A tone's push on one mode, in that mode's reference frame."""

    push_m_per_s: complex  # -i F exp(i phase) / (2 m w), at the start of the step
    rate_rad_per_s: float  # of its phase against the reference frame


@dataclass(slots=True)
class Pump:
    """The pump in one step, its phase against the frames' difference."""

    phase_rad: float  # at the start of the step
    rate_rad_per_s: float
    coupling_rad_s: float  # g

    def plus(self, other: Pump, step_s: float) -> Pump:
        """Both couplings as one, for a step.

        Parameters
        ----------
        other : Pump
            The second coupling, in the same step.
        step_s : float
            Length of the step [s].

        Returns
        -------
        Pump
            Their sum g exp(i phase) in the middle of the step, turning there
            at its own rate.

        Notes
        -----
        The sum of two rotating numbers turns evenly only to first order: for
        rates that differ by r this leaves out (r step_s)^2 / 24 of the weaker
        coupling.
        """
        middle_s = step_s / 2.0
        middles = [
            cmath.rect(each.coupling_rad_s, each.phase_rad + each.rate_rad_per_s * middle_s)
            for each in (self, other)
        ]
        total = middles[0] + middles[1]
        if total == 0j:
            return Pump(self.phase_rad, self.rate_rad_per_s, 0.0)
        turning = middles[0] * self.rate_rad_per_s + middles[1] * other.rate_rad_per_s
        rate_rad_per_s = (turning / total).real
        phase_rad = cmath.phase(total) - rate_rad_per_s * middle_s
        return Pump(phase_rad, rate_rad_per_s, abs(total))


class Resonance:
    """One damped mode's complex peak amplitude in a fixed frame.

    The membrane, or the detector's list of neighbours, owns it.
    """

    def __init__(
        self,
        frequency_hz: float,
        quality_factor: float,
        mass_kg: float,
        temperature_k: float,
        normals: ComplexNormals,
    ) -> None:
        omega = TWO_PI * frequency_hz
        self.frequency_hz = frequency_hz
        self.decay_rate = omega / quality_factor
        self.momentum_kg_rad_per_s = mass_kg * omega
        self.thermal_variance_m2 = BOLTZMANN_J_PER_K * temperature_k / (mass_kg * omega * omega)
        self.normals = normals
        self.swings = normals.spawned()
        self.amplitude_m = math.sqrt(2.0 * self.thermal_variance_m2) * normals.next()

    def __repr__(self) -> str:
        """Frequency and present amplitude."""
        return f"Resonance({self.frequency_hz} Hz, {self.amplitude_m} m)"

    @property
    def noise_m2_per_s(self) -> float:
        """Strength D of the thermal noise, E[z z*] = D delta(t) [m^2/s]."""
        return 2.0 * self.decay_rate * self.thermal_variance_m2

    def push_m_per_s(self, force_n: float, phase_rad: float) -> complex:
        """What a force F cos(phase) adds to the amplitude per second."""
        scale = force_n / (2.0 * self.momentum_kg_rad_per_s)
        return cmath.rect(scale, phase_rad - math.pi / 2.0)

    def advance(self, step_s: float, offset_hz: float, forces: list[Force]) -> Motion:
        """Advance by a step on its own and return the motion in it.

        Parameters
        ----------
        step_s : float
            Length of the step [s].
        offset_hz : float
            Frequency of the mode above the reference frame's [Hz].
        forces : list of Force
            The tones that push it.

        Returns
        -------
        Motion
            In the frame [m], from the start of the step.
        """
        rate = complex(-self.decay_rate / 2.0, TWO_PI * offset_hz)
        kick_variance = 2.0 * self.thermal_variance_m2 * -math.expm1(-self.decay_rate * step_s)
        growth = cmath.exp(rate * step_s)
        kick = math.sqrt(kick_variance) * self.normals.next()
        free, end = self.amplitude_m, kick
        motion = Motion()
        for force in forces:
            tone_rate = complex(0.0, force.rate_rad_per_s)
            response = force.push_m_per_s / (tone_rate - rate)
            free -= response
            end += response * cmath.exp(tone_rate * step_s)
            motion.add(response, tone_rate)
        swing = math.sqrt(kick_variance) * self.swings.next()
        motion.add(free + _fading_in(motion, kick, swing, rate, step_s), rate)
        self.amplitude_m = end + free * growth
        return motion


@dataclass(slots=True)
class CoupledRates:
    """The matrix A of the module's head, and what follows from it."""

    lower: complex  # p [1/s]
    upper: complex  # q [1/s]
    lower_from_upper: float  # g_lu [rad/s]
    upper_from_lower: float  # g_ul [rad/s]

    @property
    def middle(self) -> complex:
        """Mean of the eigenvalues [1/s]."""
        return (self.lower + self.upper) / 2.0

    def splitting(self, step_s: float) -> complex:
        """Half the difference of the eigenvalues [1/s], never quite zero."""
        half = (self.lower - self.upper) / 2.0
        root = cmath.sqrt(half * half - self.lower_from_upper * self.upper_from_lower)
        least = _LEAST_SPLITTING / step_s
        return root if abs(root) >= least else complex(least, 0.0)

    def response(
        self, rate: complex, push_lower: complex, push_upper: complex
    ) -> tuple[complex, complex]:
        """Steady answer (rate - A)^-1 push to a push exp(rate t)."""
        below, above = rate - self.lower, rate - self.upper
        determinant = below * above + self.lower_from_upper * self.upper_from_lower
        return (
            (above * push_lower + 1j * self.lower_from_upper * push_upper) / determinant,
            (below * push_upper + 1j * self.upper_from_lower * push_lower) / determinant,
        )

    def propagator(self, step_s: float) -> tuple[complex, complex, complex, complex]:
        """exp(A step) by rows, from the two eigenvalues."""
        split = self.splitting(step_s)
        rising = cmath.exp((self.middle + split) * step_s)
        falling = cmath.exp((self.middle - split) * step_s)
        mean, slope = (rising + falling) / 2.0, (rising - falling) / (2.0 * split)
        half = (self.lower - self.upper) / 2.0
        return (
            mean + slope * half,
            1j * slope * self.lower_from_upper,
            1j * slope * self.upper_from_lower,
            mean - slope * half,
        )

    def noise_covariance(
        self,
        propagator: tuple[complex, complex, complex, complex],
        lower_m2_per_s: float,
        upper_m2_per_s: float,
    ) -> tuple[float, complex, float]:
        """Covariance of the noise gathered in a step.

        Parameters
        ----------
        propagator : tuple of 4 complex
            exp(A h) by rows.
        lower_m2_per_s, upper_m2_per_s : float
            Strengths D of the white noises [m^2/s].

        Returns
        -------
        tuple of (float, complex, float)
            E|n_l|^2, E[n_l n_u*], E|n_u|^2 [m^2].

        Notes
        -----
        C = int_0^h exp(As) D exp(As)^H ds solves the Lyapunov equation
        A C + C A^H = exp(Ah) D exp(Ah)^H - D = R. With u = 2 Re p,
        v = 2 Re q and y = Im C_lu its components are

            u C_ll + 2 g_lu y = R_ll,    v C_uu - 2 g_ul y = R_uu,
            (p + q*) C_lu + i (g_lu C_uu - g_ul C_ll) = R_lu,

        and the imaginary part of the last one, divided by p + q*, gives y.
        """
        e_ll, e_lu, e_ul, e_uu = propagator
        down, up = lower_m2_per_s, upper_m2_per_s
        g_lu, g_ul = self.lower_from_upper, self.upper_from_lower
        r_ll = abs(e_ll) ** 2 * down + abs(e_lu) ** 2 * up - down
        r_uu = abs(e_ul) ** 2 * down + abs(e_uu) ** 2 * up - up
        r_lu = e_ll * e_ul.conjugate() * down + e_lu * e_uu.conjugate() * up
        u, v = 2.0 * self.lower.real, 2.0 * self.upper.real
        inverse = 1.0 / (self.lower + self.upper.conjugate())
        known = (r_lu * inverse).imag - inverse.real * (g_lu * r_uu / v - g_ul * r_ll / u)
        y = known / (1.0 + 2.0 * inverse.real * g_lu * g_ul * (1.0 / u + 1.0 / v))
        c_ll = (r_ll - 2.0 * g_lu * y) / u
        c_uu = (r_uu + 2.0 * g_ul * y) / v
        c_lu = (r_lu - 1j * (g_lu * c_uu - g_ul * c_ll)) * inverse
        return c_ll, c_lu, c_uu


class Membrane:
    """The two modes and the pump's coupling between them.

    The simulator owns it and advances it step by step.
    """

    def __init__(self, lower: Resonance, upper: Resonance, normals: ComplexNormals) -> None:
        self.lower = lower
        self.upper = upper
        self._normals = normals
        ratio = math.sqrt(upper.momentum_kg_rad_per_s / lower.momentum_kg_rad_per_s)
        self._lower_share, self._upper_share = ratio, 1.0 / ratio

    def __repr__(self) -> str:
        """Both modes."""
        return f"Membrane({self.lower}, {self.upper})"

    def mean_squares_m2(
        self,
        step_s: float,
        lower_forces: list[Force],
        upper_forces: list[Force],
        pump: Pump | None,
    ) -> tuple[float, float]:
        """|a|^2 of both modes in the middle of the coming step [m^2].

        First order in the step; the frequencies do not enter, since they
        turn an amplitude without changing it.
        """
        lower, upper = self.lower.amplitude_m, self.upper.amplitude_m
        lower_push = sum((force.push_m_per_s for force in lower_forces), 0j)
        upper_push = sum((force.push_m_per_s for force in upper_forces), 0j)
        if pump is not None:
            turn = cmath.rect(pump.coupling_rad_s, pump.phase_rad)
            lower_push += 1j * self._lower_share * turn.conjugate() * upper
            upper_push += 1j * self._upper_share * turn * lower
        return (
            _middle_square(lower, lower_push, self.lower.decay_rate, step_s),
            _middle_square(upper, upper_push, self.upper.decay_rate, step_s),
        )

    def advance(
        self,
        step_s: float,
        offsets_hz: tuple[float, float],
        lower_forces: list[Force],
        upper_forces: list[Force],
        pump: Pump | None,
    ) -> tuple[Motion, Motion]:
        """Advance both modes by a step and return their motion in it.

        Parameters
        ----------
        step_s : float
            Length of the step [s].
        offsets_hz : tuple of 2 float
            Bare frequencies above the reference frames' [Hz].
        lower_forces, upper_forces : list of Force
            The tones that push each mode.
        pump : Pump or None
            None where the pump is off.

        Returns
        -------
        tuple of 2 Motion
            Each mode's, in its own reference frame [m], from the start of
            the step.
        """
        if pump is None:
            return (
                self.lower.advance(step_s, offsets_hz[0], lower_forces),
                self.upper.advance(step_s, offsets_hz[1], upper_forces),
            )
        return self._advance_coupled(step_s, offsets_hz, lower_forces, upper_forces, pump)

    def _advance_coupled(
        self,
        step_s: float,
        offsets_hz: tuple[float, float],
        lower_forces: list[Force],
        upper_forces: list[Force],
        pump: Pump,
    ) -> tuple[Motion, Motion]:
        """`advance`, in the frame in which the upper mode turns with the pump."""
        turn = cmath.rect(1.0, pump.phase_rad)  # from that frame back to the reference
        back = turn.conjugate()
        pump_rate = complex(0.0, pump.rate_rad_per_s)
        rates = CoupledRates(
            complex(-self.lower.decay_rate / 2.0, TWO_PI * offsets_hz[0]),
            complex(-self.upper.decay_rate / 2.0, TWO_PI * offsets_hz[1] - pump.rate_rad_per_s),
            pump.coupling_rad_s * self._lower_share,
            pump.coupling_rad_s * self._upper_share,
        )
        propagator = rates.propagator(step_s)
        e_ll, e_lu, e_ul, e_uu = propagator
        end_lower, end_upper = kick_lower, kick_upper = self._kicks(rates, propagator)
        free_lower = self.lower.amplitude_m
        free_upper = self.upper.amplitude_m * back
        lower_motion, upper_motion = Motion(), Motion()
        pushes = [(force.rate_rad_per_s, force.push_m_per_s, 0j) for force in lower_forces]
        pushes += [
            (force.rate_rad_per_s - pump.rate_rad_per_s, 0j, force.push_m_per_s * back)
            for force in upper_forces
        ]
        for rate_rad_per_s, push_lower, push_upper in pushes:
            rate = complex(0.0, rate_rad_per_s)
            response_lower, response_upper = rates.response(rate, push_lower, push_upper)
            grown = cmath.exp(rate * step_s)
            free_lower -= response_lower
            free_upper -= response_upper
            end_lower += response_lower * grown
            end_upper += response_upper * grown
            lower_motion.add(response_lower, rate)
            upper_motion.add(response_upper * turn, rate + pump_rate)
        end_lower += e_ll * free_lower + e_lu * free_upper
        end_upper += e_ul * free_lower + e_uu * free_upper
        self.lower.amplitude_m = end_lower
        self.upper.amplitude_m = end_upper * turn * cmath.exp(pump_rate * step_s)

        # The free motion's parts along the two eigenvectors of A; the kicks
        # come along the first eigenvalue, which serves as well as any.
        split = rates.splitting(step_s)
        rising, falling = rates.middle + split, rates.middle - split
        half = (rates.lower - rates.upper) / 2.0
        odd_lower = (half * free_lower + 1j * rates.lower_from_upper * free_upper) / split
        odd_upper = (1j * rates.upper_from_lower * free_lower - half * free_upper) / split
        swing = math.sqrt(self.lower.noise_m2_per_s * step_s) * self.lower.swings.next()
        along_lower = _fading_in(lower_motion, kick_lower, swing, rising, step_s)
        swing = math.sqrt(self.upper.noise_m2_per_s * step_s) * self.upper.swings.next()
        inward = Motion()
        along_upper = _fading_in(inward, kick_upper, swing, rising, step_s)
        lower_motion.add((free_lower + odd_lower) / 2.0 + along_lower, rising)
        lower_motion.add((free_lower - odd_lower) / 2.0, falling)
        inward.add((free_upper + odd_upper) / 2.0 + along_upper, rising)
        inward.add((free_upper - odd_upper) / 2.0, falling)
        upper_motion.add_seen(inward, turn, pump_rate)
        return lower_motion, upper_motion

    def _kicks(
        self, rates: CoupledRates, propagator: tuple[complex, complex, complex, complex]
    ) -> tuple[complex, complex]:
        """The thermal noise of one step, with its exact covariance."""
        first, second = self._normals.next(), self._normals.next()
        c_ll, c_lu, c_uu = rates.noise_covariance(
            propagator, self.lower.noise_m2_per_s, self.upper.noise_m2_per_s
        )
        if c_ll <= 0.0:  # at zero temperature
            return 0j, 0j
        kick_lower = math.sqrt(c_ll) * first
        rest = max(c_uu - abs(c_lu) ** 2 / c_ll, 0.0)
        return kick_lower, c_lu.conjugate() / c_ll * kick_lower + math.sqrt(rest) * second


def _middle_square(amplitude: complex, push: complex, decay_rate: float, step_s: float) -> float:
    """|a|^2 half a step on, to first order [m^2]."""
    square = amplitude.real * amplitude.real + amplitude.imag * amplitude.imag
    change = 2.0 * (amplitude.real * push.real + amplitude.imag * push.imag)
    return max(square + (change - decay_rate * square) * step_s / 2.0, 0.0)
