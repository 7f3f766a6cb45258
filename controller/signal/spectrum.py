"""Amplitude spectra, their noise floor, and the narrow lines in them.

One convention for real and for complex (baseband) records: an amplitude is
the peak amplitude of a line, and a density is one-sided, so that a line or a
noise reads the same before and after down-conversion. Which line is a mode
is decided elsewhere; here a line is what stands out of the noise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy.fft
import scipy.signal
from numpy.typing import NDArray

from controller.signal.windows import half_power_width_bins, noise_bandwidth_bins

# -92 dB side lobes: a line 80 dB below its neighbour is not hidden by them.
DEFAULT_WINDOW = "blackmanharris"

# Bins are interpolated by zero padding before lines are looked for: a
# parabola through the logarithms of three of them is then true to 1e-3 of
# the resolution (test_frequency_is_interpolated).
_PADDING = 2

# Two maxima are two lines if the power between them falls to a quarter; a
# lesser dip is a ripple of noise on the flank of one line.
_LEAST_DIP_RATIO = 4.0

# What lies below this part of a stronger line, four resolution widths away,
# may be a side lobe of it: those of the default window reach 2.5e-5 there and
# fall off as 1/distance; the rest is for lines that die within the record.
_SIDE_LOBE_RATIO = 1e-4
_SIDE_LOBE_RESOLUTIONS = 4.0

# Half-width of the neighbourhood of a noise floor, in resolution widths:
# wide against a line and its main lobe, narrow against coloured noise.
_FLOOR_RESOLUTIONS = 64

_TINY = float(np.finfo(np.float64).tiny)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spectrum:
    """Amplitudes over evenly spaced, rising frequencies."""

    frequencies_hz: NDArray[np.float64]  # (n,)
    amplitudes: NDArray[np.float64]  # (n,) peak amplitude of a line at each frequency
    noise_bandwidth_hz: float  # of the window
    line_width_hz: float  # half-power width of a steady line: the resolution

    @property
    def densities(self) -> NDArray[np.float64]:
        """Amplitude spectral density, one-sided, shape (n,) [1/sqrt(Hz)]."""
        return self.amplitudes / math.sqrt(2.0 * self.noise_bandwidth_hz)

    @property
    def bin_hz(self) -> float:
        """Distance of two frequencies [Hz]."""
        return float(self.frequencies_hz[1] - self.frequencies_hz[0])


@dataclass(frozen=True, slots=True, kw_only=True)
class SpectralPeak:
    """A narrow line that stands out of the noise."""

    frequency_hz: float  # interpolated
    amplitude: float  # peak amplitude of the line
    snr_ratio: float  # its power over the mean noise power in one noise bandwidth
    width_hz: float  # half-power width; that of a steady line is the spectrum's line_width_hz
    noise_density: float  # one-sided, at the line [1/sqrt(Hz)]

    @property
    def snr_db(self) -> float:
        """Signal-to-noise ratio in the spectrum's noise bandwidth [dB]."""
        return 10.0 * math.log10(self.snr_ratio)


