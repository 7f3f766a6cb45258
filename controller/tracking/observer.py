"""An observer of both complex amplitudes, which follows the modes through an exchange.

While the pump exchanges energy, each amplitude passes through zero and its phase
jumps there: a phase-locked loop is blind. The complex amplitudes themselves are
smooth, and obey linear equations with a few slow parameters (physics of the two
modes, rotating frames at fixed references):

    da_1/dt = [2 pi i f_1 - gamma_1/2] a_1 + i g rho   exp(-i phi) a_2 + d_1 + noise
    da_2/dt = [2 pi i f_2 - gamma_2/2] a_2 + i g*/rho  exp(+i phi) a_1 + d_2 + noise

with f_1 = f + p_1 V^2 + D_1, f_2 = (1 + kappa) f + delta + (p_1 + p_d) V^2 + D_2,
g = V (g_c + i g_s), phi the phase of the pump against the two references, V its
amplitude and d the pushes of the drives, known but for a complex factor. D_k is the
Duffing shift, alpha_kk (|a_k|^2 - A_k^2) + alpha_kj (|a_j|^2 - A_j^2): against the
amplitudes A at the start, so that f is what was seen there. An extended Kalman filter
over the amplitudes and the parameters sees the phase of the difference through the
nulls, because what leaves one mode arrives in the other with the pump's phase.

Amplitudes are in units of `scale`, frequencies are offsets in Hz, rates in 1/s.
"""

from __future__ import annotations

import cmath
import copy
import math
from dataclasses import dataclass

import numpy as np

TWO_PI = 2.0 * math.pi

# Places in the state vector: two complex amplitudes, then the parameters.
LOWER_RE, LOWER_IM, UPPER_RE, UPPER_IM = range(4)
SHARED_HZ, REST_HZ, RATIO, SHIFT, SHIFT_DIFFERENCE = range(4, 9)
COUPLING, QUADRATURE, ASYMMETRY, LOWER_DECAY, UPPER_DECAY = range(9, 14)
# What the pushes are in truth, less what they are said to be, relative: in phase, across.
LOWER_PUSH, LOWER_PUSH_ACROSS, UPPER_PUSH, UPPER_PUSH_ACROSS = range(14, 18)
# Duffing coefficients: of each mode by its own and by the other's squared amplitude.
LOWER_SELF, LOWER_CROSS, UPPER_SELF, UPPER_CROSS = range(18, 22)
GAIN = 22  # logarithm of the detector's gain against that at the start, for both modes
STATES = 23
LEARNT = [*range(REST_HZ, UPPER_DECAY + 1), *range(LOWER_SELF, GAIN)]

# A squared innovation of four readings beyond this is a knock: the step is bounded.
BOUNDED_INNOVATION2 = 30.0
RATIO_AVERAGING = 0.02  # of the innovation ratio: 50 steps
LARGEST_RATIO = 100.0  # that one step counts with
LARGEST_MOVE = 0.3  # of an amplitude by one correction, relative; arbitrary, far below 1
# Mean squared innovations beyond this come by chance once in ten seconds (chi-square of four);
# a burst of drift brings many in a row.
SURPRISING_RATIO = 4.0
DRIFT_GAIN_STEP = 1.5  # arbitrary between 1.2 and 2: ten in a row make a factor of 60
LARGEST_DRIFT_GAIN = 100.0
BURST_S = 5.0  # a burst is forgotten; arbitrary between 2 and 20
REBASE_S = 60.0  # arbitrary between 10 and 300: little drift, little to do


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Learnt:
    """What lasts beyond an exchange, together with how it hangs together.

    First the bare difference at its end, without the pump and at the amplitudes that the
    modes had at the start, against that of the references; then ratio, shifts, coupling,
    decay rates and Duffing coefficients, as in LEARNT, in sample units.
    """

    values: np.ndarray
    covariance: np.ndarray
    lower_hz: float  # bare, of the lower mode at its end, against its reference
    start_powers: np.ndarray  # squared amplitudes of lower and upper at the start


