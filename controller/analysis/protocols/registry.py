"""The analyses by the names that protocols give them."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from controller.analysis.protocols.adiabatic_transfer import adiabatic_transfer
from controller.analysis.protocols.data import ProtocolData, ProtocolResult
from controller.analysis.protocols.echo import echo
from controller.analysis.protocols.ramsey import ramsey

Analysis = Callable[[ProtocolData], ProtocolResult]

ANALYSES: Mapping[str, Analysis] = {
    "adiabatic_transfer": adiabatic_transfer,
    "echo": echo,
    "ramsey": ramsey,
}
