"""How the joint estimate meets phases that break: a flip first, a jump when it comes again.

A fringe that flips or a loop that slips gives a phase that no frequency can have led to.
It says nothing of the frequency: the phase is taken as new, and all else is kept. When the
next window breaks, too, it is the frequency that has jumped, by a turn a window.
"""

from __future__ import annotations

from controller.records import ModeId
from controller.tracking.joint_filter import JointFilters
from controller.tracking.joint_states import MIDDLE_HZ, REST_HZ, SHARED_HZ, phase_at_end, phase_mean

AMBIGUOUS_TURNS = 0.2  # a phase less certain than this may be a turn off: 2.5 sigma to half a turn
BROKEN_TURNS = 0.1  # the trackers' own gate: 0.6 rad
BROKEN_SIGMAS2 = 36.0  # beyond 6 sigma: what is less may be noise
RESTART_TURNS = 0.01  # what a restarted phase may be off by: 0.2 Hz for half a window


class PhaseBreaks:
    """Whose phase broke in the last window, and what is done where one breaks.

    Owned by a joint estimator; one thread.
    """

    def __init__(self) -> None:
        self._restarted: set[ModeId] = set()  # whose phase was taken as new in the last window

    def __repr__(self) -> str:
        return f"PhaseBreaks({', '.join(sorted(self._restarted)) or 'none'})"

    def forget(self, mode: ModeId) -> None:
        """A window without a break: the next one is the first again."""
        self._restarted.discard(mode)

    def mend(
        self,
        filters: JointFilters,
        mode: ModeId,
        turns: float,
        *,
        variance_turns2: float,
        diffused_turns2: float,
        window_s: float,
    ) -> bool:
        """Take a phase as new, or its frequency, too, if it is broken.

        Parameters
        ----------
        filters : JointFilters
            What expects the phase, and is mended.
        mode : ModeId
            Whose phase it is.
        turns : float
            Mean over the window.
        variance_turns2 : float
            Of the reading's noise [turns^2].
        diffused_turns2 : float
            By how much the phase diffuses in the window [turns^2].
        window_s : float
            Length of the window [s].

        Returns
        -------
        bool
            Whether it was broken: then there is nothing more to be read from it.
        """
        if not _is_broken(filters, mode, turns, variance_turns2):
            self.forget(mode)
            return False
        # Where the phase diffuses by as much as that, in a near null, it tells nothing of
        # a frequency; a third of it is in the mean over the window.
        is_lost = diffused_turns2 / 3.0 > AMBIGUOUS_TURNS**2
        if mode in self._restarted and not is_lost:
            self._restart_frequency(filters, mode, turns, window_s)
        _restart_phase(filters, mode, turns)
        self._restarted.add(mode)
        return True

    def _restart_frequency(
        self, filters: JointFilters, mode: ModeId, turns: float, window_s: float
    ) -> None:
        """Two broken phases in a row: it is the frequency that has jumped, by a turn a window.

        Where both modes jump, what the lower one tells is taken for the upper one, too,
        whose own reading then tells the rest. What drift, ratio and shifts were is kept.
        """
        jump_turns = float(filters.innovations(mode, turns)[0])
        jump_hz, variance = jump_turns / window_s, (RESTART_TURNS / window_s) ** 2
        jumped = {mode}
        if mode is ModeId.LOWER:
            filters.base_hz[0] += jump_hz
            filters.replace_variance(SHARED_HZ, variance)
            filters.replace_variance(MIDDLE_HZ, variance)
            jumped |= self._restarted
        if ModeId.UPPER in jumped:
            filters.base_hz[1] += jump_hz
        filters.replace_variance(REST_HZ, variance)
        for each in jumped:  # to where they would be, had the frequency been known
            filters.shift_phase(each, jump_turns)
            filters.means[:, phase_at_end(each)] += 0.5 * jump_turns


def _is_broken(filters: JointFilters, mode: ModeId, turns: float, variance_turns2: float) -> bool:
    """Whether a reading has another phase than the filters can have predicted."""
    uncertain = float(filters.phase_variances(mode)[0]) + variance_turns2
    if uncertain > AMBIGUOUS_TURNS**2:
        return True
    innovation = float(filters.innovations(mode, turns)[0])
    return abs(innovation) > BROKEN_TURNS and innovation**2 > BROKEN_SIGMAS2 * uncertain


def _restart_phase(filters: JointFilters, mode: ModeId, turns: float) -> None:
    """Take a phase as new; frequencies keep what they know."""
    filters.shift_phase(mode, turns - filters.means[:, phase_mean(mode)])
    filters.replace_variance(phase_at_end(mode), RESTART_TURNS**2)
