"""Numbers as text."""

from __future__ import annotations

import math

import pytest

from gui.models.wording import (
    UNKNOWN,
    bytes_text,
    clock_text,
    duration_text,
    estimate_text,
    frequency_text,
    quantity_text,
    round_text,
    unit_for,
    widths_text,
)


@pytest.mark.parametrize(
    ("value", "base", "digits", "text"),
    [
        (8.23e-5, "Hz", 3, "82.3 µHz"),
        (1.0e-9, "m", 3, "1.00 nm"),
        (9.9997e-10, "m", 3, "1.00 nm"),  # not 1000 pm
        (-0.0123, "rad", 2, "−12 mrad"),
        (1.0437e6, "Hz", 3, "1.04 MHz"),
        (0.0, "Hz", 3, "0 Hz"),
        (0.5, "V", 3, "500 mV"),
        (1.23456e-4, "units", 3, "0.000123 units"),
        (None, "V", 3, UNKNOWN),
        (math.nan, "V", 3, UNKNOWN),
    ],
)
def test_a_quantity_has_a_prefix_and_its_digits(
    value: float | None, base: str, digits: int, text: str
) -> None:
    assert quantity_text(value, base, digits) == text


def test_a_unit_leaves_one_to_three_digits_before_the_point() -> None:
    for exponent in range(-15, 10):
        for mantissa in (1.0, 3.7, 9.99):
            size = mantissa * 10.0**exponent
            assert 1.0 <= size * unit_for(size, "Hz").per_base * (1 + 1e-9) < 1000.0


def test_a_frequency_ends_with_the_digit_that_its_uncertainty_reaches() -> None:
    assert frequency_text(6643.24913, 8.2e-5) == "6\u2009643.249\u2009130 Hz"
    assert frequency_text(1043728.14391, 3.5e-3) == "1\u2009043\u2009728.143\u20099 Hz"
    assert frequency_text(6643.24913, None) == "6\u2009643.249 Hz"
    assert estimate_text(6643.24913, 8.2e-5).endswith("± 82 µHz")
    assert estimate_text(None, 1.0) == frequency_text(None) == UNKNOWN


def test_round_numbers_have_no_digits_too_many() -> None:
    assert round_text(2.0e-10, "m") == "200 pm"
    assert round_text(0.5, "") == "0.5"


@pytest.mark.parametrize(
    ("widths", "text"),
    [(0.0123, "0.012"), (-0.31, "0.31"), (3.14, "3.1"), (41.2, "41"), (1e5, "> 999")],
)
def test_line_widths_have_the_digits_that_matter(widths: float, text: str) -> None:
    assert widths_text(widths) == text
    assert widths_text(None) == UNKNOWN


def test_times_are_said_as_people_say_them() -> None:
    assert duration_text(12.4) == "12 s"
    assert duration_text(125.0) == "2 min 05 s"
    assert duration_text(3.0 * 3600 + 61.0) == "3 h 01 min"
    assert duration_text(100_000.0) == "1 d 03 h"
    assert clock_text(3725.0) == "1:02:05"
    assert clock_text(59.96, 1) == "0:01:00.0"
    assert clock_text(-5.0) == "−0:00:05"
    assert clock_text(-0.0) == "0:00:00"


def test_sizes_of_disks() -> None:
    assert bytes_text(80_237_539_328) == "80.2 GB"
    assert bytes_text(3_400_000) == "3 MB"
    assert bytes_text(None) == UNKNOWN
