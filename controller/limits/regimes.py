"""What is done to a scenario in each regime, and which stretch of it is judged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from controller.settings import Configuration
from controller.supervisor.requests import Request, RequestKind

SETTLE_S = 60.0  # from the lock on: strengths and drift are learnt
WEAK_RATIO = 0.05  # of the amplitude: what the mode that is not rung up holds in an exchange
FREE_S = 45.0  # about two decay times
AGAIN_S = SETTLE_S + FREE_S + 60.0  # rung up once more


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
    def is_thermal(self) -> bool:
        """Whether a mode is left in thermal motion from the start."""
        return 0.0 in self.amplitude_ratios

    @property
    def end_s(self) -> float:
        """How long it takes from the lock on [s]."""
        return self.judged_s[1] + 1.0

    def applied(self, configuration: Configuration) -> Configuration:
        """The scenario as this regime runs it.

        Parameters
        ----------
        configuration : Configuration
            The scenario.

        Returns
        -------
        Configuration
            With other drive amplitudes, a pump that waits to be armed or stays off.
        """
        drive, pump, run = configuration.drive, configuration.pump, configuration.run
        lower_m, upper_m = _pair(drive.amplitude_m)
        lower_ratio, upper_ratio = self.amplitude_ratios
        changes: dict[str, Mapping[str, Any]] = {
            "drive": {"amplitude_m": (lower_ratio * lower_m, upper_ratio * upper_m)},
            "pump": {} if self.is_pumped else {"amplitude": 0.0},
            "run": {"duration_s": self.end_s, "pump_from_s": 0.0},
        }
        return configuration.model_copy(
            update={
                "drive": drive.model_copy(update=changes["drive"]),
                "pump": pump.model_copy(update=changes["pump"]),
                "run": run.model_copy(update=changes["run"]),
            }
        )

    @property
    def is_released(self) -> bool:
        """Whether the modes are left to themselves on the way."""
        return any(kind is RequestKind.RELEASE for _, kind in self.asked)

    def requests(self) -> tuple[tuple[float, Request], ...]:
        """What is asked of the loop, and when: seconds from the lock; -1: at the start."""
        return tuple((at_s, Request(kind=kind)) for at_s, kind in self.asked)


def _pair(amplitude_m: float | tuple[float, float]) -> tuple[float, float]:
    if isinstance(amplitude_m, tuple):
        return amplitude_m
    return amplitude_m, amplitude_m


REGIMES: Mapping[str, Regime] = {
    regime.name: regime
    for regime in (
        Regime(
            name="driven",
            title="both modes driven, pump off",
            amplitude_ratios=(1.0, 1.0),
            is_pumped=False,
            judged_s=(SETTLE_S, SETTLE_S + 120.0),
        ),
        Regime(
            name="pumped",
            title="both modes driven, pump on the difference",
            amplitude_ratios=(1.0, 1.0),
            is_pumped=True,
            asked=((-1.0, RequestKind.DISARM), (SETTLE_S, RequestKind.ARM)),
            judged_s=(SETTLE_S + 30.0, SETTLE_S + 150.0),
        ),
        Regime(
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
        ),
        Regime(
            name="exchange",
            title="the upper mode rung up, both released, pump on; the second time",
            amplitude_ratios=(WEAK_RATIO, 1.0),
            is_pumped=True,
            asked=(
                (-1.0, RequestKind.DISARM),
                (SETTLE_S, RequestKind.RELEASE),
                (SETTLE_S + 0.5, RequestKind.ARM),
                (SETTLE_S + FREE_S, RequestKind.DISARM),
                (SETTLE_S + FREE_S, RequestKind.DRIVE),
                (AGAIN_S, RequestKind.RELEASE),
                (AGAIN_S + 0.5, RequestKind.ARM),
            ),
            judged_s=(AGAIN_S + 3.0, AGAIN_S + FREE_S),
        ),
        Regime(
            name="first_exchange",
            title="the same the first time, with what the configuration says of the coupling",
            amplitude_ratios=(WEAK_RATIO, 1.0),
            is_pumped=True,
            asked=(
                (-1.0, RequestKind.DISARM),
                (SETTLE_S, RequestKind.RELEASE),
                (SETTLE_S + 0.5, RequestKind.ARM),
            ),
            judged_s=(SETTLE_S + 3.0, SETTLE_S + FREE_S),
        ),
        Regime(
            name="thermal",
            title="the lower mode driven, the upper one in thermal motion",
            amplitude_ratios=(1.0, 0.0),
            is_pumped=False,
            judged_s=(SETTLE_S, SETTLE_S + 180.0),
        ),
    )
}
