"""The protocols of a service: checked, begun, followed, and their data analysed.

One at a time is carried out; the analyses of earlier ones go on beside it in
processes of the lowest priority. Owned by the service's one thread, which
nothing here keeps waiting.
"""

from __future__ import annotations

import json
import subprocess
import tempfile
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Literal

from controller.errors import InputError
from controller.protocol.runner import ProtocolRunner
from controller.protocol.timeline import dry_run_text
from controller.runtime.protocols import Device, ProtocolFile, protocol_file, shipped_protocols
from controller.service.analysis_process import AnalysisJob, command_line
from controller.service.link import BeginProtocol, ProtocolView
from controller.service.messages import ProtocolStatus
from controller.settings import Configuration

SENT_NAME = "the protocol that was sent"
ANALYSED_WITHIN_S = 600.0  # long runs take minutes at the lowest priority
PROTOCOL_RESULT = "protocol"  # how one went, as in a log


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """A result for the log and for whoever listens."""

    name: str
    result: Mapping[str, Any]
    files: tuple[str, ...] = ()


@dataclass(slots=True, kw_only=True)
class _Analysis:
    """One that goes on."""

    job: AnalysisJob
    process: subprocess.Popen[bytes]
    printed: IO[bytes]  # a file: a full pipe would keep the process waiting
    begun_s: float


