"""Stray lines are followed and taken off; the mode stays what it was."""

from __future__ import annotations

import numpy as np

from controller.tracking.strays import StrayLines

STREAM_HZ, DECIMATION, PER_UPDATE = 50.0e3, 125, 8  # basebands at 400 Hz, updates of 20 ms
MIX_HZ, STRAY_HZ = 1.0e6, 1.0e6 + 57.3


def cleaned(
    lines: StrayLines,
    *,
    seconds: float = 10.0,
    stray: complex = 0.3 + 0.1j,
    drift_hz_per_s: float = 0.0,
    mode_hz: float = 0.4,
    is_followed: bool = True,
    start_s: float = 0.0,
) -> tuple[np.ndarray, np.ndarray]:
    """What is left of a mode of amplitude 1 beside a stray line, and the mode alone."""
    count = round(seconds * STREAM_HZ / DECIMATION / PER_UPDATE)
    left, alone = [], []
    for update in range(count):
        first = round(start_s * STREAM_HZ) + update * PER_UPDATE * DECIMATION
        centers = first + DECIMATION * np.arange(PER_UPDATE)
        times_s = centers / STREAM_HZ
        mode = np.exp(2j * np.pi * mode_hz * times_s)
        turns = (STRAY_HZ - MIX_HZ) * times_s + 0.5 * drift_hz_per_s * times_s**2
        samples = mode + stray * np.exp(2j * np.pi * turns)
        left.append(
            lines.process(
                samples,
                centers.astype(float),
                mix_hz=MIX_HZ,
                mix_turns=(MIX_HZ * centers[0] / STREAM_HZ) % 1.0,
                motion_hz=mode_hz,
                is_followed=is_followed,
            )
        )
        alone.append(mode)
    return np.concatenate(left), np.concatenate(alone)


def left_at_the_end(left: np.ndarray, alone: np.ndarray) -> float:
    """Rms of what is not the mode in the last second."""
    return float(np.sqrt(np.mean(np.abs(left[-400:] - alone[-400:]) ** 2)))


def test_a_steady_line_is_gone_after_some_time_constants() -> None:
    """exp(-10 s / 0.5 s) is nothing; a hundredth of it is what the mode's mean lets through."""
    left, alone = cleaned(StrayLines((STRAY_HZ,), STREAM_HZ))
    assert left_at_the_end(left, alone) < 0.01 * abs(0.3 + 0.1j)


def test_a_line_that_the_search_saw_a_little_off_is_followed() -> None:
    left, alone = cleaned(StrayLines((STRAY_HZ + 0.02,), STREAM_HZ), seconds=30.0)
    assert left_at_the_end(left, alone) < 0.05 * abs(0.3 + 0.1j)


def test_a_line_that_drifts_is_followed() -> None:
    """As fast as those of the shipped scenarios."""
    left, alone = cleaned(StrayLines((STRAY_HZ,), STREAM_HZ), seconds=60.0, drift_hz_per_s=5.0e-4)
    assert left_at_the_end(left, alone) < 0.05 * abs(0.3 + 0.1j)


def test_without_a_line_the_mode_is_left_alone() -> None:
    left, alone = cleaned(StrayLines((STRAY_HZ,), STREAM_HZ), stray=0j)
    assert left_at_the_end(left, alone) < 1e-3


def test_nothing_is_learnt_while_the_mode_is_not_followed() -> None:
    lines = StrayLines((STRAY_HZ,), STREAM_HZ)
    cleaned(lines)
    twin = lines.copy()
    cleaned(lines, is_followed=False, seconds=2.0, start_s=10.0, stray=0j)
    assert repr(lines) == repr(twin)
    left, alone = cleaned(lines, is_followed=False, seconds=2.0, start_s=12.0)
    assert left_at_the_end(left, alone) < 0.02 * abs(0.3 + 0.1j)


def test_a_line_that_crosses_the_mode_goes_on_as_it_was() -> None:
    """Within 5 Hz of the mode it cannot be told from it."""
    lines = StrayLines((MIX_HZ + 3.0,), STREAM_HZ)
    left, alone = cleaned(lines, stray=0j)
    assert np.array_equal(left, alone)


def test_copy_goes_on_alike_and_reset_is_new() -> None:
    lines = StrayLines((STRAY_HZ,), STREAM_HZ)
    cleaned(lines, seconds=2.0)
    twin = lines.copy()
    first, second = (cleaned(each, seconds=1.0, start_s=2.0)[0] for each in (lines, twin))
    assert np.array_equal(first, second)
    lines.reset()
    again, new = (
        cleaned(each, seconds=1.0)[0] for each in (lines, StrayLines((STRAY_HZ,), STREAM_HZ))
    )
    assert np.array_equal(again, new)


def test_it_says_how_many_lines_it_has() -> None:
    assert len(StrayLines((STRAY_HZ, MIX_HZ - 20.0), STREAM_HZ)) == 2
    assert not StrayLines((), STREAM_HZ)
