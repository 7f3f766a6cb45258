"""The joint estimate of the difference from the phases of both modes.

Both modes drift with the same room, so their difference moves far less than
either. The estimator is a Kalman filter over one shared drift and a small rest:

    f_lower = b_1 + f                          f: shared drift, random walk with a rate
    f_upper = b_2 + (1 + kappa) f + delta      delta: what is not shared, slow random walk

kappa (how much more the upper mode feels the room) is learnt, as are the pump
shift of each mode and, as far as it can be seen, the pull of the coupling (its
complex strength, and how unequal the two modes feel it: the logarithm of the
root of their masses' ratio). The measurements are the raw phases of the two
trackers, so no error of a loop enters twice. A reading is the mean over a
window that ends with the step; it is modelled as such (two states hold the means),
because a phase that diffuses is not at its mean in the middle of the window.

The strengths of the walks, of the phase diffusion and of the detector noise
are not known well. A bank of filters covers them: one at the centre, and
others that differ from it in one strength, by one or more steps up or down.
What is handed out is the mean of all, weighed by the likelihood of their
innovations (multiple-model estimation, Magill 1965), and its sigma counts how
far they disagree. Where the likelihood wins clearly, the bank is centred anew.

Frequencies are offsets [Hz] from two fixed references; phases are in turns.
"""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass

import numpy as np

from controller.records import ModeId
from controller.tracking.joint_motion import (
    ASYMMETRY,
    COUPLING,
    FOLLOWED,
    LASTING,
    LOWER_DUFFING,
    LOWER_MEAN,
    LOWER_TURNS,
    MIDDLE_HZ,
    MULTIPLIED,
    QUADRATURE,
    RATE,
    RATE_TIME_S,
    RATIO,
    REST_HZ,
    SHARED_HZ,
    SHIFT,
    SHIFT_DIFFERENCE,
    STATES,
    UPPER_DUFFING,
    UPPER_MEAN,
    UPPER_TURNS,
    PumpAction,
    noise_parts,
    transition_parts,
    with_duffing,
    with_pump,
)

# Members of the bank beside the centre: variances that differ by these factors up and
# down, for shared walk, separate walk, diffusion and detector noise. Half a factor 2 off
# is 20 % in the rms strength and about 10 % in a stated sigma. The separate walk sets
# the bandwidth of the difference itself; it is covered up to 8 in rms, because where
# both are far off a neighbour is hardly likelier than the centre.
FACTORS = ((2.0, 8.0), (4.0, 16.0, 64.0), (2.0,), (4.0,))
MOVE_AT = 2.0  # log-likelihood; moving the centre changes no estimate by itself
NOISES = (2, 3)  # places of diffusion and detector noise among the strengths
FORGET_S = 300.0  # arbitrary between 100 and 1000: how long innovations count
LEAST_LEAD = -10.0  # no member falls back further (weight 5e-5), so that each can return
AMBIGUOUS_TURNS = 0.2  # a phase less certain than this may be a turn off: 2.5 sigma to half a turn
BROKEN_TURNS = 0.1  # the trackers' own gate: 0.6 rad
RESTART_TURNS = 0.01  # what a restarted phase may be off by: 0.2 Hz for half a window
SURPRISE2 = 36.0  # beyond 6 sigma (by chance once in years) the model has been outrun
# What outran the model once (a door, a stray line, a knock) is likely to do so again: for
# a while, the beat of a line at 0.1 Hz, less is taken for chance.
ALERT_SURPRISE2 = 4.0
ALERT_S = 10.0
# One window cannot tell a frequency that walked from a phase that was disturbed: half of
# what surprises is put down to either. What is real comes again in the next windows.
WALK_SHARE = 0.5
# As far as surprises have moved the difference it is uncertain, until the new place is as
# old as this: between a quarter and half of such a beat.
DOUBT_S = 4.0
USUAL_S = 20.0  # until amplitudes count as usual: arbitrary between 5 and 60
FLUCTUATION_RATIO = 0.1  # of a power that is held; arbitrary, some times what noise does to it
LEAST_DOUBT_SIGMAS = 0.1  # of the other uncertainty: less changes no sigma by a per cent


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


