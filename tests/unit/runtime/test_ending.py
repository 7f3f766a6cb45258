"""What a signal does to a run: the first is a wish, the second an order where a person gives it."""

from __future__ import annotations

import os
import signal

import pytest

from controller.runtime.ending import StopRequest

SIGNALS = pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])


@SIGNALS
def test_the_first_signal_is_a_wish_and_the_second_interrupts(number: signal.Signals) -> None:
    with StopRequest() as stop_request:
        os.kill(os.getpid(), number)
        assert stop_request.is_set
        with pytest.raises(KeyboardInterrupt):
            os.kill(os.getpid(), number)


@SIGNALS
def test_who_is_patient_is_never_interrupted(number: signal.Signals) -> None:
    """Tones are being switched off by then; half of that would be worse than all of it late."""
    with StopRequest(is_patient=True) as stop_request:
        for _ in range(3):
            os.kill(os.getpid(), number)
        assert stop_request.is_set


def test_afterwards_signals_are_what_they_were() -> None:
    before = signal.getsignal(signal.SIGTERM)
    with StopRequest():
        assert signal.getsignal(signal.SIGTERM) is not before
    assert signal.getsignal(signal.SIGTERM) is before
