"""README.md keeps its word: its commands and its example."""

from __future__ import annotations

import getpass
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from controller import cli
from controller.runtime.configuration import check_fits, load_configuration, make_instrument
from tests.rules.sources import ROOT

README = (ROOT / "README.md").read_text(encoding="utf-8")


def code_blocks(language: str) -> list[str]:
    """The code blocks of the README in one language."""
    return re.findall(rf"^```{language}\n(.*?)^```", README, re.M | re.S)


def test_two_commands_of_one_line_each_set_up_and_run() -> None:
    commands = code_blocks("sh")
    assert len(commands) == 2
    for command in commands:
        assert command.count("\n") == 1
        assert command.startswith("python3 -m venv .venv && .venv/bin/pip install ")


def test_the_automatic_run_calls_the_test_command() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert script.splitlines()[-1] == code_blocks("sh")[1].strip()


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs systemd-analyze")
def test_the_systemd_unit_is_understood_in_every_line(tmp_path: Path) -> None:
    [unit] = code_blocks("ini")
    unit = unit.replace("/home/NAME/difftone/.venv/bin/difftone", sys.executable)
    path = tmp_path / "difftone.service"
    path.write_text(unit.replace("NAME", getpass.getuser()), encoding="utf-8")
    command = ["systemd-analyze", "verify", "--recursive-errors=no", str(path)]
    found = subprocess.run(command, capture_output=True, text=True)
    assert (found.returncode, found.stdout + found.stderr) == (0, "")


def test_every_command_stands_in_the_table_of_commands(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        cli.main(["--help"])
    offered = re.findall(r"^    (\w+)(?:  +\S|$)", capsys.readouterr().out, re.M)
    assert re.findall(r"^\| `difftone (\w+)", README, re.M) == offered


def test_the_example_of_an_instrument_fits_its_configuration(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    [example] = [block for block in code_blocks("python") if "def set_tone" in block]
    [configuration_text] = [block for block in code_blocks("toml") if "[instrument]" in block]
    (tmp_path / "bench.py").write_text(example)
    path = tmp_path / "bench.toml"
    path.write_text(configuration_text)
    monkeypatch.setattr(sys, "path", list(sys.path))
    monkeypatch.delitem(sys.modules, "bench", raising=False)
    configuration = load_configuration(path)
    instrument = make_instrument(configuration, path)
    check_fits(configuration, instrument, path)
    instrument.start()
    first, second = instrument.read(1.0), instrument.read(1.0)
    assert second.first_sample == first.first_sample + len(first.samples)
    instrument.stop()
