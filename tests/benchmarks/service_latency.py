"""How long a block waits for its tone command in the live service, and what the service costs.

    python -m tests.benchmarks.service_latency [--minutes 10] [--busy] [--subscribers 20]
                                               [--scenario quiet_room]

Starts `difftone serve` on the paced simulator, arms the pump and watches.
Printed: latencies and missed deadlines while the modes are followed, and the
share of one core that each process took. `--busy` burns a core beside it.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import zmq

from controller.runtime.scenarios import scenario_path
from controller.service.client import Client
from controller.service.messages import Status, StatusMessage
from tests.support.live_service import front_pid

BURN = "while True: pass"
START_WITHIN_S = 60.0
TICKS_PER_S = os.sysconf("SC_CLK_TCK")


def main() -> int:
    """Measure once and print."""
    options = _options()
    with tempfile.TemporaryDirectory(prefix="difftone-") as folder:
        service = Service(Path(folder), options.scenario)
        busy = subprocess.Popen([sys.executable, "-c", BURN]) if options.busy else None
        try:
            _measure(service, options)
        finally:
            if busy is not None:
                busy.kill()
            service.stop()
    return 0


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--busy", action="store_true", help="burn a core beside it")
    parser.add_argument("--subscribers", type=int, default=0)
    parser.add_argument("--scenario", default="quiet_room")
    return parser.parse_args()


class Service:
    """`difftone serve` in a process of its own, on ports that are free."""

    def __init__(self, folder: Path, scenario: str) -> None:
        text = scenario_path(scenario).read_text(encoding="utf-8")
        configuration = folder / "bench.toml"
        ports = "command_port = 0\ntelemetry_port = 0\n"
        text = text.replace("[instrument.options]\n", "[instrument.options]\npaced = true\n", 1)
        configuration.write_text(f"{text}\n[service]\n{ports}", encoding="utf-8")
        self._process = subprocess.Popen(
            [
                *(sys.executable, "-m", "controller.cli", "serve", str(configuration)),
                *("--out", str(folder / "run"), "--name", "bench"),
            ],
            env={**os.environ, "XDG_STATE_HOME": str(folder)},
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self._process.stdout is not None
        if not self._process.stdout.readline():
            raise SystemExit("the service did not start")
        self.state = json.loads((folder / "difftone" / "bench.json").read_text())

    def client(self) -> Client:
        """A client of this service."""
        return Client(
            command_port=self.state["command_port"],
            telemetry_port=self.state["telemetry_port"],
            who="benchmark",
        )

    def cpu_s(self) -> dict[str, float]:
        """What each process has used of a core so far [s]."""
        pid = self.state["pid"]
        pids = {
            "service and log": pid,
            "public sockets": front_pid(pid),
            "loop and simulator": self.state["loop_pid"],
        }
        return {name: _cpu_s(pid) for name, pid in pids.items()}

    def stop(self) -> None:
        """End it as an operator would."""
        self._process.terminate()
        self._process.wait(30.0)


class Subscribers(threading.Thread):
    """Any number of subscribers to everything, read by one thread."""

    def __init__(self, port: int, count: int) -> None:
        super().__init__(daemon=True)
        self.received = 0
        context = zmq.Context.instance()
        self._poller = zmq.Poller()
        for _ in range(count):
            socket = context.socket(zmq.SUB)
            socket.linger = 0
            socket.connect(f"tcp://127.0.0.1:{port}")
            socket.subscribe(b"")
            self._poller.register(socket, zmq.POLLIN)

    def run(self) -> None:
        """Read and throw away."""
        while True:
            for socket, _ in self._poller.poll():
                socket.recv_multipart()
                self.received += 1


def _measure(service: Service, options: argparse.Namespace) -> None:
    subscribers = Subscribers(service.state["telemetry_port"], options.subscribers)
    subscribers.start()
    with service.client() as client, client.control():
        client.arm()
        _wait_for_lock(client)
        cpu_s, began_s = service.cpu_s(), time.monotonic()
        end_s = began_s + 60.0 * options.minutes
        status = None
        while time.monotonic() < end_s:
            message = client.next_message(1.0)
            if isinstance(message, StatusMessage):
                status = message.status
        elapsed_s = time.monotonic() - began_s
        shares = {name: (used - cpu_s[name]) / elapsed_s for name, used in service.cpu_s().items()}
        missed_messages = client.missed
    assert status is not None
    _print(status, shares, options)
    if options.subscribers:
        print(f"{options.subscribers} subscribers received {subscribers.received} messages")
    print(f"messages lost on the way to the measuring client: {missed_messages}")


def _wait_for_lock(client: Client) -> None:
    given_up_s = time.monotonic() + START_WITHIN_S
    while time.monotonic() < given_up_s:
        message = client.next_message(1.0)
        if isinstance(message, StatusMessage) and "locked/locked" in message.status.line:
            return
    raise SystemExit(f"no lock within {START_WITHIN_S:g} s")


def _print(status: Status, shares: dict[str, float], options: argparse.Namespace) -> None:
    d = status.deadlines
    beside = "beside a busy process" if options.busy else "alone"
    print(f"{options.scenario}, {options.minutes:g} min {beside}, pump {status.pump_state.value}")
    print(f"blocks {d.blocks} of {d.block_ms:g} ms, missed deadlines {d.missed}")
    print(
        f"arrival to tone command [ms]: p50 {d.p50_ms:.3g}, p99 {d.p99_ms:.3g}, "
        f"p99.9 {d.p999_ms:.3g}, worst {d.worst_ms:.3g}"
    )
    for name, share in shares.items():
        print(f"{name}: {100.0 * share:.1f} % of a core")
    print(f"log: {status.log.rows} rows, {status.log.dropped} dropped; load {os.getloadavg()[0]:g}")


def _cpu_s(pid: int) -> float:
    """Processor time of a process, as proc(5) counts it [s]."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS_PER_S


if __name__ == "__main__":
    sys.exit(main())
