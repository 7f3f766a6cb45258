"""The figures of the protocols by the name of the analysis that found what they show."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from controller.analysis.protocols.data import ProtocolData, ProtocolResult, Results
from controller.analysis.protocols.figures.adiabatic_transfer import adiabatic_transfer_figures
from controller.analysis.protocols.figures.alternating_difference import (
    alternating_difference_figures,
)
from controller.analysis.protocols.figures.drift_watch import drift_watch_figures
from controller.analysis.protocols.figures.exchange import exchange_figures
from controller.analysis.protocols.figures.fringes import echo_figures, ramsey_figures
from controller.analysis.protocols.figures.parts import ProtocolFigure, Series
from controller.analysis.protocols.figures.rate_calibration import rate_calibration_figures
from controller.analysis.protocols.figures.ring_down import ring_down_figures
from controller.analysis.protocols.figures.splitting_map import splitting_map_figures
from controller.analysis.protocols.figures.thermal_calibration import thermal_calibration_figures
from controller.analysis.protocols.figures.weak_conversion import weak_conversion_figures

_DRAWN: Mapping[str, Callable[[Results, Series, ProtocolData], list[ProtocolFigure]]] = {
    "adiabatic_transfer": adiabatic_transfer_figures,
    "alternating_difference": alternating_difference_figures,
    "drift_watch": drift_watch_figures,
    "echo": echo_figures,
    "exchange": exchange_figures,
    "ramsey": ramsey_figures,
    "rate_calibration": rate_calibration_figures,
    "ring_down": ring_down_figures,
    "splitting_map": splitting_map_figures,
    "thermal_calibration": thermal_calibration_figures,
    "weak_conversion": weak_conversion_figures,
}


def protocol_figures(
    analysis: str, result: ProtocolResult, data: ProtocolData
) -> list[ProtocolFigure]:
    """The figures of one analysis.

    Parameters
    ----------
    analysis : str
        Its name.
    result : ProtocolResult
        What it found.
    data : ProtocolData
        What it was given.

    Returns
    -------
    list of ProtocolFigure
        None where the analysis failed or has no figure.
    """
    draw = _DRAWN.get(analysis)
    if draw is None or result.results is None:
        return []
    return draw(result.results, result.series, data)
