"""Every option of the simulated membrane, with its unit, range and default.

One structure per table below `[instrument.options]`. Nothing here draws a
random number or knows a sample; `parsed_options` is the one way in.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from controller.errors import InputError

Positive = Annotated[float, Field(gt=0.0)]
NotNegative = Annotated[float, Field(ge=0.0)]
QualityFactor = Annotated[float, Field(ge=1.0e3, le=1.0e10)]
Mode = Literal["lower", "upper"]


class _Table(BaseModel):
    """A table of options: immutable, every key known, no NaN or infinity."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class StreamOptions(_Table):
    """The samples: filtered around a centre, or straight from the converter."""

    kind: Literal["complex", "raw"] = "complex"
    sample_rate_hz: Positive | None = None  # None: 50 kS/s complex, 5 MS/s raw
    center_hz: NotNegative | None = None  # None: midway, to a full kHz; raw: always 0
    full_scale_m: Positive = 2.0e-8  # displacement at which the converter clips
    bits: Annotated[int, Field(ge=2, le=24)] | None = None  # None: raw 16, complex unrounded
    metres_per_unit: Positive | None = None  # None: raw full scale at 32767, complex at 1.0


class ModeOptions(_Table):
    """One mode of the membrane."""

    frequency_hz: Positive
    quality_factor: QualityFactor = 6.0e7
    mass_kg: Positive = 1.2e-11
    start_amplitude_m: NotNegative | None = None  # None: a draw of the thermal motion
    duffing_self_hz_per_m2: float = 0.0  # shift by the mode's own |a|^2
    duffing_cross_hz_per_m2: float = 0.0  # shift by the other mode's |a|^2
    pump_shift_hz_per_v2: float = 0.0
    drive_newton_per_unit: NotNegative = 5.0e-14  # force per unit of the drive's amplitude
    walk_hz_per_root_s: NotNegative = 1.0e-5  # random walk of this mode alone
    room_per_k: float = 1.0e-4  # relative shift as chip and film warm together
    film_per_k: float = -3.0e-4  # relative shift as the film warms alone


class LowerOptions(ModeOptions):
    """The lower mode."""

    frequency_hz: Positive = 1.0437e6


class UpperOptions(ModeOptions):
    """The upper mode."""

    frequency_hz: Positive = 1.0499e6


class DriveOptions(_Table):
    """The two drive channels; both feed the one actuator below the chip."""

    amplitude_unit: Literal["V", "N"] = "V"
    max_amplitude: Positive = 10.0
    latency_samples: Annotated[int, Field(ge=0)] = 100
    tuning_step_hz: NotNegative = 0.0  # 0: as fine as a float


class PumpOptions(_Table):
    """The pump channel and what its voltage does."""

    coupling_hz_per_v: NotNegative = 0.1  # g / 2 pi per volt
    coupling_phase_rad: float = 0.0  # of the stiffness behind the voltage
    max_amplitude: Positive = 2.0
    min_frequency_hz: NotNegative = 100.0
    max_frequency_hz: Positive = 50.0e3
    latency_samples: Annotated[int, Field(ge=0)] = 100
    tuning_step_hz: NotNegative = 0.0
    shares_clock: bool = True
    keeps_phase: bool = True
    clock_error_ppm: float = 0.0  # of a generator with a clock of its own
    waveforms: tuple[Literal["sine", "square", "pulses"], ...] = ("sine", "square", "pulses")

    @model_validator(mode="after")
    def _one_clock_has_no_error(self) -> PumpOptions:
        if self.shares_clock and self.clock_error_ppm != 0.0:
            raise ValueError("clock_error_ppm needs shares_clock = false")
        return self


class SourceOptions(_Table):
    """A weak source near the membrane that couples the modes on its own.

    It modulates their common stiffness near the difference frequency, as the
    pump does, but nobody switches it.
    """

    coupling_hz: NotNegative = 0.0  # g / 2 pi; 0: there is no source
    detuning_hz: float = 0.0  # above the true difference of the bare modes, which it follows
    phase_rad: float = 0.0  # at sample 0, as that of a pump tone
    coherence_s: Positive | None = None  # <exp(i phase)> falls as exp(-t/this); None: never


