"""From settings, stream and search to the configs of the loop's parts.

What the settings leave open is decided here, and nowhere else. Settings are in
metres, the parts work in sample units.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from controller.errors import InputError
from controller.instrument import StreamFormat, ToneChannel
from controller.records import ModeId
from controller.settings import LoopSettings
from controller.supervisor.drive import DriveConfig
from controller.supervisor.exchange_memory import difference_duffing_hz, first_learnt
from controller.supervisor.influence import DuffingShift
from controller.supervisor.pump import PumpConfig
from controller.supervisor.searching import FoundMode
from controller.tracking.joint_bank import Strengths
from controller.tracking.joint_prior import JointConfig
from controller.tracking.observer import Learnt, ObserverConfig
from controller.tracking.pair import TrackedPair
from controller.tracking.phase_model import thermal_variance_m2
from controller.tracking.phase_tracker import PhaseTrackerConfig
from controller.tracking.search import ThermalMotion

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER
TWO_PI = 2.0 * math.pi

DRIVE_NAMES = {LOWER: "drive_lower", UPPER: "drive_upper"}
PUMP_NAME = "pump"

# Where the settings leave a drift open, the joint estimate starts here and learns:
# arbitrary within a factor 30 either way, see the tests of the joint estimate.
START_SHARED_WALK = 5.0e-3  # Hz per root second
START_SEPARATE_WALK = 3.0e-5
# A pump that may be anywhere within a third of the line still sits on it.
SIGMA_LIMIT_LINES = 1.0 / 3.0
LEAST_SIGMA_LIMIT_HZ = 1.0e-3
# A coupling that nobody measured is taken to be within ten lines at the set amplitude.
UNKNOWN_COUPLING_LINES = 10.0
KNOWN_COUPLING_RATIO = 0.1  # one sigma of a coupling that was given without one
UNCALIBRATED = 1.0  # metres per unit, as the interface has it
LEAST_START_SIGMA_HZ = 0.05  # a mode drifts while its search is evaluated
# A mode that was not seen for so long is searched for; a search near where it was takes no
# longer, and finds it elsewhere, too.
HOLD_S = 10.0
OBSERVER_DECAY_SIGMA = 0.3  # of gamma, relative: quality factors are known roughly
MOST_TICK_S = 0.1  # between two joint estimates


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordRate:
    """How records follow from ticks."""

    tick_s: float  # wanted time between joint estimates
    rate_hz: float

    def every(self, tick_s: float) -> int:
        """How many ticks of this length [s] make a record."""
        return max(1, round(1.0 / (self.rate_hz * tick_s)))


def record_rate(settings: LoopSettings) -> RecordRate:
    """A tick of a tenth of a second at most, of which a whole number makes a record."""
    rate_hz = settings.run.record_rate_hz
    ticks = max(1, math.ceil(1.0 / (rate_hz * MOST_TICK_S) - 1e-9))
    return RecordRate(tick_s=1.0 / (rate_hz * ticks), rate_hz=rate_hz)


def driven_channels(
    settings: LoopSettings, tones: Mapping[str, ToneChannel]
) -> dict[ModeId, ToneChannel]:
    """The drives of the modes that are to be driven, as far as there are outputs.

    Each may put out what its channel may, or less where the settings say so: whatever burst
    or drive follows from these channels keeps the limit.
    """
    limit = settings.drive.max_amplitude or math.inf
    return {
        mode: replace(tones[name], max_amplitude=min(limit, tones[name].max_amplitude))
        for mode, name in DRIVE_NAMES.items()
        if name in tones and settings.drive.amplitude_of(mode) > 0.0
    }


def thermal_motion(
    settings: LoopSettings, stream: StreamFormat, mode: ModeId
) -> ThermalMotion | None:
    """What is to be seen of a mode that is left in thermal motion; None if that is not known."""
    frequency_hz = settings.modes.of(mode).frequency_hz
    amplitude = _thermal_amplitude(settings, stream, mode, frequency_hz)
    if settings.drive.amplitude_of(mode) > 0.0 or amplitude == 0.0:
        return None
    return ThermalMotion(
        amplitude=amplitude, decay_rate_per_s=decay_rate_per_s(settings, mode, frequency_hz)
    )


def check_settings(
    settings: LoopSettings, stream: StreamFormat, tones: Mapping[str, ToneChannel]
) -> None:
    """Refuse what the stream and the outputs cannot do.

    Parameters
    ----------
    settings : LoopSettings
        All settings.
    stream : StreamFormat
        What the samples mean.
    tones : mapping of str to ToneChannel
        The outputs that there are.

    Raises
    ------
    InputError
        If the modes are out of order, a search range lies outside what a drive
        can do, or an amplitude is above a channel's limit or the detector's range.
    """
    lower, upper = settings.modes.lower, settings.modes.upper
    if not lower.frequency_hz < upper.frequency_hz:
        raise InputError(
            f"modes.upper.frequency_hz is {upper.frequency_hz:g}, not above "
            f"modes.lower.frequency_hz = {lower.frequency_hz:g}"
        )
    for mode in ModeId:
        _check_likely(settings, mode)
    for mode in driven_channels(settings, tones):
        _check_drive(settings, stream, mode, tones[DRIVE_NAMES[mode]])
    _check_pump(settings, tones.get(PUMP_NAME))


def _check_likely(settings: LoopSettings, mode: ModeId) -> None:
    wanted = settings.modes.of(mode)
    likely_hz = wanted.likely_hz
    if likely_hz is not None and abs(likely_hz - wanted.frequency_hz) > wanted.search_hz:
        raise InputError(
            f"modes.{mode.value}.likely_hz is {likely_hz:g}, outside {wanted.frequency_hz:g} "
            f"± {wanted.search_hz:g} (frequency_hz, search_hz)"
        )


def _check_drive(
    settings: LoopSettings, stream: StreamFormat, mode: ModeId, channel: ToneChannel
) -> None:
    wanted = settings.modes.of(mode)
    low_hz, high_hz = channel.min_frequency_hz, channel.max_frequency_hz
    searched_hz = wanted.frequency_hz - wanted.search_hz, wanted.frequency_hz + wanted.search_hz
    if not low_hz <= searched_hz[0] < searched_hz[1] <= high_hz:
        raise InputError(
            f"modes.{mode.value}.frequency_hz is {wanted.frequency_hz:g} ± {wanted.search_hz:g} "
            f"(search_hz), outside what {channel.name} can do: {low_hz:g} to {high_hz:g} Hz"
        )
    limit = settings.drive.max_amplitude
    if limit is not None and limit > channel.max_amplitude:
        raise InputError(
            f"drive.max_amplitude is {limit:g}, but {channel.name} gives at most "
            f"{channel.max_amplitude:g} {channel.amplitude_unit}"
        )
    amplitude_m = settings.drive.amplitude_of(mode)
    full_scale_m = stream.full_scale * stream.metres_per_unit
    if amplitude_m >= full_scale_m:
        raise InputError(
            f"drive.amplitude_m is {amplitude_m:g} for the {mode.value} mode, but must be below "
            f"the detector's full scale of {full_scale_m:g} m"
        )


def _check_pump(settings: LoopSettings, channel: ToneChannel | None) -> None:
    amplitude, window_hz = settings.pump.amplitude, settings.pump.difference_window_hz
    if amplitude > 0.0 and channel is None:
        raise InputError(
            "pump.amplitude is set, but the instrument has no tone channel 'pump'; set it to 0"
        )
    if channel is not None and amplitude > channel.max_amplitude:
        raise InputError(
            f"pump.amplitude is {amplitude:g}, the channel gives at most "
            f"{channel.max_amplitude:g} {channel.amplitude_unit}"
        )
    if window_hz is not None and not window_hz[0] < window_hz[1]:
        raise InputError(
            f"pump.difference_window_hz is {list(window_hz)}; the lower edge has to come first"
        )


def tracker_config(
    settings: LoopSettings,
    stream: StreamFormat,
    mode: ModeId,
    found: FoundMode,
    update_s: float,
) -> PhaseTrackerConfig:
    """The noise model of one tracker, from the settings and what the search found."""
    tracking = settings.tracking
    noise = tracking.detector_noise
    return PhaseTrackerConfig(
        update_s=update_s,
        detector_noise=(found.detector_noise if noise is None else noise / stream.metres_per_unit),
        thermal_amplitude=_thermal_amplitude(settings, stream, mode, found.frequency_hz),
        decay_rate_per_s=decay_rate_per_s(settings, mode, found.frequency_hz),
        walk_hz_per_root_s=_walks_hz_per_root_s(settings)[0],
        hold_s=HOLD_S,
    )


def _walks_hz_per_root_s(settings: LoopSettings) -> tuple[float, float]:
    """Shared and separate walk: as set, or what learning them begins with."""
    tracking = settings.tracking
    return (
        tracking.common_walk_hz_per_root_s
        or tracking.likely_common_walk_hz_per_root_s
        or START_SHARED_WALK,
        tracking.separate_walk_hz_per_root_s
        or tracking.likely_separate_walk_hz_per_root_s
        or START_SEPARATE_WALK,
    )


def joint_config(
    settings: LoopSettings, found: Mapping[ModeId, FoundMode], metres_per_unit: float
) -> JointConfig:
    """Prior knowledge of the pair, from the settings and what the search found."""
    modes, pump, tracking = settings.modes, settings.pump, settings.tracking
    shared, separate = _walks_hz_per_root_s(settings)
    sigma_hz = coupling_sigma_hz(settings)
    return JointConfig(
        lower_reference_hz=found[LOWER].frequency_hz,
        upper_reference_hz=found[UPPER].frequency_hz,
        frequency_sigma_hz=max(f.frequency_sigma_hz for f in found.values()) + 0.1,
        strengths=Strengths(
            shared_walk=shared**2,
            separate_walk=separate**2,
        ),
        learnt=(
            tracking.common_walk_hz_per_root_s is None,
            tracking.separate_walk_hz_per_root_s is None,
            True,
            True,
        ),
        drift_ratio=tracking.drift_ratio,
        drift_ratio_sigma=tracking.drift_ratio_sigma,
        pump_shift_hz=(modes.lower.pump_shift_hz_per_v2, modes.upper.pump_shift_hz_per_v2),
        pump_shift_sigma_hz=(
            modes.lower.pump_shift_sigma_hz_per_v2,
            modes.upper.pump_shift_sigma_hz_per_v2,
        ),
        coupling_hz=pump.coupling_hz_per_unit or 0.0,
        coupling_quadrature_sigma_hz=sigma_hz,
        coupling_sigma_hz=sigma_hz,
        asymmetry_sigma=0.5 * pump.mass_ratio_sigma,
        difference_duffing_hz=difference_duffing_hz(
            _duffing_hz_per_unit2(settings, metres_per_unit)
        ),
        duffing_sigma_hz=_duffing_sigma_hz_per_unit2(settings, metres_per_unit),
    )


def observer_config(
    settings: LoopSettings, pair: TrackedPair, metres_per_unit: float, learnt: Learnt | None
) -> ObserverConfig:
    """Prior knowledge of the observer, from the settings and what is known by now."""
    lower, upper = (pair.trackers[mode] for mode in ModeId)
    joint = pair.joint.estimate()
    pump = settings.pump
    shifts_hz = settings.modes.lower.pump_shift_hz_per_v2, settings.modes.upper.pump_shift_hz_per_v2
    sigmas_hz = (
        settings.modes.lower.pump_shift_sigma_hz_per_v2,
        settings.modes.upper.pump_shift_sigma_hz_per_v2,
    )
    config = ObserverConfig(
        scale=max(lower.amplitude, upper.amplitude),
        duffing_hz=_duffing_hz_per_unit2(settings, metres_per_unit),
        duffing_sigma_hz=_duffing_sigma_hz_per_unit2(settings, metres_per_unit),
        detector_noise=(lower.config.detector_noise, upper.config.detector_noise),
        thermal_amplitude=(lower.config.thermal_amplitude, upper.config.thermal_amplitude),
        decay_rate_per_s=(lower.config.decay_rate_per_s, upper.config.decay_rate_per_s),
        decay_rate_sigma=OBSERVER_DECAY_SIGMA,
        gain_walk_per_root_s=settings.tracking.gain_walk_per_root_s,
        frequency_hz=(
            lower.offset_hz,
            joint.difference_hz - (pair.mix_hz(UPPER) - pair.mix_hz(LOWER)),
        ),
        frequency_sigma_hz=(lower.frequency_sigma_hz, joint.difference_sigma_hz),
        ratio=joint.drift_ratio - 1.0,
        ratio_sigma=joint.drift_ratio_sigma,
        shift_hz=(shifts_hz[0], shifts_hz[1] - shifts_hz[0]),
        shift_sigma_hz=(sigmas_hz[0], math.hypot(*sigmas_hz)),
        coupling_hz=complex(pump.coupling_hz_per_unit or 0.0),
        coupling_sigma_hz=coupling_sigma_hz(settings),
        asymmetry=math.log(action_ratio(settings)),
        asymmetry_sigma=0.5 * pump.mass_ratio_sigma,
        shared_walk_hz_per_root_s=joint.shared_walk_hz_per_root_s,
        separate_walk_hz_per_root_s=joint.separate_walk_hz_per_root_s,
    )
    return replace(config, learnt=learnt or first_learnt(config, pair))


def duffing_shift(settings: LoopSettings, metres_per_unit: float) -> DuffingShift | None:
    """What amplitudes do to the frequencies, as far as it is known; None: nothing."""
    coefficients = _duffing_hz_per_unit2(settings, metres_per_unit)
    if not any(coefficients):
        return None
    lower, upper = (settings.drive.amplitude_of(mode) / metres_per_unit for mode in ModeId)
    return DuffingShift(hz_per_unit2=coefficients, held=(lower, upper))


def _duffing_sigma_hz_per_unit2(settings: LoopSettings, metres_per_unit: float) -> float:
    """How well each of the coefficients is known [Hz/unit^2]."""
    if metres_per_unit == UNCALIBRATED:  # nothing is known of what an amplitude means
        return 0.0
    return metres_per_unit**2 * max(
        settings.modes.of(mode).duffing_sigma_hz_per_m2 for mode in ModeId
    )


def _duffing_hz_per_unit2(
    settings: LoopSettings, metres_per_unit: float
) -> tuple[float, float, float, float]:
    """Lower by itself and by the upper, upper by itself and by the lower [Hz/unit^2]."""
    lower, upper = settings.modes.lower, settings.modes.upper
    squared = metres_per_unit**2
    return (
        squared * lower.duffing_self_hz_per_m2,
        squared * lower.duffing_cross_hz_per_m2,
        squared * upper.duffing_self_hz_per_m2,
        squared * upper.duffing_cross_hz_per_m2,
    )


def drive_config(
    settings: LoopSettings,
    stream: StreamFormat,
    mode: ModeId,
    channel: ToneChannel,
    found: FoundMode,
) -> DriveConfig:
    """What is asked of one drive, from the settings and what the search found."""
    decay_per_s = decay_rate_per_s(settings, mode, found.frequency_hz)
    target = settings.drive.amplitude_of(mode) / stream.metres_per_unit
    limit = found.drive_scale * channel.max_amplitude
    # Without a ping's word: as if the limit could hold ten times the target.
    assumed = 5.0 * decay_per_s * target / limit
    return DriveConfig(
        target_amplitude=target,
        decay_rate_per_s=decay_per_s,
        max_amplitude=limit,
        responsivity=found.responsivity or assumed,
    )


def pump_config(
    settings: LoopSettings,
    channel: ToneChannel | None,
    sample_rate_hz: float,
    first_index: int | None,
) -> PumpConfig:
    """Limits and wishes for the pump; without a channel there is nothing to switch.

    The pump may come on `run.pump_from_s` after `first_index`; None: at any time, when a
    protocol asks for it.
    """
    pump = settings.pump
    return PumpConfig(
        channel=channel or ToneChannel(PUMP_NAME, "V", 0.0, 0.0, math.inf, 0, True, True),
        sample_rate_hz=sample_rate_hz,
        amplitude=pump.amplitude,
        offset_hz=pump.offset_hz,
        coupling_phase_rad=pump.coupling_phase_rad,
        window_hz=pump.difference_window_hz,
        sigma_limit_hz=pump.sigma_limit_hz
        or max(SIGMA_LIMIT_LINES * _narrower_line_hz(settings), LEAST_SIGMA_LIMIT_HZ),
        healthy_s=pump.healthy_s,
        ramp_s=pump.ramp_s,
        from_index=0
        if first_index is None
        else first_index + round(settings.run.pump_from_s * sample_rate_hz),
        is_directed=first_index is None,
    )


def action_ratio(settings: LoopSettings) -> float:
    """sqrt(m w) of the upper over the lower mode."""
    lower, upper = settings.modes.lower, settings.modes.upper
    return math.sqrt(upper.mass_kg * upper.frequency_hz / (lower.mass_kg * lower.frequency_hz))


def decay_rate_per_s(settings: LoopSettings, mode: ModeId, frequency_hz: float) -> float:
    """gamma, the energy's decay rate, from the configured quality factor [1/s]."""
    return TWO_PI * frequency_hz / settings.modes.of(mode).quality_factor


