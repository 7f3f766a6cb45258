"""The status that is told once a second, put together from what the service knows."""

from __future__ import annotations

from collections.abc import Mapping

from controller.records import PumpState, Record
from controller.runtime.block_clock import LatencyFigures
from controller.runtime.log.thread import Logging, LogState
from controller.service.link import LoopState
from controller.service.messages import (
    AllanSeries,
    ControlStatus,
    Counts,
    Deadlines,
    LogStatus,
    ProtocolStatus,
    Status,
)

LOG_STATES = {
    Logging.WRITING: "writing",
    Logging.STOPPED: "stopped",
    Logging.FAILED: "stopped",
    Logging.CLOSED: "off",
}


def status_of(
    loop: LoopState | None,
    record: Record | None,
    *,
    control: ControlStatus,
    protocol: ProtocolStatus | None,
    log: LogState,
    clients: int,
    allan: Mapping[str, AllanSeries],
    malformed: int,
    strangers: int,
    refused: int,
) -> Status:
    """How everything is.

    Parameters
    ----------
    loop : LoopState or None
        As the loop told last; None: it has not yet.
    record : Record or None
        The last one.
    control : ControlStatus
        Who may change things.
    protocol : ProtocolStatus or None
        That is carried out, or was last.
    log : LogState
        Of the thread that writes it.
    clients : int
        Connections that listen.
    allan : mapping of str to AllanSeries
        Running deviations.
    malformed, strangers, refused : int
        Messages that were no command, connections and commands of strangers,
        and commands that were answered with no.

    Returns
    -------
    Status
        For everybody.
    """
    return Status(
        line="starting" if loop is None else loop.line,
        pump_state=PumpState.OFF if loop is None else loop.pump_state,
        pump_amplitude=0.0 if loop is None else loop.pump_amplitude,
        pump_offset_hz=0.0 if loop is None else loop.pump_offset_hz,
        pump_chirp_hz_per_s=0.0 if loop is None else loop.pump_chirp_hz_per_s,
        control=control,
        protocol=protocol,
        log=_log_status(log),
        deadlines=Deadlines() if loop is None else _deadlines(loop.latency),
        clients=clients,
        allan=dict(allan),
        innovation_ratio=None if record is None else record.difference_innovation_ratio,
        counts=Counts(
            malformed=malformed,
            strangers=strangers,
            refused=refused,
            dropped=0 if loop is None else loop.dropped,
        ),
    )


def _log_status(log: LogState) -> LogStatus:
    return LogStatus.model_validate(
        {
            "state": LOG_STATES[log.state],
            "reason": log.reason,
            "file": log.file,
            "rows": log.rows,
            "dropped": log.dropped,
            "free_bytes": log.free_bytes,
        }
    )


def _deadlines(latency: LatencyFigures) -> Deadlines:
    def in_ms(duration_s: float | None) -> float | None:
        return None if duration_s is None else 1e3 * duration_s

    return Deadlines(
        block_ms=in_ms(latency.block_s),
        p50_ms=in_ms(latency.p50_s),
        p99_ms=in_ms(latency.p99_s),
        p999_ms=in_ms(latency.p999_s),
        worst_ms=in_ms(latency.worst_s),
        missed=latency.missed,
        blocks=latency.blocks,
    )
