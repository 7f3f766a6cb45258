"""Public names say what they are: docstrings, and every argument of those that list theirs."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator

import pytest

from tests.rules.sources import Source, sources

Definition = ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef

LONGEST_SUMMARY = 100  # one line of the source

SECTIONS = (
    "Parameters",
    "Returns",
    "Yields",
    "Attributes",
    "Raises",
    "Notes",
    "References",
    "Examples",
)


def public_definitions(source: Source) -> Iterator[tuple[str, Definition]]:
    """Public functions and classes of a file, and public methods of public classes."""

    def within(body: list[ast.stmt], prefix: str) -> Iterator[tuple[str, Definition]]:
        for node in body:
            if isinstance(node, Definition) and not node.name.startswith("_"):
                yield prefix + node.name, node
                if isinstance(node, ast.ClassDef):
                    yield from within(node.body, f"{prefix}{node.name}.")

    yield from within(source.tree.body, "")


def section(docstring: str, name: str) -> str | None:
    """The text of one section of a numpydoc docstring."""
    headings = "|".join(SECTIONS)
    found = re.search(rf"^{name}\n-+\n(.*?)(?=^(?:{headings})\n-+\n|\Z)", docstring, re.M | re.S)
    return found and found.group(1)


def argument_names(node: ast.FunctionDef | ast.AsyncFunctionDef) -> list[str]:
    """Arguments that a caller gives."""
    arguments = node.args
    names = [a.arg for a in (*arguments.posonlyargs, *arguments.args, *arguments.kwonlyargs)]
    return [name for name in names if name not in ("self", "cls")]


@pytest.mark.parametrize("folder", ["controller", "hardware_sim", "gui"])
def test_every_public_name_has_a_docstring(folder: str) -> None:
    faults = [
        f"{source.path}: the module"
        for source in sources(folder)
        if source.tree.body and not ast.get_docstring(source.tree)  # an empty file says nothing
    ]
    faults += [
        f"{source.where(node)}: {name}"
        for source in sources(folder)
        for name, node in public_definitions(source)
        if not ast.get_docstring(node)
    ]
    assert faults == []


@pytest.mark.parametrize("folder", ["controller", "hardware_sim", "gui"])
def test_a_docstring_begins_with_one_line(folder: str) -> None:
    faults = []
    for source in sources(folder):
        for name, node in public_definitions(source):
            first, _, rest = (ast.get_docstring(node) or "").partition("\n")
            if rest and not rest.startswith("\n"):
                faults.append(f"{source.where(node)}: {name}: the summary takes two lines")
            if len(first) > LONGEST_SUMMARY:
                faults.append(f"{source.where(node)}: {name}: the summary is long")
    assert faults == []


@pytest.mark.parametrize("folder", ["controller", "hardware_sim", "gui"])
def test_a_list_of_parameters_is_complete(folder: str) -> None:
    faults = []
    for source in sources(folder):
        for name, node in public_definitions(source):
            if isinstance(node, ast.ClassDef):
                continue
            listed = section(ast.get_docstring(node) or "", "Parameters")
            if listed is None:
                continue
            entries = re.findall(r"^(\S[^:]*?)(?: :|$)", listed, re.M)
            described = {word.lstrip("*") for entry in entries for word in entry.split(", ")}
            missing = [a for a in argument_names(node) if a not in described]
            unknown = sorted(described - set(argument_names(node)) - _variadic(node))
            if missing or unknown:
                faults.append(f"{source.where(node)}: {name}: missing {missing}, unknown {unknown}")
    assert faults == []


def _variadic(node: ast.FunctionDef | ast.AsyncFunctionDef) -> set[str]:
    """Names of *args and **kwargs."""
    return {a.arg for a in (node.args.vararg, node.args.kwarg) if a is not None}


def test_errors_that_are_raised_are_listed() -> None:
    """A docstring with sections names each project error that its own body raises."""
    faults = []
    for source in sources("controller", "hardware_sim"):
        for name, node in public_definitions(source):
            docstring = ast.get_docstring(node) or ""
            if isinstance(node, ast.ClassDef) or section(docstring, "Parameters") is None:
                continue
            raised = {
                ast.unparse(each.exc.func)
                for each in ast.walk(node)
                if isinstance(each, ast.Raise) and isinstance(each.exc, ast.Call)
            }
            listed = section(docstring, "Raises") or ""
            unlisted = sorted(error for error in raised if error not in listed)
            if unlisted:
                faults.append(f"{source.where(node)}: {name}: raises {', '.join(unlisted)}")
    assert faults == []
