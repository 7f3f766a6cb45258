"""Least-squares fit of a few (damped) complex lines to one record.

The record is a baseband, as `controller.signal.downconverter` makes it.
Where the lines roughly are has to be known (`controller.signal.spectrum`
finds them); what they mean is decided by the caller.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.optimize
from numpy.typing import NDArray

MAX_LINES = 4

# Starting values for decays that are not given, in 1/record: none, slow, and
# a line that is gone after a third, a tenth and a thirtieth of the record.
_DECAY_STARTS = (0.0, 1.0, 3.0, 10.0, 30.0)

# Limits of the search. A line may grow by no more than e**5 over the record
# or die within 1/3000 of it; outside, the exponentials are no longer told
# from one another in float64.
_DECAY_LIMITS = (-5.0, 3000.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One fitted line: amplitude exp((2 pi i frequency - decay) t).

    The covariance is that of (frequency_hz, decay_rate_per_s, magnitude,
    phase_rad) at the start of the record, t = 0.
    """

    frequency_hz: float  # relative to the baseband's mix frequency
    decay_rate_per_s: float  # of the amplitude; 0.0 if it was not fitted
    amplitude: complex  # at t = 0, peak
    covariance: NDArray[np.float64]  # (4, 4)

    @property
    def magnitude(self) -> float:
        """Peak amplitude at t = 0."""
        return abs(self.amplitude)

    @property
    def phase_rad(self) -> float:
        """Phase at t = 0, in (-pi, pi] [rad]."""
        return math.atan2(self.amplitude.imag, self.amplitude.real)

    @property
    def frequency_sigma_hz(self) -> float:
        """Standard deviation of the frequency [Hz]."""
        return math.sqrt(self.covariance[0, 0])

    @property
    def decay_rate_sigma_per_s(self) -> float:
        """Standard deviation of the decay rate [1/s]; 0.0 if not fitted."""
        return math.sqrt(self.covariance[1, 1])

    @property
    def magnitude_sigma(self) -> float:
        """Standard deviation of the peak amplitude at t = 0."""
        return math.sqrt(self.covariance[2, 2])

    @property
    def phase_sigma_rad(self) -> float:
        """Standard deviation of the phase at t = 0 [rad]."""
        return math.sqrt(self.covariance[3, 3])

    def amplitude_at(self, time_s: float) -> complex:
        """Complex amplitude of the line at a time from the record's start.

        Parameters
        ----------
        time_s : float
            Any time [s].

        Returns
        -------
        complex
            amplitude exp((2 pi i frequency - decay) time).
        """
        rate = 2j * np.pi * self.frequency_hz - self.decay_rate_per_s
        return complex(self.amplitude * np.exp(rate * time_s))

    def phase_sigma_at_rad(self, time_s: float) -> float:
        """Standard deviation of the phase at a time from the record's start.

        Parameters
        ----------
        time_s : float
            Any time [s].

        Returns
        -------
        float
            Least near the middle of an undamped record [rad].
        """
        gradient = np.array([2.0 * np.pi * time_s, 0.0, 0.0, 1.0])
        return math.sqrt(gradient @ self.covariance @ gradient)

    def magnitude_sigma_at(self, time_s: float) -> float:
        """Standard deviation of the peak amplitude at a time.

        Parameters
        ----------
        time_s : float
            Any time from the record's start [s].

        Returns
        -------
        float
            In the unit of the samples.
        """
        fall = math.exp(-self.decay_rate_per_s * time_s)
        gradient = fall * np.array([0.0, -time_s * self.magnitude, 1.0, 0.0])
        return math.sqrt(gradient @ self.covariance @ gradient)


@dataclass(frozen=True, slots=True, kw_only=True)
class LinesFit:
    """The fitted lines, in the order of their guesses, and what is left."""

    lines: tuple[Line, ...]
    covariance: NDArray[np.float64]  # (4 K, 4 K), line by line as in `Line`
    noise_density: float  # one-sided, sample units per root hertz, white
    residuals: NDArray[np.complex128]  # (n,) samples less the lines

    def difference_sigma_hz(self, first: int, second: int) -> float:
        """Standard deviation of the difference of two frequencies.

        Parameters
        ----------
        first, second : int
            Positions of the two lines.

        Returns
        -------
        float
            With the covariance of the two taken into account [Hz].
        """
        gradient = np.zeros(len(self.covariance))
        gradient[4 * first] += 1.0
        gradient[4 * second] -= 1.0
        return math.sqrt(gradient @ self.covariance @ gradient)


