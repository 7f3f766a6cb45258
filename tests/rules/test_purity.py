"""Floors 0 to 5 never wait, log, open anything, start a thread, read a clock or throw dice.

The same code runs in real time, far faster, and again on a recording; it can
only do so if the sample index is its one clock and its input all it knows.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator

from tests.rules.sources import Source, imports, sources
from tests.rules.test_floors import FLOORS, part_of

FORBIDDEN_MODULES = frozenset(
    (
        *("asyncio", "concurrent", "multiprocessing", "queue", "threading"),  # threads
        *("datetime", "time", "uuid", "random"),  # clocks and dice
        *("fileinput", "glob", "io", "os", "pathlib", "pickle", "shelve", "shutil", "tempfile"),
        *("http", "select", "selectors", "signal", "socket", "ssl", "subprocess", "urllib", "zmq"),
        *("logging", "sqlite3", "sys", "tomllib", "tqdm", "warnings"),
    )
)
FORBIDDEN_CALLS = frozenset(("open", "print", "input", "exec", "eval", "breakpoint", "__import__"))
FORBIDDEN_NUMPY = frozenset(
    (
        *("save", "savez", "savez_compressed", "savetxt", "tofile"),
        *("load", "loadtxt", "genfromtxt", "fromfile", "memmap"),
    )
)
GENERATOR_NAMES = frozenset({"Generator", "BitGenerator", "SeedSequence", "SFC64", "PCG64"})

PURE_FLOORS = range(6)


def pure_sources() -> Iterator[Source]:
    """The files of floors 0 to 5."""
    for source in sources("controller"):
        part = part_of(source.module)
        if part is not None and FLOORS[part] in PURE_FLOORS:
            yield source


def test_pure_floors_import_nothing_that_acts() -> None:
    faults = [
        f"{source.where(node)}: imports {name}"
        for source in pure_sources()
        for name, node in imports(source)
        if name.split(".")[0] in FORBIDDEN_MODULES
    ]
    assert faults == []


def test_pure_floors_call_nothing_that_acts() -> None:
    faults = []
    for source in pure_sources():
        for node in ast.walk(source.tree):
            if not isinstance(node, ast.Call):
                continue
            called = node.func
            if isinstance(called, ast.Name) and called.id in FORBIDDEN_CALLS:
                faults.append(f"{source.where(node)}: calls {called.id}()")
            if isinstance(called, ast.Attribute) and called.attr in FORBIDDEN_NUMPY:
                faults.append(f"{source.where(node)}: calls .{called.attr}()")
    assert faults == []


def test_nobody_uses_a_global_random_generator() -> None:
    """Only generators that are handed in or seeded, in every part."""
    faults = []
    for source in sources("controller", "hardware_sim", "gui"):
        for name, node in imports(source):
            if name.split(".")[0] == "random":
                faults.append(f"{source.where(node)}: imports {name}")
        for node in ast.walk(source.tree):
            if not (isinstance(node, ast.Attribute) and ast.unparse(node.value) == "np.random"):
                continue
            if node.attr not in GENERATOR_NAMES | {"default_rng"}:
                faults.append(f"{source.where(node)}: uses np.random.{node.attr}")
        for node in ast.walk(source.tree):
            is_call = isinstance(node, ast.Call)
            if is_call and ast.unparse(node.func).endswith("default_rng") and not node.args:
                faults.append(f"{source.where(node)}: a generator without a seed")
    assert faults == []


def test_no_test_sleeps() -> None:
    faults = [
        source.where(node)
        for source in sources("tests")
        for node in ast.walk(source.tree)
        if isinstance(node, ast.Call) and ast.unparse(node.func) in {"time.sleep", "sleep"}
    ]
    assert faults == []
