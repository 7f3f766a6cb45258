"""Capture and rivals on known lines: phases, delays, lags, splits, complaints."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from controller.errors import InputError
from controller.instrument import StreamFormat
from controller.limits.rivals import (
    BasebandCapture,
    Basebands,
    fixed_loop_differences_hz,
    independent_filters_difference_hz,
    polynomial_difference_hz,
    single_mode_model,
)
from controller.records import ModeId
from controller.tracking.limits import DifferenceModel, SharedDrift
from controller.tracking.loop_figures import second_order_gains
from controller.tracking.phase_model import PhaseModel

MIX_HZ = (731_000.0, 737_500.0)
COMPLEX = StreamFormat(50_000.0, 735_000.0, "complex64", 1.0, 10.0)
REAL = StreamFormat(50_000.0, 0.0, "float32", 1.0, 10.0)
REAL_MIX_HZ = (7_000.0, 13_500.0)
RIPPLE = 1.0e-4  # of the pass band, as the capture states
FLOAT32 = 2.0**-24  # relative rounding of a sample


def line(stream: StreamFormat, frequency_hz: float, turns: float, count: int) -> np.ndarray:
    """A steady line of amplitude 1, complex, from sample 0."""
    times_s = np.arange(count) / stream.sample_rate_hz
    return np.exp(2j * np.pi * ((frequency_hz - stream.center_hz) * times_s + turns))


def captured(
    stream: StreamFormat, mix_hz: tuple[float, float], samples: np.ndarray, first_index: int = 0
) -> Basebands:
    capture = BasebandCapture(stream, mix_hz)
    capture.process(samples, first_index)
    return capture.basebands()


def basebands_of(turns: np.ndarray, rate_hz: float = 400.0) -> Basebands:
    """Lines of amplitude 1 with given phases about the mix frequencies, shape (n, 2)."""
    return Basebands(
        samples=np.exp(2j * np.pi * turns),
        times_s=np.arange(len(turns)) / rate_hz,
        rate_hz=rate_hz,
        mix_hz=MIX_HZ,
    )


def ramps(offsets_hz: tuple[float, float], rates_hz_per_s: tuple[float, float]) -> Basebands:
    """Ten seconds of two lines whose frequencies move steadily."""
    times_s = np.arange(4000)[:, np.newaxis] / 400.0
    return basebands_of(
        np.array(offsets_hz) * times_s + np.array(rates_hz_per_s) * times_s**2 / 2.0 + (0.1, 0.7)
    )


def start_of(offsets_hz: tuple[float, float]) -> tuple[float, float]:
    return MIX_HZ[0] + offsets_hz[0], MIX_HZ[1] + offsets_hz[1]


# --- the capture ---------------------------------------------------------------------------


@pytest.mark.parametrize("offset_hz", [-40.0, -13.0, 0.0, 40.0])
def test_a_line_keeps_amplitude_and_phase(offset_hz: float) -> None:
    frequencies_hz = MIX_HZ[0] + offset_hz, MIX_HZ[1] - offset_hz
    samples = line(COMPLEX, frequencies_hz[0], 0.2, 20_000)
    samples += 0.5 * line(COMPLEX, frequencies_hz[1], 0.9, 20_000)
    found = captured(COMPLEX, MIX_HZ, samples.astype(np.complex64))
    for column, (amplitude, turns) in enumerate(((1.0, 0.2), (0.5, 0.9))):
        beat_hz = frequencies_hz[column] - MIX_HZ[column]
        expected = amplitude * np.exp(2j * np.pi * (beat_hz * found.times_s + turns))
        # Ripple of the line, and the other mode through the stop band.
        np.testing.assert_allclose(found.samples[:, column], expected, atol=2 * RIPPLE)


@pytest.mark.parametrize(("dtype", "scale"), [("float32", 1.0), ("int16", 20_000.0)])
def test_a_real_stream_gives_peak_amplitudes_in_its_units(dtype: str, scale: float) -> None:
    exact = scale * line(REAL, REAL_MIX_HZ[1] + 17.0, 0.3, 20_000).real
    is_integer = dtype == "int16"
    samples = (np.rint(exact) if is_integer else exact).astype(dtype)
    found = captured(replace(REAL, dtype=dtype), REAL_MIX_HZ, samples)
    expected = scale * np.exp(2j * np.pi * (17.0 * found.times_s + 0.3))
    # Half a unit of rounding, twice for a real stream, times the sum of the taps' moduli, below 2.
    tolerance = RIPPLE * scale + 2.0 * is_integer
    np.testing.assert_allclose(found.samples[:, 1], expected, atol=tolerance)
    assert np.abs(found.samples[:, 0]).max() < tolerance


def test_a_moving_line_has_its_phase_at_the_stated_times() -> None:
    rate_hz_per_s = 40.0
    times_s = np.arange(40_000) / COMPLEX.sample_rate_hz
    turns = -16.0 * times_s + rate_hz_per_s * times_s**2 / 2.0
    offset_hz = MIX_HZ[0] - COMPLEX.center_hz
    samples = np.exp(2j * np.pi * (offset_hz * times_s + turns)).astype(np.complex64)
    found = captured(COMPLEX, MIX_HZ, samples)
    at_s = found.times_s
    expected = np.exp(2j * np.pi * (-16.0 * at_s + rate_hz_per_s * at_s**2 / 2.0))
    # A sample of delay at 16 Hz would be 2e-3 rad. Within the window of +-10 ms the frequency
    # moves by less than 1 Hz, so all of it stays in the pass band.
    np.testing.assert_allclose(found.samples[:, 0], expected, atol=2 * RIPPLE)


@pytest.mark.parametrize("offset_hz", [-5_000.0, 360.0, 2_000.0, 5_000.0, 5_200.0, 10_000.0])
def test_what_would_alias_is_down_by_90_db(offset_hz: float) -> None:
    """Multiples of 400 Hz land on the mode itself; 360 Hz is the edge."""
    samples = line(COMPLEX, MIX_HZ[0] + offset_hz, 0.0, 20_000).astype(np.complex64)
    found = captured(COMPLEX, MIX_HZ, samples)
    assert np.abs(found.samples[:, 0]).max() < 10.0 ** (-90.0 / 20.0)


def test_the_mirror_image_of_a_real_line_is_down_by_90_db() -> None:
    """5000 Hz and its image, 10000 Hz below, a multiple of the output rate."""
    samples = line(REAL, 5_000.0, 0.0, 20_000).real.astype(np.float32)
    found = captured(REAL, (5_000.0, 13_500.0), samples)
    np.testing.assert_allclose(found.samples[:, 0], 1.0, atol=2e-5 + 10.0 ** (-90.0 / 20.0))


def test_any_split_gives_the_same_basebands() -> None:
    rng = np.random.default_rng(5)
    samples = rng.standard_normal((70_000, 2)).astype(np.float32).view(np.complex64)[:, 0]
    whole = captured(COMPLEX, MIX_HZ, samples, 1_003)
    cuts = np.sort(rng.integers(0, len(samples), 40))
    capture = BasebandCapture(COMPLEX, MIX_HZ)
    for first, end in zip((0, 1, 1, *cuts), (1, 1, *cuts, len(samples)), strict=True):
        capture.process(samples[first:end], 1_003 + first)
        if first % 3 == 0:
            capture.basebands()  # looking does not disturb
    split = capture.basebands()
    np.testing.assert_array_equal(split.samples, whole.samples)
    np.testing.assert_array_equal(split.times_s, whole.times_s)


def test_a_reused_buffer_does_no_harm() -> None:
    samples = line(COMPLEX, MIX_HZ[0], 0.0, 20_000).astype(np.complex64)
    capture, buffer = BasebandCapture(COMPLEX, MIX_HZ), np.empty(1_000, dtype=np.complex64)
    for first in range(0, len(samples), len(buffer)):
        buffer[:] = samples[first : first + len(buffer)]
        capture.process(buffer, first)
    np.testing.assert_array_equal(
        capture.basebands().samples, captured(COMPLEX, MIX_HZ, samples).samples
    )


def test_the_phase_is_exact_after_months() -> None:
    """A mix frequency of 1/64 of the rate: its phase repeats every 64 samples."""
    first_index = 64 * 10**12 + 7
    stream = StreamFormat(50_000.0, 0.0, "complex64", 1.0, 10.0)
    frequency_hz = stream.sample_rate_hz / 64.0
    stream = replace(stream, center_hz=735_000.0)
    turns = (first_index + np.arange(5_000)) % 64 / 64.0
    samples = np.exp(2j * np.pi * turns).astype(np.complex64)
    found = captured(stream, (735_000.0 + frequency_hz, 737_500.0), samples, first_index)
    np.testing.assert_allclose(found.samples[:, 0], 1.0, atol=4 * FLOAT32 + 2e-5)


def test_outputs_stand_at_multiples_of_the_decimation() -> None:
    found = captured(COMPLEX, MIX_HZ, np.zeros(3_000, dtype=np.complex64), 126)
    # Windows reach 500 samples to either side; the first multiple of 125 in the stream is 250.
    indices = 750 + 125 * np.arange(len(found.times_s))
    np.testing.assert_array_equal(found.times_s, indices / 50_000.0)
    assert indices[-1] + 500 < 3_126 <= indices[-1] + 500 + 125


@pytest.mark.parametrize("count", [0, 1, 1_000])
def test_too_short_a_stream_gives_empty_basebands(count: int) -> None:
    found = captured(COMPLEX, MIX_HZ, np.zeros(count, dtype=np.complex64))
    assert found.samples.shape == (0, 2)
    assert found.times_s.shape == (0,)
    assert polynomial_difference_hz(found, 1.0).shape == (0,)
    assert fixed_loop_differences_hz(found, (0.1, 1.0), MIX_HZ).shape == (0, 2)


@pytest.mark.parametrize("rate_hz", [0.0, -400.0, math.nan, 80.0, 40_000.0])
def test_an_unfit_rate_is_refused(rate_hz: float) -> None:
    with pytest.raises(InputError, match="rate_hz is"):
        BasebandCapture(COMPLEX, MIX_HZ, rate_hz)


@pytest.mark.parametrize(
    ("stream", "mix_hz"),
    [(COMPLEX, (709_999.0, 737_500.0)), (COMPLEX, (731_000.0, math.nan)), (REAL, (150.0, 7_000.0))],
)
def test_a_mix_frequency_outside_the_stream_is_refused(
    stream: StreamFormat, mix_hz: tuple[float, float]
) -> None:
    with pytest.raises(InputError, match="mix_hz holds"):
        BasebandCapture(stream, mix_hz)


def test_a_gap_and_a_wrong_kind_of_samples_are_refused() -> None:
    capture = BasebandCapture(COMPLEX, MIX_HZ)
    capture.process(np.zeros(10, dtype=np.complex64), 5)
    with pytest.raises(ValueError, match="starts at sample 16, 15 was due"):
        capture.process(np.zeros(10, dtype=np.complex64), 16)
    with pytest.raises(ValueError, match="complex64 is due"):
        capture.process(np.zeros(10, dtype=np.float32), 15)


# --- the rivals ----------------------------------------------------------------------------

ROUNDING_HZ = 1.0e-9  # phases of some 100 turns to 1e-16 of them, differenced at 400 Hz


def model_of(update_s: float = 1.0 / 400.0) -> DifferenceModel:
    mode = PhaseModel(
        update_s=update_s,
        phase_noise_rad2_s=1e-9,
        phase_diffusion_rad2_per_s=1e-6,
        frequency_walk_hz_per_root_s=3e-3,
    )
    return DifferenceModel(lower=mode, upper=mode)


def test_steady_lines_are_read_exactly() -> None:
    offsets_hz = -11.25, 7.5
    lines, start_hz = ramps(offsets_hz, (0.0, 0.0)), start_of(offsets_hz)
    expected_hz = start_hz[1] - start_hz[0]
    fitted = polynomial_difference_hz(lines, 0.1)
    assert np.isnan(fitted[:39]).all()
    np.testing.assert_allclose(fitted[39:], expected_hz, rtol=0, atol=ROUNDING_HZ)
    looped = fixed_loop_differences_hz(lines, (0.1, 3.0), start_hz)
    assert looped.shape == (4000, 2)
    np.testing.assert_allclose(looped, expected_hz, rtol=0, atol=ROUNDING_HZ)
    filtered = independent_filters_difference_hz(lines, model_of(), start_hz)
    np.testing.assert_allclose(filtered, expected_hz, rtol=0, atol=ROUNDING_HZ)


def test_a_parabola_does_not_lag_a_steady_drift() -> None:
    lines = ramps((1.0, 2.0), (0.5, -0.25))
    fitted = polynomial_difference_hz(lines, 1.0)[399:]
    expected_hz = 6_500.0 + 1.0 - 0.75 * lines.times_s[399:]
    np.testing.assert_allclose(fitted, expected_hz, rtol=0, atol=ROUNDING_HZ)


def test_a_window_longer_than_the_record_leaves_it_undefined() -> None:
    assert np.isnan(polynomial_difference_hz(ramps((1.0, 2.0), (0.0, 0.0)), 11.0)).all()


@pytest.mark.parametrize("bandwidth_hz", [1.0, 3.0])
def test_a_loop_lags_a_steady_drift(bandwidth_hz: float) -> None:
    """By R (K_phase / K_frequency - T / 2): the frequency gains R T an update from the error
    e = R T / K_frequency, and the phase runs at f + R T / 2 = f_loop + K_phase e / T."""
    rates_hz_per_s = 0.02, -0.03
    lines = ramps((1.0, 2.0), rates_hz_per_s)
    looped = fixed_loop_differences_hz(lines, (bandwidth_hz,), start_of((1.0, 2.0)))[:, 0]
    gains = second_order_gains(bandwidth_hz, math.sqrt(0.5), 1.0 / 400.0)
    rate_hz_per_s = rates_hz_per_s[1] - rates_hz_per_s[0]
    lag_hz = rate_hz_per_s * (gains.phase / gains.frequency_per_s - 0.5 / 400.0)
    expected_hz = 6_501.0 + rate_hz_per_s * lines.times_s - lag_hz
    # The transient has the decay rate zeta omega_n = 4/3 B_L and starts at the size of the lag.
    settled = lines.times_s > 7.0
    left_hz = 2.0 * abs(lag_hz) * math.exp(-4.0 / 3.0 * bandwidth_hz * 7.0)
    error_hz = np.abs(looped - expected_hz)[settled].max()
    assert error_hz < left_hz + ROUNDING_HZ


def test_a_narrow_loop_loses_a_fast_line_and_a_wide_one_holds_it() -> None:
    """Static error R / (2 pi omega_n^2 / 2 pi) turns, omega_n = 1.886 B_L: 28 and 0.03."""
    lines = ramps((0.0, 0.0), (0.0, 1.0))
    narrow, wide = fixed_loop_differences_hz(lines, (0.1, 3.0), MIX_HZ)[-1]
    lag_hz = 1.0 * math.sqrt(2.0) / (1.886 * 3.0)
    assert wide == pytest.approx(6_510.0 - lag_hz, abs=0.05 * lag_hz)
    assert narrow < 6_505.0


def test_loops_side_by_side_are_those_alone() -> None:
    rng = np.random.default_rng(3)
    lines = basebands_of(np.cumsum(0.003 * rng.standard_normal((500, 2)), axis=0))
    together = fixed_loop_differences_hz(lines, (0.3, 1.0, 3.0), MIX_HZ)
    for column, bandwidth_hz in enumerate((0.3, 1.0, 3.0)):
        alone = fixed_loop_differences_hz(lines, (bandwidth_hz,), MIX_HZ)
        np.testing.assert_array_equal(together[:, column], alone[:, 0])


def test_all_estimates_are_causal() -> None:
    rng = np.random.default_rng(4)
    turns = np.cumsum(0.003 * rng.standard_normal((500, 2)), axis=0)
    changed = turns.copy()
    changed[300:] += 0.2
    changed[300:, 1] += 0.1
    for estimates in (
        lambda lines: polynomial_difference_hz(lines, 0.1),
        lambda lines: fixed_loop_differences_hz(lines, (1.0,), MIX_HZ)[:, 0],
        lambda lines: independent_filters_difference_hz(lines, model_of(), MIX_HZ),
    ):
        before, after = estimates(basebands_of(turns)), estimates(basebands_of(changed))
        np.testing.assert_array_equal(before[:300], after[:300])
        assert before[300] != after[300]


def test_a_single_mode_takes_all_its_drifts_for_one_walk() -> None:
    model = replace(
        model_of(),
        shared_drifts=(
            SharedDrift(sigma_k=1e-3, time_s=200.0, lower_hz_per_k=40.0, upper_hz_per_k=-40.0),
            SharedDrift(sigma_k=1e-5, time_s=0.02, lower_hz_per_k=12.0, upper_hz_per_k=0.0),
        ),
    )
    # 40 Hz/K 1 mK sqrt(2/200 s) = 4e-3, 12 Hz/K 10 uK sqrt(2/0.02 s) = 1.2e-3; its own is 3e-3.
    lower, upper = (single_mode_model(model, mode) for mode in ModeId)
    assert lower.frequency_walk_hz_per_root_s == pytest.approx(math.sqrt(26.44) * 1e-3)
    assert upper.frequency_walk_hz_per_root_s == pytest.approx(5e-3)
    assert lower.phase_noise_rad2_s == model.lower.phase_noise_rad2_s


def test_unfit_settings_of_the_rivals_are_refused() -> None:
    lines = ramps((0.0, 0.0), (0.0, 0.0))
    for window_s in (0.0, 0.005, math.nan):
        with pytest.raises(InputError, match="window_s is"):
            polynomial_difference_hz(lines, window_s)
    with pytest.raises(InputError, match="noise_bandwidth_hz is"):
        fixed_loop_differences_hz(lines, (1.0, 0.0), MIX_HZ)
    with pytest.raises(InputError, match=r"update_s of the model is 0\.02"):
        independent_filters_difference_hz(lines, model_of(0.02), MIX_HZ)
    still = replace(model_of().lower, frequency_walk_hz_per_root_s=0.0)
    with pytest.raises(InputError, match="frequency_walk_hz_per_root_s is"):
        independent_filters_difference_hz(lines, DifferenceModel(lower=still, upper=still), MIX_HZ)
