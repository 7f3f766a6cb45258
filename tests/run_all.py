"""Every check: ruff, mypy, then pytest; exit status 0 if all of them pass.

Run it with the Python of the environment that the project is installed in.
Arguments are handed on to pytest, whose closing line comes last.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]

CHECKS = (
    ("ruff", "check", "."),
    ("mypy",),
    ("pytest", *sys.argv[1:]),
)


def main() -> int:
    """Run all checks, also after one has failed."""
    sys.path.insert(0, str(ROOT))
    from tests.support.qt_libraries import provide

    failed = int(not provide())
    for module, *arguments in CHECKS:
        print(f"== {module}", flush=True)
        command = [sys.executable, "-m", module, *arguments]
        failed |= subprocess.run(command, cwd=ROOT, check=False).returncode != 0
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
