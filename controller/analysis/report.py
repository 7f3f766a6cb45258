"""The report of a run: one self-contained page of numbers and figures.

Equal input gives an equal page: no date, no random ids. Nothing here opens a
log; the runtime passes what the page is to show.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup
from matplotlib.figure import Figure

from controller.analysis import figures
from controller.analysis.figures import RunFacts
from controller.analysis.look import as_svg, scaled_unit
from controller.analysis.protocols.data import Results
from controller.analysis.protocols.figures import ProtocolFigure
from controller.analysis.tracks import AllanCurve, RunTracks
from controller.records import Event, Section

LINES_RESULT = "lines"  # the result of a recording; see `controller.replay_loops.line_means`
PROTOCOL_RESULT = "protocol"  # how a protocol went; see `controller.protocol.runner`


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportHead:
    """What stands at the top of the page."""

    title: str
    description: str
    source: str  # the file that the page was made from
    started: str  # wall clock, or empty


@dataclass(frozen=True, slots=True, kw_only=True)
class ProtocolPart:
    """What a page shows of a protocol."""

    title: str
    analysis: str  # its name; empty: the run ended before it, or there is none
    results: Results  # NAME and NAME_sigma side by side
    failure: str  # why there are none
    steps: Sequence[Section]  # as they were carried out
    steps_left_out: int  # how many more the log holds
    figures: Sequence[ProtocolFigure]


@dataclass(frozen=True, slots=True)
class _Table:
    caption: str
    rows: list[tuple[str, ...]]
    heads: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Section:
    title: str
    caption: str
    absent: str
    svg: Markup | None


def render_report(
    head: ReportHead,
    *,
    summary: Mapping[str, Any],
    tracks: RunTracks,
    allan: Mapping[str, AllanCurve],
    events: Sequence[Event],
    events_left_out: int,
    facts: RunFacts,
    protocol: ProtocolPart | None = None,
) -> str:
    """The page as HTML.

    Parameters
    ----------
    head : ReportHead
        Title and origin.
    summary : mapping
        The content of `summary.json`.
    tracks : RunTracks
        The series of the run.
    allan : mapping of str to AllanCurve
        By series: "difference", "lower", "upper", "predicted".
    events : sequence of Event
        What the page lists, in order.
    events_left_out : int
        How many more the log holds.
    facts : RunFacts
        Units and scales.
    protocol : ProtocolPart or None
        Results, figures and steps of a protocol; None: the run had none.

    Returns
    -------
    str
        A page that needs no other file.
    """
    template = files("controller.analysis").joinpath("report.html").read_text("utf-8")
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    return environment.from_string(template).render(
        title=head.title,
        description=head.description,
        source=head.source,
        outcome=summary["outcome"],
        reason=summary["reason"],
        facts=[f"{_duration(facts.duration_s)} of stream"]
        + ([f"started {head.started}"] if head.started else []),
        protocol=None if protocol is None else _protocol(protocol),
        tables=_tables(summary, facts),
        sections=_sections(tracks, allan, events, facts, bool(summary.get("truth"))),
        events=events,
        events_left_out=events_left_out,
    )


def _protocol(protocol: ProtocolPart) -> dict[str, Any]:
    """What the template needs of a protocol."""
    return {
        "title": protocol.title,
        "failure": protocol.failure,
        "results": _result_rows(protocol.results),
        "sections": [
            _Section(
                each.title,
                each.caption,
                "",
                Markup(as_svg(each.figure, f"protocol-{each.title.lower().replace(' ', '-')}")),
            )
            for each in protocol.figures
        ],
        "steps_told": _steps_told(protocol),
        "steps": [_step_row(step) for step in protocol.steps],
        "steps_left_out": protocol.steps_left_out,
    }


def _steps_told(protocol: ProtocolPart) -> str:
    """How many steps there were, in words."""
    count = len(protocol.steps) + protocol.steps_left_out
    open_count = sum(not step.completed for step in protocol.steps)
    told = f"{open_count} of them not completed" if open_count else "all of them completed"
    return f"{count} steps ended, {told}: see below." if count else "No step had ended."


def _step_row(step: Section) -> tuple[str, ...]:
    """Number, name, start, duration, and how it ended."""
    name = step.name if step.name == step.kind else f"{step.name} ({_spaced(step.kind)})"
    ending = "completed" if step.completed else (step.reason or "not completed")
    if step.attempt > 1:
        ending = f"{ending}, attempt {step.attempt}"
    duration_s = step.end_s - step.start_s
    return (str(step.number), _spaced(name), f"{step.start_s:.2f}", f"{duration_s:.2f}", ending)


def _result_rows(results: Mapping[str, Any], place: str = "") -> list[tuple[str, str, str]]:
    """NAME, value with one sigma, and unit in words, in the order of the analysis."""
    rows: list[tuple[str, str, str]] = []
    for name, value in results.items():
        label = f"{place}{name}"
        if name.endswith("_sigma") and name.removesuffix("_sigma") in results:
            continue
        if isinstance(value, Mapping):
            rows += _result_rows(value, f"{label}: ")
        elif isinstance(value, bool | str):
            rows.append((label, _word(value), ""))
        else:
            sigma = results.get(f"{name}_sigma")
            rows.append((label, value_and_sigma(value, sigma), unit_in_words(name)))
    return rows


# A sigma below this part of its value is what arithmetic leaves, as of a share of 1.
ROUNDING = 1.0e-12


def value_and_sigma(value: float | None, sigma: float | None) -> str:
    """A number and its standard deviation, with a power of ten where it is needed.

    Parameters
    ----------
    value, sigma : float or None
        None: not known.

    Returns
    -------
    str
        Two digits of the sigma; a dash for what is not known.
    """
    if value is None or not math.isfinite(value):
        return "–"
    has_sigma = sigma is not None and ROUNDING * abs(value) < sigma < math.inf
    size = max(abs(value), (sigma or 0.0) if has_sigma else 0.0)
    if not has_sigma:
        plain = f"{value:.4g}"
        return plain if "e" not in plain else _with_power(value, None, size)
    if 1e-3 <= size < 1e6:
        return with_sigma(value, sigma, "")
    return _with_power(value, sigma, size)


def _with_power(value: float, sigma: float | None, size: float) -> str:
    power = math.floor(math.log10(size))
    scale = 10.0**power
    if sigma is None:
        return f"{value / scale:.3f} × 10{_raised(power)}"
    return f"({with_sigma(value / scale, sigma / scale, '')}) × 10{_raised(power)}"


def _raised(power: int) -> str:
    return str(power).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))


# Ends of names of results and their units in words; the first that fits counts.
_WORDS = (
    ("_hz_per_unit2", "hertz per squared unit of the pump"),
    ("_hz_per_unit", "hertz per unit of the pump"),
    ("_hz_per_m2", "hertz per square metre"),
    ("_m_per_root_hz", "metres per root hertz"),
    ("_hz_per_s", "hertz per second"),
    ("_per_s", "per second"),
    ("_hz", "hertz"),
    ("_rad", "radians"),
    ("_sigmas", "standard deviations"),
    ("significance", "standard deviations"),
    ("_kg", "kilograms"),
    ("_k", "kelvin"),
    ("_m", "metres"),
    ("_s", "seconds"),
)


def unit_in_words(name: str) -> str:
    """The unit that a result's name states, in words; empty for a plain number."""
    return next((words for ending, words in _WORDS if name.endswith(ending)), "")


