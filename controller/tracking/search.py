"""Finding the lines: look, ping, listen.

A line of ten millihertz cannot be swept. A short burst, swept across the
search range, excites whatever mode lies there; the spectrum of the free motion
after it shows the modes within seconds. Comparing with a look beforehand tells
modes from stray lines: a mode answers the ping, a stray line does not care.
Without a drive a mode is known by its thermal motion: the thermal force kicks it
about at a known rate, while a stray line goes on as it was and a broad mode
forgets at once what it was.

Arrays in, findings out; the engine feeds the samples and sets the tones.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import median_filter
from scipy.optimize import nnls
from scipy.signal import find_peaks, windows

# A peak this far above the noise floor of the spectrum, in amplitude, has a chance
# of 1e-7 per search of being noise (Rayleigh, 1e4 bins): exp(-25) * 1e4 = 1e-7.
LEAST_AMPLITUDE_RATIO = 5.0 * math.sqrt(2.0)
# A mode's thermal motion changes by less than this over the few seconds of a search.
ANSWER_RATIO = 2.0
AROUND_RESOLUTIONS = 16  # over which the floor around a peak is taken
PADDING = 4  # bins per resolution, so that a peak's top is seen within 0.1 dB
# How a line wanders is seen in phasors that look at four of so many pieces of the record.
PIECES = 32
STEP_PIECES = 2  # between two phasors that are compared: half of what each looks at
# A phasor has 8 times the noise variance of a bin of the whole record; both quadratures of
# the difference of two, which share 4 % of their noise, have 8 * 4 * 0.96. Of 13 steps that
# know nothing of each other the trend takes three.
STEPS_APART = 13.0
NOISE_OF_STEP = 8.0 * 4.0 * 0.96 * (1.0 - 3.0 / STEPS_APART)
# Of the variance of a random walk's step the averages of the window see 0.69 (|t + step|
# less |t|, over the autocorrelation of the window); the trend takes as much of it.
SEEN_OF_STEP = 0.69 * (1.0 - 3.0 / STEPS_APART)
# Below that a wander may be noise: by chance 1 in 1e4 (chi-square of so many steps).
SEEN_SIGMAS = 6.0
# Thermal motion wanders as it should within a factor of 3 in 99 % of all records, and mass
# and quality factor are known roughly. Below lie stray lines that are seen through a gain
# that wanders by a per cent, above lie modes that are broader than the resolution.
WANDER_RATIOS = 0.05, 6.0
# Amplitudes that thermal motion reaches with less than this chance are hot: exp(-A^2 / 2 x^2).
LEAST_CHANCE = 1.0e-4
# A line that wanders by less than a tenth of its amplitude in a second can be followed
# and taken off a baseband.
STEADY_RATIO, STEADY_S = 0.1, 1.0

# The floor under a mode's skirt, from medians of as many bands; nearer than this part of
# the search range the skirt is not that of kicks alone (Hann's lobes, drift). A median of
# 50 bins is known to a fifth: by chance none is so far above the fit.
NOISE_BANDS, NEAR_LINE = 24, 0.35
FOREIGN_RATIO = 3.0
# In a narrow range the noise is looked at near the line, where Hann's side lobes still stand
# above it: they fall below 1e-10 of a line's power only so many bins away, as
# (pi d (d^2 - 1))^-2. Those of a Blackman-Harris window are below 1e-9 throughout (92 dB; Harris
# 1978, table 1), but it leaves a quarter fewer independent bins.
HANN_LEAKS_BINS = 32.0
FLOOR_PASSES = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundLine:
    """A narrow line in a search range."""

    offset_hz: float  # from the mix frequency, at the end of the record
    sigma_hz: float
    amplitude: float
    answer_ratio: float  # amplitude after over amplitude before the ping
    drift_hz_per_s: float
    # Growth of the variance of its complex amplitude beyond a steady trend and the noise
    # [sample units squared], as if that were a random walk.
    wander2_per_s: float = 0.0
    wander2_sigma_per_s: float = 0.0  # by the noise alone

    @property
    def answered(self) -> bool:
        """Whether the ping changed it as it changes a mode."""
        return self.answer_ratio >= ANSWER_RATIO

    @property
    def is_steady(self) -> bool:
        """Whether it hardly wanders within seconds, as a stray line does."""
        return self.wander2_per_s * STEADY_S < (STEADY_RATIO * self.amplitude) ** 2


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermalMotion:
    """What is expected of a mode that only the thermal force moves.

    Notes
    -----
    The complex amplitude follows da/dt = -gamma a / 2 + zeta with
    E|zeta|^2 = 2 gamma x_th^2 per second: the variance that the force adds is
    the same whatever the amplitude is, in a near null and in a ring-down alike.
    """

    amplitude: float  # x_th, rms displacement in equilibrium [sample units]
    decay_rate_per_s: float  # gamma, energy

    @property
    def wander2_per_s(self) -> float:
        """What the variance of the complex amplitude gains [sample units squared / s]."""
        return 2.0 * self.decay_rate_per_s * self.amplitude**2

    def wander_ratio(self, line: FoundLine) -> float:
        """How much a line wanders, in parts of what it should."""
        return line.wander2_per_s / self.wander2_per_s

    def could_be(self, line: FoundLine) -> bool:
        """Whether a line was seen to wander about as much as it should.

        One that is hot may wander more: the drift of its frequency turns it about.
        """
        is_seen = line.wander2_per_s > SEEN_SIGMAS * line.wander2_sigma_per_s
        least, most = WANDER_RATIOS[0], math.inf if self.is_hot(line) else WANDER_RATIOS[1]
        return is_seen and least < self.wander_ratio(line) < most

    def is_hot(self, line: FoundLine) -> bool:
        """Whether a line is stronger than thermal motion ever is."""
        return line.amplitude**2 > -2.0 * math.log(LEAST_CHANCE) * self.amplitude**2


def lines_in(samples: np.ndarray, rate_hz: float, half_width_hz: float) -> list[FoundLine]:
    """Narrow lines in a baseband record, strongest first.

    Parameters
    ----------
    samples : ndarray of complex128, shape (n,)
        Baseband record [sample units].
    rate_hz : float
        Its sample rate [Hz].
    half_width_hz : float
        Only lines within this distance of the mix frequency count.

    Returns
    -------
    list of FoundLine
        Frequencies refined by the phase of the last half of the record;
        answer_ratio is 1.

    Notes
    -----
    Blackman-Harris window (side lobes at -92 dB: a strong neighbour hides
    little); the floor is the median of the spectrum in the range, or around the
    peak where that is higher: a mode that the thermal force kicks has skirts.
    """
    spectrum, all_offsets_hz = _amplitude_spectrum(samples, rate_hz)
    resolution_hz = 4.0 * rate_hz / len(samples)  # half width of the window's main lobe
    inside = np.abs(all_offsets_hz) <= half_width_hz
    amplitudes, offsets_hz = spectrum[inside], all_offsets_hz[inside]
    if len(amplitudes) < 16:
        return []
    spacing = max(1, round(resolution_hz / (offsets_hz[1] - offsets_hz[0])))
    near = np.abs(all_offsets_hz) <= half_width_hz + AROUND_RESOLUTIONS * resolution_hz
    around = median_filter(spectrum[near], size=AROUND_RESOLUTIONS * spacing, mode="nearest")
    medians = np.maximum(around[inside[near]], np.median(amplitudes))
    # Rayleigh: median = sigma sqrt(2 ln 2); sigma of one quadrature.
    least = LEAST_AMPLITUDE_RATIO * medians / math.sqrt(2.0 * math.log(2.0))
    peaks, _ = find_peaks(amplitudes, height=least, distance=spacing)
    found = []
    for peak in peaks:
        # A side lobe of a far stronger line is not a line.
        if amplitudes[peak] < 3.0e-5 * amplitudes.max():
            continue
        bin_sigma = float(medians[peak]) / math.sqrt(2.0 * math.log(2.0))
        line = _refined(samples, rate_hz, float(offsets_hz[peak]), bin_sigma)
        if line is None:
            continue
        # What refines to elsewhere is the skirt of a line that moved, not a line.
        middle_hz = line.offset_hz - 0.5 * line.drift_hz_per_s * len(samples) / rate_hz
        if abs(middle_hz - offsets_hz[peak]) < 0.5 * resolution_hz:
            found.append(line)
    found.sort(key=lambda line: -line.amplitude)
    # The skirt of a strong line that moved has peaks of its own, which refine to it.
    distinct: list[FoundLine] = []
    for line in found:
        if all(abs(line.offset_hz - other.offset_hz) > resolution_hz for other in distinct):
            distinct.append(line)
    return distinct


def answered_lines(
    before: np.ndarray, after: np.ndarray, rate_hz: float, half_width_hz: float
) -> list[FoundLine]:
    """Lines after a ping, with the ratio to what was there before it.

    Parameters
    ----------
    before, after : ndarray of complex128, shape (n,)
        Baseband records before and after the ping [sample units].
    rate_hz, half_width_hz : float
        As for `lines_in` [Hz].

    Returns
    -------
    list of FoundLine
        Strongest first.
    """
    found = []
    for line in lines_in(after, rate_hz, half_width_hz):
        earlier = _amplitude_near(before, rate_hz, line.offset_hz)
        found.append(replace(line, answer_ratio=line.amplitude / max(earlier, 1e-300)))
    return found


def chosen_line(
    lines: list[FoundLine], expected_hz: float, half_width_hz: float, *, must_answer: bool = True
) -> FoundLine | None:
    """The line that looks most like the mode.

    Parameters
    ----------
    lines : list of FoundLine
        Candidates.
    expected_hz, half_width_hz : float
        Where it is expected, as an offset, and how well that is known [Hz].
    must_answer : bool
        Whether lines that answered the ping come before all others.

    Returns
    -------
    FoundLine or None
        Of those that answered the ping (of all, if none did) the one with
        the largest amplitude, weighed by its distance.
    """
    candidates = [line for line in lines if line.answered and must_answer] or lines
    if not candidates:
        return None

    def weight(line: FoundLine) -> float:
        distance = (line.offset_hz - expected_hz) / half_width_hz
        return line.amplitude * math.exp(-0.5 * distance * distance)

    return max(candidates, key=weight)


def noise_density(
    samples: np.ndarray, rate_hz: float, half_width_hz: float, line_hz: float = 0.0
) -> float:
    """One-sided density of the detector noise around the mix frequency.

    Parameters
    ----------
    samples : ndarray of complex128, shape (n,)
        Baseband record [sample units].
    rate_hz : float
        Its rate [Hz].
    half_width_hz : float
        Width of the flat part of the baseband [Hz].
    line_hz : float
        Offset of the mode from the mix frequency [Hz].

    Returns
    -------
    float
        [sample units per root hertz]; medians ignore narrow lines.

    Notes
    -----
    A complex baseband of one-sided density S has the variance 2 S^2 per
    hertz (S^2 in each quadrature); the median of an exponentially
    distributed power is ln 2 times its mean. Thermal kicks of a mode of
    decay rate gamma leave a skirt of gamma x_th^2 / (2 (pi d)^2) at a distance
    d, far outside its line: with little detector noise as much as that at
    some 50 Hz. Floor and skirt are fitted to the medians of bands, each with
    an error in proportion to itself; bands far above the fit have another
    mode in them, and are left out.
    """
    is_near = NEAR_LINE * half_width_hz * len(samples) / rate_hz < HANN_LEAKS_BINS
    shape = windows.blackmanharris if is_near else windows.hann
    window = shape(len(samples), sym=False)
    power = np.abs(np.fft.fft(samples * window)) ** 2 / (rate_hz * np.sum(window**2))
    offsets_hz = np.fft.fftfreq(len(samples), 1.0 / rate_hz)
    away_hz = np.abs(offsets_hz - line_hz)
    is_far = (np.abs(offsets_hz) <= half_width_hz) & (away_hz >= NEAR_LINE * half_width_hz)
    places = np.flatnonzero(is_far)
    bands = np.array_split(places[np.argsort(offsets_hz[places])], min(NOISE_BANDS, len(places)))
    medians = np.array([np.median(power[band]) for band in bands])
    parts = np.array([(1.0, np.mean(away_hz[band] ** -2.0)) for band in bands])
    expected = np.full(len(bands), np.quantile(medians, 0.25))
    for _ in range(FLOOR_PASSES):  # weighed by what is expected, not by what came out small
        is_fit = medians < FOREIGN_RATIO * expected
        weighed = parts[is_fit] / expected[is_fit, None]
        (floor, skirt), _ = nnls(weighed, medians[is_fit] / expected[is_fit])
        expected = parts @ (floor, skirt)
    # Where all is skirt the floor is open downwards: a third of what it could be, in amplitude.
    floor = max(floor, 0.1 * float(medians.min()))
    return math.sqrt(floor / math.log(2.0) / 2.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class PingAnswer:
    """What a ping told of a drive, by least squares."""

    feedthrough: complex  # sample units per unit of the tone
    responsivity: complex  # amplitude per second and unit of the tone; -i b for a plain mode
    phase_sigma_rad: float  # of the responsivity, by the residual


def ping_answer(
    samples: np.ndarray, tone: np.ndarray, rate_hz: float, offset_hz: float
) -> PingAnswer:
    """Feed-through and responsivity of a drive from the record of a ping.

    Parameters
    ----------
    samples, tone : ndarray of complex128, shape (n,)
        The record and the tone as it was commanded (zero outside the ping),
        in the same frame.
    rate_hz : float
        Sample rate of both [Hz].
    offset_hz : float
        Frequency of the mode in that frame [Hz].

    Returns
    -------
    PingAnswer
        Coefficients of the three parts of the record: the tone itself, the
        motion it excites, and the motion that was there before.

    Notes
    -----
    Over a ping a narrow mode does not decay: excited motion is the integral
    of tone(t) exp(-2 pi i offset t), turning at the mode's frequency.
    """
    times_s = np.arange(len(samples)) / rate_hz
    motion = np.exp(2j * math.pi * offset_hz * times_s)
    excited = motion * np.cumsum(tone * np.conj(motion)) / rate_hz
    parts = np.stack([tone, excited, motion], axis=1)
    coefficients, *_ = np.linalg.lstsq(parts, samples, rcond=None)
    residual = samples - parts @ coefficients
    variance = float(np.mean(np.abs(residual) ** 2)) / max(len(samples) - 3, 1) * len(samples)
    covariance = variance * np.linalg.inv((parts.conj().T @ parts).astype(np.complex128))
    relative = math.sqrt(abs(covariance[1, 1].real) / 2.0) / max(abs(coefficients[1]), 1e-300)
    return PingAnswer(
        feedthrough=complex(coefficients[0]),
        responsivity=complex(coefficients[1]),
        phase_sigma_rad=min(relative, math.pi),
    )


def _amplitude_spectrum(samples: np.ndarray, rate_hz: float) -> tuple[np.ndarray, np.ndarray]:
    window = windows.blackmanharris(len(samples), sym=False)
    size = int(2 ** math.ceil(math.log2(len(samples) * PADDING)))
    spectrum = np.fft.fftshift(np.abs(np.fft.fft(samples * window, size))) / window.sum()
    return spectrum, np.fft.fftshift(np.fft.fftfreq(size, 1.0 / rate_hz))


def _amplitude_near(samples: np.ndarray, rate_hz: float, offset_hz: float) -> float:
    """Largest amplitude within the resolution of a record around an offset."""
    spectrum, offsets_hz = _amplitude_spectrum(samples, rate_hz)
    near = np.abs(offsets_hz - offset_hz) <= 4.0 * rate_hz / len(samples)
    return float(spectrum[near].max()) if near.any() else 0.0


def _refined(
    samples: np.ndarray, rate_hz: float, offset_hz: float, bin_sigma: float
) -> FoundLine | None:
    """Frequency, drift, amplitude and wander of one line from its unwrapped phase."""
    pieces = PIECES
    length = len(samples) // pieces
    if length < 1:
        return None
    used = samples[-pieces * length :]
    times_s = np.arange(len(used)) / rate_hz
    # Each phasor looks at four pieces through a smooth window, which keeps lines
    # that are further away than a few over the record out of its phase.
    window = windows.blackmanharris(4 * length, sym=False)
    turning = used * np.exp(-2j * math.pi * offset_hz * times_s)
    starts = range(0, (pieces - 3) * length, length)
    phasors = np.array([turning[k : k + 4 * length] @ window for k in starts]) / window.sum()
    amplitude = float(np.abs(phasors[len(phasors) // 2 :]).mean())
    centers_s = np.array(starts) / rate_hz + 2.0 * length / rate_hz - times_s[-1]
    phases_turns = np.unwrap(np.angle(phasors)) / (2.0 * math.pi)
    weights = np.abs(phasors)
    (curve, slope, start), covariance = np.polyfit(centers_s, phases_turns, 2, w=weights, cov=True)
    # The drift may wander: never claim better than a twentieth of the resolution.
    least_hz = 0.05 * rate_hz / len(used)
    turns = np.polyval((curve, slope, start), centers_s)
    wander2, wander2_sigma = _wander2_per_s(
        phasors * np.exp(-2j * math.pi * turns), centers_s, bin_sigma
    )
    return FoundLine(
        offset_hz=offset_hz + float(slope),
        sigma_hz=max(math.sqrt(abs(float(covariance[1, 1]))), least_hz),
        amplitude=amplitude,
        answer_ratio=1.0,
        drift_hz_per_s=2.0 * float(curve),
        wander2_per_s=wander2,
        wander2_sigma_per_s=wander2_sigma,
    )


def _wander2_per_s(
    phasors: np.ndarray, times_s: np.ndarray, bin_sigma: float
) -> tuple[float, float]:
    """How a complex amplitude walks beyond its trend and the noise, and sigma by the noise.

    The trend is a parabola: a ring-down, a gain that drifts.
    """
    rest = phasors - np.polyval(np.polyfit(times_s, phasors, 2), times_s)
    steps = rest[STEP_PIECES:] - rest[:-STEP_PIECES]
    seen_s = SEEN_OF_STEP * STEP_PIECES * float(times_s[1] - times_s[0])
    noise = NOISE_OF_STEP * bin_sigma**2
    walked = float(np.mean(np.abs(steps) ** 2)) - noise
    return walked / seen_s, noise / math.sqrt(STEPS_APART) / seen_s
