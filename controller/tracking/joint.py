"""The joint estimate of the difference from the phases of both modes.

Both modes drift with the same room, so their difference moves far less than
either. The estimator is a Kalman filter over one shared drift and a small rest:

    f_lower = b_1 + f                          f: shared drift, random walk with a rate
    f_upper = b_2 + (1 + kappa) f + delta      delta: what is not shared, slow random walk

kappa (how much more the upper mode feels the room) is learnt, as are the pump
shift of each mode and, as far as it can be seen, the pull of the coupling (its
complex strength, and how unequal the two modes feel it: the logarithm of the
root of their masses' ratio). The
measurements are the raw phases of the two trackers, so no error of a loop
enters twice.

The strengths of the walks, of the phase diffusion and of the detector noise
are not known well. A small bank of filters runs beside the one whose word is
taken: each differs from it in one strength, up or down. Where the likelihood of
its innovations wins, the bank moves there.

Frequencies are offsets [Hz] from two fixed references; phases are in turns.
"""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass

import numpy as np

from controller.records import ModeId

# Places in the state vector.
LOWER_TURNS, UPPER_TURNS, SHARED_HZ, RATE, REST_HZ, RATIO = range(6)
SHIFT, SHIFT_DIFFERENCE, COUPLING, QUADRATURE, ASYMMETRY = range(6, 11)
STATES = 11

# One step of the bank: a factor 4 in variance. Half a step off costs about 3 % in
# the rms error of a random-walk filter (error ~ (q N)^(1/4) at its optimum).
STEP = math.log(4.0)
# Moving needs this much log-likelihood: e^3 = 20 to 1.
MOVE_AT = 3.0
FORGET_S = 90.0  # arbitrary between 30 and 300: how long innovations count
RATE_TIME_S = 60.0  # the rate of the shared drift is remembered for about a minute
AMBIGUOUS_TURNS = 0.2  # a phase less certain than this may be a turn off: 2.5 sigma to half a turn
BROKEN_TURNS = 0.1  # the trackers' own gate: 0.6 rad
RESTART_TURNS = 0.05  # what a restarted phase may be off by
BOUNDED_SIGMAS2 = 16.0  # beyond 4 sigma the filter steps less than it asks, and widens


@dataclass(frozen=True, slots=True, kw_only=True)
class Strengths:
    """Strengths of the noises, as variances per second."""

    shared_walk: float  # Hz^2/s
    separate_walk: float  # Hz^2/s
    diffusion_scale: float = 1.0  # on the thermal phase diffusion
    detector_scale: float = 1.0  # on the variance of the phase readings

    def as_logs(self) -> np.ndarray:
        """The four strengths as natural logarithms."""
        return np.log(
            [self.shared_walk, self.separate_walk, self.diffusion_scale, self.detector_scale]
        )


LEAST_LOGS = np.log([1e-12, 1e-12, 1e-2, 0.1])
LARGEST_LOGS = np.log([1.0, 1e-2, 1e3, 30.0])


@dataclass(frozen=True, slots=True, kw_only=True)
class JointConfig:
    """Prior knowledge of the pair."""

    lower_reference_hz: float
    upper_reference_hz: float
    frequency_sigma_hz: float  # of each mode at the start
    strengths: Strengths
    learnt: tuple[bool, bool, bool, bool] = (True, True, True, True)
    drift_ratio_sigma: float = 0.01
    pump_shift_hz: tuple[float, float] = (0.0, 0.0)  # per unit^2: lower, upper
    pump_shift_sigma_hz: tuple[float, float] = (0.05, 0.05)
    coupling_hz: float = 0.0  # g / 2 pi per unit
    coupling_sigma_hz: float = 1.0
    coupling_quadrature_sigma_hz: float = 1.0  # across its expected phase
    asymmetry_sigma: float = 0.01  # of ln sqrt(m_upper w_upper / (m_lower w_lower))


