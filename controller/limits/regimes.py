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
SETTLE_S = 60.0  # from the lock on: strengths and drift are learnt
WEAK_RATIO = 0.05  # of the amplitude: what the mode that is not rung up holds in an exchange
FREE_S = 45.0  # about two decay times
AGAIN_S = SETTLE_S + FREE_S + 60.0  # rung up once more
MARGIN_S = 1.0  # a run lasts longer than what is judged: filters look ahead by milliseconds


@dataclass(frozen=True, slots=True, kw_only=True)
class Regime:
    """One way to run a scenario; times count from the lock of both modes."""

    name: str
    title: str
    amplitude_ratios: tuple[float, float]  # of the scenario's amplitudes, lower and upper
    is_pumped: bool
    asked: tuple[tuple[float, RequestKind], ...] = ()  # of the loop, and when [s]
    judged_s: tuple[float, float]

    @property
    def is_released(self) -> bool:
        """Whether the modes are left to themselves on the way."""
        return any(kind is RequestKind.RELEASE for _, kind in self.asked)

    def requests(self) -> tuple[tuple[float, Request], ...]:
        """What is asked of the loop, and when: seconds from the lock on."""
        return tuple((at_s, Request(kind=kind)) for at_s, kind in self.asked)

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
    asked=((SEARCHING_S, RequestKind.DISARM), (SETTLE_S, RequestKind.ARM)),
    judged_s=(SETTLE_S + 30.0, SETTLE_S + 150.0),
)
_RING_DOWN = Regime(
    name="ring_down",
    title="both modes released, pump off; the second time",
    amplitude_ratios=(1.0, 1.0),
    is_pumped=False,
    asked=(
        (SETTLE_S, RequestKind.RELEASE),
        (SETTLE_S + FREE_S, RequestKind.DRIVE),
        (AGAIN_S, RequestKind.RELEASE),
    ),
    judged_s=(AGAIN_S, AGAIN_S + FREE_S),
)
_EXCHANGED = (
    (SEARCHING_S, RequestKind.DISARM),
    (SETTLE_S, RequestKind.RELEASE),
    (SETTLE_S + 0.5, RequestKind.ARM),
)
_EXCHANGE = Regime(
    name="exchange",
    title="the upper mode rung up, both released, pump on; the second time",
    amplitude_ratios=(WEAK_RATIO, 1.0),
    is_pumped=True,
    asked=(
        *_EXCHANGED,
        (SETTLE_S + FREE_S, RequestKind.DISARM),
        (SETTLE_S + FREE_S, RequestKind.DRIVE),
        (AGAIN_S, RequestKind.RELEASE),
        (AGAIN_S + 0.5, RequestKind.ARM),
    ),
    judged_s=(AGAIN_S + 3.0, AGAIN_S + FREE_S),
)
_FIRST_EXCHANGE = Regime(
    name="first_exchange",
    title="an exchange for the first time: the coupling is known from the configuration alone",
    amplitude_ratios=(WEAK_RATIO, 1.0),
    is_pumped=True,
    asked=_EXCHANGED,
    judged_s=(SETTLE_S + 3.0, SETTLE_S + FREE_S),
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
    for regime in (_DRIVEN, _PUMPED, _RING_DOWN, _EXCHANGE, _FIRST_EXCHANGE, _THERMAL)
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
