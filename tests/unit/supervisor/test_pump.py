"""The pump's supervisor: never on without the healthy time, off at the first evidence."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.instrument import Tone, ToneChannel
from controller.records import Event, PumpState
from controller.supervisor.pump import (
    LEARN_S,
    SAY_EVERY_S,
    STEER_LIMIT_HZ,
    PumpConfig,
    PumpSupervisor,
    PumpView,
)
from controller.supervisor.requests import PumpWish, Request, RequestKind

RATE_HZ = 1000.0
BLOCK = 100  # samples
HEALTHY = 2000  # samples
DIFFERENCE_HZ = 6600.0
CHANNEL = ToneChannel("pump", "V", 2.0, 100.0, 50_000.0, 0, True, True)
CONFIG = PumpConfig(
    channel=CHANNEL,
    sample_rate_hz=RATE_HZ,
    amplitude=0.5,
    offset_hz=0.0,
    coupling_phase_rad=0.0,
    window_hz=(6500.0, 6700.0),
    sigma_limit_hz=5.0e-3,
    healthy_s=HEALTHY / RATE_HZ,
    ramp_s=0.005,
    from_index=0,
)


def view(
    index: int,
    *reasons: str,
    difference_hz: float | None = DIFFERENCE_HZ,
    sigma_hz: float = 1.0e-4,
    turns: float | None = 0.0,
) -> PumpView:
    return PumpView(
        sample_index=index,
        reasons=reasons,
        difference_hz=difference_hz,
        tracked_sigma_hz=None if difference_hz is None else sigma_hz,
        difference_turns=turns,
        is_tick=True,
    )


def accept(pump: PumpSupervisor, tones: tuple[Tone, ...]) -> None:
    for tone in tones:
        pump.tone_set(tone, tone)


def step(
    pump: PumpSupervisor, seen: PumpView, *requests: Request
) -> tuple[tuple[Tone, ...], tuple[Event, ...]]:
    tones, events = pump.process(seen, requests)
    accept(pump, tones)
    return tones, events


def switched_on(config: PumpConfig = CONFIG) -> tuple[PumpSupervisor, int]:
    """A pump that has just come on, and the index of the next block's end."""
    pump = PumpSupervisor(config)
    index = 0
    while pump.state is not PumpState.ON:
        index += BLOCK
        assert index < 20 * HEALTHY
        step(pump, view(index))
    return pump, index + BLOCK


def request(kind: RequestKind, value: float = 0.0) -> Request:
    return Request(kind=kind, value=value)


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


# -- as wished ------------------------------------------------------------------------------


DIRECTED = replace(CONFIG, is_directed=True)
LATENCY = 7  # samples


def wished(**members: object) -> Request:
    """A request for a pump, of amplitude 0.3 unless said otherwise."""
    wish = PumpWish(**{"amplitude": 0.3, **members})  # type: ignore[arg-type]
    return Request(kind=RequestKind.PUMP, who="protocol", wish=wish)


def late(pump: PumpSupervisor, tones: tuple[Tone, ...], index: int) -> list[Tone]:
    """Let a channel set tones that takes some samples for it; what it really set."""
    actual = [replace(tone, at_sample=max(tone.at_sample, index + LATENCY)) for tone in tones]
    for asked, done in zip(tones, actual, strict=True):
        pump.tone_set(asked, done)
    return actual


def healthy(config: PumpConfig = DIRECTED) -> tuple[PumpSupervisor, int]:
    """A pump that nobody wants yet though all is well, and the next block's end."""
    pump = PumpSupervisor(config)
    for index in range(BLOCK, 2 * HEALTHY, BLOCK):
        assert step(pump, view(index))[0] == ()
    return pump, index + BLOCK


def test_a_directed_pump_waits_for_its_wish_and_comes_on_at_once_where_all_is_well() -> None:
    pump, index = healthy()
    assert pump.state is PumpState.OFF
    [tone] = step(pump, view(index), wished(waveform="sine", offset_hz=0.02))[0]
    assert (tone.amplitude, tone.frequency_hz) == (0.3, DIFFERENCE_HZ + 0.02)
    assert pump.state is PumpState.ON


def test_the_waveform_goes_with_every_tone() -> None:
    channel = replace(CHANNEL, waveforms=("sine", "pulses"))
    pump, index = healthy(replace(DIRECTED, channel=channel))
    asked = wished(waveform="pulses", pulse_s=3.0e-5)
    first = step(pump, view(index), asked)[0]
    second = step(pump, view(index + BLOCK, difference_hz=DIFFERENCE_HZ + 0.01))[0]
    for tone in (*first, *second):
        assert (tone.waveform, tone.pulse_s) == ("pulses", 3.0e-5)


