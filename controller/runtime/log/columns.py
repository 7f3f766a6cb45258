"""The columns of the `records` table, from the records that fill them.

`schema.sql` spells the same names out for a human reader; a test holds both
together.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from operator import attrgetter
from typing import Any

from controller.records import ModeId, ModeRecord, Record

# Enumerations go in as their plain values: SQLite takes exact types faster
# than subclasses, which it first offers to its adapters.
_STATES = {
    "state": "state.value",
    "pump_state": "pump_state.value",
    "difference_source": "difference_source.value",
}

_LOOP_FIELDS = tuple(field.name for field in fields(Record) if field.name != "modes")
_MODE_FIELDS = tuple(field.name for field in fields(ModeRecord))

_loop_values: Callable[[Any], tuple[Any, ...]] = attrgetter(
    *(_STATES.get(name, name) for name in _LOOP_FIELDS)
)
_mode_values: Callable[[Any], tuple[Any, ...]] = attrgetter(
    *(_STATES.get(name, name) for name in _MODE_FIELDS)
)

RECORD_COLUMNS = _LOOP_FIELDS + tuple(f"{mode}_{name}" for mode in ModeId for name in _MODE_FIELDS)
STATE_COLUMNS = frozenset(
    ("pump_state", "difference_source", *(f"{mode}_state" for mode in ModeId))
)


def record_row(record: Record) -> tuple[Any, ...]:
    """The values of one record in the order of RECORD_COLUMNS."""
    modes = record.modes
    return (
        _loop_values(record) + _mode_values(modes[ModeId.LOWER]) + _mode_values(modes[ModeId.UPPER])
    )
