"""What the test command does about libraries that are not there."""

from __future__ import annotations

import os
import subprocess

import pytest

from tests.support import qt_libraries


@pytest.fixture
def commands(monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """Commands that would have been run; one library is not there."""
    done: list[list[str]] = []
    monkeypatch.setitem(qt_libraries.LIBRARIES, "libsuch1", "libsuch.so.1")
    monkeypatch.setattr(subprocess, "run", lambda command, **_: done.append(list(command)))
    monkeypatch.setattr(qt_libraries.shutil, "which", lambda name: f"/usr/bin/{name}")
    return done


def test_a_library_that_is_not_there_is_named_by_its_package(commands: list[list[str]]) -> None:
    assert qt_libraries.missing_packages() == ["libsuch1"]


def test_root_installs_it(
    commands: list[list[str]], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    assert not qt_libraries.provide()
    assert commands[-1][:2] == ["apt-get", "install"] and commands[-1][-1] == "libsuch1"
    assert "As root: apt-get install" in capsys.readouterr().out


def test_others_are_told_what_to_ask_for(
    commands: list[list[str]], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    assert not qt_libraries.provide()
    assert commands == []
    assert capsys.readouterr().out.rstrip().endswith("libsuch1")
