"""Window figures against printed tables.

F. J. Harris, Proc. IEEE 66, 51 (1978), Table 1 (noise bandwidth to two
decimals: Hann 1.50, Hamming 1.36, Blackman 1.73); G. Heinzel, A. Ruediger
and R. Schilling, "Spectrum and spectral density estimation by the DFT"
(2002), Table 2 (four decimals). Windows in the periodic form.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import windows

from controller.signal.windows import (
    half_power_width_bins,
    noise_bandwidth_bins,
    scallop_loss_db,
)

# A discrete window of n points meets the figures of the continuous one to 1/n2
# (piecewise linear) or exactly (sums of cosines).
POINTS = 4096


@pytest.mark.parametrize(
    ("name", "bandwidth_bins", "loss_db"),
    [
        ("boxcar", 1.0000, 3.9224),
        ("bartlett", 1.3333, 1.8242),
        ("hann", 1.5000, 1.4236),
        ("hamming", 1.3628, 1.7514),
        ("blackman", 1.7268, 1.0989),
        ("blackmanharris", 2.0044, 0.8256),
        ("nuttall", 1.9761, 0.8506),
    ],
)
def test_noise_bandwidth_and_scallop(name: str, bandwidth_bins: float, loss_db: float) -> None:
    window = windows.get_window(name, POINTS)
    assert noise_bandwidth_bins(window) == pytest.approx(bandwidth_bins, abs=6e-5)
    assert scallop_loss_db(window) == pytest.approx(loss_db, abs=6e-5)


@pytest.mark.parametrize(
    ("coefficients", "bandwidth_bins", "flatness_db"),
    [
        ([1, 1.90796, 1.07349, 0.18199], 3.4129, 0.0065),
        ([1, 1.9383379, 1.3045202, 0.4028270, 0.0350665], 3.8112, 0.0044),
        ([1, 1.942604, 1.340318, 0.440811, 0.043097], 3.8832, 0.0039),
        ([1, 1.9575375, 1.4780705, 0.6367431, 0.1228389, 0.0066288], 4.2186, 0.0028),
    ],
    ids=["HFT70", "HFT95", "HFT90D", "HFT116D"],
)
def test_flat_tops_of_heinzel(
    coefficients: list[float], bandwidth_bins: float, flatness_db: float
) -> None:
    window = windows.general_cosine(POINTS, coefficients, sym=False)
    assert noise_bandwidth_bins(window) == pytest.approx(bandwidth_bins, abs=6e-5)
    # The flatness is the largest deviation within half a bin; half-way it is no more.
    assert abs(scallop_loss_db(window)) <= flatness_db + 6e-5


@pytest.mark.parametrize(
    ("name", "points", "bandwidth_bins"),
    [("hamming", 1000, 1.3638), ("flattop", 10_000, 16.6285 / 4.41), ("hann", 1000, 1.50150)],
)
def test_symmetric_windows_differ_in_the_third_digit(
    name: str, points: int, bandwidth_bins: float
) -> None:
    # Values printed in the manual of a numerics package for symmetric windows.
    window = windows.get_window(name, points, fftbins=False)
    assert noise_bandwidth_bins(window) == pytest.approx(bandwidth_bins, abs=6e-5)


@pytest.mark.parametrize(("name", "width_bins"), [("boxcar", 0.89), ("hann", 1.44)])
def test_half_power_width(name: str, width_bins: float) -> None:
    # Harris 1978, Table 1, 3.0-dB bandwidth.
    window = windows.get_window(name, POINTS)
    assert half_power_width_bins(window) == pytest.approx(width_bins, abs=6e-3)


def test_a_line_half_way_reads_lower_by_the_scallop_loss() -> None:
    window = windows.get_window("hann", 64)
    line = np.exp(2j * np.pi * 10.5 / 64 * np.arange(64))
    reading = np.max(np.abs(np.fft.fft(window * line))) / np.sum(window)
    # The nearest bin is half a bin away, whatever the line.
    assert -20.0 * np.log10(reading) == pytest.approx(scallop_loss_db(window), abs=1e-9)
