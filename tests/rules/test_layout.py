"""The top level holds what it is known to hold."""

from __future__ import annotations

import subprocess

from tests.rules.sources import ROOT

KNOWN = {
    *("README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml"),
    *("controller", "hardware_sim", "gui", "tests"),
    *(".ci", ".gitignore"),
}


def test_the_top_level_holds_nothing_unexpected() -> None:
    listing = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout
    assert {line.split("/")[0] for line in listing.splitlines()} == KNOWN


def test_every_folder_of_code_is_a_package() -> None:
    faults = [
        str(folder.relative_to(ROOT))
        for top in ("controller", "hardware_sim", "gui", "tests")
        for folder in {path.parent for path in (ROOT / top).rglob("*.py")}
        if not (folder / "__init__.py").exists()
    ]
    assert faults == []
