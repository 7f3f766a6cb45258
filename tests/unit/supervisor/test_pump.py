"""The pump's supervisor: never on without the healthy time, off at the first evidence."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from controller.instrument import Tone
from controller.records import PumpState
from controller.supervisor.pump import (
    LEARN_S,
    SAY_EVERY_S,
    STEER_LIMIT_HZ,
    PumpSupervisor,
    PumpView,
)
from controller.supervisor.requests import PumpWish, Request, RequestKind
from tests.unit.supervisor.pumps import (
    BLOCK,
    CHANNEL,
    CONFIG,
    DIFFERENCE_HZ,
    HEALTHY,
    RATE_HZ,
    request,
    step,
    switched_on,
    view,
)

# -- coming on ----------------------------------------------------------------------


def test_it_comes_on_after_the_healthy_time_in_phase_with_the_difference() -> None:
    pump, index = PumpSupervisor(replace(CONFIG, coupling_phase_rad=0.4)), 0
    tones: tuple[Tone, ...] = ()
    while not tones:
        index += BLOCK
        tones, _ = step(pump, view(index, turns=0.3))
    assert index == BLOCK + HEALTHY
    [tone] = tones
    assert (tone.frequency_hz, tone.amplitude, tone.ramp_s) == (DIFFERENCE_HZ, 0.5, 0.005)
    assert tone.phase_rad == pytest.approx(2.0 * math.pi * 0.3 - 0.4)


def test_it_does_not_come_on_before_its_time() -> None:
    pump = PumpSupervisor(replace(CONFIG, from_index=30_000))
    for index in range(BLOCK, 30_000, BLOCK):
        step(pump, view(index))
        assert pump.state is PumpState.OFF
    step(pump, view(30_000))
    assert pump.state is PumpState.ON


@pytest.mark.parametrize(
    "asked",
    [
        Request(kind=RequestKind.ARM),
        Request(kind=RequestKind.PUMP, wish=PumpWish(amplitude=0.5)),
    ],
    ids=lambda asked: asked.kind.value,
)
def test_who_asks_for_the_pump_does_not_wait_for_its_time(asked: Request) -> None:
    pump, asked_at = PumpSupervisor(replace(CONFIG, from_index=10**6)), 5 * HEALTHY
    for index in range(BLOCK, asked_at, BLOCK):
        step(pump, view(index))
    assert pump.state is PumpState.OFF
    step(pump, view(asked_at), asked)
    for index in range(asked_at + BLOCK, asked_at + HEALTHY + BLOCK, BLOCK):
        step(pump, view(index))
    assert pump.state is PumpState.ON


def test_lifting_a_mute_is_not_to_ask_for_the_pump() -> None:
    pump = PumpSupervisor(replace(CONFIG, from_index=10**6))
    step(pump, view(BLOCK), request(RequestKind.MUTE))
    step(pump, view(2 * BLOCK), request(RequestKind.UNMUTE))
    for index in range(3 * BLOCK, 3 * HEALTHY, BLOCK):
        step(pump, view(index))
    assert pump.state is PumpState.OFF


def test_a_pump_without_amplitude_stays_off() -> None:
    pump = PumpSupervisor(replace(CONFIG, amplitude=0.0))
    for index in range(BLOCK, 3 * HEALTHY, BLOCK):
        assert step(pump, view(index))[0] == ()
    assert pump.state is PumpState.OFF


def test_without_a_tick_nothing_comes_on() -> None:
    pump = PumpSupervisor(CONFIG)
    for index in range(BLOCK, 3 * HEALTHY, BLOCK):
        step(pump, replace(view(index), is_tick=False))
    assert pump.state is PumpState.ARMED


def test_the_offset_is_added() -> None:
    pump, _ = switched_on(replace(CONFIG, offset_hz=0.02))
    assert pump.tone.frequency_hz == DIFFERENCE_HZ + 0.02


def test_without_a_window_the_first_difference_makes_one() -> None:
    pump, index = switched_on(replace(CONFIG, window_hz=None))
    assert pump.window_hz == pytest.approx((0.9 * DIFFERENCE_HZ, 1.1 * DIFFERENCE_HZ))
    step(pump, view(index, difference_hz=1.11 * DIFFERENCE_HZ))
    assert pump.state is PumpState.MUTED


def test_a_pump_that_waits_says_what_for() -> None:
    pump = PumpSupervisor(CONFIG)
    said = []
    for index in range(BLOCK, round(2.5 * SAY_EVERY_S * RATE_HZ), BLOCK):
        said += [e for e in step(pump, view(index, "lower lost"))[1] if e.kind == "waiting"]
    assert [event.text for event in said] == ["lower lost", "lower lost"]


# -- going off ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bad", "said"),
    [
        (view(0, "20 samples lost"), "20 samples lost"),
        (view(0, difference_hz=6499.9), "the difference 6499.900 Hz left 6500 to 6700 Hz"),
        (view(0, difference_hz=6700.1), "the difference 6700.100 Hz left 6500 to 6700 Hz"),
        (view(0, difference_hz=None), "the difference is not known"),
        (view(0, difference_hz=math.nan), "the difference nan Hz left 6500 to 6700 Hz"),
    ],
)
def test_evidence_takes_it_off_within_the_block(bad: PumpView, said: str) -> None:
    pump, index = switched_on()
    tones, events = step(pump, replace(bad, sample_index=index))
    [tone] = tones
    assert (tone.amplitude, tone.at_sample, tone.ramp_s) == (0.0, index, 0.005)
    assert pump.state is PumpState.MUTED
    assert [event.kind for event in events] == ["interlock_open", "mute", "state"]
    assert events[0].text.startswith(said)


def test_an_uncertain_difference_takes_it_off_but_not_while_it_learns_its_own_shift() -> None:
    pump, index = switched_on()
    on_at = index - BLOCK
    while index < on_at + LEARN_S * RATE_HZ:
        step(pump, view(index, sigma_hz=0.05))
        assert pump.state is PumpState.ON
        index += BLOCK
    _, events = step(pump, view(index, sigma_hz=0.05))
    assert pump.state is PumpState.MUTED
    assert events[0].text == "the difference is uncertain by 50 mHz, limit 5 mHz"


def test_evidence_without_a_tick_takes_it_off_as_well() -> None:
    pump, index = switched_on()
    tones, _ = step(pump, replace(view(index, "overload"), is_tick=False))
    assert tones[0].amplitude == 0.0


def test_after_a_mute_it_takes_the_whole_healthy_time() -> None:
    pump, index = switched_on()
    step(pump, view(index, "overload"))
    back = index
    while pump.state is not PumpState.ON:
        back += BLOCK
        step(pump, view(back))
    assert back - index == BLOCK + HEALTHY


def test_a_channel_that_cannot_do_the_frequency_keeps_it_off() -> None:
    low = replace(CHANNEL, max_frequency_hz=6600.01)
    pump, index = switched_on(replace(CONFIG, channel=low))
    step(pump, view(index, difference_hz=6600.02))
    assert pump.state is PumpState.MUTED


# -- following ------------------------------------------------------------------------


def test_it_follows_the_difference_without_a_break_in_phase() -> None:
    pump, index = switched_on()
    for n in range(1, 51):
        hz = DIFFERENCE_HZ + 1.0e-3 * n
        turns = pump.tone.turns_at(index)
        [tone] = step(pump, view(index, difference_hz=hz, turns=turns))[0]
        assert (tone.phase_rad, tone.amplitude, tone.ramp_s) == (None, 0.5, 0.0)
        assert tone.frequency_hz == pytest.approx(hz, abs=1e-9)
        index += BLOCK


@pytest.mark.parametrize("behind_turns", [0.2, -0.2])
def test_its_phase_is_drawn_to_the_difference_and_never_fast(behind_turns: float) -> None:
    pump, index = switched_on()
    start = index
    while index - start < 700 * RATE_HZ:  # 0.2 turns at the limit take 400 s
        turns = (DIFFERENCE_HZ * (index - start) / RATE_HZ) % 1.0
        if index == start:
            ahead = pump.tone.turns_at(index) + behind_turns - turns
        for tone in step(pump, view(index, turns=turns + ahead))[0]:
            # 1e-9 Hz: rounding of a float64 near 6600.
            assert abs(tone.frequency_hz - DIFFERENCE_HZ) <= STEER_LIMIT_HZ + 1e-9
        index += BLOCK
    turns = (DIFFERENCE_HZ * (index - start) / RATE_HZ) % 1.0 + ahead
    off = (turns - pump.tone.turns_at(index) + 0.5) % 1.0 - 0.5
    # 0.2 turns less 5e-4 Hz for 400 s, then exp(-t / 5 s) for far more than 50 s.
    assert abs(off) < 1e-3


def test_a_generator_that_breaks_its_phase_is_left_alone_for_little() -> None:
    pump, index = switched_on(replace(CONFIG, channel=replace(CHANNEL, keeps_phase=False)))
    assert step(pump, view(index, difference_hz=DIFFERENCE_HZ + 1e-4))[0] == ()
    [tone] = step(pump, view(index + BLOCK, difference_hz=DIFFERENCE_HZ + 2e-3))[0]
    assert tone.frequency_hz == DIFFERENCE_HZ + 2e-3


# -- refusals ---------------------------------------------------------------------------


def test_a_refused_off_is_asked_again_until_it_is_accepted() -> None:
    pump, index = switched_on()
    [off], _ = pump.process(view(index, "overload"))
    for n in range(1, 5):
        pump.tone_set(off, None, "busy")
        assert pump.state is PumpState.MUTED
        [off], _ = pump.process(view(index + n * BLOCK))
        assert off.amplitude == 0.0
    pump.tone_set(off, off)
    assert step(pump, view(index + 5 * BLOCK))[0] == ()
    # The interlock was open until the channel was off: only now is anything healthy.
    last = index + 5 * BLOCK + HEALTHY
    for at in range(index + 6 * BLOCK, last, BLOCK):
        step(pump, view(at))
        assert pump.state is PumpState.MUTED
    step(pump, view(last))
    assert pump.state is PumpState.ON


@pytest.mark.parametrize("first", [True, False])
def test_a_refused_tone_mutes_and_asks_for_off(first: bool) -> None:
    if first:
        pump, index, asked = PumpSupervisor(CONFIG), 0, ()
        while not asked:
            index += BLOCK
            asked, _ = pump.process(view(index))
    else:
        pump, index = switched_on()
        asked, _ = pump.process(view(index, difference_hz=DIFFERENCE_HZ + 0.01))
    kinds = [event.kind for event in pump.tone_set(asked[0], None, "busy")]
    assert kinds == ["mute", "state"]
    assert pump.state is PumpState.MUTED
    [tone], events = pump.process(view(index + BLOCK))
    assert tone.amplitude == 0.0
    assert events[0].kind == "interlock_open"


@pytest.mark.parametrize("off_hz", [-1.0, 1.0])
def test_a_channel_that_sets_another_frequency_is_muted_until_armed(off_hz: float) -> None:
    """A generator whose steps are coarser than the line would keep the pump beside it."""
    pump, index = switched_on()
    [asked], _ = pump.process(view(index, difference_hz=DIFFERENCE_HZ + 0.01))
    limit_hz = off_hz * CONFIG.sigma_limit_hz
    rounded = replace(asked, frequency_hz=asked.frequency_hz + 0.99 * limit_hz)
    assert pump.tone_set(asked, rounded) == ()
    assert pump.process(view(index + 1))[1] == ()
    worse = replace(asked, frequency_hz=asked.frequency_hz + 1.01 * limit_hz)
    pump.tone_set(asked, worse)
    [off], events = pump.process(view(index + BLOCK))
    assert off.amplitude == 0.0 and pump.state is PumpState.MUTED
    assert f"the channel set {worse.frequency_hz:.6f} Hz instead of" in events[0].text
    for at in range(index + 2 * BLOCK, index + 3 * HEALTHY, BLOCK):
        assert step(pump, view(at))[0] == ()
    step(pump, view(at + BLOCK), request(RequestKind.ARM))
    for later in range(at + 2 * BLOCK, at + 2 * HEALTHY, BLOCK):
        step(pump, view(later))
    assert pump.state is PumpState.ON


def test_a_chirped_tone_that_begins_later_is_not_astray() -> None:
    pump, index = switched_on()
    asked = Tone("pump", index, DIFFERENCE_HZ, 0.5, chirp_hz_per_s=5.0)
    later = replace(asked, at_sample=asked.at_sample + BLOCK)
    later = replace(later, frequency_hz=asked.frequency_hz + 5.0 * BLOCK / RATE_HZ)
    pump.tone_set(asked, later)
    _, events = pump.process(view(index + BLOCK))
    assert events == () and pump.state is PumpState.ON


# -- the operator -------------------------------------------------------------------------


def test_an_operators_mute_holds_until_armed_and_then_takes_the_healthy_time() -> None:
    pump, index = switched_on()
    _, events = step(pump, view(index), request(RequestKind.MUTE))
    assert [event.kind for event in events] == ["request", "interlock_open", "mute", "state"]
    for at in range(index + BLOCK, index + 3 * HEALTHY, BLOCK):
        step(pump, view(at))
    assert pump.state is PumpState.MUTED
    at += BLOCK
    step(pump, view(at), request(RequestKind.ARM))
    back = at
    while pump.state is not PumpState.ON:
        back += BLOCK
        step(pump, view(back))
    assert back - at == HEALTHY


@pytest.mark.parametrize("first", [(), (RequestKind.DISARM,)])
def test_to_lift_a_mute_is_not_to_ask_for_the_pump(first: tuple[RequestKind, ...]) -> None:
    pump, index = switched_on()
    for kind in (*first, RequestKind.MUTE):
        index += BLOCK
        step(pump, view(index), request(kind))
    index += BLOCK
    step(pump, view(index), request(RequestKind.UNMUTE))
    for at in range(index + BLOCK, index + HEALTHY + BLOCK, BLOCK):
        assert pump.state is not PumpState.ON
        step(pump, view(at))
    assert pump.state is (PumpState.OFF if first else PumpState.ON)


def test_disarm_takes_it_off_for_good_and_arm_back() -> None:
    pump, index = switched_on()
    tones, events = step(pump, view(index), request(RequestKind.DISARM))
    assert tones[0].amplitude == 0.0 and pump.state is PumpState.OFF
    assert "mute" not in [event.kind for event in events]
    for at in range(index + BLOCK, index + 2 * HEALTHY, BLOCK):
        step(pump, view(at))
    assert pump.state is PumpState.OFF
    step(pump, view(at + BLOCK), request(RequestKind.ARM))
    assert pump.state is PumpState.ARMED


def test_arming_what_is_on_changes_nothing() -> None:
    pump, index = switched_on()
    step(pump, view(index, turns=pump.tone.turns_at(index)), request(RequestKind.ARM))
    assert pump.state is PumpState.ON


def test_a_new_amplitude_is_ramped_and_zero_takes_it_off() -> None:
    pump, index = switched_on()
    turns = pump.tone.turns_at(index)
    set_to = request(RequestKind.SET_AMPLITUDE, 1.25)
    [tone] = step(pump, view(index, turns=turns), set_to)[0]
    assert (tone.amplitude, tone.ramp_s) == (1.25, 0.005)
    step(pump, view(index + BLOCK), request(RequestKind.SET_AMPLITUDE, 0.0))
    assert pump.state is PumpState.OFF and pump.tone.amplitude == 0.0


@pytest.mark.parametrize(
    ("asked", "why"),
    [
        (request(RequestKind.SET_AMPLITUDE, 2.01), "the channel allows 0 to 2 V"),
        (request(RequestKind.SET_AMPLITUDE, -0.1), "the channel allows 0 to 2 V"),
        (request(RequestKind.SET_AMPLITUDE, math.nan), "the value has to be a finite number"),
        (request(RequestKind.SET_OFFSET, math.inf), "the value has to be a finite number"),
    ],
)
def test_an_impossible_request_is_refused_and_changes_nothing(asked: Request, why: str) -> None:
    pump, index = switched_on()
    _, events = step(pump, view(index, turns=pump.tone.turns_at(index)), asked)
    [event] = events
    assert event.kind == "request_refused" and why in event.text
    assert (pump.wish.amplitude, pump.wish.offset_hz, pump.state) == (0.5, 0.0, PumpState.ON)


def test_a_mark_is_none_of_its_business() -> None:
    pump, index = switched_on()
    assert step(pump, view(index), request(RequestKind.MARK))[1] == ()


# -- from outside ---------------------------------------------------------------------------


def test_silence_from_outside_is_told_with_the_next_block() -> None:
    pump, index = switched_on()
    assert pump.silence(index).amplitude == 0.0
    assert pump.state is PumpState.MUTED
    _, events = step(pump, view(index + BLOCK))
    assert [event.kind for event in events] == ["interlock_open", "mute", "state"]
    assert events[-1].text == "on -> muted: the stream stayed away"


def test_the_end_of_a_run_is_no_mute() -> None:
    pump, index = switched_on()
    pump.silence(index)
    [event] = pump.finish(index)
    assert (event.kind, event.text) == ("state", "on -> off: the run has ended")
    assert pump.finish(index) == ()


def test_states_are_remembered_for_records() -> None:
    pump, index = switched_on()
    step(pump, view(index, "overload"))
    assert pump.state_at(index - 1) is PumpState.ON
    assert pump.state_at(index) is PumpState.MUTED
    assert pump.state_at(0) is PumpState.OFF


def test_copy_goes_on_alike_and_reset_is_new() -> None:
    pump, index = switched_on()
    other = pump.copy()
    assert other.process(view(index, "x")) == pump.process(view(index, "x"))
    pump.reset()
    assert (pump.state, pump.tone.amplitude) == (PumpState.OFF, 0.0)
    assert "off" in repr(pump)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"amplitude": 2.5}, "amplitude is 2.5"),
        ({"amplitude": math.nan}, "amplitude is nan"),
        ({"healthy_s": 0.0}, "healthy_s is 0.0"),
        ({"sigma_limit_hz": -1.0}, "sigma_limit_hz is -1.0"),
        ({"window_hz": (7.0, 6.0)}, r"window_hz is \(7.0, 6.0\)"),
    ],
)
def test_a_bad_config_is_refused_with_its_value(change: dict[str, object], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        replace(CONFIG, **change)
