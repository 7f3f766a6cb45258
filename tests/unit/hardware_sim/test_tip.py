"""Tip and sample: where the tip stands, and which sign it has."""

from __future__ import annotations

import math

import numpy as np
import pytest

from controller.instrument import Tone, ToneChannel
from hardware_sim.options import SampleOptions
from hardware_sim.tip import Tip
from hardware_sim.tones import ToneOutput

RATE_HZ = 50e3
SHIFTS_HZ = (1e-3, 2e-3, -4e-3)
BACKGROUNDS_HZ = (0.1, 0.2, 0.3)


def scanned(**options: object) -> Tip:
    return Tip(SampleOptions(shift_hz=SHIFTS_HZ, background_hz=BACKGROUNDS_HZ, **options), RATE_HZ)


def pump() -> ToneOutput:
    channel = ToneChannel(
        *("pump", "V", 2.0, 100.0, 50e3, 0, True, True), ("sine", "square", "pulses")
    )
    return ToneOutput(channel, RATE_HZ, np.random.default_rng(1))


def train(at_sample: int, amplitude: float, phase_rad: float | None = None) -> Tone:
    return Tone("pump", at_sample, 5000.0, amplitude, phase_rad, waveform="pulses", pulse_s=3e-5)


def test_without_pulses_only_the_background_is_there() -> None:
    tip, output = scanned(), pump()
    output.command(Tone("pump", 0, 5000.0, 1.0), position=0)
    tip.follow(10, output.at(10), 0.0)
    assert (tip.sign, tip.difference_hz) == (0.0, 0.1)


@pytest.mark.parametrize("lead_rad", [0.0, 1.5, 1.7, math.pi, -1.5, 4.0])
def test_the_sign_is_that_with_which_the_train_came_on(lead_rad: float) -> None:
    tip, output = scanned(), pump()
    output.command(train(0, 0.5), position=0)
    tip.follow(0, output.at(0), lead_rad)
    expected = 1.0 if math.cos(lead_rad) > 0.0 else -1.0
    assert tip.difference_hz == pytest.approx(0.1 + expected * 1e-3)
    # It is kept while the phase goes on, whatever the modes do.
    output.command(train(1000, 0.7), position=500)
    tip.follow(1000, output.at(1000), lead_rad + math.pi)
    assert tip.sign == expected


def test_a_jump_of_the_phase_settles_it_anew() -> None:
    tip, output = scanned(), pump()
    output.command(train(0, 0.5, 0.0), position=0)
    tip.follow(0, output.at(0), 0.0)
    output.command(train(1000, 0.5, math.pi), position=500)  # 100 periods later
    tip.follow(1000, output.at(1000), math.pi)
    assert tip.sign == -1.0


def test_the_sign_fades_out_with_the_train() -> None:
    tip, output = scanned(), pump()
    output.command(train(0, 0.5), position=0)
    tip.follow(0, output.at(0), 0.0)
    output.command(Tone("pump", 1000, 5000.0, 0.0, ramp_s=0.01), position=500)
    tip.follow(1499, output.at(1499), 0.0)
    assert tip.sign == 1.0
    tip.follow(1500, output.at(1500), 0.0)
    assert tip.sign == 0.0


def test_the_clock_moves_the_tip_and_begins_again() -> None:
    tip = scanned(dwell_s=0.1)
    assert tip.next_change(0, 2000) == 2000
    assert tip.next_change(4500, 7000) == 5000
    for position, at_sample in enumerate((0, 5000, 10_000, 15_000)):
        tip.move_to(at_sample)
        assert tip.position == position % 3
    assert tip.moves == [(0.0, 0), (0.1, 1), (0.2, 2), (0.3, 0)]


def test_flips_move_the_tip_and_a_train_that_comes_back_does_not() -> None:
    tip, output, places = scanned(flips_per_position=2), pump(), []
    for index, turn in enumerate((0, 1, 1, 0, 1, 0)):
        output.command(train(1000 * index, 0.5), position=1000 * index)
        tip.follow(1000 * index, output.at(1000 * index), math.pi * turn)
        places.append((tip.position, tip.sign))
        output.command(train(1000 * index + 500, 0.0), position=1000 * index)
        tip.follow(1000 * index + 500, output.at(1000 * index + 500), 0.0)
    assert places == [(0, 1.0), (0, -1.0), (0, -1.0), (1, 1.0), (1, -1.0), (2, 1.0)]


def test_a_script_moves_the_tip() -> None:
    tip = scanned()
    tip.move_to(10**6)
    tip.next_position(50_000)
    assert tip.moves == [(0.0, 0), (1.0, 1)]
    assert repr(tip) == "Tip(position=1, sign=0.0)"