# Over some minutes two random walks may look alike by chance: a ratio that is a little wrong
# then explains what the modes did on their own, and the separate walk seems to vanish, with
# the difference's sigma. No two modes are taken for so alike that their difference would walk
# by less than 0.6 mHz in an hour.
LEAST_SEPARATE_WALK = (1.0e-5) ** 2
LEAST_LOGS = np.log([1e-12, LEAST_SEPARATE_WALK, 1e-2, 0.1])
LARGEST_LOGS = np.log([1.0, 1e-2, 1e3, 1e8])


@dataclass(frozen=True, slots=True, kw_only=True)
class JointConfig:
    """Prior knowledge of the pair.

    Raises
    ------
    ValueError
        If a reference, the frequency's sigma or a strength is not positive.
    """

    lower_reference_hz: float
    upper_reference_hz: float
    frequency_sigma_hz: float  # of each mode at the start
    strengths: Strengths
    learnt: tuple[bool, bool, bool, bool] = (True, True, True, True)
    drift_ratio: float | None = None  # of the shared drift, upper over lower; None: as frequencies
    drift_ratio_sigma: float = 0.01
    pump_shift_hz: tuple[float, float] = (0.0, 0.0)  # per unit^2: lower, upper
    pump_shift_sigma_hz: tuple[float, float] = (0.05, 0.05)
    coupling_hz: float = 0.0  # g / 2 pi per unit
    coupling_sigma_hz: float = 1.0
    coupling_quadrature_sigma_hz: float = 1.0  # across its expected phase
    # What shifts the difference by the squared amplitude of lower and upper mode, and how well
    # each coefficient that shifts a mode is known [Hz/sample unit^2].
    difference_duffing_hz: tuple[float, float] = (0.0, 0.0)
    duffing_sigma_hz: float = 0.0
    asymmetry_sigma: float = 0.01  # of ln sqrt(m_upper w_upper / (m_lower w_lower))

    def __post_init__(self) -> None:
        for name in ("lower_reference_hz", "upper_reference_hz", "frequency_sigma_hz"):
            if not getattr(self, name) > 0.0:
                raise ValueError(f"{name} is {getattr(self, name)}; it has to be positive")
        logs = self.strengths.as_logs()
        if not np.all(np.isfinite(logs)):
            raise ValueError(f"strengths are {self.strengths}; each has to be positive")


@dataclass(frozen=True, slots=True, kw_only=True)
class JointReading:
    """Raw phases against the two fixed references, each the mean over a window.

    None where a phase was not measured.
    """

    lower_turns: float | None
    lower_variance_turns2: float
    upper_turns: float | None
    upper_variance_turns2: float
    lower_diffusion_turns2_per_s: float
    upper_diffusion_turns2_per_s: float


