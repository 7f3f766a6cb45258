"""Finding lines: strong beside weak, strays, drift, edges, and nothing where nothing is."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy.signal import lfilter

from controller.tracking.search import (
    STEPS_APART,
    WANDER_RATIOS,
    FoundLine,
    ThermalMotion,
    answered_lines,
    chosen_line,
    lines_in,
    noise_density,
    ping_answer,
)

RATE_HZ, LISTEN_S = 2000.0, 4.0
HALF_WIDTH_HZ = 200.0
DENSITY = 1.0e-3
# Four bins: half width of the window's main lobe.
RESOLUTION_HZ = 4.0 / LISTEN_S


def noise(seed: int, duration_s: float = LISTEN_S) -> np.ndarray:
    """Baseband noise of a one-sided density, complex, shape (n,)."""
    parts = np.random.default_rng(seed).standard_normal((2, round(duration_s * RATE_HZ)))
    return DENSITY * math.sqrt(RATE_HZ) * (parts[0] + 1j * parts[1])


def line(
    offset_hz: float,
    amplitude: float = 1.0,
    *,
    duration_s: float = LISTEN_S,
    drift_hz_per_s: float = 0.0,
    decay_per_s: float = 0.0,
) -> np.ndarray:
    """A line whose frequency is `offset_hz` at the end of the record."""
    t = np.arange(round(duration_s * RATE_HZ)) / RATE_HZ
    before_end_s = t - t[-1]
    turns = offset_hz * before_end_s + 0.5 * drift_hz_per_s * before_end_s**2
    return amplitude * np.exp(2j * np.pi * turns - 0.5 * decay_per_s * t)


def found(samples: np.ndarray) -> list[FoundLine]:
    return lines_in(samples, RATE_HZ, HALF_WIDTH_HZ)


# -- lines in a record ----------------------------------------


@pytest.mark.parametrize("offset_hz", [-150.3, -0.4, 0.0, 99.87])
def test_a_line_is_found_within_millihertz(offset_hz: float) -> None:
    (only,) = found(line(offset_hz) + noise(1))
    # Bound for a fixed frequency: sqrt(12) S / (A T^1.5) / 2 pi = 0.07 mHz.
    assert abs(only.offset_hz - offset_hz) < 3.0e-3
    assert abs(only.offset_hz - offset_hz) < 2.0 * only.sigma_hz
    assert only.amplitude == pytest.approx(1.0, rel=5e-3)


def test_nothing_is_found_in_noise() -> None:
    assert found(noise(2)) == []


def test_false_alarms_are_rare() -> None:
    """The threshold lets a bin of noise through with exp(-25), 1e-7 per search."""
    assert sum(len(found(noise(seed))) for seed in range(100, 200)) == 0


@pytest.mark.parametrize("seed", range(5))
def test_a_weak_line_above_the_threshold_is_found(seed: int) -> None:
    # Sigma of a bin: S / sqrt(T) times the square root of the window's two noise bins.
    bin_sigma = DENSITY / math.sqrt(LISTEN_S) * math.sqrt(2.0044)
    weak = 12.0 * bin_sigma
    assert any(abs(one.offset_hz - 31.4) < 0.2 for one in found(line(31.4, weak) + noise(seed)))


@pytest.mark.parametrize("ratio_db", [40.0, 60.0])
def test_a_weak_line_beside_a_strong_one_is_found(ratio_db: float) -> None:
    weak = 10.0 ** (-ratio_db / 20.0)
    quiet = 1.0e-2 * noise(3)
    lines = found(line(-50.0) + line(12.3, weak) + quiet)
    assert [round(one.offset_hz, 1) for one in lines] == [-50.0, 12.3]
    assert lines[1].amplitude == pytest.approx(weak, rel=0.02)


@pytest.mark.parametrize("offset_hz", [-199.0, 199.5])
def test_a_line_near_the_edge_of_the_range_is_found(offset_hz: float) -> None:
    (only,) = found(line(offset_hz) + noise(4))
    assert abs(only.offset_hz - offset_hz) < 3.0e-3


def test_a_line_outside_the_range_is_not_looked_at() -> None:
    assert found(line(230.0) + noise(5)) == []


@pytest.mark.parametrize("drift_hz_per_s", [-1.0, -0.3, 0.05, 0.3])
def test_of_a_line_that_drifts_the_last_frequency_is_given(drift_hz_per_s: float) -> None:
    only, *others = found(line(20.0, drift_hz_per_s=drift_hz_per_s) + noise(6))
    assert others == []
    assert abs(only.offset_hz - 20.0) < 2.0 * only.sigma_hz
    assert only.drift_hz_per_s == pytest.approx(drift_hz_per_s, abs=0.01)


def test_a_line_that_rings_down_is_found_once() -> None:
    only, *others = found(line(-7.7, decay_per_s=1.0) + noise(7))
    assert others == []
    assert abs(only.offset_hz + 7.7) < 2.0 * only.sigma_hz


def test_a_short_record_has_no_lines() -> None:
    assert lines_in(np.ones(8, dtype=complex), RATE_HZ, HALF_WIDTH_HZ) == []


# -- which of them is the mode ----------------------------------------


def test_strays_do_not_answer_a_ping() -> None:
    before = line(40.0, 1.0, duration_s=1.0) + line(-60.0, 0.02, duration_s=1.0)
    after = line(40.0, 1.0) + line(-60.0, 0.2)
    lines = answered_lines(
        before + 0.1 * noise(8, 1.0), after + 0.1 * noise(9), RATE_HZ, HALF_WIDTH_HZ
    )
    assert [(round(one.offset_hz), one.answered) for one in lines] == [(40, False), (-60, True)]
    mode = chosen_line(lines, 0.0, HALF_WIDTH_HZ)
    assert mode is not None
    assert mode.offset_hz == pytest.approx(-60.0, abs=0.01)
    assert mode.answer_ratio == pytest.approx(10.0, rel=0.1)


def test_a_line_that_was_not_there_before_has_answered() -> None:
    (only,) = answered_lines(noise(10, 1.0), line(3.0) + noise(11), RATE_HZ, HALF_WIDTH_HZ)
    assert only.answered


@pytest.mark.parametrize("wrong_hz", [-100.0, 100.0])
def test_a_start_value_100_hz_wrong_does_not_matter(wrong_hz: float) -> None:
    lines = found(line(wrong_hz) + line(5.0, 0.3) + noise(12))
    mode = chosen_line(lines, 0.0, HALF_WIDTH_HZ, must_answer=False)
    assert mode is not None
    assert mode.offset_hz == pytest.approx(wrong_hz, abs=3.0e-3)


def test_of_lines_alike_the_nearer_one_is_chosen() -> None:
    near, far = (found(line(offset_hz))[0] for offset_hz in (20.0, 180.0))
    assert chosen_line([far, near], 0.0, 100.0, must_answer=False) is near
    assert chosen_line([far, near], 200.0, 100.0, must_answer=False) is far


def test_what_answered_comes_before_what_is_stronger() -> None:
    strong = found(line(0.0))[0]
    answered = dataclasses.replace(strong, amplitude=0.01, answer_ratio=5.0, offset_hz=90.0)
    assert chosen_line([strong, answered], 0.0, 200.0) is answered
    assert chosen_line([strong, answered], 0.0, 200.0, must_answer=False) is strong
    assert chosen_line([strong], 0.0, 200.0) is strong


def test_of_no_lines_none_is_chosen() -> None:
    assert chosen_line([], 0.0, 200.0) is None


# -- wander ----------------------------------------

THERMAL = ThermalMotion(amplitude=1.0, decay_rate_per_s=0.14)
RECORDS = 40
# Seeds of records that know nothing of each other: their mean has this relative sigma.
MEAN_SIGMA = 1.0 / math.sqrt(RECORDS * STEPS_APART)


def thermal_motion(
    seed: int, offset_hz: float, decay_per_s: float, start: complex | None = None
) -> np.ndarray:
    """da/dt = -gamma a / 2 + zeta, E|zeta|^2 = 2 gamma per second: x_th is 1."""
    rng = np.random.default_rng(seed)
    count = round(LISTEN_S * RATE_HZ)
    normals = rng.standard_normal((2, count + 1))
    kicks = math.sqrt(decay_per_s / RATE_HZ) * (normals[0] + 1j * normals[1])
    left = math.exp(-0.5 * decay_per_s / RATE_HZ)
    first = complex(*normals[:, -1]) if start is None else start
    motion, _ = lfilter([1.0], [1.0, -left], kicks[:-1], zi=np.array([left * first]))
    return motion * line(offset_hz)


def wandering(samples: list[np.ndarray], near_hz: float) -> list[FoundLine]:
    """The line of each record near an offset, where there is one: a null hides it."""
    lines = [
        [one for one in found(record) if abs(one.offset_hz - near_hz) < 2.0 * RESOLUTION_HZ]
        for record in samples
    ]
    return [near[0] for near in lines if near]


@pytest.mark.parametrize("density", [1.0e-4, 1.0e-2])
def test_thermal_motion_wanders_as_it_should(density: float) -> None:
    hiss = density / DENSITY
    records = [thermal_motion(s, 31.3, 0.14) + hiss * noise(s) for s in range(RECORDS)]
    lines = wandering(records, 31.3)
    assert len(lines) >= RECORDS - 3
    ratios = [THERMAL.wander_ratio(one) for one in lines]
    # The trend is counted as three steps of thirteen, which holds within 5 %.
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.05 + 3.0 * MEAN_SIGMA)
    # Chi-square of twice ten steps: 1e-6 lies below 0.17 and above 3.2.
    assert min(ratios) > 0.17 and max(ratios) < 3.2
    assert all(THERMAL.could_be(one) for one in lines)
    assert not any(THERMAL.is_hot(one) for one in lines)


def test_thermal_motion_wanders_alike_while_it_rings_down() -> None:
    records = [thermal_motion(s, -12.2, 0.14, start=100.0) for s in range(RECORDS)]
    lines = wandering(records, -12.2)
    assert np.mean([THERMAL.wander_ratio(one) for one in lines]) == pytest.approx(
        1.0, abs=0.05 + 3.0 * MEAN_SIGMA
    )
    assert all(THERMAL.could_be(one) and THERMAL.is_hot(one) for one in lines)


@pytest.mark.parametrize("drift_hz_per_s", [0.0, 0.1])
def test_a_steady_line_wanders_by_the_noise_alone(drift_hz_per_s: float) -> None:
    steady = line(40.0, 3.0, drift_hz_per_s=drift_hz_per_s)
    lines = wandering([steady + 10.0 * noise(s) for s in range(RECORDS)], 40.0)
    pulls = [one.wander2_per_s / one.wander2_sigma_per_s for one in lines]
    assert abs(np.mean(pulls)) < 0.3 + 3.0 / math.sqrt(RECORDS)  # the floor: known to a tenth
    # A variance of so many values has the relative sigma sqrt(2 / n).
    assert np.std(pulls) == pytest.approx(1.0, abs=3.0 * math.sqrt(0.5 / RECORDS) + 0.1)
    assert not any(THERMAL.could_be(one) for one in lines)


def test_a_line_seen_through_a_gain_that_wanders_by_a_per_cent_is_steady() -> None:
    gains = [
        1.0 + 0.01 * np.cumsum(np.random.default_rng(s).standard_normal(8000)) / math.sqrt(RATE_HZ)
        for s in range(RECORDS)
    ]
    lines = wandering([gain * line(40.0, 5.0) + 0.1 * noise(1) for gain in gains], 40.0)
    assert max(THERMAL.wander_ratio(one) for one in lines) < WANDER_RATIOS[0]


def test_a_broad_mode_wanders_too_much() -> None:
    """Its own thermal motion, as strong as the mode's, but forgotten in a tenth of a second."""
    lines = wandering([thermal_motion(s, 5.0, 18.0) for s in range(RECORDS)], 5.0)
    assert len(lines) > 5
    assert min(THERMAL.wander_ratio(one) for one in lines) > WANDER_RATIOS[1]


