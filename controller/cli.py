"""The command line `difftone`.

Parses, calls the runtime, and turns every ending into an exit status: 0 done,
1 the run failed, 2 bad input. Errors are one line on standard error.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
import traceback
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack, nullcontext
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.arguments import ALL_SCENARIOS, EXPORT_NAMES, LAST_PORT, QUICK_SEEDS, parsed
from controller.errors import DifftoneError, InputError, RunFailed
from controller.runtime.scenarios import scenario_path, shipped_scenarios

if TYPE_CHECKING:
    from controller.instrument import Instrument
    from controller.limits.campaign import RegimeResult
    from controller.protocol.language import ProtocolPlan
    from controller.runtime.runner import Outcome
    from controller.settings import Configuration

RAW_SEEDS_RATIO = 5  # of the seeds, where raw samples make a trial about ten times slower
FIRST_SEED = 1  # of a scenario that names none

DESK_MODULES = frozenset(("PySide6", "shiboken6", "pyqtgraph"))

EXIT_DONE, EXIT_FAILED, EXIT_BAD_INPUT = 0, 1, 2

# The loop multiplies small matrices, for which a second BLAS thread gains nothing; with another
# busy process beside it, it delays blocks by tens of milliseconds. Read by BLAS when numpy is
# first imported, hence the imports inside the commands below.
BLAS_THREAD_VARIABLES = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")

SERVE = (sys.executable, "-m", "controller.cli", "serve")
"""The command for a service in a process of its own."""

TRACEBACK_VARIABLE = "DIFFTONE_TRACEBACK"
"""Set to anything: an internal error also prints where it happened."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    arguments : sequence of str, optional
        Without the program's name; those of the process where absent.

    Returns
    -------
    int
        Exit status: 0 done, 1 the run failed, 2 bad input.
    """
    for variable in BLAS_THREAD_VARIABLES:
        os.environ.setdefault(variable, "1")
    try:
        options = parsed(arguments)
        return COMMANDS[options.command](options)
    except InputError as error:
        return _complain(error, EXIT_BAD_INPUT)
    except DifftoneError as error:
        return _complain(error, EXIT_FAILED)
    except KeyboardInterrupt:
        return _complain("interrupted", EXIT_FAILED)
    except BrokenPipeError:
        # Whoever read our output has gone; what would be flushed at exit must not complain.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_DONE
    except Exception as error:
        if os.environ.get(TRACEBACK_VARIABLE):
            traceback.print_exc()
        reason = f"internal error, a defect of this program: {type(error).__name__}: {error}"
        return _complain(f"{reason} (set {TRACEBACK_VARIABLE}=1 to see where)", EXIT_FAILED)


def _complain(reason: object, status: int) -> int:
    """One line on standard error."""
    print("difftone:", " ".join(str(reason).split()), file=sys.stderr)
    return status


# --- commands ------------------------------------------------------------


def _rehearse(options: argparse.Namespace) -> int:
    """Run on the simulator that a scenario names."""
    if options.list:
        return _list_scenarios()
    from controller.runtime.configuration import load_configuration, with_overrides

    path = scenario_path(options.scenario)
    changes: dict[str, object] = {}
    if options.seed is not None:
        changes["seed"] = options.seed
    if options.paced:
        changes["paced"] = True
    configuration = with_overrides(
        load_configuration(path), path, duration_s=options.duration_s, options=changes
    )
    return _run_configuration(configuration, path, options)


def _run(options: argparse.Namespace) -> int:
    """Run on the instrument that a configuration names."""
    from controller.runtime.configuration import load_configuration

    configuration = load_configuration(options.configuration)
    return _run_configuration(configuration, options.configuration, options)


def _serve(options: argparse.Namespace) -> int:
    """Run in real time, and let clients watch and steer."""
    if options.start_again:
        return _serve_again(options)
    from controller.runtime.configuration import load_configuration, with_overrides
    from controller.service.server import serve

    if options.rehearse is None:
        path = options.configuration
        configuration = load_configuration(path)
    else:
        path = scenario_path(options.rehearse)
        configuration = load_configuration(path)
        configuration = with_overrides(configuration, path, options={"paced": True})
    name = options.name or path.stem
    if options.port is not None:
        configuration = _with_ports(configuration, options.port)
    state = serve(configuration, path, _folder(options, name), name, _announce)
    if state.outcome == "failed":
        raise RunFailed(f"{state.reason}; the log is in {state.folder}")
    return EXIT_DONE


def _serve_again(options: argparse.Namespace) -> int:
    """Have a process of its own do what these options say, and again when it fails."""
    from controller.service.start_again import keep_serving

    if options.rehearse is None:
        name, on = options.name or options.configuration.stem, [str(options.configuration)]
    else:
        name, on = options.name or options.rehearse, ["--rehearse", options.rehearse]
    port = [] if options.port is None else ["--port", str(options.port)]

    def command(start: int) -> list[str]:
        folder = _folder(options, name)
        if options.out is not None and start > 1:
            folder = _next_free(options.out, start)
        return [*SERVE, *on, *port, "--name", name, "--out", str(folder)]

    return keep_serving(name, command, _announce)


def _with_ports(configuration: Configuration, port: int) -> Configuration:
    """A configuration whose service listens on these ports."""
    if port >= LAST_PORT:
        raise InputError(f"--port {port}: must be less than {LAST_PORT}")
    ports = {"command_port": port, "telemetry_port": port + 1 if port else 0}
    service = configuration.service.model_copy(update=ports)
    return configuration.model_copy(update={"service": service})


def _desk(options: argparse.Namespace) -> int:
    """Open the window."""
    from controller.runtime.configuration import load_configuration
    from controller.runtime.log.reader import LogReader

    if options.keys is not None and options.connect is None:
        raise InputError("--keys: is for --connect alone")
    if options.out is not None and options.rehearse is None:
        raise InputError("--out: is for --rehearse alone")
    if options.rehearse is not None:
        load_configuration(scenario_path(options.rehearse))  # better now than in the window
        if not _has_display():
            _announce("desk: there is no display here, so the rehearsal goes on in the terminal")
            out = [] if options.out is None else ["--out", str(options.out)]
            return main(["rehearse", options.rehearse, *out])
    if options.log is not None:
        LogReader(options.log).close()  # likewise
    desk = _desk_module()
    address = None
    if options.connect is not None:
        host, commands, telemetry = options.connect
        address = desk.Address(
            host=host, command_port=commands, telemetry_port=telemetry, keys=options.keys
        )
    out = [] if options.out is None else ["--out", str(options.out)]

    def command(scenario: str) -> list[str]:
        return [*SERVE, "--port", "0", "--rehearse", scenario, *out]

    scenarios = {name: load_configuration(path).title for name, path in shipped_scenarios().items()}
    return int(
        desk.open_desk(
            desk.Rehearsals(scenarios=scenarios, command=command),
            scenario=options.rehearse,
            address=address,
            log=options.log,
        )
    )


def _has_display() -> bool:
    """Whether a window can be shown, as far as can be seen without trying."""
    variables = ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")
    return sys.platform != "linux" or any(map(os.environ.get, variables))


def _desk_module() -> Any:
    """The window's package, which nothing else here needs."""
    if not _has_display():
        raise InputError(
            "desk: there is no display here; where there is one, --connect ADDRESS shows a service"
        )
    try:
        return import_module("gui.desk")
    except ModuleNotFoundError as error:
        if (error.name or "").split(".")[0] not in DESK_MODULES:
            raise
        raise InputError(
            f"desk: {error.name} is missing; install the extra: pip install 'difftone[desktop]'"
        ) from None
    except ImportError as error:
        raise InputError(
            f"desk: a library of the system is missing ({error}); "
            "the README says which packages bring them"
        ) from None


