"""The language of protocols: its steps, their keys and ranges, and the plan that they make.

A plan comes from the tables of a TOML file (`plan_from_tables`) or is written in
Python with the same names:

    ProtocolPlan(steps=[Find(), Lock(), RingUp(mode="upper", amplitude_m=1e-9), ...])

Here each step is right by itself. What a plan as a whole may ask of an instrument
is checked in `controller.protocol.checks`. Nothing here reads a file.
"""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Annotated, Any, Literal, get_args

from pydantic import (
    BaseModel,
    ConfigDict,
    Discriminator,
    Field,
    Tag,
    ValidationError,
    model_validator,
)
from pydantic_core import ErrorDetails

from controller.errors import InputError
from controller.records import ModeId


class _Table(BaseModel):
    """A table of a protocol: immutable, every key known, no NaN or infinity."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


# --- values ----------------------------------------------------------------

Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$", max_length=64)]


class ValueOf(_Table):
    """A number that stands elsewhere: in `parameters`, or in a sweep around the step."""

    value_of: Name
    times: Annotated[float, Field(strict=True)] = 1.0  # what it is multiplied by


_NUMBER, _REFERENCE = "a number", "a reference"  # no keys, so that they can be told from keys


def _kind_of_number(value: Any) -> str:
    return _REFERENCE if isinstance(value, Mapping | ValueOf) else _NUMBER


_Reference = Annotated[ValueOf, Tag(_REFERENCE)]
Number = Annotated[
    Annotated[float, Field(strict=True), Tag(_NUMBER)] | _Reference,
    Discriminator(_kind_of_number),
]
NotNegative = Annotated[
    Annotated[float, Field(ge=0.0, strict=True), Tag(_NUMBER)] | _Reference,
    Discriminator(_kind_of_number),
]
Positive = Annotated[
    Annotated[float, Field(gt=0.0, strict=True), Tag(_NUMBER)] | _Reference,
    Discriminator(_kind_of_number),
]
Count = Annotated[
    Annotated[int, Field(ge=1, strict=True), Tag(_NUMBER)] | _Reference,
    Discriminator(_kind_of_number),
]
Modes = Literal["lower", "upper", "both"]
Waveform = Literal["sine", "square", "pulses"]
Flag = Annotated[bool, Field(strict=True)]


def modes_in(modes: str) -> tuple[ModeId, ...]:
    """The modes that a step's `mode` names."""
    return tuple(ModeId) if modes == "both" else (ModeId(modes),)


# --- steps -----------------------------------------------------------------


class Step(_Table):
    """What every step has."""

    # under which results show it; empty: its kind
    name: Annotated[str, Field(pattern=r"^([a-z][a-z0-9_]*)?$", max_length=64)] = ""

    @property
    def kind(self) -> str:
        """The word that stands at `step`."""
        return str(type(self).model_fields["step"].default)

    def _has_at_most_one(self, *keys: str) -> None:
        given = self._given(keys)
        if len(given) > 1:
            raise ValueError(f"has {' and '.join(given)}; only one of them can be")

    def _has_one(self, *keys: str) -> None:
        self._has_at_most_one(*keys)
        if not self._given(keys):
            raise ValueError(f"needs one of {', '.join(keys)}")

    def _given(self, keys: Iterable[str]) -> list[str]:
        return [key for key in keys if getattr(self, key) is not None]


class Find(Step):
    """Find both modes."""

    step: Literal["find"] = "find"
    timeout_s: Positive = 120.0


class Lock(Step):
    """Drive the modes as configured, and lock to both."""

    step: Literal["lock"] = "lock"
    timeout_s: Positive = 120.0


class Settle(Step):
    """Wait until the difference is known, or is stable, to a number."""

    step: Literal["settle"] = "settle"
    difference_sigma_hz: Positive | None = None  # the predicted uncertainty has to be below
    allan_deviation_hz: Positive | None = None  # or the Allan deviation of the difference
    averaging_s: Positive | None = None  # at this averaging time
    timeout_s: Positive = 120.0

    @model_validator(mode="after")
    def _has_one_criterion(self) -> Settle:
        self._has_one("difference_sigma_hz", "allan_deviation_hz")
        if (self.allan_deviation_hz is None) != (self.averaging_s is None):
            raise ValueError("allan_deviation_hz and averaging_s go together")
        return self


