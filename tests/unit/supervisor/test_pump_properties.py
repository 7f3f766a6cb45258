"""Whatever happens: never on while the interlock is open, nor before the healthy time."""

from __future__ import annotations

import math
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from controller.records import PumpState
from controller.supervisor.pump import PumpSupervisor, PumpView
from controller.supervisor.requests import PumpWish, Request, RequestKind
from tests.unit.supervisor.pumps import BLOCK, CONFIG, DIFFERENCE_HZ, RATE_HZ, accept

VIEWS = st.builds(
    lambda reasons, difference, sigma, turns, is_tick: PumpView(
        sample_index=0,
        reasons=reasons,
        difference_hz=difference,
        tracked_sigma_hz=None if difference is None else sigma,
        difference_turns=turns,
        is_tick=is_tick,
    ),
    st.sampled_from([()] * 12 + [("doubt",)]),
    st.sampled_from([DIFFERENCE_HZ] * 12 + [DIFFERENCE_HZ + 1.0, 9000.0, None]),
    st.sampled_from([1e-4] * 12 + [1.0]),
    st.sampled_from([0.1, 0.7, None]),
    st.sampled_from([True, True, True, False]),
)
REQUESTS = st.one_of(
    *[st.just(())] * 12,
    st.tuples(
        st.builds(
            Request,
            kind=st.sampled_from(RequestKind),
            value=st.sampled_from([0.0, 0.3, 1.0, -1.0, 5.0, math.nan]),
            wish=st.sampled_from(
                [
                    None,
                    PumpWish(amplitude=0.3),
                    PumpWish(amplitude=0.3, duration_s=0.35, phase_rad=1.0),
                    PumpWish(amplitude=0.4, duration_s=0.5, chirp_hz_per_s=0.1),
                    PumpWish(amplitude=0.4, continues=True),
                    PumpWish(amplitude=9.0),
                ]
            ),
        )
    ),
)
STEPS = st.lists(
    st.tuples(
        VIEWS,
        REQUESTS,
        st.integers(1, 4),  # blocks of various lengths
        st.sampled_from([False] * 15 + [True]),  # refused
        st.sampled_from([False] * 30 + [True]),  # silenced
    ),
    max_size=80,
)


@settings(derandomize=True, deadline=None, max_examples=300)
@given(STEPS)
def test_it_is_never_on_while_the_interlock_is_open_nor_before_the_healthy_time(
    steps: list[tuple[PumpView, tuple[Request, ...], int, bool, bool]],
) -> None:
    config = replace(CONFIG, healthy_s=0.4)
    pump = PumpSupervisor(config)
    index, interlock, well_from = 0, [], 0
    for seen, requests, blocks, is_refused, is_silenced in steps:
        index += blocks * BLOCK
        was_on = pump.state is PumpState.ON
        tones, events = pump.process(replace(seen, sample_index=index), requests)
        interlock += [e.kind for e in events if e.kind.startswith("interlock")]
        if seen.reasons or pump.interlock.is_open:
            well_from = index + 1
        is_on = pump.state is PumpState.ON
        sounding = [tone for tone in tones if tone.amplitude > 0.0]
        assert not (sounding and (pump.interlock.is_open or not is_on or not pump.is_wanted))
        assert not (seen.reasons and is_on)
        if is_on and not was_on:
            assert index - well_from >= config.healthy_s * RATE_HZ - 1
        if was_on and not is_on:
            assert [tone.amplitude for tone in tones] == [0.0]
            if pump.state is PumpState.MUTED:  # not where it went off as planned
                well_from = index + 1
        for tone in tones:
            before = pump.state
            events = pump.tone_set(tone, None if is_refused else tone, "busy")
            if is_refused:
                well_from = index + 1
                assert pump.state is not PumpState.ON
                assert ("mute" in [e.kind for e in events]) is (before is PumpState.ON)
        if is_silenced:
            accept(pump, (pump.silence(index),))
            well_from = index + 1
        # What sounds without being wanted has been refused, and is asked for again.
        if pump.tone.amplitude > 0.0 and pump.state is not PumpState.ON:
            assert is_refused
    assert interlock == [
        ("interlock_closed", "interlock_open")[n % 2] for n in range(len(interlock))
    ]
