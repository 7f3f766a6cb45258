"""Commands: whatever arrives is a checked command, or one line that says what is wrong."""

from __future__ import annotations

import json
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.service.commands import COMMANDS, MalformedCommand, name_of, read_command
from tests.support.documents import FILES

SCHEMA = json.loads(FILES["controller/service/messages.schema.json"]())

ARGUMENTS: dict[str, dict[str, Any]] = {
    "check_protocol": {"protocol": "exchange", "parameters": {"decays": 3}},
    "note": {"text": "lid closed"},
    "take_control": {"seconds": 10},
    "hand_over": {"to": "desktop"},
    "pump_amplitude": {"value": 0.25},
    "pump_offset_hz": {"value": -1.5},
    "start_protocol": {"protocol": "title = 'mine'"},
    "mark": {"text": "now"},
}

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=10,
)


def written(name: str, **other: object) -> dict[str, Any]:
    """A command as a client writes it."""
    return {"request": 1, "command": name, "who": "test", **ARGUMENTS.get(name, {}), **other}


def complaint(fields: object) -> str:
    """Why a command is refused."""
    with pytest.raises(MalformedCommand) as caught:
        read_command(json.dumps(fields).encode())
    text = str(caught.value)
    assert "\n" not in text
    assert len(text) < 600
    return text


def is_of_schema(fields: object, name: str) -> bool:
    """Whether the page's schema allows a command."""
    definition = {**SCHEMA, "$ref": f"#/$defs/{COMMANDS[name].__name__}"}
    return jsonschema.Draft202012Validator(definition).is_valid(fields)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_is_read_as_it_is_written(name: str) -> None:
    command = read_command(json.dumps(written(name)).encode())
    assert name_of(command) == name
    assert command.request == 1
    assert is_of_schema(written(name), name)
    for key, value in ARGUMENTS.get(name, {}).items():
        assert getattr(command, key) == value


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ([], "no JSON object"),
        ({"request": 1}, "command: is missing"),
        (written("amr"), "did you mean arm?"),
        (written("arm", speed=3), "'speed': there is no such argument"),
        ({"request": 1, "command": "arm"}, "who: is missing"),
        (written("arm", who=""), "who = ''"),
        (written("arm", who="a\nb"), "who: must be one line"),
        (written("arm", who="x" * 41), "who"),
        (written("arm", request=True), "request"),
        (written("arm", request=2**60), "request"),
        (written("pump_amplitude", value="0.3"), "value = '0.3': input should be a valid number"),
        (written("pump_amplitude", value=-0.1), "greater than or equal to 0"),
        (written("pump_amplitude", value=True), "value = True"),
        (written("pump_offset_hz", value=float("nan")), "finite"),
        (written("pump_offset_hz", value=float("inf")), "finite"),
        (written("take_control", seconds=1e9), "less than or equal to 3600"),
        (written("start_protocol", parameters={"decays": "3"}), "parameters"),
        (written("note", text="\x1b[2J"), "text: must be one line"),
    ],
)
def test_a_mistake_is_named(fields: object, says: str) -> None:
    assert says in complaint(fields)


def test_the_answer_to_a_mistake_can_be_addressed() -> None:
    for request in (3, "mine"):
        with pytest.raises(MalformedCommand) as caught:
            read_command(json.dumps(written("arm", request=request, speed=1)).encode())
        assert caught.value.request == request


@given(st.binary(max_size=300))
def test_any_bytes_are_a_command_or_malformed(content: bytes) -> None:
    with pytest.raises(MalformedCommand):
        read_command(content)


@given(st.sampled_from(list(COMMANDS)), st.sampled_from(["request", "who", "value", "x"]), JSON)
def test_any_value_is_taken_as_the_schema_says(name: str, key: str, value: object) -> None:
    fields = written(name, **{key: value})
    try:
        read_command(json.dumps(fields).encode())
    except MalformedCommand:
        is_read = False
    else:
        is_read = True
    # JSON Schema takes 1.0 for a whole number and has no word for NaN; both are refused here.
    if not (key == "request" and isinstance(value, float)) and value == value:
        assert is_read == is_of_schema(fields, name)


@pytest.mark.parametrize("opening", [b"[", b'{"a":'])
def test_depth_without_end_is_malformed(opening: bytes) -> None:
    with pytest.raises(MalformedCommand):
        read_command(opening * 30_000)


def test_only_reading_needs_no_key_of_a_controller() -> None:
    assert {n for n, kind in COMMANDS.items() if not kind.changes} == {
        "look", "protocols", "check_protocol",
    }  # fmt: skip


def test_mute_needs_no_control() -> None:
    free = {n for n, kind in COMMANDS.items() if kind.changes and not kind.needs_control}
    assert free == {"mute", "note", "take_control"}
