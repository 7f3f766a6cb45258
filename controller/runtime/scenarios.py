"""The shipped scenarios."""

from __future__ import annotations

from pathlib import Path

from controller.runtime.shipped import chosen_file, shipped_files


def shipped_scenarios() -> dict[str, Path]:
    """The shipped scenarios by name."""
    return shipped_files("hardware_sim", "scenarios")


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
    return chosen_file(name, shipped_scenarios(), "scenario")
