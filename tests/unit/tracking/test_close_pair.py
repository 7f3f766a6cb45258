"""The joint tracker of two close lines: the facts of every streaming object, and its means."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.signal.lines import LinesFit, fit_lines
from controller.tracking import close_pair
from controller.tracking.close_pair import ClosePair, ClosePairConfig, PairEstimate

RATE_HZ = 8.0
SPACING_HZ = 1.3
FIRST_FIT_SAMPLES = 24
CONFIG = ClosePairConfig(rate_hz=RATE_HZ, spacing_hz=SPACING_HZ)


def baseband(
    count: int = 96,
    *,
    seed: int = 0,
    noise: float = 1e-3,
    offsets_hz: tuple[float, float] = (-0.65, 0.65),
    growths_per_s: tuple[float, float] = (-0.1, -0.05),
) -> np.ndarray:
    """Two damped lines in white noise, `noise` in each quadrature of a sample."""
    rng = np.random.default_rng(seed)
    times_s = np.arange(count) / RATE_HZ
    lines = sum(
        amplitude * np.exp((2j * np.pi * offset_hz + growth) * times_s + 1j * phase_rad)
        for amplitude, offset_hz, growth, phase_rad in zip(
            (1.0, 0.4), offsets_hz, growths_per_s, (0.7, -1.9), strict=True
        )
    )
    return lines + noise * (rng.standard_normal(count) + 1j * rng.standard_normal(count))


def first_fit(samples: np.ndarray, guesses_hz: tuple[float, float] = (-0.65, 0.65)) -> LinesFit:
    """The fit that a pair begins with."""
    return fit_lines(samples[:FIRST_FIT_SAMPLES], RATE_HZ, guesses_hz)


def followed(samples: np.ndarray, pair: ClosePair | None = None) -> tuple[ClosePair, list]:
    """A pair led through samples, and its estimates."""
    if pair is None:
        pair = ClosePair(CONFIG)
        pair.start(first_fit(samples))
    estimates = [
        pair.process(complex(sample), 1.0 / RATE_HZ if place else 0.0)
        for place, sample in enumerate(samples)
    ]
    return pair, estimates


def test_both_lines_are_followed_within_their_sigmas() -> None:
    _, estimates = followed(baseband())
    last: PairEstimate = estimates[-1]
    time_s = 95 / RATE_HZ
    for line, offset_hz, growth, amplitude in zip(
        last.lines, (-0.65, 0.65), (-0.1, -0.05), (1.0, 0.4), strict=True
    ):
        assert abs(line.offset_hz - offset_hz) < 4.0 * line.offset_sigma_hz < 0.05
        assert abs(line.growth_per_s - growth) < 4.0 * line.growth_sigma_per_s
        expected = amplitude * math.exp(growth * time_s)
        assert abs(line.amplitude - expected) < 4.0 * line.amplitude_sigma
    assert abs(last.spacing_hz - SPACING_HZ) < 4.0 * last.spacing_sigma_hz


def test_a_copy_goes_on_alike_and_apart() -> None:
    samples = baseband()
    pair, _ = followed(samples[:50])
    twin = pair.copy()
    once = [pair.process(complex(sample), 1.0 / RATE_HZ) for sample in samples[50:]]
    again = [twin.process(complex(sample), 1.0 / RATE_HZ) for sample in samples[50:]]
    assert once == again


def test_reset_is_as_new() -> None:
    samples = baseband()
    pair, _ = followed(samples[::-1])
    pair.reset()
    assert not pair.has_lines
    assert repr(pair) == repr(ClosePair(CONFIG))
    pair.start(first_fit(samples))
    assert followed(samples, pair)[1] == followed(samples)[1]


def test_its_text_shows_the_spacing() -> None:
    pair, _ = followed(baseband())
    assert repr(ClosePair(CONFIG)) == "ClosePair(no lines yet)"
    assert "spacing 1.3" in repr(pair)
    assert "±" in repr(pair)


@pytest.mark.parametrize(
    ("rate_hz", "spacing_hz", "bandwidth_hz"),
    [(0.0, 1.0, None), (8.0, -1.0, None), (8.0, 1.0, -2.0), (math.nan, 1.0, None)],
)
def test_an_impossible_baseband_is_refused_with_its_values(
    rate_hz: float, spacing_hz: float, bandwidth_hz: float | None
) -> None:
    with pytest.raises(ValueError, match="have to be positive"):
        ClosePairConfig(rate_hz=rate_hz, spacing_hz=spacing_hz, noise_bandwidth_hz=bandwidth_hz)


def test_samples_before_a_start_and_times_that_run_backwards_are_refused() -> None:
    with pytest.raises(ValueError, match=r"start\(\) comes before"):
        ClosePair(CONFIG).process(1.0 + 0j, 0.1)
    pair, _ = followed(baseband())
    with pytest.raises(ValueError, match=r"duration_s is -0\.1"):
        pair.process(1.0 + 0j, -0.1)


def test_phases_go_on_over_a_gap() -> None:
    samples = baseband(120)
    pair, _ = followed(samples[:60])
    before = pair.estimate()
    sigmas_rad = pair.phase_sigmas_after_rad(16 / RATE_HZ)
    after = pair.process(complex(samples[75]), 16 / RATE_HZ)
    assert all(
        predicted > line.phase_sigma_rad
        for predicted, line in zip(sigmas_rad, before.lines, strict=True)
    )
    # A phase that was lost would throw frequency and innovation far off.
    assert abs(after.spacing_hz - SPACING_HZ) < 4.0 * after.spacing_sigma_hz
    assert after.innovation_ratio < before.innovation_ratio + 0.05 * 8.0


def test_a_click_moves_no_line_far() -> None:
    samples = baseband()
    pair, _ = followed(samples[:60])
    before = pair.estimate()
    after = pair.process(complex(samples[60]) + 0.5, 1.0 / RATE_HZ)
    for line, old in zip(after.lines, before.lines, strict=True):
        allowed = close_pair.LARGEST_STEP_SIGMAS * math.hypot(
            line.offset_sigma_hz, old.offset_sigma_hz
        )
        assert abs(line.offset_hz - old.offset_hz) < allowed


def test_noise_is_learnt() -> None:
    quiet, loud = (followed(baseband(200, noise=noise))[1][-1].noise for noise in (1e-3, 1e-2))
    # Eight updates of two quadratures: 25 % rms on the variance.
    assert quiet == pytest.approx(1e-3, rel=0.35)
    assert loud == pytest.approx(1e-2, rel=0.35)


def test_lines_without_noise_are_followed() -> None:
    _, estimates = followed(baseband(noise=0.0))
    assert abs(estimates[-1].spacing_hz - SPACING_HZ) < 1e-6


def test_a_smoothed_record_has_one_moment_for_each_update() -> None:
    pair, estimates = followed(baseband())
    assert len(pair.smoothed()) == len(estimates)


def test_a_mean_is_known_better_than_any_moment_before_smoothing() -> None:
    pair, estimates = followed(baseband())
    smoothed = pair.smoothed()
    every = np.full(len(smoothed), True)
    spacing = smoothed.spacing_hz(every)
    assert spacing.sigma < min(estimate.spacing_sigma_hz for estimate in estimates)
    assert abs(spacing.value - SPACING_HZ) < 4.0 * math.hypot(spacing.sigma, spacing.spread)
    assert smoothed.growth_per_s(0, every).value == pytest.approx(-0.1, abs=0.01)
    assert smoothed.amplitude(0, every) == pytest.approx(1.0, abs=0.02)


def test_only_what_is_used_counts() -> None:
    samples = baseband()
    pair, _ = followed(samples)
    smoothed = pair.smoothed()
    late = np.arange(len(smoothed)) >= 80
    assert smoothed.amplitude(0, late) == pytest.approx(math.exp(-0.1 * 80 / RATE_HZ), abs=0.02)
    # One single moment: its mean is itself, and it has no spread.
    assert smoothed.spacing_hz(np.arange(len(smoothed)) == 40).spread == 0.0


def test_a_long_record_keeps_its_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(close_pair, "KEPT_PART_UPDATES", 30)
    pair, _ = followed(baseband(100))
    assert 30 <= len(pair.smoothed()) <= 60


@settings(deadline=None, max_examples=8, derandomize=True)
@given(phase_rad=st.floats(-math.pi, math.pi), exponent=st.integers(-20, 20))
def test_phase_and_scale_of_the_baseband_do_not_matter(phase_rad: float, exponent: int) -> None:
    samples = baseband(60)
    turned = samples * np.exp(1j * phase_rad) * 2.0**exponent
    plain, other = followed(samples)[1][-1], followed(turned)[1][-1]
    assert other.spacing_hz == pytest.approx(plain.spacing_hz, abs=1e-3 * plain.spacing_sigma_hz)
    assert other.spacing_sigma_hz == pytest.approx(plain.spacing_sigma_hz, rel=1e-3)
    for line, twin in zip(plain.lines, other.lines, strict=True):
        assert twin.amplitude == pytest.approx(2.0**exponent * line.amplitude, rel=1e-6)


@settings(deadline=None, max_examples=4, derandomize=True)
@given(seed=st.integers(0, 1000))
def test_conjugation_swaps_the_lines(seed: int) -> None:
    samples = baseband(60, seed=seed)
    conjugate = np.conj(samples)
    mirrored = ClosePair(CONFIG)
    mirrored.start(first_fit(conjugate))
    plain, other = followed(samples)[1][-1], followed(conjugate, mirrored)[1][-1]
    for line, twin in zip(plain.lines, reversed(other.lines), strict=True):
        assert twin.offset_hz == pytest.approx(-line.offset_hz, abs=1e-3 * line.offset_sigma_hz)
        assert twin.amplitude == pytest.approx(line.amplitude, rel=1e-6)
    assert other.spacing_hz == pytest.approx(plain.spacing_hz, abs=1e-3 * plain.spacing_sigma_hz)