def after_a_train(waveform: str = "pulses") -> tuple[PumpSupervisor, int]:
    """A pump that was on as a train and went off as planned, and the next block's end."""
    channel = replace(CHANNEL, waveforms=("sine", "pulses"))
    pump, index = healthy(replace(DIRECTED, channel=channel))
    step(pump, view(index), wished(waveform=waveform, pulse_s=3.0e-5))
    index += round(2.0 * LEARN_S * RATE_HZ)
    step(pump, view(index), request(RequestKind.DISARM))
    assert pump.state is PumpState.OFF
    return pump, index + BLOCK


def test_the_end_of_a_train_excuses_the_uncertainty_but_nothing_comes_on_with_it() -> None:
    pump, index = after_a_train()
    uncertain = {"sigma_hz": 2.0 * CONFIG.sigma_limit_hz}
    assert step(pump, view(index, **uncertain), wished(waveform="pulses", pulse_s=3.0e-5))[0] == ()
    assert pump.state is PumpState.ARMED and not pump.interlock.is_open
    [tone] = step(pump, view(index + BLOCK))[0]
    assert tone.amplitude == 0.3


@pytest.mark.parametrize(("waveform", "wait_s"), [("sine", 0.0), ("pulses", 1.1 * LEARN_S)])
def test_otherwise_an_uncertain_difference_costs_the_healthy_time(
    waveform: str, wait_s: float
) -> None:
    pump, index = after_a_train(waveform)
    index += round(wait_s * RATE_HZ)
    step(pump, view(index, sigma_hz=2.0 * CONFIG.sigma_limit_hz), wished())
    assert pump.interlock.is_open
    assert step(pump, view(index + BLOCK))[0] == ()


@pytest.mark.parametrize(
    ("asked", "why"),
    [
        (wished(amplitude=2.5), "the channel allows 0 to 2 V"),
        (wished(amplitude=math.nan), "the channel allows 0 to 2 V"),
        (wished(waveform="square"), "the channel does sine, not square"),
        (wished(duration_s=0.0), "it cannot be on for 0 s"),
        (wished(duration_s=math.nan), "it cannot be on for nan s"),
        (Request(kind=RequestKind.PUMP), "it does not say how the pump should be"),
    ],
)
def test_an_impossible_wish_is_refused_and_changes_nothing(asked: Request, why: str) -> None:
    pump, index = healthy()
    before = pump.wish
    tones, [event] = step(pump, view(index), asked)
    assert tones == () and (event.kind, pump.wish) == ("request_refused", before)
    assert why in event.text and pump.state is PumpState.OFF


@pytest.mark.parametrize("samples", [101, 107, 193, 200, 250, 1001, 1299])
def test_its_time_ends_at_the_very_sample_whatever_the_latency(samples: int) -> None:
    channel = replace(CHANNEL, latency_samples=LATENCY)
    pump, index = healthy(replace(DIRECTED, channel=channel))
    asked: tuple[Request, ...] = (wished(duration_s=samples / RATE_HZ),)
    done: list[Tone] = []
    for at in range(index, index + 20 * BLOCK, BLOCK):
        turns = pump.tone.turns_at(at)
        tones, events = pump.process(view(at, turns=turns), asked)
        assert "mute" not in [event.kind for event in events]
        done, asked = done + late(pump, tones, at), ()
    on, off = next(t for t in done if t.amplitude), next(t for t in done if not t.amplitude)
    assert on.at_sample == index + LATENCY
    assert off.at_sample - on.at_sample == samples
    assert pump.state is PumpState.OFF and pump.is_over


def test_after_its_time_the_next_one_needs_no_healthy_time() -> None:
    pump, index = healthy()
    step(pump, view(index), wished(duration_s=0.15))
    while pump.state is PumpState.ON:
        index += BLOCK
        _, events = step(pump, view(index))
    assert events[-1].text == "on -> off: its time is over"
    assert pump.is_over
    [tone] = step(pump, view(index + BLOCK), wished(duration_s=0.15))[0]
    assert tone.amplitude == 0.3 and not pump.is_over


@pytest.mark.parametrize("kind", [RequestKind.DISARM, RequestKind.MUTE])
def test_a_pump_that_is_taken_off_before_its_time_is_not_over(kind: RequestKind) -> None:
    pump, index = healthy()
    step(pump, view(index), wished(duration_s=1.0))
    step(pump, view(index + BLOCK), request(kind))
    assert pump.tone.amplitude == 0.0 and not pump.is_over


def test_without_a_duration_it_is_never_over() -> None:
    pump, index = healthy()
    step(pump, view(index), wished())
    for at in range(index + BLOCK, index + 100 * BLOCK, BLOCK):
        step(pump, view(at, turns=pump.tone.turns_at(at)))
    assert pump.state is PumpState.ON and not pump.is_over


