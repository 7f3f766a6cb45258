"""The link: in order, never waiting, and what does not fit is counted."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from controller.instrument import Tone
from controller.records import Event
from controller.runtime.log.writer import LogWriter
from controller.service import ends as ends_module
from controller.service.ends import ChildEnd, ServiceEnd
from controller.service.link import Ended, EndRun, News, RemoteLog
from controller.supervisor.requests import Request, RequestKind

pytestmark = pytest.mark.live

WITHIN_MS = 10_000
EVENT = Event(sample_index=5, time_s=0.1, source="run", kind="mark", text="here")


@pytest.fixture
def ends(tmp_path: Path) -> Iterator[tuple[ServiceEnd, ChildEnd]]:
    """Both ends of a link."""
    service, loop = ServiceEnd(tmp_path), ChildEnd(tmp_path)
    yield service, loop
    service.close()
    loop.close()


def news_of(service: ServiceEnd, count: int) -> list[News]:
    """Wait for so many news."""
    news: list[News] = []
    while len(news) < count:
        assert service.socket.poll(WITHIN_MS), news
        news += service.news()
    return news


def test_orders_and_news_arrive_in_order(ends: tuple[ServiceEnd, ChildEnd]) -> None:
    service, loop = ends
    orders = [Request(kind=RequestKind.MUTE, who="ana"), EndRun()]
    for order in orders:
        service.order(order)
    got: list[object] = []
    while len(got) < 2:
        got += loop.orders()
    assert got == orders
    told = [Ended(outcome="done", reason=str(number)) for number in range(5)]
    for news in told:
        loop.tell(news)
    assert news_of(service, 5) == told


def test_an_order_waits_for_a_process_that_is_not_there_yet(tmp_path: Path) -> None:
    mute = Request(kind=RequestKind.MUTE, who="ana")
    service = ServiceEnd(tmp_path)
    service.order(mute)
    loop = ChildEnd(tmp_path)
    assert loop.socket.poll(WITHIN_MS)
    assert loop.orders() == [mute]
    assert service.dropped == 0
    service.close()
    loop.close()


def test_a_long_message_opens_no_files(ends: tuple[ServiceEnd, ChildEnd]) -> None:
    """Sent without a copy it would: the library keeps threads of its own for what it borrows."""
    service, loop = ends
    loop.tell(Ended(outcome="done", reason=""))
    news_of(service, 1)
    service.order(EndRun())
    assert loop.socket.poll(WITHIN_MS)  # both connections are there
    before = os.listdir("/proc/self/fd")
    loop.tell(Ended(outcome="done", reason=1_000_000 * "x"))
    (long,) = news_of(service, 1)
    assert isinstance(long, Ended) and len(long.reason) == 1_000_000
    assert len(os.listdir("/proc/self/fd")) == len(before)


def test_a_loop_without_a_service_drops_and_counts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ends_module, "MOST_NEWS", 10)
    monkeypatch.setattr(ends_module, "LINGER_MS", 0)
    loop = ChildEnd(tmp_path)  # nobody has made the sockets
    for _ in range(15):
        loop.tell(Ended(outcome="done", reason=""))
    assert loop.dropped == 5
    loop.close()


def test_the_log_travels_a_block_at_a_time(ends: tuple[ServiceEnd, ChildEnd]) -> None:
    service, loop = ends
    log = RemoteLog(loop)
    tone = Tone("pump", 0, 50.0, 0.5)
    log.event(EVENT)
    log.tone(tone, None, "refused", at_index=7)
    assert service.news() == []
    log.commit_if_due(100)
    log.commit()  # nothing is left
    log.allan(9, "difference", np.array([0.1]), np.array([1e-4]), np.array([1e-5]))
    log.close("failed", "why")
    log.close("done")  # the first word counts
    entries, more, ended = news_of(service, 3)
    assert isinstance(entries, tuple) and isinstance(more, tuple)
    assert [(entry.method, *entry.arguments) for entry in entries] == [
        ("event", EVENT),
        ("tone", tone, None, "refused"),
    ]
    assert entries[1].options == {"at_index": 7}
    assert more[0].method == "allan"
    assert ended == Ended(outcome="failed", reason="why")


def test_it_has_every_method_of_the_log() -> None:
    public = {name for name in vars(LogWriter) if not name.startswith("_")}
    own = {name for name in vars(RemoteLog) if not name.startswith("_")}
    assert own <= public


def test_the_sockets_lie_in_the_folder_that_is_given(
    tmp_path: Path, ends: tuple[ServiceEnd, ChildEnd]
) -> None:
    made = {path.name for path in tmp_path.iterdir() if stat.S_ISSOCK(path.stat().st_mode)}
    assert made == {"news", "orders"}