def _announce(text: str) -> None:
    """Print a line for whoever started a service, be it through a pipe."""
    print(text, flush=True)


def _run_configuration(
    configuration: Configuration, path: Path, options: argparse.Namespace
) -> int:
    """Make the instrument and run on it."""
    from controller.protocol.timeline import flattened
    from controller.runtime.configuration import check_fits, make_instrument
    from controller.runtime.loop import no_requests
    from controller.runtime.runner import run
    from controller.runtime.terminal import TerminalProgress
    from controller.runtime.terminal_keys import KEYS_HELP, terminal_keys

    instrument = make_instrument(configuration, path)
    check_fits(configuration, instrument, path)
    plan = _plan(configuration, path, instrument, options)
    if options.dry_run:
        return _show_timeline(plan, configuration, instrument)
    folder = _folder(options, path.stem)
    began_s = time.monotonic()
    length_s = configuration.run.duration_s
    if plan is not None:
        length_s = flattened(plan, configuration)[-1].end_s
    with ExitStack() as stack:
        progress, keys = None, None
        if plan is not None and instrument.paced and not options.quiet:
            keys = stack.enter_context(terminal_keys())
        if keys is not None:
            print(KEYS_HELP, file=sys.stderr)
        if not options.quiet:
            progress = stack.enter_context(TerminalProgress(length_s, force=options.progress))
        outcome = run(
            configuration,
            folder,
            instrument=instrument,
            protocol=plan,
            progress=progress,
            requests=keys or no_requests,
        )
    return _close(path.stem, outcome, time.monotonic() - began_s, options)


