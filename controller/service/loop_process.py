"""The process that runs the loop in real time, apart from all that waits.

Started by `controller.service.child`, which hands it its job on standard
input. It serves an instrument, never a client or a disk: news leave by the
link. When the service has gone, or tells it to end, every tone goes off.
"""

from __future__ import annotations

import os
import sys
import traceback
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from controller.engine import Engine, Step
from controller.errors import DifftoneError, InputError, InstrumentError
from controller.instrument import Instrument
from controller.protocol.runner import ProtocolRunner
from controller.records import Baseband, TrackerState
from controller.runtime.block_clock import BlockClock, LatencyFigures
from controller.runtime.configuration import check_fits, make_instrument, one_line
from controller.runtime.ending import FAILED, StopRequest
from controller.runtime.loop import LoopRun, clock_of
from controller.service.ends import ChildEnd
from controller.service.link import (
    BeginProtocol,
    Ended,
    EndRun,
    LoopState,
    ProtocolView,
    Ready,
    Refused,
    RemoteLog,
)
from controller.service.processes import job_of_this_process
from controller.settings import Configuration
from controller.supervisor.requests import Request, RequestKind

STATE_EVERY_S = 1.0  # stream time between two reports where nothing changes
REAL_TIME_PRIORITY, URGENT_NICENESS = 1, -10
SESSION_NICENESS = Path("/proc/self/autogroup")


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """What a loop process is told at its start."""

    configuration: Configuration
    source: Path  # the configuration's file
    folder: Path  # of the run, for the truth of a simulated instrument
    link_folder: Path | None  # None: open the instrument, stop it, and that is all
    service_pid: int = field(default_factory=os.getpid)  # whoever makes the job
    stops_first: bool = False  # the last run may have left tones on


def main() -> int:
    """Do the job that is on standard input; exit status 0, 1 failed, 2 bad input."""
    job: Job = job_of_this_process()
    if job.link_folder is None:
        return stop_instrument(job)
    link = ChildEnd(job.link_folder)
    try:
        return run_job(job, link)
    except Exception as error:  # nothing is on any more; say what it was
        if os.environ.get("DIFFTONE_TRACEBACK"):
            traceback.print_exc()
        link.tell(Ended(outcome=FAILED, reason=f"{type(error).__name__}: {one_line(error)}"))
        return 1
    finally:
        link.close()


def be_urgent() -> bool:
    """Go before other processes, as far as the system lets this user; see sched(7) of Linux.

    Real-time scheduling, at its lowest priority, where it is allowed: a block then never waits
    for a process that merely computes. The kernel keeps a twentieth of the time for the others,
    should the loop not keep up. Without it niceness, of the process and of its session, by which
    time may be shared first.

    Returns
    -------
    bool
        Whether real-time scheduling is allowed.
    """
    with suppress(OSError, AttributeError):
        os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(REAL_TIME_PRIORITY))
        return True
    with suppress(OSError):
        os.setpriority(os.PRIO_PROCESS, 0, URGENT_NICENESS)
    with suppress(OSError):
        SESSION_NICENESS.write_text(str(URGENT_NICENESS), encoding="ascii")
    return False


def stop_instrument(job: Job) -> int:
    """Open an instrument that a dead process may have left with tones on, and stop it."""
    try:
        make_instrument(job.configuration, job.source).stop()
    except Exception as error:  # anybody's class may raise anything
        print(f"the instrument could not be stopped: {one_line(error)}", file=sys.stderr)
        return 1
    return 0


def run_job(job: Job, link: ChildEnd) -> int:
    """Make the instrument and run the loop on it until it is told to end.

    Parameters
    ----------
    job : Job
        What to do.
    link : ChildEnd
        To the service.

    Returns
    -------
    int
        Exit status.
    """
    configuration = job.configuration
    with StopRequest(is_patient=True) as stop_request:
        try:
            instrument = make_instrument(configuration, job.source)
            check_fits(configuration, instrument, job.source)
            if job.stops_first:
                _stop_quietly(instrument)
            engine = Engine(
                configuration,
                instrument.stream,
                instrument.tones,
                is_endless=True,
                watches_basebands=True,
            )
        except DifftoneError as error:
            is_input_error = isinstance(error, InputError)
            link.tell(Refused(text=one_line(error), is_input_error=is_input_error))
            return 2 if is_input_error else 1
        # One that does not wait for the clock would take all the time there is.
        is_real_time = be_urgent() if instrument.paced else None
        link.tell(
            Ready(
                stream=instrument.stream,
                tones=dict(instrument.tones),
                is_paced=instrument.paced,
                is_simulated=hasattr(instrument, "write_truth"),
                has_real_time_priority=is_real_time,
            )
        )
        clock = clock_of(instrument, configuration.run)
        orders = Orders(link, engine, stop_request, job)
        run = LoopRun(
            engine,
            instrument,
            RemoteLog(link),
            configuration.run,
            stop_request,
            requests=orders,
            watch=Reporter(engine, link, clock, orders),
            clock=clock,
        )
        return 1 if run.to_the_end(job.folder).outcome == FAILED else 0


