"""The informed filter on modes whose every parameter it is given."""

from __future__ import annotations

import cmath
import math
from typing import Any

import numpy as np
import pytest
import scipy.stats

from controller.instrument import StreamFormat, Tone, ToneChannel
from controller.limits.informed import GivenTone, InformedFilter, InformedTrack, informed_config
from controller.limits.rivals import Basebands
from controller.records import ModeId
from tests.support.exchange import exponential

TWO_PI = 2.0 * math.pi
STREAM = StreamFormat(1.0e4, 0.0, "float32", 2.0e-3, 1.0)
RATE_HZ = 100.0
SAMPLES_PER_STEP = 2
DURATION_S = 8.0
MIX_HZ = (1_000.0, 1_640.0)  # in a stream that a mixer brought down
AMPLITUDE_M = 1.0e-9
PUMP_V, PUMP_FROM_S = 0.5, 2.0
DRIVE = Tone("drive_lower", 0, MIX_HZ[0], 0.3, phase_rad=0.7)
PUMP = Tone("pump", round(PUMP_FROM_S * STREAM.sample_rate_hz), 640.0, PUMP_V, phase_rad=-0.4)
CHANNELS = {
    name: ToneChannel(name, "V", 1.0, 1.0, 5.0e3, 0, True, True)
    for name in ("drive_lower", "drive_upper", "pump")
}
LEAK_M = complex(3.0e-11, -2.0e-11)


def mode(frequency_hz: float, mass_kg: float, walk: float, shift: float) -> dict[str, float]:
    return {
        "frequency_hz": frequency_hz,
        "quality_factor": 6.0e7,
        "mass_kg": mass_kg,
        "walk_hz_per_root_s": walk,
        "duffing_self_hz_per_m2": 0.0,
        "duffing_cross_hz_per_m2": 0.0,
        "pump_shift_hz_per_v2": shift,
        "drive_newton_per_unit": 2.0e-14,
    }


DEVICE: dict[str, Any] = {
    "temperature_k": 295.0,
    "detector_noise_m_per_root_hz": 5.0e-15,
    "modes": {
        "lower": mode(1.1e6, 1.1e-11, 1.5e-5, 0.01),
        "upper": mode(1.1064e6, 1.3e-11, 2.0e-5, 0.03),
    },
    "shared_drifts": [
        {"sigma_k": 1e-3, "time_s": 200.0, "lower_hz_per_k": 140.0, "upper_hz_per_k": 141.5}
    ],
    "pump": {"coupling_hz_per_v": 0.12, "coupling_phase_rad": 0.3},
    "drive_feedthrough_m_per_unit": [LEAK_M.real, LEAK_M.imag],
}


