"""Real recordings: both lines of each pair within the stated uncertainty.

Witness: reference values of three unrelated methods without any loop (spectrum with
interpolation, ESPRIT, nonlinear least squares); origin and licence of the
recordings in tests/recordings/README.md. The injected pair is exactly 0.8 Hz
apart: its lines are driven from clock-locked oscillators at 35.9 and 36.7 Hz.
Each value may be off by 2.5 of the two uncertainties combined: with 20 values
the chance of one beyond that is 20 * 1.2 %, but the references share the data,
so that their part of the error is mostly common; a value that is off by more
has a wrong uncertainty.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path

import pytest

from controller.cli import main

RECORDINGS = Path(__file__).parent.parent / "recordings"
ALLOWED_SIGMAS = 2.5


@dataclass(frozen=True)
class Pair:
    """A pair with its reference values: (value, uncertainty)."""

    name: str
    recording: str
    modes: str
    lower_hz: tuple[float, float]
    upper_hz: tuple[float, float]
    difference_hz: tuple[float, float]
    decay_times_s: tuple[tuple[float, float], tuple[float, float]] | None
    largest_sigma_hz: float  # of the difference: a tracker that knows less is useless here


PAIRS = (
    Pair(
        name="bell, close",
        recording="bell_sonicpi_perc_bell",
        modes="3615.4,3621",
        lower_hz=(3615.378, 0.0102),
        upper_hz=(3621.031, 0.0070),
        difference_hz=(5.652, 0.006),
        decay_times_s=((0.92, 0.07), (0.981, 0.006)),
        largest_sigma_hz=0.08,  # the lines glide by 0.07 to 0.12 Hz while they ring
    ),
    Pair(
        name="bell, wide",
        recording="bell_sonicpi_perc_bell",
        modes="1309,1343.5",
        lower_hz=(1309.287, 0.0011),
        upper_hz=(1343.561, 0.0011),
        difference_hz=(34.273, 0.001),
        decay_times_s=((2.81, 0.03), (2.87, 0.04)),
        largest_sigma_hz=0.08,  # they glide by 0.09 Hz in the first seconds
    ),
    Pair(
        name="piano",
        recording="piano_salamander_fs5",
        modes="740.7,741.7",
        lower_hz=(740.729, 0.001),
        upper_hz=(741.748, 0.002),
        difference_hz=(1.020, 0.003),
        decay_times_s=((1.67, 0.01), (3.15, 0.08)),
        largest_sigma_hz=0.01,
    ),
    Pair(
        name="injected",
        recording="ligo_h1_20150914",
        modes="35.9,36.7",
        lower_hz=(35.9, 6.3e-5),
        upper_hz=(36.7, 5.2e-5),
        difference_hz=(0.8, 0.0),
        decay_times_s=None,
        largest_sigma_hz=3e-4,
    ),
    Pair(
        name="first fibre pair",
        recording="ligo_h1_20150914",
        modes="501.6,501.8",
        lower_hz=(501.60765, 1.5e-4),
        upper_hz=(501.81082, 6.5e-5),
        difference_hz=(0.20318, 1.7e-4),
        decay_times_s=None,
        largest_sigma_hz=1e-3,
    ),
    Pair(
        name="second fibre pair",
        recording="ligo_h1_20150914",
        modes="997.72,997.89",
        lower_hz=(997.71751, 1.5e-4),
        upper_hz=(997.88745, 6.0e-5),
        difference_hz=(0.16993, 1.6e-4),
        decay_times_s=None,
        largest_sigma_hz=5e-4,
    ),
)


def replayed(pair: Pair, folder: Path) -> dict:
    """The summary of a replay through the command line."""
    recording = RECORDINGS / f"{pair.recording}.sigmf-meta"
    status = main(["replay", str(recording), "--modes", pair.modes, "--out", str(folder)])
    assert status == 0
    return json.loads((folder / "summary.json").read_text())


def off_by_sigmas(value: float, sigma: float, reference: tuple[float, float]) -> float:
    """Distance in combined uncertainties."""
    return (value - reference[0]) / math.hypot(sigma, reference[1])


@pytest.mark.parametrize("pair", PAIRS, ids=lambda pair: pair.name)
def test_pair_comes_out_within_its_uncertainty(pair: Pair, tmp_path: Path) -> None:
    summary = replayed(pair, tmp_path / "run")
    lines = summary["results"]["lines"]
    found = {
        "lower": off_by_sigmas(
            lines["lower"]["frequency_hz"], lines["lower"]["frequency_hz_sigma"], pair.lower_hz
        ),
        "upper": off_by_sigmas(
            lines["upper"]["frequency_hz"], lines["upper"]["frequency_hz_sigma"], pair.upper_hz
        ),
        "difference": off_by_sigmas(
            summary["difference"]["frequency_hz"],
            summary["difference"]["sigma_hz"],
            pair.difference_hz,
        ),
    }
    for mode, reference in zip(("lower", "upper"), pair.decay_times_s or (), strict=False):
        line = lines[mode]
        found[f"decay of {mode}"] = off_by_sigmas(
            line["decay_time_s"], line["decay_time_s_sigma"], reference
        )
    assert all(abs(sigmas) < ALLOWED_SIGMAS for sigmas in found.values()), found
    assert summary["difference"]["sigma_hz"] < pair.largest_sigma_hz


@pytest.mark.parametrize(
    ("recording", "lower_hz", "upper_hz"),
    [
        ("bell_sonicpi_perc_bell", 1309.287, 1343.561),
        ("piano_salamander_fs5", 740.729, 741.748),
    ],
)
def test_lines_are_found_without_being_told(
    recording: str, lower_hz: float, upper_hz: float, tmp_path: Path
) -> None:
    path = RECORDINGS / f"{recording}.sigmf-meta"
    assert main(["replay", str(path), "--out", str(tmp_path / "run")]) == 0
    modes = json.loads((tmp_path / "run" / "summary.json").read_text())["modes"]
    for mode, expected_hz in zip(modes, (lower_hz, upper_hz), strict=True):
        assert abs(mode["frequency_hz"] - expected_hz) < 5.0 * mode["frequency_sigma_hz"]
