"""The page: complete, self-contained, and honest about what is missing."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from typing import Any

import numpy as np
import pytest

from controller.analysis.figures import RunFacts, difference_figure
from controller.analysis.look import panels
from controller.analysis.protocols.figures import ProtocolFigure
from controller.analysis.report import (
    ProtocolPart,
    ReportHead,
    render_report,
    unit_in_words,
    value_and_sigma,
    with_sigma,
)
from controller.analysis.tracks import COLUMNS_NEEDED, AllanCurve, RunTracks
from controller.records import Event, Section

HEAD = ReportHead(title="A <test>", description="", source="log.sqlite", started="")


def columns(record_count: int, **values: Any) -> dict[str, np.ndarray]:
    """Columns of a log, locked and with the pump on unless told otherwise."""
    found = {name: np.full(record_count, np.nan) for name in COLUMNS_NEEDED}
    found["time_s"] = np.arange(record_count) / 10
    for mode in ("lower", "upper"):
        found[f"{mode}_state"] = np.full(record_count, "locked")
        found[f"{mode}_frequency_hz"] = np.full(record_count, 1e6)
        found[f"{mode}_frequency_sigma_hz"] = np.full(record_count, 1e-3)
        found[f"{mode}_amplitude"] = np.full(record_count, 1e-9)
        found[f"{mode}_phase_error_rad"] = np.full(record_count, 1e-3)
        found[f"{mode}_innovation_ratio"] = np.ones(record_count)
    found["difference_hz"] = np.full(record_count, 5e3)
    found["difference_sigma_hz"] = np.full(record_count, 1e-4)
    found["pump_hz"] = np.full(record_count, 5e3)
    found["pump_state"] = np.full(record_count, "on")
    return {**found, **values}


def facts(**values: Any) -> RunFacts:
    """Facts of a calibrated run."""
    given = {
        "duration_s": 20.0,
        "amplitude_unit": "m",
        "line_width_hz": 0.012,
        "pump_offset_hz": 0.0,
        "smallest_error_hz": None,
    }
    return RunFacts(**{**given, **values})


def summary(**values: Any) -> dict[str, Any]:
    """A summary with nothing known."""
    mode = dict.fromkeys(("frequency_hz", "frequency_sigma_hz", "amplitude", "locked_fraction"))
    return {
        "outcome": "done",
        "reason": "",
        "modes": [{"name": "lower", **mode}, {"name": "upper", **mode}],
        "difference": {"frequency_hz": None, "sigma_hz": None},
        "pump": {
            "on_s": 0.0,
            "on_outside_interlock_s": 0.0,
            "mutes": 0,
            "off_reason": "",
            "rms_detuning_hz": None,
        },
        "results": {},
        **values,
    }


def page(given: dict[str, np.ndarray] | None = None, **values: Any) -> str:
    """The page of some columns."""
    tracks = RunTracks(0 if given is None else len(given["time_s"]))
    if given is not None:
        tracks.add_records(given)
    arguments: dict[str, Any] = {
        "summary": summary(),
        "allan": {},
        "events": [],
        "events_left_out": 0,
        "facts": facts(),
    }
    return render_report(HEAD, tracks=tracks, **{**arguments, **values})


class _Balance(HTMLParser):
    """Counts elements that are opened and not closed."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.links: list[str] = []

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        if tag not in ("meta", "br", "link"):
            self.open.append(tag)
        self.links += [value or "" for name, value in attributes if name in ("src", "href")]

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_page_is_well_formed_and_needs_no_other_file() -> None:
    parser = _Balance()
    text = page(columns(200))
    parser.feed(text)
    assert parser.open == []
    assert parser.links == []
    assert "url(http" not in text
    assert "A &lt;test&gt;" in text


def test_equal_input_gives_an_equal_page() -> None:
    assert page(columns(50)) == page(columns(50))


def test_every_axis_has_a_unit() -> None:
    text = page(
        columns(200),
        allan={
            "difference": AllanCurve(
                taus_s=np.array([0.1, 0.2]), deviations_hz=np.array([1e-3, 1e-3])
            )
        },
    )
    for label in (
        "time / s",
        "drift / ",
        "Hz / mHz",
        "detuning / mHz",
        "Allan deviation / Hz",
        "averaging time τ / s",
        "phase error / mrad",
        "amplitude / nm",
        "stated σ / Hz",
        "innovation ratio",
    ):
        assert label in text, label


def test_an_empty_log_says_what_is_missing_and_draws_no_empty_frame() -> None:
    text = page()
    assert "<svg" not in text
    for words in ("was ever locked", "never known", "No truth", "no events"):
        assert words in text, words


def test_without_a_pump_there_is_no_detuning() -> None:
    text = page(columns(50, pump_state=np.full(50, "off")))
    assert "the pump was never on" in text
    assert "detuning /" not in text
    assert "pump tone" not in text


