"""The process that analyses what a protocol has left in the log of a running service.

Started by `controller.service.measurements`, at the lowest priority; reads
the log, draws the figures, and prints one JSON object.
"""

from __future__ import annotations

import json
import os
import sys
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from controller.analysis.look import as_svg
from controller.analysis.protocols.figures import protocol_figures
from controller.analysis.protocols.registry import ANALYSES
from controller.errors import DifftoneError
from controller.runtime.configuration import one_line
from controller.runtime.log.reader import LogReader
from controller.runtime.protocols import protocol_data

LOWEST_PRIORITY = 19
WRITTEN_WITHIN_S = 10.0  # what the protocol left must be in the log by then
LOOK_EVERY_S = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalysisJob:
    """Which data to analyse."""

    log: str  # folder of the run
    analysis: str
    name: str  # under which the result is kept, and the figures
    start_s: float  # stream time
    end_s: float


def main() -> int:
    """Do the job in the argument; print `result` and `files`, or a `failure` as the result."""
    os.nice(LOWEST_PRIORITY)
    job = AnalysisJob(**json.loads(sys.argv[1]))
    try:
        done = analyse(job)
    except DifftoneError as error:
        done = {"result": {"failure": one_line(error)}, "files": []}
    except Exception as error:  # a defect here costs this result, not the service
        text = f"internal error: {type(error).__name__}: {one_line(error)}"
        done = {"result": {"failure": text}, "files": []}
    print(json.dumps(done, default=float))
    return 0


def analyse(job: AnalysisJob) -> dict[str, Any]:
    """Fit and draw.

    Parameters
    ----------
    job : AnalysisJob
        Which data.

    Returns
    -------
    dict
        `result`, as in the summary of a run, and `files`: paths of the figures.
    """
    with LogReader(job.log) as reader:
        _wait_until_written(reader, job.end_s)
        data = protocol_data(reader, (job.start_s, job.end_s))
    found = ANALYSES[job.analysis](data)
    if found.results is None:
        return {"result": {"failure": found.failure}, "files": []}
    files = []
    for number, drawn in enumerate(protocol_figures(job.analysis, found, data), start=1):
        path = Path(job.log) / f"{job.name}-{number}.svg"
        path.write_text(as_svg(drawn.figure, path.stem), encoding="utf-8")
        files.append(str(path))
    return {"result": dict(found.results), "files": files}


def _wait_until_written(reader: LogReader, end_s: float) -> None:
    """The service's log is written by a thread that is a second behind."""
    given_up_s = time.monotonic() + WRITTEN_WITHIN_S
    while reader.end_s < end_s and time.monotonic() < given_up_s:
        time.sleep(LOOK_EVERY_S)


def command_line(job: AnalysisJob) -> list[str]:
    """The command that does a job."""
    return [sys.executable, "-m", "controller.service.analysis_process", json.dumps(asdict(job))]


if __name__ == "__main__":
    sys.exit(main())
