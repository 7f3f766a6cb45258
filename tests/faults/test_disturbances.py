"""What disturbs the signal without being an error of the stream: spikes, knocks, gain, lines.

Whatever happens, where both modes are said to be locked the difference is within five
sigmas of the truth but for two seconds in all, the pump is off while the difference is
not known within its limit, and some seconds later all is as good as it was.

A knock starts motion of its own, as a bump against the table does: amplitudes and
phases of both modes change at once. A stray line is told from a mode by nothing but
its history: at an offset it turns the phase by its share of the amplitude, which
moves the apparent frequency by share times offset.
"""

from __future__ import annotations

import cmath
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from controller.instrument import SampleBlock
from controller.records import ModeId, PumpState
from tests.support.rehearsals import BlockFilter, Rehearsal, prepared, with_pump_early

SHORT = with_pump_early(**{"drive.listen_s": 2.0, "pump.healthy_s": 0.5})
AT_S = 12.0  # when the estimate has settled
RATE_HZ, CENTER_HZ = 50_000.0, 1.047e6
AMPLITUDE = 0.05  # of either mode: 1 nm in samples of 20 nm
MODES_HZ = {ModeId.LOWER: 1_043_728.17, ModeId.UPPER: 1_050_371.42}  # at that time
CROSSING_S = 20.0
LIMIT_HZ = 4.97e-3  # beyond it the pump is off: a third of the line
TOLERATED_S = 2.0  # in which the error may be beyond five sigmas
ROW_S = 0.1
BANK_STEP = 8.0**0.75


def with_samples(change: Callable[[np.ndarray, np.ndarray], np.ndarray]) -> BlockFilter:
    """Change samples by their times since the disturbance [s]."""

    def changed(block: SampleBlock) -> list[SampleBlock]:
        times_s = (block.first_sample + np.arange(len(block.samples))) / RATE_HZ - AT_S
        if times_s[-1] < 0.0:
            return [block]
        samples = change(block.samples, times_s).astype(block.samples.dtype)
        return [replace(block, samples=samples)]

    return changed


def gain(factor: Callable[[np.ndarray], np.ndarray]) -> BlockFilter:
    return with_samples(lambda samples, times_s: samples * factor(times_s))


def spike(first: int, samples: int, value: complex) -> BlockFilter:
    """Some samples of one block at a value."""

    def changed(block: SampleBlock) -> list[SampleBlock]:
        if block.first_sample != round(AT_S * RATE_HZ):
            return [block]
        spiked = block.samples.copy()
        spiked[first : first + samples] = value
        return [replace(block, samples=spiked)]

    return changed


def clipped(level: float, duration_s: float) -> BlockFilter:
    def change(samples: np.ndarray, times_s: np.ndarray) -> np.ndarray:
        over = np.maximum(np.abs(samples) / level, 1.0)
        return np.where((times_s >= 0.0) & (times_s < duration_s), samples / over, samples)

    return with_samples(change)


def stray_line(mode_hz: float, share: float, beside_hz: float) -> BlockFilter:
    """A line that comes up below a mode, crosses it and fades as far above it."""
    hz_per_s = 2.0 * beside_hz / CROSSING_S

    def change(samples: np.ndarray, times_s: np.ndarray) -> np.ndarray:
        strength = share * AMPLITUDE * np.clip(np.minimum(times_s, CROSSING_S - times_s), 0.0, 1.0)
        turns = (mode_hz - beside_hz - CENTER_HZ + 0.5 * hz_per_s * times_s) * times_s
        return samples + strength * np.exp(2j * np.pi * turns)

    return with_samples(change)


def knocked(left: float, phase_rad: float) -> Rehearsal:
    """A run whose modes are moved at once: amplitudes to a part, phases apart."""
    rehearsal = prepared("quiet_room", SHORT).until(AT_S)
    membrane = rehearsal.simulator._apparatus.membrane
    membrane.lower.amplitude_m *= cmath.rect(left, phase_rad)
    membrane.upper.amplitude_m *= cmath.rect(left, -phase_rad)
    return rehearsal


