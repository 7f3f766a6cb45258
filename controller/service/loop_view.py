"""What the loop has told of itself, as the service keeps it, and the messages that it makes."""

from __future__ import annotations

import numpy as np

from controller.records import Event, Knowledge, ModeId, Record
from controller.runtime.log.handed_over import Entry
from controller.service.link import LoopState
from controller.service.messages import AllanSeries, EventMessage, RecordMessage, Telemetry
from controller.service.spectra import Spectra
from controller.settings import LoopSettings
from controller.tracking.stability import random_walk_deviation


class LoopView:
    """The newest record, state and deviations; owned by the service's one thread.

    Parameters
    ----------
    settings : LoopSettings
        Of the loop.
    """

    def __init__(self, settings: LoopSettings) -> None:
        self._spectra = Spectra(settings)
        self.record: Record | None = None
        self.state: LoopState | None = None
        self.allan: dict[str, AllanSeries] = {}
        self._knowledge: Knowledge | None = None

    def __repr__(self) -> str:
        return f"LoopView({self.time_s:g} s)"

    @property
    def time_s(self) -> float:
        """Stream time as far as it is known [s]."""
        return max(0.0 if told is None else told.time_s for told in (self.state, self.record))

    def take_entry(self, entry: Entry) -> list[Telemetry]:
        """Take in a call of the log; what is news in it."""
        first = entry.arguments[0]
        if isinstance(first, Record):
            self.record = first
            return [RecordMessage(time_s=first.time_s, record=first)]
        if isinstance(first, Event):
            return [EventMessage(time_s=first.time_s, event=first)]
        if entry.method == "allan":
            _, series, taus_s, deviations, sigmas = entry.arguments
            self.allan[series] = AllanSeries(
                taus_s=list(taus_s),
                deviations_hz=list(deviations),
                sigmas_hz=list(sigmas),
                limits_hz=self._allan_limits_hz(series, np.array(taus_s)),
            )
        return []

    def take_state(self, state: LoopState) -> list[Telemetry]:
        """Take in how the loop is; the spectra that are complete now."""
        self.state = state
        self._knowledge = state.knowledge or self._knowledge
        record = self.record
        tracked_hz = {
            mode: None if record is None else record.modes[mode].frequency_hz for mode in ModeId
        }
        return [
            message
            for baseband in state.basebands
            for message in self._spectra.process(baseband, tracked_hz)
        ]

    def _allan_limits_hz(self, series: str, taus_s: np.ndarray) -> list[float | None]:
        """What the modes do on their own, as learnt: the difference cannot be quieter."""
        if series != "difference" or self._knowledge is None:
            return []
        walk = self._knowledge.separate_walk_hz_per_root_s
        return [float(limit_hz) for limit_hz in random_walk_deviation(walk, taus_s)]
