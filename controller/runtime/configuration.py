"""Configuration files, and the instrument that one names.

Reads TOML, turns every mistake into one line (file, key, value, what would
be right) and makes the instrument. The settings themselves, with ranges and
defaults, stand in `controller.settings`.
"""

from __future__ import annotations

import difflib
import importlib
import inspect
import json
import os
import sys
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from controller.errors import InputError, InstrumentError
from controller.instrument import Instrument, StreamFormat, ToneChannel, stream_band_hz
from controller.records import ModeId
from controller.settings import Configuration, LoopSettings
from controller.supervisor.configs import check_settings

SHIPPED_INSTRUMENTS: Mapping[str, str] = {
    "simulator": "hardware_sim.simulator:SimulatedMembrane",
    "recording": "controller.runtime.instruments.recording:Recording",
}
"""Short names that `instrument.class` may take; loaded only when named."""

PLAIN_RUN_PROTOCOL = "drift_watch"
"""Lock, pump and watch the drift for `run.duration_s`: what a run does that names no protocol."""

STREAM_DTYPES = ("complex64", "float32", "int16")

# The kinds of pydantic's complaints that speak of a value's range, not of its type.
RANGE_MISTAKES = frozenset(
    {"greater_than", "greater_than_equal", "less_than", "less_than_equal", "finite_number"}
)


def load_configuration(path: Path) -> Configuration:
    """Read and check a configuration or scenario file.

    Parameters
    ----------
    path : Path
        A TOML file with the tables of `controller.settings.Configuration`.

    Returns
    -------
    Configuration
        Every key known and in range, every pair of keys in agreement.

    Raises
    ------
    InputError
        If the file cannot be read, is not TOML, or holds an unknown key or
        an impossible value; one line with file, key, value and remedy.
    """
    return _checked(_read_toml(path), path)


def load_loop_settings(path: Path) -> LoopSettings:
    """Read a configuration for a recording: `[instrument]` may be absent.

    Parameters
    ----------
    path : Path
        A TOML file with the tables of `controller.settings.LoopSettings`.

    Returns
    -------
    LoopSettings
        The loop's tables.

    Raises
    ------
    InputError
        As in `load_configuration`.
    """
    raw = _read_toml(path)
    raw.setdefault("instrument", {"class": "recording"})
    return _checked(raw, path)


def with_overrides(
    configuration: Configuration,
    source: Path,
    *,
    duration_s: float | None = None,
    options: Mapping[str, Any] | None = None,
) -> Configuration:
    """A configuration with values from the command line put in.

    Parameters
    ----------
    configuration : Configuration
        What the file says.
    source : Path
        The file, for messages.
    duration_s : float, optional
        Length of the run [s], > 0.
    options : mapping, optional
        Keyword arguments of the instrument, over those of the file.

    Returns
    -------
    Configuration
        A changed copy.

    Raises
    ------
    InputError
        If the new duration ends before the pump may come on.
    """
    instrument = configuration.instrument.model_copy(
        update={"options": {**configuration.instrument.options, **(options or {})}}
    )
    run = configuration.run
    if duration_s is not None:
        if not duration_s > run.pump_from_s:
            raise InputError(
                f"--duration-s {duration_s:g}: must be greater than run.pump_from_s = "
                f"{run.pump_from_s!r} in {source}"
            )
        run = run.model_copy(update={"duration_s": duration_s})
    changed = configuration.model_copy(update={"instrument": instrument, "run": run})
    _check_agreement(changed, source)
    return changed