def _thermal_amplitude(
    settings: LoopSettings, stream: StreamFormat, mode: ModeId, frequency_hz: float
) -> float:
    """x_th in sample units; 0 where the stream is not calibrated."""
    if stream.metres_per_unit == 1.0:
        return 0.0
    mass_kg, temperature_k = settings.modes.of(mode).mass_kg, settings.tracking.temperature_k
    variance_m2 = thermal_variance_m2(frequency_hz, mass_kg, temperature_k)
    return math.sqrt(variance_m2) / stream.metres_per_unit


def coupling_sigma_hz(settings: LoopSettings) -> float:
    """How well g / 2 pi per unit is known before anything was seen [Hz].

    Parameters
    ----------
    settings : LoopSettings
        What is known of the pump.

    Returns
    -------
    float
        As given; a tenth of a coupling without sigma; lines, where there is no coupling.
    """
    pump = settings.pump
    if pump.coupling_sigma_hz_per_unit is not None:
        return pump.coupling_sigma_hz_per_unit
    if pump.coupling_hz_per_unit is not None:
        return KNOWN_COUPLING_RATIO * abs(pump.coupling_hz_per_unit)
    return UNKNOWN_COUPLING_LINES * _narrower_line_hz(settings) / max(pump.amplitude, 1e-9)


def _narrower_line_hz(settings: LoopSettings) -> float:
    """Width of the narrower line, f / Q [Hz]."""
    modes = (settings.modes.lower, settings.modes.upper)
    return min(mode.frequency_hz / mode.quality_factor for mode in modes)