def assert_honest(rehearsal: Rehearsal, folder: Path, *, tolerated_s: float = TOLERATED_S) -> None:
    """The difference is within five sigmas wherever both modes are locked, but for a while."""
    errors_hz, sigmas_hz = differences(rehearsal, folder)
    times_s = rehearsal.times_s()
    counted = rehearsal.are_locked() & np.isfinite(sigmas_hz) & (times_s > AT_S)
    beyond = counted & (np.abs(errors_hz) > 5.0 * sigmas_hz)
    print(
        f"largest error {1e3 * np.max(np.abs(errors_hz[counted])):.2f} mHz, "
        f"largest sigma {1e3 * np.max(sigmas_hz[counted]):.2f} mHz, "
        f"beyond 5 sigma for {ROW_S * np.count_nonzero(beyond):.1f} s"
    )
    assert ROW_S * np.count_nonzero(beyond) <= tolerated_s + 1e-9
    # The pump is on at no difference that is said to be unknown, nor long at a wrong one.
    is_on = np.array([record.pump_state is PumpState.ON for record in rehearsal.records])
    wrong = is_on & counted & (np.abs(errors_hz) > 3.0 * LIMIT_HZ)
    assert ROW_S * np.count_nonzero(wrong) <= 0.3 + 1e-9
    assert rehearsal.account()["on_outside_interlock_s"] == 0.0


def assert_as_before(rehearsal: Rehearsal, folder: Path, *, weaker: float = 1.0) -> None:
    """In the last three seconds the estimate is about as good as it was before.

    Where the modes are held at an amplitude that is `weaker` times less, thermal motion
    turns their phases that much more. What has been learnt of the walk meanwhile is forgotten
    within minutes: it may still be a step of the bank too large, 8 in rms. A frequency is
    known with the walk to the power 3/4 at most (phase noise that is white): 4.8.
    """
    errors_hz, sigmas_hz = differences(rehearsal, folder)
    times_s = rehearsal.times_s()
    before = (times_s > AT_S - 3.0) & (times_s < AT_S - 0.1)
    last = times_s > times_s[-1] - 3.0
    assert np.all(rehearsal.are_locked()[last])
    assert np.median(sigmas_hz[last]) < BANK_STEP * weaker * np.median(sigmas_hz[before])
    assert np.all(np.abs(errors_hz[last]) < 5.0 * sigmas_hz[last])
    assert rehearsal.pump_is_on()


def differences(rehearsal: Rehearsal, folder: Path) -> tuple[np.ndarray, np.ndarray]:
    """Error and sigma of the difference of every record [Hz]."""
    truth = rehearsal.truth(folder)
    true_hz = np.interp(rehearsal.times_s(), truth["time_s"], truth["difference_hz"])
    estimates_hz = rehearsal.column(lambda record: record.difference_hz)
    return estimates_hz - true_hz, rehearsal.column(lambda record: record.difference_sigma_hz)


def run_with(filtered: BlockFilter, until_s: float) -> Rehearsal:
    return prepared("quiet_room", SHORT, filtered=filtered).until(AT_S + until_s)


# What is done to the samples, and how long it takes until all is as it was [s].
SPIKES: dict[str, tuple[BlockFilter, float]] = {
    "one sample at full scale": (spike(500, 1, 1.0), 6.0),
    "one sample near full scale": (spike(333, 1, 0.9j), 6.0),
    "ten samples near full scale": (spike(300, 10, 0.9 + 0.0j), 6.0),
    "a block 100 times as strong": (gain(lambda t: np.where(t < 0.02, 100.0, 1.0)), 6.0),
    "a block 8 times as strong": (gain(lambda t: np.where(t < 0.02, 8.0, 1.0)), 6.0),
    "0.3 s three times as strong": (gain(lambda t: np.where(t < 0.3, 3.0, 1.0)), 8.0),
    "clipping for 5 s": (clipped(0.8 * 2.0 * AMPLITUDE, 5.0), 8.0),
    "hard clipping for 5 s": (clipped(0.8 * AMPLITUDE, 5.0), 20.0),
}
AT_ONCE = {  # the pump goes off; a single sample is hardly seen in what is averaged
    "one sample at full scale",
    "a block 100 times as strong",
    "a block 8 times as strong",
}
DRIFT_S = 30.0