class RingUp(Step):
    """Drive a mode to an amplitude and hold it there."""

    step: Literal["ring_up"] = "ring_up"
    mode: Modes = "both"
    amplitude_m: Positive | None = None
    amplitude_ratio: Positive | None = None  # of drive.amplitude_m; 1 if neither is given
    timeout_s: Positive = 120.0

    @model_validator(mode="after")
    def _has_one_amplitude(self) -> RingUp:
        self._has_at_most_one("amplitude_m", "amplitude_ratio")
        return self


class Release(Step):
    """Drive off: the mode rings down."""

    step: Literal["release"] = "release"
    mode: Modes = "both"


class Drive(Step):
    """Drive on again, at the amplitude of the last ring-up, or as configured."""

    step: Literal["drive"] = "drive"
    mode: Modes = "both"


class _Timed(Step):
    """A step that lasts as long as it says."""

    duration_s: Positive | None = None
    duration_decays: Positive | None = None  # in amplitude decay times of the slower mode
    duration_exchanges: Positive | None = None  # in periods pi/g of the energy, as configured

    @model_validator(mode="after")
    def _has_one_duration(self) -> _Timed:
        self._has_one("duration_s", "duration_decays", "duration_exchanges")
        return self


class Hold(_Timed):
    """Nothing changes; the modes have to stay locked or followed."""

    step: Literal["hold"] = "hold"
    record: Flag = False


class Record(_Timed):
    """As hold, while basebands are logged at 50 Hz."""

    step: Literal["record"] = "record"


class Wait(_Timed):
    """Let time pass, whatever happens to the lock."""

    step: Literal["wait"] = "wait"
    record: Flag = False


class PumpOn(Step):
    """Pump on at the difference, as soon as all is well; with a duration, off again."""

    step: Literal["pump_on"] = "pump_on"
    amplitude: NotNegative | None = None  # in the channel's unit
    amplitude_ratio: NotNegative | None = None  # of pump.amplitude; 1 if neither is given
    detuning_hz: Number | None = None
    detuning_ratio: Number | None = None  # of the exchange frequency g/pi, as configured
    end_detuning_hz: Number | None = None  # chirped to this within the duration
    end_detuning_ratio: Number | None = None
    chirp_hz_per_s: Number | None = None
    phase_rad: Number = 0.0  # against the phase in which it would come on
    continues: Flag = False  # that phase: the last pump's, as if its tone had never stopped
    waveform: Waveform = "sine"
    pulse_s: Positive | None = None  # width of each pulse
    duration_s: Positive | None = None
    duration_decays: Positive | None = None
    duration_exchanges: Positive | None = None
    record: Flag = False
    timeout_s: Positive = 60.0  # how long it may take to come on

    @model_validator(mode="after")
    def _is_one_pump(self) -> PumpOn:
        self._has_at_most_one("amplitude", "amplitude_ratio")
        self._has_at_most_one("detuning_hz", "detuning_ratio")
        self._has_at_most_one("end_detuning_hz", "end_detuning_ratio", "chirp_hz_per_s")
        durations = ("duration_s", "duration_decays", "duration_exchanges")
        self._has_at_most_one(*durations)
        has_end = bool(self._given(("end_detuning_hz", "end_detuning_ratio", "chirp_hz_per_s")))
        if has_end and not self._given(durations):
            raise ValueError(f"a chirp has to end; it needs one of {', '.join(durations)}")
        if (self.waveform == "pulses") != (self.pulse_s is not None):
            raise ValueError('pulse_s and waveform = "pulses" go together')
        if self.record and not self._given(durations):
            raise ValueError(
                "record = true needs a duration; to record with the pump left on, "
                "put a step record after it"
            )
        return self


class PumpOff(Step):
    """Pump off."""

    step: Literal["pump_off"] = "pump_off"


class Marker(Step):
    """Wait for a mark from outside: a position of a scan, a trigger."""

    step: Literal["marker"] = "marker"
    text: str = ""  # which mark; empty: any
    timeout_s: Positive = 600.0
    required: Flag = True  # false: go on without it after timeout_s
    record: Flag = False


class Repeat(Step):
    """The same steps several times."""

    step: Literal["repeat"] = "repeat"
    times: Count
    steps: Annotated[tuple[AnyStep, ...], Field(min_length=1)]


