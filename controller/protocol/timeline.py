"""The timeline of a protocol: its steps one after the other, with times that are estimated.

Repeats and sweeps are unrolled, names become numbers, and what is relative to the
configuration (ratios, decay times, exchanges) becomes absolute.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from pydantic import ValidationError

from controller.errors import InputError
from controller.instrument import ToneChannel
from controller.protocol.language import (
    Drive,
    Find,
    Lock,
    Marker,
    PlainStep,
    ProtocolPlan,
    PumpOn,
    Record,
    Release,
    Repeat,
    RingUp,
    Settle,
    Step,
    Sweep,
    ValueOf,
    first_mistake,
    modes_in,
    unknown,
)
from controller.records import ModeId
from controller.settings import LoopSettings
from controller.signal.waveforms import fundamental_factor
from controller.supervisor.configs import (
    DRIVE_NAMES,
    PUMP_NAME,
    decay_rate_per_s,
    driven_channels,
)
from controller.supervisor.drive import APPROACH_S
from controller.supervisor.searching import LOOK_S

MOST_STEPS = 20_000  # arbitrary: a scan of 100 by 100 points with two steps each

LONGEST_S = 1.0e8  # arbitrary: three years

# Guesses, where only the run itself will tell.
LOCK_S = 5.0  # both loops pull in
SETTLE_S = 10.0  # until the difference is known to a millihertz
LEAST_AVERAGES = 3.0  # an Allan deviation needs a few averaging times
# At its limit a drive could hold this many times the configured amplitude.
DRIVE_RESERVE = 10.0
APPROACHES = 3.0  # time constants of the amplitude control, until a mode counts as held

LONGEST_TABLE = 60  # rows; of longer ones the middle is left out
SHOWN_FIRST, SHOWN_LAST = 45, 10

Parameter = float | str | bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedStep:
    """One plain step as it will be carried out."""

    number: int  # in the order of execution, from 1
    path: str  # where it is written, e.g. "steps[3].steps[0]"
    kind: str
    name: str  # its own, or its kind
    title: str  # what it does, in a few words
    parameters: Mapping[str, Parameter]  # plain values by key; swept ones under their names
    start_s: float  # estimate, from the start of the protocol
    duration_s: float  # estimate
    is_recorded: bool  # basebands are logged meanwhile

    @property
    def is_instant(self) -> bool:
        """Whether there is nothing to wait for."""
        return self.kind == "release"

    @property
    def end_s(self) -> float:
        """Estimate of when it is done [s]."""
        return self.start_s + self.duration_s


def flattened(
    plan: ProtocolPlan, settings: LoopSettings, pump_unit: str = ""
) -> tuple[PlannedStep, ...]:
    """All steps of a plan in the order in which they will be carried out.

    Parameters
    ----------
    plan : ProtocolPlan
        As written.
    settings : LoopSettings
        What the modes and the pump are, for what is relative to them and for
        the estimated times.
    pump_unit : str
        Unit of the pump's amplitude in the titles; empty: none is said.

    Returns
    -------
    tuple of PlannedStep
        Each with plain values. A `ring_up` of both modes whose amplitudes
        differ becomes two steps. `timeout_s` of a pump with a duration
        includes the duration.

    Raises
    ------
    InputError
        If a name means nothing, a value that a name brings is out of range,
        something relative to the configuration lacks it there, or there are
        too many steps or they take too long.
    """
    estimate = _Estimate(settings)
    planned: list[PlannedStep] = []
    for path, step, named in _unrolled(plan.steps, "steps", plan.parameters, {}):
        for part in _parts(step, path, settings):
            own = _own_parameters(part, path, settings)
            parameters = {**named, **own}
            start_s = estimate.now_s
            duration_s = estimate.advance(part, parameters)
            if estimate.now_s > LONGEST_S:
                raise InputError(f"{path}: the protocol would take more than {LONGEST_S:g} s")
            planned.append(
                PlannedStep(
                    number=len(planned) + 1,
                    path=path,
                    kind=part.kind,
                    name=part.name or part.kind,
                    title=_title(part, own, pump_unit),
                    parameters=parameters,
                    start_s=start_s,
                    duration_s=duration_s,
                    is_recorded=isinstance(part, Record) or bool(own.get("record")),
                )
            )
            if len(planned) > MOST_STEPS:
                raise InputError(f"{path}: the protocol has more than {MOST_STEPS} steps in all")
    return tuple(planned)


# --- repeats, sweeps and names -----------------------------------------------

_Unrolled = tuple[str, PlainStep, Mapping[str, float]]


def _unrolled(
    steps: tuple[Step, ...], at: str, named: Mapping[str, float], swept: Mapping[str, float]
) -> Iterator[_Unrolled]:
    """Path, step with numbers in place of names, and the swept values; in order."""
    for position, written in enumerate(steps):
        path = f"{at}[{position}]"
        step = _with_numbers(written, path, {**named, **swept})
        if isinstance(step, Repeat):
            assert isinstance(step.times, int)
            for _ in range(step.times):
                yield from _unrolled(step.steps, f"{path}.steps", named, swept)
        elif isinstance(step, Sweep):
            for value in step.series():
                inner = {**swept, step.parameter: value}
                yield from _unrolled(step.steps, f"{path}.steps", named, inner)
        else:
            yield path, step, swept


def _with_numbers(step: Step, path: str, named: Mapping[str, float]) -> PlainStep | Repeat | Sweep:
    """A step whose names have been replaced by what they mean, checked again."""
    references = {key: value for key, value in step if isinstance(value, ValueOf)}
    if not references:
        return step  # type: ignore[return-value]  # every Step in a plan is one of these
    values: dict[str, float | int] = {}
    for key, reference in references.items():
        if reference.value_of not in named:
            raise InputError(f"{path}.{key}: {unknown('name', reference.value_of, named)}")
        number = named[reference.value_of] * reference.times
        is_whole = key == "times" and number.is_integer()
        values[key] = int(number) if is_whole else number
    try:
        return type(step).model_validate({**dict(step), **values})  # type: ignore[return-value]
    except ValidationError as error:
        mistake = first_mistake(error.errors(include_url=False), type(step))
        names = ", ".join(reference.value_of for reference in references.values())
        raise InputError(f"{path}.{mistake} (from {names})") from error


# --- absolute values ---------------------------------------------------------


def _parts(step: PlainStep, path: str, settings: LoopSettings) -> tuple[PlainStep, ...]:
    """A ring-up of both modes in two, where their amplitudes differ; else the step itself."""
    if not isinstance(step, RingUp) or step.mode != "both" or step.amplitude_m is not None:
        return (step,)
    lower_m, upper_m = (settings.drive.amplitude_of(mode) for mode in ModeId)
    if lower_m == upper_m:
        return (step,)
    return tuple(step.model_copy(update={"mode": mode.value}) for mode in ModeId)


def _own_parameters(step: PlainStep, path: str, settings: LoopSettings) -> dict[str, Parameter]:
    """The keys of a step that have a value, and what follows from them."""
    values: dict[str, Parameter] = {
        key: value
        for key, value in step
        if key not in ("step", "name") and value is not None and not isinstance(value, ValueOf)
    }
    if isinstance(step, RingUp):
        values["amplitude_m"] = _held_amplitude_m(step, values, path, settings)
    elif isinstance(step, PumpOn):
        _complete_pump(values, path, settings)
    elif "duration_decays" in values or "duration_exchanges" in values:
        values["duration_s"] = _duration_s(values, path, settings, settings.pump.amplitude)
    for key, value in values.items():
        if isinstance(value, float) and not math.isfinite(value):
            raise InputError(f"{path}.{key}: comes to {value}, which is no finite number")
    return values


def _held_amplitude_m(
    step: RingUp, values: Mapping[str, Parameter], path: str, settings: LoopSettings
) -> float:
    if "amplitude_m" in values:
        return float(values["amplitude_m"])
    configured_m = settings.drive.amplitude_of(modes_in(step.mode)[0])
    if configured_m == 0.0:
        raise InputError(
            f"{path}.amplitude_ratio: drive.amplitude_m is 0 for the mode ({step.mode}); "
            "give amplitude_m"
        )
    return configured_m * float(values.get("amplitude_ratio", 1.0))


def _complete_pump(values: dict[str, Parameter], path: str, settings: LoopSettings) -> None:
    """Amplitude, detuning, chirp and duration of a pump as absolute numbers."""
    if "amplitude" not in values:
        if settings.pump.amplitude == 0.0:
            raise InputError(f"{path}.amplitude: is missing, and so is pump.amplitude; give one")
        values["amplitude"] = settings.pump.amplitude * float(values.get("amplitude_ratio", 1.0))
    amplitude, waveform = float(values["amplitude"]), str(values["waveform"])
    if waveform != "sine":
        pulse_turns = float(values.get("pulse_s", 0.0)) * nominal_difference_hz(settings)
        amplitude *= abs(fundamental_factor(waveform, pulse_turns))
    for end in ("", "end_"):
        if f"{end}detuning_ratio" in values:
            exchange_hz = _exchange_hz(f"{path}.{end}detuning_ratio", settings, amplitude)
            values[f"{end}detuning_hz"] = float(values[f"{end}detuning_ratio"]) * exchange_hz
    values.setdefault("detuning_hz", 0.0)
    if any(key.startswith("duration_") for key in values):
        duration_s = _duration_s(values, path, settings, amplitude)
        values["duration_s"] = duration_s
        values["timeout_s"] = float(values["timeout_s"]) + duration_s
        if "end_detuning_hz" in values:
            span_hz = float(values["end_detuning_hz"]) - float(values["detuning_hz"])
            values["chirp_hz_per_s"] = span_hz / duration_s
    values.setdefault("chirp_hz_per_s", 0.0)


def _duration_s(
    values: Mapping[str, Parameter], path: str, settings: LoopSettings, amplitude: float
) -> float:
    """Length of a timed step; `amplitude` is that of the sine which couples as the pump does."""
    if "duration_decays" in values:
        slower_s = max(decay_time_s(settings, mode) for mode in ModeId)
        return float(values["duration_decays"]) * slower_s
    if "duration_exchanges" in values:
        exchange_hz = _exchange_hz(f"{path}.duration_exchanges", settings, amplitude)
        return float(values["duration_exchanges"]) / exchange_hz
    return float(values["duration_s"])


def _exchange_hz(key: str, settings: LoopSettings, amplitude: float) -> float:
    """g / pi: how often the energy goes there and back in a second [Hz]."""
    coupling_hz_per_unit = settings.pump.coupling_hz_per_unit
    if not coupling_hz_per_unit or amplitude == 0.0:
        what = "the pump's amplitude is 0" if coupling_hz_per_unit else "the coupling is not known"
        raise InputError(
            f"{key}: {what}; set pump.coupling_hz_per_unit and an amplitude, "
            "or give seconds and hertz"
        )
    return 2.0 * abs(coupling_hz_per_unit) * amplitude


def nominal_difference_hz(settings: LoopSettings) -> float:
    """The difference as far as it is known before the modes are found [Hz]."""
    return settings.modes.upper.frequency_hz - settings.modes.lower.frequency_hz


def decay_time_s(settings: LoopSettings, mode: ModeId) -> float:
    """Amplitude decay time of a mode, 2 / gamma, as configured [s]."""
    return 2.0 / decay_rate_per_s(settings, mode, settings.modes.of(mode).frequency_hz)


# --- estimated times -----------------------------------------------------------


class _Estimate:
    """Time and amplitudes as they will be, roughly, after each step.

    Released modes decay; what the pump carries between them is left out.
    """

    def __init__(self, settings: LoopSettings) -> None:
        self._settings = settings
        self.now_s = 0.0
        self._well_from_s = 0.0  # since when the pump might come on
        self._amplitude_m = dict.fromkeys(ModeId, 0.0)
        self._target_m = {mode: settings.drive.amplitude_of(mode) for mode in ModeId}
        self._released = set(ModeId)

    def advance(self, step: PlainStep, parameters: Mapping[str, Parameter]) -> float:
        """Let a step go by; how long it takes [s]."""
        duration_s = self._duration_s(step, parameters)
        self.now_s += duration_s
        for mode in self._released:
            self._amplitude_m[mode] *= math.exp(-duration_s / decay_time_s(self._settings, mode))
        if isinstance(step, Lock):
            self._well_from_s = self.now_s
        return duration_s

    def _duration_s(self, step: PlainStep, parameters: Mapping[str, Parameter]) -> float:
        settings = self._settings
        if isinstance(step, Find):
            return LOOK_S + settings.drive.ping_s + settings.drive.listen_s
        if isinstance(step, Lock):
            return LOCK_S + self._ring_up_s(tuple(ModeId))
        if isinstance(step, Settle):
            return max(SETTLE_S, LEAST_AVERAGES * float(parameters.get("averaging_s", 0.0)))
        if isinstance(step, RingUp | Drive):
            modes = modes_in(step.mode)
            if isinstance(step, RingUp):
                self._target_m |= dict.fromkeys(modes, float(parameters["amplitude_m"]))
            return self._ring_up_s(modes)
        if isinstance(step, Release):
            self._released |= set(modes_in(step.mode))
            return 0.0
        if isinstance(step, PumpOn):
            return self._until_pump_s() + float(parameters.get("duration_s", 0.0))
        if isinstance(step, Marker):
            return float(parameters["timeout_s"])
        return float(parameters.get("duration_s", 0.0))

    def _ring_up_s(self, modes: tuple[ModeId, ...]) -> float:
        """Until all these modes are held; from here on they are.

        At its limit the drive pulls the amplitude exponentially towards what
        it could hold, upwards or, turned round, downwards.
        """
        longest_s = 0.0
        for mode in modes:
            before_m, target_m = self._amplitude_m[mode], self._target_m[mode]
            configured_m = self._settings.drive.amplitude_of(mode)
            limit_m = DRIVE_RESERVE * max(configured_m, target_m)
            if limit_m > 0.0 and before_m != target_m:
                sign = math.copysign(1.0, target_m - before_m)
                ratio = (limit_m - sign * before_m) / (limit_m - sign * target_m)
                at_limit_s = decay_time_s(self._settings, mode) * math.log(max(ratio, 1.0))
                longest_s = max(longest_s, at_limit_s + APPROACHES * APPROACH_S)
            self._amplitude_m[mode] = target_m
            if target_m > 0.0:
                self._released.discard(mode)
        return longest_s

    def _until_pump_s(self) -> float:
        """Until the pump may come on [s]."""
        return max(0.0, self._well_from_s + self._settings.pump.healthy_s - self.now_s)


# --- in words --------------------------------------------------------------------


def _title(step: Step, parameters: Mapping[str, Parameter], pump_unit: str) -> str:
    """What a step does, in a few words."""
    words = f"{step.name}: {step.kind}" if step.name else step.kind
    mode = str(parameters.get("mode", ""))
    if isinstance(step, RingUp):
        return f"{words} {mode} to {float(parameters['amplitude_m']):.3g} m"
    if isinstance(step, Settle):
        return f"{words} {_settle_words(parameters)}"
    if isinstance(step, PumpOn):
        return f"{words} {_pump_words(parameters, pump_unit)}"
    if isinstance(step, Marker):
        wait = "at most" if parameters["required"] else "or"
        mark = repr(parameters["text"]) if parameters["text"] else "any"
        return f"{words} {mark}, {wait} {float(parameters['timeout_s']):g} s"
    if mode:
        return f"{words} {mode}"
    if "duration_s" in parameters:
        return f"{words} {float(parameters['duration_s']):.4g} s"
    return words


def _settle_words(parameters: Mapping[str, Parameter]) -> str:
    if "difference_sigma_hz" in parameters:
        return f"until the difference is known to {float(parameters['difference_sigma_hz']):g} Hz"
    return (
        f"until the Allan deviation at {float(parameters['averaging_s']):g} s "
        f"is below {float(parameters['allan_deviation_hz']):g} Hz"
    )


def _pump_words(parameters: Mapping[str, Parameter], unit: str) -> str:
    words = [f"{parameters['waveform']} of {float(parameters['amplitude']):.4g} {unit}".rstrip()]
    if "pulse_s" in parameters:
        words.append(f"pulses of {float(parameters['pulse_s']):g} s")
    if parameters["detuning_hz"]:
        words.append(f"detuned by {float(parameters['detuning_hz']):.4g} Hz")
    if parameters["chirp_hz_per_s"]:
        words.append(f"chirp {float(parameters['chirp_hz_per_s']):.4g} Hz/s")
    if parameters["phase_rad"]:
        words.append(f"phase {float(parameters['phase_rad']):.4g} rad")
    if "duration_s" in parameters:
        words.append(f"for {float(parameters['duration_s']):.4g} s")
    return ", ".join(words)


def dry_run_text(
    plan: ProtocolPlan, settings: LoopSettings, tones: Mapping[str, ToneChannel] | None = None
) -> str:
    """The timeline as a table that a person reads.

    Parameters
    ----------
    plan : ProtocolPlan
        As written.
    settings : LoopSettings
        What the modes and the pump are.
    tones : mapping of str to ToneChannel, optional
        The outputs, for their units.

    Returns
    -------
    str
        Several lines: title, one row for each step, the total, and what is
        put out. Long protocols are shortened in the middle.

    Raises
    ------
    InputError
        As `flattened`.
    """
    tones = tones or {}
    pump_unit = tones[PUMP_NAME].amplitude_unit if PUMP_NAME in tones else ""
    steps = flattened(plan, settings, pump_unit)
    rows = [("step", "start", "lasts", "what")]
    rows += [_row(step) for step in steps]
    widths = [max(len(row[column]) for row in rows) for column in range(3)]
    lines = [
        f"{row[0]:>{widths[0]}}  {row[1]:>{widths[1]}}  {row[2]:>{widths[2]}}  {row[3]}"
        for row in rows
    ]
    if len(lines) > LONGEST_TABLE:
        left_out = len(lines) - 1 - SHOWN_FIRST - SHOWN_LAST
        lines[1 + SHOWN_FIRST : -SHOWN_LAST] = [f"... {left_out} more steps ..."]
    total_s = steps[-1].end_s
    head = [line for line in (plan.title, *plan.description.strip().splitlines()) if line]
    analysis = plan.analysis or "none"
    foot = [
        f"{len(steps)} steps, about {clock_text(total_s)} in all; * basebands are recorded",
        f"analysis: {analysis}; an interrupted step is repeated at most {plan.retries} times",
        *_outputs(steps, settings, tones),
    ]
    return "\n".join([*head, "", *lines, "", *foot])


def clock_text(duration_s: float) -> str:
    """A time as hours, minutes and seconds."""
    tenths = round(10.0 * duration_s)
    hours, minutes, seconds = tenths // 36_000, tenths // 600 % 60, tenths % 600 / 10.0
    if hours:
        return f"{hours}:{minutes:02d}:{int(seconds):02d}"
    return f"{minutes}:{seconds:04.1f}"


def _row(step: PlannedStep) -> tuple[str, str, str, str]:
    mark = " *" if step.is_recorded else ""
    lasts = f"{step.duration_s:.1f} s" if step.duration_s else "-"
    return str(step.number), clock_text(step.start_s), lasts, step.title + mark


def _outputs(
    steps: tuple[PlannedStep, ...], settings: LoopSettings, tones: Mapping[str, ToneChannel]
) -> Iterator[str]:
    """What each output does at most."""
    drives = driven_channels(settings, tones)
    for mode in ModeId:
        held_m = [
            float(step.parameters["amplitude_m"])
            for step in steps
            if step.kind == "ring_up" and step.parameters["mode"] in (mode.value, "both")
        ]
        if any(step.kind == "lock" for step in steps):
            held_m.append(settings.drive.amplitude_of(mode))
        largest_m = max(held_m, default=0.0)
        if largest_m > 0.0:
            text = f"output {DRIVE_NAMES[mode]}: holds the mode at up to {largest_m:.3g} m"
            if mode in drives:  # the burst that finds a mode is as strong as its drive may be
                limit = f"{drives[mode].max_amplitude:.4g} {drives[mode].amplitude_unit}"
                text += f"; finds it and rings it up with up to {limit}"
            yield text
    pumps = [step for step in steps if step.kind == "pump_on"]
    if not pumps:
        yield f"output {PUMP_NAME}: stays off"
        return
    unit = tones[PUMP_NAME].amplitude_unit if PUMP_NAME in tones else "(channel's unit)"
    largest = max(float(step.parameters["amplitude"]) for step in pumps)
    on_s = sum(end_s - start_s for _, start_s, end_s in pump_intervals(steps))
    waveforms = ", ".join(sorted({str(step.parameters["waveform"]) for step in pumps}))
    yield (
        f"output {PUMP_NAME}: {waveforms} of up to {largest:.4g} {unit} near "
        f"{nominal_difference_hz(settings):g} Hz, on for {clock_text(on_s)}"
    )


def pump_intervals(
    steps: tuple[PlannedStep, ...],
) -> tuple[tuple[PlannedStep, float, float], ...]:
    """When the pump is on, by the estimate.

    Parameters
    ----------
    steps : tuple of PlannedStep
        From `flattened`.

    Returns
    -------
    tuple of (PlannedStep, float, float)
        The step that turns it on, and the times at which it comes on and goes
        off [s].
    """
    intervals = []
    on: PlannedStep | None = None
    for step in steps:
        if step.kind == "pump_on" and "duration_s" in step.parameters:
            start_s = step.end_s - float(step.parameters["duration_s"])
            intervals.append((step, start_s, step.end_s))
        elif step.kind == "pump_on":
            on = step
        elif step.kind == "pump_off" and on is not None:
            intervals.append((on, on.end_s, step.start_s))
            on = None
    if on is not None:
        intervals.append((on, on.end_s, steps[-1].end_s))
    return tuple(intervals)
