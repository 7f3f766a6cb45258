"""What is done to a scenario in each regime, and which stretch of it is judged."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from controller.errors import InputError
from controller.records import ModeId
from controller.settings import Configuration
from controller.supervisor.requests import Request, RequestKind

SEARCHING_S = -math.inf  # as soon as the run begins, long before the lock
SETTLE_S = 120.0  # from the lock on: strengths and the ratio of the drifts are learnt
WEAKEN_S = 60.0  # for a mode to fall to the amplitude that it begins an exchange with
WEAK_RATIO = 0.05  # of the amplitude: what the mode that is not rung up holds in an exchange
FREE_S = 45.0  # about two decay times
RING_UP_S = 60.0
MARGIN_S = 1.0  # a run lasts longer than what is judged: filters look ahead by milliseconds


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What is asked of the loop on the way."""

    at_s: float  # from the lock of both modes on
    kind: RequestKind
    mode: ModeId | None = None  # None: both
    amplitude_ratio: float = 0.0  # of the scenario's, for DRIVE; 0: as before


@dataclass(frozen=True, slots=True, kw_only=True)
class Regime:
    """One way to run a scenario; times count from the lock of both modes."""

    name: str
    title: str
    amplitude_ratios: tuple[float, float]  # of the scenario's amplitudes, lower and upper
    is_pumped: bool
    asked: tuple[Asked, ...] = ()
    judged_s: tuple[float, float]

    @property
    def is_released(self) -> bool:
        """Whether the modes are left to themselves on the way."""
        return any(asked.kind is RequestKind.RELEASE for asked in self.asked)

    def requests(self, configuration: Configuration) -> tuple[tuple[float, Request], ...]:
        """What is asked of the loop, and when.

        Parameters
        ----------
        configuration : Configuration
            The scenario, whose amplitudes are meant.

        Returns
        -------
        tuple of (float, Request)
            Seconds from the lock on, and the request then.
        """
        requests = []
        for asked in self.asked:
            text, amplitude_m = "", 0.0
            if asked.mode is not None:
                text = asked.mode.value
                amplitude_m = asked.amplitude_ratio * configuration.drive.amplitude_of(asked.mode)
            request = Request(kind=asked.kind, text=text, value=amplitude_m)
            requests.append((asked.at_s, request))
        return tuple(requests)

    def applied(self, configuration: Configuration) -> Configuration:
        """The scenario as this regime runs it.

        Parameters
        ----------
        configuration : Configuration
            The scenario.

        Returns
        -------
        Configuration
            With this regime's drive amplitudes and duration; the pump is off, or free to come
            on whenever it is armed.
        """
        drive, pump, run = configuration.drive, configuration.pump, configuration.run
        lower_m, upper_m = (
            ratio * drive.amplitude_of(mode)
            for ratio, mode in zip(self.amplitude_ratios, ModeId, strict=True)
        )
        amplitude = pump.amplitude if self.is_pumped else 0.0
        duration_s = self.judged_s[1] + MARGIN_S
        return configuration.model_copy(
            update={
                "drive": drive.model_copy(update={"amplitude_m": (lower_m, upper_m)}),
                "pump": pump.model_copy(update={"amplitude": amplitude}),
                "run": run.model_copy(update={"duration_s": duration_s, "pump_from_s": 0.0}),
            }
        )


def _exchange(at_s: float) -> tuple[Asked, ...]:
    """Both modes released, and the pump on soon after."""
    return (
        Asked(at_s=at_s, kind=RequestKind.RELEASE),
        Asked(at_s=at_s + 0.5, kind=RequestKind.ARM),
    )