def _sections(
    tracks: RunTracks,
    allan: Mapping[str, AllanCurve],
    events: Sequence[Event],
    facts: RunFacts,
    has_truth: bool,
) -> list[_Section]:
    """Every figure of the page, or the reason why it is not there."""

    def section(
        title: str, caption: str, absent: str, draw: Callable[[], Figure | None]
    ) -> _Section:
        figure = draw()
        name = title.lower().replace(" ", "-")
        return _Section(title, caption, absent, Markup(as_svg(figure, name)) if figure else None)

    return [
        section(
            "Drift of both modes",
            "Bare resonance frequencies while locked or in holdover, counted from where each"
            " was first known.",
            "Neither mode was ever locked.",
            lambda: figures.drift_figure(tracks, facts),
        ),
        section(
            "Difference and pump" if facts.has_pump else "Difference",
            _difference_caption(tracks, facts),
            "The difference was never known.",
            lambda: figures.difference_figure(tracks, facts),
        ),
        section(
            "Error against the truth",
            _error_caption(tracks),
            "Both modes were never locked while there was a truth."
            if has_truth
            else "No truth lies beside this log.",
            lambda: figures.error_figure(tracks, facts),
        ),
        section(
            "Allan deviation",
            _allan_caption(allan),
            "Too short a lock for an Allan deviation.",
            lambda: figures.allan_figure(allan, facts),
        ),
        section(
            "Phase error",
            "Input minus oscillator of each tracker, as a record finds it.",
            "No tracker reported a phase error.",
            lambda: figures.phase_error_figure(tracks, facts),
        ),
        section(
            "Amplitudes",
            "Peak amplitudes; a logarithmic scale where they span a large range.",
            "No amplitude was reported.",
            lambda: figures.amplitude_figure(tracks, facts),
        ),
        section(
            "Lock quality",
            "Stated uncertainties, and the mean squared normalised innovation: 1 where the"
            " stated noise is the real one. Lines as above: lower solid, upper dashed,"
            " difference black.",
            "No uncertainty was reported.",
            lambda: figures.quality_figure(tracks, facts),
        ),
        section(
            "States and events",
            "Where a state is shorter than the page can show, the one that matters most is drawn.",
            "The log holds no states and no events.",
            lambda: figures.states_figure(tracks, events, facts),
        ),
    ]