def amplitude_spectrum(
    samples: NDArray[np.generic],
    sample_rate_hz: float,
    *,
    center_hz: float = 0.0,
    window: str = DEFAULT_WINDOW,
    padding: int = _PADDING,
) -> Spectrum:
    """Windowed amplitude spectrum of a real or complex record.

    Parameters
    ----------
    samples : ndarray, real or complex, shape (n,)
        The record, n at least 8.
    sample_rate_hz : float
        Rate of the record [Hz].
    center_hz : float
        Frequency that a complex record is relative to [Hz].
    window : str
        A window of scipy.signal.windows, taken in its periodic form.
    padding : int
        Length of the transform over that of the record, at least 1.

    Returns
    -------
    Spectrum
        0 to half the rate for a real record; center_hz less to plus half
        the rate for a complex one.

    Raises
    ------
    ValueError
        If the record is too short, not one-dimensional or not finite.

    Notes
    -----
    A line of peak amplitude A reads A. White noise of one-sided density S
    reads sqrt(2 S^2 noise_bandwidth) rms. The mean is left in.
    """
    record = np.asarray(samples)
    if record.ndim != 1 or len(record) < 8:
        raise ValueError(f"samples have shape {record.shape}; (8,) or longer is needed")
    if not np.all(np.isfinite(record)):
        raise ValueError("samples hold a number that is not finite")
    weights = scipy.signal.get_window(window, len(record))
    length = scipy.fft.next_fast_len(padding * len(record))
    if np.iscomplexobj(record):
        transform = scipy.fft.fftshift(scipy.fft.fft(record * weights, length))
        frequencies_hz = center_hz + scipy.fft.fftshift(
            scipy.fft.fftfreq(length, 1.0 / sample_rate_hz)
        )
        gain = 1.0
    else:
        transform = scipy.fft.rfft(record * weights, length)
        frequencies_hz = scipy.fft.rfftfreq(length, 1.0 / sample_rate_hz)
        gain = 2.0
    natural_bin_hz = sample_rate_hz / len(record)
    return Spectrum(
        frequencies_hz=frequencies_hz,
        amplitudes=np.abs(transform) * (gain / np.sum(weights)),
        noise_bandwidth_hz=noise_bandwidth_bins(weights) * natural_bin_hz,
        line_width_hz=half_power_width_bins(weights) * natural_bin_hz,
    )


