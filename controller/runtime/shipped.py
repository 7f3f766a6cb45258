"""Files that ship with the program, found by name: scenarios and protocols.

Packages are named here, never imported as code.
"""

from __future__ import annotations

import difflib
from importlib.resources import files
from pathlib import Path

from controller.errors import InputError


def shipped_files(package: str, folder: str) -> dict[str, Path]:
    """The TOML files in a folder of a package by their names."""
    place = Path(str(files(package).joinpath(folder)))
    return {path.stem: path for path in sorted(place.glob("*.toml"))}


def chosen_file(name: str, shipped: dict[str, Path], kind: str) -> Path:
    """A file that is given by its shipped name or by its path.

    Parameters
    ----------
    name : str
        Name or path.
    shipped : dict of str to Path
        What there is by name.
    kind : str
        What it is called in a message.

    Returns
    -------
    Path
        Not yet opened.

    Raises
    ------
    InputError
        If it is neither, with the nearest name.
    """
    if name.endswith(".toml") or Path(name).is_file():
        return Path(name)
    if name not in shipped:
        near = difflib.get_close_matches(name, shipped, n=1)
        remedy = f"did you mean {near[0]}?" if near else f"there are {', '.join(shipped)}"
        raise InputError(f"{name}: neither a shipped {kind} nor a file; {remedy}")
    return shipped[name]
