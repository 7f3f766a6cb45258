"""The equations of both modes: derivatives are derivatives, and a step is their solution."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import expm

from controller.tracking.observer_motion import (
    ModeMotion,
    ObserverInput,
    as_real,
    exponential,
    parts,
)
from controller.tracking.observer_states import (
    GAIN,
    LOWER_DECAY,
    LOWER_PUSH,
    LOWER_SELF,
    SHARED_HZ,
    STATES,
    UPPER_DECAY,
)

SIGNS = np.random.default_rng(8).normal(size=STATES)
STATE = np.where(np.arange(STATES) < LOWER_PUSH, 0.3, 0.05) * SIGNS
STATE[[LOWER_DECAY, UPPER_DECAY]] = 0.04, 0.05
BENT = STATE.copy()
BENT[LOWER_SELF:GAIN] = 0.2, -0.1, 0.3, 0.15
ACT = ObserverInput(
    pump=0.7,
    pump_rad=0.4,
    push=(0.02 + 0.03j, -0.01 + 0.02j),
    pump_sigma=0.0,
    push_sigma=(0.0, 0.0),
)
STEP = 1.0e-5  # of central differences: truncated and rounded at 1e-10 each
CLOSE = 1.0e-8


def motion(states: np.ndarray, *, has_duffing: bool = False) -> ModeMotion:
    return ModeMotion(
        states=states, base_hz=0.1, start_powers=np.array([0.2, 0.1]), has_duffing=has_duffing
    )


def shifted(states: np.ndarray, place: int, by: float) -> np.ndarray:
    out = states.copy()
    out[place] += by
    return out


@pytest.mark.parametrize("has_duffing", [False, True])
def test_slopes_are_the_derivatives_of_the_generator(has_duffing: bool) -> None:
    amplitudes = motion(BENT).amplitudes
    slopes = motion(BENT, has_duffing=has_duffing).slopes(ACT, amplitudes)
    for place in range(SHARED_HZ, STATES):
        after, before = (
            motion(shifted(BENT, place, by), has_duffing=has_duffing).generator(ACT, amplitudes)
            for by in (STEP, -STEP)
        )
        slope = slopes.get(place, np.zeros((2, 2)))
        assert slope == pytest.approx((after - before) / (2.0 * STEP), abs=CLOSE)


def test_duffing_slopes_are_the_derivatives_of_the_shifts() -> None:
    slopes = motion(BENT).duffing_slopes(motion(BENT).amplitudes)
    for place in range(4):
        after, before = (
            np.array(motion(moved).duffing_hz(motion(moved).amplitudes))
            for moved in (shifted(BENT, place, STEP), shifted(BENT, place, -STEP))
        )
        assert slopes[:, place] == pytest.approx((after - before) / (2.0 * STEP), abs=CLOSE)


@pytest.mark.parametrize("dt", [0.01, 0.1])
def test_a_step_solves_the_equations(dt: float) -> None:
    """The pushes through Simpson's rule, whose remainder is (|G| dt)^4 / 2880 of what they do."""
    made = motion(STATE)
    step = made.over(dt, ACT, scale=1.0)
    generator = made.generator(ACT, made.amplitudes)
    factors = 1.0 + STATE[LOWER_PUSH::2][:2] + 1j * STATE[LOWER_PUSH + 1 :: 2][:2]
    push = np.array(ACT.push) * factors
    whole = np.zeros((3, 3), complex)
    whole[:2, :2], whole[:2, 2] = generator, push
    exact = (expm(dt * whole) @ np.append(made.amplitudes, 1.0))[:2]
    remainder = (np.linalg.norm(generator, 2) * dt) ** 4 / 2880.0 * dt * np.linalg.norm(push)
    assert np.linalg.norm(step.moved - exact) < 2.0 * remainder + 1e-14


@pytest.mark.parametrize("has_duffing", [False, True])
def test_the_jacobian_is_the_derivative_of_the_step(has_duffing: bool) -> None:
    """What acts all along is taken as acting in the middle: right to (|G| dt)^2.

    To first order only where that is not so: a push is taken as if nothing turned meanwhile,
    and what a parameter does to the amplitudes moves no frequency within the same step.
    """
    dt, made = 0.005, motion(BENT, has_duffing=has_duffing)
    jacobian = made.jacobian(dt, made.over(dt, ACT, scale=1.0))
    size = np.linalg.norm(made.generator(ACT, made.amplitudes), 2) * dt
    if has_duffing:
        turning = 2.0 * np.pi * made.duffing_slopes(made.amplitudes)
        size += np.linalg.norm(turning) * np.linalg.norm(made.amplitudes) * dt
    for place in range(STATES):
        after, before = (
            motion(shifted(BENT, place, by), has_duffing=has_duffing).over(dt, ACT, scale=1.0)
            for by in (STEP, -STEP)
        )
        column = parts(after.moved - before.moved) / (2.0 * STEP)
        is_push = LOWER_PUSH <= place < LOWER_PUSH + 4
        order = 1 if is_push or has_duffing else 2
        bound = size**order * max(np.linalg.norm(column), dt)
        assert np.linalg.norm(jacobian[:4, place] - column) < bound + CLOSE
    assert np.array_equal(jacobian[4:], np.eye(STATES)[4:])


def test_a_pump_that_is_off_has_no_slopes() -> None:
    made = motion(STATE)
    off = made.slopes(ObserverInput(), made.amplitudes)
    assert set(made.slopes(ACT, made.amplitudes)) > set(off)


@pytest.mark.parametrize("seed", range(5))
def test_the_exponential_is_that_of_scipy(seed: int) -> None:
    rng = np.random.default_rng(seed)
    matrix = rng.normal(size=(2, 2)) + 1j * rng.normal(size=(2, 2))
    assert exponential(matrix) == pytest.approx(expm(matrix), rel=1e-12)


def test_the_exponential_holds_where_both_eigenvalues_meet() -> None:
    matrix = np.array([[0.3j, 1.0], [0.0, 0.3j]])
    assert exponential(matrix) == pytest.approx(np.exp(0.3j) * np.array([[1.0, 1.0], [0.0, 1.0]]))


def test_a_complex_matrix_acts_on_parts_as_on_numbers() -> None:
    rng = np.random.default_rng(3)
    matrix = rng.normal(size=(2, 2)) + 1j * rng.normal(size=(2, 2))
    numbers = rng.normal(size=2) + 1j * rng.normal(size=2)
    assert as_real(matrix) @ parts(numbers) == pytest.approx(parts(matrix @ numbers))