def test_the_distance_from_the_difference_is_told_only_where_the_pump_was_kept_on_it() -> None:
    text = "rms distance from the difference"
    assert text in page()
    assert text not in page(summary=summary(results={"protocol": {"title": "A sweep"}}))


def test_without_a_line_width_no_band_is_drawn() -> None:
    text = page(columns(50), facts=facts(line_width_hz=None))
    assert "The line width is not known" in text
    assert "tenth of the line" not in text


def test_the_line_width_and_its_tenth_are_drawn() -> None:
    text = page(columns(50))
    assert "line width, 12 mHz" in text
    assert "± a tenth of the line" in text


def test_the_first_wild_records_do_not_set_the_scale_of_the_difference() -> None:
    sigma_hz = np.full(600, 1e-4)
    sigma_hz[:10] = 0.2
    given = columns(600, difference_sigma_hz=sigma_hz)
    tracks = RunTracks(600)
    tracks.add_records(given)
    figure = difference_figure(tracks, facts())
    assert figure is not None
    low, high = figure.axes[0].get_ylim()  # in mHz, about the difference
    # The line of 12 mHz, and a little room.
    assert -8.0 < low < -6.0 < 6.0 < high < 8.0


def test_a_recording_is_shown_as_a_whole_and_without_a_pump() -> None:
    lines = {
        "lower": {
            "frequency_hz": 740.73,
            "frequency_hz_sigma": 0.004,
            "decay_time_s": 1.7,
            "decay_time_s_sigma": 0.05,
            "decay_rate_per_s": 0.59,
            "decay_rate_per_s_sigma": 0.017,
            "amplitude": 0.01,
        },
        "upper": {"decay_rate_per_s": 0.001, "decay_rate_per_s_sigma": 0.002, "decay_time_s": None},
        "difference": {"frequency_hz": 1.02, "frequency_hz_sigma": 0.006},
    }
    given = columns(50, pump_state=np.full(50, "off"), pump_hz=np.full(50, np.nan))
    text = page(given, summary=summary(results={"lines": lines}), facts=facts(has_pump=False))
    words = re.sub(r"<[^>]+>", " ", text)
    assert "The recording as a whole" in words
    assert "1.700 ± 0.050 s" in words
    assert "above 2e+02 s" in words
    for absent in ("Last estimates", "Pump", "pump", "Result: lines"):
        assert absent not in words, absent


def test_a_run_that_failed_compares_nothing_with_its_truth() -> None:
    truth = {"compared_records": 0, "compared": "both modes locked"}
    text = page(summary=summary(outcome="failed", reason="no lock", truth=truth))
    assert "Against the truth" not in text
    assert "Both modes were never locked while there was a truth" in text


def test_an_uncalibrated_stream_has_no_metres() -> None:
    text = page(columns(50), facts=facts(amplitude_unit=None))
    assert "amplitude (sample units)" in text
    assert "amplitude / " not in text


def test_a_truth_adds_its_figure() -> None:
    given = columns(50)
    tracks = RunTracks(50)
    tracks.add_records(given)
    errors = {
        f"{n}_{q}_hz": np.full(50, 1e-4)
        for n in ("lower", "upper", "difference")
        for q in ("error", "sigma")
    }
    tracks.add_errors({"time_s": given["time_s"], "is_locked": np.full(50, True), **errors})
    text = render_report(
        HEAD,
        summary=summary(),
        tracks=tracks,
        allan={},
        events=[],
        events_left_out=0,
        facts=facts(),
    )
    assert "difference − truth" in text
    assert "±2σ" in text
    assert "No truth" not in text


def test_the_prediction_and_the_smallest_error_stand_in_the_allan_figure() -> None:
    curve = AllanCurve(taus_s=np.array([0.1, 1.0]), deviations_hz=np.array([1e-3, 1e-4]))
    text = page(
        columns(50),
        allan={"difference": curve, "predicted": curve},
        facts=facts(smallest_error_hz=1e-4),
    )
    assert "difference, predicted" in text
    assert "smallest rms error" in text


def test_events_are_escaped_and_the_rest_is_counted() -> None:
    event = Event(sample_index=5, time_s=0.1, source="pump", kind="mute", text="a < b & c")
    text = page(columns(50), events=[event], events_left_out=7)
    assert "a &lt; b &amp; c" in text
    assert "7 more events are in the log" in text


def test_a_day_is_no_larger_than_a_page() -> None:
    rng = np.random.default_rng(2)
    noisy = {
        f"{mode}_phase_error_rad": 1e-3 * rng.standard_normal(864_000)
        for mode in ("lower", "upper")
    }
    assert len(page(columns(864_000, **noisy), facts=facts(duration_s=86_400.0))) < 1_500_000


def test_results_stand_beside_their_uncertainty() -> None:
    results = {
        "ring_down": {
            "lower": {"quality_factor": 5.0e7, "quality_factor_sigma": 2.0e5},
            "decay_time_s": 4.0123,
            "decay_time_sigma_s": 0.02,
            "points": [1, 2, 3],
        }
    }
    text = re.sub(r"<[^>]+>", " ", page(summary=summary(results=results)))
    assert "Result: ring down" in text
    assert "50000000 ± 200000" in text
    assert "4.012 ± 0.020 s" in text
    assert "3 values" in text


