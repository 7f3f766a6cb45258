"""What a protocol as a whole may ask: order, names, outputs, doses; before anything is on.

Each check raises InputError with the path of the step and key, what was found and
what would be right.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from controller.errors import InputError
from controller.instrument import StreamFormat, ToneChannel
from controller.protocol.language import (
    ProtocolLimits,
    ProtocolPlan,
    PulseLimits,
    Repeat,
    Step,
    Sweep,
    ValueOf,
    modes_in,
    unknown,
)
from controller.protocol.pulses import (
    HeatingInterval,
    PulseTrain,
    check_pulse_train,
    heating_w,
    largest_energy_j,
)
from controller.protocol.timeline import (
    PlannedStep,
    clock_text,
    flattened,
    nominal_difference_hz,
    pump_intervals,
)
from controller.records import ModeId
from controller.settings import LoopSettings, PulseSettings
from controller.supervisor.configs import DRIVE_NAMES, PUMP_NAME, driven_channels
from controller.supervisor.pump import WINDOW_RATIO

# What can be done before both modes are locked.
BEFORE_THE_LOCK = frozenset({"find", "lock", "wait", "marker"})


def check_plan(
    plan: ProtocolPlan,
    settings: LoopSettings,
    tones: Mapping[str, ToneChannel],
    stream: StreamFormat,
) -> None:
    """Refuse a protocol that cannot or must not be carried out.

    Parameters
    ----------
    plan : ProtocolPlan
        As written.
    settings : LoopSettings
        What the modes and the pump are.
    tones : mapping of str to ToneChannel
        The outputs that there are.
    stream : StreamFormat
        What the samples mean, and how far they reach.

    Raises
    ------
    InputError
        If a name is used that nothing defines or defined and not used, the
        order is impossible, an output cannot do what is asked, the detector
        would be overdriven, or a dose or a limit of the pulses is exceeded.
    """
    _check_names(plan)
    _check_stricter(plan.limits.pulses, settings.pump.pulses)
    steps = flattened(plan, settings)
    order = _Order(settings, tones)
    for step in steps:
        order.check(step)
    swing = _Swing(settings, stream)
    for step in steps:
        if step.kind in ("lock", "ring_up"):
            _check_drives(step, settings, tones)
            swing.check(step)
        elif step.kind == "pump_on":
            _check_pump(step, settings, tones.get(PUMP_NAME), plan.limits.pulses)
    _check_doses(plan.limits, steps, settings)


# --- names -------------------------------------------------------------------


def _check_names(plan: ProtocolPlan) -> None:
    """Every name is defined once and used."""
    used: set[str] = set()
    _check_names_in(plan.steps, "steps", frozenset(plan.parameters), used)
    for name in plan.parameters:
        if name not in used:
            raise InputError(
                f"parameters.{name}: nothing uses it; "
                f'write {{ value_of = "{name}" }} in a step, or leave it out'
            )


def _check_names_in(
    steps: tuple[Step, ...], at: str, defined: frozenset[str], used: set[str]
) -> None:
    for position, step in enumerate(steps):
        path = f"{at}[{position}]"
        for key, value in step:
            if isinstance(value, ValueOf):
                if value.value_of not in defined:
                    raise InputError(f"{path}.{key}: {unknown('name', value.value_of, defined)}")
                used.add(value.value_of)
        if isinstance(step, Sweep):
            _check_swept_name(step, path, defined, used)
        elif isinstance(step, Repeat):
            _check_names_in(step.steps, f"{path}.steps", defined, used)


def _check_swept_name(step: Sweep, path: str, defined: frozenset[str], used: set[str]) -> None:
    name = step.parameter
    if name in defined:
        raise InputError(
            f'{path}.parameter = "{name}": stands for something already; take another name'
        )
    used_inside: set[str] = set()
    _check_names_in(step.steps, f"{path}.steps", defined | {name}, used_inside)
    if name not in used_inside:
        raise InputError(
            f'{path}.parameter = "{name}": none of its steps uses it; '
            f'write {{ value_of = "{name}" }} where the value belongs'
        )
    used |= used_inside - {name}


# --- order -------------------------------------------------------------------


class _Order:
    """What is locked, driven and on after each step, and what cannot follow."""

    def __init__(self, settings: LoopSettings, tones: Mapping[str, ToneChannel]) -> None:
        self._can_drive = frozenset(driven_channels(settings, tones))
        self._is_found = False
        self._is_locked = False
        self._driven: set[ModeId] = set()
        self._known: set[ModeId] = set()  # modes with an amplitude to be driven to
        self._pump_since: PlannedStep | None = None

    def check(self, step: PlannedStep) -> None:
        """Let a step go by; raises InputError where it cannot come now."""
        why = self._refusal(step)
        if why:
            raise InputError(f"{step.path}: {step.kind} {why}")
        self._follow(step)

    def _refusal(self, step: PlannedStep) -> str:
        """Why a step cannot come now; empty if it can."""
        kind, modes = step.kind, _modes(step)
        if not self._is_locked and (kind not in BEFORE_THE_LOCK or step.is_recorded):
            return "comes before the modes are locked; put find and lock before it"
        if kind == "lock" and not self._is_found:
            return "comes before the modes are found; put find before it"
        since = self._pump_since
        if kind in ("find", "lock") and since is not None:
            return f"comes while the pump is on (since {since.path}); put pump_off before it"
        if kind == "pump_on" and since is not None:
            return f"comes while the pump is on already (since {since.path}); put pump_off between"
        if kind == "pump_off" and since is None:
            return "comes while the pump is off already; leave it out, or put pump_on before it"
        if kind == "release" and not modes & self._driven:
            free = (
                "neither mode is"
                if len(modes) == 2
                else f"the {step.parameters['mode']} mode is not"
            )
            return f"comes while {free} driven; put ring_up or drive before it"
        if kind == "drive" and not modes - self._driven:
            driven = (
                "both modes are" if len(modes) == 2 else f"the {step.parameters['mode']} mode is"
            )
            return f"comes while {driven} driven already; leave it out"
        if kind == "drive" and not modes <= self._known:
            mode = min(modes - self._known)
            return (
                f"has no amplitude for the {mode.value} mode (drive.amplitude_m is 0 for it); "
                "give it one there"
            )
        return ""

    def _follow(self, step: PlannedStep) -> None:
        kind, modes = step.kind, _modes(step)
        if kind == "find":
            self._is_found, self._is_locked = True, False
            self._driven.clear()
        elif kind == "lock":
            self._is_locked = True
            self._driven |= self._can_drive
            self._known |= self._can_drive
        elif kind in ("ring_up", "drive"):
            self._driven |= modes
            self._known |= modes
        elif kind == "release":
            self._driven -= modes
        elif kind == "pump_on" and "duration_s" not in step.parameters:
            self._pump_since = step
        elif kind == "pump_off":
            self._pump_since = None


def _modes(step: PlannedStep) -> set[ModeId]:
    """The modes that a step speaks of; none for steps without `mode`."""
    mode = step.parameters.get("mode")
    return set() if mode is None else set(modes_in(str(mode)))


# --- drives and detector -------------------------------------------------------


def _check_drives(
    step: PlannedStep, settings: LoopSettings, tones: Mapping[str, ToneChannel]
) -> None:
    """The modes that a step drives have an output, within whose range they lie."""
    for mode in sorted(_modes(step) or driven_channels(settings, tones)):
        channel = tones.get(DRIVE_NAMES[mode])
        if channel is None:
            raise InputError(
                f'{step.path}.mode = "{step.parameters["mode"]}": the instrument has no tone '
                f"channel {DRIVE_NAMES[mode]!r}; leave the {mode.value} mode undriven"
            )
        if settings.drive.amplitude_of(mode) == 0.0:
            raise InputError(
                f"{step.path}: the {mode.value} mode is not driven, drive.amplitude_m is 0 for "
                "it; give it one there, and release the mode where it should move by itself"
            )
        frequency_hz = settings.modes.of(mode).frequency_hz
        if not channel.min_frequency_hz <= frequency_hz <= channel.max_frequency_hz:
            raise InputError(
                f"{step.path}: the {mode.value} mode lies at {frequency_hz:g} Hz; "
                f"{channel.name} does {channel.min_frequency_hz:g} to "
                f"{channel.max_frequency_hz:g} Hz"
            )


class _Swing:
    """How far both modes may swing together, and whether the detector follows.

    A released mode counts with the amplitude that it was held at: it may have
    handed its energy to the other one.
    """

    def __init__(self, settings: LoopSettings, stream: StreamFormat) -> None:
        self._configured_m = {mode: settings.drive.amplitude_of(mode) for mode in ModeId}
        self._held_m = dict.fromkeys(ModeId, 0.0)
        self._full_scale_m = stream.full_scale * stream.metres_per_unit

    def check(self, step: PlannedStep) -> None:
        """Let a lock or a ring-up go by; raises InputError where the detector overloads."""
        if step.kind == "lock":
            key, self._held_m = "drive.amplitude_m", dict(self._configured_m)
        else:
            amplitude_m = float(step.parameters["amplitude_m"])
            ratio = step.parameters.get("amplitude_ratio")
            key = f"amplitude_m = {amplitude_m:.3g}"
            if ratio is not None:
                key = f"amplitude_ratio = {ratio:g}"
            self._held_m |= dict.fromkeys(_modes(step), amplitude_m)
        total_m = sum(self._held_m.values())
        if total_m >= self._full_scale_m:
            raise InputError(
                f"{step.path}.{key}: both modes together swing by {total_m:.3g} m, which has to "
                f"be below the detector's full scale of {self._full_scale_m:.3g} m"
            )


# --- pump --------------------------------------------------------------------


def _check_pump(
    step: PlannedStep,
    settings: LoopSettings,
    channel: ToneChannel | None,
    limits: PulseLimits,
) -> None:
    """The pump's output does what a step asks, and the pulses keep their limits."""
    path, values = step.path, step.parameters
    if channel is None:
        raise InputError(
            f"{path}: the instrument has no tone channel {PUMP_NAME!r}; leave pump_on out"
        )
    amplitude, waveform = float(values["amplitude"]), str(values["waveform"])
    if amplitude > channel.max_amplitude:
        key = "amplitude" if "amplitude_ratio" not in values else "amplitude_ratio"
        raise InputError(
            f"{path}.{key} = {float(values[key]):g}: gives {amplitude:g} "
            f"{channel.amplitude_unit}; the channel gives at most {channel.max_amplitude:g}"
        )
    if waveform not in channel.waveforms:
        raise InputError(
            f'{path}.waveform = "{waveform}": the channel does {", ".join(channel.waveforms)}'
        )
    if values["continues"] and not channel.keeps_phase:
        raise InputError(
            f"{path}.continues = true: the generator does not keep its phase; leave it out"
        )
    for key, detuning_hz in _detunings(step):
        _check_pump_frequency(f"{path}.{key}", detuning_hz, settings, channel)
        if waveform == "pulses":
            train = PulseTrain(
                amplitude=amplitude,
                pulse_s=float(values["pulse_s"]),
                frequency_hz=nominal_difference_hz(settings) + detuning_hz,
            )
            for table, pulses in _pulse_tables(limits, settings):
                try:
                    check_pulse_train(train, pulses, table)
                except InputError as error:
                    raise InputError(f"{path}.{error}") from error


