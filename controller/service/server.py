"""The live service: the loop beside it, clients before it, the log behind it.

    loop process --news-->  this process  --> log thread
                 <-orders--       |
                            front process <--> clients

One thread, which waits for nobody but `poll`. It decides nothing about the
loop; what it adds is what takes time: clients, the log, spectra, analyses.
However it ends, the tones go off first, then the log is closed.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

from controller.errors import InputError, InstrumentFault, RunFailed
from controller.records import Event
from controller.runtime.configuration import one_line
from controller.runtime.ending import FAILED, INTERRUPTED, STOPPED_BY_OPERATOR, StopRequest
from controller.runtime.last_known import load_last_known, narrowed
from controller.runtime.log.handed_over import Entry
from controller.runtime.log.pieces import Rotation
from controller.runtime.log.thread import Logging, LogState, LogThread
from controller.runtime.outputs import LOG_NAME
from controller.runtime.runner import make_run_folder
from controller.service.child import POLL_MS, LoopChild
from controller.service.control import Control
from controller.service.dispatch import Dispatcher
from controller.service.front import Front
from controller.service.link import Ended, LoopState, Order, Ready, Refused
from controller.service.loop_view import LoopView
from controller.service.measurements import Finding, Measurements
from controller.service.messages import (
    EventMessage,
    PictureMessage,
    PumpLimits,
    ResultMessage,
    ServiceInfo,
    Status,
    StatusMessage,
    Telemetry,
)
from controller.service.muting import Muting
from controller.service.picture import Picture
from controller.service.processes import how_it_ended
from controller.service.state_file import ENDED, ServiceState, StateFile, utc_now
from controller.service.status import status_of
from controller.settings import Configuration
from controller.supervisor.requests import Request

STATUS_EVERY_S = 1.0
PICTURE_EVERY_S = 5.0
READY_WITHIN_S = 60.0  # for an instrument to be made
PRIORITY = "the loop has real-time priority"
NO_PRIORITY = (
    "the loop has no real-time priority: on a busy machine blocks come late and the pump goes off; "
    "the README says how to allow it"
)
LAST_WORDS_MS = 200  # for answers and telemetry that are under way at the end


def serve(
    configuration: Configuration,
    source: Path,
    folder: Path,
    name: str,
    announce: Callable[[str], None] = print,
) -> ServiceState:
    """Run the loop and offer it to clients until somebody ends it.

    Parameters
    ----------
    configuration : Configuration
        What to run on, and how.
    source : Path
        The configuration's file.
    folder : Path
        Of the run; made if absent.
    name : str
        Of the service; one at a time has it.
    announce : callable
        Told where the service listens, and how it ended.

    Returns
    -------
    ServiceState
        How it ended.

    Raises
    ------
    InputError
        If the configuration does not fit, the name or a port is taken, or the
        folder holds another run. Nothing was started then.
    RunFailed
        If the loop cannot begin.
    """
    state_file = StateFile(name)
    try:
        keys = configuration.service.keys
        with (
            StopRequest() as stop_request,
            Front(
                configuration.service.address,
                configuration.service.command_port,
                configuration.service.telemetry_port,
                keys=None if keys is None else source.parent / keys,
            ) as sockets,
        ):
            make_run_folder(folder)
            service = _Service(
                configuration, source, folder, name, state_file, sockets, stop_request
            )
            state = service.run(announce)
            sockets.close(LAST_WORDS_MS)
            return state
    finally:
        state_file.close()


class _Service:
    """One service from its start to its end."""

    def __init__(
        self,
        configuration: Configuration,
        source: Path,
        folder: Path,
        name: str,
        state_file: StateFile,
        sockets: Front,
        stop_request: StopRequest,
    ) -> None:
        self._configuration, self._source, self._folder = configuration, source, folder
        self._name, self._state_file = name, state_file
        self._sockets, self._stop_request = sockets, stop_request
        previous = state_file.previous
        self._stops_first = previous is not None and previous.may_have_left_tones
        self._previous = previous
        self._last_known = ""  # what the search begins with, in words
        if previous is not None and previous.folder:
            self._begin_where_modes_were(Path(previous.folder))
        self.control = Control()
        self._dispatcher = Dispatcher(self, time.monotonic)
        self._muting = Muting(configuration.service, self.order)
        self._loop = LoopView(configuration)
        self._end_reason: str | None = None  # why it is to end
        self._has_failed = False  # and that is why
        self._log_state = LogState(state=Logging.WRITING)
        self._access_complaint = ""
        self._is_status_due = True
        self._next_status_s = self._next_picture_s = 0.0

    # -- from start to end -------------------------------------------------------

    def run(self, announce: Callable[[str], None]) -> ServiceState:
        """Start the loop, serve, and end both."""
        self._state = ServiceState(
            name=self._name,
            address=self._configuration.service.address,
            command_port=self._sockets.command_port,
            telemetry_port=self._sockets.telemetry_port,
            configuration=str(self._source),
            folder=str(self._folder),
            started_utc=utc_now(),
        )
        self._child = LoopChild(
            self._configuration, self._source, self._folder, stops_first=self._stops_first
        )
        try:
            self._state = self._state.with_pids(self._child.pid)
            self._state_file.write(self._state)
            ready = self._wait_until_ready()
            self._open(ready)
            announce(
                f"difftone {self._name}: commands on {self._state.address} port "
                f"{self._state.command_port}, telemetry on port {self._state.telemetry_port}, "
                f"log in {self._folder}"
            )
            if ready.has_real_time_priority is not None:
                priority = PRIORITY if ready.has_real_time_priority else NO_PRIORITY
                announce(f"difftone {self._name}: {priority}")
                self.note("priority", priority)
            try:
                self._serve()
            except Exception as error:
                self._fail(f"the service failed: {type(error).__name__}: {one_line(error)}")
                raise
            finally:
                self._close()
        finally:
            self._end_child()
            self._child.close()
            self._state_file.write(self._state)
        announce(f"difftone {self._name}: {self._state.outcome}: {self._state.reason}")
        return self._state

    def _begin_where_modes_were(self, folder: Path) -> None:
        """Let the first search look where the last service of this name left the modes."""
        try:
            known = load_last_known(folder)
            age_s = known.age_s(datetime.now(UTC))
            self._configuration = narrowed(self._configuration, known, age_s)
        except InputError:
            return  # it left nothing, or ran on something else
        self._last_known = f"looking where the modes were {age_s:.0f} s ago"

    def _wait_until_ready(self) -> Ready:
        """The loop's first word."""
        given_up_s = time.monotonic() + READY_WITHIN_S
        while time.monotonic() < given_up_s:
            self._child.hear(POLL_MS)
            for told in self._child.told():
                if isinstance(told, Ready):
                    return told
                if isinstance(told, Refused):
                    raise (InputError if told.is_input_error else InstrumentFault)(told.text)
                if isinstance(told, Ended):
                    raise RunFailed(told.reason)
            if self._stop_request.is_set:
                raise RunFailed(STOPPED_BY_OPERATOR)
            if self._child.exit_status is not None:
                raise RunFailed(f"the loop process ended with status {self._child.exit_status}")
        raise RunFailed(f"the instrument was not made within {READY_WITHIN_S:g} s")

    def _open(self, ready: Ready) -> None:
        """Everything that needs to know the instrument."""
        settings = self._configuration.service
        self._log = LogThread(
            self._folder / LOG_NAME,
            settings=self._configuration.model_dump_json(by_alias=True),
            stream=ready.stream,
            tones=ready.tones,
            started=self._state.started_utc,
            rotation=Rotation(largest_mb=settings.log_rotate_mb, daily=settings.log_rotate_daily),
        )
        self._sample_rate_hz = ready.stream.sample_rate_hz
        self.measurements = Measurements(self._configuration, ready, self._folder, time.monotonic)
        info = ServiceInfo(
            name=self._name,
            version=version("difftone"),
            started_utc=self._state.started_utc,
            configuration=self._source.name,
            instrument=self._configuration.instrument.class_name,
            is_simulated=ready.is_simulated,
            is_paced=ready.is_paced,
            sample_rate_hz=ready.stream.sample_rate_hz,
            center_hz=ready.stream.center_hz,
            metres_per_unit=ready.stream.metres_per_unit,
        )
        self._picture = Picture(info, self._configuration, ready.tones)
        self._sockets.wake_on(self._child.socket)
        if self._previous is not None:
            left = f"its folder is {self._previous.folder}"
            self.note("predecessor", f"the service before this one {self._previous.ending}; {left}")
        if self._last_known:
            self.note("search", self._last_known)

    def _serve(self) -> None:
        """Turn after turn, until there is a reason to end."""
        while self._child.last_word is None and self._end_reason is None:
            self._turn()
            if self._stop_request.is_set:
                self.end(STOPPED_BY_OPERATOR)
            elif self._child.last_word is None and self._child.exit_status is not None:
                self._lose_child()
            elif self._child.is_silent():
                self._fail(f"the loop was not heard for {self._child.silent_s:g} s")
                self._child.kill()

    def _turn(self) -> None:
        """Whatever there is to do."""
        for incoming in self._sockets.poll(POLL_MS):
            reply = self._dispatcher.reply(incoming)
            self._sockets.answer(incoming, ok=reply.ok, text=reply.text, data=reply.data)
            self._is_status_due |= incoming.command.changes
        self._take_news()
        for finding in self.measurements.findings():
            self._keep(finding)
        self._look_at_control()
        self._look_at_log()
        self._look_at_front()
        self._look_at_access()
        now_s = time.monotonic()
        if self._is_status_due or now_s >= self._next_status_s:
            self._is_status_due, self._next_status_s = False, now_s + STATUS_EVERY_S
            self._tell_status()
        if self._sockets.is_picture_wanted or now_s >= self._next_picture_s:
            self._next_picture_s = now_s + PICTURE_EVERY_S
            self._sockets.publish(self.picture())

    def _close(self) -> None:
        """The loop first; then everything that was open beside it, whatever becomes of the rest."""
        with ExitStack() as last_first:
            last_first.callback(self._tell_status)
            last_first.callback(lambda: self._log.close(self._state.outcome, self._state.reason))
            last_first.callback(self.measurements.close)
            last_first.callback(lambda: self.note("end", self._state.reason or self._state.outcome))
            last_first.callback(self._end_child)

    # -- the loop process --------------------------------------------------------

    def _take_news(self) -> None:
        """What the loop has told."""
        for told in self._child.told():
            if isinstance(told, Entry):
                self._take_entry(told)
            elif isinstance(told, LoopState):
                self._take_state(told)

    def _take_entry(self, entry: Entry) -> None:
        """A call of the log: to be carried out, and to be told where it is news."""
        if entry.method == "result" and entry.arguments[0] == "protocol":
            is_going_on = self._end_reason is None
            self._keep(self.measurements.take_result(entry.arguments[1], analyses=is_going_on))
            return
        self._log_entry(entry)
        for message in self._loop.take_entry(entry):
            self._tell(message)

    def _log_entry(self, entry: Entry) -> None:
        getattr(self._log, entry.method)(*entry.arguments, **entry.options)

    def _take_state(self, state: LoopState) -> None:
        self._is_status_due = True
        self.measurements.take(state.protocol)
        if state.knowledge is not None:
            self._log.knowledge(state.knowledge)
        for message in self._loop.take_state(state):
            self._tell(message)

    def _end_child(self) -> None:
        """Tones off, if the loop has not ended yet; sure of it, if it died."""
        if self._state.outcome:
            return
        reason = self._end_reason or "the service failed"
        self._child.end(self._take_last_news)
        last_word, outcome, complaint = self._child.last_word, FAILED, ""
        if last_word is not None:
            outcome, reason = last_word.outcome, last_word.reason or reason
            if self._end_reason is not None and outcome == INTERRUPTED:
                outcome, reason = FAILED if self._has_failed else outcome, self._end_reason
        else:
            complaint = self._child.clean_up()
            reason += f"; {complaint or 'the instrument was opened anew and stopped'}"
        self._state = replace(
            self._state,
            state=ENDED,
            outcome=outcome,
            reason=reason,
            ended_utc=utc_now(),
            tones_off=not complaint,
        )

    def _take_last_news(self) -> None:
        if hasattr(self, "_log") and not self._has_failed:
            self._take_news()
            return
        # What has failed is not tried again: the log and the last word are what matters.
        for told in self._child.told():
            if isinstance(told, Entry) and hasattr(self, "_log"):
                self._log_entry(told)

    def _lose_child(self) -> None:
        """The loop has gone without a word, or its last word is still under way."""
        self._take_news()
        if self._child.last_word is None:
            status = self._child.exit_status or 0
            self._fail(f"the loop process ended with {how_it_ended(status)}")

    def _fail(self, reason: str) -> None:
        """End the service, which has not done its job; the first reason counts."""
        if not self._has_failed:
            self._has_failed, self._end_reason = True, reason

    # -- what is looked at now and then --------------------------------------------

    def _look_at_control(self) -> None:
        """Who held control and is not heard any more, and what that means for the pump."""
        now_s = time.monotonic()
        vanished = self.control.expire(now_s)
        if vanished is not None:
            self.note("control", f"{vanished.who} held control and is not heard any more")
            self._is_status_due = True
        self._muting.look_at_control(self.control.vanished_for_s(now_s))

    def _look_at_front(self) -> None:
        """Say what has happened to the process of the public sockets."""
        for trouble in self._sockets.troubles():
            self.note("front", trouble)

    def _look_at_access(self) -> None:
        """Say once what is wrong with a list of clients that was changed."""
        before, self._access_complaint = self._access_complaint, self._sockets.access_complaint
        if self._access_complaint not in ("", before):
            self.note("access", f"{self._access_complaint}; the list as it was before counts")

    def _look_at_log(self) -> None:
        """Whether the log is still written, and what that means for the pump."""
        before, self._log_state = self._log_state, self._log.state
        state = self._log_state
        if state.state is before.state:
            return
        self._is_status_due = True
        if state.state is Logging.FAILED:
            self._fail(f"the log failed: {state.reason}")
            return
        self.note("log", f"the log is {state.state.value}: {state.reason}".rstrip(": "))
        self._muting.look_at_log(is_stopped=state.state is Logging.STOPPED)

    # -- what commands act on --------------------------------------------------------

    @property
    def pump_limits(self) -> PumpLimits:
        """What the pump may be told."""
        return self._picture.pump_limits

    def order(self, order: Order) -> None:
        """Tell the loop."""
        self._child.order(order)
        if isinstance(order, Request):
            self._muting.take(order)

    def picture(self) -> PictureMessage:
        """Everything at once."""
        return self._picture.message()

    def note(self, kind: str, text: str, who: str = "") -> None:
        """Leave an event in the log and tell everybody."""
        event = Event(
            sample_index=round(self._loop.time_s * self._sample_rate_hz),
            time_s=self._loop.time_s,
            source="service",
            kind=kind,
            text=text,
        )
        self._log.event(event)
        self._tell(EventMessage(time_s=event.time_s, event=event, who=who))

    def end(self, reason: str) -> None:
        """End the service after this turn."""
        self._end_reason = reason

    # -- telemetry -------------------------------------------------------------------

    def _tell_status(self) -> None:
        self._tell(StatusMessage(time_s=self._loop.time_s, status=self._status()))

    def _tell(self, message: Telemetry) -> None:
        self._picture.take(message)
        self._sockets.publish(message)

    def _keep(self, finding: Finding) -> None:
        """A result: logged, told, and part of every picture from now on."""
        self._log.result(finding.name, finding.result)
        self._tell(
            ResultMessage(
                time_s=self._loop.time_s,
                name=finding.name,
                result=dict(finding.result),
                files=list(finding.files),
            )
        )

    def _status(self) -> Status:
        return status_of(
            self._loop.state,
            self._loop.record,
            control=self.control.status(time.monotonic()),
            protocol=self.measurements.status,
            log=self._log_state,
            clients=self._sockets.client_count,
            allan=self._loop.allan,
            malformed=self._sockets.malformed,
            strangers=self._sockets.strangers,
            refused=self._dispatcher.refused,
        )
