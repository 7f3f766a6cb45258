"""The filters of the joint estimate: Kalman filters over the same states, all at once.

Each member of the bank is a filter with strengths of its own; here they are advanced and
corrected as arrays over the members. What a reading is and whether it can be believed is
decided in `joint`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from controller.records import ModeId
from controller.tracking.joint_bank import (
    DIFFUSION_SCALE,
    SEPARATE_WALK,
    SHARED_WALK,
    NewMembers,
)
from controller.tracking.joint_motion import (
    MULTIPLIED,
    PumpAction,
    noise_parts,
    transition_parts,
    with_duffing,
    with_pump,
)
from controller.tracking.joint_states import (
    ASYMMETRY,
    FOLLOWED,
    LOWER_MEAN,
    LOWER_TURNS,
    MIDDLE_HZ,
    RATIO,
    REST_HZ,
    SHARED_HZ,
    STATES,
    UPPER_MEAN,
    UPPER_TURNS,
    phase_at_end,
    phase_mean,
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WindowAction:
    """What acts on the phases over a window, but for the noises' strengths."""

    pump: PumpAction  # on average over the window
    early: PumpAction  # the same, weighed by the time that was left in it
    diffusion_turns2_per_s: tuple[float, float]  # thermal, of lower and upper phase
    more_powers: np.ndarray  # squared amplitudes less those at the start [sample units^2]


