"""Parts of the documents that are written from the source.

`python -m tests.support.documents` renews them; tests/rules/test_documents.py
compares them. Each stands between two marks, `<!-- NAME: begin -->` and
`<!-- NAME: end -->`.
"""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterator
from pathlib import Path

from controller.tracking import states
from tests.support.message_page import (
    command_fields,
    command_table,
    part_tables,
    schema_text,
    telemetry_tables,
)
from tests.support.settings_table import settings_tables

ROOT = Path(__file__).resolve().parents[2]


def file_map() -> str:
    """One line for each file of the program, from its first line."""
    return "\n".join(
        f"- `{path.relative_to(ROOT)}`: {summary}"
        for folder in ("controller", "hardware_sim", "gui")
        for path, summary in _summaries(ROOT / folder)
    )


def tracker_states() -> str:
    """The transitions of a tracker."""
    return f"```text\n{states.drawing()}\n```"


MESSAGE_PAGE = "controller/service/MESSAGES.md"

BLOCKS: dict[tuple[str, str], Callable[[], str]] = {
    ("README.md", "settings"): settings_tables,
    ("DEVELOPERS.md", "files"): file_map,
    ("DEVELOPERS.md", "tracker states"): tracker_states,
    (MESSAGE_PAGE, "telemetry"): telemetry_tables,
    (MESSAGE_PAGE, "parts"): part_tables,
    (MESSAGE_PAGE, "commands"): command_table,
    (MESSAGE_PAGE, "command fields"): command_fields,
}

FILES: dict[str, Callable[[], str]] = {"controller/service/messages.schema.json": schema_text}
"""Files that are written from the source as a whole."""


def split_at_marks(document: str, name: str) -> tuple[str, str, str]:
    """What stands before, between and after the two marks of a block.

    Parameters
    ----------
    document : str
        A file, from the root folder on.
    name : str
        Name of the block.

    Returns
    -------
    tuple of str
        The outer two with their marks, the inner one without outer newlines.
    """
    begin, end = f"<!-- {name}: begin -->", f"<!-- {name}: end -->"
    before, rest = (ROOT / document).read_text(encoding="utf-8").split(begin)
    between, after = rest.split(end)
    return before + begin, between.strip("\n"), end + after


def main() -> None:
    """Renew every block and every file."""
    for (document, name), written in BLOCKS.items():
        before, _, after = split_at_marks(document, name)
        text = f"{before}\n\n{written()}\n\n{after}"
        (ROOT / document).write_text(text, encoding="utf-8")
    for name, whole in FILES.items():
        (ROOT / name).write_text(whole(), encoding="utf-8")


def _summaries(folder: Path) -> Iterator[tuple[Path, str]]:
    """Each Python file with something in it, and the first line of its docstring."""
    for path in sorted(folder.rglob("*.py")):
        docstring = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8")))
        if docstring:
            yield path, docstring.partition("\n")[0].rstrip(".")


if __name__ == "__main__":
    main()
