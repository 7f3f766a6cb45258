"""The terminal: progress on standard error, a closing table that invents nothing."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from controller.runtime.runner import Outcome
from controller.runtime.terminal import TerminalProgress, closing_table

SUMMARY = {
    "amplitude_unit": "m",
    "modes": [
        {
            "name": "lower",
            "frequency_hz": 1043728.393541,
            "frequency_sigma_hz": 0.00087,
            "amplitude": 1e-9,
            "locked_fraction": 0.985,
        },
        {
            "name": "upper",
            "frequency_hz": None,
            "frequency_sigma_hz": None,
            "amplitude": None,
            "locked_fraction": 0.0,
        },
    ],
    "difference": {"frequency_hz": 6643.25, "sigma_hz": None},
    "pump": {"on_s": 540.0, "on_outside_interlock_s": 0.0, "mutes": 2, "rms_detuning_hz": 2e-4},
    "truth": {"difference_rms_error_hz": 7.4e-5, "difference_limit_hz": 7.0e-5},
}


def outcome(folder: Path, summary: dict[str, Any]) -> Outcome:
    """A run of 600 s that is done."""
    return Outcome(
        status=0, outcome="done", reason="", folder=folder, stream_s=600.0, summary=summary
    )


def test_the_table_states_the_main_numbers(tmp_path: Path) -> None:
    (tmp_path / "log.sqlite").touch()
    lines = closing_table("quiet_room", outcome(tmp_path, SUMMARY), 10.0).splitlines()
    assert [line.split()[0] for line in lines] == [
        *("quiet_room", "lower", "upper", "difference", "pump", "200", "truth", "files"),
    ]
    assert "600.0 s in 10.0 s, 60 times real time" in lines[0]
    assert "1043728.39354 ± 0.00087 Hz, amplitude 1e-09 m, locked 98.5 %" in lines[1]
    assert "unknown, locked 0.0 %" in lines[2]
    assert lines[3].endswith("6643.250000 Hz")
    assert "on for 540.0 s, muted 2 times, 0 s outside the interlock" in lines[4]
    assert lines[5].strip() == "200 µHz rms from the difference plus offset_hz"
    assert lines[7].endswith(f"{tmp_path}: log.sqlite")


@pytest.mark.parametrize(
    ("rate", "decay_s", "text"),
    [
        ((0.5, 0.02), (2.0, 0.08), "decay time 2.000 ± 0.080 s"),
        ((0.001, 0.004), (None, None), "decay time above 1.1e+02 s"),
        ((-0.5, 0.02), (None, None), "decay time none: it grows"),
    ],
)
def test_a_recorded_line_shows_its_decay(
    tmp_path: Path,
    rate: tuple[float, float],
    decay_s: tuple[float | None, float | None],
    text: str,
) -> None:
    line = dict(
        zip(
            (
                *("decay_rate_per_s", "decay_rate_per_s_sigma"),
                *("decay_time_s", "decay_time_s_sigma"),
            ),
            (*rate, *decay_s),
            strict=True,
        )
    )
    summary = {**SUMMARY, "results": {"lines": {"lower": line}}}
    rows = closing_table("piano", outcome(tmp_path, summary), 10.0).splitlines()
    assert rows[1].endswith(text)
    assert "decay" not in rows[2]


def test_what_an_analysis_found_stands_with_its_sigmas(tmp_path: Path) -> None:
    noise = {"detector_noise_m_per_root_hz": 2.1e-15, "detector_noise_m_per_root_hz_sigma": 2.7e-15}
    found = {"exchanges": 2, "is_strongly_coupled": True, "lower": noise, "contrast": None}
    results = {"protocol": {"analysis": "own"}, "own": found}
    table = closing_table("quiet", outcome(tmp_path, {**SUMMARY, "results": results}), 1.0)
    rows = {row.split("  ")[0]: row.split("  ")[-1].strip() for row in table.splitlines()}
    assert "offset_hz" not in table  # where the steps put the pump is not known here
    assert rows["exchanges"] == "2" and rows["is_strongly_coupled"] == "yes"
    assert rows["lower.detector_noise_m_per_root_hz"] == "(2.1 ± 2.7) × 10⁻¹⁵"
    assert not any("sigma" in row or "contrast" in row for row in rows)


@pytest.mark.parametrize(
    ("on_s", "mutes", "rows"),
    [
        (1.0, 1, ["pump        on for 1.0 s, muted once, 0 s outside the interlock",
                  "            off at the end: upper jumped"]),
        (0.0, 0, ["pump        never on: upper jumped"]),
    ],
)  # fmt: skip
def test_a_pump_that_is_kept_off_says_why(
    tmp_path: Path, on_s: float, mutes: int, rows: list[str]
) -> None:
    pump = {"on_s": on_s, "on_outside_interlock_s": 0.0, "mutes": mutes}
    summary = {**SUMMARY, "pump": {**pump, "off_reason": "upper jumped"}}
    table = closing_table("bench", outcome(tmp_path, summary), 1.0).splitlines()
    assert table[4 : 4 + len(rows)] == rows


def test_an_empty_summary_gives_a_short_table(tmp_path: Path) -> None:
    table = closing_table("line", outcome(tmp_path, {}), 1.0)
    assert [line.split()[0] for line in table.splitlines()] == ["line", "difference", "files"]
    assert "unknown" in table


def test_progress_goes_to_standard_error_when_forced(capsys: pytest.CaptureFixture[str]) -> None:
    with TerminalProgress(600.0, force=True) as progress:
        progress(30.0, "locked/locked")
    shown = capsys.readouterr()
    assert shown.out == ""
    assert "5 % 30/600 s, locked/locked; " in shown.err
    assert "times real time" in shown.err


def test_progress_is_silent_without_a_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    with TerminalProgress(600.0) as progress:
        progress(30.0, "locked/locked")
    assert capsys.readouterr() == ("", "")