def _detunings(step: PlannedStep) -> Iterator[tuple[str, float]]:
    """The detunings at both ends of a pump's time, and the keys they come from."""
    values = step.parameters
    start_hz, chirp_hz_per_s = float(values["detuning_hz"]), float(values["chirp_hz_per_s"])
    ratio = "detuning_ratio"
    yield (ratio if ratio in values else "detuning_hz"), start_hz
    if chirp_hz_per_s:
        keys = ("end_detuning_ratio", "end_detuning_hz", "chirp_hz_per_s")
        key = next(key for key in keys if key in values)
        yield key, start_hz + chirp_hz_per_s * float(values["duration_s"])


def _check_pump_frequency(
    key: str, detuning_hz: float, settings: LoopSettings, channel: ToneChannel
) -> None:
    difference_hz = nominal_difference_hz(settings)
    window_hz = settings.pump.difference_window_hz or (
        (1.0 - WINDOW_RATIO) * difference_hz,
        (1.0 + WINDOW_RATIO) * difference_hz,
    )
    ranges = (
        ("pump.difference_window_hz", window_hz),
        (f"the channel {channel.name}", (channel.min_frequency_hz, channel.max_frequency_hz)),
    )
    pump_hz = difference_hz + detuning_hz
    for what, (low_hz, high_hz) in ranges:
        if not low_hz <= pump_hz <= high_hz:
            raise InputError(
                f"{key}: a detuning of {detuning_hz:g} Hz brings the pump to {pump_hz:g} Hz; "
                f"{what} allows {low_hz:g} to {high_hz:g} Hz"
            )