def test_noise_that_hides_the_wander_shows_none() -> None:
    """Detector noise that lets a line of three be seen, but not how it wanders."""
    lines = wandering([3.0 * line(40.0) + 100.0 * noise(s) for s in range(RECORDS)], 40.0)
    assert len(lines) > 5 and not any(THERMAL.could_be(one) for one in lines)


# -- noise ----------------------------------------


@pytest.mark.parametrize("lines", [(), ((10.0, 1.0), (-77.0, 0.3))])
def test_the_noise_density_ignores_lines(lines: tuple[tuple[float, float], ...]) -> None:
    samples = noise(13) + sum(line(offset_hz, amplitude) for offset_hz, amplitude in lines)
    # The median of 1600 bins, a third of them shared by the window: 3 % of the power;
    # skirts of the lines lift it by a few bins' worth.
    assert noise_density(samples, RATE_HZ, HALF_WIDTH_HZ) == pytest.approx(DENSITY, rel=0.05)


def test_a_strong_line_does_not_hide_the_noise_of_a_narrow_range() -> None:
    """Ten hertz are 40 bins, looked at from 14 on, where Hann's side lobes hide the noise.

    With A = 60 a line's density is A^2 T / 2 = 7200 per hertz at its peak. Hann's side lobes are
    1.4e-8 of that at 14 bins, 50 times the noise; those of a Blackman-Harris window, 92 dB below,
    are at most twice the noise and that only beside the line, which the median of bands leaves out.
    """
    ratios = []
    for seed in range(10):
        quiet, loud = (
            noise_density(noise(seed) + ringing, RATE_HZ, 10.0, 0.3)
            for ringing in (0.0, line(0.3, 60.0, decay_per_s=0.4))
        )
        ratios.append(loud / quiet)
    assert np.median(ratios) == pytest.approx(1.0, rel=0.05)


