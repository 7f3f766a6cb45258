"""The public sockets as the service sees them: a process that is started anew when it dies."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import zmq

from controller.errors import InputError, RunFailed
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
from controller.service.linked_process import LinkedProcess
from controller.service.messages import PictureMessage, Telemetry
from controller.service.processes import Pauses, how_it_ended
from controller.service.sockets import Incoming, Numbering

FRONT = "controller.service.front_process"
BOUND_WITHIN_S = 30.0  # at the start of the service
POLL_MS = 100
CLOSED_WITHIN_S = 2.0  # beyond what is granted to answers under way
# Forty clients that fill each of their queues have less.
MOST_MEMORY_BYTES = 256 * 2**20
# Between an end and the next start.
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.5, 30.0
LONG_LIFE_S = 60.0


class Front:
    """Commands, answers and telemetry, through a process of its own; one thread.

    Parameters
    ----------
    address : str
        Numeric address to listen on.
    command_port, telemetry_port : int
        0: any that is free.
    keys : Path or None
        Folder of keys (`controller.service.access`); None: no keys, on
        loopback alone.
    most_memory_bytes : int
        What the process may need beyond what it has at its start.

    Raises
    ------
    InputError
        If the address is not loopback and there are no keys, if keys cannot
        be read, or a port is taken.
    RunFailed
        If the process does not come up.
    """

    def __init__(
        self,
        address: str,
        command_port: int,
        telemetry_port: int,
        *,
        keys: Path | None = None,
        most_memory_bytes: int = MOST_MEMORY_BYTES,
    ) -> None:
        self._address, self._keys = address, keys
        self._most_memory_bytes = most_memory_bytes
        self.command_port, self.telemetry_port = command_port, telemetry_port
        self._numbering = Numbering()
        self._state = FrontState()
        self._malformed_before = self._strangers_before = 0  # of processes that have ended
        self._troubles: list[str] = []
        self._pauses = Pauses(FIRST_PAUSE_S, LONGEST_PAUSE_S, LONG_LIFE_S)
        self._start_at_s = 0.0
        self._poller = zmq.Poller()
        self._process: LinkedProcess | None = None
        self._start()
        try:
            self._wait_until_bound()
        except BaseException:
            self.close()
            raise

    def __repr__(self) -> str:
        return f"Front(ports {self.command_port} and {self.telemetry_port})"

    def __enter__(self) -> Front:
        return self

    def __exit__(self, *details: object) -> None:
        self.close()

    def close(self, linger_ms: int = 0) -> None:
        """Close everything; may be called twice.

        Parameters
        ----------
        linger_ms : int
            How long answers and telemetry that are under way may take.
        """
        if self._process is None:
            return
        self._process.order(CloseFront(linger_ms))
        if not self._process.is_ended_within(linger_ms / 1e3 + CLOSED_WITHIN_S):
            self._process.kill()
        self._part_with(self._process)

    def wake_on(self, socket: zmq.Socket[bytes]) -> None:
        """Let `poll` return also when another socket has something to read."""
        self._poller.register(socket, zmq.POLLIN)

    # -- in --------------------------------------------------------------------

    def poll(self, timeout_ms: int) -> list[Incoming]:
        """What clients have asked for since the last call.

        Parameters
        ----------
        timeout_ms : int
            How long to wait for something to happen; 0: not at all.

        Returns
        -------
        list of Incoming
            In the order of arrival; each wants an answer.
        """
        self._poller.poll(timeout_ms)
        if self._process is None:
            if time.monotonic() >= self._start_at_s:
                self._start_again()
            return []
        if self._process.dropped:
            self._process.kill()  # it has not taken anything for a minute
        status = self._process.exit_status
        taken = self._commands_from(self._process)
        if status is not None:
            self._lose(self._process, status)
        return taken

    @property
    def pid(self) -> int | None:
        """Of the process; None: it is about to be started again."""
        return None if self._process is None else self._process.pid

    def troubles(self) -> list[str]:
        """What has happened to the process since the last call, in words."""
        troubles, self._troubles = self._troubles, []
        return troubles

    @property
    def is_picture_wanted(self) -> bool:
        """Whether there is a new subscriber to show the picture to."""
        return self._state.is_picture_wanted

    @property
    def client_count(self) -> int:
        """How many connections subscribe to the status."""
        return self._state.client_count

    @property
    def access_complaint(self) -> str:
        """What is wrong with the list of clients since it was changed; empty: nothing."""
        return self._state.access_complaint

    @property
    def malformed(self) -> int:
        """Messages that were no command."""
        return self._malformed_before + self._state.malformed

    @property
    def strangers(self) -> int:
        """Connections with an unknown key, and commands of removed clients."""
        return self._strangers_before + self._state.strangers

    # -- out -------------------------------------------------------------------

    def answer(
        self, incoming: Incoming, *, ok: bool, text: str = "", data: Mapping[str, Any] | None = None
    ) -> None:
        """Answer a command.

        Parameters
        ----------
        incoming : Incoming
            The command.
        ok, text, data
            As for `Incoming.answer`.
        """
        if self._process is not None:
            self._process.order(Reply(incoming.route, incoming.answer(ok=ok, text=text, data=data)))

    def publish(self, message: Telemetry) -> None:
        """Send a message to those who subscribe to its topic, with the topic's next number."""
        number = self._numbering.count(message.topic)
        if self._process is None or message.topic not in self._state.topics:
            return
        if message.topic == PictureMessage.topic:
            self._state = replace(self._state, is_picture_wanted=False)
        self._process.order(Publication(message.topic, message.encoded(number)))

    # -- the process -----------------------------------------------------------

    def _start(self) -> None:
        self._started_s = time.monotonic()
        self._refusal = ""
        self._process = LinkedProcess(
            FRONT,
            lambda link_folder: FrontJob(
                address=self._address,
                command_port=self.command_port,
                telemetry_port=self.telemetry_port,
                keys=self._keys,
                most_memory_bytes=self._most_memory_bytes,
                link_folder=link_folder,
            ),
        )
        self._poller.register(self._process.socket, zmq.POLLIN)

    def _wait_until_bound(self) -> None:
        """The first process binds where it was told, or says why it cannot."""
        assert self._process is not None
        given_up_s = time.monotonic() + BOUND_WITHIN_S
        self.command_port = self.telemetry_port = 0
        while not self.command_port:
            self._process.socket.poll(POLL_MS)
            status = self._process.exit_status
            self._commands_from(self._process)
            if self._refusal:
                raise InputError(self._refusal)
            if status is not None and not self.command_port:
                raise RunFailed(f"the process of the sockets ended with {how_it_ended(status)}")
            if time.monotonic() > given_up_s:
                raise RunFailed(f"the sockets were not bound within {BOUND_WITHIN_S:g} s")

    def _commands_from(self, process: LinkedProcess) -> list[Incoming]:
        """What the process has told: commands for our caller, the rest for us."""
        commands = []
        for news in process.news():
            if isinstance(news, Incoming):
                commands.append(news)
            elif isinstance(news, FrontState):
                self._state = news
            elif isinstance(news, Bound):
                self.command_port, self.telemetry_port = news.command_port, news.telemetry_port
            elif isinstance(news, NotBound):
                self._refusal = news.text
        return commands

    def _start_again(self) -> None:
        try:
            self._start()
        except (OSError, RunFailed) as error:
            self._pause_before_next(f"the process of the sockets could not be started: {error}")

    def _lose(self, process: LinkedProcess, status: int) -> None:
        """It has ended without being told: clients come back by themselves when it does."""
        why = self._refusal or f"the process of the sockets ended with {how_it_ended(status)}"
        if status == TOO_MUCH_MEMORY:
            why = "clients filled the memory of the process of the sockets"
        self._malformed_before, self._strangers_before = self.malformed, self.strangers
        self._state = FrontState()
        self._part_with(process)
        self._pause_before_next(why)

    def _pause_before_next(self, why: str) -> None:
        now_s = time.monotonic()
        self._start_at_s = now_s + self._pauses.after(now_s - self._started_s)
        self._troubles.append(f"{why}; it is started again")

    def _part_with(self, process: LinkedProcess) -> None:
        self._process = None
        self._poller.unregister(process.socket)
        process.close()
