"""A day with faults: does the loop come back from each of them, and does anything grow?

    python -m tests.benchmarks.soak [--stream-hours 24] [--faults 500] [--seed 1]
    python -m tests.benchmarks.soak --real-time [--minutes 60] [--faults 500] [--seed 1]

The first runs loop and log in virtual time, some forty times as fast as the stream; the
second is `difftone serve` with a client that watches. Printed: memory and open files, faults
injected and found in the log, time of the pump outside its interlock, relocks; then the
verdict, which is also the exit status.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

from controller.service.client import Client
from controller.service.messages import StatusMessage
from tests.support.fault_schedule import schedule
from tests.support.live_service import LiveService, front_pid
from tests.support.soak import Usage, Verdict, judged, run_virtual, soak_scenario

USAGE_EVERY_S = 30.0
SERVICE = "arm_at_start = true\nlog_rotate_mb = 20.0\n"


def main() -> int:
    """Run once, print, and judge."""
    options = _options()
    with tempfile.TemporaryDirectory(prefix="difftone-soak-") as name:
        folder = options.out or Path(name)
        folder.mkdir(parents=True, exist_ok=True)
        began_s = time.monotonic()
        verdict = (_run_live if options.real_time else _run_virtual)(folder, options)
        print(f"took {time.monotonic() - began_s:.0f} s")
    print("\n".join(verdict.lines()))
    for complaint in verdict.complaints:
        print(f"NOT WELL: {complaint}")
    if not verdict.complaints:
        print("all is well")
    return 1 if verdict.complaints else 0


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stream-hours", type=float, default=24.0)
    parser.add_argument("--faults", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--real-time", action="store_true", help="the live service")
    parser.add_argument("--minutes", type=float, default=60.0, help="of --real-time")
    parser.add_argument("--out", type=Path, help="keep the log here")
    return parser.parse_args()


def _run_virtual(folder: Path, options: argparse.Namespace) -> Verdict:
    return run_virtual(
        folder,
        options.seed,
        options.faults,
        3600.0 * options.stream_hours,
        lambda time_s, line: print(f"{time_s:8.0f} s  {line}", file=sys.stderr, flush=True),
    )


def _run_live(folder: Path, options: argparse.Namespace) -> Verdict:
    stream_s = 60.0 * options.minutes
    path = soak_scenario(folder, options.seed, options.faults, stream_s)
    usages = {"service": Usage(), "sockets": Usage(), "loop": Usage()}
    with LiveService(folder, str(path), SERVICE) as service:
        ports = {name: service.state[name] for name in ("command_port", "telemetry_port")}
        with Client(who="soak", **ports) as client:
            status = _watched(client, service, usages, stream_s)
        exit_status, complaints = service.stop()
    print(f"exit status {exit_status} {complaints}")
    figures = status.status.deadlines
    print(
        f"blocks {figures.blocks}, missed deadlines {figures.missed}, "
        f"p99.9 {figures.p999_ms:.3g} ms, worst {figures.worst_ms:.3g} ms; log: "
        f"{status.status.log.rows} rows, {status.status.log.dropped} dropped"
    )
    return judged(service.run_folder, schedule(options.seed, options.faults, stream_s), usages)


def _watched(
    client: Client, service: LiveService, usages: dict[str, Usage], stream_s: float
) -> StatusMessage:
    """Listen to the end of the schedule; the last status."""
    pid = service.state["pid"]
    pids = {"service": pid, "sockets": front_pid(pid), "loop": service.state["loop_pid"]}
    next_s, last = 0.0, None
    while last is None or last.time_s < stream_s:
        message = client.next_message(10.0)
        if message is None:
            raise SystemExit(f"the service says nothing any more: {service.process.poll()}")
        if not isinstance(message, StatusMessage):
            continue
        last = message
        if message.time_s >= next_s:
            next_s = message.time_s + USAGE_EVERY_S
            for name, pid in pids.items():
                usages[name].note(message.time_s, pid)
            print(f"{message.time_s:8.0f} s  {message.status.line}", file=sys.stderr, flush=True)
    return last


if __name__ == "__main__":
    sys.exit(main())
