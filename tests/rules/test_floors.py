"""Who may import whom: a part imports only from floors below its own."""

from __future__ import annotations

from tests.rules.sources import imports, sources

FLOORS = {
    "controller.errors": 0,
    "controller.instrument": 0,
    "controller.records": 0,
    "controller.settings": 0,
    "controller.signal": 1,
    "controller.tracking": 2,
    "controller.supervisor": 3,
    "controller.protocol": 4,
    "controller.engine": 5,
    "controller.replay_loops": 5,
    "controller.replay": 5,
    "controller.analysis": 6,
    "controller.runtime": 6,
    "controller.limits": 7,
    "controller.service": 7,
    "controller.arguments": 7,
    "controller.cli": 8,
}

# The analysis stands beside the runtime, but knows only floors 0 and 1; so the runtime may use it
# for the report without a circle.
ANALYSIS_FLOORS = (0, 1)
# A replay is the engine's loop for recordings: three steps on one floor.
BESIDE = {
    ("controller.runtime", "controller.analysis"),
    ("controller.replay_loops", "controller.engine"),
    ("controller.replay", "controller.engine"),
    ("controller.replay", "controller.replay_loops"),
}

GUI_MAY_IMPORT = ("controller.service.client", "controller.runtime.log.reader")


def part_of(module: str) -> str | None:
    """The part of the controller that a dotted name lies in."""
    return next((p for p in FLOORS if module == p or module.startswith(p + ".")), None)


def test_every_file_of_the_controller_has_a_floor() -> None:
    homeless = [s.module for s in sources("controller") if part_of(s.module) is None]
    assert homeless == ["controller"]


def test_the_controller_imports_only_downwards() -> None:
    faults = []
    for source in sources("controller"):
        part = part_of(source.module)
        for name, node in imports(source):
            other = part_of(name)
            if part is None or other is None or other == part or (part, other) in BESIDE:
                continue
            both_at_the_bottom = FLOORS[part] == FLOORS[other] == 0
            if not (FLOORS[other] < FLOORS[part] or both_at_the_bottom):
                faults.append(f"{source.where(node)}: {part} imports {other}")
            if part == "controller.analysis" and FLOORS[other] not in ANALYSIS_FLOORS:
                faults.append(f"{source.where(node)}: the analysis imports {other}")
    assert faults == []


def test_the_controllers_own_package_imports_nothing() -> None:
    [package] = [s for s in sources("controller") if s.module == "controller"]
    assert list(imports(package)) == []


def test_the_controller_knows_neither_simulator_nor_window_nor_tests() -> None:
    faults = [
        f"{source.where(node)}: imports {name}"
        for source in sources("controller")
        for name, node in imports(source)
        if name.split(".")[0] in {"hardware_sim", "gui", "tests"}
    ]
    assert faults == []


def test_the_simulator_imports_floor_0_only() -> None:
    faults = [
        f"{source.where(node)}: imports {name}"
        for source in sources("hardware_sim")
        for name, node in imports(source)
        if name.split(".")[0] in {"controller", "gui", "tests"}
        and FLOORS.get(part_of(name) or "") != 0
    ]
    assert faults == []


def test_the_window_reaches_no_further_than_client_and_log() -> None:
    faults = [
        f"{source.where(node)}: imports {name}"
        for source in sources("gui")
        for name, node in imports(source)
        if name.split(".")[0] in {"controller", "hardware_sim", "tests"}
        and not name.startswith(GUI_MAY_IMPORT)
    ]
    assert faults == []