def _stop_quietly(instrument: Instrument) -> None:
    """Tones that an earlier process has left go off; what cannot, `start` will tell."""
    try:
        instrument.stop()
    except InstrumentError:
        pass
    except Exception as error:  # anybody's class may raise anything
        raise InputError(f"stop() of the instrument failed: {one_line(error)}") from error


class Orders:
    """What the service asks, looked at before each block.

    Parameters
    ----------
    link : ChildEnd
        Where orders come from.
    engine : Engine
        Where protocols begin.
    stop_request : StopRequest
        Set when the run is to end.
    job : Job
        Names the service, and says whether the pump may come on unasked.
    """

    def __init__(self, link: ChildEnd, engine: Engine, stop_request: StopRequest, job: Job) -> None:
        self._link, self._engine, self._stop_request = link, engine, stop_request
        self.run_number = 0  # of the last protocol that was begun
        self._service_pid = job.service_pid
        self._requests: list[Request] = []
        if not job.configuration.service.arm_at_start:
            self._requests.append(Request(kind=RequestKind.DISARM, who="start"))

    def __call__(self) -> Sequence[Request]:
        """The requests for the next block."""
        if os.getppid() != self._service_pid:
            self._stop_request.is_set = True
        requests, self._requests = self._requests, []
        for order in self._link.orders():
            if isinstance(order, Request):
                requests.append(order)
            elif isinstance(order, EndRun):
                self._stop_request.is_set = True
            elif isinstance(order, BeginProtocol):
                self._begin(order)
        return requests

    def _begin(self, order: BeginProtocol) -> None:
        # The service asks one at a time; what crosses on the way is its second thought.
        with suppress(InputError):
            self._engine.begin_protocol(order.runner)
            self.run_number = order.run_number


class Reporter:
    """Tells the service how the loop is: once a second, and at each change.

    Parameters
    ----------
    engine : Engine
        The loop.
    link : ChildEnd
        To the service.
    clock : BlockClock or None
        None: the stream is not in real time.
    orders : Orders
        Which protocol was begun last.
    """

    def __init__(
        self, engine: Engine, link: ChildEnd, clock: BlockClock | None, orders: Orders
    ) -> None:
        self._engine, self._link, self._clock, self._orders = engine, link, clock, orders
        self._protocol: ProtocolRunner | None = None  # present or last one
        self._basebands: list[Baseband] = []
        self._told: object = None
        self._due_s = 0.0

    def __call__(self, step: Step, time_s: float) -> None:
        """Look at the loop after a step."""
        engine = self._engine
        self._basebands.extend(step.basebands)
        self._protocol = engine.protocol or self._protocol
        if self._clock is not None:
            self._clock.is_counting = TrackerState.SEARCHING not in engine.tracker_states
        told = (engine.pump_state, engine.pump_wish, engine.tracker_states, self._protocol_mark())
        if told == self._told and time_s < self._due_s:
            return
        self._told, self._due_s = told, time_s + STATE_EVERY_S
        basebands, self._basebands = tuple(self._basebands), []
        self._link.tell(
            LoopState(
                time_s=time_s,
                line=engine.status_line,
                pump_state=engine.pump_state,
                pump_amplitude=engine.pump_wish.amplitude,
                pump_offset_hz=engine.pump_wish.offset_hz,
                pump_chirp_hz_per_s=engine.pump_wish.chirp_hz_per_s,
                protocol=self._protocol_view(),
                latency=LatencyFigures() if self._clock is None else self._clock.figures(),
                knowledge=engine.knowledge,
                basebands=basebands,
                dropped=self._link.dropped,
            )
        )

    def _protocol_mark(self) -> object:
        """What changes where a protocol does."""
        protocol = self._protocol
        if protocol is None:
            return None
        return (id(protocol), protocol.status, self._engine.protocol is None)

    def _protocol_view(self) -> ProtocolView | None:
        protocol = self._protocol
        if protocol is None:
            return None
        return ProtocolView(
            run_number=self._orders.run_number,
            title=protocol.title,
            status=protocol.status,
            number=protocol.number,
            count=protocol.count,
            remaining_s=protocol.remaining_s,
            is_paused=protocol.is_paused,
            is_recovering=protocol.is_recovering,
            is_over=self._engine.protocol is None,
            is_stopped=protocol.is_stopped,
            failure=protocol.failure,
        )


if __name__ == "__main__":
    sys.exit(main())
