"""Spectra: one convention for real and complex records, an honest floor, true lines."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.signal
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from controller.signal.spectrum import amplitude_spectrum, find_peaks, noise_floor

RATE_HZ = 1000.0
COUNT = 8192
TIMES_S = np.arange(COUNT) / RATE_HZ
RESOLUTION_HZ = 1.9 * RATE_HZ / COUNT  # half-power width of the default window


def line(frequency_hz: float, amplitude: float = 1.0, decay_rate_per_s: float = 0.0) -> NDArray:
    return amplitude * np.exp((2j * np.pi * frequency_hz - decay_rate_per_s) * TIMES_S)


def noise(density: float, seed: int = 0) -> NDArray:
    """Complex white noise of a one-sided density: S2 rate in each quadrature."""
    rng = np.random.default_rng(seed)
    quadratures = rng.standard_normal((COUNT, 2)) @ np.array([1.0, 1.0j])
    return density * RATE_HZ**0.5 * quadratures


@pytest.mark.parametrize("window", ["hann", "blackmanharris", "flattop"])
def test_a_line_reads_its_peak_amplitude(window: str) -> None:
    on_a_bin_hz = 100 * RATE_HZ / COUNT
    for samples in (line(on_a_bin_hz, 3.0), line(on_a_bin_hz, 3.0).real):
        spectrum = amplitude_spectrum(samples, RATE_HZ, window=window, padding=1)
        top = int(np.argmax(spectrum.amplitudes))
        assert spectrum.frequencies_hz[top] == pytest.approx(on_a_bin_hz, abs=1e-9)
        assert spectrum.amplitudes[top] == pytest.approx(3.0, rel=1e-9)


def test_density_is_one_sided_for_real_and_complex_noise() -> None:
    rng = np.random.default_rng(1)
    real_noise = 0.2 * (RATE_HZ / 2.0) ** 0.5 * rng.standard_normal(COUNT)
    for samples in (real_noise, noise(0.2)):
        spectrum = amplitude_spectrum(samples, RATE_HZ, padding=1)
        mean_square = np.mean(np.square(spectrum.densities))
        # 2000 independent bins or more; four standard errors of the mean power.
        assert mean_square == pytest.approx(0.2**2, rel=4.0 / 2000**0.5)


def test_density_agrees_with_the_periodogram_of_scipy() -> None:
    samples = noise(0.2).real
    spectrum = amplitude_spectrum(samples, RATE_HZ, window="hann", padding=1)
    _, powers = scipy.signal.periodogram(samples, RATE_HZ, window="hann", detrend=False)
    # The ends of a one-sided periodogram are not doubled.
    np.testing.assert_allclose(np.square(spectrum.densities)[1:-1], powers[1:-1], rtol=1e-9)


@pytest.mark.parametrize("count", [256, 1001])
def test_axes(count: int) -> None:
    real = amplitude_spectrum(np.ones(count), RATE_HZ)
    shifted = amplitude_spectrum(np.ones(count, complex), RATE_HZ, center_hz=1e6)
    assert real.frequencies_hz[0] == 0.0
    assert real.frequencies_hz[-1] <= 0.5 * RATE_HZ
    assert shifted.frequencies_hz[0] >= 1e6 - 0.5 * RATE_HZ
    assert shifted.frequencies_hz[-1] <= 1e6 + 0.5 * RATE_HZ
    assert np.all(np.diff(shifted.frequencies_hz) > 0.0)
    assert real.bin_hz == pytest.approx(shifted.bin_hz, rel=1e-6)


def test_floor_is_the_noise_and_ignores_lines() -> None:
    samples = noise(0.2) + line(50.0, 30.0) + line(-120.0, 1.0)
    spectrum = amplitude_spectrum(samples, RATE_HZ)
    floor = noise_floor(spectrum) / math.sqrt(2.0 * spectrum.noise_bandwidth_hz)
    # Median of about 128 independent bins: 1/sqrt(128) in power, half in amplitude, 4 sigma.
    assert np.max(np.abs(floor / 0.2 - 1.0)) < 4.0 * 0.5 / 128**0.5 * 1.2


def test_floor_follows_coloured_noise() -> None:
    # A tenth of the noise above 0 Hz.
    spectrum = amplitude_spectrum(noise(0.2), RATE_HZ)
    above = spectrum.frequencies_hz > 0.0
    spectrum.amplitudes[above] *= 0.1
    floor = noise_floor(spectrum)
    far = np.abs(spectrum.frequencies_hz) > 130.0 * spectrum.line_width_hz
    ratio = np.mean(floor[far & above]) / np.mean(floor[far & ~above])
    assert ratio == pytest.approx(0.1, rel=0.1)


@settings(derandomize=True, deadline=None, max_examples=40)
@given(st.floats(-400.0, 400.0))
def test_frequency_is_interpolated(frequency_hz: float) -> None:
    peaks = find_peaks(amplitude_spectrum(line(frequency_hz) + noise(1e-5), RATE_HZ))
    assert len(peaks) == 1
    assert peaks[0].frequency_hz == pytest.approx(frequency_hz, abs=1e-3 * RESOLUTION_HZ)
    assert peaks[0].amplitude == pytest.approx(1.0, rel=1e-3)


def test_lines_of_very_different_strength_are_both_found() -> None:
    samples = line(100.0, 1.0, 0.2) + line(260.0, 1e-4) + noise(1e-6)
    peaks = find_peaks(amplitude_spectrum(samples, RATE_HZ, center_hz=5e5))
    assert [round(peak.frequency_hz, 1) for peak in peaks] == [500_100.0, 500_260.0]
    assert peaks[1].amplitude == pytest.approx(1e-4, rel=0.05)
    assert peaks[0].snr_db > 60.0 + peaks[1].snr_db


def test_signal_to_noise_and_density_of_a_peak() -> None:
    spectrum = amplitude_spectrum(line(100.0) + noise(0.01), RATE_HZ)
    (peak,) = find_peaks(spectrum)
    expected = 1.0 / (2.0 * 0.01**2 * spectrum.noise_bandwidth_hz)
    # The floor is known to 4/sqrt(128) in power.
    assert peak.snr_ratio == pytest.approx(expected, rel=0.35)
    assert peak.noise_density == pytest.approx(0.01, rel=0.18)


def test_width_tells_a_broad_line_from_a_steady_one() -> None:
    spectrum = amplitude_spectrum(line(100.0) + line(-100.0, 50.0, 3.0) + noise(1e-4), RATE_HZ)
    by_frequency = {
        round(peak.frequency_hz): peak.width_hz for peak in find_peaks(spectrum, highest_hz=200.0)
    }
    assert by_frequency[100] == pytest.approx(spectrum.line_width_hz, rel=0.05)
    assert by_frequency[-100] > 1.3 * spectrum.line_width_hz


def test_two_close_lines_are_two_and_one_is_one() -> None:
    close_hz = 4.0 * RESOLUTION_HZ
    pair = find_peaks(amplitude_spectrum(line(50.0) + line(50.0 + close_hz), RATE_HZ))
    assert len(pair) == 2
    assert abs(pair[0].frequency_hz - pair[1].frequency_hz) == pytest.approx(close_hz, rel=0.02)


def test_search_range_is_kept() -> None:
    spectrum = amplitude_spectrum(line(50.0) + line(200.0, 0.5) + noise(1e-4), RATE_HZ)
    (peak,) = find_peaks(spectrum, lowest_hz=150.0, highest_hz=250.0)
    assert peak.frequency_hz == pytest.approx(200.0, abs=1e-3)
    assert find_peaks(spectrum, lowest_hz=1000.0) == ()


def test_noise_alone_gives_as_many_peaks_as_stated() -> None:
    runs, stated = 200, 0.1
    found = sum(
        len(find_peaks(amplitude_spectrum(noise(1.0, seed), RATE_HZ), false_alarms=stated))
        for seed in range(runs)
    )
    # The scatter of the floor (9 % of the power) raises the rate by exp((11 * 0.09)^2 / 2) = 1.6;
    # Poisson quantiles of 1e-4 around.
    assert scipy.stats.poisson.ppf(1e-4, runs * stated) <= found
    assert found <= scipy.stats.poisson.ppf(1.0 - 1e-4, 1.6 * runs * stated)


@settings(derandomize=True, deadline=None, max_examples=10)
@given(st.floats(1e-15, 1e15))
def test_scale_changes_amplitudes_alone(scale: float) -> None:
    samples = line(100.0) + noise(0.01)
    (one,) = find_peaks(amplitude_spectrum(samples, RATE_HZ))
    (other,) = find_peaks(amplitude_spectrum(scale * samples, RATE_HZ))
    assert other.frequency_hz == pytest.approx(one.frequency_hz, abs=1e-9)
    assert other.snr_ratio == pytest.approx(one.snr_ratio)
    assert other.amplitude == pytest.approx(scale * one.amplitude)


def test_silence_holds_no_line() -> None:
    assert find_peaks(amplitude_spectrum(np.zeros(100), RATE_HZ)) == ()


@pytest.mark.parametrize(
    ("samples", "named"),
    [
        (np.zeros(7), "shape"),
        (np.zeros((100, 1)), "shape"),
        (np.array([np.nan] * 10), "finite"),
    ],
)
def test_bad_input_is_refused(samples: NDArray, named: str) -> None:
    with pytest.raises(ValueError, match=named):
        amplitude_spectrum(samples, RATE_HZ)