def make_instrument(configuration: Configuration, source: Path) -> Instrument:
    """The instrument that a configuration names, checked against its Protocol.

    The configuration's folder and the current directory can be imported
    from, so that a class in a file beside the configuration serves.

    Parameters
    ----------
    configuration : Configuration
        Names the class and its keyword arguments.
    source : Path
        The file it came from, for messages and imports.

    Returns
    -------
    Instrument
        Made, not started.

    Raises
    ------
    InputError
        If the class cannot be imported or made, or lacks a member.
    InstrumentError
        If the class itself reports a fault of its device.
    """
    name = configuration.instrument.class_name
    instrument_class = _import_class(name, source)
    options = configuration.instrument.options
    try:
        inspect.signature(instrument_class).bind(**options)
    except TypeError as error:
        known = ", ".join(_keyword_arguments(instrument_class)) or "none"
        raise InputError(
            f"{source}: instrument.options: {name}: {error}; its options are: {known}"
        ) from error
    try:
        instrument = instrument_class(**options)
    except InputError as error:
        raise InputError(f"{source}: instrument.options: {error}") from error
    except InstrumentError:
        raise
    except Exception as error:  # anybody's class may raise anything
        raise InputError(
            f"{source}: instrument.options: {name} could not be made: {one_line(error)}"
        ) from error
    _check_members(instrument, f"{source}: instrument.class = {name!r}")
    return instrument


def check_fits(settings: LoopSettings, instrument: Instrument, source: Path) -> None:
    """Check that the settings are possible on an instrument.

    Parameters
    ----------
    settings : LoopSettings
        What is asked.
    instrument : Instrument
        What there is.
    source : Path
        The configuration file, for messages.

    Raises
    ------
    InputError
        If a frequency lies outside the stream or a tone channel's range, or
        an amplitude above a channel's limit, or a channel is missing.
    """
    low_hz, high_hz = stream_band_hz(instrument.stream)
    for mode in ModeId:
        key = f"{source}: modes.{mode}.frequency_hz"
        frequency_hz = settings.modes.of(mode).frequency_hz
        _check_within(key, frequency_hz, low_hz, high_hz, "the band of the stream")
        drive = instrument.tones.get(f"drive_{mode}")
        if drive is not None and settings.drive.amplitude_of(mode) > 0.0:
            _check_channel_band(key, frequency_hz, drive)
    if settings.pump.amplitude > 0.0:
        _check_pump_fits(settings, instrument.tones.get("pump"), source)
    try:
        check_settings(settings, instrument.stream, instrument.tones)
    except InputError as error:
        raise InputError(f"{source}: {error}") from error


def _check_pump_fits(settings: LoopSettings, pump: ToneChannel | None, source: Path) -> None:
    """Raise InputError where the pump cannot do what is asked of it."""
    key = f"{source}: pump.amplitude = {settings.pump.amplitude!r}"
    if pump is None:
        raise InputError(f"{key}: the instrument has no channel 'pump'; set it to 0")
    if settings.pump.amplitude > pump.max_amplitude:
        raise InputError(
            f"{key}: the channel gives at most {pump.max_amplitude!r} {pump.amplitude_unit}"
        )
    for edge_hz in settings.pump.difference_window_hz or ():
        _check_channel_band(f"{source}: pump.difference_window_hz", edge_hz, pump)


def one_line(error: BaseException) -> str:
    """An exception's text on one line, or its type's name if it has none."""
    return " ".join(str(error).split()) or type(error).__name__


# --- the file ------------------------------------------------------------


