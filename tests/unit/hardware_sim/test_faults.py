"""The timetable of faults, in samples."""

from __future__ import annotations

from hardware_sim.faults import Faults
from hardware_sim.options import FaultOptions, FrequencyJump, Interval, ModeDeath


def test_a_loss_is_told_once_and_in_order() -> None:
    lost = (Interval(at_s=3.0, duration_s=0.5), Interval(at_s=1.0, duration_s=0.1))
    faults = Faults(FaultOptions(lost=lost), 1000.0)
    assert faults.next_lost(0, 1000) is None
    assert faults.next_lost(900, 1001) == 1100
    assert faults.next_lost(1100, 1200) is None
    assert faults.next_lost(3200, 3300) == 3500
    assert faults.next_lost(3500, 9000) is None


def test_a_loss_that_lies_behind_is_forgotten() -> None:
    faults = Faults(FaultOptions(lost=(Interval(at_s=1.0, duration_s=0.1),)), 1000.0)
    assert faults.next_lost(1100, 2000) is None


def test_part_of_a_block() -> None:
    spans = (Interval(at_s=1.0, duration_s=0.5),)
    faults = Faults(FaultOptions(overload=spans, nan=spans, frozen=spans), 1000.0)
    assert faults.overloaded(0, 1000) == []
    assert faults.overloaded(900, 1100) == [slice(100, 200)]
    assert faults.not_a_number(1400, 1600) == [slice(0, 100)]
    assert faults.is_frozen(900, 1001)
    assert not faults.is_frozen(1500, 1600)


def test_a_mode_may_die_and_come_back() -> None:
    deaths = (
        ModeDeath(mode="lower", at_s=1.0, until_s=2.0),
        ModeDeath(mode="upper", at_s=3.0),
    )
    faults = Faults(FaultOptions(mode_dies=deaths), 1000.0)
    assert [faults.visibility("lower", n) for n in (999, 1000, 1999, 2000)] == [1, 0, 0, 1]
    assert [faults.visibility("upper", n) for n in (2999, 3000, 10**9)] == [1, 0, 0]
    assert sorted(faults.changes) == [1000, 2000, 3000]


def test_jumps_add_up() -> None:
    jumps = (
        FrequencyJump(mode="lower", at_s=1.0, hz=0.5),
        FrequencyJump(mode="lower", at_s=2.0, hz=-0.2),
    )
    faults = Faults(FaultOptions(jumps=jumps), 1000.0)
    assert [faults.jump_hz("lower", n) for n in (999, 1000, 2000)] == [0.0, 0.5, 0.3]
    assert faults.jump_hz("upper", 5000) == 0.0


def test_timeouts_and_the_final_fault() -> None:
    faults = Faults(FaultOptions(timeouts=(2, 5), fault_at_s=3.0), 1000.0)
    assert [call for call in range(8) if faults.is_timeout(call)] == [2, 5]
    assert not faults.is_fatal(2999)
    assert faults.is_fatal(3000)