def drift_hz(rng: np.random.Generator, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Offsets of both bare frequencies from their starts, without the pump's shift."""
    period_s = 1.0 / RATE_HZ
    [drift] = DEVICE["shared_drifts"]
    kicks_k = drift["sigma_k"] * math.sqrt(2.0 * period_s / drift["time_s"])
    shared_k = np.cumsum(kicks_k * rng.standard_normal(count))
    lower_hz, upper_hz = (
        drift[f"{name}_hz_per_k"] * shared_k
        + DEVICE["modes"][name]["walk_hz_per_root_s"]
        * math.sqrt(period_s)
        * np.cumsum(rng.standard_normal(count))
        for name in ("lower", "upper")
    )
    return lower_hz, upper_hz


def complex_normals(rng: np.random.Generator) -> np.ndarray:
    """One for each mode, of variance 1 in each quadrature."""
    return rng.standard_normal((2, 2)) @ np.array([1.0, 1j])


def simulated(seed: int) -> tuple[Basebands, np.ndarray]:
    """Two modes of which one is driven, the pump later; and their true difference [Hz].

    Written from the equations of motion, without a line of the filter's.
    """
    rng = np.random.default_rng(seed)
    count = round(DURATION_S * RATE_HZ)
    period_s = 1.0 / RATE_HZ
    modes = [DEVICE["modes"][name] for name in ("lower", "upper")]
    omegas = np.array([TWO_PI * one["frequency_hz"] for one in modes])
    momenta = np.array([one["mass_kg"] for one in modes]) * omegas
    gammas = omegas / 6.0e7
    thermal_m = np.sqrt(1.380649e-23 * 295.0 / momenta / omegas)
    coupling = TWO_PI * DEVICE["pump"]["coupling_hz_per_v"] * PUMP_V
    ratio = math.sqrt(momenta[1] / momenta[0])
    lowers_hz, uppers_hz = drift_hz(rng, count)
    kick_m = thermal_m * np.sqrt(gammas * period_s / 2.0)  # of half a period, each quadrature
    noise_m = DEVICE["detector_noise_m_per_root_hz"] * math.sqrt(RATE_HZ)
    drive = DRIVE.amplitude * cmath.exp(0.7j) * np.array([1.0, 0.0])
    leaked, pushes = LEAK_M * drive, -1j * 2.0e-14 * drive / (2.0 * momenta) * period_s / 2.0
    amplitudes = np.array([0.3 * AMPLITUDE_M + 0j, AMPLITUDE_M * cmath.exp(0.5j)])
    samples, differences_hz = [], []
    for index in range(count):
        middle_s = (index + 0.5) * period_s
        pump_v = PUMP_V if middle_s > PUMP_FROM_S else 0.0
        offsets_hz = [
            walked_hz + one["pump_shift_hz_per_v2"] * pump_v**2
            for walked_hz, one in zip((lowers_hz[index], uppers_hz[index]), modes, strict=True)
        ]
        # The pump stands at the frames' difference, a whole number of turns from sample 0 on:
        # its phase against them stays what it is set to.
        turn = cmath.exp(1j * (DEVICE["pump"]["coupling_phase_rad"] - 0.4))
        pull = 1j * coupling * (pump_v > 0.0)
        matrix = np.diag(TWO_PI * 1j * np.array(offsets_hz) - gammas / 2.0)
        matrix[0, 1], matrix[1, 0] = pull * ratio / turn, pull / ratio * turn
        half = exponential(matrix * period_s / 2.0)
        amplitudes = half @ amplitudes + pushes + kick_m * complex_normals(rng)
        seen_m = amplitudes + leaked + noise_m * complex_normals(rng)
        samples.append(seen_m / STREAM.metres_per_unit)
        differences_hz.append(MIX_HZ[1] - MIX_HZ[0] + offsets_hz[1] - offsets_hz[0])
        amplitudes = half @ amplitudes + pushes + kick_m * complex_normals(rng)
    times_s = (np.arange(count) + 0.5) * period_s
    basebands = Basebands(
        samples=np.array(samples), times_s=times_s, rate_hz=RATE_HZ, mix_hz=MIX_HZ
    )
    return basebands, np.array(differences_hz)


def informed(basebands: Basebands) -> InformedTrack:
    config = informed_config(DEVICE, STREAM.metres_per_unit, AMPLITUDE_M / STREAM.metres_per_unit)
    given = [
        GivenTone(at_index=0, tone=DRIVE),
        GivenTone(at_index=PUMP.at_sample - 300, tone=PUMP),
    ]
    filtered = InformedFilter(config, DEVICE, basebands, CHANNELS, STREAM)
    return filtered.run(given, SAMPLES_PER_STEP)


@pytest.fixture(scope="module")
def normalised() -> np.ndarray:
    """Error over sigma before the pump comes on and at the end, shape (seeds, 2)."""
    rows = []
    for seed in range(16):
        basebands, true_hz = simulated(seed)
        track = informed(basebands)
        error_hz = track.difference_hz - np.interp(track.times_s, basebands.times_s, true_hz)
        before = np.searchsorted(track.times_s, PUMP_FROM_S) - 2
        rows.append([(error_hz / track.sigma_hz)[place] for place in (before, -1)])
    return np.array(rows)


@pytest.mark.parametrize("place", [0, 1], ids=["driven and free", "exchanging"])
def test_errors_are_as_large_as_stated(normalised: np.ndarray, place: int) -> None:
    chi_square = float(np.sum(normalised[:, place] ** 2))
    low, high = scipy.stats.chi2.ppf([0.0005, 0.9995], len(normalised))
    assert low < chi_square < high


def test_it_knows_more_of_the_difference_than_of_a_mode_that_drifts() -> None:
    """What both share cancels: 0.014 Hz per root second of either, 0.00015 of the difference."""
    track = informed(simulated(0)[0])
    assert track.sigma_hz[-1] < 1e-3
    assert len(track.times_s) == round(DURATION_S * RATE_HZ) // SAMPLES_PER_STEP - 1
    assert np.all(np.diff(track.times_s) == pytest.approx(SAMPLES_PER_STEP / RATE_HZ))


def test_the_strongest_drift_gives_the_ratio_and_the_others_walk_apart() -> None:
    weak = {"sigma_k": 1e-5, "time_s": 2.0, "lower_hz_per_k": -300.0, "upper_hz_per_k": -310.0}
    device = {**DEVICE, "shared_drifts": [weak, *DEVICE["shared_drifts"]]}
    config = informed_config(device, 1.0, AMPLITUDE_M)
    assert config.ratio == pytest.approx(1.5 / 140.0)
    room, film = 140.0 * 1e-3 * math.sqrt(2.0 / 200.0), 300.0 * 1e-5
    assert config.shared_walk_hz_per_root_s == pytest.approx(math.hypot(room, film, 1.5e-5))
    left = 1e-5 * (-310.0 + 300.0 * 141.5 / 140.0)
    assert config.separate_walk_hz_per_root_s == pytest.approx(math.hypot(left, 1.5e-5, 2.0e-5))


@pytest.mark.parametrize("drifts", [[], [{**DEVICE["shared_drifts"][0], "lower_hz_per_k": 0.0}]])
def test_a_lower_mode_without_shared_drift_has_no_ratio(drifts: list[dict[str, float]]) -> None:
    config = informed_config({**DEVICE, "shared_drifts": drifts}, 1.0, AMPLITUDE_M)
    assert config.ratio == 0.0
    assert config.shared_walk_hz_per_root_s == pytest.approx(1.5e-5)


def test_amplitudes_are_in_units_of_the_stream() -> None:
    metres, units = (informed_config(DEVICE, each, 1.0) for each in (1.0, STREAM.metres_per_unit))
    for name in ("detector_noise", "thermal_amplitude"):
        expected = [value / STREAM.metres_per_unit for value in getattr(metres, name)]
        assert getattr(units, name) == pytest.approx(expected)
    # Equipartition: m w^2 x^2 / 2 = k T / 2 for x_th.
    table = DEVICE["modes"][ModeId.LOWER]
    omega = TWO_PI * table["frequency_hz"]
    expected_m = math.sqrt(1.380649e-23 * 295.0 / table["mass_kg"]) / omega
    assert metres.thermal_amplitude[0] == pytest.approx(expected_m)
