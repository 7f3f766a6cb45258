"""Protocol files, and what a protocol's log has to say.

Reads TOML and logs; the language is `controller.protocol`, the mathematics
`controller.analysis.protocols`.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from controller.analysis.protocols.data import (
    BASEBAND_DTYPE,
    Facts,
    ModeFacts,
    ProtocolData,
)
from controller.analysis.protocols.registry import ANALYSES
from controller.errors import InputError
from controller.instrument import StreamFormat, ToneChannel
from controller.protocol.checks import check_plan
from controller.protocol.language import ProtocolPlan, plan_from_tables, with_parameters
from controller.protocol.source_lines import line_of
from controller.records import ModeId
from controller.runtime.log.reader import LogReader
from controller.runtime.shipped import chosen_file, shipped_files
from controller.settings import LoopSettings
from controller.supervisor.configs import coupling_sigma_hz

MARK_KIND = "mark"
EVER_S = (-math.inf, math.inf)
RECORDED = (
    "time_s",
    "difference_hz",
    "difference_sigma_hz",
    "pump_hz",
    "pump_amplitude",
    *(
        f"{mode.value}_{name}"
        for mode in ModeId
        for name in ("state", "frequency_hz", "frequency_sigma_hz", "amplitude", "amplitude_sigma")
    ),
)


class Device(Protocol):
    """What a protocol has to fit: an instrument, or what is known of one."""

    @property
    def stream(self) -> StreamFormat:
        """What the samples mean."""
        ...

    @property
    def tones(self) -> Mapping[str, ToneChannel]:
        """The outputs by name."""
        ...


class ProtocolFile:
    """A protocol file as it was read, which can say where a mistake stands.

    Parameters
    ----------
    path : Path
        The file.
    text : str, optional
        Its content, where that did not come from a file; then `path` is what
        messages call it.

    Raises
    ------
    InputError
        If it cannot be read, is no TOML, or a step in it is wrong: file, line,
        key, value, and what would be right.
    """

    def __init__(self, path: Path, text: str | None = None) -> None:
        self.path = path
        try:
            self._text = path.read_text(encoding="utf-8") if text is None else text
            self._tables: dict[str, Any] = tomllib.loads(self._text)
        except (OSError, UnicodeDecodeError) as error:
            raise InputError(f"{path}: cannot be read ({error})") from error
        except tomllib.TOMLDecodeError as error:
            raise InputError(f"{path}: {error}") from error
        try:
            self.plan = plan_from_tables(self._tables)
        except InputError as error:
            raise InputError(self._placed(error)) from None

    def __repr__(self) -> str:
        return f"ProtocolFile({self.path})"

    def for_run(
        self, settings: LoopSettings, instrument: Device, values: Mapping[str, float]
    ) -> ProtocolPlan:
        """The plan with other parameters, checked against modes and instrument.

        Parameters
        ----------
        settings : LoopSettings
            What modes and pump are.
        instrument : Device
            What it is to run on.
        values : mapping of str to float
            Parameters to change, by name.

        Returns
        -------
        ProtocolPlan
            Ready to be carried out.

        Raises
        ------
        InputError
            For the first thing that is impossible, with file, line and key.
        """
        try:
            plan = with_parameters(self.plan, values)
            check_plan(plan, settings, instrument.tones, instrument.stream)
        except InputError as error:
            raise InputError(self._placed(error)) from None
        return plan

    def _placed(self, error: InputError) -> str:
        line = line_of(self._text, self._tables, str(error))
        where = str(self.path) if line is None else f"{self.path}:{line}"
        return f"{where}: {error}"


def shipped_protocols() -> dict[str, Path]:
    """The shipped protocols by name."""
    return shipped_files("controller.protocol", "shipped")


def protocol_file(name: str) -> ProtocolFile:
    """A protocol that is given by its shipped name or as a file.

    Parameters
    ----------
    name : str
        Name or path.

    Returns
    -------
    ProtocolFile
        Read, its steps right by themselves.

    Raises
    ------
    InputError
        If there is no such protocol, or as `ProtocolFile`.
    """
    return ProtocolFile(chosen_file(name, shipped_protocols(), "protocol"))


def protocol_data(reader: LogReader, between_s: tuple[float, float] = EVER_S) -> ProtocolData:
    """What a protocol left in a log, as its analysis takes it.

    Parameters
    ----------
    reader : LogReader
        The log.
    between_s : (float, float)
        From when to when the protocol was carried out [s], where there is more
        than one in the log.

    Returns
    -------
    ProtocolData
        Its sections, basebands, records and marks.
    """
    settings = LoopSettings.model_validate(
        {key: value for key, value in reader.settings.items() if key in LoopSettings.model_fields}
    )
    begin_s, end_s = between_s
    columns = _between(reader.basebands(), begin_s, end_s)
    basebands = np.zeros(len(columns["time_s"]), dtype=BASEBAND_DTYPE)
    for name, values in columns.items():
        basebands[name] = values
    basebands["sample_index"] = np.round(columns["time_s"] * reader.stream.sample_rate_hz)
    return ProtocolData(
        sections=tuple(s for s in reader.sections() if begin_s <= s.start_s and s.end_s <= end_s),
        basebands=basebands,
        lower_reference_hz=settings.modes.lower.frequency_hz,
        upper_reference_hz=settings.modes.upper.frequency_hz,
        facts=_facts(settings, reader, basebands),
        records=_between(reader.columns(RECORDED), begin_s, end_s),
        marks=tuple(
            (event.time_s, event.text)
            for event in reader.events()
            if event.kind == MARK_KIND and begin_s <= event.time_s <= end_s
        ),
    )


def _between(
    columns: Mapping[str, np.ndarray], begin_s: float, end_s: float
) -> dict[str, np.ndarray]:
    """The rows of a time."""
    is_within = (begin_s <= columns["time_s"]) & (columns["time_s"] <= end_s)
    return {name: values[is_within] for name, values in columns.items()}


def analysed(reader: LogReader, analysis: str) -> dict[str, Any]:
    """The results of a protocol, from its log.

    Parameters
    ----------
    reader : LogReader
        The log.
    analysis : str
        Name of the analysis.

    Returns
    -------
    dict
        NAME and NAME_sigma side by side; or `failure` alone, with the reason.
    """
    if analysis not in ANALYSES:
        return {"failure": f"there is no analysis {analysis}; there are {', '.join(ANALYSES)}"}
    result = ANALYSES[analysis](protocol_data(reader))
    if result.results is None:
        return {"failure": result.failure}
    return dict(result.results)


def _facts(settings: LoopSettings, reader: LogReader, basebands: np.ndarray) -> Facts:
    """What was known beforehand, with what the loop measured of the detector's noise."""
    # Only fits of basebands ask for the noise, and these tell how long an update is.
    update_s = float(basebands["duration_s"][0]) if len(basebands) else None
    noise = dict.fromkeys(ModeId, 0.0) if update_s is None else _detector_noise_m(reader, update_s)
    lower, upper = (
        ModeFacts(
            frequency_hz=known.frequency_hz,
            quality_factor=known.quality_factor,
            mass_kg=known.mass_kg,
            detector_noise_m_per_root_hz=settings.tracking.detector_noise or noise[mode],
            duffing_self_hz_per_m2=known.duffing_self_hz_per_m2,
            duffing_cross_hz_per_m2=known.duffing_cross_hz_per_m2,
            duffing_sigma_hz_per_m2=known.duffing_sigma_hz_per_m2,
        )
        for mode, known in ((mode, settings.modes.of(mode)) for mode in ModeId)
    )
    tracking, pump = settings.tracking, settings.pump
    return Facts(
        lower=lower,
        upper=upper,
        temperature_k=tracking.temperature_k,
        gain_walk_per_root_s=tracking.gain_walk_per_root_s,
        drift_ratio=tracking.drift_ratio,
        drift_ratio_sigma=tracking.drift_ratio_sigma,
        mass_ratio_sigma=pump.mass_ratio_sigma,
        coupling_hz_per_unit=pump.coupling_hz_per_unit or 0.0,
        coupling_sigma_hz_per_unit=coupling_sigma_hz(settings),
        coupling_phase_rad=pump.coupling_phase_rad,
    )


def _detector_noise_m(reader: LogReader, update_s: float) -> dict[ModeId, float]:
    """One-sided density of the detector's noise, from the signal-to-noise of the records.

    An update of T has S^2 / T in each quadrature, and A^2 / 2 over 2 S^2 / T / 2 as its
    signal-to-noise: amplitude over root 2 S / root T.
    """
    names = [f"{mode.value}_{name}" for mode in ModeId for name in ("amplitude", "snr_db")]
    columns = reader.columns(names)
    found = {}
    for mode in ModeId:
        ratio = 10.0 ** (columns[f"{mode.value}_snr_db"] / 20.0)
        density = columns[f"{mode.value}_amplitude"] / ratio * math.sqrt(update_s / 2.0)
        known = density[np.isfinite(density)]
        found[mode] = float(np.median(known)) if len(known) else 0.0
    return found
