"""Waveforms, chirps and a weak source in the simulated membrane, against the outside.

Witnesses: scipy.fft of sampled waveforms; Newton's equations with a spring
that is switched as the waveform says, solved exactly piece by piece; an
integrator for the envelope equations of a chirped pump; the Landau-Zener law
(L. Novotny, Am. J. Phys. 78, 1199 (2010), Eqs. 15 and 16); the closed form of
weak conversion, derived in the checks themselves.
"""

from __future__ import annotations

import cmath
import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.fft import rfft
from scipy.integrate import solve_ivp
from scipy.linalg import expm

from controller.instrument import Tone, ToneChannel
from hardware_sim.membrane import TWO_PI, ComplexNormals, Force, Membrane, Pump, Resonance
from hardware_sim.options import SourceOptions
from hardware_sim.simulator import SimulatedMembrane
from hardware_sim.source import Source
from hardware_sim.tones import CHIRP_ERROR_TURNS, Segment, ToneOutput

LOWER_HZ, UPPER_HZ, CENTER_HZ = 1.01e6, 1.0162e6, 1.013e6
DIFFERENCE_HZ = UPPER_HZ - LOWER_HZ
RATE_HZ = 50e3
SINGLE = 3e-7  # rounding of a sum of a few single-precision numbers, relative
WAVEFORMS = [("sine", 0.0), ("square", 0.0), ("pulses", 3.1e-5), ("pulses", 8e-6)]


def wave(turns: NDArray, waveform: str, duty: float) -> NDArray:
    """A waveform at phases in turns, as `controller.instrument` defines it."""
    if waveform == "sine":
        return np.cos(TWO_PI * turns)
    if waveform == "square":
        return np.sign(np.cos(TWO_PI * turns))
    from_zero = np.abs(turns - np.round(turns))
    return (from_zero < duty / 2.0) * 1.0 - (0.5 - from_zero < duty / 2.0)


def segment(waveform: str, pulse_s: float) -> Segment:
    channel = ToneChannel("pump", "V", 2.0, 100.0, 5e4, 0, True, True, (waveform,))
    output = ToneOutput(channel, RATE_HZ, np.random.default_rng(1))
    output.command(
        Tone("pump", 0, DIFFERENCE_HZ, 1.0, 0.0, waveform=waveform, pulse_s=pulse_s), position=0
    )
    return output.at(0)


@pytest.mark.parametrize(("waveform", "pulse_s"), WAVEFORMS)
def test_harmonics_and_mean_square_are_those_of_the_fft(waveform: str, pulse_s: float) -> None:
    count = 1 << 18
    turns = (np.arange(count) + 0.5) / count
    values = wave(turns, waveform, DIFFERENCE_HZ * pulse_s)
    orders = np.arange(1, 200)
    # Of a_n cos(2 pi n turns) at half-integer samples.
    components = 2.0 / count * rfft(values)[orders] * np.exp(-1j * np.pi * orders / count)
    tone = segment(waveform, pulse_s)
    found = [tone.harmonic(int(order), 0) for order in orders]
    # Four edges, each found to half a sample, each change of height 1 or 2.
    np.testing.assert_allclose(found, components, atol=8.0 / count)
    assert tone.power_ratio(0) == pytest.approx(2.0 * np.mean(values**2), abs=8.0 / count)


# Newton's equations, scaled to kilohertz: a spring between the modes that is
# switched as the waveform says. m_k (x_k'' + G_k x_k' + w_k^2 x_k) = -c v(t) x_j.

SLOW_HZ = (1000.0, 1400.0)
SLOW_QUALITY = 1.0e4
SLOW_MASSES_KG = (1.0, 1.7)
SLOW_COUPLING_HZ = 0.5


