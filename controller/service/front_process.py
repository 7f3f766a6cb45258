"""The process of the public sockets: nothing is lost with it, whatever clients do to it.

    clients --commands--> this process --Incoming--> service
            <-telemetry--              <-Reply, Publication--

libzmq ends its process where it finds itself in a state that it holds to be
impossible (4.3.5: a peer that dies while its commands are unread, and heartbeats
of it among them), and it keeps a message of many parts in memory, where
nobody else can see it, until the last part has come. Neither can be forbidden to
a peer. Therefore the sockets have a process that can be ended and started
anew at any time; loop, log and service go on. `controller.service.front`
does that.
"""

from __future__ import annotations

import os
import sys

from controller.errors import InputError
from controller.service.ends import ChildEnd
from controller.service.front_link import (
    TOO_MUCH_MEMORY,
    Bound,
    CloseFront,
    FrontJob,
    FrontState,
    NotBound,
    Publication,
    Reply,
)
from controller.service.processes import job_of_this_process, resident_bytes
from controller.service.sockets import MOST_AT_ONCE, ServiceSockets

POLL_MS = 100  # longest wait for something to happen


def main() -> int:
    """Serve the sockets until the service ends it; exit status 0, 2 bad input, 3 memory."""
    job: FrontJob = job_of_this_process()
    link = ChildEnd(job.link_folder)
    try:
        with ServiceSockets(
            job.address, job.command_port, job.telemetry_port, keys=job.keys
        ) as sockets:
            link.tell(
                Bound(command_port=sockets.command_port, telemetry_port=sockets.telemetry_port)
            )
            return Relay(sockets, link, job).run()
    except InputError as error:
        link.tell(NotBound(str(error)))
        return 2
    finally:
        link.close()


class Relay:
    """Hands on what comes from clients and what goes to them.

    Parameters
    ----------
    sockets : ServiceSockets
        To the clients.
    link : ChildEnd
        To the service.
    job : FrontJob
        Names the service, and how much memory there is.
    """

    def __init__(self, sockets: ServiceSockets, link: ChildEnd, job: FrontJob) -> None:
        self._sockets, self._link, self._service_pid = sockets, link, job.service_pid
        self._told = FrontState()
        self._unanswered = 0
        self._closing: CloseFront | None = None
        self._most_bytes = resident_bytes() + job.most_memory_bytes
        sockets.wake_on(link.socket)

    def run(self) -> int:
        """Turn after turn; the exit status."""
        while self._closing is None and os.getppid() == self._service_pid:
            self.turn()
            if resident_bytes() > self._most_bytes:
                return TOO_MUCH_MEMORY
        self._sockets.close(0 if self._closing is None else self._closing.linger_ms)
        return 0

    def turn(self) -> None:
        """Whatever there is to do.

        The service is never handed more than it answers in one turn of its own. What clients ask
        beyond that waits in their queues, where each gets its turn: a mute is not kept waiting by
        somebody else's flood.
        """
        for incoming in self._sockets.poll(POLL_MS, MOST_AT_ONCE - self._unanswered):
            self._unanswered += 1
            self._link.tell(incoming)
        for order in self._link.orders():
            self._carry_out(order)
        state = self._state()
        if state != self._told:
            self._told = state
            self._link.tell(state)

    def _carry_out(self, order: object) -> None:
        if isinstance(order, Reply):
            self._unanswered -= 1
            self._sockets.send_answer(order.route, order.content)
        elif isinstance(order, Publication):
            self._sockets.send(order.topic, order.content)
        elif isinstance(order, CloseFront):
            self._closing = order

    def _state(self) -> FrontState:
        sockets = self._sockets
        return FrontState(
            topics=sockets.topics,
            client_count=sockets.client_count,
            is_picture_wanted=sockets.is_picture_wanted,
            malformed=sockets.malformed,
            strangers=sockets.strangers,
            access_complaint=sockets.access_complaint,
        )


if __name__ == "__main__":
    sys.exit(main())
