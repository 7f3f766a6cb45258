"""`difftone desk`: what it takes, and what it says where there can be no window."""

from __future__ import annotations

import argparse
import subprocess
import sys
from pathlib import Path

import pytest

from controller import cli
from controller.arguments import parsed

WITHOUT_QT = """
import sys
sys.modules["PySide6"] = None
from controller.cli import main
sys.exit(main(["desk"]))
"""


def complaint(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    """What it says; the status is that of bad input."""
    assert cli.main(["desk", *arguments]) == cli.EXIT_BAD_INPUT
    said = capsys.readouterr().err
    assert said.startswith("difftone: ") and said.count("\n") == 1
    return said


@pytest.mark.parametrize(
    ("text", "address"),
    [
        ("192.168.1.7", ("192.168.1.7", 8462, 8463)),
        ("lab.example:9000", ("lab.example", 9000, 9001)),
        ("[::1]:9000", ("::1", 9000, 9001)),
    ],
)
def test_an_address_may_have_a_port(text: str, address: tuple[str, int, int]) -> None:
    options = parsed(["desk", "--connect", text])
    assert options.connect == address


@pytest.mark.parametrize("text", ["", "a b", "host:", "host:0", "host:65535", "host:x"])
def test_a_bad_address_is_refused(text: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert "must be an address" in complaint(capsys, "--connect", text)


def test_what_cannot_be_shown_is_refused_before_a_window_opens(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "neither a shipped scenario" in complaint(capsys, "--rehearse", "nowhere")
    assert "nothing.sqlite" in complaint(capsys, "--log", str(tmp_path / "nothing.sqlite"))
    assert "--connect alone" in complaint(capsys, "--keys", "ann.key")
    assert "--rehearse alone" in complaint(capsys, "--out", "here")


@pytest.fixture
def without_display(monkeypatch: pytest.MonkeyPatch) -> None:
    """As on a server."""
    monkeypatch.setattr(sys, "platform", "linux")
    for variable in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"):
        monkeypatch.delenv(variable, raising=False)


@pytest.mark.usefixtures("without_display")
def test_without_a_display_it_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    assert "there is no display" in complaint(capsys)


@pytest.mark.usefixtures("without_display")
def test_without_a_display_a_rehearsal_goes_on_in_the_terminal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    begun: list[object] = []

    def rehearse(options: argparse.Namespace) -> int:
        begun.append((options.scenario, options.out))
        return 0

    monkeypatch.setitem(cli.COMMANDS, "rehearse", rehearse)
    assert cli.main(["desk", "--rehearse", "quiet_room", "--out", str(tmp_path / "run")]) == 0
    assert begun == [("quiet_room", tmp_path / "run")]
    assert "goes on in the terminal" in capsys.readouterr().out


def test_without_the_extra_it_says_what_to_install() -> None:
    done = subprocess.run(
        [sys.executable, "-c", WITHOUT_QT], capture_output=True, text=True, check=False
    )
    assert done.returncode == cli.EXIT_BAD_INPUT
    assert "pip install 'difftone[desktop]'" in done.stderr and done.stderr.count("\n") == 1
