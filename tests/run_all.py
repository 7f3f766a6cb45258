"""Every check: ruff, mypy, then pytest; exit status 0 if all of them pass.

Run it with the Python of the environment that the project is installed in.
Arguments are handed on to pytest, whose closing line comes last.

pytest runs twice: tests that compute share all cores; then those that are
marked `live`, which a busy machine would disturb, have it to themselves.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]

CHECKS = {
    "ruff": ("ruff", "check", "."),
    "mypy": ("mypy",),
}
# A worker begins with a stretch of neighbouring tests and takes over half of what another has
# left, so that most results that a module shares are computed once.
PASSES = {
    "pytest, side by side": ("-m", "not live", "-n", "auto", "--dist", "worksteal"),
    "pytest, one after another": ("-m", "live", "-n", "0"),
}
NOTHING_COLLECTED = 5  # pytest's exit status
# With a second BLAS thread for each worker they would wait for one another.
ONE_THREAD = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")


def main() -> int:
    """Run all checks, also after one has failed."""
    sys.path.insert(0, str(ROOT))
    from tests.support.qt_libraries import provide

    failed = not provide()
    for title, check in CHECKS.items():
        failed |= status_of(title, *check) != 0
    statuses = {
        status_of(title, "pytest", *sys.argv[1:], *how_it_runs)
        for title, how_it_runs in PASSES.items()
    }
    # Arguments may leave nothing for one of the passes.
    failed |= statuses not in ({0}, {0, NOTHING_COLLECTED})
    return int(failed)


def status_of(title: str, module: str, *arguments: str) -> int:
    """Exit status of a check, which prints below its title."""
    print(f"== {title}", flush=True)
    command = [sys.executable, "-m", module, *arguments]
    environment = {**os.environ, **ONE_THREAD}
    return subprocess.run(command, cwd=ROOT, env=environment, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