def test_a_pump_that_is_muted_has_its_whole_time_again_when_it_comes_back() -> None:
    pump, index = healthy()
    step(pump, view(index), wished(duration_s=0.5))
    step(pump, view(index + 2 * BLOCK, "overload"))
    edges = []
    for at in range(index + 3 * BLOCK, index + 5 * BLOCK + 2 * HEALTHY, BLOCK):
        edges += step(pump, view(at, turns=pump.tone.turns_at(at)))[0]
    assert [tone.amplitude for tone in edges] == [0.3, 0.0]
    assert edges[1].at_sample - edges[0].at_sample == 500


def test_arm_lifts_a_mute_but_asks_for_nothing_where_a_protocol_does() -> None:
    pump, index = healthy()
    step(pump, view(index), request(RequestKind.ARM))
    for at in range(index + BLOCK, index + 2 * HEALTHY, BLOCK):
        step(pump, view(at))
    assert pump.state is PumpState.OFF


def test_an_operators_mute_wins_over_a_wish_until_it_is_lifted() -> None:
    pump, index = healthy()
    step(pump, view(index), request(RequestKind.MUTE))
    step(pump, view(index + BLOCK), wished())
    for at in range(index + 2 * BLOCK, index + 2 * HEALTHY, BLOCK):
        step(pump, view(at))
    assert pump.state is PumpState.MUTED
    at += BLOCK
    step(pump, view(at), request(RequestKind.ARM))
    assert pump.state is not PumpState.ON
    for later in range(at + BLOCK, at + HEALTHY + 2 * BLOCK, BLOCK):
        step(pump, view(later))
    assert pump.state is PumpState.ON


def test_a_wished_phase_is_ahead_of_the_difference() -> None:
    pump, index = healthy(replace(DIRECTED, coupling_phase_rad=0.4))
    [tone] = step(pump, view(index, turns=0.3), wished(phase_rad=1.1))[0]
    assert tone.phase_rad == pytest.approx(2.0 * math.pi * 0.3 + 1.1 - 0.4)


def test_a_pump_that_continues_has_the_phase_that_it_went_off_with() -> None:
    """Gone on at its own frequency, whatever the difference did meanwhile."""
    pump, index = healthy()
    [first] = step(pump, view(index, turns=0.2), wished(duration_s=0.15))[0]
    again = index + 5 * BLOCK
    for at in range(index + BLOCK, again, BLOCK):
        step(pump, view(at, turns=None))
    assert pump.is_over
    elapsed_s = (again - first.at_sample) / RATE_HZ
    [second] = step(pump, view(again, turns=0.77), wished(continues=True, phase_rad=0.5))[0]
    turns = 0.2 + first.frequency_hz * elapsed_s + 0.5 / (2.0 * math.pi)
    apart = second.phase_rad / (2.0 * math.pi) - turns
    assert abs((apart + 0.5) % 1.0 - 0.5) < 1e-9  # rounding of some thousand turns
    # Nor is it drawn to the difference from then on.
    for at in range(again + BLOCK, again + 20 * BLOCK, BLOCK):
        assert step(pump, view(at, turns=0.77))[0] == ()


def test_a_pump_that_continues_nothing_comes_on_with_the_difference() -> None:
    pump, index = healthy()
    [tone] = step(pump, view(index, turns=0.3), wished(continues=True))[0]
    assert tone.phase_rad == pytest.approx(2.0 * math.pi * 0.3)


def test_a_chirp_counts_from_where_the_tone_began() -> None:
    channel = replace(CHANNEL, latency_samples=LATENCY)
    pump, index = healthy(replace(DIRECTED, channel=channel))
    wish = wished(offset_hz=-0.1, chirp_hz_per_s=0.05, duration_s=4.0)
    tones, _ = pump.process(view(index), (wish,))
    [on] = late(pump, tones, index)
    assert (on.frequency_hz, on.chirp_hz_per_s) == (DIFFERENCE_HZ - 0.1, 0.05)
    for n in range(1, 39):
        at = index + n * BLOCK
        expected_hz = -0.1 + 0.05 * (at - on.at_sample) / RATE_HZ
        hz = DIFFERENCE_HZ + 1.0e-3 * n  # the difference drifts, and the chirp with it
        before = pump.tone.turns_at(at + LATENCY)
        [tone] = late(pump, pump.process(view(at, difference_hz=hz))[0], at)
        assert (tone.phase_rad, tone.chirp_hz_per_s) == (None, 0.05)
        # The reading of a clock some samples late, and of a float64 near 6600.
        assert tone.frequency_hz - hz == pytest.approx(expected_hz, abs=1e-9)
        assert pump.tone.turns_at(at + LATENCY) % 1.0 == pytest.approx(before % 1.0, abs=1e-9)


def test_a_chirping_generator_that_breaks_its_phase_is_left_alone() -> None:
    pump, index = healthy(replace(DIRECTED, channel=replace(CHANNEL, keeps_phase=False)))
    step(pump, view(index), wished(chirp_hz_per_s=0.05, duration_s=4.0))
    for n in range(1, 30):
        assert step(pump, view(index + n * BLOCK))[0] == ()


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


# -- whatever happens -------------------------------------------------------------------------

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
