"""The project's source files as syntax trees, for the rules."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True, slots=True)
class Source:
    """One source file."""

    path: Path  # relative to the root
    tree: ast.Module

    @property
    def module(self) -> str:
        """Dotted name, without `__init__`."""
        parts = self.path.with_suffix("").parts
        return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)

    def where(self, node: ast.AST) -> str:
        """File and line of a node."""
        return f"{self.path}:{getattr(node, 'lineno', 1)}"


@cache
def sources(*folders: str) -> tuple[Source, ...]:
    """Every Python file below the given top folders."""
    return tuple(
        Source(path.relative_to(ROOT), ast.parse(path.read_text(encoding="utf-8")))
        for folder in folders
        for path in sorted((ROOT / folder).rglob("*.py"))
    )


def imports(source: Source) -> Iterator[tuple[str, ast.AST]]:
    """Dotted names of what a file imports, wherever in the file it stands."""
    for node in ast.walk(source.tree):
        if isinstance(node, ast.Import):
            yield from ((alias.name, node) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{source.where(node)}: relative import; write the full name"
            yield from ((f"{node.module}.{alias.name}", node) for alias in node.names)
