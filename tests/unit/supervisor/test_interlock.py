"""The interlock: its events alternate, and healthy time begins anew with every doubt."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from controller.supervisor.interlock import Interlock

RATE_HZ = 1000.0


def test_it_is_open_from_the_start_and_closes_when_all_is_well() -> None:
    interlock = Interlock(RATE_HZ)
    assert interlock.is_open and interlock.healthy_s(500) == 0.0
    [event] = interlock.process(1000, ())
    assert (event.kind, event.source, event.time_s) == ("interlock_closed", "pump", 1.0)
    assert interlock.healthy_s(3000) == 2.0


def test_it_opens_at_the_first_evidence_and_says_why() -> None:
    interlock = Interlock(RATE_HZ)
    interlock.process(1000, ())
    [event] = interlock.process(2000, ("a gap", "overload"))
    assert (event.kind, event.text) == ("interlock_open", "a gap; overload")
    assert interlock.is_open and interlock.healthy_s(2000) == 0.0


def test_distrust_costs_the_healthy_time_but_opens_nothing() -> None:
    interlock = Interlock(RATE_HZ)
    interlock.process(1000, ())
    interlock.distrust()
    assert interlock.process(5000, ()) == ()
    assert not interlock.is_open and interlock.healthy_s(5500) == 0.5


def test_copy_goes_on_alike_and_reset_is_new() -> None:
    interlock = Interlock(RATE_HZ)
    interlock.process(1000, ())
    other = interlock.copy()
    assert other.process(2000, ("x",)) == interlock.process(2000, ("x",))
    interlock.process(3000, ())
    interlock.reset()
    assert interlock.is_open and repr(interlock) == "Interlock(open)"


@settings(derandomize=True, deadline=None)
@given(st.lists(st.booleans(), max_size=60))
def test_events_alternate_and_the_first_closes(is_well: list[bool]) -> None:
    interlock, kinds, healthy_from = Interlock(RATE_HZ), [], None
    for n, well in enumerate(is_well):
        index = 100 * n
        kinds += [event.kind for event in interlock.process(index, () if well else ("doubt",))]
        healthy_from = (healthy_from if healthy_from is not None else index) if well else None
        expected = 0.0 if healthy_from is None else (index - healthy_from) / RATE_HZ
        assert interlock.healthy_s(index) == expected
        assert interlock.is_open is not well
    assert kinds == [("interlock_closed", "interlock_open")[n % 2] for n in range(len(kinds))]