class SampleOptions(_Table):
    """A sample below a magnetic tip that a train of pump pulses flips.

    At each position the difference frequency is moved by `background_hz`, and
    by `shift_hz` times the sign of the tip; each mode takes half of it. The
    sign is +1 where the train came on in phase with the modes' own difference
    (with `pump.coupling_phase_rad` added), -1 where it came on half a turn
    from that, and 0 while there are no pulses. After the last position
    follows the first one.
    """

    shift_hz: tuple[float, ...] = ()  # follows the sign of the tip; empty: there is no sample
    background_hz: tuple[float, ...] = ()  # does not; empty: none
    # What moves the tip on; neither: only `SimulatedMembrane.next_position`.
    dwell_s: Positive | None = None  # a clock that begins with the stream
    flips_per_position: Annotated[int, Field(ge=1)] | None = None  # changes of the tip's sign

    @model_validator(mode="after")
    def _lists_fit_together(self) -> SampleOptions:
        if self.background_hz and len(self.background_hz) != len(self.shift_hz):
            raise ValueError("background_hz has to have as many positions as shift_hz")
        if self.dwell_s is not None and self.flips_per_position is not None:
            raise ValueError("dwell_s and flips_per_position exclude each other")
        return self


class TemperatureStep(_Table):
    """A change that settles exponentially: a door, a lamp."""

    at_s: NotNegative
    kelvin: float
    time_s: Positive = 20.0


class EnvironmentOptions(_Table):
    """Temperatures: of the bath, the room, and the film above the room."""

    temperature_k: NotNegative = 295.0
    drift_k_per_s: float = 0.0
    cycle_k: float = 0.0  # amplitude of a slow sinusoid
    cycle_s: Positive = 800.0
    room_sigma_k: NotNegative = 1.0e-3  # Ornstein-Uhlenbeck part, rms
    room_time_s: Positive = 200.0
    steps: tuple[TemperatureStep, ...] = ()
    film_sigma_k: NotNegative = 0.0  # heating by the laser's power fluctuations, rms
    film_time_s: Positive = 10.0
    film_response_s: Positive = 3.0e-3  # how fast the film follows the power


class LineOptions(_Table):
    """A stray line of constant amplitude."""

    frequency_hz: Positive
    amplitude_m: NotNegative
    drift_hz_per_s: float = 0.0


class NeighbourOptions(_Table):
    """A further mode: thermal motion and response to the drive, no coupling."""

    frequency_hz: Positive
    quality_factor: QualityFactor = 1.0e6
    mass_kg: Positive = 1.0e-11
    drive_newton_per_unit: NotNegative = 5.0e-14


class DetectorOptions(_Table):
    """From displacement to samples."""

    noise_m_per_root_hz: NotNegative = 5.0e-15  # one-sided
    gain_sigma: Annotated[float, Field(ge=0.0, le=0.5)] = 0.0  # rms of ln G, Ornstein-Uhlenbeck
    gain_time_s: Positive = 30.0
    gain_cycle: Annotated[float, Field(ge=-1.0, le=1.0)] = 0.0  # amplitude of ln G's sinusoid
    gain_cycle_s: Positive = 300.0
    gain_flips_at_s: tuple[NotNegative, ...] = ()  # the fringe's other slope: G changes sign
    drive_feedthrough_m_per_unit: tuple[float, float] = (0.0, 0.0)  # real, imaginary
    pump_feedthrough_m_per_v: tuple[float, float] = (0.0, 0.0)  # real, imaginary
    lines: tuple[LineOptions, ...] = ()
    neighbours: tuple[NeighbourOptions, ...] = ()


class Interval(_Table):
    """A stretch of stream time."""

    at_s: NotNegative
    duration_s: Positive


class ModeDeath(_Table):
    """From here on the detector does not see the mode."""

    mode: Mode
    at_s: NotNegative
    until_s: NotNegative | None = None  # None: for good


class FrequencyJump(_Table):
    """A sudden and lasting change of one mode's frequency."""

    mode: Mode
    at_s: NotNegative
    hz: float


class FaultOptions(_Table):
    """What goes wrong, and when."""

    lost: tuple[Interval, ...] = ()  # these samples never arrive
    overload: tuple[Interval, ...] = ()  # the converter stands at full scale
    nan: tuple[Interval, ...] = ()
    frozen: tuple[Interval, ...] = ()  # the block before is repeated
    timeouts: tuple[Annotated[int, Field(ge=0)], ...] = ()  # calls of read(), from 0
    fault_at_s: NotNegative | None = None  # InstrumentFault from here on
    mode_dies: tuple[ModeDeath, ...] = ()
    jumps: tuple[FrequencyJump, ...] = ()


