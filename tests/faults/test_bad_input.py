"""Bad input: exit status 2 and one line that names the file, the key and what would be right."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from controller import cli
from controller.instrument import SampleBlock, StreamFormat
from controller.runtime.instruments.recording import write_recording
from tests.rules.sources import ROOT

QUIET_ROOM = Path(str(files("hardware_sim.scenarios") / "quiet_room.toml"))


@pytest.fixture(autouse=True)
def in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every command runs in a folder of its own, with imports of its own."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "path", list(sys.path))


def complaint(capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 2) -> str:
    """Run a command that must fail with one line; gives the line."""
    assert cli.main(arguments) == status
    output = capsys.readouterr()
    assert output.out == ""
    [line] = output.err.splitlines()
    assert line.startswith("difftone: ")
    assert "Traceback" not in line and "defect" not in line
    return line


def scenario(change: Callable[[str], str]) -> str:
    """A copy of the quiet room with a change of its text."""
    text = QUIET_ROOM.read_text()
    changed = change(text)
    assert changed != text
    Path("room.toml").write_text(changed)
    return "room.toml"


def with_key(table: str, line: str) -> Callable[[str], str]:
    """A change that puts a line into a table, in place of one with the same key."""

    def change(text: str) -> str:
        head, _, tail = text.partition(f"\n[{table}]\n")
        body, separator, rest = tail.partition("\n[")
        key = line.split(" = ")[0]
        body = re.sub(rf"^{re.escape(key)} = .*\n?", "", body, flags=re.M)
        return f"{head}\n[{table}]\n{line}\n{body}{separator}{rest}"

    return change


MISTAKES: dict[str, tuple[str, str]] = {
    # table and line -> what the complaint says
    "an unknown key": ("pump", "amplitud = 0.5|pump.amplitud: unknown key; did you mean amplitude"),
    "a wrong type": ("run", 'duration_s = "long"|run.duration_s = "long": must be'),
    "a value out of range": ("modes.lower", "search_hz = -1.0|modes.lower.search_hz = -1.0: must"),
    "not a number": ("pump", "amplitude = nan|pump.amplitude = NaN: must be a finite number"),
    "too much pump": ("pump", "amplitude = 1e6|pump.amplitude = 1000000.0: the channel gives"),
    "a frequency outside the stream": (
        "modes.upper",
        "frequency_hz = 2.5e6|modes.upper.frequency_hz = 2500000.0: must lie in",
    ),
    "an empty window": (
        "pump",
        "difference_window_hz = [7e3, 6e3]|pump.difference_window_hz = [7000.0, 6000.0]: must",
    ),
    "a pump after the end": ("run", "pump_from_s = 1e6|must be greater than run.pump_from_s"),
    "an unknown protocol": ("run", "protocol = \"waltz\"|run.protocol = 'waltz': neither a"),
    "an unknown class": ("instrument", "class = \"simulatr\"|instrument.class = 'simulatr': must"),
    "an unknown option": ("instrument.options", "sede = 3|instrument.options"),
    "an option out of range": ("instrument.options.lower", "quality_factor = -1.0|quality_factor"),
    "an option that is no number": ("instrument.options.lower", "mass_kg = nan|mass_kg"),
}


@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_mistake_in_a_scenario(capsys: pytest.CaptureFixture[str], mistake: str) -> None:
    table, rest = MISTAKES[mistake]
    line, said = rest.split("|")
    name = scenario(with_key(table, line))
    told = complaint(capsys, "rehearse", name, "--out", "run")
    assert f"difftone: {name}: " in told
    assert said in told
    assert not Path("run").exists()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ("rehearse nothing.toml", "nothing.toml: cannot be read: No such file"),
        ("rehearse quite_room", "did you mean quiet_room?"),
        ("rehearse --seed -1", "--seed: '-1': must be a whole number"),
        ("rehearse --duration-s nan", "--duration-s: 'nan': must be a number above 0"),
        ("rehearse --colour", "unrecognized arguments: --colour"),
        ("run nothing.toml", "nothing.toml: cannot be read"),
        ("replay nothing", "nothing.sigmf-meta: there is no such file"),
        ("replay nothing --modes 3", "--modes: '3': must be two frequencies"),
        ("replay nothing --modes 3,x", "--modes: 'x': must be a number above 0"),
        ("replay nothing --modes 3,3", "must differ"),
        ("replay nothing --config nothing.toml", "nothing.toml: cannot be read"),
        ("report nothing.sqlite", "nothing.sqlite: no such file"),
        ("export nothing.sqlite --to csv", "nothing.sqlite: no such file"),
        ("export nothing.sqlite --to xml", "--to: invalid choice: 'xml'"),
        ("design nothing.toml", "nothing.toml: cannot be read"),
        ("", "required: COMMAND"),
        ("dance", "invalid choice: 'dance'"),
    ],
)
def test_a_mistake_on_the_command_line(
    capsys: pytest.CaptureFixture[str], arguments: str, said: str
) -> None:
    assert said in complaint(capsys, *arguments.split())


def test_a_folder_in_use_is_refused_and_left_alone(capsys: pytest.CaptureFixture[str]) -> None:
    Path("run").mkdir()
    Path("run/summary.json").write_text("{}")
    told = complaint(capsys, "rehearse", "--out", "run")
    assert "--out run: holds summary.json of another run" in told
    assert [path.name for path in Path("run").iterdir()] == ["summary.json"]


def test_a_file_is_no_folder(capsys: pytest.CaptureFixture[str]) -> None:
    Path("run").write_text("")
    assert "--out run: cannot be made" in complaint(capsys, "rehearse", "--out", "run")


def test_a_file_that_is_no_log_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    Path("notes.txt").write_text("not a log")
    for command in (["report", "notes.txt"], ["export", "notes.txt", "--to", "csv"]):
        assert "notes.txt: " in complaint(capsys, *command)


# --- recordings ----------------------------------------------------------


def recording() -> Path:
    """A second of silence at 1 kS/s."""
    stream = StreamFormat(1000.0, 0.0, "float32", 1.0, 1.0)
    return write_recording(
        Path("line"), stream, [SampleBlock(0, np.zeros(1000, dtype=np.float32), False)]
    )


def cut(meta: Path) -> None:
    """Lose the end of the samples."""
    data = meta.with_suffix(".sigmf-data")
    data.write_bytes(data.read_bytes()[:-400])


def set_type(meta: Path) -> None:
    """Claim another type of samples."""
    header = json.loads(meta.read_text())
    header["global"]["core:datatype"] = "cu8"
    meta.write_text(json.dumps(header))


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda meta: meta.with_suffix(".sigmf-data").unlink(), "line.sigmf-data: is missing"),
        (cut, "line.sigmf-data: does not match core:sha512"),
        (set_type, "line.sigmf-meta: global.core:datatype = 'cu8': must be one of rf32_le"),
        (lambda meta: meta.write_text("{"), "line.sigmf-meta: is not valid JSON"),
    ],
)
def test_a_spoilt_recording(
    capsys: pytest.CaptureFixture[str], spoil: Callable[[Path], object], said: str
) -> None:
    meta = recording()
    spoil(meta)
    assert said in complaint(capsys, "replay", str(meta), "--modes", "100,110")


def test_a_line_outside_the_recording(capsys: pytest.CaptureFixture[str]) -> None:
    told = complaint(capsys, "replay", str(recording()), "--modes", "100,600")
    assert "--modes: 600.0 Hz lies outside the recording's band, 0.0 to 500.0 Hz" in told


# --- runs that fail: status 1, the reason, and the log kept --------------


def failing(options: str = "") -> str:
    """A configuration of an instrument that is silent."""
    Path("silent.toml").write_text(
        f"""
        [instrument]
        class = "tests.support.instruments:ScriptedInstrument"
        [instrument.options]
        {options}
        [modes.lower]
        frequency_hz = 100.0
        search_hz = 2.0
        quality_factor = 1e4
        [modes.upper]
        frequency_hz = 110.0
        search_hz = 2.0
        quality_factor = 1e4
        """
    )
    return "silent.toml"


def test_silence_cannot_be_locked_to(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.syspath_prepend(str(ROOT))
    told = complaint(capsys, "run", failing("blocks = 300"), "--out", "run", "--quiet", status=1)
    assert "the log is run/log.sqlite" in told
    summary = json.loads(Path("run/summary.json").read_text())
    assert summary["schema"] == "difftone.summary/1"
    assert [mode["frequency_hz"] for mode in summary["modes"]] == [None, None]
    assert Path("run/tracks.csv").exists() and Path("run/report.html").exists()


def test_the_program_itself_exits_with_the_status() -> None:
    """As a process of its own: the exit status, and nothing but one line."""
    program = shutil.which("difftone", path=str(Path(sys.executable).parent))
    assert program, "the project must be installed where the tests run"
    done = subprocess.run(
        [program, "run", "nothing.toml"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
