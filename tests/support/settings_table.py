"""The tables of settings in README.md, written from `controller/settings.py`.

Meanings are the comments beside the fields.
"""

from __future__ import annotations

import json
import re
import types
from pathlib import Path
from typing import Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from controller import settings

TABLES: tuple[tuple[str, type[BaseModel]], ...] = (
    ("modes.lower", settings.ModeSettings),
    ("drive", settings.DriveSettings),
    ("pump", settings.PumpSettings),
    ("pump.pulses", settings.PulseSettings),
    ("tracking", settings.TrackingSettings),
    ("run", settings.RunSettings),
    ("service", settings.ServiceSettings),
    ("instrument", settings.InstrumentSettings),
)

KINDS = {float: "number", int: "whole number", str: "text", bool: "true or false", dict: "table"}
BOUNDS = {"gt": "> {:g}", "ge": "≥ {:g}", "lt": "< {:g}", "le": "≤ {:g}"}


def settings_tables() -> str:
    """All tables as Markdown."""
    parts = []
    for name, table in TABLES:
        also = " and `[modes.upper]`" if name == "modes.lower" else ""
        comments = _comments(table)
        rows = [
            f"| `{field.alias or key}` | {_kind(field)} | {_default(field)} | {comments[key]} |"
            for key, field in table.model_fields.items()
            if not isinstance(field.default, BaseModel)  # has a table of its own
        ]
        head = f"`[{name}]`{also}: {_lower_first(_in_a_cell(table.__doc__ or '').rstrip('.'))}\n"
        parts.append("\n".join([head, "| key | value | default | meaning |", "|---|---|---|---|"]))
        parts[-1] += "\n" + "\n".join(rows) + "\n"
    return "\n".join(parts).rstrip("\n")


def _comments(table: type[BaseModel]) -> dict[str, str]:
    """The comment beside each field of a table."""
    text = Path(settings.__file__).read_text(encoding="utf-8")
    body = text.split(f"class {table.__name__}(", 1)[1].split("\nclass ", 1)[0]
    # Beside the field, or on the line above where the field itself is long.
    found = re.findall(r"^(?:    # (.*)\n)?    (\w+): [^#\n]*(?:  # (.*))?$", body, re.M)
    comments = {key: above or beside for above, key, beside in found}
    return {key: _in_a_cell(comments[key]) for key in table.model_fields}


def _in_a_cell(comment: str) -> str:
    """A comment as the text of a Markdown table's cell."""
    return comment.replace("|", "\\|").replace("None", "absent")


def _kind(field: FieldInfo) -> str:
    """Type and range of a field in words."""
    return _words(field.annotation, field.metadata)


def _words(annotation: Any, metadata: list[Any]) -> str:
    """A type and its bounds in words."""
    if hasattr(annotation, "__metadata__"):
        inner, *bounds = get_args(annotation)
        return _words(inner, [limit for each in bounds for limit in _limits(each)])
    origin = get_origin(annotation)
    if origin in (Union, types.UnionType):
        members = [each for each in get_args(annotation) if each is not type(None)]
        return " or ".join(_words(each, []) for each in members)
    if origin is Literal:
        return " or ".join(f'`"{each}"`' for each in get_args(annotation))
    if origin is tuple:
        return "two numbers"
    words = KINDS[origin or annotation]
    bounds = [
        text.format(value)
        for limit in metadata
        for name, text in BOUNDS.items()
        if (value := getattr(limit, name, None)) is not None
    ]
    return " ".join([words, ", ".join(bounds)]).strip()


def _limits(field: Any) -> list[Any]:
    """The limits inside a Field of an annotation."""
    return field.metadata if isinstance(field, FieldInfo) else [field]


def _default(field: FieldInfo) -> str:
    """The default as TOML, or what stands for it."""
    if field.is_required():
        return "required"
    default = field.get_default(call_default_factory=True)
    if default is None or default == {}:
        return "–"
    return f"`{json.dumps(default)}`"


def _lower_first(text: str) -> str:
    """Text with a small first letter, to follow a colon."""
    return text[:1].lower() + text[1:]