class JointFilters:
    """States of all members, as means and covariances.

    Owned by a joint estimator; one thread. Shapes are (members, STATES) and (members,
    STATES, STATES); what is asked for a member is asked for the centre, member 0.
    """

    def __init__(
        self, mean: np.ndarray, covariance: np.ndarray, *, members: int, kappa: float
    ) -> None:
        self.means = np.tile(mean, (members, 1))
        self.covariances = np.tile(covariance, (members, 1, 1))
        self.expected_kappa = kappa  # the state RATIO counts from here
        self.base_hz = np.zeros(2)  # of lower and upper: frequencies count from here

    def __repr__(self) -> str:
        return f"JointFilters({len(self.means)} members)"

    @property
    def drift_ratios(self) -> np.ndarray:
        """Of the shared drift, upper over lower, as each member knows it."""
        return 1.0 + self.expected_kappa + self.means[:, RATIO]

    # -- motion -----------------------------------------------------------------

    def predict(self, dt: float, action: WindowAction, strengths: np.ndarray) -> None:
        """Advance by a window in which the phases are averaged.

        Parameters
        ----------
        dt : float
            Length of the window [s].
        action : WindowAction
            What acts meanwhile.
        strengths : ndarray of float64, shape (members, 4)
            Of each member, in the order of `Strengths`.
        """
        x = self.means
        constant, bilinear = self._transition(dt, action)
        factors = x[:, MULTIPLIED]
        f = constant + (factors @ bilinear.reshape(len(MULTIPLIED), -1)).reshape(
            self.covariances.shape
        )
        # The derivative of a product, times the states, holds the product twice: the
        # mean with what holds it not at all has it once.
        self.means = 0.5 * ((f + constant) @ x[:, :, None])[:, :, 0] + self._known(dt, action)
        self.covariances = f @ self.covariances @ f.transpose(0, 2, 1)
        self.covariances += self._noise(dt, action, strengths)

    def _transition(self, dt: float, action: WindowAction) -> tuple[np.ndarray, np.ndarray]:
        """Constant part, and what each of the states MULTIPLIED adds."""
        constant, bilinear = transition_parts(dt, 1.0 + self.expected_kappa)
        if action.pump.squared > 0.0 or action.early.squared > 0.0:
            constant, bilinear = with_pump(constant, bilinear, dt, action.pump, action.early)
        if action.more_powers.any():
            constant = with_duffing(constant, dt, action.more_powers)
        return constant, bilinear

    def _known(self, dt: float, action: WindowAction) -> np.ndarray:
        """What the states gain whatever they are, shape (STATES,)."""
        known = np.zeros(STATES)
        for lower, upper, time_s, part in (
            (LOWER_TURNS, UPPER_TURNS, dt, action.pump),
            (LOWER_MEAN, UPPER_MEAN, dt / 2.0, action.early),
        ):
            lower_hz = part.lower_known_hz + part.lower_duffing_hz
            upper_hz = part.upper_known_hz + part.upper_duffing_hz
            known[lower] = (self.base_hz[0] + lower_hz) * time_s
            known[upper] = (self.base_hz[1] + upper_hz) * time_s
        return known

    def _noise(self, dt: float, action: WindowAction, strengths: np.ndarray) -> np.ndarray:
        """Covariance that the window adds, of the shape of the covariances."""
        ratios = self.drift_ratios
        lower_diffusion, upper_diffusion = action.diffusion_turns2_per_s
        noises = np.ones((len(strengths), 7))
        noises[:, 0] = strengths[:, SHARED_WALK]
        noises[:, 1] = strengths[:, SHARED_WALK] * ratios
        noises[:, 2] = noises[:, 1] * ratios
        noises[:, 3] = strengths[:, SEPARATE_WALK]
        noises[:, 4] = strengths[:, DIFFUSION_SCALE] * lower_diffusion
        noises[:, 5] = strengths[:, DIFFUSION_SCALE] * upper_diffusion
        return np.asarray((noises @ noise_parts(dt)).reshape(self.covariances.shape))

    def rebase(self) -> None:
        """Move the origin of the shared drift to where it is now.

        The ratio then acts on recent drift only, so that an error in it does
        not grow with the whole drift of a day.
        """
        shift_hz = float(self.means[0, SHARED_HZ])
        self.base_hz += shift_hz
        self.means[:, [SHARED_HZ, MIDDLE_HZ]] -= shift_hz
        self.means[:, REST_HZ] += (self.expected_kappa + self.means[:, RATIO]) * shift_hz
        self.covariances[:, REST_HZ, :] += shift_hz * self.covariances[:, RATIO, :]
        self.covariances[:, :, REST_HZ] += shift_hz * self.covariances[:, :, RATIO]
        self.covariances = 0.5 * (self.covariances + self.covariances.transpose(0, 2, 1))

    # -- readings ----------------------------------------------------------------

    def innovations(self, mode: ModeId, turns: float) -> np.ndarray:
        """What a mean phase has more than expected, but for whole turns [turns].

        Parameters
        ----------
        mode : ModeId
            Whose phase it is.
        turns : float
            Mean over the window.

        Returns
        -------
        ndarray of float64, shape (members,)
            The centre's in [-1/2, 1/2]; the others count the same whole turns.
        """
        innovations = turns - self.means[:, phase_mean(mode)]
        innovations -= round(float(innovations[0]))
        return np.asarray(innovations)

    def phase_variances(self, mode: ModeId) -> np.ndarray:
        """How well each member expects a mean phase, shape (members,) [turns^2]."""
        place = phase_mean(mode)
        return self.covariances[:, place, place]

    def correct(self, mode: ModeId, innovations: np.ndarray, variances: np.ndarray) -> None:
        """Take a mean phase into account.

        Parameters
        ----------
        mode : ModeId
            Whose phase it is.
        innovations : ndarray of float64, shape (members,)
            What it has more than expected [turns].
        variances : ndarray of float64, shape (members,)
            Of these innovations, the reading's noise included [turns^2].
        """
        columns = self.covariances[:, :, phase_mean(mode)].copy()
        gains = columns / variances[:, None]
        self.covariances -= gains[:, :, None] * columns[:, None, :]
        # The asymmetry is considered, not learnt (Schmidt's filter): it multiplies the
        # coupling, and a linear filter that learns both is too sure of both. Its variance
        # stays, and with it what it adds to the others.
        self.covariances[:, ASYMMETRY, ASYMMETRY] += gains[:, ASYMMETRY] * columns[:, ASYMMETRY]
        gains[:, ASYMMETRY] = 0.0
        self.means += gains * innovations[:, None]

    def learn(self, row: np.ndarray, reading: float, variance: float) -> None:
        """Take over what something else has told of the states.

        Parameters
        ----------
        row : ndarray of float64, shape (STATES,)
            What the reading is a reading of, as a linear combination of the states.
        reading, variance : float
            Independent of all that the filters have seen.
        """
        columns = self.covariances @ row
        gains = columns / (columns @ row + variance)[:, None]
        self.means += gains * (reading - self.means @ row)[:, None]
        self.covariances -= gains[:, :, None] * columns[:, None, :]

    # -- what the model did not say ------------------------------------------------

    def widen_walk(self, mode: ModeId, window_s: float, variances_turns2: np.ndarray) -> None:
        """Let the frequency have walked more in the last window than the model says.

        By the lower phase, which is looked at first, the shared drift has; what that does
        not explain in the upper one, the rest has.

        Parameters
        ----------
        mode : ModeId
            Whose phase tells of it.
        window_s : float
            Length of the last window [s].
        variances_turns2 : ndarray of float64, shape (members,)
            What this adds to the variances of the members' mean phases.
        """
        shared, cross, square, rest = noise_parts(window_s)[:4]
        ratios = self.drift_ratios[:, None]
        if mode is ModeId.LOWER:
            added = shared + ratios * cross + ratios * ratios * square
        else:
            added = np.broadcast_to(rest, (len(ratios), len(rest)))
        added = added.reshape(self.covariances.shape)
        place = phase_mean(mode)
        self.covariances += (variances_turns2 / added[:, place, place])[:, None, None] * added

    def add_variance(self, place: int, variance: float) -> None:
        """Let a state be known the less well, independently of the others."""
        self.covariances[:, place, place] += variance

    def replace_variance(self, place: int, variance: float) -> None:
        """Let a state be known with a variance, and independently of the others."""
        self.covariances[:, place, :] = 0.0
        self.covariances[:, :, place] = 0.0
        self.covariances[:, place, place] = variance

    def shift_phase(self, mode: ModeId, turns: np.ndarray | float) -> None:
        """Move a phase and its mean over the window by as many turns."""
        self.means[:, phase_at_end(mode)] += turns
        self.means[:, phase_mean(mode)] += turns

    # -- all members -----------------------------------------------------------------

    def take_over(self, new: NewMembers) -> None:
        """Let members go on from others, as a bank that is centred anew says."""
        scales = np.ones((len(new.sources), STATES))
        scales[:, FOLLOWED] = new.widening[:, None]
        self.means = self.means[new.sources]
        self.covariances = self.covariances[new.sources]
        self.covariances *= scales[:, :, None] * scales[:, None, :]

    def mixed(self, weights: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Mean and covariance of the whole bank.

        Parameters
        ----------
        weights : ndarray of float64, shape (members,)
            Of sum 1.

        Returns
        -------
        ndarray of float64, shape (STATES,)
            Mean.
        ndarray of float64, shape (STATES, STATES)
            Covariance; it counts how far the members disagree.
        """
        mean = weights @ self.means
        apart = self.means - mean
        covariance = (weights @ self.covariances.reshape(len(weights), -1)).reshape(STATES, STATES)
        return mean, covariance + (weights[:, None] * apart).T @ apart
