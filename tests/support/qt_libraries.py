"""System libraries that Qt needs beyond its wheels, on Debian and its relatives."""

from __future__ import annotations

import ctypes
import os
import shutil
import subprocess

LIBRARIES = {  # by the package that holds it
    "libgl1": "libGL.so.1",
    "libegl1": "libEGL.so.1",
    "libxkbcommon0": "libxkbcommon.so.0",
    "libdbus-1-3": "libdbus-1.so.3",
    "libfontconfig1": "libfontconfig.so.1",  # brings a font, too
    "libglib2.0-0": "libglib-2.0.so.0",
}
INSTALL = ("apt-get", "install", "-y", "-q", "--no-install-recommends")


def missing_packages() -> list[str]:
    """The packages whose libraries cannot be loaded here."""
    return [package for package, library in LIBRARIES.items() if not _can_be_loaded(library)]


def provide() -> bool:
    """Install what is missing where we may, otherwise say what to do; whether all is there."""
    missing = missing_packages()
    if missing and os.geteuid() == 0 and shutil.which(INSTALL[0]) is not None:
        print(f"installing {', '.join(missing)}", flush=True)
        subprocess.run([INSTALL[0], "update", "-q"], check=False, stdout=subprocess.DEVNULL)
        subprocess.run([*INSTALL, *missing], check=False, stdout=subprocess.DEVNULL)
        missing = missing_packages()
    if missing:
        print(
            "The desktop's tests need Qt's system libraries. As root: "
            f"{' '.join(INSTALL)} {' '.join(missing)}",
            flush=True,
        )
    return not missing


def _can_be_loaded(library: str) -> bool:
    try:
        ctypes.CDLL(library)
    except OSError:
        return False
    return True
