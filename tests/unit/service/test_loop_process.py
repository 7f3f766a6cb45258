"""The loop process: hears orders before each block, tells how it is, and ends with its service."""

from __future__ import annotations

import itertools
import os
from pathlib import Path
from typing import Any

import pytest

from controller.engine import Engine
from controller.protocol.runner import ProtocolRunner
from controller.records import PumpState
from controller.runtime.ending import StopRequest
from controller.service import loop_process
from controller.service.link import BeginProtocol, EndRun, LoopState, Ready, Refused
from controller.service.loop_process import Job, Orders, Reporter, run_job, stop_instrument
from controller.settings import ServiceSettings
from controller.supervisor.requests import Request, RequestKind
from tests.support.rehearsals import SCENARIOS, Rehearsal, prepared
from tests.support.witness import said
from tests.unit.protocol.plans import plan_of

pytestmark = pytest.mark.live


@pytest.fixture(autouse=True)
def not_urgent(monkeypatch: pytest.MonkeyPatch) -> None:
    """The process of the tests stays as it is."""
    monkeypatch.setattr(loop_process, "be_urgent", lambda: False)


class FakeLink:
    """Keeps what it is told, and hands out what a test has ordered."""

    def __init__(self) -> None:
        self.told: list[Any] = []
        self.waiting: list[Any] = []
        self.dropped = 0

    def tell(self, news: Any) -> None:
        """Keep it."""
        self.told.append(news)

    def orders(self) -> list[Any]:
        """Hand out what is waiting."""
        waiting, self.waiting = self.waiting, []
        return waiting


def job_of(run: Rehearsal, folder: Path = Path(), **changes: Any) -> Job:
    """A job of this process's own service."""
    fields = {
        "configuration": run.configuration,
        "source": SCENARIOS / "quiet_room.toml",
        "folder": folder,
        "link_folder": folder,
        "service_pid": os.getppid(),
    }
    return Job(**{**fields, **changes})


@pytest.fixture
def run() -> Rehearsal:
    """An endless run."""
    made = prepared()
    stream, tones = made.simulator.stream, made.simulator.tones
    made.engine = Engine(made.configuration, stream, tones, is_endless=True, watches_basebands=True)
    return made


def orders_of(run: Rehearsal, **changes: Any) -> tuple[Orders, FakeLink, StopRequest]:
    link, stop_request = FakeLink(), StopRequest()
    orders = Orders(link, run.engine, stop_request, job_of(run, **changes))  # type: ignore[arg-type]
    return orders, link, stop_request


def test_the_pump_waits_to_be_armed_unless_the_configuration_says_so(run: Rehearsal) -> None:
    orders, _, _ = orders_of(run)
    assert [request.kind for request in orders()] == [RequestKind.DISARM]
    assert orders() == []
    armed = run.configuration.model_copy(update={"service": ServiceSettings(arm_at_start=True)})
    orders, _, _ = orders_of(run, configuration=armed)
    assert orders() == []


def test_requests_go_to_the_engine_in_order(run: Rehearsal) -> None:
    orders, link, _ = orders_of(run)
    orders()
    link.waiting = [Request(kind=RequestKind.ARM), Request(kind=RequestKind.MUTE)]
    assert [request.kind for request in orders()] == [RequestKind.ARM, RequestKind.MUTE]


def test_it_ends_when_it_is_told_and_when_its_service_is_another(run: Rehearsal) -> None:
    orders, link, stop_request = orders_of(run)
    orders()
    assert not stop_request.is_set
    link.waiting = [EndRun()]
    orders()
    assert stop_request.is_set
    orders, _, stop_request = orders_of(run, service_pid=os.getppid() + 1)
    orders()
    assert stop_request.is_set


def test_a_protocol_begins_and_a_second_one_does_not(run: Rehearsal) -> None:
    orders, link, _ = orders_of(run)
    plan = plan_of({"step": "wait", "duration_s": 1.0}, title="A wait")
    runner = ProtocolRunner.of(plan, run.configuration)
    link.waiting = [
        BeginProtocol(runner=runner, run_number=1),
        BeginProtocol(runner=runner.copy(), run_number=2),
    ]
    orders()
    assert run.engine.protocol is runner and orders.run_number == 1


def reported(run: Rehearsal, until_s: float) -> list[LoopState]:
    """What is told of a run up to a stream time."""
    orders, link, _ = orders_of(run)
    reporter = Reporter(run.engine, link, None, orders)  # type: ignore[arg-type]
    step = run.engine.step

    def watched(*arguments: Any) -> Any:
        result = step(*arguments)
        end_index = arguments[0].first_sample + len(arguments[0].samples)
        reporter(result, end_index / run.rate_hz)
        return result

    run.engine.step = watched  # type: ignore[method-assign]
    run.until(until_s)
    return link.told


