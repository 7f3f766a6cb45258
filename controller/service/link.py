"""What passes between the service and its loop process: news one way, orders the other.

loop process  -->  service        what happened: log entries, basebands, the loop's state
service       -->  loop process   what operators ask
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from controller.instrument import StreamFormat, ToneChannel
from controller.protocol.runner import ProtocolRunner
from controller.records import Baseband, Knowledge, PumpState
from controller.runtime.block_clock import LatencyFigures
from controller.runtime.log.handed_over import Entry, HandedOver
from controller.service.ends import ChildEnd
from controller.supervisor.requests import Request

# --- news ----------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Ready:
    """The instrument is made and fits; streaming begins."""

    stream: StreamFormat
    tones: Mapping[str, ToneChannel]
    is_paced: bool
    is_simulated: bool  # it can tell the truth
    has_real_time_priority: bool | None = None  # the loop; None: the instrument is not in real time


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """The loop cannot begin, and why in one line."""

    text: str
    is_input_error: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ProtocolView:
    """A protocol as it is carried out, or as it ended."""

    run_number: int  # as in the order
    title: str
    status: str  # the present step in words
    number: int  # of the present step, from 1
    count: int
    remaining_s: float  # by the plan
    is_paused: bool = False
    is_recovering: bool = False
    is_over: bool = False
    is_stopped: bool = False  # by an operator
    failure: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopState:
    """How the loop is, once a second and at each change."""

    time_s: float  # stream time
    line: str  # in a few words
    pump_state: PumpState
    pump_amplitude: float  # as wished, in the channel's unit
    pump_offset_hz: float  # as wished
    pump_chirp_hz_per_s: float  # as wished
    protocol: ProtocolView | None
    latency: LatencyFigures
    knowledge: Knowledge | None = None  # that the loop has learnt, for the next start
    basebands: tuple[Baseband, ...] = ()  # since the last one
    dropped: int = 0  # news that did not fit into the queue


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """The last news: every tone is off."""

    outcome: str  # "done", "failed" or "interrupted"
    reason: str


News = Ready | Refused | tuple[Entry, ...] | LoopState | Ended

# --- orders --------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class BeginProtocol:
    """Carry out a protocol."""

    runner: ProtocolRunner
    run_number: int  # which one of this service


@dataclass(frozen=True, slots=True)
class EndRun:
    """Tones off, and the end."""


Order = Request | BeginProtocol | EndRun


class RemoteLog(HandedOver):
    """The log as the loop process has it: its calls travel to the service, a block's at a time.

    Parameters
    ----------
    link : ChildEnd
        Which way.
    """

    def __init__(self, link: ChildEnd) -> None:
        self._link = link
        self._entries: list[Entry] = []
        self._has_ended = False

    def commit_if_due(self, sample_index: int) -> None:
        """Send what a block has left; when it is committed is the service's affair."""
        self.commit()

    def commit(self) -> None:
        """Send what there is."""
        if self._entries:
            self._link.tell(tuple(self._entries))
            self._entries.clear()

    def close(self, outcome: str, reason: str = "") -> None:
        """Send the rest and how the run ended; the first word counts."""
        if not self._has_ended:
            self._has_ended = True
            self.commit()
            self._link.tell(Ended(outcome=outcome, reason=reason))

    def _hand_over(self, method: str, *arguments: Any, **options: Any) -> None:
        self._entries.append(Entry(method, arguments, options))
