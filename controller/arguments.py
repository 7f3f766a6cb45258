"""What may be said to `difftone`: its commands, their options, and what these must be."""

from __future__ import annotations

import argparse
import re
from collections.abc import Sequence
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn, TypeAlias

from controller.errors import InputError

if TYPE_CHECKING:
    _Commands: TypeAlias = "argparse._SubParsersAction[_Parser]"

DEFAULT_SCENARIO = "quiet_room"
ALL_SCENARIOS = "all"

LIMITS_SEEDS, QUICK_SEEDS = 20, 3
EXPORT_NAMES = {"csv": "tracks.csv", "hdf5": "log.h5"}
CONFIG_HELP = "TOML file: the instrument and all settings, as in the README"
LOG_HELP = "log.sqlite, or the folder of a run for all pieces of its log"
COMMAND_PORT, LAST_PORT = 8462, 65535  # of a service, as in ServiceSettings; telemetry: one more


class _Parser(argparse.ArgumentParser):
    """A parser whose complaints are the one line of every other error."""

    def error(self, message: str) -> NoReturn:
        """Raise instead of printing the usage."""
        raise InputError(f"{message}; see {self.prog} --help")


def parsed(arguments: Sequence[str] | None) -> argparse.Namespace:
    """The options of one command.

    Parameters
    ----------
    arguments : sequence of str or None
        Without the program's name; None: those of the process.

    Returns
    -------
    argparse.Namespace
        Its options; `command` is its name.

    Raises
    ------
    InputError
        If there is no such command or option, or a value is not what it must be.
    """
    parser = _Parser(prog="difftone", description="Keeps a pump tone on a drifting difference.")
    parser.add_argument("--version", action="version", version=f"difftone {version('difftone')}")
    commands = parser.add_subparsers(
        title="commands", metavar="COMMAND", dest="command", required=True
    )
    for add in (
        _add_rehearse,
        _add_replay,
        _add_run,
        _add_keys,
        _add_serve,
        _add_desk,
        _add_protocols,
        _add_report,
        _add_export,
        _add_design,
        _add_limits,
    ):
        add(commands)
    return parser.parse_args(arguments)


def _add(commands: _Commands, name: str, summary: str, description: str) -> argparse.ArgumentParser:
    """A command: its line in the list of all, and what its own help says beyond that."""
    text = f"{summary[0].upper()}{summary[1:]}. {description}"
    return commands.add_parser(name, help=summary, description=text)


def _add_rehearse(commands: _Commands) -> None:
    rehearse = _add(
        commands, "rehearse", "run on the simulated membrane",
        "Nothing is switched: the whole loop runs on a simulated membrane, as fast as it goes.",
    )  # fmt: skip
    rehearse.add_argument(
        "scenario", nargs="?", default=DEFAULT_SCENARIO, metavar="SCENARIO",
        help=f"name of a shipped scenario or a TOML file (default: {DEFAULT_SCENARIO})",
    )  # fmt: skip
    rehearse.add_argument("--list", action="store_true", help="list the shipped scenarios")
    rehearse.add_argument("--seed", type=_whole_number, metavar="N", help="other random numbers")
    rehearse.add_argument("--duration-s", type=_positive, metavar="S", help="length of the run")
    rehearse.add_argument("--paced", action="store_true", help="in real time")
    _add_protocol_options(rehearse)
    _add_run_options(rehearse)


def _add_replay(commands: _Commands) -> None:
    replay = _add(
        commands, "replay", "follow two lines of a SigMF recording",
        "Without --modes or --config it looks for the two lines itself.",
    )  # fmt: skip
    replay.add_argument("recording", type=Path, metavar="RECORDING", help=".sigmf-meta file")
    replay.add_argument("--modes", type=_two_frequencies, metavar="F1,F2", help="the lines [Hz]")
    replay.add_argument("--config", type=Path, metavar="FILE", help="TOML file with settings")
    _add_run_options(replay)


def _add_run(commands: _Commands) -> None:
    run = _add(
        commands, "run", "run on the instrument of a configuration",
        "Switches real outputs: the bursts that find the modes are as strong as the drives' "
        "channels allow (max_amplitude), or as drive.max_amplitude in the configuration if that "
        "is less. --dry-run with a protocol shows what would be put out.",
    )  # fmt: skip
    run.add_argument("configuration", type=Path, metavar="CONFIG", help=CONFIG_HELP)
    _add_protocol_options(run)
    _add_run_options(run)


