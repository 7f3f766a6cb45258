"""The interlock: its events alternate, and healthy time begins anew with every doubt."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from controller.supervisor.interlock import Interlock

RATE_HZ = 1000.0
HEALTHY_S = 1.0  # before that no pump comes on, and no closing is told


def test_it_is_open_from_the_start_and_closes_when_all_is_well() -> None:
    interlock = Interlock(RATE_HZ, HEALTHY_S)
    assert interlock.is_open and interlock.healthy_s(500) == 0.0
    assert interlock.process(1000, ()) == () and not interlock.is_open
    [event] = interlock.process(2000, ())
    assert (event.kind, event.source, event.time_s) == ("interlock_closed", "pump", 2.0)
    assert interlock.healthy_s(3000) == 2.0


def test_it_opens_at_the_first_evidence_and_says_why() -> None:
    interlock = Interlock(RATE_HZ, HEALTHY_S)
    interlock.process(0, ())
    interlock.process(1000, ())
    [event] = interlock.process(2000, ("a gap", "overload"))
    assert (event.kind, event.text) == ("interlock_open", "a gap; overload")
    assert interlock.is_open and interlock.healthy_s(2000) == 0.0


def test_distrust_costs_the_healthy_time_but_opens_nothing() -> None:
    interlock = Interlock(RATE_HZ, HEALTHY_S)
    interlock.process(0, ())
    interlock.process(1000, ())
    interlock.distrust()
    assert interlock.process(5000, ()) == ()
    assert not interlock.is_open and interlock.healthy_s(5500) == 0.5


def test_evidence_that_comes_and_goes_is_one_opening_and_then_a_line_each_ten_seconds() -> None:
    interlock = Interlock(RATE_HZ, HEALTHY_S)
    told = []
    for index in range(0, 30_000, 250):
        reasons = ("a jump",) if index > 2000 and index % 500 == 0 else ()
        told += interlock.process(index, reasons)
        assert interlock.is_open is bool(reasons)
    for index in range(30_000, 32_000, 250):
        told += interlock.process(index, ())
    # The last reason comes at 29.5 s; two a second.
    assert [(event.time_s, event.kind, event.text) for event in told] == [
        (1.0, "interlock_closed", "all is well"),
        (2.5, "interlock_open", "a jump"),
        (12.5, "again", "a jump (20 more within 10.0 s)"),
        (22.5, "again", "a jump (20 more within 10.0 s)"),
        (30.75, "again", "a jump (14 more within 8.2 s)"),
        (30.75, "interlock_closed", "all is well"),
    ]


def test_copy_goes_on_alike_and_reset_is_new() -> None:
    interlock = Interlock(RATE_HZ, HEALTHY_S)
    interlock.process(0, ())
    interlock.process(1000, ())
    other = interlock.copy()
    assert other.process(2000, ("x",)) == interlock.process(2000, ("x",))
    interlock.process(3000, ())
    interlock.reset()
    assert interlock.is_open and repr(interlock) == "Interlock(open)"


@settings(derandomize=True, deadline=None)
@given(st.lists(st.booleans(), max_size=60))
def test_events_alternate_and_the_first_closes(is_well: list[bool]) -> None:
    interlock, kinds, healthy_from = Interlock(RATE_HZ, HEALTHY_S), [], None
    for n, well in enumerate(is_well):
        index = 100 * n
        events = interlock.process(index, () if well else ("doubt",))
        kinds += [event.kind for event in events if event.kind != "again"]
        healthy_from = (healthy_from if healthy_from is not None else index) if well else None
        expected = 0.0 if healthy_from is None else (index - healthy_from) / RATE_HZ
        assert interlock.healthy_s(index) == expected
        assert interlock.is_open is not well
    assert kinds == [("interlock_closed", "interlock_open")[n % 2] for n in range(len(kinds))]
