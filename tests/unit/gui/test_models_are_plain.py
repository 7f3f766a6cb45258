"""The models know nothing of Qt, and the command line does without it."""

from __future__ import annotations

import subprocess
import sys

from tests.rules.sources import imports, sources


def test_no_model_imports_qt() -> None:
    faults = [
        source.where(node)
        for source in sources("gui")
        if source.module.startswith("gui.models")
        for name, node in imports(source)
        if name.split(".")[0] in {"PySide6", "pyqtgraph"} or name.startswith("gui.views")
    ]
    assert faults == []


def test_the_command_line_does_without_qt() -> None:
    script = "import sys, controller.cli; sys.exit(bool({'gui', 'PySide6'} & set(sys.modules)))"
    assert subprocess.run([sys.executable, "-c", script], check=False).returncode == 0