def kicked(seed: int, offset_hz: float, skirt_hz: float) -> np.ndarray:
    """A line whose kicks leave as much as the detector noise at a distance of skirt_hz.

    A walk of variance D per second in each quadrature has 2 D / (2 pi d)^2 per hertz at a
    distance d; the noise has 2 DENSITY^2.
    """
    step = 2.0 * np.pi * skirt_hz * DENSITY / math.sqrt(RATE_HZ)
    parts = np.random.default_rng(seed).standard_normal((2, round(LISTEN_S * RATE_HZ)))
    walk = 1.0 + step * np.cumsum(parts[0] + 1j * parts[1])
    return walk * line(offset_hz)


@pytest.mark.parametrize("skirt_hz", [20.0, 60.0, 120.0])
@pytest.mark.parametrize("offset_hz", [0.0, -90.0])
def test_the_noise_density_is_the_floor_under_the_skirt_of_a_mode(
    skirt_hz: float, offset_hz: float
) -> None:
    """A fit of two numbers to some 1000 bins: a few per cent, over ten seeds one."""
    found = [
        noise_density(
            noise(seed) + kicked(seed + 50, offset_hz, skirt_hz), RATE_HZ, HALF_WIDTH_HZ, offset_hz
        )
        for seed in range(10)
    ]
    assert np.mean(found) == pytest.approx(DENSITY, rel=0.06)
    assert np.std(found) < 0.1 * DENSITY


