"""The picture that a late subscriber gets, put together from what was published.

Keeps the last record, status and events, all results, and the curves of the
last ten minutes. Nothing here sends.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping

from controller.instrument import ToneChannel
from controller.records import ModeId, PumpState, Record
from controller.service.messages import (
    MOST_EVENTS,
    MOST_RECENT_POINTS,
    EventEntry,
    EventMessage,
    PictureMessage,
    PumpLimits,
    RecentCurves,
    RecordMessage,
    ResultEntry,
    ResultMessage,
    ServiceInfo,
    Status,
    StatusMessage,
    Telemetry,
    ToneLimits,
)
from controller.settings import LoopSettings
from controller.supervisor.configs import PUMP_NAME, pump_config

RECENT_S = 600.0
# Of the recent curves: as many as fit, evenly over the time.
POINT_EVERY_S = RECENT_S / MOST_RECENT_POINTS
# A window that is not configured lies around the difference, so far either way; see settings.
DEFAULT_WINDOW_RATIO = 0.1


def pump_limits(
    settings: LoopSettings, tones: Mapping[str, ToneChannel], sample_rate_hz: float
) -> PumpLimits:
    """What the pump may be told, and outside which it stays off.

    Parameters
    ----------
    settings : LoopSettings
        The configuration.
    tones : mapping of str to ToneChannel
        The outputs of the instrument.
    sample_rate_hz : float
        Rate of the stream [Hz].

    Returns
    -------
    PumpLimits
        A detuning larger than half the difference window is none that was meant.
    """
    config = pump_config(settings, tones.get(PUMP_NAME), sample_rate_hz, None)
    modes = settings.modes
    half_window_hz = DEFAULT_WINDOW_RATIO * (modes.upper.frequency_hz - modes.lower.frequency_hz)
    if config.window_hz is not None:
        half_window_hz = (config.window_hz[1] - config.window_hz[0]) / 2.0
    return PumpLimits(
        difference_window_hz=config.window_hz,
        sigma_limit_hz=config.sigma_limit_hz,
        max_amplitude=config.channel.max_amplitude,
        offset_limit_hz=half_window_hz,
    )


class Picture:
    """Everything at once; owned by the service's one thread.

    Parameters
    ----------
    service : ServiceInfo
        Which service this is.
    settings : LoopSettings
        The configuration.
    tones : mapping of str to ToneChannel
        The outputs of the instrument.
    """

    def __init__(
        self, service: ServiceInfo, settings: LoopSettings, tones: Mapping[str, ToneChannel]
    ) -> None:
        self._service = service
        self.pump_limits = pump_limits(settings, tones, service.sample_rate_hz)
        self._tones = {
            name: ToneLimits(
                amplitude_unit=channel.amplitude_unit,
                max_amplitude=channel.max_amplitude,
                min_frequency_hz=channel.min_frequency_hz,
                max_frequency_hz=channel.max_frequency_hz,
            )
            for name, channel in tones.items()
        }
        self._line_widths_hz = {
            mode: settings.modes.of(mode).frequency_hz / settings.modes.of(mode).quality_factor
            for mode in ModeId
        }
        self._status = Status(line="starting", pump_state=PumpState.OFF)
        self._record: Record | None = None
        self._events: deque[EventEntry] = deque(maxlen=MOST_EVENTS)
        self._results: dict[str, ResultEntry] = {}
        self._recent: deque[Record] = deque(maxlen=MOST_RECENT_POINTS)
        self._time_s = 0.0

    def __repr__(self) -> str:
        return f"Picture({len(self._recent)} records, {len(self._events)} events)"

    def take(self, message: Telemetry) -> None:
        """Take in what is published."""
        self._time_s = max(self._time_s, message.time_s)
        if isinstance(message, RecordMessage):
            self._take_record(message.record)
        elif isinstance(message, StatusMessage):
            self._status = message.status
        elif isinstance(message, EventMessage):
            self._events.append(EventEntry(event=message.event, who=message.who))
        elif isinstance(message, ResultMessage):
            # A protocol that was carried out again has a newer result.
            self._results[message.name] = ResultEntry(
                name=message.name, result=message.result, files=message.files
            )

    def message(self) -> PictureMessage:
        """The picture as it is now."""
        return PictureMessage(
            time_s=self._time_s,
            service=self._service,
            tones=self._tones,
            pump_limits=self.pump_limits,
            line_widths_hz=self._line_widths_hz,
            record=self._record,
            status=self._status,
            events=list(self._events),
            results=list(self._results.values()),
            recent=_curves([r for r in self._recent if self._time_s - r.time_s <= RECENT_S]),
        )

    def _take_record(self, record: Record) -> None:
        self._record = record
        # Half a record's distance early is in time: 1/10 s steps do not add up to whole seconds.
        if not self._recent or record.time_s - self._recent[-1].time_s >= 0.95 * POINT_EVERY_S:
            self._recent.append(record)


def _curves(records: list[Record]) -> RecentCurves:
    """Records as one list for each quantity."""
    columns: dict[str, list[object]] = {
        "time_s": [r.time_s for r in records],
        "difference_hz": [r.difference_hz for r in records],
        "difference_sigma_hz": [r.difference_sigma_hz for r in records],
        "pump_hz": [r.pump_hz for r in records],
        "pump_amplitude": [r.pump_amplitude for r in records],
        "pump_state": [r.pump_state for r in records],
    }
    for mode in ModeId:
        of_mode = [r.modes[mode] for r in records]
        columns[f"{mode.value}_hz"] = [m.frequency_hz for m in of_mode]
        columns[f"{mode.value}_sigma_hz"] = [m.frequency_sigma_hz for m in of_mode]
        columns[f"{mode.value}_amplitude"] = [m.amplitude for m in of_mode]
        columns[f"{mode.value}_state"] = [m.state for m in of_mode]
    return RecentCurves.model_validate(columns)
