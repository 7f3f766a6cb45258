"""Control: which one client may change things, and when it has vanished.

Theory of operation. Nobody, or one client, holds control. A client that may
control takes it when nobody holds it, and keeps it as long as it is heard
(a heartbeat, or any command that needs control) before its lease is over;
it can hand it to another client that was heard of late, or give it back. A
lease that runs out without either means that the client has vanished; what
then happens to the pump is the configuration's to say. Mute, notes and
everything that changes nothing need no control.

    nobody   --take-->               held
    held     --heard-->              held, for as long again
    held     --hand over-->          held, by the other
    held     --give up-->            nobody
    held     --lease over-->         nobody, vanished
    nobody   --take (by anybody)-->  held, no longer vanished

The clock is passed in. Nothing here sends or switches anything.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass

from controller.service.access import Role
from controller.service.commands import (
    Command,
    GiveUpControl,
    HandOver,
    Heartbeat,
    TakeControl,
    name_of,
)
from controller.service.messages import ControlStatus

ABOUT_CONTROL = (TakeControl, Heartbeat, HandOver, GiveUpControl)
"""The commands that `Control` itself carries out."""

HEARD_S = 60.0  # how long ago a client may have been heard that control is handed to
MOST_HEARD = 200  # clients that are remembered


@dataclass(frozen=True, slots=True)
class ClientId:
    """One client: its key or connection, and the name it gives itself."""

    identity: str
    who: str


class Control:
    """Who holds the right to change things; owned by the service's one thread."""

    def __init__(self) -> None:
        self.holder: ClientId | None = None
        self.vanished: ClientId | None = None  # who held it last and was not heard again
        self._lease_s = 0.0
        self._expires_s = 0.0
        self._vanished_at_s = 0.0
        self._heard: OrderedDict[ClientId, float] = OrderedDict()  # when; controllers alone

    def __repr__(self) -> str:
        return f"Control({self.holder.who if self.holder else 'nobody'})"

    def refusal(self, client: ClientId, role: Role, command: Command, now_s: float) -> str:
        """Why a client may not do something now; empty if it may.

        Parameters
        ----------
        client : ClientId
            Who asks; it counts as heard.
        role : Role
            What it may do at all.
        command : Command
            What it asks.
        now_s : float
            Any clock that only goes forward [s].

        Returns
        -------
        str
            One line.
        """
        if not command.changes:
            return ""
        if role is not Role.CONTROLLER:
            return f"{name_of(command)}: this key may read, not change things"
        self._hear(client, now_s)
        if not command.needs_control or client == self.holder:
            return ""
        return f"{name_of(command)}: {self._held_by(now_s)}"

    def carry_out(self, client: ClientId, command: Command, now_s: float) -> tuple[bool, str]:
        """Carry out one of the commands about control that `refusal` lets pass.

        Parameters
        ----------
        client : ClientId
            Who asks.
        command : Command
            One of ABOUT_CONTROL.
        now_s : float
            The same clock as in `refusal` [s].

        Returns
        -------
        (bool, str)
            Whether it was done; what was done, or why not.
        """
        if isinstance(command, TakeControl):
            return self._take(client, command.seconds, now_s)
        if isinstance(command, HandOver):
            return self._hand_over(command.to, now_s)
        if isinstance(command, GiveUpControl):
            self.holder = None
            return True, "nobody holds control now"
        return True, f"control held for another {self._lease_s:g} s"

    def expire(self, now_s: float) -> ClientId | None:
        """The client whose lease ran out since the last call; None: nobody's."""
        if self.holder is None or now_s < self._expires_s:
            return None
        self.vanished, self.holder = self.holder, None
        self._vanished_at_s = self._expires_s
        return self.vanished

    def vanished_for_s(self, now_s: float) -> float | None:
        """How long nobody has held control since a client vanished; None: it did not [s]."""
        return None if self.vanished is None else now_s - self._vanished_at_s

    def status(self, now_s: float) -> ControlStatus:
        """For the telemetry."""
        vanished = "" if self.vanished is None else self.vanished.who
        if self.holder is None:
            return ControlStatus(vanished=vanished)
        return ControlStatus(
            who=self.holder.who,
            identity=self.holder.identity,
            expires_in_s=max(self._expires_s - now_s, 0.0),
            vanished=vanished,
        )

    # -- pieces ----------------------------------------------------------------

    def _hear(self, client: ClientId, now_s: float) -> None:
        """Remember that a client was heard; the holder's lease begins anew."""
        self._heard[client] = now_s
        self._heard.move_to_end(client)
        if len(self._heard) > MOST_HEARD:
            self._heard.popitem(last=False)
        if client == self.holder:
            self._expires_s = now_s + self._lease_s

    def _take(self, client: ClientId, lease_s: float, now_s: float) -> tuple[bool, str]:
        if self.holder not in (None, client):
            return False, f"take_control: {self._held_by(now_s)}"
        self._hold(client, lease_s, now_s)
        return True, f"{client.who} holds control; unheard it expires after {lease_s:g} s"

    def _hand_over(self, to: str, now_s: float) -> tuple[bool, str]:
        named = [
            client
            for client, heard_s in self._heard.items()
            if client.who == to and now_s - heard_s <= HEARD_S
        ]
        if not named:
            return False, f"hand_over: no client {to!r} that may control was heard lately"
        if len(named) > 1:
            return False, f"hand_over: {len(named)} clients call themselves {to!r}"
        self._hold(named[0], self._lease_s, now_s)
        return True, f"{to} holds control; unheard it expires after {self._lease_s:g} s"

    def _hold(self, client: ClientId, lease_s: float, now_s: float) -> None:
        self.holder, self.vanished = client, None
        self._lease_s, self._expires_s = lease_s, now_s + lease_s

    def _held_by(self, now_s: float) -> str:
        if self.holder is None:
            return "needs control; take it first"
        return (
            f"{self.holder.who} holds control for at least "
            f"{max(self._expires_s - now_s, 0.0):.1f} s more"
        )