def assert_nothing_lost(rehearsal: Rehearsal) -> None:
    assert rehearsal.events_of("run", "search") == []
    assert rehearsal.engine.failure is None


@pytest.mark.parametrize("name", SPIKES)
def test_spikes_and_clipping_leave_an_honest_difference(name: str, tmp_path: Path) -> None:
    filtered, until_s = SPIKES[name]
    rehearsal = run_with(filtered, until_s)
    assert_honest(rehearsal, tmp_path)
    assert_as_before(rehearsal, tmp_path)
    assert_nothing_lost(rehearsal)
    if name in AT_ONCE:
        assert rehearsal.off_after_s(AT_S) < 0.05


@pytest.mark.parametrize("factor", [0.3, 0.5, 2.0, 4.0])
def test_another_gain_is_taken_for_nothing_else(factor: float, tmp_path: Path) -> None:
    """The drives then make good for it: the modes are held at another amplitude."""
    rehearsal = run_with(gain(lambda t: np.where(t >= 0.0, factor, 1.0)), 10.0)
    assert_honest(rehearsal, tmp_path)
    assert_as_before(rehearsal, tmp_path, weaker=max(factor, 1.0))
    assert_nothing_lost(rehearsal)
    if factor < 0.5:  # the tracker's gate: what is left may be no mode
        assert rehearsal.off_after_s(AT_S) < 0.05


@pytest.mark.parametrize("total", [0.1, -0.1])
def test_a_slow_drift_of_the_gain_is_nothing_to_the_pump(total: float, tmp_path: Path) -> None:
    rehearsal = run_with(
        gain(lambda t: 1.0 + total * np.clip(t / DRIFT_S, 0.0, 1.0)), DRIFT_S + 4.0
    )
    assert_honest(rehearsal, tmp_path, tolerated_s=0.0)
    assert_as_before(rehearsal, tmp_path)
    assert [is_on for _, is_on in rehearsal.pump_edges_s()] == [True]


@pytest.mark.parametrize(("left", "phase_rad"), [(0.8, 0.1), (1.3, 0.3), (0.7, 0.5), (0.8, 2.0)])
def test_a_knock_is_survived_without_a_search(
    left: float, phase_rad: float, tmp_path: Path
) -> None:
    rehearsal = knocked(left, phase_rad).until(AT_S + 20.0)
    assert_honest(rehearsal, tmp_path)
    assert_as_before(rehearsal, tmp_path)
    assert_nothing_lost(rehearsal)
    # A tenth of a radian is below what an update may show; then the next tick tells.
    assert rehearsal.off_after_s(AT_S) < (0.05 if phase_rad > 0.1 else 0.15)
    back_s = rehearsal.on_again_s(AT_S)
    assert back_s is not None and back_s - AT_S < 6.0


@pytest.mark.parametrize("share", [0.03, 0.06, 0.1])
@pytest.mark.parametrize("beside_hz", [0.05, 0.1])
@pytest.mark.parametrize("mode", ModeId)
def test_a_stray_line_that_crosses_a_mode_costs_certainty(
    mode: ModeId, beside_hz: float, share: float, tmp_path: Path
) -> None:
    rehearsal = run_with(stray_line(MODES_HZ[mode], share, beside_hz), CROSSING_S + 25.0)
    assert_honest(rehearsal, tmp_path)
    assert_as_before(rehearsal, tmp_path)
    assert_nothing_lost(rehearsal)