# --- pulses ------------------------------------------------------------------


def _check_stricter(limits: PulseLimits, hardware: PulseSettings) -> None:
    """A protocol may only narrow what the configuration allows to its coil."""
    for key, value in limits:
        allowed = getattr(hardware, key)
        is_looser = value is not None and (
            value < allowed if key == "least_width_s" else value > allowed
        )
        if is_looser:
            raise InputError(
                f"limits.pulses.{key} = {value:g}: the configuration says {allowed:g} "
                f"(pump.pulses.{key}), and a protocol can only be stricter; leave it out"
            )


def _pulse_tables(
    limits: PulseLimits, settings: LoopSettings
) -> tuple[tuple[str, PulseSettings], ...]:
    """What pulses have to keep, by the table that says it: the configuration's comes first."""
    hardware = settings.pump.pulses
    stricter = {key: value for key, value in limits if value is not None}
    return (
        ("pump.pulses", hardware),
        ("limits.pulses", hardware.model_copy(update=stricter)),
    )


# --- doses -------------------------------------------------------------------


def _check_doses(
    limits: ProtocolLimits, steps: tuple[PlannedStep, ...], settings: LoopSettings
) -> None:
    """Times and energies, by the estimated timeline."""
    total_s = steps[-1].end_s
    if limits.duration_s is not None and total_s > limits.duration_s:
        raise InputError(
            f"limits.duration_s = {limits.duration_s:g}: the protocol takes about {total_s:.4g} s "
            f"({clock_text(total_s)}); shorten it, or allow more"
        )
    intervals = pump_intervals(steps)
    on_s = sum(end_s - start_s for _, start_s, end_s in intervals)
    if limits.pump_on_s is not None and on_s > limits.pump_on_s:
        raise InputError(
            f"limits.pump_on_s = {limits.pump_on_s:g}: the pump would be on for {on_s:.4g} s; "
            "shorten it, or allow more"
        )
    heating = [
        (step, HeatingInterval(start_s, end_s, _heating_w(step, settings)))
        for step, start_s, end_s in intervals
    ]
    energy_j = sum(each.power_w * (each.end_s - each.start_s) for _, each in heating)
    if limits.pump_energy_j is not None and energy_j > limits.pump_energy_j:
        raise InputError(
            f"limits.pump_energy_j = {limits.pump_energy_j:g}: the coil would take {energy_j:.4g} J"
            "; shorten it, or allow more"
        )
    for table, pulses in _pulse_tables(limits.pulses, settings):
        _check_pulse_heat(pulses, table, heating)


def _heating_w(step: PlannedStep, settings: LoopSettings) -> float:
    """Mean power of a pump in the coil [W]."""
    values = step.parameters
    pulse_turns = float(values.get("pulse_s", 0.0)) * nominal_difference_hz(settings)
    waveform = str(values["waveform"])
    return heating_w(settings.pump.pulses, float(values["amplitude"]), waveform, pulse_turns)


def _check_pulse_heat(
    pulses: PulseSettings, table: str, heating: list[tuple[PlannedStep, HeatingInterval]]
) -> None:
    """Pulse trains keep the heat budget in every window."""
    trains = [each for each in heating if each[0].parameters["waveform"] == "pulses"]
    largest_j = largest_energy_j((interval for _, interval in trains), pulses.window_s)
    if largest_j > pulses.heat_limit_j:
        hottest, _ = max(trains, key=lambda each: each[1].power_w)
        raise InputError(
            f"{hottest.path}.pulse_s = {float(hottest.parameters['pulse_s']):g}: the pulses leave "
            f"{largest_j:.3g} J in the coil within {pulses.window_s:g} s; {pulses.heat_limit_j:g} "
            f"J is allowed ({table}.heat_limit_j): lower the amplitude, or shorten the pulses"
        )