class SimulatorOptions(_Table):
    """All options of the simulated membrane."""

    seed: Annotated[int, Field(ge=0)] = 1
    paced: bool = False
    block_s: Annotated[float, Field(gt=0.0, le=1.0)] = 0.02
    step_s: Annotated[float, Field(gt=0.0, le=0.1)] = 0.02  # drift and Duffing are frozen for it
    duration_s: Positive | None = None
    stream: StreamOptions = StreamOptions()
    lower: LowerOptions = LowerOptions()
    upper: UpperOptions = UpperOptions()
    drive: DriveOptions = DriveOptions()
    pump: PumpOptions = PumpOptions()
    source: SourceOptions = SourceOptions()
    sample: SampleOptions = SampleOptions()
    environment: EnvironmentOptions = EnvironmentOptions()
    detector: DetectorOptions = DetectorOptions()
    faults: FaultOptions = FaultOptions()

    @property
    def is_raw(self) -> bool:
        """Whether the samples come straight from the converter."""
        return self.stream.kind == "raw"

    @property
    def sample_rate_hz(self) -> float:
        """The stream's sample rate, given or by default [Hz]."""
        return self.stream.sample_rate_hz or (5.0e6 if self.is_raw else 50.0e3)

    @property
    def center_hz(self) -> float:
        """The stream's centre, given or by default [Hz]; 0.0 if raw."""
        if self.is_raw:
            return 0.0
        if self.stream.center_hz is not None:
            return self.stream.center_hz
        return 1.0e3 * round((self.lower.frequency_hz + self.upper.frequency_hz) / 2.0e3)

    @property
    def metres_per_unit(self) -> float:
        """Displacement per sample unit, given or by default [m]."""
        if self.stream.metres_per_unit is not None:
            return self.stream.metres_per_unit
        return self.stream.full_scale_m / (32767.0 if self.is_raw else 1.0)

    @property
    def band_hz(self) -> tuple[float, float]:
        """The frequencies that the stream can show [Hz]."""
        half = self.sample_rate_hz / 2.0
        return (0.0, half) if self.is_raw else (self.center_hz - half, self.center_hz + half)

    @model_validator(mode="after")
    def _tables_fit_together(self) -> SimulatorOptions:
        if self.upper.frequency_hz <= self.lower.frequency_hz:
            raise ValueError("upper.frequency_hz has to lie above lower.frequency_hz")
        low, high = self.band_hz
        for name, mode in (("lower", self.lower), ("upper", self.upper)):
            if not low < mode.frequency_hz < high:
                raise ValueError(
                    f"{name}.frequency_hz = {mode.frequency_hz} lies outside the stream's "
                    f"{low} to {high} Hz"
                )
        if min(self.block_s, self.step_s) * self.sample_rate_hz < 2.0:
            raise ValueError("block_s and step_s have to span two samples or more")
        if self.is_raw:
            self._check_raw()
        return self

    def _check_raw(self) -> None:
        if self.stream.center_hz not in (None, 0.0):
            raise ValueError("stream.center_hz has to be 0.0 (or absent) for kind = 'raw'")
        if self.faults.nan:
            raise ValueError("faults.nan needs stream.kind = 'complex': integers have no NaN")
        if self.stream.full_scale_m / self.metres_per_unit > 32767.5:
            raise ValueError("stream.full_scale_m / metres_per_unit does not fit into int16")
        if self.stream.bits is not None and self.stream.bits > 16:
            raise ValueError("stream.bits has to be 16 or less for kind = 'raw'")


def parsed_options(options: Mapping[str, Any]) -> SimulatorOptions:
    """The options of a scenario, checked.

    Parameters
    ----------
    options : mapping
        The table `[instrument.options]`, nested tables as mappings.

    Returns
    -------
    SimulatorOptions
        Every option, given or by default.

    Raises
    ------
    InputError
        One line naming the first bad key, what was found and what is wrong.
    """
    try:
        return SimulatorOptions.model_validate(dict(options))
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part) for part in ("instrument.options", *first["loc"]))
        reason = first["msg"].removeprefix("Value error, ")
        found = first["input"]
        shown = "" if isinstance(found, Mapping | BaseModel) else f" = {_shortened(found)}"
        raise InputError(f"{key}{shown}: {reason[0].lower()}{reason[1:]}") from None


def _shortened(value: object) -> str:
    """A value as it is shown in a complaint, on one short line."""
    text = repr(value)
    if isinstance(value, float) and not math.isfinite(value):
        text = str(value)
    return text if len(text) <= 40 else f"{text[:37]}..."
