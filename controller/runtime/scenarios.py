"""The shipped scenarios; named here, never imported as code."""

from __future__ import annotations

import difflib
from importlib.resources import files
from pathlib import Path

from controller.errors import InputError

SCENARIO_PACKAGE = "hardware_sim.scenarios"


def shipped_scenarios() -> dict[str, Path]:
    """The shipped scenarios by name."""
    folder = Path(str(files(SCENARIO_PACKAGE)))
    return {path.stem: path for path in sorted(folder.glob("*.toml"))}


def scenario_path(name: str) -> Path:
    """The file of a scenario that is given by name or as a file.

    Parameters
    ----------
    name : str
        Name or path.

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
    scenarios = shipped_scenarios()
    if name not in scenarios:
        near = difflib.get_close_matches(name, scenarios, n=1)
        remedy = f"did you mean {near[0]}?" if near else f"there are {', '.join(scenarios)}"
        raise InputError(f"{name}: neither a shipped scenario nor a file; {remedy}")
    return scenarios[name]