class Measurements:
    """All protocols of a service.

    Parameters
    ----------
    configuration : Configuration
        What modes and pump are.
    device : Device
        What the instrument is.
    folder : Path
        Of the run, with its log.
    now_s : callable
        A clock that never goes back [s].
    """

    def __init__(
        self, configuration: Configuration, device: Device, folder: Path, now_s: Callable[[], float]
    ) -> None:
        self._configuration, self._device, self._folder = configuration, device, folder
        self._now_s = now_s
        self._name = ""
        self._run_number = 0  # of the last protocol that was ordered
        self._planned_s = 0.0
        self._view: ProtocolView | None = None  # of that one, once the loop told of it
        self._names: Counter[str] = Counter()  # how often a result has had a name
        self._analyses: list[_Analysis] = []

    def __repr__(self) -> str:
        return f"Measurements({self._run_number} protocols)"

    @property
    def is_on(self) -> bool:
        """Whether a protocol is being carried out."""
        return self._run_number > 0 and not (self._view is not None and self._view.is_over)

    def shipped(self) -> list[dict[str, Any]]:
        """Name, title and parameters of the protocols that ship."""
        plans = {name: protocol_file(name).plan for name in shipped_protocols()}
        return [
            {"name": name, "title": plan.title, "parameters": dict(plan.parameters)}
            for name, plan in plans.items()
        ]

    def timeline(self, protocol: str, values: Mapping[str, float]) -> str:
        """What a protocol would do, as a table.

        Parameters
        ----------
        protocol : str
            Name of a shipped one, or the text of a file.
        values : mapping of str to float
            Other values of its parameters.

        Returns
        -------
        str
            Several lines.

        Raises
        ------
        InputError
            As `begin`.
        """
        plan = _file(protocol).for_run(self._configuration, self._device, values)
        return dry_run_text(plan, self._configuration, self._device.tones)

    def begin(self, protocol: str, values: Mapping[str, float]) -> BeginProtocol:
        """The order that begins a protocol; it counts as carried out from now on.

        Parameters
        ----------
        protocol : str
            Name of a shipped one, or the text of a file.
        values : mapping of str to float
            Other values of its parameters.

        Returns
        -------
        BeginProtocol
            For the loop.

        Raises
        ------
        InputError
            If another one is being carried out, or for the first thing that is
            impossible, with line and key.
        """
        if self.is_on:
            raise InputError(f"{self._name} is being carried out; stop it first")
        file = _file(protocol)
        plan = file.for_run(self._configuration, self._device, values)
        runner = ProtocolRunner.of(plan, self._configuration)
        self._name = plan.title if file.path == Path(SENT_NAME) else protocol
        self._run_number += 1
        self._planned_s, self._view = runner.remaining_s, None
        return BeginProtocol(runner=runner, run_number=self._run_number)

    def take(self, view: ProtocolView | None) -> None:
        """Take note of how the loop gets on."""
        if view is not None and view.run_number == self._run_number:
            self._view = view

    def take_result(self, result: Mapping[str, Any], *, analyses: bool) -> Finding:
        """Take how a protocol went, and begin its analysis if it has one.

        Parameters
        ----------
        result : mapping
            As the engine hands it out when a protocol ends.
        analyses : bool
            Whether there is still time for an analysis.

        Returns
        -------
        Finding
            For the log.
        """
        analysis = result.get("analysis")
        if analysis is not None and analyses:
            self._begin_analysis(str(analysis), float(result["start_s"]), float(result["end_s"]))
        return Finding(name=self._free_name(PROTOCOL_RESULT), result=result)

    def findings(self) -> list[Finding]:
        """What analyses have found since the last call."""
        found, going_on = [], []
        for each in self._analyses:
            if each.process.poll() is not None:
                found.append(_finding(each))
            elif self._now_s() - each.begun_s > ANALYSED_WITHIN_S:
                each.process.kill()
                each.process.wait()
                failure = f"the analysis took longer than {ANALYSED_WITHIN_S:g} s"
                found.append(Finding(name=each.job.name, result={"failure": failure}))
            else:
                going_on.append(each)
        self._analyses = going_on
        return found

    def close(self) -> None:
        """End the analyses that go on; `difftone report` makes them again."""
        for each in self._analyses:
            each.process.kill()
            each.process.wait()
        self._analyses = []

    @property
    def status(self) -> ProtocolStatus | None:
        """The protocol that is carried out, or was last; None: none since the start."""
        if self._run_number == 0:
            return None
        view = self._view
        if view is None:
            return ProtocolStatus(name=self._name, state="running", remaining_s=self._planned_s)
        done = 1.0 if view.is_over else 1.0 - view.remaining_s / max(self._planned_s, 1e-9)
        return ProtocolStatus(
            name=self._name,
            title=view.title,
            state=self._state(view),
            step=view.status,
            number=view.number,
            count=view.count,
            progress=min(max(done, 0.0), 1.0),
            remaining_s=view.remaining_s,
            reason=view.failure or "",
        )

    def _state(
        self, view: ProtocolView
    ) -> Literal["running", "paused", "recovering", "analysing", "done", "stopped", "failed"]:
        if view.is_over:
            if view.failure is not None:
                return "failed"
            if self._analyses:
                return "analysing"
            return "stopped" if view.is_stopped else "done"
        if view.is_recovering:
            return "recovering"
        return "paused" if view.is_paused else "running"

    def _begin_analysis(self, analysis: str, start_s: float, end_s: float) -> None:
        job = AnalysisJob(
            log=str(self._folder),
            analysis=analysis,
            name=self._free_name(analysis),
            start_s=start_s,
            end_s=end_s,
        )
        printed = tempfile.TemporaryFile()  # noqa: SIM115 - closed when it has been read
        process = subprocess.Popen(
            command_line(job),
            stdin=subprocess.DEVNULL,
            stdout=printed,
            stderr=subprocess.DEVNULL,
        )
        self._analyses.append(
            _Analysis(job=job, process=process, printed=printed, begun_s=self._now_s())
        )

    def _free_name(self, name: str) -> str:
        """A name for a result that keeps those of earlier protocols."""
        self._names[name] += 1
        return name if self._names[name] == 1 else f"{name}_{self._names[name]}"


def _file(protocol: str) -> ProtocolFile:
    """A shipped protocol by its name, or one that was sent."""
    if protocol in shipped_protocols():
        return protocol_file(protocol)
    if "\n" in protocol or "=" in protocol:
        return ProtocolFile(Path(SENT_NAME), protocol)
    raise InputError(
        f"{protocol[:40]!r}: neither a shipped protocol nor the text of one; "
        f"there are {', '.join(shipped_protocols())}"
    )


def _finding(analysis: _Analysis) -> Finding:
    """What a process has printed."""
    try:
        with analysis.printed as printed:
            printed.seek(0)
            done = json.load(printed)
        return Finding(
            name=analysis.job.name, result=done["result"], files=tuple(map(str, done["files"]))
        )
    except (ValueError, KeyError, TypeError):
        failure = f"the process of the analysis ended with status {analysis.process.returncode}"
        return Finding(name=analysis.job.name, result={"failure": failure})