def _difference_caption(tracks: RunTracks, facts: RunFacts) -> str:
    caption = "Difference of both modes with its stated uncertainty"
    if not facts.has_pump:
        caption += "."
    elif tracks.curve("detuning_hz").is_empty:
        caption += "; the pump was never on."
    else:
        caption += "; below, how far the pump tone is from it."
    if facts.line_width_hz is None:
        return caption + " The line width is not known and not drawn."
    return caption + " The blue band is as wide as the narrower line."


def _error_caption(tracks: RunTracks) -> str:
    caption = (
        "Estimate minus what the simulated device did, while both modes were locked. Of a"
        " well-stated uncertainty, 95 % of the errors lie within the band."
    )
    if tracks.bucket > 1:
        caption += f" Drawn are the least and the largest of every {tracks.bucket} records."
    return caption + " The scale fits all but the largest hundredth."


def _allan_caption(allan: Mapping[str, AllanCurve]) -> str:
    caption = "Overlapping Allan deviation of the estimates at the end of the log, bars ±1σ."
    if "predicted" not in allan:
        return caption + " The log holds no prediction."
    return caption + " The prediction is that of the noise and drift model for the difference."


def _tables(summary: Mapping[str, Any], facts: RunFacts) -> list[_Table]:
    results = dict(summary["results"])
    lines = results.pop(LINES_RESULT, None)
    # What a protocol found has a table of its own.
    results.pop((results.pop(PROTOCOL_RESULT, None) or {}).get("analysis"), None)
    tables = [_estimates_table(summary, facts) if lines is None else _lines_table(summary, facts)]
    if facts.has_pump:
        follows = PROTOCOL_RESULT not in summary["results"]
        tables.append(_pump_table(summary["pump"], follows=follows))
    if summary.get("truth") and summary["truth"]["compared_records"]:
        tables.append(_truth_table(summary["truth"]))
    for name, result in results.items():
        if rows := _named_rows(result if isinstance(result, Mapping) else {name: result}):
            tables.append(_Table(f"Result: {name.replace('_', ' ')}", rows))
    return tables


