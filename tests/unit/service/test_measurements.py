"""Measurements: how a protocol stands, and analyses that keep nobody waiting."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import pytest

from controller.service import measurements as measurements_module
from controller.service.analysis_process import AnalysisJob
from controller.service.link import ProtocolView
from controller.service.measurements import ANALYSED_WITHIN_S, Finding, Measurements
from tests.support.rehearsals import prepared

ENDED = {"title": "A wait", "analysis": "exchange", "start_s": 1.0, "end_s": 2.0}
SENT = 'title = "A wait"\nsteps = [{ step = "wait", duration_s = 10.0 }]\n'


class Clock:
    """Says what time it is told."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> Clock:
    """At nought."""
    return Clock()


@pytest.fixture
def measurements(tmp_path: Path, clock: Clock) -> Measurements:
    """Of a shipped scenario."""
    run = prepared()
    return Measurements(run.configuration, run.simulator, tmp_path, clock)


def view(**changes: Any) -> ProtocolView:
    """How the loop gets on with the first protocol."""
    fields: dict[str, Any] = {
        "run_number": 1,
        "title": "A wait",
        "status": "wait",
        "number": 1,
        "count": 1,
        "remaining_s": 10.0,
    }
    return ProtocolView(**{**fields, **changes})


def printing(monkeypatch: pytest.MonkeyPatch, code: str) -> list[AnalysisJob]:
    """Let analyses be processes that run this code; the jobs that are begun."""
    jobs: list[AnalysisJob] = []

    def command_line(job: AnalysisJob) -> list[str]:
        jobs.append(job)
        return [sys.executable, "-c", code]

    monkeypatch.setattr(measurements_module, "command_line", command_line)
    return jobs


def found(measurements: Measurements) -> list[Finding]:
    """Wait for the analyses that go on."""
    for each in measurements._analyses:
        each.process.wait(10.0)
    return measurements.findings()


def test_there_is_no_status_before_the_first_protocol(measurements: Measurements) -> None:
    assert measurements.status is None and not measurements.is_on


def test_a_status_follows_the_loop_from_the_order_to_the_end(measurements: Measurements) -> None:
    order = measurements.begin(SENT, {})
    assert order.run_number == 1 and order.runner.title == "A wait"
    assert measurements.is_on

    def seen(**changes: Any) -> tuple[str, float]:
        if changes:
            measurements.take(view(**changes))
        assert measurements.status is not None
        return measurements.status.state, measurements.status.progress

    assert seen() == ("running", 0.0)
    assert seen(remaining_s=7.5) == ("running", 0.25)
    assert seen(remaining_s=7.5, is_paused=True) == ("paused", 0.25)
    assert seen(remaining_s=12.0, is_recovering=True) == ("recovering", 0.0)
    assert seen(is_over=True, failure="a lock was lost") == ("failed", 1.0)
    assert seen(is_over=True, is_stopped=True) == ("stopped", 1.0)
    assert seen(is_over=True) == ("done", 1.0)
    assert not measurements.is_on


def test_news_of_an_earlier_protocol_are_none_of_the_next(measurements: Measurements) -> None:
    measurements.begin(SENT, {})
    measurements.take(view(is_over=True))
    measurements.begin(SENT, {})
    measurements.take(view(is_over=True))  # still under way from the first
    assert measurements.is_on


def test_an_analysis_is_a_process_whose_findings_come_later(
    measurements: Measurements, monkeypatch: pytest.MonkeyPatch
) -> None:
    done = {"result": {"energy_exchange_hz": 0.02}, "files": ["a.svg"]}
    jobs = printing(monkeypatch, f"print({json.dumps(json.dumps(done))})")
    measurements.begin(SENT, {})
    measurements.take(view(is_over=True))
    assert measurements.take_result(ENDED, analyses=True).name == "protocol"
    assert measurements.status is not None and measurements.status.state == "analysing"
    [finding] = found(measurements)
    assert finding == Finding(name="exchange", result=done["result"], files=("a.svg",))
    assert (jobs[0].start_s, jobs[0].end_s) == (1.0, 2.0)
    assert measurements.findings() == [] and measurements.status.state == "done"


def test_results_of_a_later_protocol_have_names_of_their_own(
    measurements: Measurements, monkeypatch: pytest.MonkeyPatch
) -> None:
    printing(monkeypatch, 'print(\'{"result": {}, "files": []}\')')
    names = []
    for _ in range(2):
        names.append(measurements.take_result(ENDED, analyses=True).name)
        names.extend(finding.name for finding in found(measurements))
    assert names == ["protocol", "exchange", "protocol_2", "exchange_2"]


@pytest.mark.parametrize("code", ["raise SystemExit(3)", "print('nonsense')", "print('[1]')"])
def test_an_analysis_that_breaks_is_a_failure_in_words(
    measurements: Measurements, monkeypatch: pytest.MonkeyPatch, code: str
) -> None:
    printing(monkeypatch, code)
    measurements.take_result(ENDED, analyses=True)
    [finding] = found(measurements)
    assert "the process of the analysis ended with status" in finding.result["failure"]


def test_an_analysis_that_takes_too_long_is_ended(
    measurements: Measurements, monkeypatch: pytest.MonkeyPatch, clock: Clock
) -> None:
    printing(monkeypatch, "import signal; signal.pause()")
    measurements.take_result(ENDED, analyses=True)
    assert measurements.findings() == []
    clock.now_s = ANALYSED_WITHIN_S + 1.0
    [finding] = measurements.findings()
    assert "took longer than" in finding.result["failure"]


def test_at_the_end_nothing_is_analysed_any_more(
    measurements: Measurements, monkeypatch: pytest.MonkeyPatch
) -> None:
    jobs = printing(monkeypatch, "import signal; signal.pause()")
    measurements.take_result(ENDED, analyses=True)
    process = measurements._analyses[0].process
    measurements.close()
    assert process.returncode is not None
    measurements.take_result(ENDED, analyses=False)
    assert len(jobs) == 1


def test_what_ships_is_listed_with_its_parameters(measurements: Measurements) -> None:
    shipped = {each["name"]: each for each in measurements.shipped()}
    assert shipped["drift_watch"]["parameters"] == {"watch_s": 3600.0}
