"""The state file: for its owner alone, whole at any time, one service of a name."""

from __future__ import annotations

import json
import stat
from dataclasses import replace
from pathlib import Path

import pytest

from controller.errors import InputError
from controller.service.state_file import ServiceState, StateFile, read_state, state_folder

STATE = ServiceState(name="bench", command_port=8462, folder="runs/bench-1")


def mode_of(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_what_is_written_the_next_service_reads(tmp_path: Path) -> None:
    first = StateFile("bench", tmp_path)
    assert first.previous is None
    first.write(STATE)
    first.write(replace(STATE, state="ended", outcome="interrupted", tones_off=True))
    first.close()
    following = StateFile("bench", tmp_path)
    assert following.previous is not None and following.previous.outcome == "interrupted"
    assert not following.previous.may_have_left_tones
    following.close()


def test_it_is_for_its_owner_alone(tmp_path: Path) -> None:
    file = StateFile("bench", tmp_path / "new")
    file.write(STATE)
    assert mode_of(file.path) == 0o600 and mode_of(tmp_path / "new") == 0o700
    file.close()


def test_a_service_that_died_may_have_left_tones() -> None:
    assert STATE.with_pids(7).may_have_left_tones and STATE.with_pids(7).loop_pid == 7


def test_one_service_has_a_name_at_a_time(tmp_path: Path) -> None:
    first = StateFile("bench", tmp_path)
    first.write(STATE.with_pids(7))
    with pytest.raises(InputError, match=r"a service 'bench' is running \(process \d+\)"):
        StateFile("bench", tmp_path)
    StateFile("other", tmp_path).close()
    first.close()
    StateFile("bench", tmp_path).close()


@pytest.mark.parametrize("name", ["", "../up", "a b", ".hidden", "x" * 65])
def test_a_name_is_the_name_of_a_file(name: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="must be letters, digits"):
        StateFile(name, tmp_path)


@pytest.mark.parametrize("content", ["", "[]", "{}", "null", '{"name": 1', "\x00"])
def test_a_damaged_file_is_as_none(content: str, tmp_path: Path) -> None:
    (tmp_path / "bench.json").write_text(content)
    assert read_state("bench", tmp_path) is None


def test_a_later_version_may_have_written_more(tmp_path: Path) -> None:
    file = StateFile("bench", tmp_path)
    file.write(STATE)
    file.close()
    content = json.loads(file.path.read_text())
    file.path.write_text(json.dumps({**content, "colour": "blue"}))
    assert read_state("bench", tmp_path) == STATE


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("")
    with pytest.raises(InputError, match="cannot be written"):
        StateFile("bench", tmp_path / "taken")


def test_state_files_are_in_the_users_state_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", "/somewhere")
    assert state_folder() == Path("/somewhere/difftone")
    monkeypatch.delenv("XDG_STATE_HOME")
    assert state_folder() == Path.home() / ".local/state/difftone"
