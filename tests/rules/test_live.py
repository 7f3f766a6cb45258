"""Tests against the wall clock are marked `live`, so that they get the machine to themselves."""

from __future__ import annotations

import ast

from tests.rules.sources import Source, imports, sources

# What goes by the wall clock, or makes something that does.
LIVE = {
    "time.monotonic",
    "time.perf_counter",
    "pytestqt.qtbot.QtBot",
    "controller.service.ends.ServiceEnd",
    "controller.service.front.Front",
    "controller.service.sockets.ServiceSockets",
    "tests.support.little_service.LittleService",
    "tests.support.live_service.LiveService",
    "tests.support.log_kills.killed",
    "tests.support.log_threads.wait_for",
    "tests.support.witness.witnessed_scenario",
}
PACED = "--paced"
MARK = "pytest.mark.live"
LAST_WORDS = {name.rpartition(".")[2] for name in (MARK, *LIVE)}


def test_what_goes_by_the_wall_clock_is_marked() -> None:
    unmarked = [
        str(source.path)
        for folder in ("faults", "reference", "system", "unit")
        for source in sources(f"tests/{folder}")
        if source.path.name.startswith("test_") and _is_live(source) and not _is_marked(source)
    ]
    assert unmarked == []


def _is_live(source: Source) -> bool:
    return bool(LIVE & _names(source)) or any(
        isinstance(node, ast.Constant) and node.value == PACED for node in ast.walk(source.tree)
    )


def _names(source: Source) -> set[str]:
    """What a file imports by name, and what it uses of modules where that may matter here."""
    attributes = (node for node in ast.walk(source.tree) if isinstance(node, ast.Attribute))
    used = {ast.unparse(node) for node in attributes if node.attr in LAST_WORDS}
    return used | {name for name, _ in imports(source)}


def _is_marked(source: Source) -> bool:
    return MARK in _names(source)