@pytest.mark.parametrize(
    ("value", "sigma", "text"),
    [
        (None, 1.0, "–"),
        (1183000.123456, 1.2e-5, "1183000.123456 ± 0.000012 Hz"),
        (0.8, 0.0234, "0.800 ± 0.023 Hz"),
        (4.0e-4, None, "400 µHz"),
        (6000.5, None, "6000.500000 Hz"),
    ],
)
def test_numbers_have_the_digits_that_they_deserve(
    value: float | None, sigma: float | None, text: str
) -> None:
    assert with_sigma(value, sigma, "Hz") == text


def step(number: int, **values: Any) -> Section:
    """A step that was completed."""
    given = {
        "number": number,
        "name": "exchange",
        "kind": "pump_on",
        "parameters": {},
        "start_s": 8.5,
        "end_s": 63.375,
        "completed": True,
        "attempt": 1,
    }
    return Section(**{**given, **values})


def protocol(**values: Any) -> ProtocolPart:
    """A protocol of one step without a figure."""
    given = {
        "title": "Energy exchange",
        "analysis": "exchange",
        "results": {"coupling_hz": 0.01996, "coupling_hz_sigma": 4e-5, "is_strong": True},
        "failure": "",
        "steps": [step(7)],
        "steps_left_out": 0,
        "figures": [],
    }
    return ProtocolPart(**{**given, **values})


def words_of(text: str) -> str:
    """A page without its tags."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text))


def test_results_of_a_protocol_have_one_sigma_and_a_unit_in_words() -> None:
    results = {"protocol": {"analysis": "exchange"}, "exchange": {"coupling_hz": 1.0}}
    text = page(protocol=protocol(), summary=summary(results=results))
    assert "coupling_hz 0.019960 ± 0.000040 hertz" in words_of(text)
    assert "is_strong yes" in words_of(text)
    assert "Result:" not in text  # it stands in its own table, and only there
    parser = _Balance()
    parser.feed(text)
    assert parser.open == []


def test_groups_of_results_keep_their_name() -> None:
    found = {"lower": {"quality_factor": 7.419e7, "quality_factor_sigma": 3.5e5, "ratio": None}}
    words = words_of(page(protocol=protocol(results=found)))
    assert "lower: quality_factor (7.419 ± 0.035) × 10⁷" in words
    assert "lower: ratio –" in words


def test_steps_are_listed_with_how_they_ended() -> None:
    steps = [step(1), step(2, completed=False, reason="the lock was lost"), step(2, attempt=2)]
    words = words_of(page(protocol=protocol(steps=steps, steps_left_out=4)))
    assert "1 exchange (pump on) 8.50 54.88 completed" in words
    assert "54.88 the lock was lost" in words
    assert "completed, attempt 2" in words
    assert "7 steps ended, 1 of them not completed" in words
    assert "4 more steps are in the log" in words


def test_a_failed_analysis_says_why() -> None:
    words = words_of(page(protocol=protocol(results={}, failure="a < b")))
    assert "No results: a &lt; b" in words
    assert "one standard deviation" not in words.split("Made by")[0]


def test_a_figure_of_a_protocol_stands_on_the_page() -> None:
    figure, [axes] = panels([1.0])
    axes.set_xlabel("time with the pump on / s")
    shown = ProtocolFigure(title="Energies", caption="There and back.", figure=figure)
    text = page(protocol=protocol(figures=[shown]))
    assert "There and back." in text
    assert "time with the pump on / s" in text


def test_a_run_without_a_protocol_lists_no_steps() -> None:
    assert "Steps" not in page()


@pytest.mark.parametrize(
    ("value", "sigma", "text"),
    [
        (None, None, "–"),
        (0.01996, 4e-5, "0.019960 ± 0.000040"),
        (-1.5e-5, 1.2e-5, "(-1.5 ± 1.2) × 10⁻⁵"),
        (1.3e14, 2.6e14, "(1.3 ± 2.6) × 10¹⁴"),
        (6.8e-5, None, "6.800 × 10⁻⁵"),
        (39.0, None, "39"),
        (0.0, 0.0, "0"),
        (1.0 - 6e-15, 6e-15, "1"),  # a share of which nothing is left open
    ],
)
def test_large_and_small_results_have_a_power_of_ten(
    value: float | None, sigma: float | None, text: str
) -> None:
    assert value_and_sigma(value, sigma) == text


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("best_chirp_hz_per_s", "hertz per second"),
        ("coupling_hz_per_unit", "hertz per unit of the pump"),
        ("metres_per_unit_ratio", ""),
        ("effective_temperature_k", "kelvin"),
        ("cooperativity", ""),
    ],
)
def test_units_are_in_words(name: str, words: str) -> None:
    assert unit_in_words(name) == words
