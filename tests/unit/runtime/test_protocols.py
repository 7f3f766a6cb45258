"""Protocol files with their lines, and what a log hands to an analysis."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from controller.analysis.protocols.data import (
    ProtocolData,
    ProtocolFailure,
    ProtocolResult,
    guarded,
)
from controller.errors import InputError
from controller.records import Baseband, Event, ModeId, ModeRecord, Record, Section, TrackerState
from controller.runtime import protocols
from controller.runtime.log.reader import LogReader
from controller.runtime.log.writer import LogWriter
from controller.runtime.protocols import (
    ProtocolFile,
    analysed,
    protocol_data,
    protocol_file,
    shipped_protocols,
)
from tests.support.sample_log import PUMP
from tests.unit.protocol.plans import STREAM, TONES, loop_settings

INSTRUMENT: Any = SimpleNamespace(stream=STREAM, tones=TONES)
GOOD = """\
title = "Two steps more"
parameters = { watch_s = 2.0 }
steps = [
  { step = "find" },
  { step = "lock" },
  { step = "hold", duration_s = { value_of = "watch_s" } },
  { step = "pump_on", amplitude = 0.3 },
]
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


# -- files ---------------------------------------------------------------------------------


def test_a_protocol_is_a_file_or_a_shipped_name(tmp_path: Path) -> None:
    path = written(tmp_path, GOOD)
    assert protocol_file(str(path)).plan.title == "Two steps more"
    assert protocol_file("exchange").plan.analysis == "exchange"
    bare = path.rename(tmp_path / "mine")
    assert protocol_file(str(bare)).plan.title == "Two steps more"
    assert "mine" in repr(protocol_file(str(bare)))


def test_every_shipped_protocol_is_read_under_its_name() -> None:
    shipped = shipped_protocols()
    assert {"drift_watch", "exchange", "ring_down", "thermal_calibration"} <= set(shipped)
    for name, path in shipped.items():
        assert path.is_file()
        assert protocol_file(name).plan.analysis == name


def test_an_unknown_name_is_refused_with_the_nearest_one() -> None:
    with pytest.raises(InputError, match=r"^exchagne: .* did you mean exchange\?$"):
        protocol_file("exchagne")
    with pytest.raises(InputError, match="there are adiabatic_transfer, "):
        protocol_file("qqqqq")


