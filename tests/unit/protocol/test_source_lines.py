"""The line of a file that a message speaks of."""

from __future__ import annotations

import tomllib

import pytest

from controller.errors import InputError
from controller.protocol.language import plan_from_tables
from controller.protocol.source_lines import line_of

INLINE = """\
title = "A # in a title, and step = 3"  # and step = "find" in a comment
retries = 1
parameters = { hold_s = 3.0 }
steps = [
  { step = "find" },
  { step = "repeat", times = 2, steps = [
    { step = "hold", duration_s = 3.0 },
    { step = "ring_up", mode = "upper", amplitude_m = 1e-9 },
  ] },
  { step = "hold", duration_s = 5.0 },
]
[limits]
pump_on_s = 5.0
[limits.pulses]
least_width_s = 3e-5
"""
BLOCKS = """\
[[steps]]
step = "find"

[[steps]]
step = "repeat"
times = 2
[[steps.steps]]
step = "hold"
duration_s = 3.0
[[steps.steps]]
step = 'ring_up'
amplitude_m = 1e-9
"""


@pytest.mark.parametrize(
    ("message", "line"),
    [
        ("steps[0].timeout_s = 0: must be", 5),  # not written: its step
        ("steps[1].times = 0: must be", 6),
        ("steps[1].steps[0].duration_s = -1: must be", 7),
        ("steps[1].steps[1].amplitude_m: unknown", 8),
        ("steps[1].steps[1]: has two", 8),
        ("steps[2].duration_s = 0: must", 10),
        ("steps[2].step: is missing", 10),
        ("retries = 1.5: must", 2),
        ("parameters.hold_s: nothing uses it", 3),
        ("limits.pump_on_s = 5: the pump", 13),
        ("limits.pulses.least_width_s = 0: must", 15),
        ("limits.pulses.heat_limit_j = 0: must", 14),
        ("steps[7]: is not there", None),
        ("description = 3: must", None),
    ],
)
def test_lines_of_inline_tables(message: str, line: int | None) -> None:
    assert line_of(INLINE, tomllib.loads(INLINE), message) == line


@pytest.mark.parametrize(
    ("message", "line"),
    [
        ("steps[0]: x", 2),
        ("steps[1].times = 0: must be", 6),
        ("steps[1].steps[0].duration_s = 0", 9),
        ("steps[1].steps[1].amplitude_m = 0", 12),
    ],
)
def test_lines_of_blocks(message: str, line: int) -> None:
    assert line_of(BLOCKS, tomllib.loads(BLOCKS), message) == line


def test_a_step_without_its_kind_cannot_be_counted() -> None:
    text = 'steps = [\n { step = "find" },\n { timeout_s = 3 },\n]'
    tables = tomllib.loads(text)
    with pytest.raises(InputError) as caught:
        plan_from_tables(tables)
    assert line_of(text, tables, str(caught.value)) is None


def test_whatever_was_read_there_is_no_crash() -> None:
    assert line_of("", {"steps": 3}, "steps[0]: x") is None
    assert line_of("steps = [3]", {"steps": [3]}, "steps[0] = 3: must be a table") is None
    assert line_of("", {}, "") is None
    assert line_of("", {}, '"odd key": unknown') is None
