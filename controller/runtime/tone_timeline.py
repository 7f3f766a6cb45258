"""What a tone channel really put out, from the log of its commands.

This is an independent account: it knows the commands and the rules of the
instrument interface, and nothing of why a tone was commanded.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from controller.instrument import Tone, ToneChannel
from controller.runtime.log.reader import LoggedTone


@dataclass(frozen=True, slots=True)
class ToneSegment:
    """The output between one command and the next.

    The frequency is frequency_hz + chirp_hz_per_s * (t - start_s); the
    amplitude is above zero from start_s until on_until_s.
    """

    start_s: float
    end_s: float
    frequency_hz: float
    chirp_hz_per_s: float
    on_until_s: float


def tone_segments(
    commands: Iterable[LoggedTone],
    channel: ToneChannel,
    *,
    sample_rate_hz: float,
    end_s: float,
) -> Iterator[ToneSegment]:
    """The output of one channel as segments that follow each other.

    Parameters
    ----------
    commands : iterable of LoggedTone
        Commands of this channel in the order in which they were given.
    channel : ToneChannel
        The channel; its latency delays what was commanded too late.
    sample_rate_hz : float
        Rate of the one clock [Hz].
    end_s : float
        Where the stream ends [s].

    Yields
    ------
    ToneSegment
        In order of time; memory is bounded by the commands still pending.

    Notes
    -----
    A command takes effect at the sample it was set for, and not before the
    channel's latency has passed; it cancels pending ones that would start at
    or after it. A refused command changes nothing.
    """
    pending: deque[tuple[int, Tone]] = deque()
    is_on = False

    def segment(until_s: float) -> ToneSegment:
        nonlocal is_on
        start_sample, tone = pending.popleft()
        start_s = start_sample / sample_rate_hz
        if tone.amplitude > 0.0:
            on_until_s = until_s
        elif is_on:
            on_until_s = min(until_s, start_s + tone.ramp_s)
        else:
            on_until_s = start_s
        is_on = tone.amplitude > 0.0 or (is_on and on_until_s >= until_s)
        set_before_s = (start_sample - tone.at_sample) / sample_rate_hz
        frequency_hz = tone.frequency_hz + tone.chirp_hz_per_s * set_before_s
        return ToneSegment(start_s, until_s, frequency_hz, tone.chirp_hz_per_s, on_until_s)

    for command in commands:
        tone = command.set_tone
        if tone is None:
            continue
        start_sample = max(tone.at_sample, command.sample_index + channel.latency_samples)
        while pending and pending[-1][0] >= start_sample:
            pending.pop()
        pending.append((start_sample, tone))
        # No later command can start before this one was given.
        while len(pending) > 1 and pending[1][0] <= command.sample_index:
            yield segment(pending[1][0] / sample_rate_hz)
    while pending and pending[0][0] / sample_rate_hz < end_s:
        next_s = pending[1][0] / sample_rate_hz if len(pending) > 1 else end_s
        yield segment(min(next_s, end_s))
