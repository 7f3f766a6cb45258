"""The low pass of the down-converter against scipy.signal.freqz, and in use.

scipy.signal.freqz is the second implementation. The pass band (0.01 dB) and
the stop band (whatever aliases into the pass band) are the requirement; that
0.01 dB and 100 dB do for a phase meter is common practice, no source.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import scipy.signal
from numpy.typing import NDArray

from controller.signal.downconverter import DownConverter, DownConverterConfig, low_pass_taps
from controller.signal.oscillator import counts_per_sample, rotation

BASE = DownConverterConfig(
    sample_rate_hz=50e3, center_hz=1.0e6, frequencies_hz=(1.0e6 + 3210.0,), decimation=125
)


def response_db(taps: NDArray, frequencies_hz: NDArray, sample_rate_hz: float) -> NDArray:
    _, response = scipy.signal.freqz(taps, worN=frequencies_hz, fs=sample_rate_hz)
    return 20.0 * np.log10(np.abs(response) + 1e-20)


@pytest.mark.parametrize("decimation", [3, 4, 8, 25, 125, 1000])
@pytest.mark.parametrize("attenuation_db", [60.0, 80.0, 100.0, 120.0])
@pytest.mark.parametrize("pass_ratio", [0.05, 0.1, 0.2])
def test_pass_and_stop_band(decimation: int, attenuation_db: float, pass_ratio: float) -> None:
    output_rate_hz = 50e3 / decimation
    config = dataclasses.replace(
        BASE,
        decimation=decimation,
        stop_attenuation_db=attenuation_db,
        pass_band_hz=pass_ratio * output_rate_hz,
    )
    taps = low_pass_taps(config)
    pass_hz = np.linspace(0.0, config.pass_half_width_hz, 50)
    assert np.max(np.abs(response_db(taps, pass_hz, 50e3))) < 0.01
    # Side lobes are 1/(taps) wide and fall off: 20 output rates at 40 points each hold the highest.
    stop_top_hz = min(25e3, 20.0 * output_rate_hz)
    stop_hz = np.linspace(output_rate_hz - config.pass_half_width_hz, stop_top_hz, 3000)
    assert np.max(response_db(taps, stop_hz, 50e3)) < -attenuation_db


def test_default_filter_is_short() -> None:
    # An operator's interlock waits for half the span: 20 ms at 400 outputs a second.
    converter = DownConverter(BASE)
    assert 2 * converter.group_delay_samples + 1 <= 0.020 * 50e3


def test_group_delay_is_half_the_length_exactly() -> None:
    taps = low_pass_taps(BASE)
    assert len(taps) % 2 == 1
    np.testing.assert_allclose(taps, taps[::-1], rtol=0.0, atol=1e-18)
    _, delay = scipy.signal.group_delay((taps, [1.0]), w=np.linspace(0.0, 40.0, 9), fs=50e3)
    np.testing.assert_allclose(delay, DownConverter(BASE).group_delay_samples, atol=1e-6)


def test_noise_bandwidth_is_the_integral_of_the_response() -> None:
    converter = DownConverter(BASE)
    count = 8192
    response = np.abs(np.fft.fft(converter.taps, count)) ** 2
    # Parseval: exact once the transform is longer than the filter.
    assert converter.noise_bandwidth_hz == pytest.approx(np.sum(response) * 50e3 / count, rel=1e-12)


@pytest.mark.parametrize(
    "offset_hz", [0.0, 10.0, -40.0, 100.0, 200.0, 360.0, -390.0, 440.0, 7500.0, -12_345.0]
)
def test_a_line_comes_out_as_the_response_says(offset_hz: float) -> None:
    """The matrix product as a whole has the response of its taps, also where it aliases."""
    converter = DownConverter(BASE)
    counts = counts_per_sample(3210.0 + offset_hz, 50e3)
    samples = rotation(counts, 0, 10_000).astype(np.complex64)
    output = converter.process(samples, 0)
    turns = offset_hz * (output.center_indices / 50e3)
    _, response = scipy.signal.freqz(converter.taps, worN=[abs(offset_hz)], fs=50e3)
    # Magnitude with the sign of a symmetric filter: take the delay out again.
    delay = np.exp(2j * np.pi * abs(offset_hz) / 50e3 * converter.group_delay_samples)
    expected = (response[0] * delay).real * np.exp(2j * np.pi * turns)
    # float32: 2000 products whose magnitudes sum to about 2; the running sum is rounded
    # by 6e-8 of itself at each of them, at random: 6e-8 * 2000**0.5.
    np.testing.assert_allclose(output.samples[:, 0], expected, rtol=0.0, atol=2.7e-6)


def test_white_noise_comes_out_with_its_density() -> None:
    """Two-sided density 2 S in the pass band, for real and for complex streams alike."""
    rng = np.random.default_rng(5)
    real = DownConverterConfig(sample_rate_hz=10e3, frequencies_hz=(2500.0,), decimation=25)
    complex_ = dataclasses.replace(real, complex_input=True)
    density = 0.3
    count = 400_000
    sigma = density * (10e3 / 2.0) ** 0.5
    real_noise = sigma * rng.standard_normal(count)
    # Quadratures of variance S2 fs each, by the convention for complex streams.
    complex_noise = density * 100.0 * (rng.standard_normal((count, 2)) @ np.array([1.0, 1.0j]))
    for config, samples in ((real, real_noise), (complex_, complex_noise)):
        converter = DownConverter(config)
        output = converter.process(samples, 0).samples[:, 0]
        expected = 2.0 * density**2 * converter.noise_bandwidth_hz
        # 16 000 outputs, nearly independent; four standard errors.
        assert np.mean(np.abs(output) ** 2) == pytest.approx(expected, rel=4.0 / 16_000**0.5)
        frequencies_hz, powers = scipy.signal.welch(
            output, fs=400.0, nperseg=256, return_onesided=False, detrend=False
        )
        in_band = np.abs(frequencies_hz) < 40.0
        # 51 bins of 125 half-overlapping Hann segments: about 51/1.5 * 125/1.9 independent values.
        assert np.mean(powers[in_band]) == pytest.approx(2.0 * density**2, rel=4.0 / 2200**0.5)