@dataclass(frozen=True, slots=True, kw_only=True)
class PumpAction:
    """What the pump and the drives did to the phases over one step, on average."""

    squared: float = 0.0  # pump amplitude squared [unit^2]
    # The coupling adds the rate Re(g / 2 pi * pull): pull is the amplitude [unit] times
    # the ratio of the other mode's amplitude to this one's, turned by psi.
    lower_pull: complex = 0j
    upper_pull: complex = 0j
    lower_known_hz: float = 0.0  # rates that are known: a drive off 90 degrees
    upper_known_hz: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class JointReading:
    """Raw phases against the two fixed references; None where not measured."""

    lower_turns: float | None
    lower_variance_turns2: float
    upper_turns: float | None
    upper_variance_turns2: float
    lower_diffusion_turns2_per_s: float
    upper_diffusion_turns2_per_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class JointEstimate:
    """Bare frequencies and their difference, each with one sigma."""

    lower_hz: float
    lower_sigma_hz: float
    upper_hz: float
    upper_sigma_hz: float
    difference_hz: float
    difference_sigma_hz: float
    tracked_sigma_hz: float  # of what the phases show: difference with the coupling's pull
    drift_ratio: float
    drift_ratio_sigma: float
    coupling_hz: float  # |g| / 2 pi per unit
    coupling_sigma_hz: float
    innovation_ratio: float
    shared_walk_hz_per_root_s: float
    separate_walk_hz_per_root_s: float


