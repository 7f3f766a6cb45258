"""What was last known of the modes: kept beside the log, for a fast next start.

The file is read with distrust: everything in it is checked, it ages, and the
first search that it narrows is followed by one in the whole range.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from controller.errors import InputError
from controller.records import Knowledge, ModeId, ModeRecord, Record, TrackerState
from controller.runtime.private_file import write_private
from controller.settings import Configuration, ModeSettings, PumpSettings, TrackingSettings

LAST_KNOWN_NAME = "last_known.json"
SAVE_EVERY_S = 60.0

# The first look is as wide as this many standard deviations, and never narrower: a walk that
# was learnt over minutes does not know of a door that was opened since, and the noise beside
# a mode is measured within the look.
LOOK_SIGMAS = 5.0
LEAST_LOOK_HZ = 50.0
# A strength counts as known from so many of its own sigmas on.
KNOWN_SIGMAS = 3.0
# What a coupling or a shift may have changed by since, relative (common practice, no source).
CHANGED_SINCE = 0.1
# What the ratio of the drifts may have changed by: as much as the joint estimate lets it
# change in a quarter of an hour, because something else may warm the modes.
RATIO_CHANGED_SINCE = 1.0e-3

_Finite = Annotated[float, Field(allow_inf_nan=False)]
_Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
_NotNegative = Annotated[float, Field(ge=0.0, allow_inf_nan=False)]


class _Checked(BaseModel):
    """A part of the file: immutable; what a later version adds is ignored."""

    model_config = ConfigDict(frozen=True, extra="ignore")


class LastMode(_Checked):
    """One mode when it was last locked."""

    frequency_hz: _Positive
    frequency_sigma_hz: _NotNegative
    pump_shift_hz_per_v2: _Finite | None = None
    pump_shift_sigma_hz_per_v2: _NotNegative | None = None


class LastKnown(_Checked):
    """Both modes when they were last locked together, and what was learnt of them."""

    schema_: Literal["difftone.last_known/1"] = Field(
        "difftone.last_known/1", alias="schema", serialization_alias="schema"
    )
    saved: AwareDatetime  # wall clock
    time_s: _NotNegative  # stream time
    lower: LastMode
    upper: LastMode
    difference_hz: _Finite
    difference_sigma_hz: _NotNegative
    common_walk_hz_per_root_s: _Positive | None = None
    separate_walk_hz_per_root_s: _Positive | None = None
    drift_ratio: _Finite | None = None
    drift_ratio_sigma: _NotNegative | None = None
    coupling_hz_per_unit: _NotNegative | None = None
    coupling_sigma_hz_per_unit: _NotNegative | None = None

    def of(self, mode: ModeId) -> LastMode:
        """One of the modes."""
        return self.lower if mode is ModeId.LOWER else self.upper

    def age_s(self, now: datetime) -> float:
        """How long ago that was [s]; a clock that was set back since counts both ways."""
        return abs((now - self.saved).total_seconds())


def last_known_of(record: Record, knowledge: Knowledge | None, saved: datetime) -> LastKnown | None:
    """What a record says of the modes; None where they are not both locked.

    Parameters
    ----------
    record : Record
        The newest one.
    knowledge : Knowledge or None
        What the loop has learnt, if it has.
    saved : datetime
        The wall clock, with its zone.

    Returns
    -------
    LastKnown or None
        Ready to be saved.
    """
    modes = {mode: _last_mode(mode, record.modes[mode], knowledge) for mode in ModeId}
    lower, upper = modes[ModeId.LOWER], modes[ModeId.UPPER]
    difference_hz, sigma_hz = record.difference_hz, record.difference_sigma_hz
    if lower is None or upper is None or difference_hz is None or sigma_hz is None:
        return None
    learnt: dict[str, Any] = {}
    if knowledge is not None:
        learnt = {
            "common_walk_hz_per_root_s": knowledge.shared_walk_hz_per_root_s,
            "separate_walk_hz_per_root_s": knowledge.separate_walk_hz_per_root_s,
            "drift_ratio": knowledge.drift_ratio,
            "drift_ratio_sigma": knowledge.drift_ratio_sigma,
            "coupling_hz_per_unit": knowledge.coupling_hz_per_unit,
            "coupling_sigma_hz_per_unit": knowledge.coupling_sigma_hz_per_unit,
        }
    try:
        return LastKnown(
            saved=saved,
            time_s=record.time_s,
            lower=lower,
            upper=upper,
            difference_hz=difference_hz,
            difference_sigma_hz=sigma_hz,
            **learnt,
        )
    except ValidationError:  # NaN: nothing is known
        return None


def _last_mode(mode: ModeId, record: ModeRecord, knowledge: Knowledge | None) -> LastMode | None:
    if record.state is not TrackerState.LOCKED:
        return None
    shifts: dict[str, float] = {}
    if knowledge is not None:
        shifts = {
            "pump_shift_hz_per_v2": knowledge.pump_shift_hz_per_unit2[mode],
            "pump_shift_sigma_hz_per_v2": knowledge.pump_shift_sigma_hz_per_unit2[mode],
        }
    try:
        return LastMode.model_validate(
            {
                "frequency_hz": record.frequency_hz,
                "frequency_sigma_hz": record.frequency_sigma_hz,
                **shifts,
            }
        )
    except ValidationError:
        return None


def load_last_known(path: Path) -> LastKnown:
    """Read what an earlier run has left.

    Parameters
    ----------
    path : Path
        Its `last_known.json`, or the folder that holds it.

    Returns
    -------
    LastKnown
        Every value checked.

    Raises
    ------
    InputError
        If there is no such file, or it is damaged; one line.
    """
    path = path / LAST_KNOWN_NAME if path.is_dir() else path
    try:
        return LastKnown.model_validate_json(path.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        raise InputError(f"{path}: no such file; a run leaves {LAST_KNOWN_NAME}") from error
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read ({error})") from error
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, first["loc"])) or "the file"
        raise InputError(
            f"{path}: {where}: {first['msg']}; give the {LAST_KNOWN_NAME} of a run"
        ) from error


def narrowed(configuration: Configuration, known: LastKnown, age_s: float) -> Configuration:
    """A configuration that begins with what an earlier run knew.

    Parameters
    ----------
    configuration : Configuration
        As it was read.
    known : LastKnown
        What was known.
    age_s : float
        How long ago [s].

    Returns
    -------
    Configuration
        The first search looks where the modes were, as wide as they may have
        drifted since; the ranges of later searches stay. Walks, coupling and
        shifts and the ratio of the drifts are begun with as they were learnt, where
        the configuration does not state them.

    Raises
    ------
    InputError
        If a mode was outside the range of the configuration: that was another
        device.
    """
    modes = configuration.modes
    return configuration.model_copy(
        update={
            "modes": modes.model_copy(
                update={
                    mode.value: _narrowed_mode(modes.of(mode), mode, known, age_s)
                    for mode in ModeId
                }
            ),
            "tracking": _with_drifts(configuration.tracking, known),
            "pump": _with_coupling(configuration.pump, known),
        }
    )


def _with_drifts(tracking: TrackingSettings, known: LastKnown) -> TrackingSettings:
    update: dict[str, float | None] = {
        "likely_common_walk_hz_per_root_s": known.common_walk_hz_per_root_s,
        "likely_separate_walk_hz_per_root_s": known.separate_walk_hz_per_root_s,
    }
    ratio, sigma = known.drift_ratio, known.drift_ratio_sigma
    if tracking.drift_ratio is None and ratio is not None and sigma is not None and ratio > 0.0:
        sigma = math.hypot(sigma, RATIO_CHANGED_SINCE)
        if sigma < tracking.drift_ratio_sigma:
            update |= {"drift_ratio": ratio, "drift_ratio_sigma": sigma}
    return tracking.model_copy(update=update)


def _narrowed_mode(
    settings: ModeSettings, mode: ModeId, known: LastKnown, age_s: float
) -> ModeSettings:
    last = known.of(mode)
    if abs(last.frequency_hz - settings.frequency_hz) > settings.search_hz:
        raise InputError(
            f"{LAST_KNOWN_NAME}: the {mode.value} mode was at {last.frequency_hz!r} Hz, outside"
            f" modes.{mode.value} of the configuration, {settings.frequency_hz!r} ±"
            f" {settings.search_hz:g} Hz; give one of the same device"
        )
    update: dict[str, float] = {
        "likely_hz": last.frequency_hz,
        "likely_within_hz": _look_hz(known, last, age_s, settings.search_hz),
    }
    shift, sigma = last.pump_shift_hz_per_v2, last.pump_shift_sigma_hz_per_v2
    if shift is not None and sigma is not None:
        sigma = math.hypot(sigma, CHANGED_SINCE * shift)
        if sigma < settings.pump_shift_sigma_hz_per_v2:
            update |= {"pump_shift_hz_per_v2": shift, "pump_shift_sigma_hz_per_v2": sigma}
    return settings.model_copy(update=update)


def _look_hz(known: LastKnown, last: LastMode, age_s: float, search_hz: float) -> float:
    """Half-width of the first look: what the frequency may have walked since."""
    if known.common_walk_hz_per_root_s is None:
        return search_hz
    walk = math.hypot(known.common_walk_hz_per_root_s, known.separate_walk_hz_per_root_s or 0.0)
    sigma_hz = math.hypot(last.frequency_sigma_hz, walk * math.sqrt(age_s))
    return min(search_hz, max(LEAST_LOOK_HZ, LOOK_SIGMAS * sigma_hz))


def _with_coupling(pump: PumpSettings, known: LastKnown) -> PumpSettings:
    coupling, sigma = known.coupling_hz_per_unit, known.coupling_sigma_hz_per_unit
    is_known = coupling is not None and sigma is not None and coupling > KNOWN_SIGMAS * sigma
    if pump.coupling_hz_per_unit is not None or not is_known:
        return pump
    assert coupling is not None and sigma is not None
    return pump.model_copy(
        update={
            "coupling_hz_per_unit": coupling,
            "coupling_sigma_hz_per_unit": math.hypot(sigma, CHANGED_SINCE * coupling),
        }
    )


class LastKnownFile:
    """Keeps `last_known.json` up to date; owned by the thread that writes the log.

    Parameters
    ----------
    path : Path
        The file.
    now : callable
        The wall clock, with its zone.
    """

    def __init__(self, path: Path, now: Callable[[], datetime] = lambda: datetime.now(UTC)) -> None:
        self._path, self._now = path, now
        self._newest: LastKnown | None = None
        self._next_save_s = -math.inf

    def __repr__(self) -> str:
        return f"LastKnownFile({self._path})"

    def note(self, record: Record, knowledge: Knowledge | None) -> None:
        """Take in a record, if it shows both modes locked."""
        known = last_known_of(record, knowledge, self._now())
        if known is not None:
            self._newest = known

    def save_if_due(self) -> None:
        """Save once a minute what is new."""
        if time.monotonic() >= self._next_save_s:
            self.save()

    def save(self) -> None:
        """Save what is new.

        Raises
        ------
        OSError
            If the file cannot be written; an older one is as it was.
        """
        if self._newest is None:
            return
        write_private(self._path, self._newest.model_dump_json(indent=2, by_alias=True) + "\n")
        self._newest = None
        self._next_save_s = time.monotonic() + SAVE_EVERY_S