def _estimates_table(summary: Mapping[str, Any], facts: RunFacts) -> _Table:
    difference = summary["difference"]
    rows: list[tuple[str, ...]] = [
        (
            f"{mode['name']} mode",
            with_sigma(mode["frequency_hz"], mode["frequency_sigma_hz"], "Hz"),
            _amplitude(mode["amplitude"], facts.amplitude_unit),
            _percent(mode["locked_fraction"]),
        )
        for mode in summary["modes"]
    ]
    rows.append(
        ("difference", with_sigma(difference["frequency_hz"], difference["sigma_hz"], "Hz"), "", "")
    )
    return _Table("Last estimates", rows, ("", "frequency", "amplitude", "locked"))


def _lines_table(summary: Mapping[str, Any], facts: RunFacts) -> _Table:
    """What a recording told of its two lines as a whole."""
    lines = summary["results"][LINES_RESULT]
    rows: list[tuple[str, ...]] = [
        (
            f"{mode['name']} line",
            with_sigma(mode["frequency_hz"], mode["frequency_sigma_hz"], "Hz"),
            decay_time(lines.get(mode["name"], {})),
            _amplitude(mode["amplitude"], facts.amplitude_unit),
            _percent(mode["locked_fraction"]),
        )
        for mode in summary["modes"]
    ]
    difference = summary["difference"]
    difference_text = with_sigma(difference["frequency_hz"], difference["sigma_hz"], "Hz")
    rows.append(("difference", difference_text, "", "", ""))
    heads = ("", "mean frequency", "decay time of the amplitude", "amplitude at the lock", "locked")
    return _Table("The recording as a whole", rows, heads)


def _pump_table(pump: Mapping[str, Any], *, follows: bool) -> _Table:
    """`follows`: it was kept on the difference, and not where the steps of a protocol put it."""
    rows: list[tuple[str, ...]] = [
        ("on", _duration(pump["on_s"])),
        ("on outside the interlock", f"{pump['on_outside_interlock_s']:.3f} s"),
        ("mutes", str(pump["mutes"])),
    ]
    if follows:
        away = with_sigma(pump["rms_detuning_hz"], None, "Hz")
        rows.append(("rms distance from the difference plus offset_hz", away))
    if pump["off_reason"]:
        rows.append(("off at the end", pump["off_reason"]))
    return _Table("Pump", rows)


def _truth_table(truth: Mapping[str, Any]) -> _Table:
    """Errors of the estimates and of the pump beside what is possible."""
    rows: list[tuple[str, ...]] = [
        (
            name,
            with_sigma(truth[f"{name}_rms_error_hz"], None, "Hz"),
            with_sigma(truth.get(f"{name}_limit_hz"), None, "Hz"),
            with_sigma(truth.get(f"{name}_normalised_error"), None, ""),
            _percent(truth.get(f"{name}_coverage_68")),
            _percent(truth.get(f"{name}_coverage_95")),
        )
        for name in ("lower", "upper", "difference", "pump")
    ]
    return _Table(
        f"Against the truth, {truth['compared_records']} records with {truth['compared']}",
        rows,
        ("", "rms error", "possible", "error² / σ²", "in ±1σ", "in ±1.96σ"),
    )


def _percent(fraction: float | None) -> str:
    return "–" if fraction is None else f"{100.0 * fraction:.1f} %"


def _amplitude(value: float | None, unit: str | None) -> str:
    if value is None:
        return "–"
    if unit is None:
        return f"{value:.4g} sample units"
    factor, prefixed = scaled_unit(abs(value), unit)
    return f"{value * factor:.4g} {prefixed}"


