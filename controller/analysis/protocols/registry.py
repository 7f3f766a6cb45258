"""The analyses by the names that protocols give them."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from controller.analysis.protocols.data import ProtocolData, ProtocolResult

Analysis = Callable[[ProtocolData], ProtocolResult]

ANALYSES: Mapping[str, Analysis] = {}
