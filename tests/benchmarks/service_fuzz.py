"""A million malformed messages: crashes, answers and memory of the service that gets them.

    python -m tests.benchmarks.service_fuzz [--messages N] [--seed N] [--service PID,PORT,PORT]

Nine tenths are commands, one tenth are connections that send something else
than ZeroMQ; then a service with keys gets such connections as well, and
strangers whose keys are not on the list. Without --service, the services have no loop behind
them; with it, a running `difftone serve` gets the first two parts.
"""

from __future__ import annotations

import argparse
import math
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import zmq

from controller.service.access import Role, make_client_key, make_service_key, read_client_keys
from tests.support.little_service import LittleService
from tests.support.malformed import malformed_commands, malformed_streams, send_and_hang_up

STREAM_SHARE = 10  # one message of ten
STRANGERS = 2000
WARM_UP_SHARE = 20  # memory is compared from the first twentieth on
WINDOW = 500  # commands between two looks whether the service still answers


class ServiceSilent(Exception):
    """The service does not answer any more."""


@dataclass(frozen=True)
class Target:
    """A service in a process of its own."""

    pid: int
    command_port: int
    telemetry_port: int

    @property
    def resident_mib(self) -> float:
        """Memory that it holds; NaN once it is gone."""
        try:
            text = Path(f"/proc/{self.pid}/status").read_text()
        except OSError:
            return float("nan")
        [line] = [line for line in text.splitlines() if line.startswith("VmRSS")] or ["VmRSS: nan"]
        return float(line.split()[1]) / 1024.0


@contextmanager
def started(*arguments: str) -> Iterator[Target]:
    """A service with nothing behind it."""
    command = [sys.executable, "-m", "tests.benchmarks.service_fuzz", "--serve", *arguments]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        ports = [int(text) for text in process.stdout.readline().split()]
        yield Target(process.pid, *ports)
        assert process.stdin is not None
        process.stdin.close()  # its sign to end


def serve(keys: Path | None) -> None:
    """Be such a service until standard input is closed."""
    with LittleService(keys=keys) as service:
        print(service.command_port, service.telemetry_port, flush=True)
        sys.stdin.read()


def is_answering(target: Target) -> bool:
    """Whether the service still answers a newcomer."""
    with zmq.Context() as context, context.socket(zmq.DEALER) as socket:
        socket.linger = 0
        socket.connect(f"tcp://127.0.0.1:{target.command_port}")
        socket.send_json({"request": 1, "command": "look", "who": "fuzz"})
        return bool(socket.poll(10_000))


def send_commands(target: Target, rng: np.random.Generator, count: int) -> int:
    """Send malformed commands, and a sane one now and then; how many of the former were answered.

    Raises
    ------
    ServiceSilent
        If a sane one has no answer.
    """
    answered = 0
    with zmq.Context() as context, context.socket(zmq.DEALER) as socket:
        socket.linger = 0
        socket.connect(f"tcp://127.0.0.1:{target.command_port}")
        for number, parts in enumerate(malformed_commands(rng, count), 1):
            socket.send_multipart(parts)
            is_sane_due = number % WINDOW == 0 or number == count
            if is_sane_due:
                socket.send_json({"request": "sane", "command": "protocols", "who": "fuzz"})
            while is_sane_due or socket.poll(0):
                if not socket.poll(10_000):
                    raise ServiceSilent
                if socket.recv_json()["request"] == "sane":
                    break
                answered += 1
    return answered


def send_streams(target: Target, rng: np.random.Generator, count: int) -> int:
    """Open connections that speak no ZeroMQ; none is answered."""
    ports = target.command_port, target.telemetry_port
    for number, content in enumerate(malformed_streams(rng, count)):
        send_and_hang_up(("127.0.0.1", ports[number % 2]), content)
    return 0


def send_strangers(target: Target, service_public: bytes, count: int) -> int:
    """Connect with keys that are not on the list; how many got anything."""
    answered = 0
    for _ in range(count):
        with zmq.Context() as context, context.socket(zmq.DEALER) as socket:
            socket.linger = 0
            socket.curve_serverkey = service_public
            socket.curve_publickey, socket.curve_secretkey = zmq.curve_keypair()
            socket.connect(f"tcp://127.0.0.1:{target.command_port}")
            with suppress(zmq.Again):  # thrown out already: there is nobody to send to
                mute = {"request": 1, "command": "mute", "who": "stranger"}
                socket.send_json(mute, zmq.NOBLOCK)
            answered += bool(socket.poll(20))
    return answered


def part(name: str, target: Target, count: int, send: Callable[[int], int]) -> bool:
    """Send one part and print what became of the service; whether it lives."""
    began_s = time.monotonic()
    warm_up = max(count // WARM_UP_SHARE, 1)
    before_mib, answered = float("nan"), 0
    try:
        answered = send(warm_up)
        before_mib = target.resident_mib
        answered += send(count - warm_up)
    except (ServiceSilent, ConnectionRefusedError):
        print(f"{name:<10} no answer any more")
    grown_mib = target.resident_mib - before_mib
    lives = not math.isnan(grown_mib)
    fate = "0 crashes" if lives else "CRASHED"
    print(
        f"{name:<10} {count:>9} sent in {time.monotonic() - began_s:4.0f} s, "
        f"{answered:>7} answered, {fate}, memory {before_mib:.1f} MiB {grown_mib:+.1f} MiB",
        flush=True,
    )
    return lives


def attack(target: Target, rng: np.random.Generator, messages: int) -> bool:
    """Commands and streams; whether the service lives and answers."""
    streams = messages // STREAM_SHARE
    lives = part(
        "commands", target, messages - streams, lambda count: send_commands(target, rng, count)
    )
    lives = lives and part(
        "streams", target, streams, lambda count: send_streams(target, rng, count)
    )
    return lives and is_answering(target)


def attack_with_keys(rng: np.random.Generator, messages: int) -> bool:
    """Streams, and strangers with keys; whether the service lives."""
    with tempfile.TemporaryDirectory() as folder:
        keys = Path(folder) / "keys"
        make_service_key(keys)
        public = read_client_keys(make_client_key(keys, "ann", Role.READER)).service_public
        with started("--keys", str(keys)) as target:
            lives = part(
                "streams", target, messages, lambda count: send_streams(target, rng, count)
            )
            return lives and part(
                "strangers",
                target,
                min(STRANGERS, messages),
                lambda count: send_strangers(target, public, count),
            )


def main() -> None:
    """Attack, and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--messages", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--service", metavar="PID,PORT,PORT")
    parser.add_argument("--serve", action="store_true", help=argparse.SUPPRESS)
    parser.add_argument("--keys", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.serve:
        serve(options.keys)
        return
    rng = np.random.default_rng(options.seed)
    if options.service:
        target = Target(*map(int, options.service.split(",")))
        is_well = attack(target, rng, options.messages)
    else:
        with started() as target:
            is_well = attack(target, rng, options.messages)
        print("with keys")
        is_well = attack_with_keys(rng, options.messages // STREAM_SHARE) and is_well
    print("the service answers" if is_well else "THE SERVICE DOES NOT ANSWER")
    sys.exit(0 if is_well else 1)


if __name__ == "__main__":
    main()