def _read_toml(path: Path) -> dict[str, Any]:
    """The tables of a TOML file."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        reason = error.strerror or one_line(error)
        raise InputError(f"{path}: cannot be read: {reason}") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: is not UTF-8 text; a TOML file is needed") from error
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{path}: is not valid TOML: {one_line(error)}") from error


def _checked(raw: Mapping[str, Any], path: Path) -> Configuration:
    """Settings from tables, or InputError for the first thing that is wrong."""
    try:
        # Through JSON, because only there strict means what a file means by it: a list serves
        # as a pair and an integer as a number, but neither text nor true as a number.
        configuration = Configuration.model_validate_json(json.dumps(raw, default=str), strict=True)
    except ValidationError as error:
        raise InputError(f"{path}: {_first_mistake(error.errors(), raw)}") from error
    _check_agreement(configuration, path)
    return configuration


def _first_mistake(errors: Sequence[ErrorDetails], raw: Mapping[str, Any]) -> str:
    """Key, value and remedy of the first error; an unknown key comes first.

    An unknown key comes first because it is often the reason why another
    one is missing.
    """
    unknown = [error for error in errors if error["type"] == "extra_forbidden"]
    if unknown:
        return _unknown_key(unknown[0]["loc"])
    path = _key_path(errors[0]["loc"])
    dotted = ".".join(path)
    value = _value_at(raw, path)
    if value is None:
        return f"{dotted}: is missing"
    # A key that may be a number or a pair has one error for each of the two.
    mistakes = [error for error in errors if _key_path(error["loc"]) == path]
    takes_pair = any(error["type"] == "tuple_type" or error["loc"] != path for error in mistakes)
    remedy = _remedy(mistakes, takes_pair, isinstance(value, list))
    return f"{dotted} = {json.dumps(value, default=str)}: must be {remedy}"


def _remedy(mistakes: Sequence[ErrorDetails], takes_pair: bool, is_list: bool) -> str:
    """What a value must be instead, from all that was found wrong with it."""
    # An error that speaks of the range, not of the type, is of the kind that was meant.
    for mistake in mistakes:
        if mistake["type"] in RANGE_MISTAKES:
            return mistake["msg"].removeprefix("Input should be ")
    types = {mistake["type"] for mistake in mistakes}
    if types & {"model_type", "dict_type"}:
        return "a table"
    if takes_pair:
        takes_number = len(types) > 1 and not is_list
        return "a number or a list of two numbers" if takes_number else "a list of two numbers"
    return mistakes[0]["msg"].removeprefix("Input should be ")


def _unknown_key(location: Sequence[int | str]) -> str:
    """The message for a key that no table knows, with the nearest known one."""
    path = _key_path(location)
    table: type[BaseModel] = Configuration
    for part in path[:-1]:
        annotation = table.model_fields[part].annotation
        assert isinstance(annotation, type) and issubclass(annotation, BaseModel)
        table = annotation
    known = [field.alias or name for name, field in table.model_fields.items()]
    near = difflib.get_close_matches(path[-1], known, n=1, cutoff=0.5)
    where = f"[{'.'.join(path[:-1])}]" if len(path) > 1 else "the top level"
    remedy = f"did you mean {near[0]}?" if near else f"{where} takes {', '.join(known)}"
    return f"{'.'.join(path)}: unknown key; {remedy}"


def _key_path(location: Sequence[int | str]) -> tuple[str, ...]:
    """The keys of an error's location, without list positions and type names."""
    keys: list[str] = []
    for part in location:
        if not isinstance(part, str) or "[" in part or part == "constrained-float":
            break
        keys.append(part)
    return tuple(keys)


def _value_at(raw: Any, path: Sequence[str]) -> Any:
    """What the file holds at a path of keys."""
    for key in path:
        raw = raw.get(key) if isinstance(raw, Mapping) else None
    return raw


def _check_agreement(configuration: Configuration, source: Path) -> None:
    """Raise InputError where two settings contradict each other."""
    modes, pump, run = configuration.modes, configuration.pump, configuration.run
    lower_hz, upper_hz = modes.lower.frequency_hz, modes.upper.frequency_hz
    if not upper_hz > lower_hz:
        raise InputError(
            f"{source}: modes.upper.frequency_hz = {upper_hz!r}: "
            f"must lie above modes.lower.frequency_hz = {lower_hz!r}"
        )
    if not run.duration_s > run.pump_from_s:
        raise InputError(
            f"{source}: run.duration_s = {run.duration_s!r}: "
            f"must be greater than run.pump_from_s = {run.pump_from_s!r}"
        )
    window_hz = pump.difference_window_hz
    if window_hz is not None and not 0.0 < window_hz[0] < window_hz[1]:
        raise InputError(
            f"{source}: pump.difference_window_hz = {list(window_hz)!r}: "
            "must be two frequencies above 0, the smaller first"
        )


# --- the instrument ------------------------------------------------------


