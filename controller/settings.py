"""Every setting of the loop, with its unit, range and default.

One structure per table of a configuration file. Ranges are checked when a
structure is made from a file; the file's reader turns a violation into one
line. Nothing here reads a file.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from controller.records import ModeId

Positive = Annotated[float, Field(gt=0.0)]
NotNegative = Annotated[float, Field(ge=0.0)]
Pair = tuple[float, float]
Port = Annotated[int, Field(ge=0, le=65535)]


class _Table(BaseModel):
    """A table of settings: immutable, every key known, no NaN or infinity."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", allow_inf_nan=False, populate_by_name=True
    )


class ModeSettings(_Table):
    """What is known of one mode beforehand."""

    frequency_hz: Positive  # where to look
    search_hz: Positive = 200.0  # half-width of the search
    likely_hz: Positive | None = None  # where it was last: looked for there first, once
    likely_within_hz: Positive = 50.0  # half-width of that first look
    quality_factor: Positive = 1.0e7  # roughly
    mass_kg: Positive = 1.0e-11  # roughly; used for the thermal model
    pump_shift_hz_per_v2: float = 0.0  # expected shift by the pump's amplitude squared
    pump_shift_sigma_hz_per_v2: NotNegative = 0.05  # how well that is known
    duffing_self_hz_per_m2: float = 0.0  # shift by the mode's own amplitude squared
    duffing_cross_hz_per_m2: float = 0.0  # shift by the other mode's amplitude squared
    duffing_sigma_hz_per_m2: NotNegative = 1.0e14  # how well both are known


class ModesSettings(_Table):
    """The two modes; the upper one lies above the lower one."""

    lower: ModeSettings
    upper: ModeSettings

    def of(self, mode: ModeId) -> ModeSettings:
        """The settings of one mode."""
        return self.lower if mode is ModeId.LOWER else self.upper


class DriveSettings(_Table):
    """How the driven modes are held."""

    # what the modes are held at, or [lower, upper]; 0.0 leaves a mode in thermal motion
    amplitude_m: NotNegative | tuple[NotNegative, NotNegative] = 1.0e-9
    # most that either drive puts out, in the channel's unit; None: as much as the channel may
    max_amplitude: Positive | None = None
    ping_s: Positive = 0.2  # length of the burst that finds the modes, as strong as a drive may be
    listen_s: Positive = 4.0  # free motion that is looked at after the burst

    def amplitude_of(self, mode: ModeId) -> float:
        """The amplitude at which one mode is held [m]; 0.0: thermal motion."""
        if isinstance(self.amplitude_m, tuple):
            return self.amplitude_m[0 if mode is ModeId.LOWER else 1]
        return self.amplitude_m


# Wide enough for any coil, narrow enough that no product of a few overflows.
CoilNumber = Annotated[float, Field(ge=1.0e-12, le=1.0e12)]


# Common practice, no source: pulses of about 100 mA and a little over 30 us switch a magnetic
# tip. The other defaults are arbitrary and on the careful side.
class PulseSettings(_Table):
    """What a coil and its tip stand, and what switches it: hard limits of pulses."""

    least_width_s: CoilNumber = 30.0e-6  # a shorter pulse does not switch
    largest_current_a: CoilNumber = 0.12  # of a pulse
    largest_duty: Annotated[float, Field(gt=0.0, le=1.0)] = 0.6  # share of the time with current
    resistance_ohm: CoilNumber = 10.0  # of the coil
    current_a_per_unit: CoilNumber | None = None  # None: the channel's volts across the resistance
    heat_limit_j: CoilNumber = 0.5  # that pulses leave in the coil within any window_s
    window_s: CoilNumber = 10.0  # over which the coil gets rid of its heat
    flip_sigma_hz: NotNegative = 0.01  # how far switching the tip may move the difference

    def current_a(self, amplitude: float) -> float:
        """Peak current of an amplitude in the channel's unit [A]."""
        return amplitude * (self.current_a_per_unit or 1.0 / self.resistance_ohm)


