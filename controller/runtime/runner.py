"""Runs from making their folder to writing their outputs.

What goes on between stands in `controller.runtime.loop`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from controller.engine import Engine
from controller.errors import DifftoneError, InputError, RunFailed
from controller.instrument import Instrument
from controller.protocol.checks import check_plan
from controller.protocol.language import ProtocolPlan
from controller.protocol.runner import ProtocolRunner
from controller.replay import ReplayEngine
from controller.runtime.ending import FAILED, StopRequest
from controller.runtime.log.pieces import LOG_NAME
from controller.runtime.log.reader import LogReader
from controller.runtime.log.writer import LogWriter
from controller.runtime.loop import (
    Ending,
    Loop,
    LoopRun,
    Progress,
    RequestSource,
    clock_of,
    no_requests,
)
from controller.runtime.outputs import (
    REPORT_NAME,
    SUMMARY_NAME,
    TRACKS_NAME,
    write_outputs,
)
from controller.runtime.protocols import analysed
from controller.runtime.truth import TRUTH_CSV, TRUTH_JSON
from controller.settings import Configuration, LoopSettings, RunSettings

RUN_FILES = (LOG_NAME, SUMMARY_NAME, TRACKS_NAME, REPORT_NAME, TRUTH_CSV, TRUTH_JSON)
"""What a run leaves; a folder that holds one of them belongs to that run."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How a run ended."""

    status: int  # exit status: 0 done, 1 failed
    outcome: str  # "done", "failed" or "interrupted", as in the log
    reason: str  # in words; empty where there is nothing to say
    folder: Path
    stream_s: float  # stream time that was read
    summary: Mapping[str, Any]  # as in summary.json


def run(
    configuration: Configuration,
    out_dir: Path,
    *,
    instrument: Instrument,
    protocol: ProtocolPlan | None = None,
    progress: Progress | None = None,
    requests: RequestSource = no_requests,
) -> Outcome:
    """Run the loop on an instrument for the configured time, or a protocol to its end.

    Parameters
    ----------
    configuration : Configuration
        What to do; already checked against the instrument.
    out_dir : Path
        Folder of the run; made if absent.
    instrument : Instrument
        Made, not started; started and stopped here.
    protocol : ProtocolPlan, optional
        What is carried out; None: the pump is kept on the difference.
    progress : callable, optional
        Shown stream time [s] and a status line about ten times a second of
        stream time.
    requests : callable, optional
        Asked before each block, and must not wait: what the operator wants.

    Returns
    -------
    Outcome
        Also where the run failed: the reason is in it and in the log.

    Raises
    ------
    InputError
        If the settings are impossible on this instrument, or the folder
        holds files of another run. Nothing was started then.

    Notes
    -----
    Called from the main thread, SIGINT and SIGTERM end the run in order; a
    second one ends it at once, with every tone off.
    """
    runner = None
    if protocol is not None:
        check_plan(protocol, configuration, instrument.tones, instrument.stream)
        runner = ProtocolRunner.of(protocol, configuration)
    engine = Engine(configuration, instrument.stream, instrument.tones, runner)
    return run_loop(
        engine,
        instrument,
        out_dir,
        configuration,
        configuration.run,
        progress=progress,
        requests=requests,
    )


def replay(
    recording: Instrument,
    out_dir: Path,
    *,
    modes_hz: tuple[float, float] | None = None,
    settings: LoopSettings | None = None,
    progress: Progress | None = None,
) -> Outcome:
    """Follow the two lines of a recording to its end.

    Parameters
    ----------
    recording : Instrument
        An instrument without tones; started and stopped here.
    out_dir : Path
        Folder of the run; made if absent.
    modes_hz : (float, float), optional
        Where the two lines are [Hz], the lower one first.
    settings : LoopSettings, optional
        The loop's settings; without either, the lines are searched for.
    progress : callable, optional
        As in `run`.

    Returns
    -------
    Outcome
        As in `run`.

    Raises
    ------
    InputError
        As in `run`.
    """
    engine = ReplayEngine(recording.stream, modes_hz, settings)
    limits = settings.run if settings is not None else RunSettings()
    return run_loop(engine, recording, out_dir, settings, limits, progress=progress)


def run_loop(
    engine: Loop,
    instrument: Instrument,
    out_dir: Path,
    settings: LoopSettings | None,
    limits: RunSettings,
    *,
    progress: Progress | None = None,
    requests: RequestSource = no_requests,
) -> Outcome:
    """One run, from making its folder to writing its outputs.

    Parameters
    ----------
    engine : Loop
        The loop, new.
    instrument : Instrument
        What it runs on; started and stopped here.
    out_dir : Path
        Folder of the run; made if absent.
    settings : LoopSettings or None
        Written into the log.
    limits : RunSettings
        How long a read may take, and how often it may fail.
    progress : callable, optional
        As in `run`.
    requests : callable, optional
        As in `run`.

    Returns
    -------
    Outcome
        As in `run`.

    Raises
    ------
    InputError
        If the folder holds files of another run, or cannot be made.
    RunFailed
        If the outputs cannot be written.
    """
    make_run_folder(out_dir)
    log = LogWriter(
        out_dir / LOG_NAME,
        settings="{}" if settings is None else settings.model_dump_json(by_alias=True),
        stream=instrument.stream,
        tones=instrument.tones,
        started=datetime.now(UTC).isoformat(timespec="seconds"),
    )
    with StopRequest() as stop_request:
        current = LoopRun(
            engine,
            instrument,
            log,
            limits,
            stop_request,
            progress=progress,
            requests=requests,
            analyse=lambda analysis: _analysed(log, analysis),
            clock=clock_of(instrument, limits),
        )
        ending = current.to_the_end(out_dir)
        summary = _outputs(out_dir, ending)
    return Outcome(
        status=1 if ending.outcome == FAILED else 0,
        outcome=ending.outcome,
        reason=ending.reason,
        folder=out_dir,
        stream_s=current.end_index / instrument.stream.sample_rate_hz,
        summary=summary,
    )


def make_run_folder(folder: Path) -> None:
    """Make the folder of a run.

    Parameters
    ----------
    folder : Path
        May exist, without a run in it.

    Raises
    ------
    InputError
        If it holds files of another run, or cannot be made.
    """
    taken = [name for name in RUN_FILES if (folder / name).exists()]
    if taken:
        raise InputError(
            f"--out {folder}: holds {taken[0]} of another run; choose a new or empty folder"
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"--out {folder}: cannot be made: {error.strerror}") from error


def _analysed(log: LogWriter, analysis: str) -> Mapping[str, Any]:
    """What the analysis of a protocol finds in its log."""
    with LogReader(log.path) as reader:
        return analysed(reader, analysis)


def _outputs(folder: Path, ending: Ending) -> Mapping[str, Any]:
    """Summary, tracks and report from the log; what fails there fails the run."""
    try:
        return write_outputs(folder, folder / LOG_NAME)
    except DifftoneError as error:
        raise RunFailed(f"{ending.reason + '; ' if ending.reason else ''}{error}") from error