def _plan(
    configuration: Configuration, path: Path, instrument: Instrument, options: argparse.Namespace
) -> ProtocolPlan | None:
    """The protocol that is asked for, checked; None: a run without one."""
    from controller.runtime.configuration import PLAIN_RUN_PROTOCOL
    from controller.runtime.protocols import protocol_file, shipped_protocols

    name = options.protocol
    configured = configuration.run.protocol
    if name is None and configured not in (None, PLAIN_RUN_PROTOCOL):
        beside = path.parent / configured
        name = str(beside) if beside.is_file() else configured
        if not Path(name).is_file() and name not in shipped_protocols():
            raise InputError(
                f"{path}: run.protocol = {configured!r}: neither a shipped protocol nor a file; "
                f"there are {', '.join(shipped_protocols())}"
            )
    if name is None:
        if options.set:
            raise InputError("--set: needs a protocol, as in --protocol exchange")
        return None
    return protocol_file(name).for_run(configuration, instrument, dict(options.set))


def _show_timeline(
    plan: ProtocolPlan | None, configuration: Configuration, instrument: Instrument
) -> int:
    """Print what a protocol would do."""
    from controller.protocol.timeline import dry_run_text

    if plan is None:
        raise InputError("--dry-run: needs a protocol, as in --protocol exchange")
    print(dry_run_text(plan, configuration, instrument.tones))
    return EXIT_DONE


def _keys(options: argparse.Namespace) -> int:
    """Make keys, or say which clients there are."""
    from controller.service.access import (
        SERVICE_KEY_NAME,
        Role,
        clients_of,
        make_client_key,
        make_service_key,
        remove_client,
    )

    folder = options.folder
    if options.remove is not None:
        remove_client(folder, options.remove)
        print(f"{options.remove} is let in no longer")
        return EXIT_DONE
    if make_service_key(folder):
        print(f"{folder / SERVICE_KEY_NAME}: the service's key, which stays on its machine")
    for role, name in ((Role.READER, options.reader), (Role.CONTROLLER, options.controller)):
        if name is not None:
            print(f"{make_client_key(folder, name, role)}: to be taken to the client, secretly")
    for name, role in clients_of(folder).items():
        print(f"{name}  {role}")
    return EXIT_DONE