class PumpSettings(_Table):
    """The pump tone and the limits outside which it stays off."""

    amplitude: NotNegative = 0.0  # in the channel's unit
    offset_hz: float = 0.0  # deliberate detuning
    difference_window_hz: Pair | None = None  # None: around the difference found, ±10 %
    sigma_limit_hz: Positive | None = None  # None: a third of the narrower line, at least 1 mHz
    coupling_hz_per_unit: float | None = None  # g / 2 pi per unit of amplitude, if known
    coupling_sigma_hz_per_unit: NotNegative | None = None  # None: 10 %, or ten lines if unknown
    coupling_phase_rad: float = 0.0  # what line and coupling add to the pump's phase
    mass_ratio_sigma: NotNegative = 0.05  # relative, of what the two masses say of the coupling
    healthy_s: Positive = 2.0  # how long all must be well before the pump comes (back) on
    ramp_s: Annotated[float, Field(ge=0.0, le=0.01)] = 0.005  # time to come on or go off
    pulses: PulseSettings = PulseSettings()  # the coil, where the pump is a train of pulses


class TrackingSettings(_Table):
    """Models of noise and drift; None means: learn it from the stream."""

    temperature_k: Positive = 295.0  # of the chip, for the thermal motion
    detector_noise: Positive | None = None  # one-sided, metres per root hertz
    common_walk_hz_per_root_s: Positive | None = None  # random walk that both modes share
    separate_walk_hz_per_root_s: Positive | None = None  # random walk of each mode on its own
    likely_common_walk_hz_per_root_s: Positive | None = None  # what learning it begins with
    likely_separate_walk_hz_per_root_s: Positive | None = None  # likewise
    gain_walk_per_root_s: NotNegative = 1.0e-3  # relative, of the detector's gain
    drift_ratio: Positive | None = None  # of drifts, upper over lower; None: f_upper / f_lower
    drift_ratio_sigma: Positive = 0.01  # how far the ratio of the drifts may be from that


class RunSettings(_Table):
    """How long, and what is recorded."""

    duration_s: Positive = 600.0  # from the lock of both modes
    pump_from_s: NotNegative = 0.0  # not before, unless it is armed; never outside the interlock
    record_rate_hz: Annotated[float, Field(gt=0.0, le=100.0)] = 10.0  # rows in log and tracks
    protocol: str | None = None  # None or "drift_watch": keep the pump on the difference
    read_timeout_s: Positive = 1.0  # how long a block may stay away
    timeouts_allowed: Annotated[int, Field(ge=0)] = 3  # in a row; more end the run


class ServiceSettings(_Table):
    """The live service: where it listens, and what it does when something is missing."""

    address: str = "127.0.0.1"  # of the network interface; any but this one needs keys
    command_port: Port = 8462  # 0: any that is free, as the state file says
    telemetry_port: Port = 8463  # likewise
    keys: str | None = None  # folder of the keys, from the configuration's folder on
    arm_at_start: bool = False  # let the pump come on without being asked
    # what the pump does when whoever holds control is not heard any more
    when_control_vanishes: Literal["go_on", "mute"] = "go_on"
    mute_after_s: NotNegative = 10.0  # without control, for "mute"
    mute_when_not_logging: bool = False  # pump off while the log cannot be written
    log_rotate_mb: Positive | None = None  # size after which the log goes on in its next file
    log_rotate_daily: bool = False  # a file of the log for each day, in UTC


class InstrumentSettings(_Table):
    """Which class serves as the instrument, and its keyword arguments."""

    class_name: str = Field(alias="class")  # "package.module:Class", or a shipped short name
    options: dict[str, Any] = Field(default_factory=dict)  # its keyword arguments


class LoopSettings(_Table):
    """All that the loop itself needs."""

    modes: ModesSettings
    drive: DriveSettings = DriveSettings()
    pump: PumpSettings = PumpSettings()
    tracking: TrackingSettings = TrackingSettings()
    run: RunSettings = RunSettings()


class Configuration(LoopSettings):
    """A configuration or scenario file: the loop's tables and the instrument's."""

    instrument: InstrumentSettings
    service: ServiceSettings = ServiceSettings()
    title: str = ""
    description: str = ""
