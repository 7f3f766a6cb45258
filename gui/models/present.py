"""All that the window knows of its source: what it is, how it is now, how it was.

Filled from a service's messages, or from a log. Whoever draws asks what has
changed since the last look.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum

from controller.service.client import (
    AllanSeries,
    EventMessage,
    ModeId,
    PictureMessage,
    PumpLimits,
    Record,
    RecordMessage,
    ResultEntry,
    ResultMessage,
    ServiceInfo,
    SpectrumMessage,
    Status,
    StatusMessage,
    Telemetry,
    ToneLimits,
)
from gui.models.columns import recent_rows, record_row, row_record
from gui.models.events import EventList
from gui.models.history import History
from gui.models.wording import UNCALIBRATED

UNITLESS = 1.0  # metres per sample unit of a stream that is not calibrated


class Origin(StrEnum):
    """Where what is shown comes from."""

    NOTHING = "nothing"
    SERVICE = "service"
    REHEARSAL = "rehearsal"
    LOG = "log"


class Changed(StrEnum):
    """What may have changed."""

    SOURCE = "source"
    RECORDS = "records"
    STATUS = "status"
    EVENTS = "events"
    SPECTRA = "spectra"
    RESULTS = "results"


class Present:
    """The picture that the window draws; owned by its one thread.

    Parameters
    ----------
    origin : Origin
        Where it comes from.
    title : str
        What it is called.
    history : History, optional
        For the records; of a day where absent.
    events : EventList, optional
        For the events.
    """

    def __init__(
        self,
        origin: Origin = Origin.NOTHING,
        title: str = "",
        history: History | None = None,
        events: EventList | None = None,
    ) -> None:
        self.origin, self.title = origin, title
        self.history = History() if history is None else history
        self.events = EventList() if events is None else events
        self.is_reachable = origin is Origin.LOG  # news come, or all is here already
        self.reads_only = False  # our key lets us look, and change nothing
        self.service: ServiceInfo | None = None
        self.tones: dict[str, ToneLimits] = {}
        self.pump_limits: PumpLimits | None = None
        self.line_widths_hz: dict[ModeId, float] = {}
        self.metres_per_unit = UNITLESS
        self.started_utc = ""
        self.record: Record | None = None
        self.status: Status | None = None
        self.spectra: dict[ModeId, SpectrumMessage] = {}
        self.allan: dict[str, AllanSeries] = {}
        self.results: dict[str, ResultEntry] = {}
        self.ending = ""  # of a log: how the run ended
        self._is_synchronised = False  # a picture has come since the connection was made

    def __repr__(self) -> str:
        return f"Present({self.title}, {self.history})"

    @property
    def line_width_hz(self) -> float | None:
        """The narrower of both lines, as configured [Hz]."""
        return min(self.line_widths_hz.values(), default=None)

    @property
    def amplitude_unit(self) -> str:
        """Of the modes' amplitudes."""
        return UNCALIBRATED if self.metres_per_unit == UNITLESS else "m"

    @property
    def pump_unit(self) -> str:
        """Of the pump's amplitude."""
        pump = self.tones.get("pump")
        return "V" if pump is None else pump.amplitude_unit

    @property
    def newest_s(self) -> float:
        """Stream time of the newest record [s]."""
        return self.history.last_s or 0.0

    @property
    def oldest_s(self) -> float:
        """Stream time of the oldest record [s]."""
        return self.history.first_s or 0.0

    def look_at(self, time_s: float) -> None:
        """Of a log: let the record be the one nearest to a time."""
        row = self.history.row_at(time_s)
        if row is not None:
            self.record = row_record(row)

    def lose(self) -> None:
        """The connection is lost: what comes next begins with a picture."""
        self.is_reachable = self._is_synchronised = False

    def take(self, messages: Iterable[Telemetry]) -> set[Changed]:
        """Take in what a service has told.

        Parameters
        ----------
        messages : iterable of Telemetry
            In the order in which they came.

        Returns
        -------
        set of Changed
            What is new.
        """
        changed: set[Changed] = set()
        for message in messages:
            if isinstance(message, PictureMessage):
                changed |= self._take_picture(message)
            elif self._is_synchronised:
                changed |= self._take_news(message)
        return changed

    def _take_news(self, message: Telemetry) -> set[Changed]:
        if isinstance(message, RecordMessage):
            self.record = message.record
            self.history.append(record_row(message.record)[None, :])
            return {Changed.RECORDS}
        if isinstance(message, StatusMessage):
            self._take_status(message.status)
            return {Changed.STATUS}
        if isinstance(message, EventMessage):
            return {Changed.EVENTS} if self.events.take(message.event) else set()
        if isinstance(message, SpectrumMessage):
            self.spectra[message.mode] = message
            return {Changed.SPECTRA}
        if isinstance(message, ResultMessage):
            self.results[message.name] = ResultEntry(
                name=message.name, result=message.result, files=message.files
            )
            return {Changed.RESULTS}
        return set()

    def _take_picture(self, picture: PictureMessage) -> set[Changed]:
        """Everything at once; the records it has only where some were missed."""
        changed = {Changed.STATUS}
        if self.started_utc != picture.service.started_utc:
            self._begin(picture)
            changed |= set(Changed)
        if not self._is_synchronised:
            self.history.append(recent_rows(picture.recent))
            if picture.record is not None:
                self.record = picture.record
                self.history.append(record_row(picture.record)[None, :])
            self._is_synchronised = self.is_reachable = True
            changed |= {Changed.RECORDS, Changed.SOURCE}
        self._take_status(picture.status)
        if self.events.take_all(picture.events):
            changed.add(Changed.EVENTS)
        results = {entry.name: entry for entry in picture.results}
        if results != self.results:
            self.results = results
            changed.add(Changed.RESULTS)
        return changed

    def _begin(self, picture: PictureMessage) -> None:
        """A service that was not known before, or was started anew."""
        self.history.clear()
        self.events.clear()
        self.spectra.clear()
        self.results = {}
        self._is_synchronised = False
        self.service, self.started_utc = picture.service, picture.service.started_utc
        self.metres_per_unit = picture.service.metres_per_unit
        self.tones, self.pump_limits = picture.tones, picture.pump_limits
        self.line_widths_hz = picture.line_widths_hz
        self.title = picture.service.name

    def _take_status(self, status: Status) -> None:
        self.status, self.allan = status, status.allan
