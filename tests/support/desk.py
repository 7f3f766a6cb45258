"""What the desktop is shown in tests: made-up records, and a present that is filled with them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from controller.records import Event, ModeId, ModeRecord, PumpState, Record, TrackerState
from controller.service.messages import (
    ControlStatus,
    ProtocolStatus,
    RecordMessage,
    Status,
    StatusMessage,
    Telemetry,
)
from gui.models.columns import COLUMNS, PLACES
from gui.models.present import Origin, Present
from tests.support.little_service import picture, record

WIDTH_HZ = 0.0811  # of the narrower line of the little service: 811 kHz over 1e7


def pumped_record(
    time_s: float, error_hz: float = 0.0, sigma_hz: float = 1e-4, **changes: object
) -> Record:
    """Both modes locked, the pump on and so far from the difference."""
    plain = record(time_s)
    assert plain.difference_hz is not None
    changed = replace(
        plain,
        difference_sigma_hz=sigma_hz,
        pump_hz=plain.difference_hz + error_hz,
        pump_amplitude=0.5,
        pump_state=PumpState.ON,
    )
    return replace(changed, **changes)  # type: ignore[arg-type]


def with_states(plain: Record, lower: TrackerState, upper: TrackerState) -> Record:
    """The same with other states of the modes, and the pump off."""
    states = {ModeId.LOWER: lower, ModeId.UPPER: upper}
    modes = {mode: ModeRecord(state=state) for mode, state in states.items()}
    return replace(plain, modes=modes, pump_state=PumpState.OFF, pump_hz=None, pump_amplitude=0.0)


def status(pump: PumpState = PumpState.ON, holder: str = "", **changes: object) -> Status:
    """Of a service; no protocol unless given."""
    plain = Status(line="", pump_state=pump, control=ControlStatus(who=holder))
    return plain.model_copy(update=changes)


def protocol(state: str) -> ProtocolStatus:
    """Of a protocol that has ten steps."""
    return ProtocolStatus.model_validate(
        {"name": "exchange", "state": state, "number": 3, "count": 10, "progress": 0.25}
    )


def event(time_s: float, source: str, kind: str, text: str) -> Event:
    """One that happened at a stream time."""
    return Event(
        sample_index=round(5e4 * time_s), time_s=time_s, source=source, kind=kind, text=text
    )


def present_of(*messages: Telemetry) -> Present:
    """What the window knows after a picture and these messages."""
    present = Present(Origin.SERVICE, "little")
    present.take([picture().message(), *messages])
    return present


def present_with(told: Status, newest: Record | None = None) -> Present:
    """What the window knows after a picture, a record and a status."""
    newest = pumped_record(1.0) if newest is None else newest
    return present_of(
        RecordMessage(time_s=newest.time_s, record=newest), StatusMessage(time_s=1.0, status=told)
    )


def rows(times_s: np.ndarray, **columns: np.ndarray | float) -> np.ndarray:
    """Rows of a history; what is not given is NaN."""
    made = np.full((len(times_s), len(COLUMNS)), np.nan)
    made[:, PLACES["time_s"]] = times_s
    for name, values in columns.items():
        made[:, PLACES[name]] = values
    return made
