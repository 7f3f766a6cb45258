"""The private link between the service and its loop process: news one way, orders the other.

    loop process  --PUSH-->  service        what happened: log entries, basebands, the loop's state
    service       --PUSH-->  loop process   what operators ask

Two Unix sockets in a folder that is open to its owner alone; only therefore
may pickles pass. Neither end ever waits for the other: the loop's news wait
in a queue of about ten minutes, and what does not fit is dropped and counted.
"""

from __future__ import annotations

import pickle
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import zmq

from controller.instrument import StreamFormat, ToneChannel
from controller.protocol.runner import ProtocolRunner
from controller.records import Baseband, Knowledge, PumpState
from controller.runtime.block_clock import LatencyFigures
from controller.runtime.log.handed_over import Entry, HandedOver
from controller.supervisor.requests import Request

NEWS_NAME, ORDERS_NAME = "news", "orders"  # of the sockets in the folder
MOST_NEWS = 30_000  # ten minutes of blocks of 20 ms
MOST_ORDERS = 1_000
MOST_AT_ONCE = 500  # that are taken by one call
LINGER_MS = 3_000  # for the last news to get through

# --- news ----------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Ready:
    """The instrument is made and fits; streaming begins."""

    stream: StreamFormat
    tones: Mapping[str, ToneChannel]
    is_paced: bool
    is_simulated: bool  # it can tell the truth


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

# --- ends ----------------------------------------------------------------


class _End:
    """One end: a socket to send on and one to receive from."""

    def __init__(self) -> None:
        self.dropped = 0  # messages that did not fit into the queue
        self._context = zmq.Context()
        self._out, self._in = self._context.socket(zmq.PUSH), self._context.socket(zmq.PULL)
        self._out.linger = LINGER_MS

    def _send(self, message: object) -> None:
        content = pickle.dumps(message, protocol=pickle.HIGHEST_PROTOCOL)
        try:
            self._out.send(content, zmq.NOBLOCK, copy=False)
        except zmq.Again:
            self.dropped += 1

    def _receive(self) -> list[Any]:
        received = []
        for _ in range(MOST_AT_ONCE):
            try:
                received.append(pickle.loads(self._in.recv(zmq.NOBLOCK)))
            except zmq.Again:
                break
        return received

    def close(self) -> None:
        """Send what is under way, as far as it is taken in time; may be called twice."""
        for socket in (self._out, self._in):
            socket.close()
        self._context.term()


class ServiceEnd(_End):
    """The service's end, which is there first.

    Parameters
    ----------
    folder : Path
        Where the sockets are made; open to its owner alone.
    """

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self._in.set(zmq.RCVHWM, MOST_NEWS)
        self._out.set(zmq.SNDHWM, MOST_ORDERS)
        self._out.linger = 0  # to a loop that has gone
        self._in.bind(f"ipc://{folder / NEWS_NAME}")
        self._out.bind(f"ipc://{folder / ORDERS_NAME}")

    @property
    def socket(self) -> zmq.Socket[bytes]:
        """Readable when there are news."""
        return self._in

    def order(self, order: Order) -> None:
        """Tell the loop; it looks before each block."""
        self._send(order)

    def news(self) -> list[News]:
        """What has come since the last call, some at a time."""
        return self._receive()


class LoopEnd(_End):
    """The loop's end.

    Parameters
    ----------
    folder : Path
        Where the service made the sockets.
    """

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self._out.set(zmq.SNDHWM, MOST_NEWS)
        self._in.set(zmq.RCVHWM, MOST_ORDERS)
        self._out.connect(f"ipc://{folder / NEWS_NAME}")
        self._in.connect(f"ipc://{folder / ORDERS_NAME}")

    def tell(self, news: News) -> None:
        """Tell the service, if there is room in the queue."""
        self._send(news)

    def orders(self) -> list[Order]:
        """What has come since the last call."""
        return self._receive()


class RemoteLog(HandedOver):
    """The log as the loop process has it: its calls travel to the service, a block's at a time.

    Parameters
    ----------
    link : LoopEnd
        Which way.
    """

    def __init__(self, link: LoopEnd) -> None:
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
