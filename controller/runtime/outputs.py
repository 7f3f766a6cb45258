"""The files that a run leaves, made from its log.

`summary.json`, `tracks.csv` and `report.html` come from the log (and the
truth, where a simulated instrument left one) and from nothing else, so that
they can be made again at any time, also of a run that was killed.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from controller.analysis.figures import RunFacts
from controller.analysis.protocols.data import Results
from controller.analysis.protocols.figures import ProtocolFigure, protocol_figures
from controller.analysis.protocols.registry import ANALYSES
from controller.analysis.report import (
    LINES_RESULT,
    PROTOCOL_RESULT,
    ProtocolPart,
    ReportHead,
    render_report,
)
from controller.analysis.tracks import COLUMNS_NEEDED, AllanCurve, RunTracks
from controller.errors import InputError
from controller.instrument import amplitude_unit
from controller.records import ModeId
from controller.runtime.log.export import write_tracks_csv
from controller.runtime.log.pieces import LOG_NAME as LOG_NAME
from controller.runtime.log.pieces import beside
from controller.runtime.log.reader import CHUNK_ROWS, LogReader
from controller.runtime.protocols import protocol_data
from controller.runtime.summary import pump_offset_hz, summarise, write_summary
from controller.runtime.truth import TruthComparison, predicted_allan_hz

SUMMARY_NAME = "summary.json"
TRACKS_NAME = "tracks.csv"
REPORT_NAME = "report.html"

# Events and steps that a page lists: enough for a bad day, few enough to be read.
_FIRST_LISTED, _LAST_LISTED = 150, 50

_Row = TypeVar("_Row")


def write_outputs(folder: Path | str, log_path: Path | str) -> dict[str, Any]:
    """Write `summary.json`, `tracks.csv` and `report.html` from a log.

    Parameters
    ----------
    folder : Path or str
        Where the files go; a truth is looked for here.
    log_path : Path or str
        The log of the run, finished or killed; a folder: all its pieces.

    Returns
    -------
    dict
        The content of `summary.json`.

    Raises
    ------
    InputError
        If the log or the truth is damaged, or a file cannot be written.
    """
    folder = Path(folder)
    truth = TruthComparison.found_in(folder)
    with LogReader(log_path) as reader:
        summary = summarise(reader, truth)
        write_summary(summary, folder / SUMMARY_NAME)
        write_tracks_csv(reader, folder / TRACKS_NAME)
        _write_page(reader, truth, summary, folder / REPORT_NAME)
    return summary


def write_report(log_path: Path | str, path: Path | str | None = None) -> Path:
    """Write the report of a log.

    Parameters
    ----------
    log_path : Path or str
        A log file, or the folder of a run for all pieces of its log; a truth
        is looked for there.
    path : Path or str or None
        The page; None: `report.html` beside the log, of a later piece
        `report-2.html` and so on.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    InputError
        If the log or the truth is damaged, or the page cannot be written.
    """
    log_path = Path(log_path)
    path = beside(log_path, REPORT_NAME) if path is None else Path(path)
    with LogReader(log_path) as reader:
        truth = TruthComparison.found_in(reader.folder)
        _write_page(reader, truth, summarise(reader, truth), path)
    return path


def _write_page(
    reader: LogReader, truth: TruthComparison | None, summary: dict[str, Any], path: Path
) -> None:
    tracks = _tracks(reader, truth)
    events, events_left_out = _listed(reader.events())
    facts = _facts(reader, truth, tracks, summary)
    page = render_report(
        _head(reader),
        summary=summary,
        tracks=tracks,
        allan=_allan(reader, truth),
        events=events,
        events_left_out=events_left_out,
        facts=facts,
        protocol=_protocol(reader, summary["results"]),
    )
    partial = path.with_name(path.name + ".partial")
    try:
        partial.write_text(page, encoding="utf-8")
        partial.replace(path)
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error.strerror})") from error


def _tracks(reader: LogReader, truth: TruthComparison | None) -> RunTracks:
    offset_hz = pump_offset_hz(reader.settings)
    tracks = RunTracks(reader.record_count, pump_offset_hz=offset_hz)
    rows = tracks.bucket * max(1, CHUNK_ROWS // tracks.bucket)
    for chunk in reader.chunks(COLUMNS_NEEDED, rows=rows):
        tracks.add_records(chunk)
    if truth is not None:
        for errors in truth.errors(reader, rows=rows):
            tracks.add_errors(errors)
        for times_s, errors_hz in truth.pump_errors(reader):
            tracks.add_pump_errors(times_s, errors_hz)
    return tracks


def _listed(rows: Iterator[_Row]) -> tuple[list[_Row], int]:
    """The rows that a page lists, and how many it leaves out between them."""
    first = list(islice(rows, _FIRST_LISTED))
    last: deque[_Row] = deque(maxlen=_LAST_LISTED)
    left_out = -_LAST_LISTED
    for row in rows:
        last.append(row)
        left_out += 1
    return first + list(last), max(0, left_out)


def _protocol(reader: LogReader, results: dict[str, Any]) -> ProtocolPart | None:
    """What a page shows of the protocol, its numbers as the log has them; None without one."""
    steps, steps_left_out = _listed(reader.sections())
    told = results.get(PROTOCOL_RESULT) or {}
    if not told and not steps:
        return None
    analysis = told.get("analysis") or ""
    found: Results = results.get(analysis) or {}
    failure = str(found.get("failure") or "") if analysis else ""
    if not told:
        failure = "the log ends before the protocol did"
    return ProtocolPart(
        title=told.get("title") or "unfinished",
        analysis=analysis,
        results={} if failure else found,
        failure=failure,
        steps=steps,
        steps_left_out=steps_left_out,
        figures=[] if failure else _protocol_figures(reader, analysis),
    )


def _protocol_figures(reader: LogReader, analysis: str) -> list[ProtocolFigure]:
    """The analysis again, for its series."""
    if analysis not in ANALYSES:
        return []
    data = protocol_data(reader)
    return protocol_figures(analysis, ANALYSES[analysis](data), data)


def _head(reader: LogReader) -> ReportHead:
    return ReportHead(
        title=reader.settings.get("title") or f"Run {reader.folder.absolute().name}",
        description=reader.settings.get("description") or "",
        source=", ".join(reader.file_names),
        started=reader.started,
    )


def _facts(
    reader: LogReader,
    truth: TruthComparison | None,
    tracks: RunTracks,
    summary: dict[str, Any],
) -> RunFacts:
    unit = amplitude_unit(reader.stream)
    return RunFacts(
        duration_s=reader.end_s,
        amplitude_unit=unit if unit == "m" else None,
        line_width_hz=_line_width_hz(reader.settings, truth, _decay_time_s(summary, tracks)),
        pump_offset_hz=pump_offset_hz(reader.settings),
        smallest_error_hz=summary.get("truth", {}).get("difference_limit_hz"),
        has_pump="pump" in reader.channels,
    )


def _decay_time_s(summary: dict[str, Any], tracks: RunTracks) -> float | None:
    """Decay time of the line that rings longer: over a recording as a whole, or as last seen."""
    lines = summary["results"].get(LINES_RESULT)
    if lines is None:
        return tracks.decay_time_s
    known_s = [lines[mode]["decay_time_s"] for mode in ModeId if lines[mode]["decay_time_s"]]
    return max(known_s, default=None) if len(known_s) == len(ModeId) else None


def _line_width_hz(
    settings: dict[str, Any], truth: TruthComparison | None, decay_time_s: float | None
) -> float | None:
    """Width of the narrower line: as it is, as measured, or as configured."""
    modes = (truth.device if truth is not None else {}).get("modes")
    if modes is None and decay_time_s:
        return 1.0 / (math.pi * decay_time_s)  # gamma / 2 pi, with amplitude decay 2 / gamma
    modes = modes or settings.get("modes") or {}
    try:
        return min(modes[mode]["frequency_hz"] / modes[mode]["quality_factor"] for mode in ModeId)
    except (KeyError, TypeError, ZeroDivisionError):
        return None


def _allan(reader: LogReader, truth: TruthComparison | None) -> dict[str, AllanCurve]:
    curves = {
        name: AllanCurve(
            taus_s=series.taus_s, deviations_hz=series.deviations_hz, sigmas_hz=series.sigmas_hz
        )
        for name, series in reader.allan().items()
    }
    if truth is not None and "difference" in curves and "predicted" not in curves:
        # The drift model knows no amplitude; any one serves.
        model = truth.model(dict.fromkeys(ModeId, 1.0))
        taus_s = curves["difference"].taus_s
        if model is not None and len(taus_s):
            deviations_hz = predicted_allan_hz(model, np.asarray(taus_s, dtype=float))
            curves["predicted"] = AllanCurve(taus_s=taus_s, deviations_hz=deviations_hz)
    return curves
