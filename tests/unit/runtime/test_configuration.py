"""Configuration files: every mistake becomes one line with file, key, value and remedy."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from controller.errors import InputError, InstrumentFault
from controller.instrument import StreamFormat, ToneChannel
from controller.runtime.configuration import (
    check_fits,
    load_configuration,
    load_loop_settings,
    make_instrument,
    with_overrides,
)

MODES = """
[modes.lower]
frequency_hz = 1.183e6
[modes.upper]
frequency_hz = 1.1892e6
"""
INSTRUMENT = '[instrument]\nclass = "recording"\n'

STREAM = StreamFormat(50e3, 1.186e6, "complex64", 1.0, 1.0)
PUMP = ToneChannel("pump", "V", 2.0, 1e3, 20e3, 0, True, True)
DRIVE = ToneChannel("drive_lower", "N", 1.0, 1.0e6, 1.3e6, 0, True, True)


def configuration_file(folder: Path, text: str) -> Path:
    """A configuration file with the given text."""
    path = folder / "loop.toml"
    path.write_text(text)
    return path


def test_a_short_file_gets_the_defaults(tmp_path: Path) -> None:
    configuration = load_configuration(configuration_file(tmp_path, INSTRUMENT + MODES))
    assert configuration.run.duration_s == 600.0
    assert configuration.modes.lower.frequency_hz == 1.183e6
    assert configuration.instrument.class_name == "recording"


def test_an_amplitude_may_be_a_number_or_a_pair(tmp_path: Path) -> None:
    pair = configuration_file(tmp_path, INSTRUMENT + MODES + "[drive]\namplitude_m = [1e-9, 0]")
    assert load_configuration(pair).drive.amplitude_m == (1e-9, 0.0)


MISTAKES = {
    "[drive]\namplitude_m = -1.0": "drive.amplitude_m = -1.0: must be greater than or equal to 0",
    "[drive]\namplitude_m = [1, 2, 3]": "[1, 2, 3]: must be a list of two numbers",
    "[drive]\namplitude_m = [1, -2]": "[1, -2]: must be greater than or equal to 0",
    "[drive]\namplitude_m = 'x'": '"x": must be a number or a list of two numbers',
    "[drive]\nping_s = [1, 2]": "drive.ping_s = [1, 2]: must be a valid number",
    "[pump]\ndifference_window_hz = [1]": "must be a list of two numbers",
    "[pump]\ndifference_window_hz = 5": "must be a list of two numbers",
    "[pump]\ndifference_window_hz = [5, 1]": "must be two frequencies above 0, the smaller first",
    "[run]\nduration_s = nan": "run.duration_s = NaN: must be a finite number",
    "[run]\nduration_s = true": "run.duration_s = true: must be a valid number",
    "[run]\nduration_s = '60'": 'run.duration_s = "60": must be a valid number',
    "[run]\ntimeouts_allowed = 1.5": "run.timeouts_allowed = 1.5: must be a valid integer",
    "[run]\nduration_s = 5\npump_from_s = 7": "must be greater than run.pump_from_s = 7.0",
    "[run]\nduraton_s = 3": "run.duraton_s: unknown key; did you mean duration_s?",
    "[rum]\nx = 1": "rum: unknown key; did you mean run?",
    "[modes.middle]\na = 1": "modes.middle: unknown key; [modes] takes lower, upper",
    "[zzz]\na = 1": "zzz: unknown key; the top level takes modes, drive",
}


@pytest.mark.parametrize("text", MISTAKES)
def test_a_mistake_is_one_line(tmp_path: Path, text: str) -> None:
    path = configuration_file(tmp_path, INSTRUMENT + MODES + text)
    with pytest.raises(InputError) as caught:
        load_configuration(path)
    line = str(caught.value)
    assert line.startswith(f"{path}: ")
    assert MISTAKES[text] in line
    assert "\n" not in line


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (INSTRUMENT, "modes: is missing"),
        (INSTRUMENT + "[modes.lower]\nfrequency_hz = 1.0", "modes.upper: is missing"),
        (MODES, "instrument: is missing"),
        ("drive = 3\n" + INSTRUMENT + MODES, "drive = 3: must be a table"),
        ("[modes\nx = 1", "is not valid TOML: .* line 1"),
        (INSTRUMENT + MODES.replace("1.1892e6", "1.183e6"), "must lie above modes.lower"),
    ],
)
def test_a_broken_file_is_one_line(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        load_configuration(configuration_file(tmp_path, text))


def test_a_file_that_is_absent_or_no_text_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"none.toml: cannot be read: No such file"):
        load_configuration(tmp_path / "none.toml")
    with pytest.raises(InputError, match="cannot be read"):
        load_configuration(tmp_path)
    (tmp_path / "b.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match=r"b.toml: is not UTF-8"):
        load_configuration(tmp_path / "b.toml")


def test_a_recordings_settings_need_no_instrument(tmp_path: Path) -> None:
    settings = load_loop_settings(configuration_file(tmp_path, MODES))
    assert settings.modes.upper.frequency_hz == 1.1892e6


def test_overrides_are_checked_with_the_rest(tmp_path: Path) -> None:
    text = INSTRUMENT + "[instrument.options]\nseed = 1\n[run]\npump_from_s = 60" + MODES
    path = configuration_file(tmp_path, text)
    configuration = load_configuration(path)
    changed = with_overrides(configuration, path, duration_s=90.0, options={"seed": 2})
    assert changed.run.duration_s == 90.0
    assert changed.instrument.options == {"seed": 2}
    with pytest.raises(InputError, match=r"^--duration-s 30: must be greater than run.pump_from_s"):
        with_overrides(configuration, path, duration_s=30.0)


# --- instruments ---------------------------------------------------------

BENCH_MODULE = """
from controller.errors import InputError, InstrumentFault
from controller.instrument import StreamFormat

