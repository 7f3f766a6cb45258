"""The first fit: both lines from the first part that holds them, and nothing gets lost."""

from __future__ import annotations

import numpy as np
import pytest

from controller.replay_loops.first_fit import STEPS_PER_FIRST_FIT, FirstFit, FirstPart

RATE_HZ, SPACING_HZ, NOISE_HZ = 8.0, 1.0, 4.0
EVERY = 50  # samples of the stream from one of the baseband to the next


def two_lines(count: int) -> np.ndarray:
    """Steady lines, their noise a thousandth of them."""
    times_s = np.arange(count) / RATE_HZ
    rng = np.random.default_rng(4)
    noise = 1.0e-3 * (rng.standard_normal(count) + 1j * rng.standard_normal(count))
    upper, lower = (np.exp(2j * np.pi * hz * times_s) for hz in (0.51, -0.5))
    return upper + 0.5 * lower + noise


def silence(count: int) -> np.ndarray:
    return np.zeros(count, np.complex128)


def fitted(fit: FirstFit, samples: np.ndarray, first: int = 0) -> FirstPart | None:
    """The part that fits, if one does before the samples end."""
    for n, sample in enumerate(samples):
        part = fit.process(complex(sample), (first + n) * EVERY)
        if part is not None:
            return part
    return None


def made() -> FirstFit:
    return FirstFit(RATE_HZ, SPACING_HZ, NOISE_HZ)


def test_lines_are_fitted_as_soon_as_a_part_is_long_enough() -> None:
    fit = made()
    part = fitted(fit, two_lines(100))
    assert part is not None and len(part.samples) == fit.length
    assert fit.length_s == fit.length / RATE_HZ >= 3.0 / SPACING_HZ  # three beats
    lower, upper = part.fit.lines
    # Five sigmas of a fit that says how well it knows.
    assert abs(lower.frequency_hz + 0.5) < 5.0 * lower.frequency_sigma_hz
    assert abs(upper.frequency_hz - 0.51) < 5.0 * upper.frequency_sigma_hz
    assert (fit.has_tried, fit.has_fitted, fit.given_up()) == (True, True, [])


def test_a_part_without_lines_is_moved_on_by_a_sixth() -> None:
    fit = made()
    assert fitted(fit, silence(fit.length)) is None
    step = fit.length // STEPS_PER_FIRST_FIT
    assert fit.given_up() == [n * EVERY for n in range(step)]
    assert fit.given_up() == []
    assert (fit.has_tried, fit.has_fitted) == (True, False)


def test_every_sample_is_given_up_or_part_of_the_fit() -> None:
    fit = made()
    samples = np.concatenate((silence(37), two_lines(100)))
    part = fitted(fit, samples)
    assert part is not None
    centers = fit.given_up() + [center for _, center in part.samples]
    assert centers == [n * EVERY for n in range(len(centers))]


def test_an_interruption_gives_up_what_was_heard() -> None:
    fit = made()
    assert fitted(fit, two_lines(fit.length - 1)) is None
    fit.interrupt()
    assert len(fit.given_up()) == fit.length - 1
    assert fitted(fit, two_lines(fit.length - 1)) is None and not fit.has_tried


@pytest.mark.parametrize("rate_hz", [8.0, 2.0])
def test_a_part_is_long_enough_for_a_fit_at_any_rate(rate_hz: float) -> None:
    assert FirstFit(rate_hz, SPACING_HZ, NOISE_HZ).length >= 12


def test_copy_goes_on_alike_and_reset_forgets() -> None:
    fit = made()
    fitted(fit, two_lines(fit.length - 1))
    other, last = fit.copy(), complex(two_lines(fit.length)[-1])
    fit.reset()
    assert fit.process(last, 0) is None
    assert other.process(last, 0) is not None
    assert repr(fit) == f"FirstFit(1 of {fit.length} samples)"