def _protocols(options: argparse.Namespace) -> int:
    """Print names and titles of the shipped protocols."""
    from controller.runtime.protocols import protocol_file, shipped_protocols

    names = shipped_protocols()
    width = max(map(len, names))
    for name in names:
        plan = protocol_file(name).plan
        parameters = ", ".join(f"{key}={value:g}" for key, value in plan.parameters.items())
        print(f"{name:<{width}}  {plan.title}{f' ({parameters})' if parameters else ''}")
    return EXIT_DONE


def _replay(options: argparse.Namespace) -> int:
    """Follow the two lines of a recording."""
    from controller.runtime.configuration import load_loop_settings
    from controller.runtime.instruments.recording import Recording
    from controller.runtime.runner import replay
    from controller.runtime.terminal import TerminalProgress

    settings = None if options.config is None else load_loop_settings(options.config)
    recording = Recording(options.recording)
    _check_in_stream(options.modes, recording)
    name = options.recording.name.removesuffix(".sigmf-meta").removesuffix(".sigmf-data")
    folder = _folder(options, name)
    began_s = time.monotonic()
    with (
        nullcontext()
        if options.quiet
        else TerminalProgress(recording.length_s, force=options.progress) as progress
    ):
        outcome = replay(
            recording, folder, modes_hz=options.modes, settings=settings, progress=progress
        )
    return _close(name, outcome, time.monotonic() - began_s, options)


def _report(options: argparse.Namespace) -> int:
    """Make the report of a log again."""
    from controller.runtime.outputs import write_report

    print(write_report(options.log, options.out))
    return EXIT_DONE


def _export(options: argparse.Namespace) -> int:
    """Write a log as a table of records, or as HDF5."""
    from controller.runtime.log.export import write_tracks_csv
    from controller.runtime.log.hdf5 import write_hdf5
    from controller.runtime.log.pieces import beside
    from controller.runtime.log.reader import LogReader

    target = options.out or beside(options.log, EXPORT_NAMES[options.to])
    with LogReader(options.log) as reader:
        (write_tracks_csv if options.to == "csv" else write_hdf5)(reader, target)
    print(target)
    return EXIT_DONE


def _design(options: argparse.Namespace) -> int:
    """Print the loop design of a configuration."""
    from controller.runtime.configuration import load_loop_settings
    from controller.tracking.design import design_report

    print(design_report(load_loop_settings(scenario_path(options.configuration))), end="")
    return EXIT_DONE


def _limits(options: argparse.Namespace) -> int:
    """Compare the loop with its rivals and with the limit, over many seeds."""
    from controller.limits.campaign import document, legend
    from controller.limits.regimes import REGIMES, regimes_named
    from controller.runtime.configuration import load_configuration
    from controller.runtime.summary import write_summary

    names = list(REGIMES) if options.regimes is None else options.regimes.split(",")
    regimes = [regime.name for regime in regimes_named([name.strip() for name in names])]
    if options.out is not None:
        _check_writable(options.out)
    is_all = options.scenario == ALL_SCENARIOS
    paths = list(shipped_scenarios().values()) if is_all else [scenario_path(options.scenario)]
    scenarios = {path: load_configuration(path) for path in paths}
    seeds = {
        path: _seeds(configuration, path, options.seeds, fewer_if_raw=is_all)
        for path, configuration in scenarios.items()
    }
    results = _campaigns(scenarios, regimes, seeds, options)
    print(legend(regimes))
    if options.out is not None:
        named = {path.stem: (scenarios[path], of_path) for path, of_path in results.items()}
        write_summary(document(named), options.out)
    if not any(result.done for of_path in results.values() for result in of_path.values()):
        raise RunFailed("every trial failed")
    return EXIT_DONE


# --- pieces of commands --------------------------------------------------