class Bench:
    def __init__(self, rate_hz=1000.0, fail=""):
        if fail == "input":
            raise InputError("fail = 'input': must be empty")
        if fail == "fault":
            raise InstrumentFault("no power")
        if fail:
            raise RuntimeError("fell over\\ntwice")
        self.stream = StreamFormat(rate_hz, 0.0, "float32", 1.0, 1.0)
        self.tones = {}
        self.paced = False
    def start(self): ...
    def read(self, timeout_s): ...
    def set_tone(self, tone): ...
    def stop(self): ...

class Half:
    stream = None
    def start(self): ...

class Odd(Bench):
    def __init__(self):
        super().__init__()
        self.tones = {"pump": 1}
"""


def made(tmp_path: Path, class_name: str, **options: Any) -> Any:
    """The instrument that a configuration beside a module `bench_module` names."""
    (tmp_path / "bench_module.py").write_text(BENCH_MODULE)
    text = f'[instrument]\nclass = "{class_name}"\n' + MODES
    path = configuration_file(tmp_path, text)
    configuration = with_overrides(load_configuration(path), path, options=options)
    return make_instrument(configuration, path)


@pytest.fixture(autouse=True)
def clean_imports(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each test imports `bench_module` from its own folder."""
    monkeypatch.setattr(sys, "path", list(sys.path))
    monkeypatch.delitem(sys.modules, "bench_module", raising=False)


def test_a_class_beside_the_configuration_serves(tmp_path: Path) -> None:
    instrument = made(tmp_path, "bench_module:Bench", rate_hz=5.0)
    assert instrument.stream.sample_rate_hz == 5.0


@pytest.mark.parametrize(
    ("class_name", "options", "message"),
    [
        ("bench", {}, "must be 'package.module:Class' or one of simulator, recording"),
        ("bench:", {}, "must be 'package.module:Class'"),
        ("bench_modul:Bench", {}, "cannot import bench_modul: ModuleNotFoundError"),
        ("bench_module:Banch", {}, "has no class Banch; did you mean Bench?"),
        (
            "bench_module:Bench",
            {"rat_hz": 1},
            "unexpected keyword .*its options are: rate_hz, fail",
        ),
        ("bench_module:Bench", {"rate_hz": -1.0}, "stream.sample_rate_hz = -1.0"),
        ("bench_module:Bench", {"fail": "input"}, "instrument.options: fail = 'input'"),
        ("bench_module:Bench", {"fail": "x"}, "could not be made: fell over twice"),
        ("bench_module:Half", {}, "lacks tones, paced, read, set_tone, stop"),
        ("bench_module:Odd", {}, r"tones\['pump'\] must be a ToneChannel"),
        ("recording", {}, "instrument.options: recording: missing .*'path'"),
        ("recording", {"path": "nothing"}, "nothing.sigmf-meta: there is no such file"),
    ],
)
def test_an_unfit_class_is_one_line(
    tmp_path: Path, class_name: str, options: dict[str, Any], message: str
) -> None:
    with pytest.raises(InputError, match=message) as caught:
        made(tmp_path, class_name, **options)
    assert "loop.toml: instrument." in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_fault_of_the_device_is_no_mistake_of_the_file(tmp_path: Path) -> None:
    with pytest.raises(InstrumentFault, match="no power"):
        made(tmp_path, "bench_module:Bench", fail="fault")


def checked(tmp_path: Path, text: str, stream: StreamFormat = STREAM, *tones: ToneChannel) -> None:
    """Check settings against a stream and channels."""
    path = configuration_file(tmp_path, INSTRUMENT + MODES + text)
    instrument: Any = SimpleNamespace(stream=stream, tones={tone.name: tone for tone in tones})
    check_fits(load_configuration(path), instrument, path)


def test_settings_that_fit_pass(tmp_path: Path) -> None:
    text = "[pump]\namplitude = 2.0\ndifference_window_hz = [6000, 6500]"
    checked(tmp_path, text, STREAM, PUMP, DRIVE)
    checked(tmp_path, "", replace(STREAM, center_hz=0.0, dtype="int16", sample_rate_hz=5e6))


@pytest.mark.parametrize(
    ("text", "stream", "tones", "message"),
    [
        (
            "",
            replace(STREAM, center_hz=1.1e6),
            (),
            "modes.lower.frequency_hz = 1183000.0: must lie",
        ),
        (
            "[drive]\namplitude_m = 1.0",
            STREAM,
            (DRIVE,),
            "loop.toml: drive.amplitude_m is 1 for the lower mode, but must be below",
        ),
        ("", replace(STREAM, center_hz=0.0, dtype="float32"), (), "0.0 to 25000.0 Hz"),
        ("", STREAM, (replace(DRIVE, max_frequency_hz=1e6),), "range of channel 'drive_lower'"),
        ("[pump]\namplitude = 1.0", STREAM, (), "pump.amplitude = 1.0: the instrument has no"),
        ("[pump]\namplitude = 3.0", STREAM, (PUMP,), "pump.amplitude = 3.0: .* at most 2.0 V"),
        (
            "[pump]\namplitude = 1.0\ndifference_window_hz = [500, 6500]",
            STREAM,
            (PUMP,),
            "difference_window_hz = 500.0: must lie in the range of channel 'pump'",
        ),
    ],
)
def test_settings_that_do_not_fit_name_their_key(
    tmp_path: Path, text: str, stream: StreamFormat, tones: tuple[ToneChannel, ...], message: str
) -> None:
    with pytest.raises(InputError, match=message):
        checked(tmp_path, text, stream, *tones)