@pytest.mark.parametrize("content", [b"steps = [", b"\xff\xfe", b"steps = []"])
def test_what_is_no_protocol_is_refused_in_one_line(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "mine.toml"
    path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        ProtocolFile(path)
    assert str(caught.value).startswith(str(path)) and "\n" not in str(caught.value)


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        protocol_file(str(tmp_path / "none.toml"))


def test_a_wrong_step_is_told_with_its_line(tmp_path: Path) -> None:
    path = written(tmp_path, GOOD.replace("amplitude = 0.3", "amplitude = -0.3"))
    with pytest.raises(InputError) as caught:
        ProtocolFile(path)
    assert str(caught.value).startswith(f"{path}:7: steps[3].amplitude = -0.3")


def test_what_the_instrument_cannot_do_is_told_with_its_line(tmp_path: Path) -> None:
    path = written(tmp_path, GOOD.replace("amplitude = 0.3", "amplitude = 30.0"))
    with pytest.raises(InputError) as caught:
        ProtocolFile(path).for_run(loop_settings(), INSTRUMENT, {})
    assert str(caught.value).startswith(f"{path}:7: steps[3].amplitude = 30")


def test_parameters_can_be_changed_for_a_run(tmp_path: Path) -> None:
    file = ProtocolFile(written(tmp_path, GOOD))
    plan = file.for_run(loop_settings(), INSTRUMENT, {"watch_s": 5.0})
    assert plan.parameters == {"watch_s": 5.0}
    assert file.plan.parameters == {"watch_s": 2.0}
    with pytest.raises(InputError, match=r"mine\.toml.*watch"):
        file.for_run(loop_settings(), INSTRUMENT, {"watch": 5.0})


# -- logs ---------------------------------------------------------------------------------------

RATE_HZ = STREAM.sample_rate_hz
UPDATE_S = 0.02
NOISE_M = {ModeId.LOWER: 4.0e-15, ModeId.UPPER: 7.0e-15}  # per root hertz, one-sided


def mode_record(mode: ModeId, amplitude: float) -> ModeRecord:
    """As a tracker states it: an update carries S^2 / T in each quadrature (physics.md)."""
    quadrature = NOISE_M[mode] / math.sqrt(UPDATE_S)
    snr_db = 20.0 * math.log10(amplitude / (math.sqrt(2.0) * quadrature))
    return ModeRecord(
        state=TrackerState.LOCKED, frequency_hz=1.0e6, amplitude=amplitude, snr_db=snr_db
    )


def section(number: int, **parameters: float | str | bool) -> Section:
    return Section(
        number=number,
        name=f"step_{number}",
        kind="pump_on",
        parameters=parameters,
        start_s=float(number),
        end_s=number + 1.0,
        completed=number != 2,
        attempt=1,
        reason="" if number != 2 else "a lock was lost",
    )


def logged(folder: Path, *, updates: int = 5, settings: str | None = None) -> LogWriter:
    """A log of a protocol with two steps, not closed yet."""
    tables = loop_settings().model_dump(mode="json", by_alias=True) | {"title": "not the loop's"}
    writer = LogWriter(
        folder / "log.sqlite",
        settings=settings or json.dumps(tables),
        stream=STREAM,
        tones={"pump": PUMP},
    )
    for n in range(updates):
        index = 1000 * n + 500
        writer.baseband(
            Baseband(
                sample_index=index,
                time_s=(index + 0.5) / RATE_HZ,
                lower=1.0e-9 + 1.0e-10j,
                upper=2.0e-9j,
                duration_s=UPDATE_S,
                pump_amplitude=0.5,
                pump_phase_rad=0.1 * n,
                drive_lower=0j,
                drive_upper=0.25j,
            )
        )
    for n in range(20):
        modes = {mode: mode_record(mode, 1.0e-9 / (n + 1)) for mode in ModeId}
        writer.record(Record(sample_index=5000 * n, time_s=0.1 * n, modes=modes))
    writer.section(section(1, amplitude=0.5, record=True, waveform="sine"))
    writer.section(section(2, level=0.2))
    for kind, text in (("mark", "pixel"), ("state", "locked"), ("mark", "row")):
        writer.event(Event(sample_index=10, time_s=0.25, source="run", kind=kind, text=text))
    return writer


@contextmanager
def read(folder: Path, **changes: Any) -> Iterator[LogReader]:
    logged(folder, **changes).close("done")
    with LogReader(folder / "log.sqlite") as reader:
        yield reader


def test_an_analysis_is_given_what_the_log_holds(tmp_path: Path) -> None:
    with read(tmp_path) as reader:
        data = protocol_data(reader)
    assert data.basebands["sample_index"].tolist() == [500, 1500, 2500, 3500, 4500]
    assert data.basebands["lower"].tolist() == [1.0e-9 + 1.0e-10j] * 5
    assert data.basebands["drive_upper"].tolist() == [0.25j] * 5
    np.testing.assert_allclose(data.basebands["pump_phase_rad"], 0.1 * np.arange(5))
    assert (data.lower_reference_hz, data.upper_reference_hz) == (1.0437e6, 1.0503e6)
    assert data.marks == ((0.25, "pixel"), (0.25, "row"))
    np.testing.assert_allclose(data.records["time_s"], 0.1 * np.arange(20))
    assert len(data.records["lower_amplitude"]) == 20


def test_sections_come_with_their_numbers(tmp_path: Path) -> None:
    with read(tmp_path) as reader:
        first, second = protocol_data(reader).sections
    assert first.numbers == {"amplitude": 0.5, "record": 1.0}
    assert (first.name, first.start_s, first.end_s, first.completed) == ("step_1", 1.0, 2.0, True)
    assert second.numbers == {"level": 0.2} and not second.completed


def test_the_detectors_noise_is_that_of_the_records(tmp_path: Path) -> None:
    """Whatever the amplitude was."""
    with read(tmp_path) as reader:
        facts = protocol_data(reader).facts
    for mode in ModeId:
        assert facts.of(mode).detector_noise_m_per_root_hz == pytest.approx(NOISE_M[mode])


def test_facts_are_those_of_the_settings(tmp_path: Path) -> None:
    mode = {"frequency_hz": 1.0437e6, "quality_factor": 7.0e7, "mass_kg": 2.0e-11}
    upper = mode | {"frequency_hz": 1.0503e6, "duffing_self_hz_per_m2": 3.0e15}
    settings = loop_settings(
        modes={"lower": mode, "upper": upper},
        tracking={"detector_noise": 9.0e-15, "temperature_k": 4.2},
        pump={"mass_ratio_sigma": 0.03},
    )
    with read(tmp_path, settings=settings.model_dump_json(by_alias=True)) as reader:
        facts = protocol_data(reader).facts
    assert (facts.lower.quality_factor, facts.lower.mass_kg) == (7.0e7, 2.0e-11)
    assert facts.lower.detector_noise_m_per_root_hz == 9.0e-15
    assert facts.upper.duffing_self_hz_per_m2 == 3.0e15
    assert (facts.temperature_k, facts.mass_ratio_sigma) == (4.2, 0.03)


def test_a_protocol_that_recorded_nothing_has_its_records(tmp_path: Path) -> None:
    with read(tmp_path, updates=0) as reader:
        data = protocol_data(reader)
    assert not len(data.basebands) and len(data.records["time_s"])


# -- analyses --------------------------------------------------------------------------------------


def known_analysis(monkeypatch: pytest.MonkeyPatch, answer: Any) -> None:
    """One analysis, called `counted`."""
    monkeypatch.setattr(protocols, "ANALYSES", {"counted": answer})


def counted(data: ProtocolData) -> ProtocolResult:
    return ProtocolResult(results={"updates": float(len(data.basebands)), "updates_sigma": 0.0})


def test_results_are_those_of_the_named_analysis(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    known_analysis(monkeypatch, counted)
    with read(tmp_path) as reader:
        assert analysed(reader, "counted") == {"updates": 5.0, "updates_sigma": 0.0}


def test_a_failure_is_all_that_a_failed_analysis_leaves(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(data: ProtocolData) -> ProtocolResult:
        raise ProtocolFailure("the fit did not converge")

    known_analysis(monkeypatch, lambda data: guarded(failing, data))
    with read(tmp_path) as reader:
        assert analysed(reader, "counted") == {"failure": "the fit did not converge"}


def test_records_alone_are_enough_and_an_unknown_analysis_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    known_analysis(monkeypatch, counted)
    with read(tmp_path, updates=0) as reader:
        assert analysed(reader, "counted") == {"updates": 0.0, "updates_sigma": 0.0}
        nothing = {"failure": "there is no analysis other; there are counted"}
        assert analysed(reader, "other") == nothing
