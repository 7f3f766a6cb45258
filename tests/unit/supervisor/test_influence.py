"""What pump and drives do to the phases, as the joint estimate is told."""

from __future__ import annotations

import math

import numpy as np
import pytest

from controller.instrument import Tone
from controller.records import ModeId
from controller.supervisor.drives import DrivePath, Drives
from controller.supervisor.influence import DuffingShift, ToneInfluence
from controller.supervisor.tone_state import ToneState
from tests.support.pairs import KnownPair
from tests.unit.supervisor.test_drives import CHANNELS, CONFIG, RATE_HZ, pair

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER


def influence(known: KnownPair, pump: ToneState, **options: object) -> ToneInfluence:
    drives = Drives(CHANNELS, RATE_HZ)
    for mode in ModeId:
        drives.adopt(mode, CONFIG, DrivePath())
    settings = {"coupling_phase_rad": 0.0, "action_ratio": 1.0, **options}
    return ToneInfluence(known, drives, pump, **settings)  # type: ignore[arg-type]


def pumped(known: KnownPair, psi_rad: float, amplitude: float = 0.5) -> ToneState:
    """A pump whose phase lags that of the difference by psi."""
    state = ToneState(RATE_HZ)
    turns = known.start_turns[UPPER] - known.start_turns[LOWER] - psi_rad / (2.0 * math.pi)
    hz = known.frequencies_hz[UPPER] - known.frequencies_hz[LOWER]
    state.process(Tone("pump", 0, hz, amplitude, 2.0 * math.pi * turns))
    return state


def test_without_tones_there_is_none() -> None:
    known = pair()
    action = influence(known, ToneState(RATE_HZ)).action(known, 1000.0)
    assert (action.squared, action.lower_pull, action.upper_pull) == (0.0, 0j, 0j)
    assert (action.lower_known_hz, action.upper_known_hz) == (0.0, 0.0)


def test_before_the_first_update_there_is_none() -> None:
    known = pair()
    known.center_index = None
    assert influence(known, pumped(known, 0.3)).action(known, 1000.0).squared == 0.0


@pytest.mark.parametrize("psi_rad", [0.0, 0.4, -2.0])
@pytest.mark.parametrize("phase_rad", [0.0, 0.7])
def test_pulls_turn_with_psi_and_go_with_the_others_amplitude(
    psi_rad: float, phase_rad: float
) -> None:
    """physics.md: the pump adds (g / 2 pi)(|a_j| / |a_k|) cos(phi_2 - phi_1 - phi_p)."""
    known = pair()
    known.trackers[LOWER].amplitude, known.trackers[UPPER].amplitude = 2.0, 0.5
    action = influence(known, pumped(known, psi_rad), coupling_phase_rad=phase_rad).action(
        known, 2000.0
    )
    turned = np.exp(1j * (psi_rad - phase_rad))
    # 1e-6 rad: rounding of 1 MHz phases.
    assert action.lower_pull == pytest.approx(0.5 * 0.25 * turned, abs=1e-6)
    assert action.upper_pull == pytest.approx(0.5 * 4.0 * turned, abs=1e-5)
    assert action.squared == 0.25


def test_unequal_masses_feel_the_coupling_unequally() -> None:
    """g_lower m_lower w_lower = g_upper m_upper w_upper, their product g^2 (physics.md)."""
    known = pair()
    action = influence(known, pumped(known, 0.0), action_ratio=1.2).action(known, 2000.0)
    assert abs(action.lower_pull) / abs(action.upper_pull) == pytest.approx(1.2**2)
    assert abs(action.lower_pull) * abs(action.upper_pull) == pytest.approx(0.25)


def test_feedthrough_is_that_of_the_drives() -> None:
    known = pair()
    centers = np.array([0.0, 100.0])
    assert influence(known, ToneState(RATE_HZ)).feedthrough(LOWER, 1.0, centers) is None