def _add_keys(commands: _Commands) -> None:
    keys = _add(
        commands, "keys", "make keys for the live service and its clients",
        "Without an option: make the service's key, where there is none, and list the clients.",
    )  # fmt: skip
    keys.add_argument("folder", type=Path, metavar="FOLDER", help="of the keys; made if absent")
    which = keys.add_mutually_exclusive_group()
    which.add_argument("--reader", metavar="NAME", help="let in a client that may listen and look")
    which.add_argument("--controller", metavar="NAME", help="let in one that may change things")
    which.add_argument("--remove", metavar="NAME", help="let a client in no longer")


def _add_serve(commands: _Commands) -> None:
    serve = _add(
        commands, "serve", "run in real time, for clients to watch and steer",
        "Goes on until somebody ends it: Ctrl-C or SIGTERM turn every tone off and close the log.",
    )  # fmt: skip
    on = serve.add_mutually_exclusive_group(required=True)
    on.add_argument("configuration", type=Path, nargs="?", metavar="CONFIG", help=CONFIG_HELP)
    on.add_argument("--rehearse", metavar="SCENARIO", help="on the simulator, in real time")
    serve.add_argument("--out", type=Path, metavar="DIR", help="(default: runs/NAME-NUMBER)")
    serve.add_argument("--name", metavar="NAME", help="of the service (default: the file's name)")
    serve.add_argument(
        "--port", type=_whole_number, metavar="N",
        help="for commands, the next one for telemetry; 0: any that are free",
    )  # fmt: skip
    serve.add_argument(
        "--start-again", action="store_true",
        help="if it fails or is killed: drives and search as at any start, the pump waits to be "
        "armed, the log goes into the next free folder",
    )  # fmt: skip


def _add_desk(commands: _Commands) -> None:
    desk = _add(
        commands, "desk", "open a window: rehearse, watch and steer, browse logs",
        "Without an option the window asks which of these it shall be.",
    )  # fmt: skip
    shown = desk.add_mutually_exclusive_group()
    shown.add_argument("--rehearse", metavar="SCENARIO", help="begin with a rehearsal")
    shown.add_argument(
        "--connect", type=_address_and_ports, metavar="ADDRESS[:PORT]",
        help="begin with a service; PORT is that of its commands, telemetry on the next one",
    )  # fmt: skip
    shown.add_argument("--log", type=Path, metavar="LOG", help=LOG_HELP)
    desk.add_argument("--keys", type=Path, metavar="FILE", help="of the client, for --connect")
    desk.add_argument("--out", type=Path, metavar="DIR", help="of --rehearse (default: runs/...)")


def _add_protocols(commands: _Commands) -> None:
    _add(
        commands, "protocols", "list the shipped protocols",
        "With their parameters, which --set changes. --protocol NAME --dry-run shows the steps.",
    )  # fmt: skip


def _add_report(commands: _Commands) -> None:
    report = _add(
        commands, "report", "make the report of a log again",
        "Also of a run that was killed.",
    )  # fmt: skip
    report.add_argument("log", type=Path, metavar="LOG", help=LOG_HELP)
    report.add_argument("--out", type=Path, metavar="FILE", help="(default: beside the log)")


def _add_export(commands: _Commands) -> None:
    export = _add(
        commands, "export", "write a log as other files",
        "The log itself is not changed.",
    )  # fmt: skip
    export.add_argument("log", type=Path, metavar="LOG", help=LOG_HELP)
    export.add_argument(
        "--to", choices=list(EXPORT_NAMES), required=True,
        help="csv: the records as a table; hdf5: everything",
    )  # fmt: skip
    export.add_argument("--out", type=Path, metavar="FILE", help="(default: beside the log)")


def _add_design(commands: _Commands) -> None:
    design = _add(
        commands, "design", "print the loop design of a configuration",
        "Gains, noise bandwidth and predicted errors of both loops; nothing is switched.",
    )  # fmt: skip
    design.add_argument("configuration", metavar="CONFIG", help="TOML file or shipped scenario")


