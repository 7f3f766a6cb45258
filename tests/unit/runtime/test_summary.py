"""The summary: last estimates, and an account of the pump that can convict."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from controller.instrument import Tone
from controller.records import Event, ModeId, ModeRecord, PumpState, Record, TrackerState
from controller.runtime.log.reader import LogReader
from controller.runtime.log.writer import LogWriter
from controller.runtime.summary import forbidden_spans, summarise, write_summary
from tests.support.sample_log import PUMP, STREAM, SampleRun, true_frequencies, write_log

RATE = STREAM.sample_rate_hz
LATENCY_S = PUMP.latency_samples / RATE


def writer_in(folder: Path, settings: str = "{}") -> LogWriter:
    """A fresh log."""
    return LogWriter(folder / "log.sqlite", settings=settings, stream=STREAM, tones={"pump": PUMP})


def summary_of(folder: Path) -> dict:
    """The summary of the log in a folder."""
    with LogReader(folder / "log.sqlite") as reader:
        return summarise(reader, None)


def add_event(writer: LogWriter, time_s: float, kind: str, text: str = "") -> None:
    """An event of the pump."""
    index = round(time_s * RATE)
    writer.event(Event(sample_index=index, time_s=time_s, source="pump", kind=kind, text=text))


def add_tone(writer: LogWriter, time_s: float, amplitude: float, ramp_s: float = 0.0) -> None:
    """A pump command given one latency before its time."""
    tone = Tone("pump", round(time_s * RATE), 4871.0, amplitude, ramp_s=ramp_s)
    writer.tone(tone, tone, at_index=round(time_s * RATE) - PUMP.latency_samples)


def add_record(
    writer: LogWriter,
    time_s: float,
    state: TrackerState,
    frequency_hz: float | None,
    **values: object,
) -> None:
    """A record with both modes alike."""
    mode = ModeRecord(state=state, frequency_hz=frequency_hz, frequency_sigma_hz=1e-3)
    writer.record(
        Record(
            sample_index=round(time_s * RATE),
            time_s=time_s,
            modes=dict.fromkeys(ModeId, mode),
            **values,  # type: ignore[arg-type]
        )
    )


def test_a_plain_run_is_summed_up(tmp_path: Path) -> None:
    run = SampleRun(duration_s=60.0, lock_after_s=6.0, pump_from_s=20.0)
    write_log(tmp_path / "log.sqlite", run)
    summary = summary_of(tmp_path)
    _, lower_hz, upper_hz = true_frequencies(run)
    assert summary["schema"] == "difftone.summary/1"
    assert summary["outcome"] == "done"
    assert [mode["name"] for mode in summary["modes"]] == ["lower", "upper"]
    # Records at 0, 0.1, ... 59.9 s; those from 6 s on are locked, the first is left out.
    assert summary["modes"][0]["locked_fraction"] == pytest.approx(540 / 599)
    last = summary["modes"][0]
    assert abs(last["frequency_hz"] - lower_hz[-1]) < 5 * last["frequency_sigma_hz"]
    difference = summary["difference"]
    assert abs(difference["frequency_hz"] - (upper_hz - lower_hz)[-1]) < 5 * difference["sigma_hz"]


def test_the_last_estimate_is_of_a_known_state(tmp_path: Path) -> None:
    writer = writer_in(tmp_path)
    add_record(writer, 0.0, TrackerState.SEARCHING, None)
    add_record(writer, 0.1, TrackerState.LOCKED, 1.0, difference_hz=5.0)
    add_record(writer, 0.2, TrackerState.HOLDING, 2.0, difference_hz=6.0)
    add_record(writer, 0.3, TrackerState.LOST, 3.0, difference_hz=7.0)
    writer.close("done")
    summary = summary_of(tmp_path)
    assert summary["modes"][0]["frequency_hz"] == 2.0
    assert summary["modes"][0]["locked_fraction"] == pytest.approx(1 / 3)
    assert summary["difference"] == {"frequency_hz": 6.0, "sigma_hz": None}


def test_detuning_is_counted_against_the_offset_while_on(tmp_path: Path) -> None:
    writer = writer_in(tmp_path, '{"pump": {"offset_hz": 0.5}}')
    on = {"difference_hz": 100.0, "pump_state": PumpState.ON}
    add_record(writer, 0.0, TrackerState.LOCKED, 1.0, pump_hz=100.53, **on)
    add_record(writer, 0.1, TrackerState.LOCKED, 1.0, pump_hz=100.46, **on)
    add_record(writer, 0.2, TrackerState.LOCKED, 1.0, pump_hz=90.0, difference_hz=100.0)
    writer.close("done")
    expected_hz = math.sqrt((0.03**2 + 0.04**2) / 2)
    assert summary_of(tmp_path)["pump"]["rms_detuning_hz"] == pytest.approx(expected_hz)


def test_a_fit_of_the_recording_takes_precedence(tmp_path: Path) -> None:
    writer = writer_in(tmp_path)
    add_record(writer, 0.0, TrackerState.LOCKED, 1.0, difference_hz=5.0)
    line = {"frequency_hz": 440.0, "frequency_hz_sigma": 1e-4, "decay_time_s": 3.0}
    writer.result(
        "lines", {"lower": line, "difference": {"frequency_hz": 1.5, "frequency_hz_sigma": 2e-4}}
    )
    writer.close("done")
    summary = summary_of(tmp_path)
    assert summary["modes"][0]["frequency_hz"] == 440.0
    assert summary["modes"][0]["frequency_sigma_hz"] == 1e-4
    assert summary["modes"][1]["frequency_hz"] == 1.0
    assert summary["difference"] == {"frequency_hz": 1.5, "sigma_hz": 2e-4}
    assert summary["results"]["lines"]["lower"]["decay_time_s"] == 3.0


def test_a_pump_within_the_interlock_is_cleared(tmp_path: Path) -> None:
    writer = writer_in(tmp_path)
    add_event(writer, 2.0, "interlock_closed")
    add_tone(writer, 2.0, 0.5, ramp_s=0.005)
    add_event(writer, 6.0, "interlock_open")
    add_event(writer, 6.0, "mute")
    add_tone(writer, 6.0 + 0.04 + LATENCY_S, 0.0, ramp_s=0.005)  # done 45 ms after the evidence
    add_record(writer, 10.0, TrackerState.LOCKED, 1.0)
    writer.close("done")
    pump = summary_of(tmp_path)["pump"]
    assert pump["on_outside_interlock_s"] == 0.0
    assert pump["on_s"] == pytest.approx(4.0 + 0.045 + LATENCY_S)
    assert pump["mutes"] == 1


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        (("off -> armed: wanted",), "out of the window"),  # killed while it waited
        (("off -> armed: wanted", "armed -> off: the run has ended"), "out of the window"),
        (("on -> muted: a gap",), "out of the window"),
        (("muted -> on: all was well",), ""),
        (("on -> off: the run has ended",), ""),
        ((), ""),
    ],
)
def test_why_a_wanted_pump_is_off_at_the_end(
    tmp_path: Path, changes: tuple[str, ...], reason: str
) -> None:
    writer = writer_in(tmp_path)
    add_event(writer, 1.0, "mute", "an older reason")
    add_event(writer, 2.0, "waiting", "out of the window")
    for text in changes:
        add_event(writer, 3.0, "state", text)
    writer.close("done")
    assert summary_of(tmp_path)["pump"]["off_reason"] == reason


def test_a_late_mute_is_convicted_of_the_time_beyond_the_grace(tmp_path: Path) -> None:
    writer = writer_in(tmp_path)
    add_event(writer, 2.0, "interlock_closed")
    add_tone(writer, 2.0, 0.5)
    add_event(writer, 6.0, "interlock_open")
    add_tone(writer, 6.3, 0.0, ramp_s=0.01)
    add_record(writer, 10.0, TrackerState.LOCKED, 1.0)
    writer.close("done")
    outside_s = summary_of(tmp_path)["pump"]["on_outside_interlock_s"]
    assert outside_s == pytest.approx(0.3 + 0.01 - 0.05 - LATENCY_S)


@pytest.mark.parametrize("cleared_after_s", [0.02, 0.2])
def test_evidence_that_has_cleared_does_not_excuse_a_late_mute(
    tmp_path: Path, cleared_after_s: float
) -> None:
    writer = writer_in(tmp_path)
    add_event(writer, 2.0, "interlock_closed")
    add_tone(writer, 2.0, 0.5)
    add_tone(writer, 4.0, 0.6)  # it follows: the pump is on without a break
    add_event(writer, 6.0, "interlock_open")
    add_event(writer, 6.0 + cleared_after_s, "interlock_closed")
    add_tone(writer, 6.5, 0.0, ramp_s=0.01)
    add_tone(writer, 8.0, 0.5)  # after the healthy time it may be on again
    add_record(writer, 10.0, TrackerState.LOCKED, 1.0)
    writer.close("done")
    pump = summary_of(tmp_path)["pump"]
    assert pump["on_outside_interlock_s"] == pytest.approx(0.5 + 0.01 - 0.05 - LATENCY_S)
    assert pump["on_s"] == pytest.approx(4.5 + 0.01 + 2.0)


def test_a_pump_before_the_first_release_is_convicted_at_once(tmp_path: Path) -> None:
    writer = writer_in(tmp_path)
    add_tone(writer, 1.0, 0.5)
    add_event(writer, 1.5, "interlock_closed")
    add_record(writer, 3.0, TrackerState.LOCKED, 1.0)
    writer.close("done")
    assert summary_of(tmp_path)["pump"]["on_outside_interlock_s"] == pytest.approx(0.5)


def test_a_pump_left_on_by_a_killed_run_counts_up_to_the_last_row(tmp_path: Path) -> None:
    writer = writer_in(tmp_path)
    add_event(writer, 1.0, "interlock_closed")
    add_tone(writer, 1.0, 0.5)
    add_record(writer, 3.0, TrackerState.LOCKED, 1.0)
    writer.commit()
    summary = summary_of(tmp_path)
    assert summary["outcome"] == "unfinished"
    assert summary["pump"]["on_s"] == pytest.approx(2.0)


def test_opening_again_while_open_renews_no_grace() -> None:
    def event(time_s: float, kind: str) -> Event:
        return Event(sample_index=0, time_s=time_s, source="pump", kind=kind, text="")

    events = [
        event(1.0, "interlock_closed"),
        event(2.0, "interlock_open"),
        event(2.04, "interlock_open"),
        event(3.0, "interlock_closed"),
        event(4.0, "interlock_open"),
        event(4.01, "interlock_closed"),
    ]
    assert forbidden_spans(events, grace_s=0.05, end_s=9.0) == [(0.0, 1.0), (2.05, 3.0)]


def test_an_empty_log_has_a_summary(tmp_path: Path) -> None:
    writer = writer_in(tmp_path)
    summary = summary_of(tmp_path)
    writer.close("failed")
    assert summary["modes"][0]["frequency_hz"] is None
    assert summary["modes"][0]["locked_fraction"] is None
    assert summary["pump"] == {
        "on_s": 0.0,
        "on_outside_interlock_s": 0.0,
        "mutes": 0,
        "off_reason": "",
        "rms_detuning_hz": None,
    }


def test_the_file_is_strict_json_and_replaces_an_older_one(tmp_path: Path) -> None:
    path = tmp_path / "summary.json"
    path.write_text("old")
    write_summary(
        {"a": math.nan, "b": [np.float64(1.0), -math.inf], "c": np.int64(3), "d": {"µ": (1, 2)}},
        path,
    )

    def refuse(constant: str) -> None:
        raise AssertionError(constant)

    assert json.loads(path.read_text(encoding="utf-8"), parse_constant=refuse) == {
        "a": None,
        "b": [1.0, None],
        "c": 3,
        "d": {"µ": [1, 2]},
    }
    assert [file.name for file in tmp_path.iterdir()] == ["summary.json"]