def noise_floor(
    spectrum: Spectrum, *, neighbourhood_hz: float | None = None
) -> NDArray[np.float64]:
    """Root-mean-square noise amplitude around each frequency.

    Parameters
    ----------
    spectrum : Spectrum
        Noise with lines that fill less than half of any neighbourhood.
    neighbourhood_hz : float or None
        Width of a neighbourhood [Hz]; None: 128 resolution widths, no more
        than the whole spectrum.

    Returns
    -------
    ndarray of float64, shape (n,)
        In the unit of the amplitudes, above 0.

    Notes
    -----
    The median of the power within each neighbourhood, over ln 2: the power
    of Gaussian noise in one bin is exponentially distributed, with median
    ln 2 times its mean. Neighbourhoods overlap by half; in between the
    logarithm is interpolated.
    """
    if neighbourhood_hz is None:
        neighbourhood_hz = 2.0 * _FLOOR_RESOLUTIONS * spectrum.line_width_hz
    powers = np.square(spectrum.amplitudes)
    count = len(powers)
    width = min(max(round(neighbourhood_hz / spectrum.bin_hz), 8), count)
    starts = np.arange(0, count - width + 1, max(width // 2, 1))
    medians = np.median(np.lib.stride_tricks.sliding_window_view(powers, width)[starts], axis=1)
    # A record without noise has the rounding of its own transform for a floor.
    least = max(float(np.max(powers)) * np.finfo(np.float64).eps ** 2, _TINY)
    logarithms = np.log(np.maximum(medians / math.log(2.0), least))
    middles = starts + 0.5 * (width - 1)
    return np.exp(0.5 * np.interp(np.arange(count), middles, logarithms))


def find_peaks(
    spectrum: Spectrum,
    *,
    lowest_hz: float = -math.inf,
    highest_hz: float = math.inf,
    false_alarms: float = 1e-3,
    neighbourhood_hz: float | None = None,
) -> tuple[SpectralPeak, ...]:
    """Narrow lines that noise does not explain, the most significant first.

    Parameters
    ----------
    spectrum : Spectrum
        With the default window and padding, or finer.
    lowest_hz, highest_hz : float
        Range that is looked at [Hz].
    false_alarms : float
        Peaks that Gaussian noise alone may give on average, below 1.
    neighbourhood_hz : float or None
        See `noise_floor`.

    Returns
    -------
    tuple of SpectralPeak
        Sorted by falling signal-to-noise ratio.

    Notes
    -----
    A line is a maximum whose power stands so far above the mean of the noise
    that noise alone gets there `false_alarms` times, that is parted from any
    higher one by a dip to a quarter of its power, and that cannot be a side
    lobe of a stronger line. Frequency and height come from a parabola
    through the logarithms around the maximum, the width from the crossings
    of half its power.

    References
    ----------
    Rate at which noise rises above a level: S. O. Rice, Bell Syst. Tech. J.
    24, 46 (1945), for the envelope; see `_threshold`.
    """
    floor = noise_floor(spectrum, neighbourhood_hz=neighbourhood_hz)
    inside = (spectrum.frequencies_hz >= lowest_hz) & (spectrum.frequencies_hz <= highest_hz)
    if np.count_nonzero(inside) < 3:
        return ()
    start = int(np.argmax(inside))
    # What lies below the noise counts as noise, so that its dips part nothing.
    ratios = np.maximum(np.square(spectrum.amplitudes[inside] / floor[inside]), 1.0)
    resolutions = len(ratios) * spectrum.bin_hz / spectrum.line_width_hz
    maxima, _ = scipy.signal.find_peaks(
        np.log(ratios),
        height=math.log(_threshold(resolutions, false_alarms)),
        prominence=math.log(_LEAST_DIP_RATIO),
    )
    widths, _, _, _ = scipy.signal.peak_widths(ratios, maxima, rel_height=0.5)
    peaks = [
        _measured_peak(spectrum, start + int(position), float(width), float(noise))
        for position, width, noise in zip(maxima, widths, floor[start + maxima], strict=True)
    ]
    lines = [peak for peak in peaks if not _may_be_side_lobe(peak, peaks, spectrum.line_width_hz)]
    return tuple(sorted(lines, key=lambda peak: -peak.snr_ratio))


def _threshold(resolutions: float, false_alarms: float) -> float:
    """Power over mean noise power that noise exceeds so many times, on average.

    Rice: the power of Gaussian noise, over its mean, rises above u at the
    rate 2 sqrt(pi u) s exp(-u) per hertz, with s the rms duration of the
    squared window; a bell-shaped window of half-power width b has
    s = 0.187 / b. So N = 0.66 sqrt(u) exp(-u) per resolution width.
    """
    threshold = math.log(max(resolutions / false_alarms, math.e))
    return math.log(max(0.66 * math.sqrt(threshold) * resolutions / false_alarms, math.e))


def _measured_peak(
    spectrum: Spectrum, position: int, width_bins: float, noise_amplitude: float
) -> SpectralPeak:
    """The line whose highest bin is at a position inside the spectrum."""
    around = np.maximum(spectrum.amplitudes[position - 1 : position + 2], _TINY)
    offset_bins, gain = _parabola_top(np.log(around))
    amplitude = float(spectrum.amplitudes[position]) * gain
    return SpectralPeak(
        frequency_hz=float(spectrum.frequencies_hz[position]) + offset_bins * spectrum.bin_hz,
        amplitude=amplitude,
        snr_ratio=(amplitude / noise_amplitude) ** 2,
        width_hz=width_bins * spectrum.bin_hz,
        noise_density=noise_amplitude / math.sqrt(2.0 * spectrum.noise_bandwidth_hz),
    )


def _may_be_side_lobe(peak: SpectralPeak, peaks: list[SpectralPeak], line_width_hz: float) -> bool:
    """Whether the window of a stronger line explains a peak."""
    reach_hz = _SIDE_LOBE_RESOLUTIONS * line_width_hz
    return any(
        peak.amplitude
        < _SIDE_LOBE_RATIO
        * other.amplitude
        * reach_hz
        / max(abs(peak.frequency_hz - other.frequency_hz), reach_hz)
        for other in peaks
    )


def _parabola_top(logarithms: NDArray[np.float64]) -> tuple[float, float]:
    """Offset of the top from the middle of three points [bins], and gain there."""
    left, middle, right = (float(value) for value in logarithms)
    curvature = left - 2.0 * middle + right
    if not curvature < 0.0:
        return 0.0, 1.0
    offset = 0.5 * (left - right) / curvature
    return offset, math.exp(-0.25 * (left - right) * offset)
