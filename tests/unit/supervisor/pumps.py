"""A pump without a loop around it: what it sees, and a channel that does as it is told."""

from __future__ import annotations

from controller.instrument import Tone, ToneChannel
from controller.records import Event, PumpState
from controller.supervisor.pump import PumpConfig, PumpSupervisor, PumpView
from controller.supervisor.requests import Request, RequestKind

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
