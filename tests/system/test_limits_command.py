"""The command `difftone limits`: a small comparison from end to end, and bad input."""

from __future__ import annotations

import json
import sys
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import asdict
from io import StringIO
from pathlib import Path
from typing import Any

import pytest

from controller import cli
from controller.limits.regimes import REGIMES
from controller.limits.trial import Trial, run_trial
from controller.runtime.configuration import load_configuration
from tests.rules.sources import ROOT
from tests.rules.test_readme import code_blocks

QUIET_ROOM = ROOT / "hardware_sim" / "scenarios" / "quiet_room.toml"
OWN_SEED = 20  # of that scenario


@pytest.fixture(scope="module")
def comparison(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What two seeds of the quiet room leave: the JSON file, and all that was shown."""
    path = tmp_path_factory.mktemp("limits") / "quiet.json"
    arguments = ["limits", "quiet_room", "--regimes", "driven", "--seeds", "2", "--progress"]
    with redirect_stdout(StringIO()) as out, redirect_stderr(StringIO()) as err:
        status = cli.main([*arguments, "--out", str(path)])
    return {
        "status": status,
        "document": json.loads(path.read_text()),
        "out": out.getvalue(),
        "err": err.getvalue(),
    }


def trials(comparison: dict[str, Any]) -> list[dict[str, Any]]:
    [scenario] = comparison["document"]["scenarios"]
    [regime] = scenario["regimes"]
    return regime["trials"]


def test_it_prints_the_table_and_what_it_means(comparison: dict[str, Any]) -> None:
    assert comparison["status"] == 0
    lines = comparison["out"].splitlines()
    assert lines[0] == f"quiet_room, 2 trials of each regime, seeds from {OWN_SEED} on"
    assert [line.split()[0] for line in lines[2:4]] == ["regime", "driven"]
    assert max(map(len, lines)) <= 120
    assert any("undetected loss of lock" in line for line in lines)
    assert "2/2 trials" in comparison["err"] and "2/2 trials" not in comparison["out"]


def test_the_file_holds_every_trial(comparison: dict[str, Any]) -> None:
    assert comparison["document"]["schema"] == "difftone.limits/1"
    assert [trial["seed"] for trial in trials(comparison)] == [OWN_SEED, OWN_SEED + 1]
    for trial in trials(comparison):
        assert trial["failure"] == ""
        assert trial["undetected_losses"] == 0
        errors_hz = trial["errors_hz"]
        # Nobody who sees less comes near: each rival lags by several limits in this room.
        rivals = set(errors_hz) - {"difftone", "informed", "learner"}
        assert len(rivals) == 11
        assert all(errors_hz[name] > 1.5 * errors_hz["difftone"] for name in rivals)


def test_one_seed_gives_one_result(comparison: dict[str, Any]) -> None:
    again = run_trial(
        Trial(
            configuration=load_configuration(QUIET_ROOM),
            source=QUIET_ROOM,
            regime=REGIMES["driven"],
            seed=OWN_SEED,
            with_rivals=False,
        )
    )
    first = dict(trials(comparison)[0])
    # Without the rivals, whose large sums may be made in another order on another machine.
    first["errors_hz"] = {name: first["errors_hz"][name] for name in again.errors_hz}
    assert asdict(again) == first


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (["quiet_rom"], "did you mean quiet_room?"),
        (["quiet_room", "--regimes", "driven,ringdown"], "did you mean ring_down?"),
        (["quiet_room", "--seeds", "0"], "--seeds: '0': must be a whole number, 1 or more"),
        (["quiet_room", "--seeds", "2", "--quick"], "not allowed with argument --seeds"),
        (["quiet_room", "--out", "no/such/folder/x.json"], "--out no/such/folder/x.json: cannot"),
        (["bench.toml"], "limits needs a simulated instrument"),
    ],
)
def test_bad_input_is_one_line(
    arguments: list[str],
    complaint: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    (tmp_path / "bench.py").write_text(code_blocks("python")[0])
    (tmp_path / "bench.toml").write_text(code_blocks("toml")[0])
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "path", list(sys.path))
    monkeypatch.delitem(sys.modules, "bench", raising=False)
    assert cli.main(["limits", *arguments]) == 2
    shown = capsys.readouterr()
    assert complaint in shown.err and shown.err.count("\n") == 1 and shown.out == ""
