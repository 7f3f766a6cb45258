"""The tables of MESSAGES.md and the schema beside it, written from the source.

Meanings are the docstrings of the messages and the comments beside their
fields.
"""

from __future__ import annotations

import inspect
import json
import re
import types
from collections.abc import Iterator, Mapping
from dataclasses import is_dataclass
from enum import StrEnum
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, models_json_schema
from pydantic_core import PydanticUndefined

from controller.records import Event, ModeRecord, Record
from controller.service import commands, messages

KINDS = {float: "number", int: "whole number", str: "text", bool: "true or false", Any: "anything"}
BOUNDS = {"gt": "> {:g}", "ge": "≥ {:g}", "lt": "< {:g}", "le": "≤ {:g}"}
LENGTHS = {"min_length": "at least {}", "max_length": "at most {}"}
FIXED = ("message", "command")  # fields that say which kind it is
IN_PROSE = ("number", "time_s")  # fields of every message; the page explains them once

PARTS: tuple[type, ...] = (
    *(Record, ModeRecord, Event),
    *(
        kind
        for kind in vars(messages).values()
        if inspect.isclass(kind)
        and issubclass(kind, messages.Part)
        and not issubclass(kind, messages.Telemetry)
        and kind is not messages.Part
    ),
)


# --- tables --------------------------------------------------------------


def telemetry_tables() -> str:
    """The messages, each with its fields."""
    return "\n\n".join(
        _section(f"Message `{topic}`", kind, _rows(kind, but=(*FIXED, *IN_PROSE)))
        for topic, kind in messages.MESSAGES.items()
    )


def part_tables() -> str:
    """What messages are made of."""
    return "\n\n".join(_section(kind.__name__, kind, _rows(kind)) for kind in PARTS)


def command_table() -> str:
    """The commands with their arguments, and who may give them."""
    lines = ["| command | arguments | who may | what it does |", "|---|---|---|---|"]
    for name, kind in commands.COMMANDS.items():
        arguments = [
            f"`{key}`{'' if _is_required(kind, key) else ' (optional)'}: {words}"
            + (f", {comment}" if comment else "")
            for key, words, comment in _fields(kind)
            if key not in (*FIXED, *commands.Command.model_fields)
        ]
        who = "everybody"
        if kind.changes:
            who = "who holds control" if kind.needs_control else "controllers"
        lines.append(f"| `{name}` | {'; '.join(arguments) or '–'} | {who} | {_prose(kind)} |")
    return "\n".join(lines)


def command_fields() -> str:
    """What every command and every answer carries."""
    return "\n\n".join(
        _section(kind.__name__, kind, _rows(kind)) for kind in (commands.Command, commands.Answer)
    )


def _section(title: str, kind: type, rows: list[str]) -> str:
    return "\n".join([f"### {title}", "", _prose(kind), "", *rows])


def _rows(kind: type, but: tuple[str, ...] = FIXED) -> list[str]:
    return [
        "| field | value | meaning |",
        "|---|---|---|",
        *(
            f"| `{key}` | {words} | {comment} |"
            for key, words, comment in _fields(kind)
            if key not in but
        ),
    ]


def _fields(kind: type) -> Iterator[tuple[str, str, str]]:
    """Name, kind of value and meaning of each field."""
    comments = _comments(kind)
    for key, annotation in _annotations(kind).items():
        yield key, _words(annotation), _in_a_cell(comments.get(key, ""))


def _annotations(kind: type) -> dict[str, Any]:
    """The fields of a message or a record, and their types."""
    hints = get_type_hints(kind, include_extras=True)
    names = kind.model_fields if issubclass(kind, BaseModel) else kind.__dataclass_fields__
    return {name: hints[name] for name in names}


def _is_required(kind: type[BaseModel], key: str) -> bool:
    return kind.model_fields[key].is_required()


def _comments(kind: type) -> dict[str, str]:
    """The comment beside each field, of the base classes too."""
    comments: dict[str, str] = {}
    for base in reversed(kind.__mro__):
        if is_dataclass(base) or (issubclass(base, BaseModel) and base is not BaseModel):
            found = re.findall(
                r"^    (\w+): [^#\n]*?  # (.*)$", inspect.getsource(base), re.MULTILINE
            )
            comments.update(found)
    return comments


def _prose(kind: type) -> str:
    """The first line of a docstring, and the rest of it, as running text."""
    return _in_a_cell(" ".join((inspect.getdoc(kind) or "").split()))


def _in_a_cell(text: str) -> str:
    """Source text as the text of a table's cell."""
    return text.replace("|", "\\|").replace("None", "null")


def _words(annotation: Any, metadata: tuple[Any, ...] = ()) -> str:
    """A type in words."""
    if hasattr(annotation, "__metadata__"):
        return _words(get_args(annotation)[0], annotation.__metadata__)
    origin, inner = get_origin(annotation), get_args(annotation)
    if origin in (Union, types.UnionType):
        return " or ".join("null" if each is types.NoneType else _words(each) for each in inner)
    if origin is Literal:
        return _one_of(inner)
    if origin is list:
        return f"list: {_words(inner[0])}"
    if origin is tuple:
        return "two numbers"
    if origin is not None and issubclass(origin, Mapping):
        return f"object, {_words(inner[0])} to {_words(inner[1])}"
    if inspect.isclass(annotation) and issubclass(annotation, StrEnum):
        return _one_of([each.value for each in annotation])
    if annotation in PARTS:
        return f"[{annotation.__name__}](#{annotation.__name__.lower()})"
    return " ".join([KINDS[annotation], *_bounds(annotation, metadata)])


def _bounds(annotation: Any, metadata: tuple[Any, ...]) -> list[str]:
    """Range or length of a value."""
    limits = [each for field in metadata for each in getattr(field, "metadata", [field])]
    texts = BOUNDS if annotation in (float, int) else LENGTHS
    found = [
        text.format(value)
        for limit in limits
        for name, text in texts.items()
        if (value := getattr(limit, name, None)) not in (None, PydanticUndefined)
    ]
    if not found:
        return []
    return [f"({', '.join(found)}{'' if texts is BOUNDS else ' characters'})"]


def _one_of(values: Any) -> str:
    return " or ".join(f"`{value}`" for value in values)


# --- schema --------------------------------------------------------------


class _Untitled(GenerateJsonSchema):
    """A schema whose names are its keys."""

    def field_title_should_be_set(self, schema: Any) -> bool:
        return False


def schema_text() -> str:
    """JSON Schema of every message, command and answer, under `$defs`."""
    _, schema = models_json_schema(
        [
            *((kind, "serialization") for kind in messages.MESSAGES.values()),
            *((kind, "validation") for kind in commands.COMMANDS.values()),
            (commands.Answer, "serialization"),
        ],
        title="Messages of the live service",
        schema_generator=_Untitled,
    )
    described = {kind.__name__: kind for kind in (*PARTS, *_models())}
    for name, definition in schema["$defs"].items():
        definition.pop("title", None)
        if "command" in definition.get("properties", {}):
            definition["required"].append("command")
        comments = _comments(described[name]) if name in described else {}
        for key, each in definition.get("properties", {}).items():
            if key in comments:
                each["description"] = comments[key]
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema"}
    return json.dumps(head | schema, indent=1, ensure_ascii=False) + "\n"


def _models() -> tuple[type[BaseModel], ...]:
    return (*messages.MESSAGES.values(), *commands.COMMANDS.values(), commands.Answer)