def _import_class(name: str, source: Path) -> Any:
    """The class behind "package.module:Class" or a short name."""
    where = f"{source}: instrument.class = {name!r}"
    module_name, colon, class_name = SHIPPED_INSTRUMENTS.get(name, name).partition(":")
    if not colon or not module_name or not class_name:
        known = ", ".join(SHIPPED_INSTRUMENTS)
        raise InputError(f"{where}: must be 'package.module:Class' or one of {known}")
    for folder in (os.getcwd(), str(source.resolve().parent)):
        if folder not in sys.path:
            sys.path.insert(0, folder)
    try:
        module = importlib.import_module(module_name)
    except Exception as error:  # importing runs anybody's code
        raise InputError(
            f"{where}: cannot import {module_name}: {type(error).__name__}: {one_line(error)}"
        ) from error
    instrument_class = getattr(module, class_name, None)
    if not callable(instrument_class):
        classes = [key for key, value in vars(module).items() if inspect.isclass(value)]
        near = difflib.get_close_matches(class_name, classes, n=1)
        hint = f"; did you mean {near[0]}?" if near else ""
        raise InputError(f"{where}: {module_name} has no class {class_name}{hint}")
    return instrument_class


def _keyword_arguments(instrument_class: Any) -> list[str]:
    """Names of the keyword arguments that a class takes."""
    parameters = inspect.signature(instrument_class).parameters.values()
    return [p.name for p in parameters if p.kind not in (p.VAR_POSITIONAL, p.VAR_KEYWORD)]


def _check_members(instrument: Any, where: str) -> None:
    """Raise InputError naming what an object lacks to be an instrument."""
    methods = ("start", "read", "set_tone", "stop")
    members = ("stream", "tones", "paced", *methods)
    missing = [name for name in members if not hasattr(instrument, name)]
    if missing:
        raise InputError(
            f"{where}: the class lacks {', '.join(missing)}; see controller.instrument"
        )
    for name in methods:
        if not callable(getattr(instrument, name)):
            raise InputError(f"{where}: {name} must be a method")
    _check_stream(instrument.stream, where)
    tones = instrument.tones
    if not isinstance(tones, Mapping):
        raise InputError(f"{where}: tones must be a mapping from names to ToneChannel")
    for name, channel in tones.items():
        if not isinstance(channel, ToneChannel):
            raise InputError(f"{where}: tones[{name!r}] must be a ToneChannel, not {channel!r}")


def _check_stream(stream: Any, where: str) -> None:
    """Raise InputError where a stream's format is impossible."""
    if not isinstance(stream, StreamFormat):
        raise InputError(f"{where}: stream must be a StreamFormat, not {stream!r}")
    for name in ("sample_rate_hz", "metres_per_unit", "full_scale"):
        value = getattr(stream, name)
        if not 0.0 < value < float("inf"):
            raise InputError(f"{where}: stream.{name} = {value!r}: must be a number above 0")
    if stream.dtype not in STREAM_DTYPES:
        raise InputError(
            f"{where}: stream.dtype = {stream.dtype!r}: must be one of {', '.join(STREAM_DTYPES)}"
        )
    if not abs(stream.center_hz) < float("inf"):
        raise InputError(f"{where}: stream.center_hz = {stream.center_hz!r}: must be a number")
    if stream.dtype != "complex64" and stream.center_hz != 0.0:
        raise InputError(
            f"{where}: stream.center_hz = {stream.center_hz!r}: must be 0 for real samples"
        )


def _check_channel_band(key: str, frequency_hz: float, channel: ToneChannel) -> None:
    """Raise InputError for a frequency that a channel cannot put out."""
    what = f"the range of channel {channel.name!r}"
    _check_within(key, frequency_hz, channel.min_frequency_hz, channel.max_frequency_hz, what)


def _check_within(key: str, value_hz: float, low_hz: float, high_hz: float, what: str) -> None:
    """Raise InputError for a frequency outside a range."""
    if not low_hz <= value_hz <= high_hz:
        raise InputError(f"{key} = {value_hz!r}: must lie in {what}, {low_hz!r} to {high_hz!r} Hz")
