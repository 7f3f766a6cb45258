"""Protocols from the command line and from a script: what they find, and what is refused."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from controller import cli
from tests.rules.test_readme import code_blocks

FOUR_SIGMA = 4.0


@pytest.fixture(scope="module")
def exchange(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a shipped exchange in the quiet room."""
    folder = tmp_path_factory.mktemp("exchange") / "run"
    arguments = ["rehearse", "quiet_room", "--protocol", "exchange", "--quiet"]
    assert cli.main([*arguments, "--out", str(folder)]) == 0
    return folder


def test_an_exchange_finds_what_the_membrane_has(exchange: Path) -> None:
    """g / 2 pi = 0.04 Hz per volt at 0.5 V, decay rates from the true quality factors."""
    found = json.loads((exchange / "summary.json").read_text())["results"]["exchange"]
    truth = json.loads((exchange / "truth.json").read_text())
    decays = {
        mode: 6.283185307179586 * values["frequency_hz"] / values["quality_factor"]
        for mode, values in truth["modes"].items()
    }
    expected = {
        "energy_exchange_hz": 2.0 * 0.5 * truth["pump"]["coupling_hz_per_v"],
        "decay_rate_lower_per_s": decays["lower"],
        "decay_rate_upper_per_s": decays["upper"],
    }
    for name, value in expected.items():
        assert abs(found[name] - value) < FOUR_SIGMA * found[f"{name}_sigma"]
    assert found["energy_exchange_hz_sigma"] < 0.01 * found["energy_exchange_hz"]


def test_the_script_in_the_readme(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Under fifteen lines, and it runs as it stands there."""
    [script] = [block for block in code_blocks("python") if "ProtocolPlan" in block]
    lines = [line for line in script.splitlines() if line.strip()]
    assert len(lines) < 15
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    exec(compile(script, "README.md", "exec"), names)
    outcome = names["outcome"]
    found = outcome.summary["results"]["exchange"]  # type: ignore[attr-defined]
    assert abs(found["energy_exchange_hz"] - 0.04) < FOUR_SIGMA * found["energy_exchange_hz_sigma"]


def test_the_protocol_in_the_readme_is_accepted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    [text] = [block for block in code_blocks("toml") if "steps = [" in block]
    file = tmp_path / "mine.toml"
    file.write_text(text)
    assert cli.main(["rehearse", "--protocol", str(file), "--dry-run"]) == 0
    assert "Exchange at two amplitudes" in capsys.readouterr().out


def test_protocols_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["protocols"]) == 0
    names = [line.split()[0] for line in capsys.readouterr().out.splitlines()]
    for name in ("drift_watch", "ring_down", "exchange", "ramsey", "thermal_calibration"):
        assert name in names


@pytest.mark.parametrize("scenario", ["quiet_room", "raw_stream"])
def test_a_dry_run_switches_nothing_on(
    scenario: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert cli.main(["rehearse", scenario, "--protocol", "exchange", "--dry-run"]) == 0
    shown = capsys.readouterr().out
    assert "output pump" in shown and "output drive_upper" in shown
    assert not list(tmp_path.iterdir())


REFUSED = {
    "an unknown name": (["--protocol", "exchnge"], "did you mean exchange?"),
    "an unknown parameter": (["--protocol", "exchange", "--set", "decay=3"], "decays"),
    "no number": (["--protocol", "exchange", "--set", "decays=x"], "must be a name and a number"),
    "a timeline of nothing": (["--dry-run"], "needs a protocol"),
    "a parameter of nothing": (["--set", "decays=3"], "needs a protocol"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_is_refused_takes_one_line(case: str, capsys: pytest.CaptureFixture[str]) -> None:
    arguments, said = REFUSED[case]
    assert cli.main(["rehearse", *arguments]) == 2
    errors = capsys.readouterr().err.splitlines()
    assert len(errors) == 1 and said in errors[0]


def test_a_mistake_in_a_file_is_placed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "mine.toml"
    steps = '  { step = "find" },\n  { step = "lock" },\n  { step = "hold", duration_s = -1.0 },\n'
    file.write_text(f"steps = [\n{steps}]\n")
    assert cli.main(["rehearse", "--protocol", str(file)]) == 2
    [error] = capsys.readouterr().err.splitlines()
    assert f"{file}:4: steps[2].duration_s" in error


def test_an_impossible_order_is_refused_before_anything_is_switched_on(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "mine.toml"
    file.write_text('steps = [\n  { step = "find" },\n  { step = "pump_on" },\n]\n')
    out = tmp_path / "run"
    assert cli.main(["rehearse", "--protocol", str(file), "--out", str(out)]) == 2
    [error] = capsys.readouterr().err.splitlines()
    assert f"{file}:3" in error and "lock" in error
    assert not out.exists()
