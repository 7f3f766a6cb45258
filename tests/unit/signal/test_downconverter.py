"""The down-converter against its own definition, and its promises as a stream object."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from controller.errors import InputError
from controller.signal.downconverter import (
    Baseband,
    DownConverter,
    DownConverterConfig,
    decimation_for,
)
from controller.signal.oscillator import counts_per_sample, rotation

REAL = DownConverterConfig(
    sample_rate_hz=50e3, frequencies_hz=(6210.0, 11_777.7), decimation=25, stop_attenuation_db=80.0
)
COMPLEX = DownConverterConfig(
    sample_rate_hz=50e3,
    center_hz=1.0e6,
    frequencies_hz=(1.0e6 + 3210.0, 1.0e6 - 777.7),
    decimation=24,
)
INT16 = dataclasses.replace(REAL, decimation=10)
CASES = [(REAL, np.float32), (INT16, np.int16), (COMPLEX, np.complex64)]

# float32 sums of up to 200 products of unit size: 200**0.5 roundings of 6e-8, times 4.
ROUNDING = 200**0.5 * 6e-8 * 4


def noise(config: DownConverterConfig, dtype: type, length: int, seed: int = 1) -> NDArray:
    """White samples of unit size (a thousand for integers)."""
    rng = np.random.default_rng(seed)
    samples = rng.standard_normal(length)
    if config.has_complex_input:
        return (samples + 1j * rng.standard_normal(length)).astype(dtype)
    return (samples * unit(dtype)).astype(dtype)


def unit(dtype: type) -> float:
    return 1000.0 if dtype is np.int16 else 1.0


def in_blocks(
    converter: DownConverter, samples: NDArray, first_index: int, lengths: list[int]
) -> Baseband:
    """Feed blocks of the given lengths, then the rest; join the outputs."""
    outputs, start = [], 0
    for length in [*lengths, len(samples)]:
        block = samples[start : start + length]
        outputs.append(converter.process(block, first_index + start))
        start += len(block)
    return Baseband(
        np.concatenate([part.samples for part in outputs]),
        np.concatenate([part.center_indices for part in outputs]),
        outputs[0].output_rate_hz,
    )


def by_definition(converter: DownConverter, samples: NDArray, first_index: int) -> NDArray:
    """The slow obvious version: mix every sample, weigh every window."""
    config = converter.config
    half, taps = converter.group_delay_samples, converter.taps
    gain = 1.0 if config.has_complex_input else 2.0
    first = -(-(first_index + half) // config.decimation) * config.decimation
    centers = range(first, first_index + len(samples) - half, config.decimation)
    columns = []
    for frequency_hz in converter.frequencies_hz:
        counts = counts_per_sample(frequency_hz, config.sample_rate_hz)
        counts -= counts_per_sample(config.center_hz, config.sample_rate_hz)
        mixed = samples * np.conj(rotation(counts, first_index, len(samples)))
        starts = [center - half - first_index for center in centers]
        columns.append([gain * taps @ mixed[start : start + len(taps)] for start in starts])
    return np.array(columns).T


@pytest.mark.parametrize(("config", "dtype"), CASES)
@pytest.mark.parametrize("first_index", [0, 13, 10**15 + 7])
def test_output_is_what_the_definition_says(
    config: DownConverterConfig, dtype: type, first_index: int
) -> None:
    samples = noise(config, dtype, 2000)
    converter = DownConverter(config, first_index)
    output = converter.process(samples, first_index)
    expected = by_definition(converter, samples, first_index)
    assert output.samples.shape == expected.shape
    np.testing.assert_allclose(output.samples, expected, atol=ROUNDING * unit(dtype))


@pytest.mark.parametrize(("config", "dtype"), CASES)
def test_outputs_lie_on_the_absolute_grid(config: DownConverterConfig, dtype: type) -> None:
    output = DownConverter(config, 1009).process(noise(config, dtype, 1500), 1009)
    assert np.all(output.center_indices % config.decimation == 0)
    assert np.all(np.diff(output.center_indices) == config.decimation)


@settings(derandomize=True, deadline=None, max_examples=30)
@given(st.lists(st.integers(0, 300), max_size=20), st.integers(0, 10**9))
@pytest.mark.parametrize(("config", "dtype"), CASES)
def test_any_split_gives_the_same_output(
    config: DownConverterConfig, dtype: type, lengths: list[int], first_index: int
) -> None:
    samples = noise(config, dtype, 3000)
    whole = DownConverter(config, first_index).process(samples, first_index)
    split = in_blocks(DownConverter(config, first_index), samples, first_index, lengths)
    np.testing.assert_array_equal(split.center_indices, whole.center_indices)
    np.testing.assert_allclose(split.samples, whole.samples, atol=ROUNDING * unit(dtype))


def test_nothing_is_lost_when_the_buffer_turns_over() -> None:
    samples = noise(REAL, np.float32, 250_000)
    converter = DownConverter(REAL)
    output = in_blocks(converter, samples, 0, [999] * 200)
    # A window takes 7 periods of 25 samples, 87 either side of its centre.
    assert converter.group_delay_samples == 87
    np.testing.assert_array_equal(output.center_indices, np.arange(100, 250_000 - 87, 25))
    tail = by_definition(converter, samples[-2000:], 248_000)
    np.testing.assert_allclose(output.samples[-len(tail) :], tail, atol=ROUNDING)


@pytest.mark.parametrize(("config", "dtype"), CASES)
def test_empty_and_single_sample_blocks(config: DownConverterConfig, dtype: type) -> None:
    samples = noise(config, dtype, 600)
    output = in_blocks(DownConverter(config), samples, 0, [0, 1, 0] * 200)
    whole = DownConverter(config).process(samples, 0)
    np.testing.assert_allclose(output.samples, whole.samples, atol=ROUNDING * unit(dtype))
    empty = DownConverter(config).process(samples[:0], 0)
    assert empty.samples.shape == (0, 2)
    assert empty.center_indices.shape == (0,)


@settings(derandomize=True, deadline=None, max_examples=20)
@given(st.floats(-100.0, 100.0), st.floats(0.1, 10.0), st.floats(-3.0, 3.0), st.integers(0, 10**10))
@pytest.mark.parametrize("config", [REAL, COMPLEX])
def test_a_tone_keeps_amplitude_phase_and_offset(
    config: DownConverterConfig,
    offset_hz: float,
    amplitude: float,
    phase_rad: float,
    first_index: int,
) -> None:
    frequency_hz = config.frequencies_hz[0] + offset_hz
    counts = counts_per_sample(frequency_hz - config.center_hz, config.sample_rate_hz)
    tone = amplitude * np.exp(1j * phase_rad) * rotation(counts, first_index, 2000)
    samples = tone.astype(np.complex64) if config.has_complex_input else tone.real.astype("f4")
    output = DownConverter(config, first_index).process(samples, first_index)
    cycles = offset_hz * (output.center_indices / config.sample_rate_hz)
    expected = amplitude * np.exp(1j * (2.0 * np.pi * cycles + phase_rad))
    # Pass band flat to 0.01 dB; the image of a real tone is 80 dB down.
    tolerance = 10.0 ** (0.01 / 20.0) - 1.0 + 1e-4
    np.testing.assert_allclose(output.samples[:, 0], expected, atol=amplitude * tolerance)


def test_conjugate_input_around_the_center_gives_conjugate_output() -> None:
    samples = noise(COMPLEX, np.complex64, 1000)
    mirrored = dataclasses.replace(
        COMPLEX, frequencies_hz=tuple(2.0e6 - f for f in COMPLEX.frequencies_hz)
    )
    one = DownConverter(COMPLEX).process(samples, 0)
    other = DownConverter(mirrored).process(np.conj(samples), 0)
    np.testing.assert_allclose(np.conj(other.samples), one.samples, atol=ROUNDING)


@pytest.mark.parametrize(("config", "dtype"), CASES)
def test_copy_goes_on_alike_and_apart(config: DownConverterConfig, dtype: type) -> None:
    samples = noise(config, dtype, 1000)
    converter = DownConverter(config)
    converter.process(samples[:511], 0)
    twin = converter.copy()
    expected = converter.process(samples[511:], 511)
    np.testing.assert_array_equal(twin.process(samples[511:], 511).samples, expected.samples)
    assert repr(twin) == repr(converter)


@pytest.mark.parametrize(("config", "dtype"), CASES)
def test_reset_equals_new(config: DownConverterConfig, dtype: type) -> None:
    samples = noise(config, dtype, 1000)
    converter = DownConverter(config)
    converter.process(samples[:777], 0)
    converter.reset(5000)
    expected = DownConverter(config, 5000).process(samples, 5000)
    again = converter.process(samples, 5000)
    np.testing.assert_array_equal(again.samples, expected.samples)
    np.testing.assert_array_equal(again.center_indices, expected.center_indices)


@pytest.mark.parametrize(("config", "dtype"), CASES)
def test_retune_loses_no_output_and_refers_to_the_new_frequency(
    config: DownConverterConfig, dtype: type
) -> None:
    samples = noise(config, dtype, 2000)
    converter = DownConverter(config)
    before = converter.process(samples[:1003], 0)
    new_hz = tuple(f + 12.5 for f in config.frequencies_hz)
    converter.retune(new_hz)
    after = converter.process(samples[1003:], 1003)
    always_new = DownConverter(dataclasses.replace(config, frequencies_hz=new_hz))
    expected = always_new.process(samples, 0).samples[len(before.samples) :]
    np.testing.assert_allclose(after.samples, expected, atol=ROUNDING * unit(dtype))
    assert converter.frequencies_hz == new_hz


def test_a_copy_is_not_retuned_with_its_original() -> None:
    samples = noise(REAL, np.float32, 1000)
    converter = DownConverter(REAL)
    converter.process(samples[:500], 0)
    twin = converter.copy()
    converter.retune((7000.0, 8000.0))
    whole = DownConverter(REAL).process(samples, 0).samples
    tail = twin.process(samples[500:], 500).samples
    np.testing.assert_allclose(tail, whole[-len(tail) :], atol=ROUNDING)


def test_nan_spoils_only_the_windows_that_hold_it() -> None:
    samples = noise(REAL, np.float32, 3000)
    samples[1500] = np.nan
    converter = DownConverter(REAL)
    output = converter.process(samples, 0)
    spoilt = np.isnan(output.samples).any(axis=1)
    # A NaN spoils its whole row of 25 samples, and each row is in 7 windows.
    assert spoilt.sum() == 7
    assert np.all(np.abs(output.center_indices[spoilt] - 1500) <= 87 + 25)


def test_a_gap_is_refused() -> None:
    converter = DownConverter(REAL)
    converter.process(noise(REAL, np.float32, 100), 0)
    with pytest.raises(ValueError, match="100 was due"):
        converter.process(noise(REAL, np.float32, 100), 101)


@pytest.mark.parametrize(("config", "dtype"), [(REAL, np.complex64), (COMPLEX, np.float32)])
def test_the_wrong_kind_of_samples_is_refused(config: DownConverterConfig, dtype: type) -> None:
    with pytest.raises(ValueError, match="are due"):
        DownConverter(config).process(np.zeros(10, dtype), 0)


def test_samples_in_two_dimensions_are_refused() -> None:
    with pytest.raises(ValueError, match="one dimension"):
        DownConverter(REAL).process(np.zeros((10, 2), np.float32), 0)


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"sample_rate_hz": 0.0}, "sample_rate_hz"),
        ({"sample_rate_hz": float("nan")}, "sample_rate_hz"),
        ({"center_hz": float("inf"), "complex_input": False}, "center_hz"),
        ({"decimation": 2}, "decimation"),
        ({"taps_per_phase": 5}, "taps_per_phase is 5; the stop band needs at least 6"),
        ({"pass_band_hz": 1000.0}, "pass_band_hz"),
        ({"pass_band_hz": 0.0}, "pass_band_hz"),
        ({"stop_attenuation_db": 10.0}, "stop_attenuation_db"),
        ({"frequencies_hz": ()}, "frequencies_hz"),
        ({"frequencies_hz": (30e3,)}, "30000.0 Hz"),
        ({"frequencies_hz": (100.0,)}, "100.0 Hz"),
        ({"frequencies_hz": (float("nan"),)}, "nan Hz"),
    ],
)
def test_a_bad_config_is_refused_with_its_value(change: dict, named: str) -> None:
    with pytest.raises(InputError, match=named):
        dataclasses.replace(REAL, **change)


def test_retune_outside_the_stream_is_refused() -> None:
    converter = DownConverter(REAL)
    with pytest.raises(InputError, match="outside the stream"):
        converter.retune((6000.0, 26e3))
    with pytest.raises(ValueError, match="2 columns"):
        converter.retune((6000.0,))


def test_complex_samples_around_zero_are_possible() -> None:
    config = dataclasses.replace(COMPLEX, center_hz=0.0, complex_input=True, frequencies_hz=(-9.0,))
    samples = rotation(counts_per_sample(-9.0, 50e3), 0, 1000).astype(np.complex64)
    output = DownConverter(config).process(samples, 0)
    np.testing.assert_allclose(output.samples, 1.0, atol=ROUNDING)


def test_decimation_comes_nearest_to_the_wanted_rate() -> None:
    assert decimation_for(50e3, 400.0) == 125
    assert decimation_for(50e3, 1e6) == 3