def _seeds(
    configuration: Configuration, path: Path, count: int, *, fewer_if_raw: bool
) -> Sequence[int]:
    """The seeds of a scenario's trials, from its own one on."""
    from controller.limits.trial import simulated_instrument

    stream = simulated_instrument(configuration, path).stream
    if fewer_if_raw and not stream.dtype.startswith("complex"):
        count = min(count, max(QUICK_SEEDS, count // RAW_SEEDS_RATIO))
    first = configuration.instrument.options.get("seed", FIRST_SEED)
    return range(first, first + count)


def _campaigns(
    scenarios: Mapping[Path, Configuration],
    regimes: Sequence[str],
    seeds: Mapping[Path, Sequence[int]],
    options: argparse.Namespace,
) -> dict[Path, dict[str, RegimeResult]]:
    """The results of each scenario by regime; each table is printed when it is done."""
    from tqdm import tqdm

    from controller.limits.campaign import run_campaign, table

    results = {}
    with tqdm(
        total=len(regimes) * sum(map(len, seeds.values())),
        disable=False if options.progress else None,
        dynamic_ncols=True,
        bar_format="{percentage:3.0f} % {n}/{total} trials, {remaining} to go{postfix}",
    ) as bar:
        for path, configuration in scenarios.items():
            bar.set_postfix_str(path.stem)
            results[path] = run_campaign(
                configuration,
                path,
                regimes=regimes,
                seeds=seeds[path],
                progress=lambda _: bar.update(),
            )
            text = f"{path.stem}, {len(seeds[path])} trials of each regime"
            text += f", seeds from {seeds[path][0]} on"
            if len(seeds[path]) < options.seeds:
                text += " (fewer: a trial with raw samples takes about ten times as long)"
            bar.clear()
            print(f"{text}\n\n{table(results[path])}\n", flush=True)
    return results


def _check_writable(path: Path) -> None:
    """Raise InputError for a file that could not be written in the end."""
    if path.is_dir() or not os.access(path.parent, os.W_OK):
        raise InputError(f"--out {path}: cannot be written; a file in an existing folder is needed")


def _list_scenarios() -> int:
    """Print names and titles of the shipped scenarios."""
    from controller.runtime.configuration import load_configuration

    scenarios = shipped_scenarios()
    width = max(map(len, scenarios))
    for name, path in scenarios.items():
        print(f"{name:<{width}}  {load_configuration(path).title}")
    return EXIT_DONE


def _folder(options: argparse.Namespace, name: str) -> Path:
    """The folder of a run: the one asked for, or the next free one of its name."""
    if options.out is not None:
        return options.out
    return _next_free(Path("runs", name), 1)


def _next_free(folder: Path, number: int) -> Path:
    """The first of FOLDER-NUMBER, FOLDER-(NUMBER + 1), ... that does not exist."""
    while (numbered := folder.with_name(f"{folder.name}-{number}")).exists():
        number += 1
    return numbered


def _check_in_stream(modes_hz: tuple[float, float] | None, instrument: Instrument) -> None:
    """Raise InputError for a line that the stream does not carry."""
    from controller.instrument import stream_band_hz

    low_hz, high_hz = stream_band_hz(instrument.stream)
    for mode_hz in modes_hz or ():
        if not low_hz < mode_hz < high_hz:
            raise InputError(
                f"--modes: {mode_hz!r} Hz lies outside the recording's band, "
                f"{low_hz!r} to {high_hz!r} Hz"
            )


def _close(name: str, outcome: Outcome, wall_s: float, options: argparse.Namespace) -> int:
    """Print the closing table, and the reason of a run that failed."""
    from controller.runtime.terminal import closing_table

    if not options.quiet:
        print(closing_table(name, outcome, wall_s))
    if outcome.status != EXIT_DONE:
        raise RunFailed(f"{outcome.reason}; the log is {outcome.folder / 'log.sqlite'}")
    return EXIT_DONE


COMMANDS: dict[str, Callable[[argparse.Namespace], int]] = {
    "rehearse": _rehearse,
    "replay": _replay,
    "run": _run,
    "keys": _keys,
    "serve": _serve,
    "desk": _desk,
    "protocols": _protocols,
    "report": _report,
    "export": _export,
    "design": _design,
    "limits": _limits,
}


if __name__ == "__main__":
    sys.exit(main())
