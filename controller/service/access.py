"""Who may connect: keys, the list of clients, and what each of them may do.

    FOLDER/service.key    the service's key pair          (0600)
    FOLDER/clients.toml   public key and role of each client  (0600)
    FOLDER/NAME.key       what the client NAME takes with it  (0600)

Without keys the service listens on loopback alone, where every program of
this machine may control. With keys (CURVE) a connection is let in by its
public key; the list is read again when it has changed.
"""

from __future__ import annotations

import hashlib
import ipaddress
import os
import re
import stat
import tomllib
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any

import zmq
from zmq.utils import z85

from controller.errors import InputError

SERVICE_KEY_NAME = "service.key"
CLIENTS_NAME = "clients.toml"
KEY_SUFFIX = ".key"

SECRET_MODE = 0o600
FOLDER_MODE = 0o700

# Six seconds until a machine that has gone is noticed, where nothing is under way to it.
KEEPALIVE_S, KEEPALIVES_MISSED = 2, 2
GONE_AFTER_MS = 30_000  # with something under way

_CLIENT_NAME = re.compile(r"[A-Za-z0-9_-]{1,40}")
_RESERVED = Path(SERVICE_KEY_NAME).stem


class Role(StrEnum):
    """What a client may do."""

    READER = "reader"  # listen and look
    CONTROLLER = "controller"  # change things as well


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyPair:
    """A CURVE key pair, each as 40 characters (Z85, ZeroMQ RFC 32)."""

    public: bytes
    secret: bytes = field(repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClientKeys:
    """What a client needs to be let in."""

    pair: KeyPair
    service_public: bytes


def is_loopback(address: str) -> bool:
    """Whether an address is reached from this machine alone.

    Parameters
    ----------
    address : str
        A numeric address.

    Returns
    -------
    bool
        True for 127.0.0.0/8 and ::1.

    Raises
    ------
    InputError
        If it is no numeric address.
    """
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        raise InputError(
            f"service.address = {address!r}: must be a numeric address of this machine, "
            "as in 127.0.0.1, or 0.0.0.0 for all of them"
        ) from None


def watch_connection(socket: zmq.Socket[bytes]) -> None:
    """Let the system notice that the machine at the other end has gone.

    Parameters
    ----------
    socket : zmq.Socket
        Of service or client, not bound or connected yet.

    Notes
    -----
    Not libzmq's own heartbeats: one that is due to a peer that has died, while messages of that
    peer are still unread, ends the process ("Assertion failed: !_io_error" of 4.3.5). A peer that
    takes nothing for GONE_AFTER_MS is parted with.
    """
    socket.set(zmq.TCP_KEEPALIVE, 1)
    socket.set(zmq.TCP_KEEPALIVE_IDLE, KEEPALIVE_S)
    socket.set(zmq.TCP_KEEPALIVE_INTVL, KEEPALIVE_S)
    socket.set(zmq.TCP_KEEPALIVE_CNT, KEEPALIVES_MISSED)
    socket.set(zmq.TCP_MAXRT, GONE_AFTER_MS)


def connection_mark(routing_id: bytes) -> str:
    """What a connection without keys is known by.

    A digest, because the routing identity itself would let others pass for the client.
    """
    return hashlib.sha256(routing_id).hexdigest()[:16]


# --- making keys ---------------------------------------------------------


def make_service_key(folder: Path) -> bool:
    """Make the service's key pair, unless there is one.

    Parameters
    ----------
    folder : Path
        Made if absent, for its owner alone.

    Returns
    -------
    bool
        Whether it was made now.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    path = folder / SERVICE_KEY_NAME
    if path.exists():
        return False
    try:
        folder.mkdir(mode=FOLDER_MODE, parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{folder}: cannot be made: {error.strerror}") from error
    pair = _new_pair()
    heading = "Secret: whoever has this file can pass for the service."
    _write_secret(path, heading, {"": {"public": pair.public, "secret": pair.secret}})
    return True


def make_client_key(folder: Path, name: str, role: Role) -> Path:
    """Make a client's key file and put the client on the list.

    Parameters
    ----------
    folder : Path
        Where the service's key is.
    name : str
        Of the client; letters, digits, hyphen and underscore.
    role : Role
        What it may do.

    Returns
    -------
    Path
        The file that the client takes with it, and nobody else.

    Raises
    ------
    InputError
        If the name is taken or no name, or a file cannot be read or written.
    """
    if not _CLIENT_NAME.fullmatch(name) or name == _RESERVED:
        raise InputError(
            f"client name {name!r}: must be 1 to 40 letters, digits, - or _, and not {_RESERVED!r}"
        )
    service = read_key_pair(folder / SERVICE_KEY_NAME)
    clients = _read_clients(folder / CLIENTS_NAME)
    path = folder / f"{name}{KEY_SUFFIX}"
    if name in clients or path.exists():
        raise InputError(f"{folder}: there is a client {name!r} already; remove it first")
    pair = _new_pair()
    heading = f"Secret: whoever has this file is the {role} {name} to the service."
    content = {
        "public": pair.public,
        "secret": pair.secret,
        "service_public": service.public,
    }
    _write_secret(path, heading, {"": content})
    _write_clients(folder, clients | {name: _Client(public=pair.public, role=role)})
    return path


def remove_client(folder: Path, name: str) -> None:
    """Take a client off the list and delete its key file if it is still there.

    Parameters
    ----------
    folder : Path
        Where the keys are.
    name : str
        Of the client.

    Raises
    ------
    InputError
        If there is no such client, or the list cannot be written.
    """
    clients = _read_clients(folder / CLIENTS_NAME)
    if name not in clients:
        there_are = f"there are {', '.join(clients)}" if clients else "there are none"
        raise InputError(f"{folder}: there is no client {name!r}; {there_are}")
    _write_clients(folder, {key: value for key, value in clients.items() if key != name})
    (folder / f"{name}{KEY_SUFFIX}").unlink(missing_ok=True)


def clients_of(folder: Path) -> dict[str, Role]:
    """The clients on the list and their roles; InputError if it cannot be read."""
    return {name: client.role for name, client in _read_clients(folder / CLIENTS_NAME).items()}


# --- reading keys --------------------------------------------------------


def read_key_pair(path: Path) -> KeyPair:
    """The key pair in a file.

    Parameters
    ----------
    path : Path
        The service's or a client's file.

    Returns
    -------
    KeyPair
        Checked to belong together.

    Raises
    ------
    InputError
        If the file cannot be read, others may read it, or it holds no pair.
    """
    return _pair_in(_read_secret(path), path)


def read_client_keys(path: Path) -> ClientKeys:
    """What a client needs to be let in.

    Parameters
    ----------
    path : Path
        Its key file.

    Returns
    -------
    ClientKeys
        Its own pair, and the service's public key.

    Raises
    ------
    InputError
        If the file cannot be read, others may read it, or a key is missing.
    """
    table = _read_secret(path)
    return ClientKeys(
        pair=_pair_in(table, path), service_public=_key_in(table, "service_public", path)
    )


class Access:
    """The service's keys and its list of clients; owned by the sockets.

    Parameters
    ----------
    folder : Path
        Where the keys are.

    Raises
    ------
    InputError
        If the service's key or the list cannot be read.
    """

    def __init__(self, folder: Path) -> None:
        self.pair = read_key_pair(folder / SERVICE_KEY_NAME)
        self._list = folder / CLIENTS_NAME
        self._seen = self._mark()
        self._roles = self._read()
        self.removals = 0  # keys that were taken off the list since
        self.complaint = ""  # about a list that was changed and cannot be read

    def __repr__(self) -> str:
        return f"Access({self._list.parent}, {len(self._roles)} clients)"

    def role_of(self, public: bytes) -> Role | None:
        """What the holder of a public key may do; None: nothing."""
        self.look()
        return self._roles.get(public)

    def look(self) -> None:
        """Read the list again if it has changed; keep what was if it cannot be read."""
        mark = self._mark()
        if mark == self._seen:
            return
        self._seen = mark
        try:
            roles = self._read()
        except InputError as error:
            self.complaint = str(error)
            return
        self.removals += len(self._roles.keys() - roles.keys())
        self._roles, self.complaint = roles, ""

    def _read(self) -> dict[bytes, Role]:
        return {client.public: client.role for client in _read_clients(self._list).values()}

    def _mark(self) -> tuple[int, int, int] | None:
        """What changes when the list is written."""
        try:
            status = self._list.stat()
        except OSError:
            return None
        return status.st_ino, status.st_size, status.st_mtime_ns


# --- files ---------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Client:
    """An entry of the list."""

    public: bytes
    role: Role


def _new_pair() -> KeyPair:
    public, secret = zmq.curve_keypair()
    return KeyPair(public=public, secret=secret)


def _write_clients(folder: Path, clients: dict[str, _Client]) -> None:
    """Write the list beside itself and put it in place at once."""
    new = folder / f"{CLIENTS_NAME}.new"
    new.unlink(missing_ok=True)
    tables = {
        name: {"public": client.public, "role": client.role.value.encode()}
        for name, client in clients.items()
    }
    _write_secret(new, "Who may connect: role is reader or controller.", tables)
    new.replace(folder / CLIENTS_NAME)


def _write_secret(path: Path, heading: str, tables: dict[str, dict[str, bytes]]) -> None:
    """Write a TOML file that nobody else can read at any time."""
    lines = [f"# {heading}"]
    for name, table in tables.items():
        lines.extend(["", f"[{name}]"] if name else [])
        # No character of Z85 has a meaning inside a basic string of TOML.
        lines.extend(f'{key} = "{value.decode("ascii")}"' for key, value in table.items())
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, SECRET_MODE)
        with open(descriptor, "w", encoding="utf-8") as file:
            file.write("\n".join(lines) + "\n")
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise InputError(f"{path}: cannot be written: {error.strerror}") from error


def _read_toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise InputError(f"{path}: is no TOML file: {error}") from error


def _read_secret(path: Path) -> dict[str, Any]:
    """The table in a file that only its owner may read."""
    table = _read_toml(path)
    _refuse_mode(path, 0o077, "others may read this secret")
    return table


def _refuse_mode(path: Path, forbidden: int, why: str) -> None:
    """Raise InputError where others have rights to a file that they must not have."""
    mode = stat.S_IMODE(path.stat().st_mode)
    if os.name == "posix" and mode & forbidden:
        raise InputError(f"{path}: {why} (mode {mode:04o}); chmod 600 it")


def _pair_in(table: dict[str, Any], path: Path) -> KeyPair:
    pair = KeyPair(public=_key_in(table, "public", path), secret=_key_in(table, "secret", path))
    if zmq.curve_public(pair.secret) != pair.public:
        raise InputError(f"{path}: public and secret key do not belong together")
    return pair


def _key_in(table: dict[str, Any], name: str, path: Path) -> bytes:
    """A key of a file."""
    value = table.get(name)
    try:
        if isinstance(value, str) and len(z85.decode(value)) == 32:
            return value.encode("ascii")
    except (ValueError, KeyError):
        pass
    raise InputError(f"{path}: {name}: must be a key of 40 characters (Z85)")


def _read_clients(path: Path) -> dict[str, _Client]:
    """The list; empty if there is no file yet."""
    if not path.exists():
        return {}
    tables = _read_toml(path)
    _refuse_mode(path, 0o022, "others may write this list")
    clients = {}
    for name, table in tables.items():
        if not isinstance(table, dict):
            raise InputError(f"{path}: {name}: must be a table with public and role")
        role = table.get("role")
        if role not in list(Role):
            raise InputError(f"{path}: {name}.role = {role!r}: must be reader or controller")
        clients[name] = _Client(public=_key_in(table, "public", path), role=Role(role))
    return clients