def fit_lines(
    samples: NDArray[np.complexfloating],
    sample_rate_hz: float,
    guesses_hz: Sequence[float],
    *,
    damped: bool = True,
    decay_guesses_per_s: Sequence[float] | None = None,
    noise_density: float | None = None,
    noise_bandwidth_hz: float | None = None,
) -> LinesFit:
    """Fit one to four complex lines, damped or not, to a record.

    Parameters
    ----------
    samples : ndarray of complex, shape (n,)
        The record, evenly spaced; more than two samples per line.
    sample_rate_hz : float
        Rate of the record [Hz].
    guesses_hz : sequence of float, length K
        Rough frequencies, within about half a line width or 0.5 / duration.
    damped : bool
        Whether the decay rates are fitted or held at 0.
    decay_guesses_per_s : sequence of float, length K, or None
        Rough decay rates [1/s]; None: the best of a few is taken.
    noise_density : float or None
        One-sided density of the noise [sample units per root hertz]; None:
        from the residuals.
    noise_bandwidth_hz : float or None
        Noise bandwidth of the filter that made the record [Hz]; None: the
        noise is white over the sample rate.

    Returns
    -------
    LinesFit
        Lines, covariance, noise and residuals.

    Raises
    ------
    ValueError
        If the number of lines is not 1 to 4, a length does not fit, or a
        sample is not finite.

    Notes
    -----
    The complex amplitudes enter linearly and are solved for at each step
    (variable projection, with Kaufman's approximation of the Jacobian), so
    the search is over frequencies and decays alone. The covariance is
    s2 (J^T J)^-1 with the full Jacobian, and s2 the noise variance per
    quadrature that white noise with the density at the lines would have:
    density squared times sample rate. Coloured noise is not modelled.

    References
    ----------
    G. H. Golub and V. Pereyra, SIAM J. Numer. Anal. 10, 413 (1973); L.
    Kaufman, BIT 15, 49 (1975).
    """
    record = np.asarray(samples, dtype=np.complex128)
    _check(record, guesses_hz, decay_guesses_per_s)
    model = _Model(record, damped)
    rates = model.search(*_starts(model, sample_rate_hz, guesses_hz, decay_guesses_per_s))
    if noise_density is None:
        bandwidth_hz = sample_rate_hz if noise_bandwidth_hz is None else noise_bandwidth_hz
        noise_density = math.sqrt(model.residual_variance(*rates) / bandwidth_hz)
    return _described(model, *rates, sample_rate_hz, noise_density)