def _add_limits(commands: _Commands) -> None:
    limits = _add(
        commands, "limits", "compare the loop with its rivals and the limit",
        "On simulated membranes: errors, coverage of the stated intervals, undetected losses of "
        "lock. Everything takes long; --quick with one regime takes minutes.",
    )  # fmt: skip
    limits.add_argument(
        "scenario", metavar="SCENARIO",
        help=f"name of a shipped scenario, a TOML file, or {ALL_SCENARIOS}",
    )  # fmt: skip
    limits.add_argument(
        "--regimes", metavar="NAME,...", help="what is done to the scenario (default: everything)"
    )
    many = limits.add_mutually_exclusive_group()
    many.add_argument(
        "--seeds", type=_count, default=LIMITS_SEEDS, metavar="N",
        help=f"trials of each regime, from the scenario's own seed on (default: {LIMITS_SEEDS})",
    )  # fmt: skip
    many.add_argument(
        "--quick", dest="seeds", action="store_const", const=QUICK_SEEDS,
        help=f"the same as --seeds {QUICK_SEEDS}",
    )  # fmt: skip
    limits.add_argument("--out", type=Path, metavar="FILE.json", help="every trial, as JSON")
    limits.add_argument("--progress", action="store_true", help="progress without a terminal too")


def _add_protocol_options(parser: argparse.ArgumentParser) -> None:
    """The options of every command that can carry out a protocol."""
    parser.add_argument(
        "--protocol", metavar="P", help="name of a shipped protocol, or a TOML file"
    )
    parser.add_argument(
        "--set", type=_assignment, action="append", default=[], metavar="NAME=VALUE",
        help="another value of one of the protocol's parameters; may be repeated",
    )  # fmt: skip
    parser.add_argument(
        "--dry-run", action="store_true", help="print the protocol's timeline, switch nothing on"
    )


def _add_run_options(parser: argparse.ArgumentParser) -> None:
    """The options of every command that makes a run."""
    parser.add_argument("--out", type=Path, metavar="DIR", help="(default: runs/NAME-NUMBER)")
    shown = parser.add_mutually_exclusive_group()
    shown.add_argument("--quiet", action="store_true", help="no progress, no closing table")
    shown.add_argument("--progress", action="store_true", help="progress without a terminal too")


def _positive(text: str) -> float:
    """A number above 0."""
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not 0.0 < value < float("inf"):
        raise argparse.ArgumentTypeError(f"{text!r}: must be a number above 0")
    return value


def _whole_number(text: str) -> int:
    """A whole number, 0 or more."""
    if not text.isascii() or not text.isdigit():
        raise argparse.ArgumentTypeError(f"{text!r}: must be a whole number, 0 or more")
    return int(text)


def _count(text: str) -> int:
    """A whole number, 1 or more."""
    if not text.isascii() or not text.isdigit() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r}: must be a whole number, 1 or more")
    return int(text)


def _address_and_ports(text: str) -> tuple[str, int, int]:
    """An address, the port of commands, and that of telemetry."""
    found = re.fullmatch(r"(?P<host>\[[0-9A-Fa-f:.]+\]|[^\s:]+)(?::(?P<port>\d{1,5}))?", text)
    port = int(found["port"] or COMMAND_PORT) if found else 0
    if found is None or not 1 <= port < LAST_PORT:
        raise argparse.ArgumentTypeError(
            f"{text!r}: must be an address, or address and port, as in 192.168.1.7:{COMMAND_PORT}"
        )
    return found["host"].strip("[]"), port, port + 1


def _assignment(text: str) -> tuple[str, float]:
    """A name and a number."""
    name, _, value = text.partition("=")
    try:
        number = float(value)
    except ValueError:
        number = float("nan")
    if not name or not abs(number) < float("inf"):
        raise argparse.ArgumentTypeError(f"{text!r}: must be a name and a number, as in decays=3")
    return name, number


def _two_frequencies(text: str) -> tuple[float, float]:
    """Two different frequencies, the lower one first."""
    parts = text.split(",")
    if len(parts) != 2:
        raise argparse.ArgumentTypeError(f"{text!r}: must be two frequencies, as in 501.6,501.8")
    lower_hz, upper_hz = sorted(_positive(part) for part in parts)
    if lower_hz == upper_hz:
        raise argparse.ArgumentTypeError(f"{text!r}: the two frequencies must differ")
    return lower_hz, upper_hz