def with_sigma(value: float | None, sigma: float | None, unit: str) -> str:
    """A value to the digits that its uncertainty leaves, with that uncertainty.

    Parameters
    ----------
    value, sigma : float or None
        Value and standard deviation; None is unknown.
    unit : str
        Printed behind both; a value without a sigma gets a prefix.
    """
    if value is None:
        return "–"
    if not sigma or not math.isfinite(sigma):
        if abs(value) >= 1000.0:
            return f"{value:.6f} {unit}"
        factor, prefixed = scaled_unit(abs(value), unit) if unit else (1.0, "")
        return f"{value * factor:.4g} {prefixed}".rstrip()
    # Two digits of the uncertainty.
    decimals = min(12, max(0, 1 - math.floor(math.log10(sigma))))
    return f"{value:.{decimals}f} ± {sigma:.{decimals}f} {unit}".rstrip()


def decay_time(line: Mapping[str, Any]) -> str:
    """Decay time of a recorded line's amplitude; a bound where no decay is seen.

    Parameters
    ----------
    line : mapping
        An entry of `results.lines`: `decay_rate_per_s`, `decay_time_s` and their sigmas.
    """
    rate, sigma = line.get("decay_rate_per_s"), line.get("decay_rate_per_s_sigma")
    if line.get("decay_time_s") is not None:
        return with_sigma(line["decay_time_s"], line["decay_time_s_sigma"], "s")
    if rate is None or sigma is None:
        return "–"
    fastest_per_s = rate + 2.0 * sigma
    return f"above {1.0 / fastest_per_s:.2g} s" if fastest_per_s > 0.0 else "none: it grows"


def _duration(seconds: float) -> str:
    if seconds < 300.0:
        return f"{seconds:.1f} s"
    minutes, rest_s = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min {rest_s} s" if hours else f"{minutes} min {rest_s} s"


# Ends of names and the units they state.
_UNITS = (
    ("_per_root_hz", ""),
    ("_hz_per_s", "Hz/s"),
    ("_per_s", "1/s"),
    ("_hz", "Hz"),
    ("_rad", "rad"),
    ("_db", "dB"),
    ("_kg", "kg"),
    ("_k", "K"),
    ("_m", "m"),
    ("_v", "V"),
    ("_s", "s"),
)


def _named_rows(result: Mapping[str, Any], place: str = "") -> list[tuple[str, ...]]:
    """A result as rows of a table; NAME_sigma goes beside NAME."""
    rows: list[tuple[str, ...]] = []
    for name, value in result.items():
        if name.endswith("_sigma") and name.removesuffix("_sigma") in result:
            continue
        if _sigma_owner(name) in result:
            continue
        label = f"{place}{name}"
        if isinstance(value, Mapping):
            rows += _named_rows(value, f"{place}{name}: ")
        elif isinstance(value, list | tuple):
            rows.append((_spaced(label), f"{len(value)} values"))
        elif isinstance(value, int) and not isinstance(value, bool):
            rows.append((_spaced(label), str(value)))
        elif isinstance(value, bool | str):
            rows.append((_spaced(label), _word(value)))
        else:
            rows.append(_number_row(label, value, _sigma_of(name, result)))
    return rows


def _word(value: bool | str) -> str:
    return value if isinstance(value, str) else ("yes" if value else "no")


def _sigma_owner(name: str) -> str:
    """frequency_hz for frequency_sigma_hz: the spelling of records and fits."""
    return name.replace("_sigma_", "_", 1) if "_sigma_" in name else ""


def _sigma_of(name: str, result: Mapping[str, Any]) -> float | None:
    if f"{name}_sigma" in result:
        return result[f"{name}_sigma"]
    for other, value in result.items():
        if _sigma_owner(other) == name:
            return value
    return None


def _number_row(label: str, value: float | None, sigma: float | None) -> tuple[str, ...]:
    for ending, unit in _UNITS:
        if unit and label.endswith(ending):
            return _spaced(label.removesuffix(ending)), with_sigma(value, sigma, unit)
    return _spaced(label), with_sigma(value, sigma, "")


def _spaced(name: str) -> str:
    return name.replace("_", " ")
