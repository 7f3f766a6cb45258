"""Settings, outputs and short plans for the tests of protocols."""

from __future__ import annotations

from typing import Any

from controller.instrument import StreamFormat, ToneChannel
from controller.protocol.language import ProtocolPlan, plan_from_tables
from controller.settings import LoopSettings

STREAM = StreamFormat(50_000.0, 1.047e6, "complex64", 2.0e-8, 1.0)  # full scale 20 nm
WAVEFORMS = ("sine", "square", "pulses")
TONES = {
    "drive_lower": ToneChannel("drive_lower", "V", 10.0, 1.022e6, 1.072e6, 100, True, True),
    "drive_upper": ToneChannel("drive_upper", "V", 10.0, 1.022e6, 1.072e6, 100, True, True),
    "pump": ToneChannel("pump", "V", 2.0, 100.0, 50_000.0, 100, True, True, WAVEFORMS),
}
READY = ({"step": "find"}, {"step": "lock"})


def loop_settings(**tables: Any) -> LoopSettings:
    """Modes 6600 Hz apart, held at 1 nm; g / 2 pi = 0.02 Hz at a pump of 0.5."""
    modes = {
        "lower": {"frequency_hz": 1.0437e6, "quality_factor": 7.0e7},
        "upper": {"frequency_hz": 1.0503e6, "quality_factor": 6.0e7},
    }
    pump = {"amplitude": 0.5, "coupling_hz_per_unit": 0.04, "healthy_s": 2.0}
    return LoopSettings.model_validate({"modes": modes, "pump": pump, **tables})


def plan_of(*steps: object, ready: bool = True, **tables: Any) -> ProtocolPlan:
    """A plan of these steps, after find and lock."""
    return plan_from_tables({"steps": [*(READY if ready else ()), *steps], **tables})
