"""Live spectra: a line where it is, as high as it is, and noise as dense as it is."""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterator

import numpy as np
import pytest

from controller.records import Baseband, ModeId
from controller.service.messages import MOST_SPECTRUM_POINTS, SpectrumMessage
from controller.service.spectra import LEAST_POINTS, WINDOW_S, Spectra
from tests.support.little_service import LOWER_HZ, SETTINGS, UPPER_HZ

UPDATE_S = 0.02
TRACKED = {ModeId.LOWER: LOWER_HZ + 3.0, ModeId.UPPER: UPPER_HZ - 40.0}


def baseband(time_s: float, lower: complex, upper: complex = 0j) -> Baseband:
    """An update of both modes."""
    return Baseband(
        sample_index=round(time_s * 50_000),
        time_s=time_s,
        lower=lower,
        upper=upper,
        duration_s=UPDATE_S,
        pump_amplitude=0.0,
        pump_phase_rad=0.0,
        drive_lower=0j,
        drive_upper=0j,
    )


def times_s(length_s: float) -> Iterator[float]:
    """Middles of the updates."""
    return (UPDATE_S * (number + 0.5) for number in range(round(length_s / UPDATE_S)))


def last_of(made: list[SpectrumMessage], mode: ModeId) -> SpectrumMessage:
    """The last spectrum of one mode."""
    return [message for message in made if message.mode is mode][-1]


def test_a_line_stands_where_it_is_and_as_high_as_it_is() -> None:
    amplitude_m, line_hz = 2e-9, LOWER_HZ + 3.0 + 1.25
    spectra, made = Spectra(SETTINGS), []
    for time_s in times_s(10.0):
        turns = (line_hz - LOWER_HZ) * time_s
        value = cmath.rect(amplitude_m, 2.0 * math.pi * turns)
        made += spectra.process(baseband(time_s, value), TRACKED)
    found = last_of(made, ModeId.LOWER)
    highest = int(np.argmax(found.densities_m_per_root_hz))
    assert found.center_hz == found.tracked_hz == LOWER_HZ + 3.0
    step_hz = found.offsets_hz[1] - found.offsets_hz[0]
    assert found.center_hz + found.offsets_hz[highest] == pytest.approx(line_hz, abs=step_hz / 2)
    # 1.25 Hz is ten bins of 1/8 Hz: nothing is lost between bins.
    height_m = found.densities_m_per_root_hz[highest] * math.sqrt(2.0 * found.noise_bandwidth_hz)
    assert height_m == pytest.approx(amplitude_m, rel=1e-6)


def test_a_mode_far_from_its_configured_place_stays_in_the_middle() -> None:
    spectra, made = Spectra(SETTINGS), []
    for time_s in times_s(9.0):
        upper = cmath.rect(1e-9, 2.0 * math.pi * (TRACKED[ModeId.UPPER] - UPPER_HZ) * time_s)
        made += spectra.process(baseband(time_s, 0j, upper), TRACKED)
    found = last_of(made, ModeId.UPPER)
    assert found.offsets_hz[int(np.argmax(found.densities_m_per_root_hz))] == 0.0


def test_white_noise_reads_its_one_sided_density() -> None:
    density = 3e-13
    # x = Re(z exp(i w t)) has half the power of z, so that E|z|^2 = 2 S^2 / T for means over T:
    # S^2 / T in each of its two parts.
    rng = np.random.default_rng(5)
    sigma = density / math.sqrt(UPDATE_S)
    spectra, powers = Spectra(SETTINGS), []
    count = round(400.0 / UPDATE_S)
    noise = sigma * (rng.standard_normal(count) + 1j * rng.standard_normal(count))
    for time_s, value in zip(times_s(400.0), noise, strict=True):
        for message in spectra.process(baseband(time_s, complex(value)), TRACKED):
            if message.mode is ModeId.LOWER and message.time_s > WINDOW_S:
                powers.append(np.square(message.densities_m_per_root_hz).mean())
    # 400 s in 50 Hz are 20 000 independent powers; the mean of them scatters by 1/sqrt(20 000),
    # by half as much again as the window weighs them unevenly; five of that.
    assert np.mean(powers) == pytest.approx(density**2, rel=5 * 1.5 / math.sqrt(20_000))


def test_one_spectrum_of_each_mode_a_second_on_one_screen() -> None:
    spectra, made = Spectra(SETTINGS), []
    for time_s in times_s(12.0):
        made += spectra.process(baseband(time_s, 1e-9), TRACKED)
    of_lower = [message.time_s for message in made if message.mode is ModeId.LOWER]
    assert np.diff(of_lower) == pytest.approx(1.0)
    assert len(made) == 2 * len(of_lower)
    for message in made:
        assert len(message.offsets_hz) == len(message.densities_m_per_root_hz)
        assert len(message.offsets_hz) <= MOST_SPECTRUM_POINTS
        assert np.all(np.diff(message.offsets_hz) > 0.0)


@pytest.mark.parametrize("broken", [complex("nan"), complex("inf")])
def test_a_broken_update_does_not_spoil_what_follows(broken: complex) -> None:
    spectra, made = Spectra(SETTINGS), []
    for number, time_s in enumerate(times_s(9.0)):
        value = broken if number == 200 else 1e-9
        made += spectra.process(baseband(time_s, value), TRACKED)
    assert np.all(np.isfinite(last_of(made, ModeId.LOWER).densities_m_per_root_hz))


def test_nothing_is_made_across_a_gap() -> None:
    spectra = Spectra(SETTINGS)
    for time_s in times_s(5.0):
        spectra.process(baseband(time_s, 1e-9), TRACKED)
    made = [
        message
        for number in range(LEAST_POINTS - 1)
        for message in spectra.process(baseband(20.0 + UPDATE_S * number, 1e-9), TRACKED)
    ]
    assert made == []


def test_before_a_mode_is_found_its_configured_place_is_shown() -> None:
    spectra, made = Spectra(SETTINGS), []
    for time_s in times_s(2.0):
        made += spectra.process(baseband(time_s, 1e-9), {})
    found = last_of(made, ModeId.LOWER)
    assert (found.center_hz, found.tracked_hz) == (LOWER_HZ, None)


def test_reset_is_as_new() -> None:
    spectra = Spectra(SETTINGS)
    for time_s in times_s(3.0):
        spectra.process(baseband(time_s, 1e-9), TRACKED)
    spectra.reset()
    assert repr(spectra) == repr(Spectra(SETTINGS))
    assert spectra.process(baseband(0.01, 1e-9), TRACKED) == ()
