"""Real time, with a clock and a sleep that are handed in."""

from __future__ import annotations

import pytest

from hardware_sim.pacer import Pacer


def test_pacing_waits_for_the_clock() -> None:
    now_s, slept_s = [100.0], []

    def sleep(seconds: float) -> None:
        slept_s.append(seconds)
        now_s[0] += seconds

    pacer = Pacer(lambda: now_s[0], sleep)
    assert pacer.wait(0.02, 1.0)
    now_s[0] += 0.05  # the loop was busy
    assert pacer.wait(0.04, 1.0)
    assert pacer.wait(0.10, 1.0)
    assert slept_s == pytest.approx([0.02, 0.03])
    assert not pacer.wait(0.5, 0.1)  # not due within the timeout
    assert slept_s[-1] == pytest.approx(0.1)
