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

Here is the filter: how it predicts, corrects, and what it hands out. Its states stand in
`observer_states`, the equations with their derivatives in `observer_motion`.

Amplitudes are in units of `scale`, frequencies are offsets in Hz, rates in 1/s.
"""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass

import numpy as np

from controller.tracking.observer_motion import TWO_PI, ModeMotion, ObserverInput, StepMotion, parts
from controller.tracking.observer_states import (
    COUPLING,
    GAIN,
    LEARNT,
    LOWER_CROSS,
    LOWER_DECAY,
    LOWER_RE,
    LOWER_SELF,
    QUADRATURE,
    RATIO,
    REST_HZ,
    SHARED_HZ,
    SHIFT,
    SHIFT_DIFFERENCE,
    STATES,
    UPPER_DECAY,
    UPPER_RE,
)

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

    def _motion(self) -> ModeMotion:
        """The equations at what is known now."""
        return ModeMotion(
            states=self._x,
            base_hz=self._base_hz,
            start_powers=self._start_powers,
            has_duffing=self._has_duffing,
        )

    def _predict(self, dt: float, act: ObserverInput) -> None:
        """Advance by a step."""
        motion = self._motion()
        step = motion.over(dt, act, self.config.scale)
        jacobian = motion.jacobian(dt, step)
        self._x = self._x.copy()
        self._x[0:4] = parts(step.moved)
        p = jacobian @ self._p @ jacobian.T
        self._add_thermal_motion(p, dt)
        self._add_switching(p, dt, act, motion, step)
        shared_walk = self._drift_gain * self.shared_walk_hz_per_root_s
        _add_walk(p, SHARED_HZ, step.per_second[SHARED_HZ], shared_walk, dt)
        _add_walk(p, REST_HZ, step.per_second[REST_HZ], self.separate_walk_hz_per_root_s, dt)
        p[RATIO, RATIO] += self.config.ratio_walk_per_root_s**2 * dt
        p[GAIN, GAIN] += self.config.gain_walk_per_root_s**2 * dt
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

    def _add_thermal_motion(self, p: np.ndarray, dt: float) -> None:
        """What the bath does to the amplitudes over a step."""
        for place, decay, thermal in zip(
            (LOWER_RE, UPPER_RE),
            (LOWER_DECAY, UPPER_DECAY),
            self.config.thermal_amplitude,
            strict=True,
        ):
            kick = max(self._x[decay], 0.0) * (thermal / self.config.scale) ** 2 * dt
            p[place, place] += kick
            p[place + 1, place + 1] += kick

    def _add_switching(
        self, p: np.ndarray, dt: float, act: ObserverInput, motion: ModeMotion, step: StepMotion
    ) -> None:
        """What a tone that changed within the step may have done to the amplitudes."""
        if act.pump_sigma > 0.0:
            per_pump = motion.coupling_generator(act.pump_rad) @ step.middle
            effect = parts(per_pump * dt * act.pump_sigma)
            p[0:4, 0:4] += np.outer(effect, effect)
        for place, sigma in zip((LOWER_RE, UPPER_RE), act.push_sigma, strict=True):
            kick = (dt * sigma / self.config.scale) ** 2
            p[place, place] += kick
            p[place + 1, place + 1] += kick

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
                self._start_powers = np.abs(self._motion().amplitudes) ** 2
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
        before = self._motion().amplitudes
        self._x = self._x + bound * (gain @ innovation)
        p = self._p - gain @ shared.T
        self._p = 0.5 * (p + p.T)
        self._keep_relative(before, self._motion().amplitudes)
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
            motion = self._motion()
            amplitudes = motion.amplitudes
            lower_duffing_hz, upper_duffing_hz = motion.duffing_hz(amplitudes)
            lower_power, upper_power = motion.powers(amplitudes)
            slopes = motion.duffing_slopes(amplitudes)
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


def _add_walk(
    p: np.ndarray, place: int, per_second: np.ndarray, walk_hz_per_root_s: float, dt: float
) -> None:
    """Random walk of a frequency over a step, and what it does to the phases."""
    walk, effect = walk_hz_per_root_s**2, parts(per_second)
    p[0:4, 0:4] += walk * dt**3 / 3.0 * np.outer(effect, effect)
    p[0:4, place] += walk * dt**2 / 2.0 * effect
    p[place, 0:4] += walk * dt**2 / 2.0 * effect
    p[place, place] += walk * dt