_DRIVEN = Regime(
    name="driven",
    title="both modes driven, pump off",
    amplitude_ratios=(1.0, 1.0),
    is_pumped=False,
    judged_s=(SETTLE_S, SETTLE_S + 120.0),
)
_PUMPED = Regime(
    name="pumped",
    title="both modes driven, pump on the difference",
    amplitude_ratios=(1.0, 1.0),
    is_pumped=True,
    asked=(
        Asked(at_s=SEARCHING_S, kind=RequestKind.DISARM),
        Asked(at_s=SETTLE_S, kind=RequestKind.ARM),
    ),
    judged_s=(SETTLE_S + 30.0, SETTLE_S + 150.0),
)
_FREE_AGAIN_S = SETTLE_S + FREE_S + RING_UP_S
_RING_DOWN = Regime(
    name="ring_down",
    title="both modes released, pump off; the second time",
    amplitude_ratios=(1.0, 1.0),
    is_pumped=False,
    asked=(
        Asked(at_s=SETTLE_S, kind=RequestKind.RELEASE),
        Asked(at_s=SETTLE_S + FREE_S, kind=RequestKind.DRIVE),
        Asked(at_s=_FREE_AGAIN_S, kind=RequestKind.RELEASE),
    ),
    judged_s=(_FREE_AGAIN_S, _FREE_AGAIN_S + FREE_S),
)
_EXCHANGE_S = SETTLE_S + WEAKEN_S
_EXCHANGE_AGAIN_S = _EXCHANGE_S + FREE_S + RING_UP_S
_WEAKENED = (
    Asked(at_s=SEARCHING_S, kind=RequestKind.DISARM),
    Asked(
        at_s=SETTLE_S,
        kind=RequestKind.DRIVE,
        mode=ModeId.LOWER,
        amplitude_ratio=WEAK_RATIO,
    ),
)
_FIRST = (*_WEAKENED, *_exchange(_EXCHANGE_S))
_DRIVEN_AGAIN = (
    Asked(at_s=_EXCHANGE_S + FREE_S, kind=RequestKind.DISARM),
    Asked(at_s=_EXCHANGE_S + FREE_S, kind=RequestKind.DRIVE),
)
_EXCHANGE = Regime(
    name="exchange",
    title="the upper mode rung up, both released, pump on; the second time",
    amplitude_ratios=(1.0, 1.0),
    is_pumped=True,
    asked=(*_FIRST, *_DRIVEN_AGAIN, *_exchange(_EXCHANGE_AGAIN_S)),
    judged_s=(_EXCHANGE_AGAIN_S + 3.0, _EXCHANGE_AGAIN_S + FREE_S),
)
_FIRST_EXCHANGE = Regime(
    name="first_exchange",
    title="an exchange for the first time: the coupling is known from the configuration alone",
    amplitude_ratios=(1.0, 1.0),
    is_pumped=True,
    asked=_FIRST,
    judged_s=(_EXCHANGE_S + 3.0, _EXCHANGE_S + FREE_S),
)
_PUMPED_TAUGHT = Regime(
    name="pumped_taught",
    title="both modes driven, pump on the difference, after an exchange",
    amplitude_ratios=(1.0, 1.0),
    is_pumped=True,
    asked=(
        *_FIRST,
        *_DRIVEN_AGAIN,
        Asked(
            at_s=_EXCHANGE_S + FREE_S,
            kind=RequestKind.DRIVE,
            mode=ModeId.LOWER,
            amplitude_ratio=1.0,
        ),
        Asked(at_s=_EXCHANGE_AGAIN_S, kind=RequestKind.ARM),
    ),
    judged_s=(_EXCHANGE_AGAIN_S + 30.0, _EXCHANGE_AGAIN_S + 150.0),
)
_THERMAL = Regime(
    name="thermal",
    title="the lower mode driven, the upper one in thermal motion",
    amplitude_ratios=(1.0, 0.0),
    is_pumped=False,
    judged_s=(SETTLE_S, SETTLE_S + 180.0),
)

REGIMES: Mapping[str, Regime] = {
    regime.name: regime
    for regime in (
        _DRIVEN,
        _PUMPED,
        _PUMPED_TAUGHT,
        _RING_DOWN,
        _EXCHANGE,
        _FIRST_EXCHANGE,
        _THERMAL,
    )
}
"""All regimes by name, in the order of the table."""


def regimes_named(names: Sequence[str]) -> tuple[Regime, ...]:
    """The regimes of some names, each once.

    Parameters
    ----------
    names : sequence of str
        Names out of `REGIMES`.

    Returns
    -------
    tuple of Regime
        In the order given.

    Raises
    ------
    InputError
        If a name is unknown, or there is none.
    """
    if not names:
        raise InputError(f"regimes: none is named; there are {', '.join(REGIMES)}")
    for name in names:
        if name not in REGIMES:
            near = difflib.get_close_matches(name, REGIMES, n=1)
            remedy = f"did you mean {near[0]}?" if near else f"there are {', '.join(REGIMES)}"
            raise InputError(f"regimes: {name!r} is unknown; {remedy}")
    return tuple(REGIMES[name] for name in dict.fromkeys(names))
