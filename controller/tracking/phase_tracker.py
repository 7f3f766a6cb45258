"""A phase-locked tracker of one line, with gains from the noise.

The tracker is a second-order phase-locked loop: an oscillator whose phase and
frequency are corrected by a share of the phase error of the averaged, derotated
baseband. The two shares are the Kalman gains of the noise model (detector noise
over the present amplitude, phase diffusion by the thermal force, random walk of
the frequency), so the loop narrows by itself as the amplitude falls, and the
same recursion states the uncertainty. In the steady state the gains are those
of `controller.tracking.design`.

Arrays in, estimates out; nothing here reads a clock or a file.
"""

from __future__ import annotations

import cmath
import copy
import math
from dataclasses import dataclass

import numpy as np

from controller.records import TrackerState
from controller.tracking.states import checked

TWO_PI = 2.0 * math.pi

# A phase error beyond this is not noise of a locked loop (its sigma is far
# smaller) but another phase: a flip of the fringe, another line, no line.
PHASE_GATE_RAD = 0.6
# An amplitude that falls below this part of the prediction within one update is
# gone: a mode decays over seconds, an update lasts milliseconds.
AMPLITUDE_GATE = 0.5
# One that grows to more than this within one update is no motion of the mode either, but
# a spike, or another gain: looked at before it is believed.
SPIKE_RATIO = 3.0
# Phasors that add up to less of their sum of moduli turn by more than half a turn
# meanwhile: sinc(1/2) = 0.64.
RETURNED_COHERENCE = 0.7
# A returned line that goes on turning for so many times what a return takes is far from
# where it was: to wait for it is no use.
ELSEWHERE_RATIO = 5.0
# Below this signal-to-noise (amplitude over the noise of one quadrature of an
# update) the phase of one update is no longer Gaussian and the gates mean nothing.
LEAST_AMPLITUDE_SNR = 3.0
AVERAGING = 0.02  # of the innovation statistics: 50 updates
LEAST_SETTLING_UPDATES = 3  # where an update is longer than the settling time
NOISE_SCALES = 0.1, 1.0e8  # what the learnt noise may be, in parts of the given variance
WALK_SCALES = 1.0, 1.0e8  # likewise; what is given is right over long times
LARGEST_STEP = 0.1  # of a logarithm in one update, per unit of excess
SURPRISE = 5.0  # normalised innovation: beyond it once in a day if the model holds
GATE_SIGMAS = 6.0  # two-sided tail 2e-9: one false alarm in months at 50 updates a second


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseTrackerConfig:
    """Noise model and time constants of one tracker.

    Raises
    ------
    ValueError
        If a duration or the noise is not positive, or a walk, the decay or
        the thermal amplitude negative.
    """

    update_s: float
    detector_noise: float  # one-sided density, sample units per root hertz
    thermal_amplitude: float = 0.0  # x_th, rms displacement in equilibrium
    decay_rate_per_s: float = 0.0  # gamma, energy
    walk_hz_per_root_s: float = 5.0e-3
    growth_walk_per_s_per_root_s: float = 0.05  # drives, gain and heating, over seconds
    settle_s: float = 0.5
    hold_s: float = 30.0  # longest holdover
    relock_s: float = 0.2  # how long a returned line is looked at
    learning_s: float = 5.0  # of what is learnt beyond noise and walk; inf: nothing is

    def __post_init__(self) -> None:
        positive = "update_s", "detector_noise", "settle_s", "hold_s", "relock_s", "learning_s"
        for name in positive:
            if not getattr(self, name) > 0.0:
                raise ValueError(f"{name} is {getattr(self, name)}; it has to be positive")
        not_negative = (
            "thermal_amplitude",
            "decay_rate_per_s",
            "walk_hz_per_root_s",
            "growth_walk_per_s_per_root_s",
        )
        for name in not_negative:
            if not getattr(self, name) >= 0.0:
                raise ValueError(f"{name} is {getattr(self, name)}; it cannot be negative")


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseReading:
    """The phase of one update, as measured: not filtered, not corrected."""

    turns: float  # against the reference oscillator, continuous
    variance_turns2: float  # of the detector noise
    is_valid: bool


