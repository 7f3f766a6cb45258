"""Keys: secret from the moment they are written, and a list that can be changed at any time."""

from __future__ import annotations

import stat
import subprocess
import sys
from pathlib import Path

import pytest

from controller import cli
from controller.errors import InputError
from controller.service.access import (
    Access,
    Role,
    clients_of,
    is_loopback,
    make_client_key,
    make_service_key,
    read_client_keys,
    read_key_pair,
    remove_client,
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with the service's key."""
    folder = tmp_path / "keys"
    assert make_service_key(folder)
    return folder


def mode(path: Path) -> int:
    """The rights to a file."""
    return stat.S_IMODE(path.stat().st_mode)


def test_nobody_else_may_read_a_key(folder: Path) -> None:
    make_client_key(folder, "ann", Role.READER)
    assert {mode(path) for path in folder.iterdir()} == {0o600}
    assert mode(folder) == 0o700


def test_the_mode_does_not_hang_on_the_umask(tmp_path: Path) -> None:
    script = (
        "import os, sys; os.umask(0); from pathlib import Path; "
        "from controller.service.access import make_service_key; "
        "make_service_key(Path(sys.argv[1]))"
    )
    subprocess.run([sys.executable, "-c", script, str(tmp_path / "keys")], check=True)
    assert mode(tmp_path / "keys" / "service.key") == 0o600
    assert mode(tmp_path / "keys") == 0o700


def test_a_key_that_others_may_read_is_refused(folder: Path) -> None:
    path = folder / "service.key"
    path.chmod(0o644)
    with pytest.raises(InputError, match="others may read this secret"):
        Access(folder)


def test_a_list_that_others_may_write_is_refused(folder: Path) -> None:
    make_client_key(folder, "ann", Role.READER)
    (folder / "clients.toml").chmod(0o666)
    with pytest.raises(InputError, match="others may write"):
        Access(folder)


def test_the_service_keeps_its_key(folder: Path) -> None:
    before = read_key_pair(folder / "service.key")
    assert not make_service_key(folder)
    assert read_key_pair(folder / "service.key") == before


def test_a_client_has_its_pair_and_the_services_public_key(folder: Path) -> None:
    keys = read_client_keys(make_client_key(folder, "ann", Role.CONTROLLER))
    assert keys.service_public == read_key_pair(folder / "service.key").public
    assert Access(folder).role_of(keys.pair.public) is Role.CONTROLLER
    assert clients_of(folder) == {"ann": Role.CONTROLLER}


def test_a_secret_is_not_shown(folder: Path) -> None:
    pair = read_key_pair(folder / "service.key")
    assert pair.secret.decode() not in repr(pair)


def test_an_unknown_key_may_do_nothing(folder: Path) -> None:
    assert Access(folder).role_of(read_key_pair(folder / "service.key").public) is None
    assert Access(folder).role_of(b"") is None


def test_the_list_is_read_again_when_it_changes(folder: Path) -> None:
    access = Access(folder)
    keys = read_client_keys(make_client_key(folder, "ann", Role.READER))
    assert access.role_of(keys.pair.public) is Role.READER
    remove_client(folder, "ann")
    assert access.role_of(keys.pair.public) is None
    assert not (folder / "ann.key").exists()


def test_a_list_that_cannot_be_read_changes_nothing(folder: Path) -> None:
    keys = read_client_keys(make_client_key(folder, "ann", Role.READER))
    access = Access(folder)
    (folder / "clients.toml").write_text("[ann]\nrole = 'king'\n")
    assert access.role_of(keys.pair.public) is Role.READER
    assert "must be reader or controller" in access.complaint


@pytest.mark.parametrize("name", ["", "a b", "../ann", "service", "x" * 41, "ä"])
def test_a_name_is_a_file_name_and_no_path(folder: Path, name: str) -> None:
    with pytest.raises(InputError, match="client name"):
        make_client_key(folder, name, Role.READER)


def test_a_name_is_given_once(folder: Path) -> None:
    make_client_key(folder, "ann", Role.READER)
    with pytest.raises(InputError, match="already"):
        make_client_key(folder, "ann", Role.CONTROLLER)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("public = 3", "public: must be a key"),
        ("public = 'short'", "public: must be a key"),
        ("=", "is no TOML file"),
        (f"public = '{'0' * 40}'\nsecret = '{'1' * 40}'", "do not belong together"),
    ],
)
def test_a_broken_key_file_is_named(folder: Path, text: str, says: str) -> None:
    path = folder / "service.key"
    path.write_text(text)
    with pytest.raises(InputError, match=says) as caught:
        read_key_pair(path)
    assert str(path) in str(caught.value)


def test_loopback_is_reached_from_this_machine_alone() -> None:
    assert is_loopback("127.0.0.1")
    assert is_loopback("127.8.8.8")
    assert is_loopback("::1")
    for address in ("0.0.0.0", "192.168.1.5", "::", "10.0.0.1"):
        assert not is_loopback(address)
    with pytest.raises(InputError, match="numeric address"):
        is_loopback("localhost")


def test_the_command_makes_keys(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "keys"
    assert cli.main(["keys", str(folder), "--controller", "ann"]) == 0
    assert cli.main(["keys", str(folder), "--reader", "bob"]) == 0
    assert cli.main(["keys", str(folder), "--remove", "ann"]) == 0
    capsys.readouterr()
    assert cli.main(["keys", str(folder)]) == 0
    assert capsys.readouterr().out == "bob  reader\n"
    assert cli.main(["keys", str(folder), "--remove", "ann"]) == 2
    assert "there is no client 'ann'; there are bob" in capsys.readouterr().err
