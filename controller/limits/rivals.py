"""What else could be done: three simpler estimators of the difference frequency.

A script that fits polynomials to the phase difference, two loops of fixed
bandwidth, and two optimal filters that each see one mode. They all read the
same `Basebands`, which a `BasebandCapture` makes of the stream with a filter
of scipy's. Each is given what it can use: its own mode's true noise, the true
frequency at the start, a filter whose delay is taken out. Arrays in, arrays
out; the estimator that they are compared with lives elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy.signal
from numpy.typing import NDArray

from controller.errors import InputError
from controller.instrument import StreamFormat, stream_band_hz
from controller.records import ModeId
from controller.signal.oscillator import counts_per_sample, rotation, rotations
from controller.tracking.limits import DifferenceModel
from controller.tracking.loop_figures import LoopGains, second_order_gains
from controller.tracking.phase_model import FloatArray, PhaseModel, require_positive, steady_state

PASS_BAND_HZ = 40.0  # either side of a mix frequency: flat, and free of aliases
DEFAULT_RATE_HZ = 400.0
STANDARD_DAMPING = math.sqrt(0.5)
POLYNOMIAL_DEGREE = 2

# 90 dB are wanted. Kaiser's length formula comes out up to 3 dB short.
_STOP_ATTENUATION_DB = 96.0
# Outputs that are filtered in one go: a call costs some ten outputs more, at its edges.
_PIECE_OUTPUTS = 256


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Basebands:
    """Both modes around fixed frequencies, lower then upper.

    A line A cos(2 pi f t + phi) stands here as
    A exp(i (2 pi (f - mix) t + phi)), with t from sample 0 of the stream.
    """

    samples: NDArray[np.complex128]  # shape (n, 2), peak amplitude in the stream's units
    times_s: FloatArray  # shape (n,), of each sample, filter delay taken out
    rate_hz: float
    mix_hz: tuple[float, float]

    @property
    def period_s(self) -> float:
        """Time from one sample to the next [s]."""
        return 1.0 / self.rate_hz

    def mixed_to(self, mix_hz: tuple[float, float]) -> Basebands:
        """The same around other frequencies."""
        moved_hz = np.array(mix_hz) - np.array(self.mix_hz)
        turned = np.exp(-2j * math.pi * np.outer(self.times_s, moved_hz))
        return replace(self, samples=self.samples * turned, mix_hz=mix_hz)

    def after(self, time_s: float) -> Basebands:
        """What there is from a stream time on."""
        chosen = self.times_s >= time_s
        return replace(self, samples=self.samples[chosen], times_s=self.times_s[chosen])

    @property
    def mix_difference_hz(self) -> float:
        """Upper less lower mix frequency [Hz]."""
        return self.mix_hz[1] - self.mix_hz[0]


class BasebandCapture:
    """Mixes a stream down to the basebands of two modes, by one FIR filter.

    Used by one thread. Mixing with an oscillator exp(-2 pi i f n / rate) and
    low-pass filtering are one step here: the taps turn with the oscillator,
    and the outputs are turned back.

    Parameters
    ----------
    stream : StreamFormat
        What the samples to come mean.
    mix_hz : (float, float)
        Absolute frequency of the oscillators, lower and upper mode [Hz].
    rate_hz : float
        Wanted rate of the basebands [Hz], above 80; the nearest one that
        divides the sample rate is taken.

    Raises
    ------
    InputError
        If the rate does not suit the stream, or a mix frequency lies outside
        it.

    Notes
    -----
    Flat to 1e-4 within 40 Hz of the mix frequency; what lies beyond the rate
    less 40 Hz, so all that would alias into the pass band, is down by more
    than 90 dB. White noise of one-sided density S keeps its density in the
    pass band, that of a variance S^2 rate_hz in each quadrature; the variance
    is 14 % below that (at 400 Hz), as the density falls towards half the rate.
    """

    def __init__(
        self, stream: StreamFormat, mix_hz: tuple[float, float], rate_hz: float = DEFAULT_RATE_HZ
    ) -> None:
        decimation = _decimation(stream.sample_rate_hz, rate_hz)
        self._stream = stream
        self._mix_hz = mix_hz
        self._decimation = decimation
        self._is_complex = stream.dtype.startswith("complex")
        self._check_mix()
        low_pass = _low_pass_taps(stream.sample_rate_hz, decimation)
        half = len(low_pass) // 2
        center_counts = counts_per_sample(stream.center_hz, stream.sample_rate_hz)
        counts = [
            counts_per_sample(one_hz, stream.sample_rate_hz) - center_counts for one_hz in mix_hz
        ]
        gain = 1.0 if self._is_complex else 2.0  # half of a real line is at its mirror image
        taps = [gain * low_pass * rotation(one, -half, len(low_pass)) for one in counts]
        self._taps = _taps_by_period(taps, decimation, is_complex=self._is_complex)
        self._output_steps = [-one * decimation for one in counts]
        self._half_periods = half // decimation
        self._pending: list[np.ndarray] = []
        self._pending_samples = 0
        self._pending_index = 0  # of the first of them; a multiple of the decimation
        self._next_index: int | None = None
        self._pieces: list[NDArray[np.complex128]] = []
        self._first_center_index = 0

    @property
    def rate_hz(self) -> float:
        """Rate of the basebands [Hz]."""
        return self._stream.sample_rate_hz / self._decimation

    def process(self, samples: np.ndarray, first_index: int) -> None:
        """Take the next block.

        Parameters
        ----------
        samples : ndarray of complex64, float32 or int16, shape (n,)
            The next samples, any n from 0.
        first_index : int
            Absolute index of the first of them; the first block may start
            anywhere.

        Raises
        ------
        ValueError
            If the block does not follow on the last one, or is complex
            where real samples are due or the other way round.
        """
        if (samples.dtype.kind == "c") != self._is_complex:
            raise ValueError(f"samples are {samples.dtype}; {self._stream.dtype} is due")
        if self._next_index is None:
            # Outputs stand at multiples of the decimation, wherever the stream begins.
            self._pending_index = -(-first_index // self._decimation) * self._decimation
            self._first_center_index = self._pending_index + self._half_periods * self._decimation
        elif first_index != self._next_index:
            raise ValueError(f"block starts at sample {first_index}, {self._next_index} was due")
        self._next_index = first_index + len(samples)
        due_index = self._pending_index + self._pending_samples
        used = samples[max(0, due_index - first_index) :]
        self._pending.append(np.array(used))  # a copy: an instrument may reuse its buffer
        self._pending_samples += len(used)
        if self._pending_samples >= (_PIECE_OUTPUTS + 2 * self._half_periods) * self._decimation:
            self._filter_pending()

    def basebands(self) -> Basebands:
        """The basebands so far.

        Returns
        -------
        Basebands
            One sample for each whole window of the filter, so ending half
            a window before the stream.
        """
        self._filter_pending()
        samples = np.concatenate([np.empty((0, 2), dtype=np.complex128), *self._pieces])
        self._pieces = [samples]
        indices = self._first_center_index + self._decimation * np.arange(len(samples))
        return Basebands(
            samples=samples,
            times_s=indices / self._stream.sample_rate_hz,
            rate_hz=self.rate_hz,
            mix_hz=self._mix_hz,
        )

    def _check_mix(self) -> None:
        """A mode lies in the stream, and its mirror image in the stop band."""
        lowest_hz, highest_hz = stream_band_hz(self._stream)
        guard_hz = 0.0 if self._is_complex else 0.5 * self.rate_hz
        for one_hz in self._mix_hz:
            if not lowest_hz + guard_hz <= one_hz <= highest_hz - guard_hz:
                raise InputError(
                    f"mix_hz holds {one_hz!r}: it must lie in the stream, "
                    f"{lowest_hz + guard_hz!r} to {highest_hz - guard_hz!r} Hz"
                )

    def _filter_pending(self) -> None:
        """Outputs whose windows are whole; what later ones need stays."""
        decimation, span = self._decimation, 2 * self._half_periods
        count = (self._pending_samples - 1) // decimation - span + 1
        if count <= 0:
            return
        pending = np.concatenate(self._pending)
        periods = count + span
        rows = np.zeros(periods * decimation, dtype=self._taps.dtype)
        rows[: len(pending)] = pending[: len(rows)]
        # What each period of the samples adds to an output, by its place in that one's window.
        parts = (rows.reshape(periods, decimation) @ self._taps).reshape(periods, span + 1, -1)
        summed = sum(parts[place : place + count, place] for place in range(span + 1))
        outputs = np.ascontiguousarray(summed).view(np.complex128)
        first_output = self._pending_index // decimation + self._half_periods
        outputs *= rotations(self._output_steps, first_output, count)
        self._pieces.append(outputs)
        self._pending = [pending[count * decimation :]]
        self._pending_samples -= count * decimation
        self._pending_index += count * decimation


def _taps_by_period(
    taps: Sequence[np.ndarray], decimation: int, *, is_complex: bool
) -> NDArray[np.float64] | NDArray[np.complex128]:
    """Filters of odd length as one matrix, shape (decimation, places * filters).

    A window begins with an output's first sample and takes whole periods; zeros fill the last.
    For real samples the real and imaginary parts of a filter are columns beside one another.
    """
    places = -(-len(taps[0]) // decimation)
    padded = np.zeros((places * decimation, len(taps)), dtype=np.complex128)
    padded[: len(taps[0])] = np.array(taps)[:, ::-1].T
    columns = padded if is_complex else padded.view(np.float64)
    by_place = columns.reshape(places, decimation, -1)
    return by_place.transpose(1, 0, 2).reshape(decimation, -1).copy()


def polynomial_difference_hz(basebands: Basebands, window_s: float) -> FloatArray:
    """Slope of a parabola through the last stretch of the phase difference.

    Parameters
    ----------
    basebands : Basebands
        Of both modes.
    window_s : float
        Length of the stretch [s], at least three samples.

    Returns
    -------
    ndarray of float64, shape (n,)
        Upper less lower frequency at the end of each stretch, from data up
        to then [Hz]; NaN before the first whole stretch.

    Raises
    ------
    InputError
        If the window holds fewer than three samples.

    Notes
    -----
    Least squares with equal weights on samples at equal distances is a FIR
    filter, the same at any time.

    References
    ----------
    A. Savitzky, M. J. E. Golay, Anal. Chem. 36, 1627 (1964), with the slope
    taken at the end instead of the middle; from memory.
    """
    require_positive("window_s", window_s)
    length = round(window_s * basebands.rate_hz)
    if length <= POLYNOMIAL_DEGREE:
        raise InputError(
            f"window_s is {window_s!r}: a parabola needs {POLYNOMIAL_DEGREE + 1} samples at "
            f"{basebands.rate_hz!r} Hz"
        )
    if len(basebands.samples) < length:
        return np.full(len(basebands.samples), np.nan)
    lower, upper = np.unwrap(_turns(basebands), axis=0, period=1.0).T
    slope_taps = scipy.signal.savgol_coeffs(
        length, POLYNOMIAL_DEGREE, deriv=1, delta=basebands.period_s, pos=length - 1, use="conv"
    )
    slopes_hz = scipy.signal.lfilter(slope_taps, 1.0, upper - lower)
    slopes_hz[: length - 1] = np.nan
    return basebands.mix_difference_hz + slopes_hz


def fixed_loop_differences_hz(
    basebands: Basebands,
    bandwidths_hz: Sequence[float],
    start_hz: tuple[float, float],
    *,
    damping: float = STANDARD_DAMPING,
) -> FloatArray:
    """Two phase-locked loops of fixed bandwidth, one for each mode.

    Parameters
    ----------
    basebands : Basebands
        Of both modes.
    bandwidths_hz : sequence of float, k of them
        One-sided noise bandwidths B_L, each of a pair of loops [Hz], > 0.
    start_hz : (float, float)
        True frequencies at the first sample, lower and upper mode [Hz]. The
        loops start locked: at these, and at the phases of the first sample.
    damping : float
        Damping ratio, > 0.

    Returns
    -------
    ndarray of float64, shape (n, k)
        Upper less lower frequency just after each update [Hz].

    Raises
    ------
    InputError
        If a bandwidth or the damping is not above zero, or a bandwidth too
        wide for the rate of the basebands.

    Notes
    -----
    Second order, one update for each sample of the basebands. The phase
    error is wrapped, so a loop that falls half a turn behind slips.

    References
    ----------
    F. M. Gardner, Phaselock Techniques, 3rd ed., from memory:
    B_L = omega_n (zeta + 1 / (4 zeta)) / 2, one-sided; here exact for the
    sampled loop.
    """
    gains = [
        second_order_gains(bandwidth_hz, damping, basebands.period_s)
        for bandwidth_hz in bandwidths_hz
    ]
    return _loop_differences_hz(basebands, [(one, one) for one in gains], start_hz)


def independent_filters_difference_hz(
    basebands: Basebands, model: DifferenceModel, start_hz: tuple[float, float]
) -> FloatArray:
    """Two optimal filters, each with the true noise of its mode.

    Parameters
    ----------
    basebands : Basebands
        Of both modes.
    model : DifferenceModel
        What moves the phases, with the amplitudes taken as constant and one
        update for each sample of the basebands.
    start_hz : (float, float)
        True frequencies at the first sample, lower and upper mode [Hz].

    Returns
    -------
    ndarray of float64, shape (n,)
        Upper less lower frequency just after each update [Hz].

    Raises
    ------
    InputError
        If the model is not for the rate of the basebands, or nothing moves
        a frequency.

    Notes
    -----
    Kalman filters of phase and frequency with their steady gains from the
    start. Each takes its own walk and the shared drifts as one random walk;
    the limit for this is
    `controller.tracking.limits.independent_difference_limit_hz`.
    """
    if not math.isclose(model.update_s, basebands.period_s, rel_tol=1e-9):
        raise InputError(
            f"update_s of the model is {model.update_s!r}: it must be the period of the "
            f"basebands, {basebands.period_s!r}"
        )
    lower, upper = (_optimal_gains(single_mode_model(model, mode)) for mode in ModeId)
    return _loop_differences_hz(basebands, [(lower, upper)], start_hz)[:, 0]


def single_mode_model(model: DifferenceModel, mode: ModeId) -> PhaseModel:
    """One mode's phase, with all that moves its frequency as one walk.

    Parameters
    ----------
    model : DifferenceModel
        Both modes and what they share.
    mode : ModeId
        The mode.

    Returns
    -------
    PhaseModel
        A drift of standard deviation s and correlation time t walks by
        s sqrt(2 / t) per root second over times far below t.
    """
    own = model.of(mode)
    shared_walks = (
        drift.hz_per_k(mode) * drift.sigma_k * math.sqrt(2.0 / drift.time_s)
        for drift in model.shared_drifts
    )
    return replace(
        own,
        frequency_walk_hz_per_root_s=math.hypot(own.frequency_walk_hz_per_root_s, *shared_walks),
    )


def _decimation(sample_rate_hz: float, rate_hz: float) -> int:
    """Samples per output, with room for the transition of the low pass."""
    if math.isfinite(rate_hz) and rate_hz > 0.0:
        decimation = round(sample_rate_hz / rate_hz)
        if decimation >= 2 and sample_rate_hz / decimation > 2.0 * PASS_BAND_HZ:
            return decimation
    raise InputError(
        f"rate_hz is {rate_hz!r}: it must lie above {2.0 * PASS_BAND_HZ!r} and at most at half "
        f"the sample rate, {0.5 * sample_rate_hz!r} Hz"
    )


def _low_pass_taps(sample_rate_hz: float, decimation: int) -> FloatArray:
    """Low pass of unit gain whose delay is a whole number of outputs.

    The transition lies about half the output rate, from the pass band to
    what would alias into it.
    """
    rate_hz = sample_rate_hz / decimation
    transition_ratio = (rate_hz - 2.0 * PASS_BAND_HZ) / (0.5 * sample_rate_hz)
    least_length, _ = scipy.signal.kaiserord(_STOP_ATTENUATION_DB, transition_ratio)
    length = 2 * math.ceil((least_length - 1) / (2 * decimation)) * decimation + 1
    attenuation_db = scipy.signal.kaiser_atten(length, transition_ratio)
    window = ("kaiser", scipy.signal.kaiser_beta(attenuation_db))
    return np.asarray(scipy.signal.firwin(length, 0.5 * rate_hz, window=window, fs=sample_rate_hz))


def _turns(basebands: Basebands) -> FloatArray:
    """Phases of both modes, wrapped, shape (n, 2) [turns]."""
    return np.angle(basebands.samples) / (2.0 * math.pi)


def _optimal_gains(model: PhaseModel) -> LoopGains:
    """Gains of the steady optimal filter, which is a second-order loop."""
    require_positive("frequency_walk_hz_per_root_s", model.frequency_walk_hz_per_root_s)
    phase, frequency_per_s = steady_state(model.linear()).gain[:, 0]
    return LoopGains(phase=float(phase), frequency_per_s=float(frequency_per_s))


def _loop_differences_hz(
    basebands: Basebands,
    gains: Sequence[tuple[LoopGains, LoopGains]],
    start_hz: tuple[float, float],
) -> FloatArray:
    """Upper less lower frequency of pairs of loops, all side by side, shape (n, pairs)."""
    phase_gains = np.array([[one.phase for one in pair] for pair in gains])
    frequency_gains = np.array([[one.frequency_per_s for one in pair] for pair in gains])
    measured_turns = _turns(basebands)
    period_s = basebands.period_s
    offsets_hz = np.empty((len(measured_turns), *phase_gains.shape))
    turns = np.zeros_like(phase_gains) + measured_turns[:1].sum(axis=0)  # 0 of an empty record
    offset_hz = np.zeros_like(phase_gains) + np.subtract(start_hz, basebands.mix_hz)
    for after_update_hz, measured in zip(offsets_hz, measured_turns, strict=True):
        error = measured - turns
        error -= np.rint(error)
        offset_hz += frequency_gains * error
        after_update_hz[...] = offset_hz
        turns += phase_gains * error
        turns += period_s * offset_hz
    return basebands.mix_difference_hz + (offsets_hz[..., 1] - offsets_hz[..., 0])