class PhaseTracker:
    """Phase-locked tracker of one line against a reference oscillator.

    Owned by the engine; one thread. Phases are in turns against an oscillator
    at the down-converter's mix frequency, frequencies are offsets from it.
    """

    def __init__(self, config: PhaseTrackerConfig) -> None:
        self.config = config
        # Detector noise of one quadrature of one update [sample units].
        self.quadrature_sigma = config.detector_noise / math.sqrt(config.update_s)
        self._thermal_kicks = config.decay_rate_per_s * config.thermal_amplitude**2
        self.reset()

    def reset(self) -> None:
        """Forget the line and what was learnt."""
        self.walk_hz_per_root_s = self.config.walk_hz_per_root_s
        self.diffusion_scale = 1.0  # on the thermal phase diffusion; learnt elsewhere
        self.state = TrackerState.SEARCHING
        self.reason = "start"
        self.turns = 0.0
        self.offset_hz = 0.0
        self.amplitude = 0.0
        self.growth_per_s = 0.0
        self.phase_error_rad = 0.0
        self.innovation_ratio = 1.0
        self.cycle_slips = 0
        self.frequency_gain_hz = 0.0
        self.phase_gain = 1.0
        self._p00 = self._p01 = self._p11 = 0.0  # turns^2, turns Hz, Hz^2
        self._a00 = self._a01 = self._a11 = 0.0  # amplitude, growth
        self._in_state_s = 0.0
        self._steady_s = 0.0
        self._noise_scale = 1.0
        self._walk_scale = 1.0
        self._last_innovations = 0.0, 0.0  # normalised
        self._agreement = 0.0  # of an innovation with the two before it, on average
        self._is_fresh = False  # the phase has not been seen yet
        self._was_locked = False  # before the hold
        self._returned: list[complex] = []
        self._turning_s = 0.0  # how long a returned line has been turning

    def copy(self) -> PhaseTracker:
        """An independent tracker that goes on alike."""
        return copy.deepcopy(self)

    def __repr__(self) -> str:
        return (
            f"PhaseTracker({self.state.value}, offset_hz={self.offset_hz:.6f} "
            f"+- {self.frequency_sigma_hz:.2g}, amplitude={self.amplitude:.3g})"
        )

    # -- what it knows ---------------------------------------------------------

    @property
    def frequency_sigma_hz(self) -> float:
        """One standard deviation of the frequency [Hz]."""
        return math.sqrt(max(self._p11, 0.0))

    @property
    def phase_sigma_rad(self) -> float:
        """One standard deviation of the phase [rad]."""
        return TWO_PI * math.sqrt(max(self._p00, 0.0))

    @property
    def amplitude_sigma(self) -> float:
        """One standard deviation of the amplitude [sample units]."""
        return math.sqrt(max(self._a00, 0.0))

    def amplitude_in(self, duration_s: float) -> float:
        """What the amplitude will have become after a time, should it go on as now."""
        return self.amplitude * math.exp(min(self.growth_per_s * duration_s, 1.0))

    @property
    def growth_sigma_per_s(self) -> float:
        """One standard deviation of the growth rate of the amplitude [1/s]."""
        return math.sqrt(max(self._a11, 0.0))

    @property
    def noise_scale(self) -> float:
        """What noise there is, in parts of the given detector noise's variance."""
        return self._noise_scale

    @property
    def diffusion_turns2_per_s(self) -> float:
        """Growth of the phase's variance by the thermal force as configured."""
        amplitude = max(self.amplitude, self.quadrature_sigma)
        return self._thermal_kicks / (TWO_PI * amplitude) ** 2

    @property
    def snr_db(self) -> float:
        """Carrier power over noise power of one update [dB]."""
        if self.amplitude <= 0.0:
            return -math.inf
        return 20.0 * math.log10(self.amplitude / (math.sqrt(2.0) * self.quadrature_sigma))

    @property
    def noise_bandwidth_hz(self) -> float:
        """One-sided noise bandwidth of the loop with its present gains [Hz].

        B_L T = (2 K1^2 + 2 K2 + K1 K2) / (2 K1 (4 - 2 K1 - K2)) for the loop that
        predicts and corrects (Stephens and Thomas 1995, table IV), with
        K2 = frequency gain times T and K1 = phase gain.
        """
        k1, k2 = self.phase_gain, self.frequency_gain_hz * self.config.update_s
        if not 0.0 < 2.0 * k1 + k2 < 4.0 or k1 <= 0.0:
            return 0.5 / self.config.update_s
        return (
            (2 * k1 * k1 + 2 * k2 + k1 * k2) / (2 * k1 * (4 - 2 * k1 - k2)) / (self.config.update_s)
        )

    # -- commands --------------------------------------------------------------

    def start(
        self, *, turns: float, offset_hz: float, frequency_sigma_hz: float, amplitude: float
    ) -> None:
        """Begin to pull in on a line that the search found."""
        self._change(TrackerState.PULLING_IN, "found by the search")
        self.turns, self.offset_hz, self.amplitude = turns, offset_hz, amplitude
        self.growth_per_s = -0.5 * self.config.decay_rate_per_s
        self._p00, self._p01, self._p11 = 1.0 / 12.0, 0.0, frequency_sigma_hz**2
        self._a00, self._a01, self._a11 = (0.5 * amplitude) ** 2, 0.0, 1.0
        self.innovation_ratio = 1.0
        self._is_fresh = True

    def retune(self, shift_hz: float, shift_turns: float) -> None:
        """Refer phase and frequency to an oscillator that is shift_hz higher.

        Parameters
        ----------
        shift_hz : float
            New minus old reference frequency [Hz].
        shift_turns : float
            Phase of the new minus the old oscillator at the last update [turns].
        """
        self.offset_hz -= shift_hz
        self.turns -= shift_turns

    def hold(self, reason: str) -> None:
        """Stop measuring; predict until the line is back."""
        if self.state not in (TrackerState.LOCKED, TrackerState.PULLING_IN):
            return
        self._was_locked = self.state is TrackerState.LOCKED
        self._change(TrackerState.HOLDING, reason)
        # Whatever drives the line rests meanwhile.
        self.growth_per_s = min(self.growth_per_s, -0.5 * self.config.decay_rate_per_s)

    def process(
        self, samples: np.ndarray, times_s: np.ndarray, duration_s: float, pull_hz: float = 0.0
    ) -> PhaseReading:
        """Take one update's baseband samples.

        Parameters
        ----------
        samples : ndarray of complex128, shape (n,)
            Baseband against the reference oscillator [sample units].
        times_s : ndarray of float64, shape (n,)
            Their times about the centre of the update [s].
        duration_s : float
            Time since the centre of the last update [s]; longer after a gap.
        pull_hz : float
            What drive and pump add to the rate of the phase [Hz]; the frequency
            that is tracked is the bare one, without it.

        Returns
        -------
        PhaseReading
            The raw phase of this update, for the joint estimate.

        Notes
        -----
        Advances the state by one update. The phase error is the angle of the
        mean of samples * exp(-2 pi i (phase + rate * time)).
        """
        if self.state in (TrackerState.SEARCHING, TrackerState.LOST):
            return self._no_reading()
        self._predict(duration_s, pull_hz)
        self._in_state_s += duration_s
        turning = np.exp((-2j * math.pi * (self.offset_hz + pull_hz)) * times_s)
        start, late = cmath.exp(-2j * math.pi * (self.turns % 1.0)), min(len(samples), 3)
        phasor = start * complex(samples @ turning) / len(samples)
        late_phasor = start * complex(samples[-late:] @ turning[-late:]) / late
        if self._is_fresh:
            self._take_phase(phasor)
            phasor = late_phasor = complex(abs(phasor))
        if self.state is TrackerState.HOLDING:
            phasor = self._look_for_return(phasor)
        elif trouble := self._trouble(phasor, late_phasor, len(samples) / late):
            self.hold(trouble)
        if self.state not in (TrackerState.LOCKED, TrackerState.PULLING_IN):
            return self._no_reading()
        return self._correct(phasor)

    # -- inside ----------------------------------------------------------------

    def _no_reading(self) -> PhaseReading:
        return PhaseReading(turns=self.turns, variance_turns2=math.inf, is_valid=False)

    def _change(self, state: TrackerState, reason: str) -> None:
        self.state = checked(self.state, state)
        self.reason = reason
        self._in_state_s = self._steady_s = 0.0
        self._last_innovations = 0.0, 0.0
        self._returned.clear()
        self._turning_s = 0.0

    def _predict(self, duration_s: float, pull_hz: float) -> None:
        """Phase and frequency: exact discretisation of a random-walk frequency."""
        self.turns += (self.offset_hz + pull_hz) * duration_s
        walk = self._walk_scale * self.walk_hz_per_root_s**2 * duration_s
        diffusion = self.diffusion_scale * self.diffusion_turns2_per_s
        self._p00 += duration_s * (2.0 * self._p01 + duration_s * self._p11) + (
            diffusion * duration_s + walk * duration_s**2 / 3.0
        )
        self._p01 += duration_s * self._p11 + walk * duration_s / 2.0
        self._p11 += walk
        # Amplitude: exponential growth at a rate that wanders.
        thermal = self._thermal_kicks * duration_s
        grown = math.exp(min(self.growth_per_s * duration_s, 1.0))
        slope = self.amplitude * duration_s
        self._a00 = grown * (grown * self._a00 + 2.0 * slope * self._a01) + (
            slope * slope * self._a11 + thermal
        )
        self._a01 = grown * self._a01 + slope * self._a11
        self._a11 += self.config.growth_walk_per_s_per_root_s**2 * duration_s
        self.amplitude *= grown

    def _take_phase(self, phasor: complex) -> None:
        """The first update says where the phase is."""
        self._is_fresh = False
        self.turns += cmath.phase(phasor) / TWO_PI
        self.amplitude = abs(phasor)

    def _trouble(self, phasor: complex, late: complex, late_share: float) -> str:
        """Why this update is no measurement of the line; empty if it is one.

        `late` is the mean of the last samples, a `late_share`-th of the update: a line
        that falls out in the middle of an update is seen in it at once.
        """
        noise = self.quadrature_sigma
        if self.amplitude < LEAST_AMPLITUDE_SNR * noise:
            return "the amplitude is in the noise"
        late_noise = noise * math.sqrt(late_share * self._noise_scale)
        settled = self.state is not TrackerState.PULLING_IN
        if settled and late.real < AMPLITUDE_GATE * self.amplitude - GATE_SIGMAS * late_noise:
            return "the amplitude fell out or the phase jumped"
        if settled and abs(phasor) > SPIKE_RATIO * self.amplitude + GATE_SIGMAS * late_noise:
            return "the amplitude shot up"
        measured_rad = noise * math.sqrt(self._noise_scale) / self.amplitude
        sigma_rad = math.hypot(self.phase_sigma_rad, measured_rad)
        gate_rad = max(GATE_SIGMAS * sigma_rad, PHASE_GATE_RAD)
        if settled and abs(cmath.phase(phasor)) > gate_rad:
            return "the phase jumped"
        return ""

    def _look_for_return(self, phasor: complex) -> complex:
        """While holding: is the line there again, and with which phase?

        Returns the phasor against the phase that is believed then.
        """
        noise = self.quadrature_sigma
        is_there = abs(phasor) > max(2.0 * LEAST_AMPLITUDE_SNR * noise, 0.2 * self.amplitude)
        if not is_there or not self._goes_on(phasor):
            self._returned.clear()
            self._turning_s = 0.0
        if is_there:
            self._returned.append(phasor)
        if self._in_state_s > self.config.hold_s:
            self._change(TrackerState.LOST, "held too long")
            return phasor
        needed = max(2, round(self.config.relock_s / self.config.update_s))
        if len(self._returned) < needed:
            return phasor
        mean = sum(self._returned) / needed
        if abs(mean) < RETURNED_COHERENCE * sum(map(abs, self._returned)) / needed:
            self._returned.pop(0)  # it turns too fast to be taken as one phase
            self._turning_s += self.config.update_s
            if self._turning_s > ELSEWHERE_RATIO * self.config.relock_s:
                self._change(TrackerState.LOST, "the line is at another frequency")
            return phasor
        self.amplitude = abs(mean)
        # A phase that is not well predicted may be a turn off: it says nothing of the
        # frequency.
        is_known = self.phase_sigma_rad < 0.5 * PHASE_GATE_RAD
        error_rad = max(abs(cmath.phase(mean)), abs(cmath.phase(phasor)))
        if is_known and error_rad < PHASE_GATE_RAD:  # with whatever amplitude
            if self._was_locked:
                self._change(TrackerState.LOCKED, "the line is back")
            else:
                self._change(TrackerState.PULLING_IN, "the line is back")
            return phasor
        self._change(TrackerState.PULLING_IN, "the line is back with another phase")
        self.cycle_slips += 1
        self.turns += cmath.phase(mean) / TWO_PI
        self._p00, self._p01 = 1.0 / 12.0, 0.0
        return phasor * mean.conjugate() / abs(mean)

    def _goes_on(self, phasor: complex) -> bool:
        """Whether a returned line is about as strong as it was an update ago."""
        if not self._returned:
            return True
        return AMPLITUDE_GATE <= abs(phasor) / abs(self._returned[-1]) <= 1.0 / AMPLITUDE_GATE

    def _correct(self, phasor: complex) -> PhaseReading:
        """The loop's correction: phase error times gains, in both quadratures."""
        error_turns = cmath.phase(phasor) / TWO_PI
        amplitude = max(self.amplitude, self.quadrature_sigma)
        given_turns2 = (self.quadrature_sigma / amplitude / TWO_PI) ** 2
        noise_turns2 = self._noise_scale * given_turns2
        reading = PhaseReading(
            turns=self.turns + error_turns, variance_turns2=noise_turns2, is_valid=True
        )
        innovation = error_turns / math.sqrt(self._innovation_turns2(noise_turns2))
        self._learn(innovation, noise_turns2)
        innovation2 = innovation * innovation
        if innovation2 > 9.0:  # the model is too sure of itself: widen it, step less than it asks
            widen = min(innovation2 / 9.0, 100.0)
            self._p00, self._p01, self._p11 = (
                widen * self._p00,
                widen * self._p01,
                widen * self._p11,
            )
        total = self._p00 + noise_turns2
        self.phase_gain, self.frequency_gain_hz = self._p00 / total, self._p01 / total
        self.turns += self.phase_gain * error_turns
        self.offset_hz += self.frequency_gain_hz * error_turns
        self._p11 -= self.frequency_gain_hz * self._p01
        self._p01 *= 1.0 - self.phase_gain
        self._p00 *= 1.0 - self.phase_gain
        self.phase_error_rad = TWO_PI * error_turns
        self.innovation_ratio += AVERAGING * (min(innovation2, 100.0) - self.innovation_ratio)
        self._correct_amplitude(phasor.real)
        if self.state is TrackerState.PULLING_IN:
            self._look_whether_settled()
        return reading

    def _look_whether_settled(self) -> None:
        """From pulling in to locked, or lost after a long time."""
        update_s = self.config.update_s
        is_steady = abs(self.phase_error_rad) < PHASE_GATE_RAD and self.innovation_ratio < 10.0
        self._steady_s = self._steady_s + update_s if is_steady else 0.0
        settle_s = max(self.config.settle_s, LEAST_SETTLING_UPDATES * update_s)
        is_certain = self.phase_sigma_rad < 0.5 * PHASE_GATE_RAD
        if is_certain and self._steady_s > settle_s:
            self._change(TrackerState.LOCKED, "the phase error stayed small")
        elif self._in_state_s > 20.0 * settle_s:
            self._change(TrackerState.LOST, "the loop does not settle")

    def _innovation_turns2(self, noise_turns2: float) -> float:
        """Variance of the phase error that the model expects.

        A phase that diffuses with q and is averaged over T differs from its value in
        the middle by q T / 12, and both that and the last update's average share
        their noise with the step between: together q T / 6 less for a loop that
        ignores the last phase, q T / 3 less for one that follows it.
        """
        total = self._p00 + noise_turns2
        averaged = self._diffused_turns2 * (1.0 + self.phase_gain) / 6.0
        return max(total - averaged, total * 2.0 / 3.0)

    @property
    def _diffused_turns2(self) -> float:
        """What the phase diffuses in an update."""
        return self.diffusion_scale * self.diffusion_turns2_per_s * self.config.update_s

    def _learn(self, innovation: float, noise_turns2: float) -> None:
        """How much noise and how much drift there is beyond what was given.

        Stray lines and other coloured noise add to the detector's; a door, a heating
        drive or a chirp may outrun the walk for a while. Both make innovations large.
        One that agrees with the two before it tells of a loop that lags, one that does
        not of a loop that follows noise. So the walk grows while innovations are large
        and agree, now and on average; noise rests where squares less agreement average to
        one. Noise counts with its share in what was expected; a surprise counts in
        full. (Averages of a diffusing phase agree with the last by K q T / 6, as in
        `_innovation_turns2`.)
        """
        total = self._p00 + noise_turns2
        memory_s = self.config.learning_s
        is_surprised = abs(innovation) > SURPRISE
        if is_surprised or self.state is TrackerState.PULLING_IN:
            memory_s *= 0.1
        step = min(self.config.update_s / memory_s, LARGEST_STEP)
        innovation = min(max(innovation, -SURPRISE), SURPRISE)
        agreement = innovation * sum(self._last_innovations) / 2.0
        agreement -= self.phase_gain * self._diffused_turns2 / (12.0 * total)
        self._last_innovations = self._last_innovations[1], innovation
        excess = innovation * innovation - 1.0
        share = noise_turns2 / total
        noise_step = step * (1.0 if is_surprised else share) * (excess - agreement)
        self._agreement += AVERAGING * (agreement - self._agreement)
        walk_step = step * min(excess, self.innovation_ratio - 1.0, self._agreement)
        self._noise_scale = _scaled(self._noise_scale, noise_step, NOISE_SCALES)
        self._walk_scale = _scaled(self._walk_scale, walk_step, WALK_SCALES)

    def _correct_amplitude(self, in_phase: float) -> None:
        """Amplitude and growth rate from the in-phase part."""
        noise2 = self._noise_scale * self.quadrature_sigma**2
        innovation = in_phase - self.amplitude
        total = self._a00 + noise2
        if innovation**2 > 16.0 * total:  # a drive or a gain changed: follow at once
            self._a00 += innovation**2
            total = self._a00 + noise2
        gain, growth_gain = self._a00 / total, self._a01 / total
        self.amplitude = max(self.amplitude + gain * innovation, 0.0)
        self.growth_per_s += growth_gain * innovation
        self._a11 -= growth_gain * self._a01
        self._a01 *= 1.0 - gain
        self._a00 *= 1.0 - gain


def _scaled(scale: float, step: float, limits: tuple[float, float]) -> float:
    """A positive number after a step of its logarithm, within limits."""
    return min(max(scale * math.exp(step), limits[0]), limits[1])
