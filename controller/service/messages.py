"""Telemetry: what the service tells everybody who listens.

Each message is a ZeroMQ message of two parts, its topic and one JSON object.
Whoever reads them ignores fields that are not known; a number that is not
known is null. The comment beside a field is its meaning in MESSAGES.md, the
page for those who write a client in another language.
"""

from __future__ import annotations

from typing import Any, ClassVar, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from controller.records import Event, ModeId, PumpState, Record

MESSAGES_VERSION = 1
"""Raised when a message changes so that an older client would misread it."""

MOST_RECENT_POINTS = 600  # of the curves in a picture
MOST_EVENTS = 100  # in a picture
MOST_SPECTRUM_POINTS = 400


class Part(BaseModel):
    """Base of what a message is made of: immutable, tolerant of unknown fields."""

    model_config = ConfigDict(
        frozen=True, extra="ignore", ser_json_inf_nan="null", defer_build=True
    )


# --- parts ---------------------------------------------------------------


class ServiceInfo(Part):
    """Which service this is, and what it runs on."""

    name: str  # given at its start, to tell several services apart
    version: str  # of the program
    messages_version: int = MESSAGES_VERSION  # of what this page describes
    started_utc: str  # ISO 8601
    configuration: str  # name of its file
    instrument: str  # class of the instrument
    is_simulated: bool  # no real membrane is shaken
    is_paced: bool  # in real time
    sample_rate_hz: float  # of the stream
    center_hz: float  # of the stream; 0: real samples
    metres_per_unit: float  # displacement per sample unit; 1: amplitudes are in sample units


class ToneLimits(Part):
    """What one tone output can do."""

    amplitude_unit: str  # "V" or "N"
    max_amplitude: float
    min_frequency_hz: float
    max_frequency_hz: float


class PumpLimits(Part):
    """Outside which the pump stays off."""

    difference_window_hz: tuple[float, float] | None = None  # null: around the difference found
    sigma_limit_hz: float | None = None  # largest uncertainty of the difference
    max_amplitude: float  # in the unit of the channel "pump"
    offset_limit_hz: float | None = None  # largest deliberate detuning, either way


class ControlStatus(Part):
    """Who holds the right to change things."""

    who: str = ""  # "": nobody
    identity: str = ""  # public key, or a mark of the connection where there are no keys
    expires_in_s: float | None = None  # unless a heartbeat comes
    vanished: str = ""  # who held it last and was not heard again


class ProtocolStatus(Part):
    """The protocol that is carried out, or was last."""

    name: str
    title: str = ""
    state: Literal["running", "paused", "recovering", "analysing", "done", "stopped", "failed"]
    step: str = ""  # the present one in words
    number: int = 0  # of the present step, from 1
    count: int = 0  # of all steps
    progress: float = 0.0  # 0 to 1, of the planned time
    remaining_s: float = 0.0  # by the plan
    reason: str = ""  # why it failed


class LogStatus(Part):
    """Whether what happens is written down."""

    state: Literal["writing", "stopped", "off"] = "off"  # stopped: it should be, and cannot
    reason: str = ""  # why it stopped
    file: str = ""  # that is written now
    rows: int = 0  # committed since the start
    dropped: int = 0  # rows that could not be kept
    free_bytes: int | None = None  # on its disk


class Deadlines(Part):
    """From a block's arrival to the tone command, while the modes are followed."""

    block_ms: float | None = None  # length of a block: what a step may take
    p50_ms: float | None = None  # half of the blocks took no longer
    p99_ms: float | None = None
    p999_ms: float | None = None
    worst_ms: float | None = None
    missed: int = 0  # blocks whose step ended after the next block was due
    blocks: int = 0  # counted


class AllanSeries(Part):
    """Overlapping Allan deviations of a frequency."""

    taus_s: list[float]  # averaging times
    deviations_hz: list[float | None]  # one for each averaging time
    sigmas_hz: list[float | None]  # one-sigma uncertainties
    limits_hz: list[float | None] = []  # by what the modes do on their own; empty: not known


class Counts(Part):
    """What was turned away or lost since the start."""

    malformed: int = 0  # messages that are none of this page
    strangers: int = 0  # connections with an unknown key, and what removed clients asked
    refused: int = 0  # commands that were answered with no
    dropped: int = 0  # messages of the loop that the service could not take


class Status(Part):
    """How loop, pump, protocol, log and service are."""

    line: str  # the loop in a few words
    pump_state: PumpState
    pump_amplitude: float = 0.0  # as asked for, in the channel's unit
    pump_offset_hz: float = 0.0  # deliberate detuning, as asked for; of a sweep, at its start
    pump_chirp_hz_per_s: float = 0.0  # deliberate sweep, as asked for; 0: none
    control: ControlStatus = ControlStatus()
    protocol: ProtocolStatus | None = None  # null: none since the start
    log: LogStatus = LogStatus()
    deadlines: Deadlines = Deadlines()
    clients: int = 0  # connections that subscribe to the status
    allan: dict[str, AllanSeries] = {}  # "difference", once there is one
    innovation_ratio: float | None = None  # of the difference; 1 where all noise is understood
    counts: Counts = Counts()


