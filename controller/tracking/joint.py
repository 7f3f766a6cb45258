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

Frequencies are offsets [Hz] from two fixed references; phases are in turns.

Here is how a step goes, and what is handed out. The rest, in the order of reading:

    joint_states      what is estimated: the states and their places
    joint_prior       what is known of them before the first reading
    joint_motion      how they move over a window, and the noise that comes in
    joint_filter      many filters at once, each with strengths of its own
    joint_bank        how these strengths are learnt
    joint_surprises   what is done where a reading surprises
    joint_breaks      what is done where a phase breaks
    joint_amplitudes  what is done where amplitudes change
    joint_mixture     what all filters know together
"""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from controller.records import ModeId
from controller.tracking.joint_amplitudes import SeenPowers
from controller.tracking.joint_bank import DETECTOR_SCALE, SEPARATE_WALK, StrengthBank
from controller.tracking.joint_breaks import PhaseBreaks
from controller.tracking.joint_filter import JointFilters, WindowAction
from controller.tracking.joint_mixture import JointMixture
from controller.tracking.joint_motion import RATE_TIME_S, PumpAction
from controller.tracking.joint_prior import JointConfig, prior_state
from controller.tracking.joint_states import (
    ASYMMETRY,
    COUPLING,
    LOWER_DUFFING,
    MIDDLE_HZ,
    QUADRATURE,
    RATIO,
    SHARED_HZ,
    SHIFT,
    STATES,
    UPPER_DUFFING,
)
from controller.tracking.joint_surprises import WALK_SHARE, Surprises

RATIO_AVERAGING = 0.05  # of the innovation ratio: 20 readings
LARGEST_RATIO = 100.0  # that one reading counts with


class MeanPhase(NamedTuple):
    """One mode's raw phase against its reference, averaged over a window."""

    turns: float | None
    variance_turns2: float
    diffusion_turns2_per_s: float


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

    def of(self, mode: ModeId) -> MeanPhase:
        """What was read of a mode."""
        if mode is ModeId.LOWER:
            return MeanPhase(
                self.lower_turns, self.lower_variance_turns2, self.lower_diffusion_turns2_per_s
            )
        return MeanPhase(
            self.upper_turns, self.upper_variance_turns2, self.upper_diffusion_turns2_per_s
        )


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
    """Kalman filters over the shared drift and the rest, and what they are told.

    Owned by the engine; one thread; advances by `process`.
    """

    def __init__(self, config: JointConfig) -> None:
        self.config = config
        self.reset()

    def reset(self) -> None:
        """Start again from the prior."""
        config = self.config
        self._bank = StrengthBank(config.strengths, config.learnt)
        self._filters = JointFilters(
            *prior_state(config), members=len(self._bank), kappa=config.expected_kappa
        )
        self._surprises, self._breaks, self._powers = Surprises(), PhaseBreaks(), SeenPowers()
        self._pump, self._window_s = PumpAction(), 1.0
        self._since_rebase_s = 0.0
        self.innovation_ratio = 1.0
        self._mix()

    def copy(self) -> JointEstimator:
        """An independent estimator that goes on alike."""
        return copy.deepcopy(self)

    def __repr__(self) -> str:
        e = self.estimate()
        return f"JointEstimator({e.difference_hz:.6f} +- {e.difference_sigma_hz:.2g} Hz)"

    # -- a step ------------------------------------------------------------------

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
        strengths = self._bank.strengths()
        if duration_s - window_s > 1e-3 * window_s:  # a gap before the window
            self._predict(duration_s - window_s, reading, pump, pump, strengths)
        self._pump, self._window_s = pump, window_s
        self._let_duffing_shift(pump, duration_s)
        strengths[:, SEPARATE_WALK] += jump_sigma_hz**2 / window_s
        self._predict(window_s, reading, pump, early or pump, strengths)
        self._bank.forget(duration_s)
        self._surprises.begin_window(duration_s)
        before_hz = self.estimate().difference_hz
        for mode in ModeId:
            self._take_phase(mode, reading.of(mode), strengths[:, DETECTOR_SCALE])
        self._move_bank()
        self._rebase(duration_s)
        self._mix()
        self._doubt(duration_s, before_hz)
        return self.estimate()

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
        """Advance every filter over a time in which the phases are averaged."""
        action = WindowAction(
            pump=pump,
            early=early,
            diffusion_turns2_per_s=(
                reading.lower_diffusion_turns2_per_s,
                reading.upper_diffusion_turns2_per_s,
            ),
            more_powers=self._powers.more,
        )
        self._filters.predict(dt, action, strengths)

    def _let_duffing_shift(self, pump: PumpAction, duration_s: float) -> None:
        """Count what a change of the amplitudes does by Duffing terms that are not known well."""
        if pump.powers is None or self.config.duffing_sigma_hz == 0.0:
            return
        added = self.config.duffing_sigma_hz**2 * self._powers.process(pump.powers, duration_s)
        if added > 0.0:  # the lower mode's error passes for a drift of both
            self._filters.add_variance(SHARED_HZ, added)

    def _take_phase(self, mode: ModeId, phase: MeanPhase, noise_scales: np.ndarray) -> None:
        """Judge a reading, and correct every filter by it."""
        if phase.turns is None:
            self._breaks.forget(mode)
            return
        variances = phase.variance_turns2 * noise_scales
        was_broken = self._breaks.mend(
            self._filters,
            mode,
            phase.turns,
            variance_turns2=float(variances[0]),
            diffused_turns2=phase.diffusion_turns2_per_s * self._window_s,
            window_s=self._window_s,
        )
        innovation2 = 1.0 if was_broken else self._correct(mode, phase.turns, variances)
        if mode is ModeId.UPPER:
            ratio = min(innovation2, LARGEST_RATIO)
            self.innovation_ratio += RATIO_AVERAGING * (ratio - self.innovation_ratio)

    def _correct(self, mode: ModeId, turns: float, variances: np.ndarray) -> float:
        """Take a phase that is not broken; returns the centre's squared innovation."""
        filters = self._filters
        innovations = filters.innovations(mode, turns)
        expected = filters.phase_variances(mode) + variances
        normalised2 = innovations**2 / expected
        self._bank.judge(normalised2, expected)
        excess = self._surprises.excess(mode, innovations, expected)
        if excess is not None:  # it is put down to the frequency and to the phase
            filters.widen_walk(mode, self._window_s, WALK_SHARE * excess)
            expected = filters.phase_variances(mode) + variances + (1.0 - WALK_SHARE) * excess
        filters.correct(mode, innovations, expected)
        return float(normalised2[0])

    def _move_bank(self) -> None:
        """Centre the bank on what has turned out to be likelier."""
        new_members = self._bank.recentred()
        if new_members is not None:
            self._filters.take_over(new_members)

    def _rebase(self, duration_s: float) -> None:
        """Count the shared drift from where it is, once in the time of its rate."""
        self._since_rebase_s += duration_s
        if self._since_rebase_s > RATE_TIME_S:
            self._filters.rebase()
            self._since_rebase_s = 0.0

    def _mix(self) -> None:
        """Renew what all filters know together."""
        weights, strengths = self._bank.weighed()
        mean, covariance = self._filters.mixed(weights)
        self._mixture = JointMixture(
            mean=mean,
            covariance=covariance,
            strengths=strengths,
            expected_kappa=self.config.expected_kappa,
        )
        self._estimate: JointEstimate | None = None

    def _doubt(self, duration_s: float, before_hz: float) -> None:
        """Count as uncertain how far surprises have moved the difference."""
        after = self.estimate()
        if self._surprises.doubt(
            duration_s,
            before_hz=before_hz,
            after_hz=after.difference_hz,
            sigma_hz=after.difference_sigma_hz,
        ):
            self._estimate = None  # its sigmas count the doubt

    # -- what it knows -----------------------------------------------------------

    def estimate(self) -> JointEstimate:
        """Bare frequencies and difference in the middle of the last window."""
        if self._estimate is None:
            self._estimate = self._new_estimate()
        return self._estimate

    def _new_estimate(self) -> JointEstimate:
        mixture, pump, doubted_hz = self._mixture, self._pump, self._surprises.doubted_hz
        x, p = mixture.mean, mixture.covariance
        rows = np.zeros((4, STATES))
        lower, difference, upper, tracked = rows
        lower[MIDDLE_HZ], lower[SHIFT] = 1.0, pump.squared
        difference += self._difference_row()
        upper += lower + difference
        tracked += difference
        if pump.squared > 0.0:
            tracked += mixture.pull_row(ModeId.UPPER, pump) - mixture.pull_row(ModeId.LOWER, pump)
        sigmas = np.sqrt(np.maximum(((rows @ p) * rows).sum(axis=1), 0.0)).tolist()
        lower_offset_hz, difference_offset_hz = (rows[:2] @ x).tolist()
        lower_base_hz, upper_base_hz = self._filters.base_hz
        lower_hz = self.config.lower_reference_hz + float(lower_base_hz) + lower_offset_hz
        lower_hz += pump.lower_duffing_hz
        difference_hz = (
            (self.config.upper_reference_hz - self.config.lower_reference_hz)
            + float(upper_base_hz - lower_base_hz)
            + difference_offset_hz
            - float(x[RATIO] * x[MIDDLE_HZ])  # a product, which its derivative holds twice
            + (pump.upper_duffing_hz - pump.lower_duffing_hz)
        )
        shared, separate, diffusion, _ = mixture.strengths.tolist()
        coupling_variance = float(p[COUPLING, COUPLING] + p[QUADRATURE, QUADRATURE])
        return JointEstimate(
            lower_hz=lower_hz,
            lower_sigma_hz=sigmas[0],
            upper_hz=lower_hz + difference_hz,
            upper_sigma_hz=sigmas[2],
            difference_hz=difference_hz,
            difference_sigma_hz=math.hypot(sigmas[1], doubted_hz),
            tracked_sigma_hz=math.hypot(sigmas[3], doubted_hz),
            drift_ratio=1.0 + mixture.kappa,
            drift_ratio_sigma=math.sqrt(max(float(p[RATIO, RATIO]), 0.0)),
            coupling_hz=math.hypot(x[COUPLING], x[QUADRATURE]),
            coupling_sigma_hz=math.sqrt(max(coupling_variance, 0.0)),
            innovation_ratio=self.innovation_ratio,
            shared_walk_hz_per_root_s=math.sqrt(shared),
            separate_walk_hz_per_root_s=math.sqrt(separate),
            diffusion_scale=diffusion,
        )

    def _difference_row(self) -> np.ndarray:
        """Derivative of the difference in the middle of the window by the states."""
        return self._mixture.difference_row(self._pump.squared, self._powers.more)

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
        self._filters.learn(row, reading, variance)
        self._mix()

    def knowledge(self) -> DifferenceKnowledge:
        """What is known of the difference apart from the pump."""
        estimate, mixture = self.estimate(), self._mixture
        rows = np.zeros((4, STATES))
        rows[0] = self._difference_row()
        rows[1, RATIO] = rows[2, LOWER_DUFFING] = rows[3, UPPER_DUFFING] = 1.0
        covariance = rows @ mixture.covariance @ rows.T
        covariance[0, 0] += self._surprises.doubted_hz**2
        learnt_hz = np.add(self.config.difference_duffing_hz, rows[2:] @ mixture.mean)
        return DifferenceKnowledge(
            mean=np.array([estimate.difference_hz, estimate.drift_ratio - 1.0, *learnt_hz]),
            covariance=covariance,
            lower_hz=estimate.lower_hz,
            powers=self._powers.now,
        )

    def coupling_pulls_hz(self, pump: PumpAction) -> dict[ModeId, float]:
        """Rate that the coupling adds to each mode's phase, as known now [Hz]."""
        return self._mixture.coupling_pulls_hz(pump)

    def pump_shifts_hz(self) -> dict[ModeId, tuple[float, float]]:
        """Shift of each mode by the pump's amplitude squared, with one sigma [Hz/unit^2]."""
        return self._mixture.pump_shifts_hz()

    def pull_sigma_hz(self, mode: ModeId) -> float:
        """One standard deviation of the coupling's pull on a mode now [Hz]."""
        return self._mixture.sigma(self._mixture.pull_row(mode, self._pump))
