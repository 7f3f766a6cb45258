"""What a run shows on the terminal: a line of progress, a closing table.

Progress goes to standard error, so that standard output holds the results
alone. Only displays: every number is one that the engine or the summary
states.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping
from typing import Any

from tqdm import tqdm

from controller.analysis.report import decay_time, value_and_sigma, with_sigma
from controller.runtime.runner import RUN_FILES, Outcome

REDRAW_EVERY_S = 0.2  # often enough to look alive, too seldom to cost anything


class TerminalProgress:
    """A bar of stream time with the engine's status line.

    Used as a context manager by the thread that runs the loop.

    Parameters
    ----------
    total_s : float
        Length of the run [s of stream time].
    force : bool
        Also where standard error is no terminal.
    """

    def __init__(self, total_s: float, *, force: bool = False) -> None:
        self._bar = tqdm(
            total=round(total_s, 1),
            disable=False if force else None,
            mininterval=0.0,  # the clock below decides
            dynamic_ncols=True,
            bar_format="{percentage:3.0f} % {n:.0f}/{total:.0f} s{postfix}",
        )
        self._began_s = time.monotonic()
        self._next_s = self._began_s

    def __enter__(self) -> TerminalProgress:
        return self

    def __exit__(self, *details: object) -> None:
        self._bar.close()

    def __call__(self, time_s: float, status_line: str) -> None:
        """Show a stream time and a status, if it is time to redraw."""
        now_s = time.monotonic()
        if now_s < self._next_s:
            return
        self._next_s = now_s + REDRAW_EVERY_S
        speed = time_s / max(now_s - self._began_s, 1e-3)
        self._bar.n = min(time_s, self._bar.total)
        self._bar.set_postfix_str(f"{status_line}; {speed:.0f} times real time")


def closing_table(name: str, outcome: Outcome, wall_s: float) -> str:
    """The main numbers of a run and where its files are.

    Parameters
    ----------
    name : str
        What was run.
    outcome : Outcome
        How it ended, with its summary.
    wall_s : float
        How long it took [s], > 0.

    Returns
    -------
    str
        A few lines, without a newline at the end.
    """
    summary = outcome.summary
    speed = f"{outcome.stream_s / wall_s:.3g} times real time"
    rows = [(name, f"{outcome.outcome}; {outcome.stream_s:.1f} s in {wall_s:.1f} s, {speed}")]
    lines = summary.get("results", {}).get("lines", {})
    rows += [
        (mode["name"], _mode_text(mode, lines.get(mode["name"]), summary["amplitude_unit"]))
        for mode in summary.get("modes", ())
    ]
    rows += [("difference", _with_sigma(summary.get("difference", {}), "frequency_hz", "sigma_hz"))]
    rows += _pump_rows(
        summary.get("pump", {}), follows="protocol" not in summary.get("results", {})
    )
    rows += _result_rows(summary.get("results", {}))
    rows += _truth_rows(summary.get("truth", {}))
    written = [file for file in RUN_FILES if (outcome.folder / file).exists()]
    rows += [("files", f"{outcome.folder}: {', '.join(written)}")]
    width = max(len(label) for label, _ in rows)
    return "\n".join(f"{label:<{width}}  {text}" for label, text in rows)


def _mode_text(mode: Mapping[str, Any], line: Mapping[str, Any] | None, unit: str) -> str:
    """Frequency, amplitude and share of time locked of one mode; decay time of a line."""
    text = _with_sigma(mode, "frequency_hz", "frequency_sigma_hz")
    if mode.get("amplitude") is not None:
        text += f", amplitude {mode['amplitude']:.3g} {unit}"
    if mode.get("locked_fraction") is not None:
        text += f", locked {100.0 * mode['locked_fraction']:.1f} % of the time"
    if line:
        text += f", decay time {decay_time(line)}"
    return text


def _with_sigma(values: Mapping[str, Any], key: str, sigma_key: str) -> str:
    """A frequency with its uncertainty, or that it is unknown."""
    if values.get(key) is None:
        return "unknown"
    return with_sigma(values[key], values.get(sigma_key), "Hz")


def _pump_rows(pump: Mapping[str, Any], *, follows: bool) -> list[tuple[str, str]]:
    """The pump's account, where it came on or was kept off.

    `follows`: it was kept on the difference, and not where the steps of a protocol put it.
    """
    rows = []
    if pump.get("on_s"):
        mutes = {0: "never muted", 1: "muted once"}.get(
            pump["mutes"], f"muted {pump['mutes']} times"
        )
        outside = f"{pump['on_outside_interlock_s']:.3g} s outside the interlock"
        rows.append(("pump", f"on for {pump['on_s']:.1f} s, {mutes}, {outside}"))
        if follows and pump.get("rms_detuning_hz") is not None:
            away = with_sigma(pump["rms_detuning_hz"], None, "Hz")
            rows.append(("", f"{away} rms from the difference plus offset_hz"))
    if pump.get("off_reason"):
        when = "off at the end" if rows else "never on"
        rows.append(("" if rows else "pump", f"{when}: {pump['off_reason']}"))
    return rows


def _result_rows(results: Mapping[str, Any]) -> list[tuple[str, str]]:
    """What the analysis of a protocol found, each number with its uncertainty."""
    analysis = results.get("protocol", {}).get("analysis")
    found = results.get(analysis, {}) if analysis else {}
    return list(_shown_results(found, ""))


def _shown_results(found: Mapping[str, Any], prefix: str) -> Iterator[tuple[str, str]]:
    for name, value in found.items():
        label = f"{prefix}{name}"
        if isinstance(value, Mapping):
            yield from _shown_results(value, f"{label}.")
        elif isinstance(value, bool):
            yield label, "yes" if value else "no"
        elif value is not None and not name.endswith("_sigma"):
            sigma = found.get(f"{name}_sigma")
            yield label, value_and_sigma(value, sigma) if isinstance(value, float) else str(value)


def _truth_rows(truth: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Error of the difference against the simulator's truth, and its limit."""
    error_hz, limit_hz = truth.get("difference_rms_error_hz"), truth.get("difference_limit_hz")
    if error_hz is None or limit_hz is None:
        return []
    return [
        ("truth", f"difference wrong by {error_hz:.3g} Hz rms; the limit is {limit_hz:.3g} Hz rms")
    ]