NO_READING = JointReading(
    lower_turns=None,
    lower_variance_turns2=math.inf,
    upper_turns=None,
    upper_variance_turns2=math.inf,
    lower_diffusion_turns2_per_s=0.0,
    upper_diffusion_turns2_per_s=0.0,
)


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
    diffusion_scale: float  # learnt, on the thermal phase diffusion


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DifferenceKnowledge:
    """What is known of the bare difference, and how it hangs together.

    The difference [Hz] at the amplitudes of now, the drift ratio less one, and what the
    squared amplitudes of lower and upper mode add to the difference [Hz/sample unit^2].
    """

    mean: np.ndarray  # shape (4,)
    covariance: np.ndarray  # shape (4, 4)
    lower_hz: float  # of the lower mode now: where the ratio counts from
    powers: np.ndarray  # squared amplitudes of lower and upper now


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
        self._ratio_prior = (c.drift_ratio or c.upper_reference_hz / c.lower_reference_hz) - 1.0
        self._base = np.zeros(2)  # Hz; moved by `_rebase`
        self._center = c.strengths.as_logs()
        self._directions = self._bank_directions()
        self._estimate: JointEstimate | None = None
        members = len(self._directions)
        x = np.zeros(STATES)
        x[SHIFT] = c.pump_shift_hz[0]
        x[SHIFT_DIFFERENCE] = c.pump_shift_hz[1] - c.pump_shift_hz[0]
        x[COUPLING] = c.coupling_hz
        sigma = np.zeros(STATES)
        sigma[[LOWER_TURNS, UPPER_TURNS]] = 0.3  # any phase
        sigma[[SHARED_HZ, REST_HZ]] = c.frequency_sigma_hz
        sigma[RATE] = math.sqrt(c.strengths.shared_walk / RATE_TIME_S)
        sigma[RATIO] = c.drift_ratio_sigma
        sigma[SHIFT] = c.pump_shift_sigma_hz[0]
        sigma[SHIFT_DIFFERENCE] = math.hypot(*c.pump_shift_sigma_hz)
        sigma[COUPLING] = c.coupling_sigma_hz
        sigma[QUADRATURE] = c.coupling_quadrature_sigma_hz
        sigma[ASYMMETRY] = c.asymmetry_sigma
        sigma[[LOWER_DUFFING, UPPER_DUFFING]] = math.sqrt(2.0) * c.duffing_sigma_hz
        p = np.diag(sigma**2)
        p[SHIFT, SHIFT_DIFFERENCE] = p[SHIFT_DIFFERENCE, SHIFT] = -(c.pump_shift_sigma_hz[0] ** 2)
        self._x = np.tile(x, (members, 1))
        self._p = np.tile(p, (members, 1, 1))
        self._log_likelihood = np.zeros(members)
        self._pump, self._window_s = PumpAction(), 1.0
        self._since_rebase_s = 0.0
        self._first_powers: np.ndarray | None = None  # those that the rest stands for
        self._more_powers = np.zeros(2)  # how far they are from there
        self._usual_powers: np.ndarray | None = None  # at which the frequencies were seen
        self._power_change2 = 0.0  # from there to where they are, squared
        self._restarted: set[ModeId] = set()  # whose phase was taken as new in the last window
        self._alert_s = dict.fromkeys(ModeId, 0.0)
        self._is_surprised = False  # by what is not shared in the last window
        self._undoubted_hz: float | None = None  # the difference before surprises, fading
        self._doubted_hz = 0.0  # how far it has been moved since
        self.innovation_ratio = 1.0
        self._mix()

    def copy(self) -> JointEstimator:
        """An independent estimator that goes on alike."""
        return copy.deepcopy(self)

    def __repr__(self) -> str:
        e = self.estimate()
        return f"JointEstimator({e.difference_hz:.6f} +- {e.difference_sigma_hz:.2g} Hz)"

    def _bank_directions(self) -> np.ndarray:
        """Offsets of the members' log strengths from the centre, shape (members, 4)."""
        rows = [np.zeros(4)]
        for place, factors in enumerate(FACTORS):
            if self.config.learnt[place]:
                for offset in np.log([*factors, *np.reciprocal(factors)]):
                    row = np.zeros(4)
                    row[place] = offset
                    rows.append(row)
        return np.array(rows)

    # -- time step and measurement ---------------------------------------------

    def process(
        self,
        duration_s: float,
        reading: JointReading,
        pump: PumpAction,
        *,
        window_s: float | None = None,
        early: PumpAction | None = None,
        jump_sigma_hz: float = 0.0,
    ) -> JointEstimate:
        """Advance by a time step and take the phases averaged over its end.

        Parameters
        ----------
        duration_s : float
            Time since the end of the last step [s], > 0.
        reading : JointReading
            Mean phases over the window; without them the step only predicts.
        pump : PumpAction
            What pump and drives did over the window, on average.
        window_s : float, optional
            Length of the window, which ends with the step [s]; None: all of it.
        early : PumpAction, optional
            The same as `pump`, weighed by the time that was left in the window: what
            came early has moved the mean phase the more. None: pump was steady.
        jump_sigma_hz : float
            One sigma of a jump of the difference that is known to fall into the window,
            nobody knows where: to second order a walk of the same variance over it [Hz].

        Returns
        -------
        JointEstimate
            The estimate in the middle of the window.
        """
        window_s = duration_s if window_s is None else min(window_s, duration_s)
        strengths = np.exp(np.clip(self._center + self._directions, LEAST_LOGS, LARGEST_LOGS))
        if duration_s - window_s > 1e-3 * window_s:  # a gap before the window
            self._predict(duration_s - window_s, reading, pump, pump, strengths)
        self._pump, self._window_s = pump, window_s
        self._let_duffing_shift(pump, duration_s)
        strengths[:, 1] += jump_sigma_hz**2 / window_s
        self._predict(window_s, reading, pump, early or pump, strengths)
        self._log_likelihood *= math.exp(-duration_s / FORGET_S)
        self._alert_s = {mode: left_s - duration_s for mode, left_s in self._alert_s.items()}
        self._is_surprised = False
        before_hz = self.estimate().difference_hz
        scale = strengths[:, 3]
        if reading.lower_turns is not None:
            self._correct(
                ModeId.LOWER,
                reading.lower_turns,
                reading.lower_variance_turns2 * scale,
                reading.lower_diffusion_turns2_per_s * window_s,
            )
        else:
            self._restarted.discard(ModeId.LOWER)
        if reading.upper_turns is not None:
            innovation2 = self._correct(
                ModeId.UPPER,
                reading.upper_turns,
                reading.upper_variance_turns2 * scale,
                reading.upper_diffusion_turns2_per_s * window_s,
            )
            self.innovation_ratio += 0.05 * (min(innovation2, 100.0) - self.innovation_ratio)
        else:
            self._restarted.discard(ModeId.UPPER)
        self._move_bank()
        self._since_rebase_s += duration_s
        if self._since_rebase_s > RATE_TIME_S:
            self._rebase()
        self._mix()
        self._doubt(duration_s, before_hz)
        return self.estimate()

    def _let_duffing_shift(self, pump: PumpAction, duration_s: float) -> None:
        """Count what a change of the amplitudes does by Duffing terms that are not known well.

        Whatever a coefficient is wrong by is in the frequencies that were seen, and shows as
        far as the amplitudes leave those at which they were seen. At new amplitudes it is
        seen anew, in about the time in which the amplitudes of today become the usual ones.
        """
        if pump.powers is None or self.config.duffing_sigma_hz == 0.0:
            return
        powers = np.array(pump.powers)
        if self._first_powers is None or self._usual_powers is None:
            self._first_powers = self._usual_powers = powers
        self._more_powers = powers - self._first_powers
        change2 = _change2(powers, self._usual_powers)
        added = self.config.duffing_sigma_hz**2 * max(change2 - self._power_change2, 0.0)
        if added > 0.0:  # the lower mode's error passes for a drift of both
            self._p[:, SHARED_HZ, SHARED_HZ] += added
        share = -math.expm1(-duration_s / USUAL_S)
        self._usual_powers = self._usual_powers + share * (powers - self._usual_powers)
        self._power_change2 = _change2(powers, self._usual_powers)

    def foretold(self, duration_s: float) -> JointEstimate:
        """What the estimate will be after a time without readings or a pump.

        Parameters
        ----------
        duration_s : float
            From the middle of the last window on [s], > 0.

        Returns
        -------
        JointEstimate
            The shared drift goes on at its rate; every sigma has grown.
        """
        later = self.copy()
        return later.process(duration_s, NO_READING, PumpAction())

    def _predict(
        self,
        dt: float,
        reading: JointReading,
        pump: PumpAction,
        early: PumpAction,
        strengths: np.ndarray,
    ) -> None:
        """Every member over a time in which the phases are averaged."""
        x, members = self._x, len(self._x)
        constant, bilinear = transition_parts(dt, 1.0 + self._ratio_prior)
        if pump.squared > 0.0 or early.squared > 0.0:
            constant, bilinear = with_pump(constant, bilinear, dt, pump, early)
        if self._more_powers.any():
            constant = with_duffing(constant, dt, self._more_powers)
        factors = x[:, MULTIPLIED]
        f = constant + (factors @ bilinear.reshape(len(MULTIPLIED), -1)).reshape(self._p.shape)
        known = np.zeros(STATES)
        for lower, upper, time_s, action in (
            (LOWER_TURNS, UPPER_TURNS, dt, pump),
            (LOWER_MEAN, UPPER_MEAN, dt / 2.0, early),
        ):
            lower_hz = action.lower_known_hz + action.lower_duffing_hz
            upper_hz = action.upper_known_hz + action.upper_duffing_hz
            known[lower] = (self._base[0] + lower_hz) * time_s
            known[upper] = (self._base[1] + upper_hz) * time_s
        # The derivative of a product, times the states, holds the product twice: the
        # mean with what holds it not at all has it once.
        self._x = 0.5 * ((f + constant) @ x[:, :, None])[:, :, 0] + known
        ratio, shared = 1.0 + self._ratio_prior + x[:, RATIO], strengths[:, 0]
        noises = np.ones((members, 7))
        noises[:, 0] = shared
        noises[:, 1] = shared * ratio
        noises[:, 2] = noises[:, 1] * ratio
        noises[:, 3] = strengths[:, 1]
        noises[:, 4] = strengths[:, 2] * reading.lower_diffusion_turns2_per_s
        noises[:, 5] = strengths[:, 2] * reading.upper_diffusion_turns2_per_s
        self._p = f @ self._p @ f.transpose(0, 2, 1)
        self._p += (noises @ noise_parts(dt)).reshape(self._p.shape)

    def _correct(
        self, mode: ModeId, turns: float, variance: np.ndarray, diffused_turns2: float
    ) -> float:
        """Scalar update of every member; returns the centre's squared innovation."""
        place = LOWER_MEAN if mode is ModeId.LOWER else UPPER_MEAN
        if self._phase_is_broken(place, turns, float(variance[0])):
            # Where the phase diffuses by as much as that, in a near null, it tells nothing of
            # a frequency; a third of it is in the mean over the window.
            is_lost = diffused_turns2 / 3.0 > AMBIGUOUS_TURNS**2
            if mode in self._restarted and not is_lost:
                self._restart_frequency(mode, turns)
            self._restart_phase(mode, turns)
            return 1.0
        self._restarted.discard(mode)
        p = self._p
        innovation = turns - self._x[:, place]
        innovation -= round(float(innovation[0]))  # whole turns cannot be told apart
        total = p[:, place, place] + variance
        normalised2 = innovation**2 / total
        self._log_likelihood -= 0.5 * (np.minimum(normalised2, 100.0) + np.log(total))
        surprised = normalised2 > (ALERT_SURPRISE2 if self._alert_s[mode] > 0.0 else SURPRISE2)
        if surprised.any():
            self._is_surprised = mode is ModeId.UPPER and bool(surprised[0])
            if normalised2[0] > SURPRISE2:
                self._alert_s[mode] = ALERT_S
            excess = np.where(surprised, innovation**2 - total, 0.0)
            self._add_walk(mode, WALK_SHARE * excess)
            total = p[:, place, place] + variance + (1.0 - WALK_SHARE) * excess
        column = p[:, :, place].copy()
        gain = column / total[:, None]
        p -= gain[:, :, None] * column[:, None, :]
        # The asymmetry is considered, not learnt (Schmidt's filter): it multiplies the
        # coupling, and a linear filter that learns both is too sure of both. Its variance
        # stays, and with it what it adds to the others.
        p[:, ASYMMETRY, ASYMMETRY] += gain[:, ASYMMETRY] * column[:, ASYMMETRY]
        gain[:, ASYMMETRY] = 0.0
        self._x += gain * innovation[:, None]
        return float(normalised2[0])

    def _add_walk(self, mode: ModeId, variances_turns2: np.ndarray) -> None:
        """Let the frequency have walked more in the last window than the model says.

        By the lower phase, which is looked at first, the shared drift has; what that does
        not explain in the upper one, the rest has. `variances_turns2` are the variances
        that this adds to the members' mean phases.
        """
        shared, cross, square, rest = noise_parts(self._window_s)[:4]
        ratio = (1.0 + self._ratio_prior + self._x[:, RATIO])[:, None]
        if mode is ModeId.LOWER:
            place, added = LOWER_MEAN, shared + ratio * cross + ratio * ratio * square
        else:
            place, added = UPPER_MEAN, np.broadcast_to(rest, (len(ratio), len(rest)))
        added = added.reshape(self._p.shape)
        self._p += (variances_turns2 / added[:, place, place])[:, None, None] * added

    def _doubt(self, duration_s: float, before_hz: float) -> None:
        """Count as uncertain how far surprises have moved the difference from where it was."""
        if self._is_surprised and self._undoubted_hz is None:
            self._undoubted_hz = before_hz
        if self._undoubted_hz is None:
            return
        estimate = self.estimate()
        left = math.exp(-duration_s / DOUBT_S)
        self._doubted_hz = left * (estimate.difference_hz - self._undoubted_hz)
        self._undoubted_hz = estimate.difference_hz - self._doubted_hz
        is_calm = self._alert_s[ModeId.UPPER] <= 0.0
        if is_calm and abs(self._doubted_hz) < LEAST_DOUBT_SIGMAS * estimate.difference_sigma_hz:
            self._undoubted_hz, self._doubted_hz = None, 0.0
        self._estimate = None  # its sigmas count the doubt

    # -- the bank ---------------------------------------------------------------

    def _move_bank(self) -> None:
        """Centre the bank on the likeliest member, if it is clearly so.

        Along the strength that moves, members keep state and likelihood where the
        old bank and the new one overlap, or take those of the nearest; along the
        others they go on from the new centre and lead it by as much as the old one.
        """
        lead = self._log_likelihood - self._log_likelihood[0]
        best = int(np.argmax(lead))
        if lead[best] <= MOVE_AT:
            return
        directions, moved = self._directions, int(np.argmax(np.abs(self._directions[best])))
        along = np.flatnonzero(~np.delete(directions, moved, axis=1).any(axis=1))
        offsets = directions[along, moved]
        places = offsets + directions[best, moved]  # in the old bank
        nearest = np.argmin(np.abs(places[:, None] - offsets[None, :]), axis=1)
        sources = np.full(len(directions), best)
        sources[along] = along[nearest]
        new_lead = lead[best] + lead
        new_lead[along] = lead[sources[along]]
        self._center = np.clip(self._center + directions[best], LEAST_LOGS, LARGEST_LOGS)
        self._x, self._p, self._log_likelihood = self._x[sources], self._p[sources], new_lead
        if moved in NOISES:
            # Who took noise for motion has followed it, and knows the less.
            scales = np.ones((len(along), STATES))
            scales[:, FOLLOWED] = np.exp(0.5 * np.maximum(places - offsets[nearest], 0.0))[:, None]
            self._p[along] *= scales[:, :, None] * scales[:, None, :]

    def _mix(self) -> None:
        """Mean and covariance of the whole bank, weighed by likelihood."""
        lead = self._log_likelihood - self._log_likelihood.max()
        self._log_likelihood = np.maximum(lead, LEAST_LEAD)
        weights = np.exp(self._log_likelihood)
        weights /= weights.sum()
        x = weights @ self._x
        apart = self._x - x
        p = (weights @ self._p.reshape(len(weights), -1)).reshape(STATES, STATES)
        self._mixed_x, self._mixed_p = x, p + (weights[:, None] * apart).T @ apart
        strengths = np.clip(self._center + self._directions, LEAST_LOGS, LARGEST_LOGS)
        self._mixed_logs = weights @ strengths
        self._estimate = None

    def _rebase(self) -> None:
        """Move the origin of the shared drift to where it is now.

        The ratio then acts on recent drift only, so that an error in it does
        not grow with the whole drift of a day.
        """
        shift = float(self._x[0, SHARED_HZ])
        self._base += shift
        self._x[:, [SHARED_HZ, MIDDLE_HZ]] -= shift
        self._x[:, REST_HZ] += (self._ratio_prior + self._x[:, RATIO]) * shift
        self._p[:, REST_HZ, :] += shift * self._p[:, RATIO, :]
        self._p[:, :, REST_HZ] += shift * self._p[:, :, RATIO]
        self._p = 0.5 * (self._p + self._p.transpose(0, 2, 1))
        self._since_rebase_s = 0.0

    # -- what it knows -----------------------------------------------------------

    def estimate(self) -> JointEstimate:
        """Bare frequencies and difference in the middle of the last window."""
        if self._estimate is None:
            self._estimate = self._new_estimate()
        return self._estimate

    def _new_estimate(self) -> JointEstimate:
        x, p = self._mixed_x, self._mixed_p
        squared, ratio = self._pump.squared, self._ratio_prior + float(x[RATIO])
        rows = np.zeros((4, STATES))
        lower, difference, upper, tracked = rows
        lower[MIDDLE_HZ], lower[SHIFT] = 1.0, squared
        difference += self._difference_row()
        upper += lower + difference
        tracked += difference
        if squared > 0.0:
            tracked += self._pull_row(ModeId.UPPER) - self._pull_row(ModeId.LOWER)
        sigmas = np.sqrt(np.maximum(((rows @ p) * rows).sum(axis=1), 0.0)).tolist()
        lower_offset_hz, difference_offset_hz = (rows[:2] @ x).tolist()
        pump = self._pump
        lower_hz = self.config.lower_reference_hz + float(self._base[0]) + lower_offset_hz
        lower_hz += pump.lower_duffing_hz
        difference_hz = (
            (self.config.upper_reference_hz - self.config.lower_reference_hz)
            + float(self._base[1] - self._base[0])
            + difference_offset_hz
            - float(x[RATIO] * x[MIDDLE_HZ])
            + (pump.upper_duffing_hz - pump.lower_duffing_hz)
        )
        shared, separate, diffusion, _ = np.exp(self._mixed_logs).tolist()
        coupling_variance = float(p[COUPLING, COUPLING] + p[QUADRATURE, QUADRATURE])
        return JointEstimate(
            lower_hz=lower_hz,
            lower_sigma_hz=sigmas[0],
            upper_hz=lower_hz + difference_hz,
            upper_sigma_hz=sigmas[2],
            difference_hz=difference_hz,
            difference_sigma_hz=math.hypot(sigmas[1], self._doubted_hz),
            tracked_sigma_hz=math.hypot(sigmas[3], self._doubted_hz),
            drift_ratio=1.0 + ratio,
            drift_ratio_sigma=math.sqrt(max(float(p[RATIO, RATIO]), 0.0)),
            coupling_hz=math.hypot(x[COUPLING], x[QUADRATURE]),
            coupling_sigma_hz=math.sqrt(max(coupling_variance, 0.0)),
            innovation_ratio=self.innovation_ratio,
            shared_walk_hz_per_root_s=math.sqrt(shared),
            separate_walk_hz_per_root_s=math.sqrt(separate),
            diffusion_scale=diffusion,
        )

    def learn_coupling(self, axis: np.ndarray, reading: float, variance: float) -> None:
        """Take over what an exchange has told of the coupling.

        Parameters
        ----------
        axis : ndarray of float64, shape (3,)
            Of coupling, quadrature and asymmetry: what the reading is a reading of.
        reading, variance : float
            Independent of all that this estimate has seen.
        """
        row = np.zeros(STATES)
        row[[COUPLING, QUADRATURE, ASYMMETRY]] = axis
        column = self._p @ row
        gain = column / (column @ row + variance)[:, None]
        self._x += gain * (reading - self._x @ row)[:, None]
        self._p -= gain[:, :, None] * column[:, None, :]
        self._mix()

    def knowledge(self) -> DifferenceKnowledge:
        """What is known of the difference apart from the pump."""
        estimate = self.estimate()
        rows = np.zeros((4, STATES))
        rows[0] = self._difference_row()
        rows[1, RATIO] = rows[2, LOWER_DUFFING] = rows[3, UPPER_DUFFING] = 1.0
        covariance = rows @ self._mixed_p @ rows.T
        covariance[0, 0] += self._doubted_hz**2
        learnt_hz = np.add(self.config.difference_duffing_hz, rows[2:] @ self._mixed_x)
        return DifferenceKnowledge(
            mean=np.array([estimate.difference_hz, estimate.drift_ratio - 1.0, *learnt_hz]),
            covariance=covariance,
            lower_hz=estimate.lower_hz,
            powers=self._more_powers + (0.0 if self._first_powers is None else self._first_powers),
        )

    def _difference_row(self) -> np.ndarray:
        """Derivative of the difference in the middle of the window by the states."""
        row, x = np.zeros(STATES), self._mixed_x
        row[[MIDDLE_HZ, REST_HZ]] = self._ratio_prior + float(x[RATIO]), 1.0
        row[[RATIO, SHIFT_DIFFERENCE]] = x[MIDDLE_HZ], self._pump.squared
        row[LOWER_DUFFING:LASTING] = self._more_powers
        return row

    def coupling_pulls_hz(self, pump: PumpAction) -> dict[ModeId, float]:
        """Rate that the coupling adds to each mode's phase, as known now [Hz]."""
        coupling = complex(self._mixed_x[COUPLING], self._mixed_x[QUADRATURE])
        asymmetry = float(self._mixed_x[ASYMMETRY])
        return {
            ModeId.LOWER: (1.0 + asymmetry) * (coupling * pump.lower_pull).real,
            ModeId.UPPER: (1.0 - asymmetry) * (coupling * pump.upper_pull).real,
        }

    def pump_shifts_hz(self) -> dict[ModeId, tuple[float, float]]:
        """Shift of each mode by the pump's amplitude squared, with one sigma [Hz/unit^2]."""
        lower, upper = np.zeros((2, STATES))
        lower[SHIFT] = 1.0
        upper[[SHIFT, SHIFT_DIFFERENCE]] = 1.0
        return {
            mode: (float(row @ self._mixed_x), _sigma(row, self._mixed_p))
            for mode, row in ((ModeId.LOWER, lower), (ModeId.UPPER, upper))
        }

    def pull_sigma_hz(self, mode: ModeId) -> float:
        """One standard deviation of the coupling's pull on a mode now [Hz]."""
        return _sigma(self._pull_row(mode), self._mixed_p)

    def _pull_row(self, mode: ModeId) -> np.ndarray:
        """Derivative of the coupling's pull on a mode by the states."""
        x = self._mixed_x
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

    def _restart_phase(self, mode: ModeId, turns: float) -> None:
        """Take a phase as new; frequencies keep what they know."""
        place, mean = _phases_of(mode)
        self._shift_phase(mode, turns - self._x[:, mean])
        self._forget(place, RESTART_TURNS**2)
        self._restarted.add(mode)

    def _restart_frequency(self, mode: ModeId, turns: float) -> None:
        """Two broken phases in a row: it is the frequency that has jumped, by a turn a window.

        Where both modes jump, what the lower one tells is taken for the upper one, too,
        whose own reading then tells the rest. What drift, ratio and shifts were is kept.
        """
        innovation = turns - float(self._x[0, _phases_of(mode)[1]])
        jump_turns = innovation - round(innovation)
        jump_hz, variance = jump_turns / self._window_s, (RESTART_TURNS / self._window_s) ** 2
        jumped = {mode}
        if mode is ModeId.LOWER:
            self._base[0] += jump_hz
            self._forget(SHARED_HZ, variance)
            self._forget(MIDDLE_HZ, variance)
            jumped |= self._restarted
        if ModeId.UPPER in jumped:
            self._base[1] += jump_hz
        self._forget(REST_HZ, variance)
        for each in jumped:  # to where they would be, had the frequency been known
            self._shift_phase(each, jump_turns)
            self._x[:, _phases_of(each)[0]] += 0.5 * jump_turns

    def _shift_phase(self, mode: ModeId, turns: np.ndarray | float) -> None:
        """Move a phase and its mean over the window by as many turns."""
        for place in _phases_of(mode):
            self._x[:, place] += turns

    def _forget(self, place: int, variance: float) -> None:
        """Let a state be known with a variance, and independently of the others."""
        self._p[:, place, :] = 0.0
        self._p[:, :, place] = 0.0
        self._p[:, place, place] = variance


def _change2(powers: np.ndarray, usual: np.ndarray) -> float:
    """How far powers are from the usual ones, squared, beyond what they always fluctuate by."""
    beyond = np.maximum(np.abs(powers - usual) - FLUCTUATION_RATIO * usual, 0.0)
    return float(np.sum(beyond**2))


def _phases_of(mode: ModeId) -> tuple[int, int]:
    """Places of a mode's phase at the end of the window, and of its mean."""
    return (LOWER_TURNS, LOWER_MEAN) if mode is ModeId.LOWER else (UPPER_TURNS, UPPER_MEAN)


def _sigma(row: np.ndarray, p: np.ndarray) -> float:
    """One standard deviation of a linear combination of the states."""
    return math.sqrt(max(float(row @ p @ row), 0.0))