def _starts(
    model: _Model,
    sample_rate_hz: float,
    guesses_hz: Sequence[float],
    decay_guesses_per_s: Sequence[float] | None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where the search begins: turn rates and decays in 1/record."""
    duration_s = model.count / sample_rate_hz
    turn_rates = 2.0 * np.pi * duration_s * np.asarray(guesses_hz, dtype=np.float64)
    if not model.damped:
        return turn_rates, np.zeros(len(turn_rates))
    if decay_guesses_per_s is None:
        return turn_rates, model.best_decay_start(turn_rates)
    return turn_rates, np.clip(duration_s * np.asarray(decay_guesses_per_s), *_DECAY_LIMITS)


def _described(
    model: _Model,
    turn_rates: NDArray[np.float64],
    decays: NDArray[np.float64],
    sample_rate_hz: float,
    noise_density: float,
) -> LinesFit:
    """What was found, in hertz and seconds, and how well it is known."""
    duration_s = model.count / sample_rate_hz
    amplitudes, residuals = model.projection(turn_rates, decays)
    covariance = noise_density**2 * sample_rate_hz * model.covariance(turn_rates, decays)
    to_rates = np.tile([1.0 / (2.0 * np.pi * duration_s), 1.0 / duration_s, 1.0, 1.0], len(decays))
    covariance *= np.outer(to_rates, to_rates)
    lines = tuple(
        Line(
            frequency_hz=float(turn_rates[k] / (2.0 * np.pi * duration_s)),
            decay_rate_per_s=float(decays[k] / duration_s),
            amplitude=complex(amplitudes[k]),
            covariance=covariance[4 * k : 4 * k + 4, 4 * k : 4 * k + 4],
        )
        for k in range(len(amplitudes))
    )
    return LinesFit(
        lines=lines, covariance=covariance, noise_density=noise_density, residuals=residuals
    )


class _Model:
    """Sum of exponentials over one record, in units of the record's length.

    Time in records and rates in 1/record keep all unknowns near 1.
    """

    def __init__(self, record: NDArray[np.complex128], damped: bool) -> None:
        self.count = len(record)
        self.damped = damped
        self._record = record
        self._times = np.arange(len(record)) / len(record)

    def basis(
        self, turn_rates: NDArray[np.float64], decays: NDArray[np.float64]
    ) -> NDArray[np.complex128]:
        """One unit line per column, (n, K)."""
        return np.exp(np.outer(self._times, 1j * turn_rates - decays))

    def projection(
        self, turn_rates: NDArray[np.float64], decays: NDArray[np.float64]
    ) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
        """Best amplitudes (K,) and residuals (n,) for given rates."""
        basis = self.basis(turn_rates, decays)
        solution = np.linalg.lstsq(basis, self._record, rcond=None)[0]
        amplitudes = np.asarray(solution, dtype=np.complex128)
        return amplitudes, self._record - basis @ amplitudes

    def residual_variance(
        self, turn_rates: NDArray[np.float64], decays: NDArray[np.float64]
    ) -> float:
        """Of either quadrature, with as many degrees of freedom as are left."""
        _, residuals = self.projection(turn_rates, decays)
        parameters = (4 if self.damped else 3) * len(turn_rates)
        return float(np.vdot(residuals, residuals).real / (2 * self.count - parameters))

    def best_decay_start(self, turn_rates: NDArray[np.float64]) -> NDArray[np.float64]:
        """The common decay, of a few, that leaves the least residual."""

        def remainder(decay: float) -> float:
            _, residuals = self.projection(turn_rates, np.full(len(turn_rates), decay))
            return float(np.vdot(residuals, residuals).real)

        return np.full(len(turn_rates), min(_DECAY_STARTS, key=remainder))

    def search(
        self, turn_rates: NDArray[np.float64], decays: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Rates that leave the least residual, from a start nearby."""
        count = len(turn_rates)
        scale = np.linalg.norm(self._record) or 1.0

        def rates(unknowns: NDArray[np.float64]) -> tuple[NDArray, NDArray]:
            return turn_rates + unknowns[:count], unknowns[count:] if self.damped else decays

        def residuals(unknowns: NDArray[np.float64]) -> NDArray[np.float64]:
            return self.projection(*rates(unknowns))[1].view(np.float64) / scale

        def jacobian(unknowns: NDArray[np.float64]) -> NDArray[np.float64]:
            basis = self.basis(*rates(unknowns))
            orthonormal, _ = np.linalg.qr(basis)
            amplitudes = np.linalg.lstsq(basis, self._record, rcond=None)[0]
            slopes = self._times[:, np.newaxis] * basis * amplitudes
            columns = np.hstack([-1j * slopes, slopes] if self.damped else [-1j * slopes])
            columns -= orthonormal @ (orthonormal.conj().T @ columns)
            return np.ascontiguousarray(columns.T).view(np.float64).T / scale

        start, lower, upper = np.zeros(count), np.full(count, -np.inf), np.full(count, np.inf)
        if self.damped:
            start = np.concatenate([start, decays])
            lower = np.concatenate([lower, np.full(count, _DECAY_LIMITS[0])])
            upper = np.concatenate([upper, np.full(count, _DECAY_LIMITS[1])])
        found = scipy.optimize.least_squares(
            residuals,
            start,
            jac=jacobian,
            bounds=(lower, upper),
            x_scale="jac",
            xtol=1e-13,
            ftol=1e-14,
            gtol=1e-14,
        )
        return rates(found.x)

    def covariance(
        self, turn_rates: NDArray[np.float64], decays: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """(J^T J)^-1 over (rate, decay, magnitude, phase), (4 K, 4 K).

        Rows and columns of decays that are not fitted are 0.
        """
        amplitudes, _ = self.projection(turn_rates, decays)
        lines = self.basis(turn_rates, decays) * amplitudes
        slopes = self._times[:, np.newaxis] * lines
        # A line that vanished keeps a finite, huge uncertainty.
        magnitudes = np.maximum(np.abs(amplitudes), np.finfo(np.float64).tiny ** 0.5)
        by_parameter = np.stack([1j * slopes, -slopes, lines / magnitudes, 1j * lines], axis=2)
        columns = by_parameter.reshape(len(self._times), -1)
        jacobian = np.ascontiguousarray(columns.T).view(np.float64).T
        fitted = np.tile([True, self.damped, True, True], len(amplitudes))
        norms = np.linalg.norm(jacobian[:, fitted], axis=0)
        norms[norms == 0.0] = 1.0
        # Through R of the QR of scaled columns: squaring J would lose half the digits.
        upper = np.linalg.qr(jacobian[:, fitted] / norms, mode="r")
        inverse = np.linalg.pinv(upper) / norms[:, np.newaxis]
        covariance = np.zeros((len(fitted), len(fitted)))
        covariance[np.ix_(fitted, fitted)] = inverse @ inverse.T
        return covariance


def _check(
    record: NDArray[np.complex128],
    guesses_hz: Sequence[float],
    decay_guesses_per_s: Sequence[float] | None,
) -> None:
    if not 1 <= len(guesses_hz) <= MAX_LINES:
        raise ValueError(
            f"{len(guesses_hz)} guesses_hz given; 1 to {MAX_LINES} lines can be fitted"
        )
    if decay_guesses_per_s is not None and len(decay_guesses_per_s) != len(guesses_hz):
        raise ValueError(
            f"{len(decay_guesses_per_s)} decay_guesses_per_s given for {len(guesses_hz)} lines"
        )
    if record.ndim != 1 or len(record) <= 2 * len(guesses_hz):
        raise ValueError(
            f"samples have shape {record.shape}; one dimension and more than "
            f"{2 * len(guesses_hz)} samples are needed"
        )
    if not np.all(np.isfinite(record)):
        raise ValueError("samples hold a number that is not finite")
