"""Drift watch: slopes, Allan deviations, locks and the pump; and what is refused."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from controller.analysis.protocols.drift_watch import drift_watch
from tests.support.protocol_streams import Protocol, drift_protocol


@pytest.fixture(scope="module")
def protocol() -> Protocol:
    """Half an hour."""
    return drift_protocol(3)


def with_records(protocol: Protocol, **columns: np.ndarray) -> Protocol:
    """The same with other columns."""
    records = {**protocol.data.records, **columns}
    return dataclasses.replace(protocol, data=dataclasses.replace(protocol.data, records=records))


def test_every_result_is_within_four_sigmas(protocol: Protocol) -> None:
    results = drift_watch(protocol.data).results
    assert results is not None
    for name, truth in protocol.truths[""].items():
        assert abs(results[name] - truth) < 4.0 * results[f"{name}_sigma"], name
    assert results["time_locked"] == 1.0 and results["losses"] == 0.0


def test_a_steady_slope_has_its_own_allan_deviation(protocol: Protocol) -> None:
    """A slope D gives D tau / root 2, exactly."""
    times_s = protocol.data.records["time_s"]
    sloped = with_records(protocol, difference_hz=7e3 + 3e-4 * times_s)
    result = drift_watch(sloped.data)
    assert result.results is not None
    assert result.results["difference_drift_hz_per_s"] == pytest.approx(3e-4, rel=1e-6)
    taus_s, deviations_hz = result.series["averaging_s"], result.series["allan_deviation_hz"]
    assert deviations_hz == pytest.approx(3e-4 * taus_s / np.sqrt(2.0), rel=1e-6)


def test_losses_and_the_share_of_time_are_counted(protocol: Protocol) -> None:
    count = len(protocol.data.records["time_s"])
    lower, upper = np.full(count, "locked", dtype="U12"), np.full(count, "locked", dtype="U12")
    lower[1000:1900], upper[5000:5900], upper[9000:9100] = "lost", "searching", "holding"
    results = drift_watch(with_records(protocol, lower_state=lower, upper_state=upper).data).results
    assert results is not None
    assert results["losses"] == 2.0
    assert results["time_locked"] == pytest.approx(1.0 - 1800.0 / count)


def test_gaps_spoil_no_average(protocol: Protocol) -> None:
    """A missing stretch changes an Allan deviation by what it held, not by its length."""
    difference_hz = protocol.data.records["difference_hz"].copy()
    difference_hz[4000:4500] = np.nan
    before = drift_watch(protocol.data).results
    after = drift_watch(with_records(protocol, difference_hz=difference_hz).data).results
    assert before is not None and after is not None
    assert after["allan_deviation_1_s_hz"] == pytest.approx(
        before["allan_deviation_1_s_hz"], rel=0.05
    )
    assert after["losses"] == 1.0


def test_a_pump_beside_the_line_is_not_on_it(protocol: Protocol) -> None:
    """0.1 of a 15 mHz line is 1.5 mHz."""
    difference_hz = protocol.data.records["difference_hz"]
    near = drift_watch(with_records(protocol, pump_hz=difference_hz + 1e-3).data).results
    far = drift_watch(with_records(protocol, pump_hz=difference_hz + 2e-3).data).results
    assert near is not None and far is not None
    assert near["time_within_tenth_of_line"] == pytest.approx(1.0, abs=1e-3)
    assert far["time_within_tenth_of_line"] == pytest.approx(0.0, abs=1e-3)


def test_what_cannot_be_read_is_a_failure(protocol: Protocol) -> None:
    data = protocol.data
    nothing = np.full(len(data.records["time_s"]), np.nan)
    brief = dataclasses.replace(data.sections[0], end_s=5.0)
    for broken, reason in (
        (dataclasses.replace(data, sections=()), "section `watch`"),
        (dataclasses.replace(data, sections=(brief,)), "less than"),
        (dataclasses.replace(data, records={}), "less than"),
        (with_records(protocol, difference_hz=nothing).data, "never tracked"),
        (with_records(protocol, lower_frequency_hz=nothing).data, "too few"),
    ):
        result = drift_watch(broken)
        assert result.results is None
        assert result.failure is not None and reason in result.failure


def test_what_is_not_known_of_the_difference_counts_as_one_error(protocol: Protocol) -> None:
    """Half inside by chance: it may be all inside or all outside."""
    difference_hz = protocol.data.records["difference_hz"]
    line_hz = (
        0.5
        * sum(
            mode.decay_rate_per_s for mode in (protocol.data.facts.lower, protocol.data.facts.upper)
        )
        / (2.0 * np.pi)
    )
    sigma_hz = np.full(len(difference_hz), 0.1 * line_hz / 0.6745)  # half of a normal error
    uncertain = with_records(protocol, pump_hz=difference_hz, difference_sigma_hz=sigma_hz)
    results = drift_watch(uncertain.data).results
    assert results is not None
    assert results["time_within_tenth_of_line"] == pytest.approx(0.5, abs=1e-3)
    assert results["time_within_tenth_of_line_sigma"] == pytest.approx(0.5, abs=1e-3)
    # The root of a squared normal error, to first order.
    assert results["rms_detuning_hz_sigma"] == pytest.approx(sigma_hz[0] / np.sqrt(2.0), rel=1e-3)
