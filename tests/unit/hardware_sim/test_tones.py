"""Tone commands: when they start, with which phase, and what they cancel."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest

from controller.instrument import Tone, ToneChannel, ToneRefused
from hardware_sim.tones import (
    CHIRP_ERROR_TURNS,
    PHASE_BITS,
    RAMP_STRETCHES,
    ToneOutput,
    fixed_phase,
    phase_step,
    radians_of,
)

RATE_HZ = 50e3
LATENCY = 100


def output(**changes: object) -> ToneOutput:
    """A pump channel of 2 V, 100 Hz to 50 kHz."""
    settings: dict = {
        "name": "pump",
        "amplitude_unit": "V",
        "max_amplitude": 2.0,
        "min_frequency_hz": 100.0,
        "max_frequency_hz": 50e3,
        "latency_samples": LATENCY,
        "shares_clock": True,
        "keeps_phase": True,
        "waveforms": ("sine", "square", "pulses"),
    }
    more = {key: changes.pop(key) for key in list(changes) if key not in settings}
    channel = ToneChannel(**{**settings, **changes})
    return ToneOutput(channel, RATE_HZ, np.random.default_rng(1), **more)


def same_phase(first_rad: float, second_rad: float, tolerance_rad: float = 1e-9) -> bool:
    return abs(math.remainder(first_rad - second_rad, 2.0 * math.pi)) < tolerance_rad


def test_phase_of_a_long_run_is_exact() -> None:
    """After a day at 1 MHz a float64 count of cycles has steps of 1.5e-5 cycle."""
    frequency_hz, sample = 1.0437281234567891e6, 50_000 * 86_400 + 7
    exact = Fraction(frequency_hz) * sample / 50_000 % 1
    found = Fraction(
        phase_step(frequency_hz, RATE_HZ) * sample % (1 << PHASE_BITS), 1 << PHASE_BITS
    )
    assert abs(found - exact) < 2**-45


def test_fixed_phase_and_radians_are_inverse() -> None:
    for angle in (0.0, 0.25, 0.999, -0.3, 17.75):
        assert same_phase(radians_of(fixed_phase(angle)), 2.0 * math.pi * angle, 1e-12)


def test_a_tone_starts_at_its_sample() -> None:
    pump = output()
    really = pump.command(Tone("pump", 5000, 6000.0, 0.5, phase_rad=0.7), position=1000)
    assert really.at_sample == 5000
    assert pump.at(4999).amplitude == 0.0
    assert pump.at(5000).amplitude_at(5000) == 0.5
    assert radians_of(pump.at(5000).phase_at(5000)) == pytest.approx(0.7)


def test_phase_advances_with_frequency_and_chirp() -> None:
    pump = output()
    pump.command(Tone("pump", 5000, 6000.25, 0.5, 0.7, chirp_hz_per_s=30.0), position=1000)
    time_s = 2345 / RATE_HZ
    expected = 0.7 + 2.0 * math.pi * (6000.25 * time_s + 30.0 * time_s**2 / 2.0)
    segment = pump.at(7345)
    assert same_phase(radians_of(segment.phase_at(7345)), expected)
    assert segment.frequency_at(7345) == pytest.approx(6000.25 + 30.0 * time_s)


def test_a_tone_for_the_past_starts_after_the_latency_with_the_phase_it_would_have_had() -> None:
    pump = output()
    tone = Tone("pump", 3000, 6000.25, 0.5, phase_rad=0.7, chirp_hz_per_s=20.0)
    really = pump.command(tone, position=10_000)
    late_s = (10_000 + LATENCY - 3000) / RATE_HZ
    assert really.at_sample == 10_000 + LATENCY
    assert really.frequency_hz == pytest.approx(6000.25 + 20.0 * late_s, rel=1e-15)
    expected = 0.7 + 2.0 * math.pi * (6000.25 * late_s + 20.0 * late_s**2 / 2.0)
    assert really.phase_rad is not None
    assert same_phase(really.phase_rad, expected)


def test_a_tone_sooner_than_the_latency_starts_late() -> None:
    really = output().command(Tone("pump", 1050, 6000.0, 0.5), position=1000)
    assert really.at_sample == 1000 + LATENCY


@pytest.mark.parametrize("at_sample", [0, 9000])
def test_no_phase_means_going_on_from_the_present_phase(at_sample: int) -> None:
    pump = output()
    pump.command(Tone("pump", 200, 6000.3, 0.5, phase_rad=1.0), position=0)
    before = pump.at(200)
    really = pump.command(Tone("pump", at_sample, 7000.0, 0.5), position=5000)
    assert really.at_sample == max(at_sample, 5000 + LATENCY)
    assert really.phase_rad == pytest.approx(radians_of(before.phase_at(really.at_sample)))
    assert pump.at(really.at_sample).phase_at(really.at_sample) == before.phase_at(really.at_sample)


def test_what_is_returned_sets_the_same_tone_again() -> None:
    pump, other = output(), output()
    tone = Tone("pump", 0, 6000.25, 0.5, 0.7, chirp_hz_per_s=20.0, ramp_s=0.01)
    really = pump.command(tone, position=10_000)
    assert other.command(really, position=10_000) == really


def test_a_newer_command_cancels_those_that_start_at_or_after_it() -> None:
    pump = output()
    pump.command(Tone("pump", 2000, 6000.0, 0.5), position=0)
    pump.command(Tone("pump", 4000, 6000.0, 0.6), position=0)
    pump.command(Tone("pump", 6000, 6000.0, 0.7), position=0)
    pump.command(Tone("pump", 4000, 6000.0, 0.0), position=0)
    assert pump.at(3999).amplitude == 0.5
    assert pump.at(4000).amplitude == 0.0
    assert pump.at(10**9).amplitude == 0.0


def test_a_mute_now_cancels_all_that_is_pending() -> None:
    pump = output()
    pump.command(Tone("pump", 2000, 6000.0, 0.5), position=1000)
    pump.command(Tone("pump", 0, 6000.0, 0.0), position=1000)
    assert all(pump.at(sample).amplitude == 0.0 for sample in (1000, 2000, 10**9))


def test_a_command_for_the_same_sample_replaces_the_first() -> None:
    pump = output(latency_samples=0)
    pump.command(Tone("pump", 0, 6000.0, 0.5), position=1000)
    pump.advance(1000)
    pump.command(Tone("pump", 0, 6000.0, 0.0, ramp_s=0.02), position=1000)
    assert pump.at(1000).amplitude_before == 0.0  # the first was never heard
    assert pump.at(1000).amplitude == 0.0


def test_a_ramp_is_linear_and_starts_from_the_amplitude_of_the_moment() -> None:
    pump = output()
    pump.command(Tone("pump", 1000, 6000.0, 1.0, ramp_s=0.02), position=0)  # 1000 samples
    assert pump.at(1250).amplitude_at(1250) == pytest.approx(0.25)
    pump.command(Tone("pump", 1500, 6000.0, 0.0, ramp_s=0.01), position=1300)
    assert pump.at(1500).amplitude_at(1500) == pytest.approx(0.5)
    assert pump.at(1750).amplitude_at(1750) == pytest.approx(0.25)
    assert pump.at(2000).amplitude_at(2000) == 0.0


def test_a_ramp_is_cut_into_stretches() -> None:
    pump = output()
    pump.command(Tone("pump", 1000, 6000.0, 1.0, ramp_s=0.02002), position=0)  # 1001 samples
    knots, sample = [], 0
    while (sample := pump.next_change(sample, 5000)) < 5000:
        knots.append(sample)
    assert knots == [1000] + [1000 + math.ceil(k * 1001 / RAMP_STRETCHES) for k in range(1, 5)]


def test_a_chirp_is_cut_into_steps_of_nearly_constant_frequency() -> None:
    """Off by chirp h^2 / 8 turns in the middle of a step of h."""
    pump = output()
    pump.command(Tone("pump", 1000, 6000.0, 1.0, chirp_hz_per_s=500.0), position=0)
    length_s = (pump.next_change(1000, 50_000) - 1000) / RATE_HZ
    assert 500.0 * length_s**2 / 8.0 == pytest.approx(CHIRP_ERROR_TURNS, rel=0.02)
    pump.command(Tone("pump", 9000, 6000.0, 1.0, chirp_hz_per_s=1e-3), position=0)
    assert pump.next_change(9000, 50_000) == 50_000  # slow: no cuts within a step


def test_next_change_is_the_next_pending_start() -> None:
    pump = output()
    pump.command(Tone("pump", 2000, 6000.0, 0.5), position=0)
    assert pump.next_change(0, 5000) == 2000
    assert pump.next_change(0, 1500) == 1500
    assert pump.next_change(2000, 5000) == 5000


def test_amplitude_zero_is_accepted_at_any_frequency() -> None:
    pump = output()
    pump.command(Tone("pump", 0, 6000.0, 0.5), position=0)
    for frequency_hz in (0.0, 1e9, -5.0, math.nan, math.inf):
        really = pump.command(Tone("pump", 0, frequency_hz, 0.0), position=1000)
        assert really.amplitude == 0.0
        assert really.frequency_hz == 6000.0


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"amplitude": 2.5}, "amplitude"),
        ({"amplitude": -0.1}, "amplitude"),
        ({"amplitude": math.nan}, "amplitude"),
        ({"frequency_hz": 99.0}, "frequency"),
        ({"frequency_hz": 6e4}, "frequency"),
        ({"frequency_hz": math.nan}, "frequency"),
        ({"chirp_hz_per_s": math.inf}, "chirp"),
        ({"ramp_s": -1.0}, "ramp"),
        ({"ramp_s": math.nan}, "ramp"),
        ({"phase_rad": math.nan}, "phase"),
        ({"waveform": "triangle"}, "waveform"),
        ({"waveform": "pulses", "pulse_s": 0.0}, "pulse"),
        ({"waveform": "pulses", "pulse_s": 1e-4}, "pulse"),
    ],
)
def test_a_refused_tone_changes_nothing(change: dict, reason: str) -> None:
    pump = output()
    pump.command(Tone("pump", 1000, 6000.0, 0.5), position=0)
    pump.command(Tone("pump", 3000, 6000.0, 0.6), position=0)
    before = repr(pump)
    with pytest.raises(ToneRefused, match=reason):
        pump.command(
            Tone(
                **{
                    "channel": "pump",
                    "at_sample": 0,
                    "frequency_hz": 6e3,
                    "amplitude": 1.0,
                    **change,
                }
            ),
            position=1500,
        )
    assert repr(pump) == before


def test_frequency_is_rounded_to_the_tuning_step() -> None:
    pump = output(tuning_step_hz=0.25)
    assert pump.command(Tone("pump", 0, 6000.4, 0.5), position=0).frequency_hz == 6000.5


def test_a_clock_of_its_own_is_off_by_its_error() -> None:
    pump = output(shares_clock=False, clock_error_ppm=2.0)
    really = pump.command(Tone("pump", 0, 7500.0, 0.5, phase_rad=0.0), position=0)
    assert really.frequency_hz == 7500.0  # as the generator believes
    segment = pump.at(LATENCY)
    assert segment.frequency_at(0) == pytest.approx(7500.0 + 15e-3, abs=1e-9)
    gained = segment.phase_at(LATENCY + 50_000) - segment.phase_at(LATENCY)
    assert same_phase(radians_of(gained), 2.0 * math.pi * 15e-3)


def test_a_generator_that_breaks_the_phase_does_not_claim_to_know_it() -> None:
    pump = output(keeps_phase=False)
    pump.command(Tone("pump", 0, 6000.0, 0.5, phase_rad=0.0), position=0)
    before = pump.at(LATENCY)
    same = pump.command(Tone("pump", 5000, 6000.0, 0.6), position=1000)
    assert same.phase_rad == pytest.approx(radians_of(before.phase_at(5000)))
    other = pump.command(Tone("pump", 9000, 6001.0, 0.6), position=6000)
    assert other.phase_rad is None
    jump = radians_of(pump.at(9000).phase_at(9000) - before.phase_at(9000))
    assert not same_phase(jump, 0.0, 1e-3)


@pytest.mark.parametrize(
    ("waveform", "pulse_s"), [("sine", 0.0), ("square", 0.0), ("pulses", 2e-5), ("pulses", 8e-5)]
)
def test_fourier_component_and_mean_square_of_the_waveforms(waveform: str, pulse_s: float) -> None:
    pump, frequency_hz, count = output(), 5000.0, 200_000
    pump.command(Tone("pump", 0, frequency_hz, 1.0, waveform=waveform, pulse_s=pulse_s), position=0)
    angles = (np.arange(count) + 0.5) / count - 0.5  # turns, one period
    distance_s = np.abs(angles) / frequency_hz
    opposite_s = (0.5 - np.abs(angles)) / frequency_hz
    wave = {
        "sine": np.cos(2.0 * np.pi * angles),
        "square": np.sign(np.cos(2.0 * np.pi * angles)),
        "pulses": (distance_s < pulse_s / 2) * 1.0 - (opposite_s < pulse_s / 2),
    }[waveform]
    segment = pump.at(LATENCY)
    component = 2.0 * np.mean(wave * np.cos(2.0 * np.pi * angles))
    # Midpoints of `count` intervals find an edge to half an interval.
    assert segment.harmonic(1, LATENCY) == pytest.approx(component, abs=8.0 / count)
    assert segment.power_ratio(LATENCY) == pytest.approx(2.0 * np.mean(wave**2), abs=8.0 / count)


def test_a_sine_has_no_harmonics_and_no_waveform_has_even_ones() -> None:
    pump = output()
    for waveform in ("sine", "square", "pulses"):
        pump.command(Tone("pump", 0, 5000.0, 1.0, waveform=waveform, pulse_s=3e-5), position=0)
        harmonics = [pump.at(LATENCY).harmonic(order, LATENCY) for order in range(1, 8)]
        assert all((value != 0.0) == (waveform != "sine") for value in harmonics[2::2])
        assert harmonics[0] != 0.0
        assert harmonics[1::2] == [0.0, 0.0, 0.0]


def test_the_pulses_of_a_chirp_fill_more_and_more_of_the_period() -> None:
    pump = output()
    tone = Tone("pump", 0, 5000.0, 1.0, 0.0, 100.0, waveform="pulses", pulse_s=3e-5)
    pump.command(tone, position=0)
    later = LATENCY + round(10.0 * RATE_HZ)
    segment = pump.at(later)
    duty = segment.frequency_at(later) * 3e-5
    assert duty == pytest.approx(6000.0 * 3e-5, rel=1e-4)  # late by 100 samples
    assert segment.harmonic(1, later) == pytest.approx(4 / math.pi * math.sin(math.pi * duty))
    assert segment.power_ratio(later) == pytest.approx(4.0 * duty)


def test_what_fades_out_keeps_its_shape() -> None:
    pump = output()
    pump.command(Tone("pump", 0, 6000.0, 0.5, waveform="square"), position=0)
    pump.command(Tone("pump", 0, 6000.0, 0.0, ramp_s=0.01), position=1000)
    assert pump.at(2000).waveform == "square"


def test_silence_is_at_once_and_for_all() -> None:
    pump = output()
    pump.command(Tone("pump", 0, 6000.0, 0.5), position=0)
    pump.command(Tone("pump", 9000, 6000.0, 0.5), position=0)
    pump.silence(1000)
    assert pump.at(1000).amplitude_at(1000) == 0.0
    assert pump.at(10**9).amplitude == 0.0


def test_advance_forgets_what_is_over() -> None:
    pump = output()
    for index in range(100):
        pump.command(Tone("pump", 0, 6000.0, 0.5), position=1000 * index)
        pump.advance(1000 * index)
    assert repr(pump).count("Segment(") <= 3