def test_it_tells_how_it_is_once_a_second_and_at_each_change(run: Rehearsal) -> None:
    states = reported(run, 9.0)
    times_s = [state.time_s for state in states]
    assert max(b - a for a, b in itertools.pairwise(times_s)) <= 1.0 + 1e-9
    assert "locked/locked" in states[-1].line
    changes = {round(event.time_s, 6) for event in run.events if event.kind == "state"}
    assert changes <= {round(time_s, 6) for time_s in times_s}
    assert states[-1].pump_state in list(PumpState) and states[-1].knowledge is not None


def test_basebands_travel_with_it_without_a_loss(run: Rehearsal) -> None:
    told = [each for state in reported(run, 9.0) for each in state.basebands]
    assert 0 <= len(run.basebands) - len(told) <= 50  # the last second
    assert told == run.basebands[: len(told)]


def test_it_tells_of_its_protocol_to_the_end(run: Rehearsal) -> None:
    plan = plan_of({"step": "wait", "duration_s": 1.0}, title="A wait")
    run.engine.begin_protocol(ProtocolRunner.of(plan, run.configuration))
    views = [state.protocol for state in reported(run, 9.0) if state.protocol is not None]
    assert [view.number for view in views] == sorted(view.number for view in views)
    assert views[0].status.startswith("find") and not views[0].is_over
    assert views[-1].is_over and views[-1].status == "protocol done"


def witnessed(run: Rehearsal, folder: Path, **options: Any) -> Any:
    """The configuration with a witness; it goes fast and ends after a second."""
    return run.configuration.model_copy(
        update={
            "instrument": run.configuration.instrument.model_copy(
                update={
                    "class_name": "tests.support.witness:Witnessed",
                    "options": {
                        **run.configuration.instrument.options,
                        "witness": str(folder / "witness.txt"),
                        "speed": 100.0,
                        "duration_s": 1.0,
                        **options,
                    },
                }
            )
        }
    )


def test_a_job_is_done_from_the_first_word_to_the_last(run: Rehearsal, tmp_path: Path) -> None:
    link = FakeLink()
    job = job_of(run, tmp_path, configuration=witnessed(run, tmp_path))
    assert run_job(job, link) == 1  # type: ignore[arg-type]
    assert isinstance(link.told[0], Ready) and link.told[0].is_paced and link.told[0].is_simulated
    assert link.told[-1].outcome == "failed"  # its stream ended before a lock
    assert "never locked" in link.told[-1].reason
    assert (tmp_path / "truth.csv").exists()


@pytest.mark.parametrize("is_allowed", [True, False])
def test_it_says_whether_it_has_real_time_priority(
    run: Rehearsal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, is_allowed: bool
) -> None:
    monkeypatch.setattr(loop_process, "be_urgent", lambda: is_allowed)
    link = FakeLink()
    run_job(job_of(run, tmp_path, configuration=witnessed(run, tmp_path)), link)  # type: ignore[arg-type]
    assert link.told[0].has_real_time_priority is is_allowed


def test_what_may_sound_from_an_earlier_run_is_stopped_first(
    run: Rehearsal, tmp_path: Path
) -> None:
    job = job_of(run, tmp_path, configuration=witnessed(run, tmp_path), stops_first=True)
    run_job(job, FakeLink())  # type: ignore[arg-type]
    assert [text for _, text in said(tmp_path)][:3] == ["made", "stop", "start"]


def test_an_instrument_that_cannot_be_made_is_refused(run: Rehearsal, tmp_path: Path) -> None:
    link = FakeLink()
    configuration = witnessed(run, tmp_path, colour="blue")
    assert run_job(job_of(run, tmp_path, configuration=configuration), link) == 2  # type: ignore[arg-type]
    [refused] = link.told
    assert isinstance(refused, Refused) and refused.is_input_error and "colour" in refused.text


def test_an_instrument_is_stopped_for_a_loop_that_died(
    run: Rehearsal, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert stop_instrument(job_of(run, tmp_path, configuration=witnessed(run, tmp_path))) == 0
    assert [text for _, text in said(tmp_path)] == ["made", "stop"]
    broken = witnessed(run, tmp_path, colour="blue")
    assert stop_instrument(job_of(run, tmp_path, configuration=broken)) == 1
    assert len(capsys.readouterr().err.splitlines()) == 1
