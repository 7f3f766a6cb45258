"""Telemetry: exact numbers, null for what is unknown, and no trust in what comes."""

from __future__ import annotations

import json
import math
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from controller.records import PumpState
from controller.service.messages import (
    MESSAGES,
    RecordMessage,
    Status,
    StatusMessage,
    read_telemetry,
)
from tests.support.little_service import picture, record


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_numbers_come_back_bit_by_bit(value_hz: float) -> None:
    sent = RecordMessage(time_s=1.0, record=record(1.0, difference_hz=value_hz))
    back = read_telemetry([b"record", sent.encoded(7)])
    assert isinstance(back, RecordMessage)
    assert back.record == sent.record
    assert back.number == 7


def test_a_number_that_is_none_becomes_null() -> None:
    for value in (math.nan, math.inf):
        odd = replace(record(1.0), difference_hz=value)
        content = RecordMessage(time_s=1.0, record=odd).encoded(1)
        assert b"NaN" not in content
        assert b"Infinity" not in content
        back = read_telemetry([b"record", content])
        assert isinstance(back, RecordMessage)
        assert back.record.difference_hz is None


def test_modes_are_called_by_their_names() -> None:
    content = json.loads(RecordMessage(time_s=1.0, record=record(1.0)).encoded(1))
    assert list(content["record"]["modes"]) == ["lower", "upper"]
    assert content["record"]["modes"]["lower"]["state"] == "locked"


def test_fields_of_a_later_version_are_ignored() -> None:
    content = json.loads(picture().message().encoded(1))
    content["flavour"] = content["status"]["flavour"] = "vanilla"
    back = read_telemetry([b"picture", json.dumps(content).encode()])
    assert back == picture().message().model_copy(update={"number": 1})


def test_an_unknown_topic_is_passed_over() -> None:
    assert read_telemetry([b"smell", b"{}"]) is None
    assert read_telemetry([b"record"]) is None


@given(st.sampled_from([*MESSAGES, "other"]), st.binary(max_size=200))
def test_any_bytes_are_a_message_or_nothing(topic: str, content: bytes) -> None:
    message = read_telemetry([topic.encode(), content])
    assert message is None or message.topic == topic


def test_every_message_carries_its_topic() -> None:
    for topic, kind in MESSAGES.items():
        assert kind.topic == topic == kind.model_fields["message"].default


def test_a_message_cannot_be_changed_once_it_is_made() -> None:
    message = StatusMessage(time_s=0.0, status=Status(line="", pump_state=PumpState.OFF))
    assert message.number == 0
    message.encoded(3)
    assert message.number == 0
