"""The figures of the protocols: units, signs that need no colour, and what is drawn."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Callable, Mapping

import numpy as np
import pytest
from matplotlib.axes import Axes

from controller.analysis.look import as_svg
from controller.analysis.protocols.data import ProtocolData, ProtocolResult
from controller.analysis.protocols.figures import ProtocolFigure, protocol_figures
from controller.analysis.protocols.registry import ANALYSES
from tests.support.protocol_cases import CASES
from tests.support.protocol_streams import (
    COUPLING_HZ,
    alternating_protocol,
    drift_protocol,
    thermal_protocol,
    weak_protocols,
)
from tests.support.pulses import PULSE_CASES, sequences
from tests.support.two_modes import Bench, exchange_stages, protocols, ring_down_stages

SHORT_STAGES = {
    "exchange": exchange_stages(duration_s=12.0),
    "splitting_map": exchange_stages(duration_s=8.0, detunings_hz=(-0.2, 0.0, 0.2)),
    "rate_calibration": exchange_stages(duration_s=8.0, pumps=(0.5, 0.75, 1.0)),
    "ring_down": ring_down_stages(40.0),
}
LABELS = {  # a label that each must bear
    "exchange": "time with the pump on / s",
    "splitting_map": "exchange frequency / mHz",
    "rate_calibration": "coupling g/2π / mHz",
    "ring_down": "squared amplitude / nm²",
    "ramsey": "free time / s",
    "echo": "handed over, echo",
    "adiabatic_transfer": "chirp rate / (Hz/s)",
    "weak_conversion": "coupling, real part / µHz",
    "alternating_difference": "shift / µHz",
    "thermal_calibration": "squared amplitude / its mean",
    "drift_watch": "share of the time / %",
}


def _of_two_modes(name: str) -> Callable[[], ProtocolData]:
    bench = CASES[name].bench
    return lambda: protocols(bench, SHORT_STAGES[name], [1])[0].data


def _of_pulses(name: str) -> Callable[[], ProtocolData]:
    return lambda: sequences(Bench(), PULSE_CASES[name].steps(Bench()), [1])[0].data


DATA: Mapping[str, Callable[[], ProtocolData]] = {
    **{name: _of_two_modes(name) for name in SHORT_STAGES},
    **{name: _of_pulses(name) for name in PULSE_CASES},
    "weak_conversion": lambda: weak_protocols(Bench(), COUPLING_HZ, [3])[0].data,
    "alternating_difference": lambda: alternating_protocol(1, pairs=8).data,
    "thermal_calibration": lambda: thermal_protocol(1, duration_s=300.0).data,
    "drift_watch": lambda: drift_protocol(1, duration_s=300.0).data,
}


@pytest.fixture(scope="module")
def drawn() -> Callable[[str], tuple[ProtocolResult, list[ProtocolFigure]]]:
    """Result and figures of an analysis, made once."""
    known: dict[str, tuple[ProtocolResult, list[ProtocolFigure]]] = {}

    def figures(name: str) -> tuple[ProtocolResult, list[ProtocolFigure]]:
        if name not in known:
            data = DATA[name]()
            result = ANALYSES[name](data)
            known[name] = result, protocol_figures(name, result, data)
        return known[name]

    return figures


Drawn = Callable[[str], tuple[ProtocolResult, list[ProtocolFigure]]]


def panels_of(figures: list[ProtocolFigure]) -> list[Axes]:
    """Every panel, the colour bars apart."""
    axes = [panel for each in figures for panel in each.figure.axes]
    return [panel for panel in axes if panel.get_label() != "<colorbar>"]


def test_every_analysis_has_a_figure() -> None:
    assert set(LABELS) == set(DATA) == set(ANALYSES)


@pytest.mark.parametrize("name", ANALYSES)
def test_axes_are_labelled_and_figures_explained(name: str, drawn: Drawn) -> None:
    result, figures = drawn(name)
    assert result.failure is None
    assert len(figures) == len({each.title for each in figures}) > 0
    assert all(each.caption.endswith(".") for each in figures)
    labels = [panel.get_ylabel() for panel in panels_of(figures)]
    assert all(labels)
    labels += [each.figure.axes[-1].get_xlabel() for each in figures]
    labels += [panel.get_xlabel() for panel in panels_of(figures)]
    assert LABELS[name] in labels


@pytest.mark.parametrize("name", ANALYSES)
def test_what_has_another_colour_has_another_form(name: str, drawn: Drawn) -> None:
    """No two labelled curves of a panel differ by colour alone."""
    for panel in panels_of(drawn(name)[1]):
        lines = [line for line in panel.lines if not line.get_label().startswith("_")]
        for one, other in itertools.combinations(lines, 2):
            forms = [
                (line.get_linestyle(), line._dash_pattern, line.get_marker(), line.get_linewidth())
                for line in (one, other)
            ]
            assert forms[0] != forms[1], (one.get_label(), other.get_label())


@pytest.mark.parametrize("name", ANALYSES)
def test_legends_stay_within_their_figure(name: str, drawn: Drawn) -> None:
    for each in drawn(name)[1]:
        each.figure.draw_without_rendering()
        width = each.figure.bbox.width
        for panel in each.figure.axes:
            legend = panel.get_legend()
            if legend is not None:
                assert legend.get_window_extent().x1 <= width


@pytest.mark.parametrize("name", ["exchange", "splitting_map"])
def test_equal_results_give_equal_figures_that_need_no_file(name: str, drawn: Drawn) -> None:
    _, figures = drawn(name)
    for each in figures:
        text = as_svg(each.figure, "x")
        assert text == as_svg(each.figure, "x")
        assert all(link.startswith(("#", "data:")) for link in re.findall(r'href="([^"]*)', text))


def test_the_fitted_exchange_runs_through_the_readings(drawn: Drawn) -> None:
    """To five times the thermal motion, which is a hundredth of the amplitude or less."""
    result, _ = drawn("exchange")
    for mode in ("lower", "upper"):
        seen_m, fitted_m = result.series[f"{mode}_amplitude_m"], result.series[f"fitted_{mode}_m"]
        assert np.abs(seen_m - fitted_m).max() < 0.05 * seen_m.max()


def test_the_running_significance_ends_at_that_of_the_fit(drawn: Drawn) -> None:
    result, figures = drawn("weak_conversion")
    assert result.results is not None
    [curve] = [
        line for line in figures[1].figure.axes[0].lines if "section" in str(line.get_label())
    ]
    significances = np.asarray(curve.get_ydata(), dtype=float)
    assert math.isclose(significances[-1], float(result.results["significance"]))  # type: ignore[arg-type]
    assert significances[0] < significances[-1]


def test_a_failed_analysis_has_no_figure() -> None:
    data = DATA["drift_watch"]()
    failed = ProtocolResult(results=None, failure="no lock")
    assert protocol_figures("drift_watch", failed, data) == []


def test_an_unknown_analysis_has_no_figure() -> None:
    data = DATA["drift_watch"]()
    assert protocol_figures("of one's own", ProtocolResult(results={}), data) == []