@pytest.mark.parametrize("seed", range(4))
def test_a_broad_mode_that_rings_down_in_the_range_is_left_out(seed: int) -> None:
    """1 Hz wide and far above the noise over some 100 Hz."""
    samples = noise(seed) + kicked(seed + 50, 0.0, 30.0)
    samples += line(-140.0, 300.0, decay_per_s=7.0)
    assert noise_density(samples, RATE_HZ, HALF_WIDTH_HZ) == pytest.approx(DENSITY, rel=0.2)


# -- answer to a ping ----------------------------------------


def test_feed_through_and_responsivity_come_out_of_a_ping() -> None:
    """x' = i w x + b u, seen as x + c u: a sweep over the mode tells b from c."""
    offset_hz, feedthrough, responsivity = 23.0, 2.0e-3 - 1.0e-3j, -0.05j
    t = np.arange(round(0.4 * RATE_HZ)) / RATE_HZ
    sounding = (t > 0.1) & (t < 0.3)
    tone = sounding * np.exp(2j * np.pi * (-200.0 * (t - 0.1) + 0.5 * 2000.0 * (t - 0.1) ** 2))
    motion = np.zeros(len(t), dtype=complex)
    turning = np.exp(2j * np.pi * offset_hz / RATE_HZ)
    motion[0] = 1.0e-3
    for index in range(1, len(t)):
        motion[index] = turning * motion[index - 1] + responsivity * tone[index] / RATE_HZ
    hiss = 1.0e-5 * noise(14, 0.4) / DENSITY
    answer = ping_answer(motion + feedthrough * tone + hiss, tone, RATE_HZ, offset_hz)
    # Noise per sample 1e-5 sqrt(RATE) = 4.5e-4 over 400 samples of the tone: 2.2e-5.
    assert abs(answer.feedthrough - feedthrough) < 4.0 * 2.2e-5
    error_rad = float(np.angle(answer.responsivity / responsivity))
    assert abs(error_rad) < 4.0 * answer.phase_sigma_rad
    assert abs(answer.responsivity) == pytest.approx(0.05, rel=4.0 * answer.phase_sigma_rad)


def test_the_phase_of_no_answer_is_open() -> None:
    tone = np.ones(400, dtype=complex) * np.exp(0.3j * np.arange(400))
    answer = ping_answer(noise(15, 0.2), tone, RATE_HZ, 0.0)
    assert answer.phase_sigma_rad > 0.3