@dataclass(frozen=True, slots=True, kw_only=True)
class ObserverConfig:
    """Prior knowledge: values and one-sigma uncertainties."""

    scale: float  # amplitude that counts as 1 [sample units]
    detector_noise: tuple[float, float]  # one-sided, sample units per root hertz
    thermal_amplitude: tuple[float, float]  # x_th [sample units]
    decay_rate_per_s: tuple[float, float]  # gamma, energy
    decay_rate_sigma: float  # relative
    frequency_hz: tuple[float, float]  # offset of lower; of upper less lower
    frequency_sigma_hz: tuple[float, float]
    ratio: float  # d(difference)/d(lower) by the shared drift
    ratio_sigma: float
    shift_hz: tuple[float, float]  # by the pump, per unit^2: lower; upper less lower
    shift_sigma_hz: tuple[float, float]
    coupling_hz: complex  # g / 2 pi per unit
    coupling_sigma_hz: float
    asymmetry: float  # ln rho
    asymmetry_sigma: float
    shared_walk_hz_per_root_s: float
    separate_walk_hz_per_root_s: float
    push_sigma: float = 0.05  # relative, of the responsivity of each drive
    push_phase_sigma_rad: float = 0.02
    ratio_walk_per_root_s: float = 3.0e-5  # it may change with what is warmed
    gain_walk_per_root_s: float = 0.0  # relative, of the detector's gain
    # Duffing [Hz per sample unit squared]: lower by itself, by the other; upper likewise
    duffing_hz: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    duffing_sigma_hz: float = 0.0
    learnt: Learnt | None = None  # what earlier observers knew; instead of the above


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


@dataclass(frozen=True, slots=True, kw_only=True)
class ObserverEstimate:
    """What the observer knows after a step."""

    amplitudes: tuple[complex, complex]  # against the references [sample units]
    lower_hz: float  # bare, against its reference
    lower_sigma_hz: float
    difference_hz: float  # bare, against the difference of the references
    difference_sigma_hz: float
    coupling_hz: complex  # per unit
    coupling_sigma_hz: float
    innovation2: float  # squared, of as many readings as there were
    readings: int


