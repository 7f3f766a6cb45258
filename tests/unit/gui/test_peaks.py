"""Neighbours of a line: found, and not invented."""

from __future__ import annotations

import numpy as np

from gui.models.peaks import neighbours_hz

OFFSETS_HZ = np.linspace(-25.0, 25.0, 400)
RESOLUTION_HZ = 0.25


def noise(seed: int) -> np.ndarray:
    """Amplitudes of white noise: Rayleigh distributed."""
    pairs = np.random.default_rng(seed).standard_normal((2, len(OFFSETS_HZ)))
    return np.hypot(*pairs)


def test_noise_alone_has_no_neighbours() -> None:
    # One point in exp(-25) lies above the limit: over 50 spectra of 400, 3e-7 of a false one. The
    # median over 51 points is known to a tenth or so, which raises that to less than 1e-3.
    found = [neighbours_hz(OFFSETS_HZ, noise(seed), RESOLUTION_HZ, 0.0) for seed in range(50)]
    assert found == [[]] * 50


def test_a_neighbour_is_found_and_the_tracked_line_is_none() -> None:
    spectrum = noise(1)
    line, neighbour = np.searchsorted(OFFSETS_HZ, (0.0, 9.0))
    spectrum[line], spectrum[neighbour] = 1e4, 60.0
    [(offset_hz, density)] = neighbours_hz(OFFSETS_HZ, spectrum, RESOLUTION_HZ, OFFSETS_HZ[line])
    assert offset_hz == OFFSETS_HZ[neighbour] and density == 60.0


def test_the_skirt_of_the_line_is_no_neighbour() -> None:
    skirt = noise(2) + 1e3 / (1.0 + np.abs(OFFSETS_HZ / RESOLUTION_HZ))
    assert neighbours_hz(OFFSETS_HZ, skirt, RESOLUTION_HZ, 0.0) == []


def test_noise_on_a_steep_skirt_is_no_neighbour() -> None:
    """As beside a driven line whose phase noise reaches far above the floor."""
    away_hz = np.maximum(np.abs(OFFSETS_HZ), RESOLUTION_HZ)
    for seed in range(50):
        skirt = noise(seed) * (1.0 + (3.0 / away_hz) ** 4)
        assert neighbours_hz(OFFSETS_HZ, skirt, RESOLUTION_HZ, 0.0) == []


def test_a_neighbour_on_the_skirt_is_found_where_it_stands_out() -> None:
    away_hz = np.maximum(np.abs(OFFSETS_HZ), RESOLUTION_HZ)
    skirt = 1.0 + (3.0 / away_hz) ** 4
    place = int(np.searchsorted(OFFSETS_HZ, 4.0))
    skirt[place] = 1e3
    assert neighbours_hz(OFFSETS_HZ, skirt, RESOLUTION_HZ, 0.0) == [(OFFSETS_HZ[place], 1e3)]


def test_a_spectrum_of_a_few_points_is_left_alone() -> None:
    assert neighbours_hz(OFFSETS_HZ[:5], np.ones(5), RESOLUTION_HZ, None) == []
