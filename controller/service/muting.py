"""Why the service itself mutes the pump: a log that stands still, control that has vanished.

A mute is the loop's to carry out. What is kept here is why there is one, so that
the service lifts its own and nobody else's.
"""

from __future__ import annotations

from collections.abc import Callable

from controller.settings import ServiceSettings
from controller.supervisor.requests import Request, RequestKind

NOT_LOGGING = "the log cannot be written"


class Muting:
    """The service's own mutes; owned by its one thread.

    Parameters
    ----------
    settings : ServiceSettings
        Which of them are wanted.
    ask : callable
        Hands a request to the loop, and to `take`.
    """

    def __init__(self, settings: ServiceSettings, ask: Callable[[Request], None]) -> None:
        self._settings, self._ask = settings, ask
        self.reasons: set[str] = set()  # why the pump is muted: by whom, or for what
        self._is_log_missing = self._is_unattended = False

    def __repr__(self) -> str:
        return f"Muting({', '.join(sorted(self.reasons)) or 'nothing'})"

    def take(self, request: Request) -> None:
        """Take note of what the loop is asked, by whomever."""
        if request.kind is RequestKind.MUTE:
            self.reasons.add(request.text or request.who)
        elif request.kind in (RequestKind.ARM, RequestKind.UNMUTE):
            self.reasons.clear()
            if self._is_log_missing:
                self._mute(NOT_LOGGING)

    def look_at_log(self, *, is_stopped: bool) -> None:
        """Mute the pump as long as there is no log, if that is wanted; when the log changes."""
        self._is_log_missing = is_stopped and self._settings.mute_when_not_logging
        if self._is_log_missing:
            self._mute(NOT_LOGGING)
        elif self.reasons == {NOT_LOGGING}:
            self._ask(Request(kind=RequestKind.UNMUTE, text="the log goes on", who="service"))

    def look_at_control(self, vanished_for_s: float | None) -> None:
        """Mute the pump once when nobody has held control for long, if that is wanted.

        Parameters
        ----------
        vanished_for_s : float or None
            Since a client that held it vanished [s]; None: none has.
        """
        was_unattended = self._is_unattended
        self._is_unattended = (
            vanished_for_s is not None
            and self._settings.when_control_vanishes == "mute"
            and vanished_for_s >= self._settings.mute_after_s
        )
        if self._is_unattended and not was_unattended:
            self._mute("nobody holds control")

    def _mute(self, why: str) -> None:
        self._ask(Request(kind=RequestKind.MUTE, text=why, who="service"))