class Observer:
    """Extended Kalman filter over both complex amplitudes; one thread."""

    def __init__(self, config: ObserverConfig) -> None:
        self.config = config
        self.reset()

    def reset(self) -> None:
        """Start again from the prior; the amplitudes are unknown."""
        c = self.config
        self._x = np.zeros(STATES)
        self._base_hz = c.frequency_hz[0]  # of the lower mode: drift counts from here
        self._since_rebase_s = 0.0
        self._x[SHARED_HZ:] = (
            0.0,
            c.frequency_hz[1],
            c.ratio,
            c.shift_hz[0],
            c.shift_hz[1],
            c.coupling_hz.real,
            c.coupling_hz.imag,
            c.asymmetry,
            c.decay_rate_per_s[0],
            c.decay_rate_per_s[1],
            *4 * (0.0,),
            *(c.scale**2 * coefficient for coefficient in c.duffing_hz),
            0.0,
        )
        sigmas = np.array(
            [1.0, 1.0, 1.0, 1.0]
            + [c.frequency_sigma_hz[0], c.frequency_sigma_hz[1], c.ratio_sigma]
            + [*c.shift_sigma_hz, c.coupling_sigma_hz, c.coupling_sigma_hz, c.asymmetry_sigma]
            + [c.decay_rate_sigma * rate for rate in c.decay_rate_per_s]
            + 2 * [c.push_sigma, c.push_phase_sigma_rad]
            + 4 * [c.scale**2 * c.duffing_sigma_hz]
            + [0.0]
        )
        self._p = np.diag(sigmas**2)
        if c.learnt is not None:
            places = np.ix_(LEARNT, LEARNT)
            units = learnt_units(c.scale)
            self._x[LEARNT] = c.learnt.values * units
            self._p[places] = c.learnt.covariance * np.outer(units, units)
        self._squared = 0.0
        self._seen = False
        self._drift_gain = 1.0  # on the shared walk, in a burst of drift
        self._start_powers = np.zeros(2)  # squared amplitudes of lower and upper
        self._has_duffing = c.duffing_sigma_hz > 0.0 or any(c.duffing_hz)
        self.shared_walk_hz_per_root_s = c.shared_walk_hz_per_root_s
        self.separate_walk_hz_per_root_s = c.separate_walk_hz_per_root_s
        self.noise_scales = (1.0, 1.0)  # on the variance of the readings: stray lines add to it
        self.innovation_ratio = 1.0

    def copy(self) -> Observer:
        """An independent observer that goes on alike."""
        return copy.deepcopy(self)

    def __repr__(self) -> str:
        e = self.estimate()
        return f"Observer(difference {e.difference_hz:.6f} +- {e.difference_sigma_hz:.2g} Hz)"

    def process(
        self, readings: tuple[complex | None, complex | None], duration_s: float, act: ObserverInput
    ) -> ObserverEstimate:
        """Advance by a step and take the mean basebands at its end.

        Parameters
        ----------
        readings : (complex or None, complex or None)
            Mean baseband of each mode over the step, against its reference
            [sample units]; None where it is not to be used.
        duration_s : float
            Length of the step [s].
        act : ObserverInput
            Pump and drives at its middle.

        Returns
        -------
        ObserverEstimate
            After the step.
        """
        self._squared = act.shifting
        if self._seen:
            self._predict(duration_s, act)
            self._since_rebase_s += duration_s
            if self._since_rebase_s > REBASE_S:
                self._rebase()
        innovation2, count = self._correct(readings, duration_s)
        self._adapt_drift(innovation2, count, duration_s)
        if count:
            ratio = min(innovation2 / count, LARGEST_RATIO)
            self.innovation_ratio += RATIO_AVERAGING * (ratio - self.innovation_ratio)
        return self._described(innovation2, count)

    def _adapt_drift(self, innovation2: float, count: int, duration_s: float) -> None:
        """Let both modes drift faster where readings surprise again and again, as by a door.

        Only what both share: a surprise of another kind, such as an exchange that is not as
        expected, stays one, and the innovations go on telling of it.
        """
        if count and innovation2 > SURPRISING_RATIO * count:
            self._drift_gain = min(self._drift_gain * DRIFT_GAIN_STEP, LARGEST_DRIFT_GAIN)
        else:
            self._drift_gain = 1.0 + (self._drift_gain - 1.0) * math.exp(-duration_s / BURST_S)

    def estimate(self) -> ObserverEstimate:
        """What is known now."""
        return self._described(0.0, 0)

    def rotate(self, turns: tuple[float, float], hz: tuple[float, float]) -> None:
        """Refer everything to new references, `turns` ahead and `hz` higher."""
        for place, phase in zip((LOWER_RE, UPPER_RE), turns, strict=True):
            angle = -TWO_PI * phase
            turn = np.array(
                [[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]]
            )
            both = slice(place, place + 2)
            self._x[both] = turn @ self._x[both]
            self._p[both, :] = turn @ self._p[both, :]
            self._p[:, both] = self._p[:, both] @ turn.T
        self._base_hz -= hz[0]
        self._x[REST_HZ] -= hz[1] - hz[0]

    def learnt(self) -> Learnt:
        """What a later observer of the same modes may begin with."""
        units = 1.0 / learnt_units(self.config.scale)
        rows = np.eye(STATES)[LEARNT]
        rows[0, [SHARED_HZ, RATIO]] = self._x[RATIO], self._x[SHARED_HZ]  # their product
        values = self._x[LEARNT].copy()
        values[0] += self._x[RATIO] * self._x[SHARED_HZ]
        return Learnt(
            values=values * units,
            covariance=rows @ self._p @ rows.T * np.outer(units, units),
            lower_hz=float(self._base_hz + self._x[SHARED_HZ]),
            start_powers=self._start_powers * self.config.scale**2,
        )

    # -- inside -----------------------------------------------------------------

    def _predict(self, dt: float, act: ObserverInput) -> None:
        c, x = self.config, self._x
        a = self._amplitudes()
        said = np.array(act.push) / c.scale
        push = said * (
            1.0 + x[[LOWER_PUSH, UPPER_PUSH]] + 1j * x[[LOWER_PUSH_ACROSS, UPPER_PUSH_ACROSS]]
        )
        generator, slopes = self._generator(act, a)
        if self._has_duffing:  # by the amplitudes in the middle of the step
            halfway = _exponential(dt / 2.0 * generator) @ a + dt / 2.0 * push
            generator, slopes = self._generator(act, halfway)
        half = _exponential(dt / 2.0 * generator)
        step = half @ half
        # What a steady push leaves: the propagator integrated over the step (Simpson).
        moved = step @ a + dt / 6.0 * (push + 4.0 * (half @ push) + step @ push)
        jacobian = np.eye(STATES)
        jacobian[0:4, 0:4] = _real(step)
        middle = half @ a + dt / 2.0 * push
        for place, slope in slopes.items():
            # As if the parameter acted in the middle: exact for what turns the phases.
            effect = dt * (half @ (slope @ middle))
            jacobian[0:4, place] = effect[0].real, effect[0].imag, effect[1].real, effect[1].imag
        if self._has_duffing:
            # The amplitudes move the frequencies, and so themselves.
            turning = 2j * math.pi * dt * (half * middle[None, :]) @ self._duffing_slopes(middle)
            jacobian[0:4:2, 0:4] += turning.real
            jacobian[1:4:2, 0:4] += turning.imag
        jacobian[0:2, LOWER_PUSH] = dt * said[0].real, dt * said[0].imag
        jacobian[0:2, LOWER_PUSH_ACROSS] = -dt * said[0].imag, dt * said[0].real
        jacobian[2:4, UPPER_PUSH] = dt * said[1].real, dt * said[1].imag
        jacobian[2:4, UPPER_PUSH_ACROSS] = -dt * said[1].imag, dt * said[1].real
        self._x = x.copy()
        self._x[0:4] = moved[0].real, moved[0].imag, moved[1].real, moved[1].imag
        p = jacobian @ self._p @ jacobian.T
        for place, thermal, rate in zip(
            (LOWER_RE, UPPER_RE),
            c.thermal_amplitude,
            (x[LOWER_DECAY], x[UPPER_DECAY]),
            strict=True,
        ):
            kick = max(rate, 0.0) * (thermal / c.scale) ** 2 * dt
            p[place, place] += kick
            p[place + 1, place + 1] += kick
        self._add_switching(p, act, middle, dt)
        shared_walk = self._drift_gain * self.shared_walk_hz_per_root_s
        self._add_walk(p, SHARED_HZ, half @ (slopes[SHARED_HZ] @ middle), shared_walk, dt)
        self._add_walk(
            p, REST_HZ, half @ (slopes[REST_HZ] @ middle), self.separate_walk_hz_per_root_s, dt
        )
        p[RATIO, RATIO] += c.ratio_walk_per_root_s**2 * dt
        p[GAIN, GAIN] += c.gain_walk_per_root_s**2 * dt
        self._p = 0.5 * (p + p.T)

    def _rebase(self) -> None:
        """Count the shared drift from where it is: the ratio acts on recent drift only."""
        shift_hz = float(self._x[SHARED_HZ])
        self._base_hz += shift_hz
        self._x[SHARED_HZ] = 0.0
        self._x[REST_HZ] += self._x[RATIO] * shift_hz
        self._p[REST_HZ, :] += shift_hz * self._p[RATIO, :]
        self._p[:, REST_HZ] += shift_hz * self._p[:, RATIO]
        self._since_rebase_s = 0.0

    def _add_switching(
        self, p: np.ndarray, act: ObserverInput, middle: np.ndarray, dt: float
    ) -> None:
        """What a tone that changed within the step may have done to the amplitudes."""
        if act.pump_sigma > 0.0:
            unit = self._coupling_generator(act.pump_rad) @ middle * dt * act.pump_sigma
            effect = np.array([unit[0].real, unit[0].imag, unit[1].real, unit[1].imag])
            p[0:4, 0:4] += np.outer(effect, effect)
        for place, sigma in zip((LOWER_RE, UPPER_RE), act.push_sigma, strict=True):
            kick = (dt * sigma / self.config.scale) ** 2
            p[place, place] += kick
            p[place + 1, place + 1] += kick

    def _coupling_generator(self, pump_rad: float) -> np.ndarray:
        """The part of the generator that a pump of 1 adds."""
        x = self._x
        rho, turn = math.exp(x[ASYMMETRY]), cmath.exp(-1j * pump_rad)
        coupling = TWO_PI * complex(x[COUPLING], x[QUADRATURE])
        return np.array(
            [
                [0.0, 1j * coupling * rho * turn],
                [1j * coupling.conjugate() / rho * turn.conjugate(), 0.0],
            ]
        )

    @staticmethod
    def _add_walk(
        p: np.ndarray, place: int, motion: np.ndarray, walk_hz_per_root_s: float, dt: float
    ) -> None:
        """Random walk of a frequency over a step, and what it does to the phases."""
        walk = walk_hz_per_root_s**2
        effect = np.array([motion[0].real, motion[0].imag, motion[1].real, motion[1].imag])
        p[0:4, 0:4] += walk * dt**3 / 3.0 * np.outer(effect, effect)
        p[0:4, place] += walk * dt**2 / 2.0 * effect
        p[place, 0:4] += walk * dt**2 / 2.0 * effect
        p[place, place] += walk * dt

    def _amplitudes(self) -> np.ndarray:
        """Both complex amplitudes, in the filter's unit."""
        x = self._x
        return np.array([complex(x[0], x[1]), complex(x[2], x[3])])

    def _powers(self, amplitudes: np.ndarray) -> np.ndarray:
        """Squared amplitudes of lower and upper against those at the start."""
        return np.asarray(np.abs(amplitudes) ** 2 - self._start_powers)

    def _duffing_hz(self, amplitudes: np.ndarray) -> tuple[float, float]:
        """Shifts of both modes by the amplitudes."""
        x, (lower, upper) = self._x, self._powers(amplitudes)
        return (
            float(x[LOWER_SELF] * lower + x[LOWER_CROSS] * upper),
            float(x[UPPER_SELF] * upper + x[UPPER_CROSS] * lower),
        )

    def _duffing_slopes(self, amplitudes: np.ndarray) -> np.ndarray:
        """Derivative of both shifts by the parts of the amplitudes, shape (2, 4)."""
        x = self._x
        own = np.array([[x[LOWER_SELF], x[LOWER_CROSS]], [x[UPPER_CROSS], x[UPPER_SELF]]])
        parts = np.array([amplitudes.real, amplitudes.imag]).T.ravel()
        return np.asarray(2.0 * np.repeat(own, 2, axis=1) * parts)

    def _generator(
        self, act: ObserverInput, amplitudes: np.ndarray
    ) -> tuple[np.ndarray, dict[int, np.ndarray]]:
        """The 2 x 2 generator of the motion, and its derivatives by the parameters."""
        x = self._x
        pump, squared = act.pump, act.shifting
        shared = float(x[SHARED_HZ])
        lower_hz, upper_hz = 0.0, 0.0
        if self._has_duffing:
            lower_hz, upper_hz = self._duffing_hz(amplitudes)
        drifted_hz = self._base_hz + shared + x[SHIFT] * squared
        lower_hz += drifted_hz
        upper_hz += drifted_hz + x[RATIO] * shared + x[REST_HZ] + x[SHIFT_DIFFERENCE] * squared
        rho = math.exp(x[ASYMMETRY])
        turn = cmath.exp(-1j * act.pump_rad)
        generator = pump * self._coupling_generator(act.pump_rad)
        to_lower, to_upper = generator[0, 1], generator[1, 0]
        generator[0, 0] = TWO_PI * 1j * lower_hz - x[LOWER_DECAY] / 2.0
        generator[1, 1] = TWO_PI * 1j * upper_hz - x[UPPER_DECAY] / 2.0
        hertz = TWO_PI * 1j
        slopes = {
            SHARED_HZ: np.diag([hertz, hertz * (1.0 + x[RATIO])]),
            REST_HZ: np.diag([0.0, hertz]),
            RATIO: np.diag([0.0, hertz * shared]),
            LOWER_DECAY: np.diag([-0.5 + 0j, 0.0]),
            UPPER_DECAY: np.diag([0.0, -0.5 + 0j]),
        }
        if self._has_duffing:
            lower_power, upper_power = self._powers(amplitudes)
            slopes[LOWER_SELF] = np.diag([hertz * lower_power, 0.0])
            slopes[LOWER_CROSS] = np.diag([hertz * upper_power, 0.0])
            slopes[UPPER_SELF] = np.diag([0.0, hertz * upper_power])
            slopes[UPPER_CROSS] = np.diag([0.0, hertz * lower_power])
        if pump != 0.0 or squared != 0.0:
            unit = TWO_PI * pump
            slopes[SHIFT] = squared * np.diag([hertz, hertz])
            slopes[SHIFT_DIFFERENCE] = squared * np.diag([0.0, hertz])
            slopes[COUPLING] = unit * np.array(
                [[0.0, 1j * rho * turn], [1j * turn.conjugate() / rho, 0.0]]
            )
            slopes[QUADRATURE] = unit * np.array(
                [[0.0, -rho * turn], [turn.conjugate() / rho, 0.0]]
            )
            slopes[ASYMMETRY] = np.array([[0.0, to_lower], [-to_upper, 0.0]])
        return generator, slopes

    def _correct(
        self, readings: tuple[complex | None, complex | None], dt: float
    ) -> tuple[float, int]:
        """Kalman update by the readings that there are."""
        rows: list[int] = []
        values: list[float] = []
        noise: list[float] = []
        for mode, reading in enumerate(readings):
            if reading is None:
                continue
            rows += [2 * mode, 2 * mode + 1]
            values += [reading.real / self.config.scale, reading.imag / self.config.scale]
            density2 = self.noise_scales[mode] * self.config.detector_noise[mode] ** 2
            noise += [density2 / dt / self.config.scale**2] * 2
        if not rows:
            return 0.0, 0
        if not self._seen:
            self._seen = True
            if len(rows) == 4:  # the first sight of both: take them as they are
                self._x[0:4] = values
                self._p[0:4, :] = self._p[:, 0:4] = 0.0
                self._p[0:4, 0:4] = np.diag(noise)
                self._start_powers = self._powers(self._amplitudes())
                return 0.0, 4
        gain_now = math.exp(self._x[GAIN])
        seen = np.zeros((len(rows), STATES))
        seen[np.arange(len(rows)), rows] = gain_now
        seen[:, GAIN] = gain_now * self._x[rows]
        innovation = np.array(values) - seen[:, GAIN]
        shared = self._p @ seen.T
        total = seen @ shared + np.diag(noise)
        innovation2 = float(innovation @ np.linalg.solve(total, innovation))
        gain = np.linalg.solve(total, shared.T).T
        bound = 1.0
        if innovation2 > BOUNDED_INNOVATION2:
            bound = math.sqrt(BOUNDED_INNOVATION2 / innovation2)
        before = self._amplitudes()
        self._x = self._x + bound * (gain @ innovation)
        p = self._p - gain @ shared.T
        self._p = 0.5 * (p + p.T)
        self._keep_relative(before, self._amplitudes())
        return innovation2, len(rows)

    def _keep_relative(self, before: np.ndarray, after: np.ndarray) -> None:
        """Let the amplitudes' errors turn and grow with them where a correction moved them.

        What is known is known relative to an amplitude: its size (with gain and decay) along
        it, its phase (with the frequencies) across. A correction that left the covariance
        where it was would mix a little of one into the other, and learn the gain, which
        cannot be seen in free decays, from nothing. As successive readings are not quite
        independent this adds up, to decay rates some per cent too high.
        """
        for place, old, new in zip((LOWER_RE, UPPER_RE), before, after, strict=True):
            if abs(new - old) > LARGEST_MOVE * abs(old):
                continue  # near a null: there is no direction yet
            move = new / old
            matrix = np.array([[move.real, -move.imag], [move.imag, move.real]])
            both = slice(place, place + 2)
            self._p[both, :] = matrix @ self._p[both, :]
            self._p[:, both] = self._p[:, both] @ matrix.T

    def _described(self, innovation2: float, count: int) -> ObserverEstimate:
        x, p, scale = self._x, self._p, self.config.scale
        squared = self._squared
        lower, difference = np.zeros(STATES), np.zeros(STATES)
        lower[[SHARED_HZ, SHIFT]] = 1.0, squared
        difference[[SHARED_HZ, REST_HZ, RATIO]] = x[RATIO], 1.0, x[SHARED_HZ]
        difference[SHIFT_DIFFERENCE] = squared
        lower_duffing_hz, upper_duffing_hz = 0.0, 0.0
        if self._has_duffing:
            amplitudes = self._amplitudes()
            lower_duffing_hz, upper_duffing_hz = self._duffing_hz(amplitudes)
            lower_power, upper_power = self._powers(amplitudes)
            slopes = self._duffing_slopes(amplitudes)
            lower[0:4], difference[0:4] = slopes[0], slopes[1] - slopes[0]
            lower[[LOWER_SELF, LOWER_CROSS]] = lower_power, upper_power
            difference[LOWER_SELF:GAIN] = -lower_power, -upper_power, upper_power, lower_power
        scale *= math.exp(x[GAIN])
        return ObserverEstimate(
            amplitudes=(scale * complex(x[0], x[1]), scale * complex(x[2], x[3])),
            lower_hz=float(self._base_hz + x[SHARED_HZ] + x[SHIFT] * squared + lower_duffing_hz),
            lower_sigma_hz=math.sqrt(max(float(lower @ p @ lower), 0.0)),
            difference_hz=float(
                x[RATIO] * x[SHARED_HZ]
                + x[REST_HZ]
                + x[SHIFT_DIFFERENCE] * squared
                + (upper_duffing_hz - lower_duffing_hz)
            ),
            difference_sigma_hz=math.sqrt(max(float(difference @ p @ difference), 0.0)),
            coupling_hz=complex(x[COUPLING], x[QUADRATURE]),
            coupling_sigma_hz=math.sqrt(
                max(float(p[COUPLING, COUPLING] + p[QUADRATURE, QUADRATURE]), 0.0)
            ),
            innovation2=innovation2,
            readings=count,
        )


def learnt_units(scale: float) -> np.ndarray:
    """What lasts, in the unit of an observer of that scale over sample units."""
    duffing = GAIN - LOWER_SELF
    return np.concatenate((np.ones(len(LEARNT) - duffing), np.full(duffing, scale**2)))


def _exponential(matrix: np.ndarray) -> np.ndarray:
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


def _real(matrix: np.ndarray) -> np.ndarray:
    """A complex 2 x 2 matrix as it acts on (re, im, re, im)."""
    out = np.empty((4, 4))
    out[0::2, 0::2], out[0::2, 1::2] = matrix.real, -matrix.imag
    out[1::2, 0::2], out[1::2, 1::2] = matrix.imag, matrix.real
    return out
