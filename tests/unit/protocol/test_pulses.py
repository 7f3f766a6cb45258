"""Limits of pulse trains, and the heat that they leave."""

from __future__ import annotations

import numpy as np
import pytest
from pydantic import ValidationError

from controller.errors import InputError
from controller.protocol.pulses import (
    HeatingInterval,
    PulseTrain,
    check_pulse_train,
    heating_w,
    largest_energy_j,
)
from controller.settings import PulseSettings

LIMITS = PulseSettings()
TRAIN = PulseTrain(amplitude=1.0, pulse_s=3.2e-5, frequency_hz=6600.0)


def test_a_train_as_usual_passes() -> None:
    """About 100 mA and a little over 30 us: common practice, no source."""
    check_pulse_train(TRAIN, LIMITS, "pump.pulses")
    assert LIMITS.current_a(TRAIN.amplitude) == pytest.approx(0.1)


@pytest.mark.parametrize(
    ("train", "said"),
    [
        (PulseTrain(amplitude=1.0, pulse_s=1e-5, frequency_hz=6600.0), "pulse_s = 1e-05: .* 3e-05"),
        (
            PulseTrain(amplitude=1.0, pulse_s=6e-5, frequency_hz=6600.0),
            "pulse_s = 6e-05: .* 0.6 is",
        ),
        (PulseTrain(amplitude=2.0, pulse_s=3.2e-5, frequency_hz=6600.0), "amplitude = 2: .* 0.2 A"),
    ],
)
def test_a_train_that_breaks_a_limit_is_refused(train: PulseTrain, said: str) -> None:
    with pytest.raises(InputError, match=said):
        check_pulse_train(train, LIMITS, "pump.pulses")


def test_the_widest_pulse_of_the_message_passes() -> None:
    too_wide = PulseTrain(amplitude=1.0, pulse_s=1e-4, frequency_hz=5000.0)
    with pytest.raises(InputError, match="a pulse of 6e-05 s"):
        check_pulse_train(too_wide, LIMITS, "pump.pulses")
    check_pulse_train(
        PulseTrain(amplitude=1.0, pulse_s=6e-5, frequency_hz=5000.0), LIMITS, "pump.pulses"
    )


def test_a_current_source_is_not_divided_by_the_resistance() -> None:
    limits = PulseSettings(current_a_per_unit=0.05, resistance_ohm=4.0)
    assert limits.current_a(2.0) == pytest.approx(0.1)
    assert heating_w(limits, 2.0, "square") == pytest.approx(0.1**2 * 4.0)
    assert heating_w(limits, 2.0, "sine") == pytest.approx(0.5 * 0.1**2 * 4.0)
    assert heating_w(limits, 2.0, "pulses", 0.1) == pytest.approx(0.1**2 * 4.0 * 2 * 0.1)


@pytest.mark.parametrize("limits", [{"resistance_ohm": 0.0}, {"largest_duty": 1.5}, {"width": 1.0}])
def test_impossible_limits_are_refused(limits: dict[str, float]) -> None:
    with pytest.raises(ValidationError):
        PulseSettings(**limits)


def test_energy_in_a_window() -> None:
    pulse = HeatingInterval(0.0, 2.0, 3.0)
    assert largest_energy_j([], 1.0) == 0.0
    assert largest_energy_j([pulse], 1.0) == pytest.approx(3.0)
    assert largest_energy_j([pulse], 10.0) == pytest.approx(6.0)
    later = HeatingInterval(5.0, 6.0, 1.0)
    assert largest_energy_j([later, pulse], 5.5) == pytest.approx(6.5)


def test_energy_in_a_window_against_every_place_of_the_window() -> None:
    rng = np.random.default_rng(3)
    starts_s = np.cumsum(rng.uniform(0.0, 3.0, 12))
    heating = [
        HeatingInterval(start, start + length, power)
        for start, length, power in zip(
            starts_s, rng.uniform(0.1, 4.0, 12), rng.uniform(0.0, 2.0, 12), strict=True
        )
    ]
    places_s = np.linspace(-5.0, 45.0, 50_001)  # a millisecond apart
    most_j = np.max(
        sum(
            each.power_w
            * np.clip(
                np.minimum(each.end_s, places_s + 4.0) - np.maximum(each.start_s, places_s), 0, None
            )
            for each in heating
        )
    )
    # Within half a step of the largest value it falls by no more than all powers together.
    slack_j = 0.5e-3 * sum(each.power_w for each in heating)
    assert most_j - 1e-9 <= largest_energy_j(heating, 4.0) <= most_j + slack_j
