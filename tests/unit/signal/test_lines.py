"""The line fit: exact on clean records, equivariant, honest about bad input."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from controller.signal.lines import fit_lines

RATE_HZ = 100.0
TIMES_S = np.arange(400) / RATE_HZ

# What float64 leaves of a clean record of 400 samples.
CLEAN = 1e-9


def record(*lines: tuple[complex, float, float], noise: float = 0.0, seed: int = 0) -> NDArray:
    """Sum of (amplitude, frequency_hz, decay_rate_per_s), noise per quadrature."""
    rng = np.random.default_rng(seed)
    samples = noise * (rng.standard_normal(400) + 1j * rng.standard_normal(400))
    for amplitude, frequency_hz, decay_rate_per_s in lines:
        samples += amplitude * np.exp((2j * np.pi * frequency_hz - decay_rate_per_s) * TIMES_S)
    return samples


@settings(derandomize=True, deadline=None, max_examples=40)
@given(
    st.floats(-40.0, 40.0),
    st.floats(0.0, 5.0),
    st.floats(-3.0, 3.0),
    st.floats(-0.1, 0.1),
)
def test_a_clean_damped_line_is_found_exactly(
    frequency_hz: float, decay_rate_per_s: float, phase_rad: float, guess_error_hz: float
) -> None:
    samples = record((2.0 * np.exp(1j * phase_rad), frequency_hz, decay_rate_per_s))
    line = fit_lines(samples, RATE_HZ, [frequency_hz + guess_error_hz]).lines[0]
    assert line.frequency_hz == pytest.approx(frequency_hz, abs=CLEAN)
    assert line.decay_rate_per_s == pytest.approx(decay_rate_per_s, abs=10 * CLEAN)
    assert abs(line.amplitude - 2.0 * np.exp(1j * phase_rad)) < 10 * CLEAN


@pytest.mark.parametrize("count", [1, 2, 3, 4])
@pytest.mark.parametrize("damped", [False, True])
def test_clean_lines_are_found_together(count: int, damped: bool) -> None:
    truth = [(1.0 + 0.5j, -20.0, 0.1), (2.0, 7.3, 0.3), (0.01j, 8.0, 0.2), (3.0, 30.0, 0.0)][:count]
    if not damped:
        truth = [(amplitude, frequency_hz, 0.0) for amplitude, frequency_hz, _ in truth]
    guesses_hz = [frequency_hz + 0.04 for _, frequency_hz, _ in truth]
    fit = fit_lines(record(*truth), RATE_HZ, guesses_hz, damped=damped)
    for line, (amplitude, frequency_hz, decay_rate_per_s) in zip(fit.lines, truth, strict=True):
        # The line of amplitude 0.01 is known 100 times less well.
        assert line.frequency_hz == pytest.approx(frequency_hz, abs=100 * CLEAN)
        assert line.decay_rate_per_s == pytest.approx(decay_rate_per_s, abs=1000 * CLEAN)
        assert abs(line.amplitude - amplitude) < 10 * CLEAN
    assert np.max(np.abs(fit.residuals)) < 10 * CLEAN


def test_a_given_decay_is_a_start_value_only() -> None:
    samples = record((1.0, 5.0, 0.5))
    fit = fit_lines(samples, RATE_HZ, [5.01], decay_guesses_per_s=[2.0])
    assert fit.lines[0].decay_rate_per_s == pytest.approx(0.5, abs=CLEAN)


@settings(derandomize=True, deadline=None, max_examples=20)
@given(st.floats(-20.0, 20.0), st.floats(0.01, 100.0), st.floats(-3.0, 3.0))
def test_shift_turn_and_scale_of_a_noisy_record(
    shift_hz: float, scale: float, turn_rad: float
) -> None:
    samples = record((1.0, 5.0, 0.5), noise=0.1)
    changed = samples * scale * np.exp(1j * (2.0 * np.pi * shift_hz * TIMES_S + turn_rad))
    one = fit_lines(samples, RATE_HZ, [5.02])
    other = fit_lines(changed, RATE_HZ, [5.02 + shift_hz])
    # The search ends within a few 1e-8 standard deviations of the minimum.
    assert other.lines[0].frequency_hz - shift_hz == pytest.approx(
        one.lines[0].frequency_hz, abs=1e-4 * one.lines[0].frequency_sigma_hz
    )
    assert other.lines[0].magnitude == pytest.approx(scale * one.lines[0].magnitude, rel=1e-5)
    assert other.noise_density == pytest.approx(scale * one.noise_density, rel=1e-6)
    to_scale = np.array([1.0, 1.0, scale, 1.0])
    np.testing.assert_allclose(
        np.diag(other.covariance), to_scale**2 * np.diag(one.covariance), rtol=1e-3
    )


def test_conjugation_flips_frequency_and_phase() -> None:
    samples = record((1j, 5.0, 0.5), noise=0.1)
    one = fit_lines(samples, RATE_HZ, [5.0]).lines[0]
    other = fit_lines(np.conj(samples), RATE_HZ, [-5.0]).lines[0]
    assert other.frequency_hz == pytest.approx(-one.frequency_hz, abs=1e-4 * one.frequency_sigma_hz)
    assert other.phase_rad == pytest.approx(-one.phase_rad, abs=1e-4 * one.phase_sigma_rad)


def test_amplitude_and_sigmas_at_a_later_time() -> None:
    # Starting the record 1 s later must tell the same about that instant.
    samples = record((1.0 + 1.0j, 5.0, 0.5))
    line = fit_lines(samples, RATE_HZ, [5.0], noise_density=0.01).lines[0]
    assert line.amplitude_at(0.0) == line.amplitude
    expected = (1.0 + 1.0j) * np.exp(-0.5)
    assert abs(line.amplitude_at(1.0) - expected) < 10 * CLEAN
    assert line.phase_sigma_at_rad(0.0) == line.phase_sigma_rad
    assert line.magnitude_sigma_at(0.0) == line.magnitude_sigma
    # Phase and log-magnitude of a damped line are known equally well.
    assert line.phase_sigma_at_rad(1.0) == pytest.approx(
        line.magnitude_sigma_at(1.0) / abs(expected), rel=1e-6
    )


def test_the_phase_is_known_best_in_the_middle() -> None:
    line = fit_lines(record((1.0, 5.0, 0.0)), RATE_HZ, [5.0], damped=False, noise_density=0.01)
    sigmas = [line.lines[0].phase_sigma_at_rad(time_s) for time_s in (0.0, 2.0, 4.0)]
    # At the ends twice as uncertain as in the middle, to 1/n.
    assert sigmas[0] / sigmas[1] == pytest.approx(2.0, rel=0.01)
    assert sigmas[2] / sigmas[1] == pytest.approx(2.0, rel=0.01)


def test_noise_density_counts_the_bandwidth_of_the_record() -> None:
    samples = record((1.0, 5.0, 0.0), noise=0.1)
    white = fit_lines(samples, RATE_HZ, [5.0])
    filtered = fit_lines(samples, RATE_HZ, [5.0], noise_bandwidth_hz=25.0)
    assert filtered.noise_density == pytest.approx(2.0 * white.noise_density)
    assert filtered.lines[0].frequency_sigma_hz == pytest.approx(
        2.0 * white.lines[0].frequency_sigma_hz
    )


def test_covariance_of_what_is_not_fitted_is_zero() -> None:
    fit = fit_lines(record((1.0, 5.0, 0.0), noise=0.1), RATE_HZ, [5.0], damped=False)
    assert fit.lines[0].decay_rate_per_s == 0.0
    assert fit.lines[0].decay_rate_sigma_per_s == 0.0


def test_the_difference_of_far_lines_adds_in_squares() -> None:
    fit = fit_lines(record((1.0, 5.0, 0.0), (1.0, 30.0, 0.0), noise=0.1), RATE_HZ, [5.0, 30.0])
    apart = np.hypot(*(line.frequency_sigma_hz for line in fit.lines))
    # 100 resolution widths apart: correlated to about 1/100.
    assert fit.difference_sigma_hz(1, 0) == pytest.approx(apart, rel=0.02)


def test_a_silent_record_gives_no_line_and_no_error() -> None:
    line = fit_lines(np.zeros(50, complex), RATE_HZ, [1.0]).lines[0]
    assert line.magnitude == 0.0


@pytest.mark.parametrize(
    ("samples", "guesses_hz", "named"),
    [
        (np.zeros(50, complex), [], "guesses_hz"),
        (np.zeros(50, complex), [1.0] * 5, "guesses_hz"),
        (np.zeros(4, complex), [1.0, 2.0], "shape"),
        (np.zeros((50, 1), complex), [1.0], "shape"),
        (np.full(50, np.nan, complex), [1.0], "finite"),
    ],
)
def test_bad_input_is_refused(samples: NDArray, guesses_hz: list[float], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        fit_lines(samples, RATE_HZ, guesses_hz)


def test_decay_guesses_must_be_as_many_as_lines() -> None:
    with pytest.raises(ValueError, match="decay_guesses_per_s"):
        fit_lines(np.zeros(50, complex), RATE_HZ, [1.0], decay_guesses_per_s=[1.0, 2.0])