class JointEstimator:
    """Kalman filter over the shared drift and the rest, with its bank.

    Owned by the engine; one thread; advances by `process`.
    """

    def __init__(self, config: JointConfig) -> None:
        self.config = config
        self.reset()

    def reset(self) -> None:
        """Start again from the prior."""
        c = self.config
        self._ratio_prior = c.upper_reference_hz / c.lower_reference_hz - 1.0
        self._base = np.zeros(2)  # Hz; moved by `_rebase`
        self._center = c.strengths.as_logs()
        self._directions = self._bank_directions()
        members = len(self._directions)
        x = np.zeros(STATES)
        x[SHIFT] = c.pump_shift_hz[0]
        x[SHIFT_DIFFERENCE] = c.pump_shift_hz[1] - c.pump_shift_hz[0]
        x[COUPLING] = c.coupling_hz
        sigma = np.zeros(STATES)
        sigma[[LOWER_TURNS, UPPER_TURNS]] = 0.3
        sigma[[SHARED_HZ, REST_HZ]] = c.frequency_sigma_hz
        sigma[RATE] = math.sqrt(c.strengths.shared_walk / RATE_TIME_S)
        sigma[RATIO] = c.drift_ratio_sigma
        sigma[SHIFT] = c.pump_shift_sigma_hz[0]
        sigma[SHIFT_DIFFERENCE] = math.hypot(*c.pump_shift_sigma_hz)
        sigma[COUPLING] = c.coupling_sigma_hz
        sigma[QUADRATURE] = c.coupling_quadrature_sigma_hz
        sigma[ASYMMETRY] = c.asymmetry_sigma
        p = np.diag(sigma**2)
        p[SHIFT, SHIFT_DIFFERENCE] = p[SHIFT_DIFFERENCE, SHIFT] = -(c.pump_shift_sigma_hz[0] ** 2)
        self._x = np.tile(x, (members, 1))
        self._p = np.tile(p, (members, 1, 1))
        self._log_likelihood = np.zeros(members)
        self._pump, self._step_s = PumpAction(), 1.0
        self._since_rebase_s = 0.0
        self.innovation_ratio = 1.0

    def copy(self) -> JointEstimator:
        """An independent estimator that goes on alike."""
        return copy.deepcopy(self)

    def __repr__(self) -> str:
        e = self.estimate()
        return f"JointEstimator({e.difference_hz:.6f} +- {e.difference_sigma_hz:.2g} Hz)"

    def _bank_directions(self) -> np.ndarray:
        """Offsets of the members' log strengths: none, then one up or down each."""
        rows = [np.zeros(4)]
        for place in range(4):
            if self.config.learnt[place]:
                for sign in (1.0, -1.0):
                    row = np.zeros(4)
                    row[place] = sign * STEP
                    rows.append(row)
        return np.array(rows)

    # -- time step and measurement ---------------------------------------------

    def process(self, duration_s: float, reading: JointReading, pump: PumpAction) -> JointEstimate:
        """Advance by a time step and take the phases at its end.

        Parameters
        ----------
        duration_s : float
            Time since the last call [s], > 0.
        reading : JointReading
            Phases at the end of the step; without them the step only predicts.
        pump : PumpAction
            What pump and drives did meanwhile.

        Returns
        -------
        JointEstimate
            The estimate at the end of the step.
        """
        strengths = np.exp(np.clip(self._center + self._directions, LEAST_LOGS, LARGEST_LOGS))
        self._pump, self._step_s = pump, duration_s
        self._predict(duration_s, reading, pump, strengths)
        decay = math.exp(-duration_s / FORGET_S)
        self._log_likelihood *= decay
        if reading.lower_turns is not None:
            self._correct(
                LOWER_TURNS, reading.lower_turns, reading.lower_variance_turns2 * strengths[:, 3]
            )
        if reading.upper_turns is not None:
            innovation2 = self._correct(
                UPPER_TURNS, reading.upper_turns, reading.upper_variance_turns2 * strengths[:, 3]
            )
            self.innovation_ratio += 0.05 * (min(innovation2, 100.0) - self.innovation_ratio)
        self._move_bank()
        self._since_rebase_s += duration_s
        if self._since_rebase_s > RATE_TIME_S:
            self._rebase()
        return self.estimate()

    def _predict(
        self, dt: float, reading: JointReading, pump: PumpAction, strengths: np.ndarray
    ) -> None:
        x, members = self._x, len(self._x)
        ratio = 1.0 + self._ratio_prior + x[:, RATIO]
        fade = math.exp(-dt / RATE_TIME_S)
        f = np.tile(np.eye(STATES), (members, 1, 1))
        f[:, LOWER_TURNS, SHARED_HZ] = dt
        f[:, LOWER_TURNS, RATE] = dt * dt / 2.0
        f[:, LOWER_TURNS, SHIFT] = pump.squared * dt
        coupling = x[:, COUPLING] + 1j * x[:, QUADRATURE]
        pull_lower = (coupling * pump.lower_pull).real
        pull_upper = (coupling * pump.upper_pull).real
        more, less = 1.0 + x[:, ASYMMETRY], 1.0 - x[:, ASYMMETRY]
        f[:, LOWER_TURNS, COUPLING] = pump.lower_pull.real * more * dt
        f[:, LOWER_TURNS, QUADRATURE] = -pump.lower_pull.imag * more * dt
        f[:, LOWER_TURNS, ASYMMETRY] = pull_lower * dt
        f[:, UPPER_TURNS, SHARED_HZ] = ratio * dt
        f[:, UPPER_TURNS, RATE] = ratio * dt * dt / 2.0
        f[:, UPPER_TURNS, REST_HZ] = dt
        f[:, UPPER_TURNS, RATIO] = x[:, SHARED_HZ] * dt
        f[:, UPPER_TURNS, SHIFT] = pump.squared * dt
        f[:, UPPER_TURNS, SHIFT_DIFFERENCE] = pump.squared * dt
        f[:, UPPER_TURNS, COUPLING] = pump.upper_pull.real * less * dt
        f[:, UPPER_TURNS, QUADRATURE] = -pump.upper_pull.imag * less * dt
        f[:, UPPER_TURNS, ASYMMETRY] = -pull_upper * dt
        f[:, SHARED_HZ, RATE] = dt
        f[:, RATE, RATE] = fade
        # Products of two states (ratio times drift, coupling times asymmetry) are
        # bilinear: the matrix counts them twice.
        lower_twice = pull_lower * x[:, ASYMMETRY] * dt
        upper_twice = (x[:, RATIO] * x[:, SHARED_HZ] - pull_upper * x[:, ASYMMETRY]) * dt
        x = (f @ x[:, :, None])[:, :, 0]
        x[:, LOWER_TURNS] -= lower_twice
        x[:, UPPER_TURNS] -= upper_twice
        x[:, LOWER_TURNS] += (self._base[0] + pump.lower_known_hz) * dt
        x[:, UPPER_TURNS] += (self._base[1] + pump.upper_known_hz) * dt
        self._x = x
        p = f @ self._p @ f.transpose(0, 2, 1)
        self._add_process_noise(p, dt, reading, strengths, ratio)
        self._p = p

    @staticmethod
    def _add_process_noise(
        p: np.ndarray, dt: float, reading: JointReading, strengths: np.ndarray, ratio: np.ndarray
    ) -> None:
        """Exact discretisation of the walks, the rate's to leading order."""
        shared, rest, diffusion = strengths[:, 0], strengths[:, 1], strengths[:, 2]
        cube, square = dt**3 / 3.0, dt**2 / 2.0
        p[:, LOWER_TURNS, LOWER_TURNS] += (
            shared * cube + diffusion * reading.lower_diffusion_turns2_per_s * dt
        )
        p[:, UPPER_TURNS, UPPER_TURNS] += (
            ratio * ratio * shared + rest
        ) * cube + diffusion * reading.upper_diffusion_turns2_per_s * dt
        p[:, SHARED_HZ, SHARED_HZ] += shared * dt
        p[:, REST_HZ, REST_HZ] += rest * dt
        for row, column, amount in (
            (LOWER_TURNS, UPPER_TURNS, ratio * shared * cube),
            (LOWER_TURNS, SHARED_HZ, shared * square),
            (UPPER_TURNS, SHARED_HZ, ratio * shared * square),
            (UPPER_TURNS, REST_HZ, rest * square),
        ):
            p[:, row, column] += amount
            p[:, column, row] += amount
        # A rate that keeps for RATE_TIME_S and amounts, over that time, to the walk.
        p[:, RATE, RATE] += 2.0 * shared * dt / RATE_TIME_S**2
        # The ratio may change a little with what is warmed: 1e-3 in a quarter of an hour.
        p[:, RATIO, RATIO] += 1.0e-9 * dt

    def _correct(self, place: int, turns: float, variance: np.ndarray) -> float:
        """Scalar update of every member; returns the centre's squared innovation."""
        if self._phase_is_broken(place, turns, float(variance[0])):
            self._restart_phase(place, turns)
            return 1.0
        p = self._p
        innovation = turns - self._x[:, place]
        innovation -= round(float(innovation[0]))  # whole turns cannot be told apart
        total = p[:, place, place] + variance
        normalised2 = innovation**2 / total
        column = p[:, :, place].copy()
        # A member that is too sure of itself steps as if this were BOUNDED_SIGMAS, and
        # lets its frequency go by what the phase seems to have moved since the last step.
        gain = column / np.maximum(total, innovation**2 / BOUNDED_SIGMAS2)[:, None]
        wide = normalised2 > BOUNDED_SIGMAS2
        if wide.any():
            frequency = SHARED_HZ if place == LOWER_TURNS else REST_HZ
            p[:, frequency, frequency] += np.where(wide, (innovation / self._step_s) ** 2, 0.0)
        p -= gain[:, :, None] * column[:, None, :]
        # The asymmetry is considered, not learnt (Schmidt's filter): it multiplies the
        # coupling, and a linear filter that learns both is too sure of both. Its variance
        # stays, and with it what it adds to the others.
        p[:, ASYMMETRY, ASYMMETRY] += gain[:, ASYMMETRY] * column[:, ASYMMETRY]
        gain[:, ASYMMETRY] = 0.0
        self._x += gain * innovation[:, None]
        self._log_likelihood -= 0.5 * (np.minimum(normalised2, 100.0) + np.log(total))
        return float(normalised2[0])

    # -- the bank ---------------------------------------------------------------

    def _move_bank(self) -> None:
        """Move to the member whose innovations are the most likely, if clearly so."""
        lead = self._log_likelihood - self._log_likelihood[0]
        best = int(np.argmax(lead))
        if lead[best] <= MOVE_AT:
            return
        self._center = np.clip(self._center + self._directions[best], LEAST_LOGS, LARGEST_LOGS)
        self._x[:] = self._x[best]
        self._p[:] = self._p[best]
        self._log_likelihood[:] = 0.0

    def _rebase(self) -> None:
        """Move the origin of the shared drift to where it is now.

        The ratio then acts on recent drift only, so that an error in it does
        not grow with the whole drift of a day.
        """
        shift = float(self._x[0, SHARED_HZ])
        self._base += shift
        self._x[:, SHARED_HZ] -= shift
        self._x[:, REST_HZ] += (self._ratio_prior + self._x[:, RATIO]) * shift
        self._p[:, REST_HZ, :] += shift * self._p[:, RATIO, :]
        self._p[:, :, REST_HZ] += shift * self._p[:, :, RATIO]
        self._p = 0.5 * (self._p + self._p.transpose(0, 2, 1))
        self._since_rebase_s = 0.0

    # -- what it knows -----------------------------------------------------------

    def estimate(self) -> JointEstimate:
        """The bare frequencies and their difference now."""
        x, p = self._x[0], self._p[0]
        lower = np.zeros(STATES)
        lower[[SHARED_HZ, SHIFT]] = 1.0, self._pump.squared
        difference = np.zeros(STATES)
        ratio = self._ratio_prior + x[RATIO]
        difference[[SHARED_HZ, REST_HZ, RATIO, SHIFT_DIFFERENCE]] = (
            ratio,
            1.0,
            x[SHARED_HZ],
            self._pump.squared,
        )
        tracked = difference.copy()
        tracked += self._pull_row(ModeId.UPPER) - self._pull_row(ModeId.LOWER)
        upper = lower + difference
        lower_hz = self.config.lower_reference_hz + self._base[0] + float(lower @ x)
        references_hz = self.config.upper_reference_hz - self.config.lower_reference_hz
        difference_hz = (
            references_hz
            + (self._base[1] - self._base[0])
            + float(difference @ x)
            - x[RATIO] * x[SHARED_HZ]
        )
        walks = np.sqrt(np.exp(self._center[:2]))
        return JointEstimate(
            lower_hz=float(lower_hz),
            lower_sigma_hz=_sigma(lower, p),
            upper_hz=float(lower_hz + difference_hz),
            upper_sigma_hz=_sigma(upper, p),
            difference_hz=float(difference_hz),
            difference_sigma_hz=_sigma(difference, p),
            tracked_sigma_hz=_sigma(tracked, p),
            drift_ratio=float(1.0 + ratio),
            drift_ratio_sigma=math.sqrt(max(float(p[RATIO, RATIO]), 0.0)),
            coupling_hz=math.hypot(x[COUPLING], x[QUADRATURE]),
            coupling_sigma_hz=math.sqrt(p[COUPLING, COUPLING] + p[QUADRATURE, QUADRATURE]),
            innovation_ratio=self.innovation_ratio,
            shared_walk_hz_per_root_s=float(walks[0]),
            separate_walk_hz_per_root_s=float(walks[1]),
        )

    def coupling_pulls_hz(self, pump: PumpAction) -> dict[ModeId, float]:
        """Rate that the coupling adds to each mode's phase, as known now [Hz]."""
        coupling = complex(self._x[0, COUPLING], self._x[0, QUADRATURE])
        asymmetry = float(self._x[0, ASYMMETRY])
        return {
            ModeId.LOWER: (1.0 + asymmetry) * (coupling * pump.lower_pull).real,
            ModeId.UPPER: (1.0 - asymmetry) * (coupling * pump.upper_pull).real,
        }

    def pull_sigma_hz(self, mode: ModeId) -> float:
        """One standard deviation of the coupling's pull on a mode now [Hz]."""
        return _sigma(self._pull_row(mode), self._p[0])

    def _pull_row(self, mode: ModeId) -> np.ndarray:
        """Derivative of the coupling's pull on a mode by the states."""
        x = self._x[0]
        sign = 1.0 if mode is ModeId.LOWER else -1.0
        pull = self._pump.lower_pull if mode is ModeId.LOWER else self._pump.upper_pull
        row = np.zeros(STATES)
        row[COUPLING] = pull.real * (1.0 + sign * x[ASYMMETRY])
        row[QUADRATURE] = -pull.imag * (1.0 + sign * x[ASYMMETRY])
        row[ASYMMETRY] = sign * (complex(x[COUPLING], x[QUADRATURE]) * pull).real
        return row

    def _phase_is_broken(self, place: int, turns: float, variance: float) -> bool:
        """Whether a reading has another phase than the filter can have predicted."""
        uncertain = float(self._p[0, place, place]) + variance
        if uncertain > AMBIGUOUS_TURNS**2:
            return True
        innovation = turns - float(self._x[0, place])
        innovation -= round(innovation)
        return abs(innovation) > BROKEN_TURNS and innovation**2 > 36.0 * uncertain

    def _restart_phase(self, place: int, turns: float) -> None:
        """Take a phase as new; frequencies keep what they know."""
        self._x[:, place] = turns
        self._p[:, place, :] = 0.0
        self._p[:, :, place] = 0.0
        self._p[:, place, place] = RESTART_TURNS**2


def _sigma(row: np.ndarray, p: np.ndarray) -> float:
    """One standard deviation of a linear combination of the states."""
    return math.sqrt(max(float(row @ p @ row), 0.0))
