"""What the window knows: complete after a picture, honest after a lost connection."""

from __future__ import annotations

import numpy as np

from controller.records import PumpState
from controller.service.messages import (
    EventMessage,
    RecordMessage,
    ResultMessage,
    SpectrumMessage,
    StatusMessage,
)
from gui.models.present import Changed, Origin, Present
from tests.support.desk import WIDTH_HZ, event, present_of, pumped_record, status
from tests.support.little_service import picture


def times_s(present: Present) -> list[float]:
    """Of the records that are kept."""
    return present.history.rows_between(0.0, 1e9)[:, 0].tolist()


def told(time_s: float) -> RecordMessage:
    """A record."""
    return RecordMessage(time_s=time_s, record=pumped_record(time_s))


def test_nothing_is_taken_before_the_first_picture() -> None:
    present = Present(Origin.SERVICE)
    assert present.take([told(1.0)]) == set()
    assert not present.is_reachable and present.record is None


def test_a_picture_fills_in_what_happened_before() -> None:
    before = picture()
    for n in range(1, 4):
        before.take(told(float(n)))
    present = Present(Origin.SERVICE)
    changed = present.take([before.message(), told(3.1)])
    assert changed == set(Changed)
    assert times_s(present) == [1.0, 2.0, 3.0, 3.1]
    assert present.is_reachable
    assert np.isclose(present.line_width_hz or 0.0, WIDTH_HZ)
    assert present.pump_unit == "V"


def test_later_pictures_are_no_news_by_themselves() -> None:
    shown = picture()
    present = Present(Origin.SERVICE)
    present.take([shown.message()])
    assert present.take([shown.message()]) == {Changed.STATUS}


def test_each_message_tells_what_it_changes() -> None:
    present = present_of()
    spectrum = SpectrumMessage.model_validate(
        {
            "time_s": 1.0,
            "mode": "lower",
            "center_hz": 1e6,
            "offsets_hz": [0.0],
            "densities_m_per_root_hz": [1e-12],
            "resolution_hz": 0.1,
            "noise_bandwidth_hz": 0.1,
            "tracked_hz": None,
        }
    )
    happened = EventMessage(time_s=1.0, event=event(1.0, "pump", "mute", "muted"))
    for message, what in (
        (told(1.0), Changed.RECORDS),
        (StatusMessage(time_s=1.0, status=status(PumpState.ON)), Changed.STATUS),
        (happened, Changed.EVENTS),
        (spectrum, Changed.SPECTRA),
        (ResultMessage(time_s=1.0, name="exchange", result={"coupling_hz": 1.0}), Changed.RESULTS),
    ):
        assert present.take([message]) == {what}
    assert present.take([happened]) == set()  # the same again


def test_after_a_lost_connection_the_gap_is_filled_from_the_picture() -> None:
    service = picture()
    present = Present(Origin.SERVICE)
    present.take([service.message(), told(1.0)])
    present.lose()
    for n in range(2, 5):  # nobody heard these
        service.take(told(float(n)))
    assert present.take([told(4.5)]) == set()  # out of context, until the picture comes
    present.take([service.message(), told(5.0)])
    assert times_s(present) == [1.0, 2.0, 3.0, 4.0, 5.0]


def test_a_service_that_was_started_anew_begins_anew() -> None:
    present = present_of(told(100.0))
    again = picture().message()
    info = again.service.model_copy(update={"started_utc": "2031-01-01T01:00:00+00:00"})
    present.take([again.model_copy(update={"service": info}), told(1.0)])
    assert times_s(present) == [1.0]
