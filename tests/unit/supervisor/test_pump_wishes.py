"""A pump as a protocol wishes it: at once, for its time, with its phase and its chirp."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from controller.instrument import Tone
from controller.records import PumpState
from controller.supervisor.pump import LEARN_S, PumpConfig, PumpSupervisor
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
    view,
)

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