class EventEntry(Part):
    """Something that happened, and who caused it."""

    event: Event
    who: str = ""  # the client that caused it; "": nobody


class ResultEntry(Part):
    """What an analysis found."""

    name: str  # of the analysis
    result: dict[str, Any]  # NAME and NAME_sigma side by side, or "failure" with the reason
    files: list[str] = []  # figures, by path on the service's machine


class RecentCurves(Part):
    """Records of the last ten minutes, thinned; one entry of each list for each record."""

    time_s: list[float] = []  # stream time
    lower_hz: list[float | None] = []
    lower_sigma_hz: list[float | None] = []
    lower_amplitude: list[float | None] = []
    lower_state: list[str] = []
    upper_hz: list[float | None] = []
    upper_sigma_hz: list[float | None] = []
    upper_amplitude: list[float | None] = []
    upper_state: list[str] = []
    difference_hz: list[float | None] = []
    difference_sigma_hz: list[float | None] = []
    pump_hz: list[float | None] = []
    pump_amplitude: list[float] = []
    pump_state: list[str] = []


# --- messages ------------------------------------------------------------


class Telemetry(Part):
    """Base of the messages; `message` is the topic."""

    topic: ClassVar[str]

    number: int = 0  # of this topic, from 1; a step of more than 1: some were lost
    time_s: float  # stream time: sample index over sample rate

    def encoded(self, number: int) -> bytes:
        """The JSON object, as the message of this number of its topic."""
        return self.model_copy(update={"number": number}).model_dump_json().encode()


class RecordMessage(Telemetry):
    """The loop's estimates, ten a second unless configured otherwise."""

    topic = "record"

    message: Literal["record"] = "record"
    record: Record


class SpectrumMessage(Telemetry):
    """The spectrum around one mode, once a second."""

    topic = "spectrum"

    message: Literal["spectrum"] = "spectrum"
    mode: ModeId
    center_hz: float  # absolute
    offsets_hz: list[float]  # from center_hz, ascending; at most 400
    densities_m_per_root_hz: list[float]  # one-sided amplitude spectral density at each offset
    resolution_hz: float  # half-power width that a steady line shows
    noise_bandwidth_hz: float  # a line of peak A reads A / sqrt(2 noise_bandwidth_hz)
    tracked_hz: float | None  # where the loop says that the mode is


class EventMessage(Telemetry):
    """Something happened."""

    topic = "event"

    message: Literal["event"] = "event"
    event: Event
    who: str = ""  # the client that caused it; "": nobody


class StatusMessage(Telemetry):
    """How everything is, once a second and at each change."""

    topic = "status"

    message: Literal["status"] = "status"
    status: Status


class ResultMessage(Telemetry):
    """An analysis has ended."""

    topic = "result"

    message: Literal["result"] = "result"
    name: str  # of the analysis
    result: dict[str, Any]  # NAME and NAME_sigma side by side, or "failure" with the reason
    files: list[str] = []  # figures, by path on the service's machine


class PictureMessage(Telemetry):
    """All that a late subscriber needs: at each new subscription, and every five seconds."""

    topic = "picture"

    message: Literal["picture"] = "picture"
    service: ServiceInfo
    tones: dict[str, ToneLimits] = {}  # by channel: "drive_lower", "drive_upper", "pump"
    pump_limits: PumpLimits
    line_widths_hz: dict[ModeId, float] = {}  # frequency over quality factor, as configured
    record: Record | None = None  # the last one
    status: Status
    events: list[EventEntry] = []  # the last hundred, the oldest first
    results: list[ResultEntry] = []  # of all analyses so far
    recent: RecentCurves = RecentCurves()  # at most 600 records


MESSAGES: dict[str, type[Telemetry]] = {
    kind.topic: kind
    for kind in (
        PictureMessage,
        RecordMessage,
        SpectrumMessage,
        EventMessage,
        StatusMessage,
        ResultMessage,
    )
}
"""The messages by topic."""

AnyTelemetry = TypeVar("AnyTelemetry", bound=Telemetry)


def read_telemetry(parts: list[bytes]) -> Telemetry | None:
    """A message from what came over the socket.

    Parameters
    ----------
    parts : list of bytes
        Topic and JSON object.

    Returns
    -------
    Telemetry or None
        None: a message that this version does not know, or cannot read.
    """
    if len(parts) != 2:
        return None
    kind = MESSAGES.get(parts[0].decode("utf-8", errors="replace"))
    if kind is None:
        return None
    try:
        return kind.model_validate_json(parts[1])
    except ValidationError:
        return None
