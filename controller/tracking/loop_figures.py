"""Loops of any origin: classical gains, and the textbook figures of a loop.

Here stand the gains of a phase-locked loop, designs of given noise
bandwidth, and what a loop does whatever its gains came from: poles, noise
bandwidth, damping, peaking, static errors. Nothing here knows of noise
models (that is `design`) or processes samples.

A loop of one to three states updates them from the phase error e (measured
minus predicted, rad) and predicts the next phase over the time T:

    phase += K_phase e;  frequency += K_frequency e;  rate += K_rate e
    phase += frequency T + rate T^2/2;  frequency += rate T
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, minimize_scalar

from controller.errors import InputError
from controller.tracking.phase_model import FloatArray, require_positive, stationary_covariance


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopGains:
    """What each state takes from one radian of phase error."""

    phase: float
    frequency_per_s: float = 0.0  # 0: a first-order loop
    rate_per_s2: float = 0.0  # 0: at most a second-order loop

    @property
    def order(self) -> int:
        """Number of states, which is also the type of the loop."""
        if self.rate_per_s2 != 0.0:
            return 3
        return 2 if self.frequency_per_s != 0.0 else 1

    def summing(self, update_s: float) -> tuple[float, float, float]:
        """The gains K1, K2, K3 of a loop written with sums of errors.

        Notes
        -----
        Stephens and Thomas advance the phase by K1 e + K2 sum e +
        K3 sum sum e per update, sums up to the newest error. Summing the
        states of this module gives K1 = K_phase,
        K2 = K_frequency T - K_rate T^2/2, K3 = K_rate T^2.
        """
        third = self.rate_per_s2 * update_s**2
        return self.phase, self.frequency_per_s * update_s - third / 2.0, third


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopFigures:
    """The figures of a closed loop, from input phase to predicted phase."""

    gains: LoopGains
    update_s: float
    poles: tuple[complex, ...]  # in the z plane
    noise_bandwidth_hz: float  # one-sided
    three_db_bandwidth_hz: float | None  # None: never down 3 dB below half the update rate
    peaking_db: float
    natural_frequency_rad_per_s: float | None  # second order, of the equivalent continuous loop
    damping_ratio: float | None


def second_order_gains(noise_bandwidth_hz: float, damping: float, update_s: float) -> LoopGains:
    """Gains of a second-order loop of given bandwidth and damping.

    Parameters
    ----------
    noise_bandwidth_hz : float
        One-sided noise bandwidth B_L [Hz], > 0; exact for the sampled loop.
    damping : float
        Damping ratio of the equivalent continuous loop, > 0.
    update_s : float
        Time between updates [s], > 0.

    Returns
    -------
    LoopGains
        With closed-loop poles exp(-omega_n T (damping +- i sqrt(1 -
        damping^2))).

    Raises
    ------
    InputError
        If a value is not above zero, or no such loop has the bandwidth.
    """
    return controlled_root_gains(2, noise_bandwidth_hz, update_s, damping=damping)


def controlled_root_gains(
    order: int, noise_bandwidth_hz: float, update_s: float, *, damping: float = 1.0
) -> LoopGains:
    """Gains from chosen closed-loop roots and a noise bandwidth.

    Parameters
    ----------
    order : int
        1, 2 or 3.
    noise_bandwidth_hz : float
        One-sided noise bandwidth B_L [Hz], > 0; exact for the sampled loop.
    update_s : float
        Time between updates [s], > 0.
    damping : float
        Of the pair of roots, > 0; 1: all roots equal. A third root is real
        and decays as fast as the pair.

    Returns
    -------
    LoopGains
        Roots exp(-b) and exp(-b (1 +- i sqrt(1 - damping^2) / damping)),
        with b solved for the bandwidth.

    Raises
    ------
    InputError
        If a value is outside its range, or no such loop has the bandwidth.

    References
    ----------
    S. A. Stephens, J. B. Thomas, IEEE Trans. AES 31, 78 (1995): digital
    loops by controlled roots, Eqs. (45)-(50).
    """
    if order not in (1, 2, 3):
        raise InputError(f"order is {order!r}: a loop has 1, 2 or 3 states")
    require_positive("noise_bandwidth_hz", noise_bandwidth_hz)
    require_positive("damping", damping)
    require_positive("update_s", update_s)
    spread = 1j * np.emath.sqrt(1.0 - damping**2) / damping
    decays = np.array([1.0 + spread, 1.0 - spread, 1.0][:order] if order > 1 else [1.0])

    def excess(decay: float) -> float:
        gains = _gains_from_roots(-np.expm1(-decay * decays), update_s)
        return _noise_bandwidth_hz(gains, update_s) - noise_bandwidth_hz

    widest = _decay_above(excess, noise_bandwidth_hz * update_s)
    decay = brentq(excess, 0.1 * noise_bandwidth_hz * update_s, widest, xtol=1e-15, rtol=1e-13)
    return _gains_from_roots(-np.expm1(-decay * decays), update_s)


def _decay_above(excess: Callable[[float], float], start: float) -> float:
    """A root decay per update that is wide enough, by doubling."""
    decay = start
    while decay < 5.0:  # exp(-5): the loop settles within one update
        decay *= 2.0
        if excess(decay) >= 0.0:
            return decay
    raise InputError(
        f"noise_bandwidth_hz times update_s is {start!r}: no stable loop of this damping is "
        "so wide; keep it below about 0.5"
    )


def _gains_from_roots(distances: np.ndarray, update_s: float) -> LoopGains:
    """Gains from the distances 1 - z of the closed-loop roots.

    With u = z - 1 the characteristic polynomial (z-1)^N + K1 (z-1)^(N-1) +
    K2 z (z-1)^(N-2) + K3 z^2 (z-1)^(N-3) is the product of (u + distance);
    its coefficients give the gains without loss of digits near u = 0.
    """
    first, second, third = (*np.real(np.poly(-distances))[1:], 0.0, 0.0)[:3]
    k3, k2 = third, second - 2.0 * third
    k1 = first - k2 - k3
    return LoopGains(
        phase=float(k1),
        frequency_per_s=float((k2 + k3 / 2.0) / update_s),
        rate_per_s2=float(k3 / update_s**2),
    )


def loop_figures(gains: LoopGains, update_s: float) -> LoopFigures:
    """The textbook figures of a loop.

    Parameters
    ----------
    gains : LoopGains
        Of a stable loop.
    update_s : float
        Time between updates [s], > 0.

    Returns
    -------
    LoopFigures
        For the response from input phase to predicted phase.

    Raises
    ------
    InputError
        If update_s is not above zero or the loop is not stable.
    """
    require_positive("update_s", update_s)
    poles = _poles(gains, update_s)
    if np.max(np.abs(poles)) >= 1.0:
        raise InputError(
            f"the gains {gains!r} put a pole at {np.max(np.abs(poles))!r}: "
            "a stable loop has every pole inside the unit circle"
        )
    bandwidth_hz = _noise_bandwidth_hz(gains, update_s)
    peak_hz, peaking_db = _peak(gains, update_s, bandwidth_hz)
    natural_rad_per_s, damping = _equivalent_continuous(poles, update_s)
    return LoopFigures(
        gains=gains,
        update_s=update_s,
        poles=tuple(complex(pole) for pole in poles),
        noise_bandwidth_hz=bandwidth_hz,
        three_db_bandwidth_hz=_three_db_bandwidth_hz(gains, update_s, peak_hz),
        peaking_db=peaking_db,
        natural_frequency_rad_per_s=natural_rad_per_s,
        damping_ratio=damping,
    )


def closed_loop_response(
    gains: LoopGains, update_s: float, frequencies_hz: np.ndarray | float
) -> np.ndarray:
    """Response from input phase to predicted phase.

    Parameters
    ----------
    gains : LoopGains
        Of the loop.
    update_s : float
        Time between updates [s], > 0.
    frequencies_hz : ndarray of float64, shape (n,), or float
        Where to look [Hz].

    Returns
    -------
    ndarray of complex128, shape (n,)
        1 at zero frequency.
    """
    numerator, denominator = _polynomials(gains, update_s)
    distance = np.expm1(2j * math.pi * update_s * np.asarray(frequencies_hz, dtype=float))
    return np.asarray(np.polyval(numerator, distance) / np.polyval(denominator, distance))


def drift_phase_error_rad(figures: LoopFigures, drift_hz_per_s: float) -> float:
    """Static phase error under a linear drift of the frequency.

    Parameters
    ----------
    figures : LoopFigures
        Of the loop.
    drift_hz_per_s : float
        How fast the frequency moves [Hz/s].

    Returns
    -------
    float
        Input minus predicted phase [rad]: R T / K_frequency for two states
        (R/omega_n^2 where the loop is slow against its updates), 0 for
        three, infinite for one.
    """
    drift_rad_per_s2 = 2.0 * math.pi * drift_hz_per_s
    if figures.gains.order == 3 or drift_hz_per_s == 0.0:
        return 0.0
    if figures.gains.order == 1:
        return math.copysign(math.inf, drift_hz_per_s)
    return drift_rad_per_s2 * figures.update_s / figures.gains.frequency_per_s


def mean_slip_time_s(phase_sigma_rad: float, noise_bandwidth_hz: float) -> float:
    """Mean time between cycle slips, a rule of thumb.

    Parameters
    ----------
    phase_sigma_rad : float
        Standard deviation of input minus predicted phase [rad], > 0.
    noise_bandwidth_hz : float
        One-sided noise bandwidth B_L [Hz], > 0.

    Returns
    -------
    float
        exp(pi / (2 sigma^2)) / B_L [s]; infinite where it overflows.

    Notes
    -----
    The rule is exp(pi SNR_L) / B_L with SNR_L = 1 / (2 sigma^2), for a
    second-order loop of damping 0.707 with a sine detector (F. M. Gardner,
    Phaselock Techniques). Simulation agrees within 30 % at 0.5 and 1 rad^2;
    at 0.25 rad^2 it has 385 / B_L where the rule says 535.
    """
    exponent = math.pi / (2.0 * phase_sigma_rad**2)
    longest_exponent = 690.0  # exp(709) is the largest double
    if exponent > longest_exponent:
        return math.inf
    return math.exp(exponent) / noise_bandwidth_hz


def _polynomials(gains: LoopGains, update_s: float) -> tuple[FloatArray, FloatArray]:
    """Numerator and denominator of the closed loop in u = z - 1.

    K1 u^2 + K2 u (u + 1) + K3 (u + 1)^2 over u^3 plus the same, with the
    common powers of u of lower orders taken out.
    """
    k1, k2, k3 = gains.summing(update_s)
    open_loop = np.array([k1 + k2 + k3, k2 + 2.0 * k3, k3])[: gains.order]
    return open_loop, np.array([1.0, *open_loop])


def _poles(gains: LoopGains, update_s: float) -> np.ndarray:
    """Closed-loop poles in the z plane."""
    _, denominator = _polynomials(gains, update_s)
    return 1.0 + np.roots(denominator)


def _noise_bandwidth_hz(gains: LoopGains, update_s: float) -> float:
    """One-sided noise bandwidth: 2 B_L T is the output variance for unit white input.

    Summed in the time domain: the response is a needle at zero frequency
    that an integral over the unit circle misses. Time counts in updates, so
    that narrow loops lose no digits.
    """
    transition = np.array([[1.0, 1.0, 0.5], [0.0, 1.0, 1.0], [0.0, 0.0, 1.0]])
    transition = transition[: gains.order, : gains.order]
    scaled = np.array([gains.phase, gains.frequency_per_s, gains.rate_per_s2])
    scaled = (scaled * update_s ** np.arange(3))[: gains.order]
    drive = transition @ scaled
    closed = transition - np.outer(drive, np.eye(gains.order)[0])
    variance = stationary_covariance(closed, np.outer(drive, drive))[0, 0]
    return float(variance) / (2.0 * update_s)


def _peak(gains: LoopGains, update_s: float, bandwidth_hz: float) -> tuple[float, float]:
    """Where the response is largest [Hz], and how far above 1 [dB]."""
    nyquist_hz = 0.5 / update_s
    lowest_hz = min(1e-3 * bandwidth_hz, 1e-3 * nyquist_hz)
    grid_hz = np.geomspace(lowest_hz, nyquist_hz, 600)
    largest = int(np.argmax(np.abs(closed_loop_response(gains, update_s, grid_hz))))
    around_hz = grid_hz[max(largest - 1, 0)], grid_hz[min(largest + 1, len(grid_hz) - 1)]
    found = minimize_scalar(
        lambda frequency_hz: -abs(closed_loop_response(gains, update_s, frequency_hz)),
        bounds=around_hz,
        method="bounded",
        options={"xatol": 1e-9 * around_hz[1]},
    )
    return float(found.x), max(0.0, 20.0 * math.log10(-found.fun))


def _three_db_bandwidth_hz(gains: LoopGains, update_s: float, peak_hz: float) -> float | None:
    """Where the response has fallen to 1/sqrt(2), beyond its peak."""

    def excess(frequency_hz: float) -> float:
        return float(abs(closed_loop_response(gains, update_s, frequency_hz))) - math.sqrt(0.5)

    nyquist_hz = 0.5 / update_s
    if excess(nyquist_hz) >= 0.0:
        return None
    return float(brentq(excess, peak_hz, nyquist_hz, rtol=1e-12))


def _equivalent_continuous(poles: np.ndarray, update_s: float) -> tuple[float | None, float | None]:
    """Natural frequency [rad/s] and damping ratio of a second-order loop.

    From s = ln(z)/T. A pole at or left of zero has no continuous equal.
    """
    if len(poles) != 2 or np.any((np.imag(poles) == 0.0) & (np.real(poles) <= 0.0)):
        return None, None
    continuous = np.log(poles.astype(complex)) / update_s
    natural = math.sqrt(abs(continuous[0] * continuous[1]))
    return natural, float(-np.real(np.sum(continuous)) / (2.0 * natural))
