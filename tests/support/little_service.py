"""A service without a loop behind it: real sockets, control and picture, made-up records.

What it is asked to do it notes and says yes to. Its thread owns the sockets,
as the service's main thread does.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from pathlib import Path

from controller.instrument import ToneChannel
from controller.records import ModeId, ModeRecord, PumpState, Record, TrackerState
from controller.service.commands import Look, name_of
from controller.service.control import ABOUT_CONTROL, ClientId, Control
from controller.service.messages import (
    RecordMessage,
    ServiceInfo,
    Status,
    StatusMessage,
    Telemetry,
)
from controller.service.picture import Picture
from controller.service.sockets import Incoming, ServiceSockets
from controller.settings import LoopSettings

LOWER_HZ, UPPER_HZ = 811e3, 818e3
SETTINGS = LoopSettings.model_validate(
    {"modes": {"lower": {"frequency_hz": LOWER_HZ}, "upper": {"frequency_hz": UPPER_HZ}}}
)
TONES = {
    "pump": ToneChannel("pump", "V", 2.0, 10.0, 1e5, 0, True, True),
    "drive_lower": ToneChannel("drive_lower", "N", 1e-9, 1e3, 1e7, 0, True, True),
}
STATUS_EVERY_S = 0.05
DEADLINE_S = 10.0  # for what should take milliseconds, on a machine however busy


def record(time_s: float, difference_hz: float | None = UPPER_HZ - LOWER_HZ) -> Record:
    """Both modes locked."""
    return Record(
        sample_index=round(50_000 * time_s),
        time_s=time_s,
        modes={
            mode: ModeRecord(state=TrackerState.LOCKED, frequency_hz=frequency_hz, amplitude=1e-9)
            for mode, frequency_hz in ((ModeId.LOWER, LOWER_HZ), (ModeId.UPPER, UPPER_HZ))
        },
        difference_hz=difference_hz,
        difference_sigma_hz=1e-4,
        pump_state=PumpState.ON,
    )


INFO = ServiceInfo(
    name="little",
    version="0",
    started_utc="2031-01-01T00:00:00+00:00",
    configuration="little.toml",
    instrument="little:Little",
    is_simulated=True,
    is_paced=True,
    sample_rate_hz=50_000.0,
    center_hz=814e3,
    metres_per_unit=1.0,
)


def picture() -> Picture:
    """The picture of a service that has just been started."""
    return Picture(INFO, SETTINGS, TONES)


class LittleService:
    """Runs from its making to `stop`; `done` holds the commands that it said yes to."""

    def __init__(
        self, *, keys: Path | None = None, command_port: int = 0, telemetry_port: int = 0
    ) -> None:
        self.sockets = ServiceSockets(
            command_port=command_port, telemetry_port=telemetry_port, keys=keys
        )
        self.command_port = self.sockets.command_port
        self.telemetry_port = self.sockets.telemetry_port
        self.done: list[Incoming] = []
        self.vanished: list[ClientId] = []
        self.control = Control()
        self._picture = picture()
        self._to_publish: queue.SimpleQueue[Telemetry] = queue.SimpleQueue()
        self._stopping = threading.Event()
        self._next_status_s = 0.0
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def __enter__(self) -> LittleService:
        return self

    def __exit__(self, *details: object) -> None:
        self.stop()

    def stop(self) -> None:
        """End; may be called twice."""
        self._stopping.set()
        self._thread.join()
        self.sockets.close()

    def publish(self, message: Telemetry) -> None:
        """Let the service's thread publish something."""
        self._to_publish.put(message)

    def publish_record(self, time_s: float) -> None:
        """Publish a record of both modes."""
        self.publish(RecordMessage(time_s=time_s, record=record(time_s)))

    def _serve(self) -> None:
        while not self._stopping.is_set():
            for incoming in self.sockets.poll(5):
                self._answer(incoming)
            now_s = time.monotonic()
            vanished = self.control.expire(now_s)
            if vanished is not None:
                self.vanished.append(vanished)
            if now_s >= self._next_status_s:
                self._next_status_s = now_s + STATUS_EVERY_S
                self._publish_now(StatusMessage(time_s=0.0, status=self._status(now_s)))
            while not self._to_publish.empty():
                self._publish_now(self._to_publish.get())
            if self.sockets.is_picture_wanted:
                self.sockets.publish(self._picture.message())

    def _publish_now(self, message: Telemetry) -> None:
        self._picture.take(message)
        self.sockets.publish(message)

    def _status(self, now_s: float) -> Status:
        return Status(
            line="nothing happens",
            pump_state=PumpState.OFF,
            control=self.control.status(now_s),
            clients=self.sockets.client_count,
        )

    def _answer(self, incoming: Incoming) -> None:
        now_s = time.monotonic()
        command, client = incoming.command, ClientId(incoming.identity, incoming.who)
        refusal = self.control.refusal(client, incoming.role, command, now_s)
        if refusal:
            self.sockets.answer(incoming, ok=False, text=refusal)
        elif isinstance(command, ABOUT_CONTROL):
            ok, text = self.control.carry_out(client, command, now_s)
            self.sockets.answer(incoming, ok=ok, text=text)
        elif isinstance(command, Look):
            shown = {"picture": self._picture.message().model_dump(mode="json")}
            self.sockets.answer(incoming, ok=True, data=shown)
        else:
            self.done.append(incoming)
            self.sockets.answer(incoming, ok=True, text=f"{name_of(command)} done")


def eventually(fact: Callable[[], bool], look: Callable[[], object] = lambda: None) -> bool:
    """Whether a fact comes true before the deadline; `look` waits a little between two looks."""
    until_s = time.monotonic() + DEADLINE_S
    pause = threading.Event()
    while not fact():
        if time.monotonic() > until_s:
            return False
        look()
        pause.wait(0.005)
    return True
