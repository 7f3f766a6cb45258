"""The analyses by the names that protocols give them."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from controller.analysis.protocols.adiabatic_transfer import adiabatic_transfer
from controller.analysis.protocols.alternating_difference import alternating_difference
from controller.analysis.protocols.data import ProtocolData, ProtocolResult
from controller.analysis.protocols.drift_watch import drift_watch
from controller.analysis.protocols.echo import echo
from controller.analysis.protocols.exchange import exchange, rate_calibration, splitting_map
from controller.analysis.protocols.ramsey import ramsey
from controller.analysis.protocols.ring_down import ring_down
from controller.analysis.protocols.thermal_calibration import thermal_calibration
from controller.analysis.protocols.weak_conversion import weak_conversion

Analysis = Callable[[ProtocolData], ProtocolResult]

ANALYSES: Mapping[str, Analysis] = {
    "adiabatic_transfer": adiabatic_transfer,
    "alternating_difference": alternating_difference,
    "drift_watch": drift_watch,
    "echo": echo,
    "exchange": exchange,
    "ramsey": ramsey,
    "rate_calibration": rate_calibration,
    "ring_down": ring_down,
    "splitting_map": splitting_map,
    "thermal_calibration": thermal_calibration,
    "weak_conversion": weak_conversion,
}