def switched_motion(
    waveform: str, duty: float, sign: float, spring_n_per_m: float, periods: int
) -> NDArray:
    """x_l, v_l, x_u, v_u after each period of the pump, shape (periods + 1, 4)."""
    omegas = TWO_PI * np.array(SLOW_HZ)
    period_s = 1.0 / (SLOW_HZ[1] - SLOW_HZ[0])
    width = 0.5 if waveform == "square" else duty
    pieces = [(1, width / 2), (0, 0.5 - width), (-1, width), (0, 0.5 - width), (1, width / 2)]
    passage = np.eye(4)
    for height, turns in pieces:
        spring = sign * height * spring_n_per_m
        slope = np.zeros((4, 4))
        for own, other in ((0, 2), (2, 0)):
            omega, mass_kg = omegas[own // 2], SLOW_MASSES_KG[own // 2]
            slope[own, own + 1] = 1.0
            slope[own + 1, own] = -(omega**2)
            slope[own + 1, own + 1] = -omega / SLOW_QUALITY
            slope[own + 1, other] = -spring / mass_kg
        passage = expm(slope * turns * period_s) @ passage
    states = [np.array([1.0, 0.0, 0.0, 0.0])]
    for _ in range(periods):
        states.append(passage @ states[-1])
    return np.array(states)


def left_out(waveform: str, duty: float, duration_s: float) -> float:
    """What the rotating-wave approximation leaves out of amplitudes of 1 m.

    A harmonic n of the spring makes one mode push the other at |f +- n f_p|,
    off its resonance f': a motion of g_n 2 f' / |f'^2 - (f +- n f_p)^2| at
    most, and by the way back a shift of the frequency of g_n times that.
    Damping adds G / 2 w to the starting velocity.
    """
    pump_hz = SLOW_HZ[1] - SLOW_HZ[0]
    turns = (np.arange(4096) + 0.5) / 4096
    components = np.abs(rfft(wave(turns, waveform, duty)))
    ratios = components / components[1]
    total = 1.0 / SLOW_QUALITY
    for own_hz, other_hz in (SLOW_HZ, SLOW_HZ[::-1]):
        for order in range(1, 1000, 2):
            for side in (1, -1):
                pushed_hz = own_hz + side * order * pump_hz
                if abs(abs(pushed_hz) - other_hz) > 1.0:
                    g_hz = SLOW_COUPLING_HZ * ratios[order]
                    motion = g_hz * 2.0 * other_hz / abs(other_hz**2 - pushed_hz**2)
                    total += motion * (1.0 + TWO_PI * g_hz * duration_s)
    return total


@pytest.mark.parametrize("phase_rad", [0.0, math.pi])
@pytest.mark.parametrize(("waveform", "pulse_s"), [("square", 0.0), ("pulses", 3e-4)])
def test_a_switched_spring_couples_by_its_fourier_component_and_its_sign(
    waveform: str, pulse_s: float, phase_rad: float
) -> None:
    """g = c v_1 / (4 sqrt(m_1 w_1 m_2 w_2)), v_1 the waveform's Fourier component."""
    pump_hz, rate_hz, periods = SLOW_HZ[1] - SLOW_HZ[0], 2000.0, 160
    duty = pump_hz * pulse_s
    turns = (np.arange(1 << 16) + 0.5) / (1 << 16)
    component = 2.0 * np.mean(wave(turns, waveform, duty) * np.cos(TWO_PI * turns))
    volts = SLOW_COUPLING_HZ / component
    momenta = TWO_PI * np.array(SLOW_HZ) * np.array(SLOW_MASSES_KG)
    spring = 4.0 * TWO_PI * SLOW_COUPLING_HZ / component * math.sqrt(momenta[0] * momenta[1])
    instrument = silent(
        stream={"sample_rate_hz": rate_hz, "center_hz": 1200.0, "full_scale_m": 10.0},
        lower={"frequency_hz": SLOW_HZ[0], "mass_kg": 1.0, "start_amplitude_m": 1.0},
        upper={"frequency_hz": SLOW_HZ[1], "mass_kg": 1.7},
        quality_factor=SLOW_QUALITY,
        pump={"coupling_hz_per_v": 1.0, "latency_samples": 0},
    )
    instrument.set_tone(
        Tone("pump", 0, pump_hz, volts, phase_rad, waveform=waveform, pulse_s=pulse_s)
    )
    samples = stream(instrument, periods // 8 + 1)[:: round(rate_hz / pump_hz)][: periods + 1]
    states = switched_motion(waveform, duty, math.cos(phase_rad), spring, periods)
    times_s = np.arange(periods + 1) / pump_hz
    envelopes = states[:, ::2] - 1j * states[:, 1::2] / (TWO_PI * np.array(SLOW_HZ))
    expected = envelopes.sum(axis=1) * np.exp(-1j * TWO_PI * 1200.0 * times_s)
    bound = left_out(waveform, duty, times_s[-1])
    assert np.max(np.abs(samples - expected)) < bound
    assert abs(envelopes[-1, 1]) > 30.0 * bound  # much has gone over


# The instrument without noise.


def silent(*, quality_factor: float, **changes: Any) -> SimulatedMembrane:
    """A started instrument at zero temperature, with nothing that moves by itself."""
    mode = {
        "walk_hz_per_root_s": 0.0,
        "start_amplitude_m": 0.0,
        "quality_factor": quality_factor,
    }
    options: dict[str, Any] = {
        "stream": {"center_hz": CENTER_HZ, "full_scale_m": 4e-9, "metres_per_unit": 1e-9},
        "environment": {"temperature_k": 0.0, "room_sigma_k": 0.0},
        "detector": {"noise_m_per_root_hz": 0.0},
        **changes,
        "lower": {"frequency_hz": LOWER_HZ, **mode, **changes.get("lower", {})},
        "upper": {"frequency_hz": UPPER_HZ, **mode, **changes.get("upper", {})},
    }
    instrument = SimulatedMembrane(**options)
    instrument.start()
    return instrument


def stream(instrument: SimulatedMembrane, blocks: int) -> NDArray:
    """Blocks in a row [m]."""
    samples = [instrument.read(1.0).samples for _ in range(blocks)]
    return np.concatenate(samples) * instrument.stream.metres_per_unit


def envelopes(samples: NDArray, first: int) -> NDArray:
    """Mean complex amplitude of lower and upper mode over a block of 20 ms."""
    times_s = (first + np.arange(len(samples))) / RATE_HZ
    frames = np.exp(-1j * TWO_PI * np.outer([LOWER_HZ - CENTER_HZ, UPPER_HZ - CENTER_HZ], times_s))
    return np.mean(frames * samples, axis=1)


def test_pulses_shift_both_modes_by_their_mean_square() -> None:
    """s <V^2> 2, so that a sine of amplitude V shifts by s V^2; phase 2 pi shift t."""
    shift_hz_per_v2, volts, pulse_s = 0.5, 1.5, 3.1e-5
    instrument = silent(
        quality_factor=1e10,
        lower={"start_amplitude_m": 1e-9, "pump_shift_hz_per_v2": shift_hz_per_v2},
        pump={"coupling_hz_per_v": 0.0, "latency_samples": 0},
    )
    instrument.set_tone(
        Tone("pump", 0, DIFFERENCE_HZ, volts, 0.0, waveform="pulses", pulse_s=pulse_s)
    )
    samples = stream(instrument, 20)
    turns = (np.arange(1 << 18) + 0.5) / (1 << 18)
    mean_square = np.mean(wave(turns, "pulses", DIFFERENCE_HZ * pulse_s) ** 2)
    shift_hz = 2.0 * shift_hz_per_v2 * volts**2 * mean_square
    times_s = np.arange(len(samples)) / RATE_HZ
    expected = 1e-9 * np.exp(2j * np.pi * (LOWER_HZ - CENTER_HZ + shift_hz) * times_s)
    left = np.pi * LOWER_HZ / 1e10 * times_s[-1] + 8.0 / (1 << 18)  # damping, edges of pulses
    np.testing.assert_allclose(samples, expected, atol=(left + SINGLE) * 1e-9)


@pytest.mark.parametrize("phase_rad", [0.0, 2.0])
@pytest.mark.parametrize("chirp_hz_per_s", [20.0, -20.0, 60.0, 5.0])
def test_a_chirped_pump_has_the_right_phase_all_the_way(
    chirp_hz_per_s: float, phase_rad: float
) -> None:
    """phi_p = phi_0 + 2 pi (f t + chirp t^2 / 2), in the envelope equations."""
    coupling_hz, blocks, quality = 1.0, 100, 5e7
    duration_s = blocks * 0.02
    start_hz = -chirp_hz_per_s * duration_s / 2.0  # crosses the difference midway
    instrument = silent(
        quality_factor=quality,
        lower={"start_amplitude_m": 1e-9},
        pump={"coupling_hz_per_v": coupling_hz, "latency_samples": 0},
    )
    instrument.set_tone(
        Tone("pump", 0, DIFFERENCE_HZ + start_hz, 1.0, phase_rad, chirp_hz_per_s=chirp_hz_per_s)
    )
    samples = stream(instrument, blocks + 1)
    hz = np.array([LOWER_HZ, UPPER_HZ])
    decays = TWO_PI * hz / quality
    g_lu, g_ul = TWO_PI * coupling_hz * np.sqrt([UPPER_HZ / LOWER_HZ, LOWER_HZ / UPPER_HZ])

    def slope(time_s: float, a: NDArray) -> NDArray:
        turns = start_hz * time_s + chirp_hz_per_s * time_s**2 / 2.0
        turn = cmath.exp(1j * (phase_rad + TWO_PI * turns))
        return -decays / 2.0 * a + 1j * np.array([g_lu * a[1] / turn, g_ul * a[0] * turn])

    times_s = np.arange(0, len(samples), 250) / RATE_HZ
    found = solve_ivp(
        slope,
        (0.0, times_s[-1]),
        np.array([1e-9 + 0j, 0j]),
        method="DOP853",
        rtol=1e-9,
        atol=1e-18,
        t_eval=times_s,
    ).y
    frames = np.exp(1j * TWO_PI * np.outer(hz - CENTER_HZ, times_s))
    expected = np.sum(frames * found, axis=0)
    # Between the knots of a chirp the phase is a chord, off by so much at most.
    bound = TWO_PI * CHIRP_ERROR_TURNS * 1e-9
    assert np.max(np.abs(samples[::250] - expected)) < bound
    assert np.max(np.abs(found[1])) > 0.5e-9  # much has gone over


@pytest.mark.parametrize(
    ("splitting_squared_over_rate", "diabatic"), [(0.3**2, 0.868167), (1.0, 0.207880)]
)
@pytest.mark.parametrize("direction", [1.0, -1.0])
def test_an_adiabatic_transfer_follows_landau_and_zener(
    splitting_squared_over_rate: float, diabatic: float, direction: float
) -> None:
    """P = exp(-pi Gamma^2 / 2 alpha) stays behind, Gamma = 2 g, alpha = 2 pi chirp."""
    chirp_hz_per_s, span_hz = 20.0, 400.0
    alpha = TWO_PI * chirp_hz_per_s
    coupling_hz = math.sqrt(splitting_squared_over_rate * alpha) / (2.0 * TWO_PI)
    instrument = silent(
        quality_factor=1e10,
        lower={"start_amplitude_m": 1e-9},
        pump={"coupling_hz_per_v": coupling_hz, "latency_samples": 0},
    )
    start_hz = DIFFERENCE_HZ - direction * span_hz / 2.0
    instrument.set_tone(
        Tone("pump", 0, start_hz, 1.0, 0.0, chirp_hz_per_s=direction * chirp_hz_per_s)
    )
    blocks = round(span_hz / chirp_hz_per_s / 0.02)
    last = [instrument.read(1.0).samples for _ in range(blocks)][-1] * 1e-9
    squares = np.abs(envelopes(last, (blocks - 1) * 1000)) ** 2 / 1e-18
    # What a swap keeps is energy over frequency; what decays in 20 s is 1.3 %.
    kept = math.exp(-TWO_PI * LOWER_HZ / 1e10 * blocks * 0.02)
    stayed, moved = squares * [1.0, UPPER_HZ / LOWER_HZ] / kept
    # At both ends the pump is far away, not infinitely far: amplitudes of
    # g / detuning are still being exchanged, and enter P with their product.
    mixed = 2.0 * coupling_hz / (span_hz / 2.0)
    assert stayed == pytest.approx(diabatic, abs=2.0 * mixed * math.sqrt(diabatic) + 1e-4)
    assert stayed + moved == pytest.approx(1.0, abs=1e-4)  # the upper mode's decay is 0.6 % faster


# The weak source. In the frame of the modes, with a_l held at A and
# a_u' = -(G/2) a_u + i g exp(i phi_s(t)) A, and phi_s = phi_0 + D t:
# a_u = i g A exp(i phi_s) / (G/2 + i D) in the end, 2 g A / G on resonance.


def held(source: dict[str, float], **more: Any) -> SimulatedMembrane:
    """The lower mode held at 0.5 nm, Q = 1e6, with a source."""
    amplitude_m, quality = 5e-10, 1e6
    omega = TWO_PI * LOWER_HZ
    newton_per_unit = amplitude_m * 1.2e-11 * omega**2 / quality  # F = A m w^2 / Q
    instrument = silent(
        quality_factor=quality,
        lower={"start_amplitude_m": amplitude_m, "drive_newton_per_unit": newton_per_unit},
        source=source,
        drive={"latency_samples": 0},
        **more,
    )
    instrument.set_tone(Tone("drive_lower", 0, LOWER_HZ, 1.0, math.pi / 2.0))
    return instrument


@pytest.mark.parametrize("phase_rad", [0.0, 1.2])
@pytest.mark.parametrize("detuning_hz", [0.0, 0.5, -2.0])
def test_a_weak_source_converts_as_the_closed_form_says(
    detuning_hz: float, phase_rad: float
) -> None:
    blocks = 200  # 4 s, the amplitude's decay time is 0.3 s
    instrument = held({"coupling_hz": 1e-3, "detuning_hz": detuning_hz, "phase_rad": phase_rad})
    last = stream(instrument, blocks)[-1000:]
    lower_m, upper_m = envelopes(last, (blocks - 1) * 1000)
    decay = TWO_PI * UPPER_HZ / 1e6
    g = TWO_PI * 1e-3 * math.sqrt(LOWER_HZ / UPPER_HZ)  # on the upper mode, equal masses
    detuning = TWO_PI * detuning_hz
    middle_s = (blocks - 0.5) * 0.02
    expected = 1j * g * 5e-10 / (decay / 2.0 + 1j * detuning)
    expected *= cmath.exp(1j * (phase_rad + detuning * middle_s))
    # A mean over a block of h loses (D h)^2 / 24, the start has fallen to
    # exp(-G t / 2), half a sample of the middle turns by D / rate, and
    # what comes back from the upper mode is (2 g / G)^2.
    relative = (
        (detuning * 0.02) ** 2 / 24.0
        + 2.0 * math.exp(-decay * middle_s / 2.0)
        + abs(detuning) / RATE_HZ
        + 2.0 * (2.0 * g / decay) ** 2
    )
    # Single precision of samples of 0.5 nm.
    assert abs(upper_m - expected) < relative * abs(expected) + SINGLE * 5e-10
    assert abs(lower_m - 5e-10) < 1e-5 * 5e-10
    if detuning_hz == 0.0:
        assert abs(upper_m) == pytest.approx(2.0 * g * 5e-10 / decay, rel=1e-3)


def test_a_weak_source_keeps_to_the_true_difference() -> None:
    """The upper mode jumps by 2.5 Hz, more than two of its lines: the source goes along."""
    faults = {"jumps": [{"mode": "upper", "at_s": 0.5, "hz": 2.5}]}
    count = 20_000  # 0.4 s: whole numbers of turns of 6202.5 Hz, so that nothing leaks
    last = stream(held({"coupling_hz": 1e-3}, faults=faults), 200)[-count:]
    times_s = np.arange(count) / RATE_HZ
    found_m = abs(np.mean(last * np.exp(-1j * TWO_PI * (UPPER_HZ + 2.5 - CENTER_HZ) * times_s)))
    decay = TWO_PI * UPPER_HZ / 1e6
    converted_m = 2.0 * TWO_PI * 1e-3 * math.sqrt(LOWER_HZ / UPPER_HZ) * 5e-10 / decay
    # What was there before the jump has fallen to exp(-G 3.1 s / 2) = 5e-5.
    assert found_m == pytest.approx(converted_m, rel=3e-4)


def test_an_incoherent_source_converts_less() -> None:
    """Steps of h with phases that walk by sqrt(2 h / T) each: geometric sums.

    With d = exp(-G h / 2) and r = exp(-h / T) for the source's coherence,

        <a exp(-i phi)> = i g A (1 - d) / (G/2) / (1 - d r),
        <|a|^2> = (g A (1 - d) / (G/2))^2 (1 + d r) / (1 - d r) / (1 - d^2),

    which for short steps are i g A / (G/2 + 1/T) and (g A)^2 / (G/2 (G/2 + 1/T)).
    """
    decay, coherence_s, step_s, count = 4.0, 0.3, 0.02, 40_000
    g = 1e-4 * TWO_PI
    normals = ComplexNormals(np.random.default_rng(0))
    lower, upper = (
        Resonance(hz, TWO_PI * hz / decay, 1e-11 * LOWER_HZ / hz, 0.0, normals)
        for hz in (LOWER_HZ, UPPER_HZ)
    )
    lower.amplitude_m = 1.0 + 0j
    membrane = Membrane(lower, upper, normals)
    options = SourceOptions(coupling_hz=1e-4, coherence_s=coherence_s)
    source = Source(options, np.random.default_rng(7))
    hold = Force(decay / 2.0 + 0j, 0.0)
    found = np.empty(count, complex)
    for index in range(count):
        coupling = source.advance(step_s, 0.0)
        membrane.advance(step_s, (0.0, 0.0), [hold], [], coupling)
        found[index] = upper.amplitude_m * cmath.exp(-1j * coupling.phase_rad)
    found = found[500:]
    d, r = math.exp(-decay * step_s / 2.0), math.exp(-step_s / coherence_s)
    step_m = g * (1.0 - d) / (decay / 2.0)
    mean = 1j * step_m / (1.0 - d * r)
    square = step_m**2 * (1.0 + d * r) / (1.0 - d * r) / (1.0 - d * d)
    # Batches of 10 s, long against 2 / G and T: nearly independent.
    batches = found[: len(found) // 500 * 500].reshape(-1, 500)
    for values, expected in (
        (batches.mean(axis=1).real, mean.real),
        (batches.mean(axis=1).imag, mean.imag),
        ((np.abs(batches) ** 2).mean(axis=1), square),
    ):
        sigma = values.std(ddof=1) / math.sqrt(len(values))
        assert abs(values.mean() - expected) < 4.0 * sigma
        assert sigma < 0.1 * abs(mean if expected != square else square)


def test_source_and_pump_add_up() -> None:
    """Both couplings in the envelope equations, each with a rate of its own."""
    strong, weak = Pump(0.3, 0.5, 1.2), Pump(2.1, 0.5 + TWO_PI * 0.8, 0.15)
    normals = ComplexNormals(np.random.default_rng(0))
    lower, upper = (
        Resonance(hz, TWO_PI * hz / 0.3, 1e-11 * LOWER_HZ / hz, 0.0, normals)
        for hz in (LOWER_HZ, UPPER_HZ)
    )
    lower.amplitude_m, upper.amplitude_m = 1.0 + 0j, 0.4j
    membrane = Membrane(lower, upper, normals)

    def slope(time_s: float, a: NDArray) -> NDArray:
        turning = sum(
            each.coupling_rad_s * cmath.exp(1j * (each.phase_rad + each.rate_rad_per_s * time_s))
            for each in (strong, weak)
        )
        return -0.15 * a + 1j * np.array([np.conj(turning) * a[1], turning * a[0]])

    step_s, count = 0.02, 150
    for index in range(count):
        now = [
            Pump(
                each.phase_rad + each.rate_rad_per_s * step_s * index,
                each.rate_rad_per_s,
                each.coupling_rad_s,
            )
            for each in (strong, weak)
        ]
        membrane.advance(step_s, (0.0, 0.0), [], [], now[0].plus(now[1], step_s))
    duration_s = step_s * count
    expected = solve_ivp(
        slope,
        (0.0, duration_s),
        np.array([1.0 + 0j, 0.4j]),
        method="DOP853",
        rtol=1e-10,
        atol=1e-10,
    ).y[:, -1]
    # Each step leaves out (r h)^2 / 24 of the weaker coupling, and as much again of
    # the curvature of the sum's own rate.
    rate = weak.rate_rad_per_s - strong.rate_rad_per_s
    bound = 2.0 * (rate * step_s) ** 2 / 24.0 * weak.coupling_rad_s * duration_s
    np.testing.assert_allclose([lower.amplitude_m, upper.amplitude_m], expected, atol=bound)
    without = cmath.exp(-0.15 * duration_s) * math.cos(1.2 * duration_s)
    assert abs(expected[0] - without) > 50.0 * bound  # the weaker one matters