def test_forces_on_the_observer_are_those_of_a_steady_step() -> None:
    known = pair()
    forces = influence(known, pumped(known, 0.3), coupling_phase_rad=0.2).forces(
        known, 1980.0, 2020.0
    )
    assert (forces.pump, forces.pump_sigma) == (0.5, 0.0)
    frames = [known.oscillator_turns(mode, 2000.0) for mode in ModeId]
    expected = pumped(known, 0.3).turns_at(2000.0) - (frames[1] - frames[0])
    apart = forces.pump_rad - 0.2 - 2.0 * math.pi * expected
    assert math.cos(apart) == pytest.approx(1.0, abs=1e-9)
    assert forces.push == (0j, 0j)


def test_a_pump_that_comes_on_within_a_step_is_known_to_half_the_change() -> None:
    known = pair()
    state = ToneState(RATE_HZ)
    hz = known.frequencies_hz[UPPER] - known.frequencies_hz[LOWER]
    state.process(Tone("pump", 2010, hz, 0.5, 0.0))
    forces = influence(known, state).forces(known, 1980.0, 2020.0)
    assert (forces.pump, forces.pump_sigma) == (0.25, 0.25)


# -- Duffing ------------------------------------------------------------------------------


DUFFING = DuffingShift(hz_per_unit2=(2.0, 3.0, 5.0, 7.0), held=(1.0, 2.0))


def test_amplitudes_shift_both_modes_by_what_they_differ_from_the_held_ones() -> None:
    """physics.md: f_k moves by alpha_kk |a_k|^2 + alpha_kj |a_j|^2; self, cross of each mode."""
    assert DUFFING.shifts_hz((1.0, 2.0)) == (0.0, 0.0)
    lower_hz, upper_hz = DUFFING.shifts_hz((3.0, 1.0))
    lower, upper = 3.0**2 - 1.0, 1.0 - 2.0**2
    assert lower_hz == pytest.approx(2.0 * lower + 3.0 * upper)
    assert upper_hz == pytest.approx(5.0 * upper + 7.0 * lower)


def test_the_joint_estimate_is_told_of_the_shifts_and_the_loops_are_not() -> None:
    known = pair()
    known.trackers[LOWER].amplitude, known.trackers[UPPER].amplitude = 0.5, 2.5
    action = influence(known, ToneState(RATE_HZ), duffing=DUFFING).action(known, 2000.0)
    shifts_hz = DUFFING.shifts_hz((0.5, 2.5))
    assert (action.lower_duffing_hz, action.upper_duffing_hz) == shifts_hz
    assert (action.lower_known_hz, action.upper_known_hz) == (0.0, 0.0)


def test_amplitudes_that_change_count_as_they_are_halfway() -> None:
    """The trackers stand at the last update, the action is that of all the time since."""
    known = pair()
    known.trackers[LOWER].amplitude, known.trackers[LOWER].growth_per_s = 0.5, -3.0
    action = influence(known, ToneState(RATE_HZ), duffing=DUFFING).action(known, 0.04 * RATE_HZ)
    lower = 0.5 * math.exp(-3.0 * 0.02)
    assert action.powers == pytest.approx((lower**2, known.trackers[UPPER].amplitude ** 2))
    shifts_hz = DUFFING.shifts_hz((lower, known.trackers[UPPER].amplitude))
    assert (action.lower_duffing_hz, action.upper_duffing_hz) == pytest.approx(shifts_hz)


# -- waveforms ------------------------------------------------------------------------------


@pytest.mark.parametrize("waveform", ["square", "pulses"])
def test_a_waveform_couples_by_its_part_at_the_difference(waveform: str) -> None:
    known, sine = pair(), influence(pair(), pumped(pair(), 0.4)).action(pair(), 2000.0)
    state = ToneState(RATE_HZ)
    tone = pumped(known, 0.4)
    hz, turns = tone.frequency_hz, tone.turns_at(0)
    state.process(Tone("pump", 0, hz, 0.5, 2.0 * math.pi * turns, 0.0, 0.0, waveform, 3.0e-5))
    made = influence(known, state)
    factor = state.fundamental_at(2000.0) / 0.5
    assert factor != 1.0
    action = made.action(known, 2000.0)
    assert action.lower_pull == pytest.approx(factor * sine.lower_pull, abs=1e-9)
    assert action.squared == state.squared_at(2000.0)
    forces = made.forces(known, 1980.0, 2020.0)
    assert (forces.pump, forces.squared) == (0.5 * factor, state.squared_at(2000.0))
