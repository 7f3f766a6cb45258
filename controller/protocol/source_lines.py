"""Finds the line of a protocol file that a message speaks of.

A TOML reader does not tell on which line a key stands. Each step has one `step = "KIND"`,
and steps stand in the text as they stand in the tables, so that counting finds it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

_STEP = re.compile(r"""\bstep\s*=\s*["'](\w*)["']""")
_POSITION = re.compile(r"steps\[(\d+)\]")


def line_of(text: str, tables: Mapping[str, Any], message: str) -> int | None:
    """The line on which the key stands that a message begins with.

    Parameters
    ----------
    text : str
        The file.
    tables : mapping
        What a TOML reader made of it.
    message : str
        E.g. "steps[3].amplitude_m = -1.0: must be greater than 0".

    Returns
    -------
    int or None
        Line number from 1: of the key, or of its step where the key itself is
        not written. None where the text cannot be followed.
    """
    path = re.match(r"[\w.\[\]]*", message)
    assert path is not None
    lines = [_without_comment(line) for line in text.splitlines()]
    positions = [int(found) for found in _POSITION.findall(path.group())]
    keys = _POSITION.sub("", path.group()).strip(".").split(".")
    if not positions:
        return _line_of_key(lines, keys)
    starts = _step_starts(lines)
    if [kind for _, kind in starts] != [kind for _, kind in _kinds(tables, ())]:
        return None
    order = [place for place, _ in _kinds(tables, ())]
    if tuple(positions) not in order:
        return None
    at = order.index(tuple(positions))
    first = starts[at][0]
    after = starts[at + 1][0] if at + 1 < len(starts) else len(lines)
    key = re.compile(rf"\b{re.escape(keys[-1].split('[')[0])}\s*=") if keys[-1] else _STEP
    for number in range(first, max(after, first + 1)):
        if key.search(lines[number]):
            return number + 1
    return first + 1


def _line_of_key(lines: list[str], keys: list[str]) -> int | None:
    """The line of a key outside the steps, or of the table it belongs to."""
    begins = re.compile(rf"\s*(\[{re.escape('.'.join(keys[:-1]))}\]|{re.escape(keys[0])}\s*=)")
    last = re.compile(rf"\b{re.escape(keys[-1])}\s*=|\[{re.escape('.'.join(keys))}\]")
    table = next((n for n, line in enumerate(lines) if begins.match(line)), None)
    for number in range(table or 0, len(lines)):
        if last.search(lines[number]):
            return number + 1
    return None if table is None else table + 1


def _without_comment(line: str) -> str:
    """A line up to its comment; a # inside quotes is none."""
    return re.sub(r"""^((?:[^"'#]|"[^"]*"|'[^']*')*)#.*""", r"\1", line)


def _step_starts(lines: list[str]) -> list[tuple[int, str]]:
    """Line (from 0) and kind of each step in the text."""
    return [(n, found.group(1)) for n, line in enumerate(lines) for found in _STEP.finditer(line)]


def _kinds(tables: Any, place: tuple[int, ...]) -> Iterator[tuple[tuple[int, ...], Any]]:
    """Place and kind of each step in the tables, an outer one before its inner ones."""
    steps = tables.get("steps") if isinstance(tables, Mapping) else None
    for position, step in enumerate(steps if isinstance(steps, list) else ()):
        inner = (*place, position)
        yield inner, step.get("step") if isinstance(step, Mapping) else None
        yield from _kinds(step, inner)