class Sweep(Step):
    """The same steps for a series of values of one parameter."""

    step: Literal["sweep"] = "sweep"
    parameter: Name
    values: (
        Annotated[
            tuple[Annotated[float, Field(strict=True)], ...],
            Field(min_length=1, max_length=10_000),
        ]
        | None
    ) = None
    start: Annotated[float, Field(strict=True)] | None = None
    stop: Annotated[float, Field(strict=True)] | None = None
    count: Annotated[int, Field(ge=2, le=10_000, strict=True)] | None = None
    steps: Annotated[tuple[AnyStep, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _has_one_series(self) -> Sweep:
        ends = self._given(("start", "stop", "count"))
        if (self.values is None) != (len(ends) == 3) or (self.values is not None and ends):
            raise ValueError("needs either values, or start, stop and count")
        return self

    def series(self) -> tuple[float, ...]:
        """The values, one after the other."""
        if self.values is not None:
            return self.values
        assert self.start is not None and self.stop is not None and self.count is not None
        last = self.count - 1
        # Weighted ends: stop - start may be larger than a float.
        return tuple(
            self.start * ((last - n) / last) + self.stop * (n / last) for n in range(self.count)
        )


PlainStep = (
    Find
    | Lock
    | Settle
    | RingUp
    | Release
    | Drive
    | Hold
    | Record
    | Wait
    | PumpOn
    | PumpOff
    | Marker
)
AnyStep = Annotated[PlainStep | Repeat | Sweep, Field(discriminator="step")]

STEP_TABLES: Mapping[str, type[Step]] = {
    table.model_fields["step"].default: table for table in (*get_args(PlainStep), Repeat, Sweep)
}
"""Every step by its kind."""

Repeat.model_rebuild()
Sweep.model_rebuild()


# --- the plan --------------------------------------------------------------


_Limit = Annotated[float, Field(gt=0.0, strict=True)]


class PulseLimits(_Table):
    """What a protocol's pulses may not exceed, stricter than [pump.pulses]; None: as there."""

    least_width_s: _Limit | None = None
    largest_current_a: _Limit | None = None
    largest_duty: _Limit | None = None
    heat_limit_j: _Limit | None = None


class ProtocolLimits(_Table):
    """What a protocol may not exceed, by its own word; None: no limit."""

    duration_s: _Limit | None = None  # as estimated
    pump_on_s: _Limit | None = None  # in total
    pump_energy_j: _Limit | None = None  # in the coil, total
    pulses: PulseLimits = PulseLimits()


class ProtocolPlan(_Table):
    """A whole protocol, as it is written."""

    title: str = ""
    description: str = ""
    analysis: Name | None = None  # what makes results of it; None: nothing
    retries: Annotated[int, Field(ge=0, le=100, strict=True)] = 2  # of an interrupted step
    limits: ProtocolLimits = ProtocolLimits()
    parameters: dict[Name, Annotated[float, Field(strict=True)]] = Field(default_factory=dict)
    steps: Annotated[tuple[AnyStep, ...], Field(min_length=1)]


def plan_from_tables(tables: Any) -> ProtocolPlan:
    """The plan that the tables of a TOML file mean.

    Parameters
    ----------
    tables : mapping
        What a TOML reader returns.

    Returns
    -------
    ProtocolPlan
        Each step right by itself.

    Raises
    ------
    InputError
        For the first thing that is wrong: the path of its key, as in
        `steps[3].amplitude_m`, its value, and what would be right. An unknown
        key comes first, since it is often the reason why another is missing.
    """
    if not isinstance(tables, Mapping):
        raise InputError("a protocol has to be a table with the key steps")
    try:
        return ProtocolPlan.model_validate(dict(tables))
    except ValidationError as error:
        mistakes = error.errors(include_url=False)
    except RecursionError:
        raise InputError("steps: are nested too deeply; eight levels are plenty") from None
    raise InputError(first_mistake(mistakes, ProtocolPlan))


def with_parameters(plan: ProtocolPlan, values: Mapping[str, float]) -> ProtocolPlan:
    """A plan with other values of its parameters.

    Parameters
    ----------
    plan : ProtocolPlan
        As written.
    values : mapping of str to float
        Finite numbers by name.

    Returns
    -------
    ProtocolPlan
        A changed copy.

    Raises
    ------
    InputError
        If the plan has no such parameter, or a value is no finite number.
    """
    for name in values:
        if name not in plan.parameters:
            raise InputError(f"{quoted_key(name)}: {unknown('parameter', name, plan.parameters)}")
    tables = dict(plan) | {"parameters": {**plan.parameters, **values}}
    return plan_from_tables(tables)


# --- mistakes --------------------------------------------------------------


def first_mistake(mistakes: Sequence[ErrorDetails], table: type[BaseModel]) -> str:
    """Path, value and remedy of the first mistake; unknown keys come first.

    Parameters
    ----------
    mistakes : sequence of ErrorDetails
        What pydantic found, at least one.
    table : type of BaseModel
        The table that was checked.

    Returns
    -------
    str
        One line that begins with the path of the key.
    """
    strange = [mistake for mistake in mistakes if mistake["type"] == "extra_forbidden"]
    mistake = (strange or list(mistakes))[0]
    path, table = _place(mistake["loc"], table)
    kind, value = mistake["type"], mistake.get("input")
    if kind == "extra_forbidden":
        return f"{path}: {unknown('key', str(mistake['loc'][-1]), _keys(table))}"
    if kind == "union_tag_not_found":
        if isinstance(value, Mapping | Step):
            return f"{path}.step: is missing; it is one of {', '.join(STEP_TABLES)}"
        return f"{path} = {_shown(value)}: must be a table with the key step"
    if kind == "union_tag_invalid" and isinstance(value, Mapping):
        word = _shown(value["step"])
        return f"{path}.step = {word}: {unknown('step', word, STEP_TABLES)}"
    if kind == "missing":
        return f"{path}: is missing"
    if kind == "value_error":
        return f"{path}: {mistake['msg'].removeprefix('Value error, ')}"
    if kind == "invalid_key":
        return f"{path}: a key has to be text"
    remedy = _REMEDIES.get(kind) or mistake["msg"].removeprefix("Input should be ")
    if mistake["loc"][-1] == "[key]":
        return f"{path}: must be {remedy}"
    return f"{path or 'the top level'} = {_shown(value)}: must be {remedy}"


_REMEDIES = {
    "string_pattern_mismatch": "a name of small letters, digits and _, a letter first",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "dict_type": "a table",
    "tuple_type": "a list",
    "too_short": "a list with at least one entry",
    "too_long": "a shorter list",
}


def unknown(what: str, word: str, known: Iterable[str]) -> str:
    """'Unknown', with the nearest known word, or all of them.

    Parameters
    ----------
    what : str
        Of which kind the word is.
    word : str
        What was found.
    known : iterable of str
        What would have been right.

    Returns
    -------
    str
        E.g. "unknown step; did you mean ring_up?".
    """
    words = list(known)
    near = difflib.get_close_matches(word, words, n=1, cutoff=0.5)
    if near:
        return f"unknown {what}; did you mean {near[0]}?"
    return f"unknown {what}; there is {', '.join(words) or 'none'}"


def quoted_key(key: object) -> str:
    """A key as it stands in a path: bare, or quoted where it is no plain word."""
    text = str(key)
    is_bare = bool(text) and text.isascii() and text.replace("_", "").replace("-", "").isalnum()
    return text if is_bare else json.dumps(text[:60])


def _place(location: Sequence[int | str], table: type[BaseModel]) -> tuple[str, type[BaseModel]]:
    """Path of a mistake's key, and the table in which the key stands.

    A location names, between its keys, which member of a union was meant: the
    kind of a step after its position in the list, the kind of a number after
    its key.
    """
    path = ""
    position_before = False
    for part in location:
        if isinstance(part, int):
            path += f"[{part}]"
        elif position_before and part in STEP_TABLES:
            table = STEP_TABLES[part]
        elif part == _REFERENCE:
            table = ValueOf
        elif part not in (_NUMBER, "[key]"):
            path += f".{quoted_key(part)}" if path else quoted_key(part)
            field = table.model_fields.get(part)
            inner = field.annotation if field is not None else None
            if isinstance(inner, type) and issubclass(inner, BaseModel):
                table = inner
        position_before = isinstance(part, int)
    return path, table


def _keys(table: type[BaseModel]) -> list[str]:
    """The keys of a table, the kind of a step left out."""
    return [key for key in table.model_fields if key != "step"]


def _shown(value: Any) -> str:
    """A value as a short text on one line."""
    if isinstance(value, Mapping | BaseModel):
        return "{...}"
    if isinstance(value, list | tuple):
        return "[...]" if value else "[]"
    try:
        text = json.dumps(value, default=str)
    except ValueError:  # a whole number of more digits than Python prints
        return "..."
    return text if len(text) <= 60 else f"{text[:57]}..."
