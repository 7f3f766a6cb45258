"""Every shipped protocol from a cold start, unattended, against the simulator's truth.

Each protocol once and each scenario once, as short as they may be; all of one with all
of the other are in `tests/benchmarks/protocols.py`. Fixed seeds: a failure repeats.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from controller.runtime.configuration import load_configuration, with_overrides
from controller.runtime.log.reader import LogReader
from controller.runtime.outputs import LOG_NAME
from controller.runtime.protocols import shipped_protocols
from controller.runtime.scenarios import scenario_path, shipped_scenarios
from tests.support.protocol_truths import Compared, rehearsed

FAR_SIGMAS = 4.0  # one right result in 16 000 lies further off
TIP = {"sample": {"shift_hz": [1.5e-3]}}  # for what flips a tip

# Protocol: scenario, and parameters that make it short.
CASES: dict[str, tuple[str, dict[str, float]]] = {
    "adiabatic_transfer": ("door_opens", {}),
    "alternating_difference": ("aircon_cycle", {"dwell_s": 1.0}),
    "drift_watch": ("raw_stream", {"watch_s": 11.0}),
    "echo": ("strong_duffing", {}),
    "exchange": ("low_signal", {"decays": 1.5}),
    "ramsey": ("fringe_feedthrough", {}),
    "rate_calibration": ("strong_duffing", {"decays": 1.0}),
    "ring_down": ("aircon_cycle", {"decays": 1.0}),
    "splitting_map": ("quiet_room", {"decays": 0.6}),
    "thermal_calibration": ("quiet_room", {"record_s": 100.0}),
    "weak_conversion": ("low_signal", {"decays": 0.5}),
}


FEW = {"echo": 6, "ramsey": 7}  # of the free times that are swept, the shortest ones


def results(protocol: str, folder: Path) -> list[Compared]:
    scenario, parameters = CASES[protocol]
    path = scenario_path(scenario)
    options = TIP if protocol == "alternating_difference" else None
    configuration = with_overrides(load_configuration(path), path, options=options)
    if protocol in FEW:
        protocol = str(shortened(protocol, FEW[protocol], folder / "shortened.toml"))
    return rehearsed(protocol, configuration, path, folder / "run", parameters=parameters)


def shortened(protocol: str, count: int, file: Path) -> Path:
    """A shipped protocol with the first few values of its sweep."""
    text = shipped_protocols()[protocol].read_text()
    start = text.index("values = [") + len("values = [")
    end = text.index("]", start)
    values = ",".join(text[start:end].split(",")[:count])
    file.write_text(text[:start] + values + text[end:])
    return file


def test_no_protocol_and_no_scenario_is_left_out() -> None:
    assert sorted(CASES) == sorted(shipped_protocols())
    assert sorted({scenario for scenario, _ in CASES.values()}) == sorted(shipped_scenarios())


@pytest.mark.parametrize("protocol", CASES)
def test_results_agree_with_the_truth(protocol: str, tmp_path: Path) -> None:
    found = results(protocol, tmp_path)
    assert found
    far = [result for result in found if abs(result.deviation) > FAR_SIGMAS]
    assert not far


# Common practice, no source: quality factors of 1e8 near 1.4 MHz, and a pump at which the
# energy goes there and back about seven times before the amplitude has fallen by e.
LOWER_HZ, UPPER_HZ, QUALITY_FACTOR = 1.372140e6, 1.378910e6, 1.0e8
ROUGH_QUALITY_FACTOR = 9.0e7  # as the loop is told
CYCLES = 7.0
# N = g tau / pi with tau = 2 Q / omega, at the mean frequency.
COUPLING_HZ = CYCLES * (LOWER_HZ + UPPER_HZ) / 4.0 / QUALITY_FACTOR * math.pi
PUMP_V = 0.5
HIGH_QUALITY = f"""
[modes.lower]
frequency_hz = {LOWER_HZ - 20.0}
quality_factor = {ROUGH_QUALITY_FACTOR}
mass_kg = 1.2e-11

[modes.upper]
frequency_hz = {UPPER_HZ + 15.0}
quality_factor = {ROUGH_QUALITY_FACTOR}
mass_kg = 1.2e-11

[drive]
amplitude_m = 1.0e-9

[pump]
amplitude = {PUMP_V}
coupling_hz_per_unit = {1.03 * COUPLING_HZ / PUMP_V}
coupling_sigma_hz_per_unit = {0.05 * COUPLING_HZ / PUMP_V}
difference_window_hz = [6500.0, 7000.0]

[instrument]
class = "simulator"

[instrument.options]
seed = 137
lower = {{ frequency_hz = {LOWER_HZ}, quality_factor = {QUALITY_FACTOR}, mass_kg = 1.2e-11 }}
upper = {{ frequency_hz = {UPPER_HZ}, quality_factor = {QUALITY_FACTOR}, mass_kg = 1.2e-11 }}
pump = {{ coupling_hz_per_v = {COUPLING_HZ / PUMP_V} }}
detector = {{ noise_m_per_root_hz = 4.0e-15 }}
"""


def test_seven_exchanges_within_one_ring_down(tmp_path: Path) -> None:
    path = tmp_path / "high_quality.toml"
    path.write_text(HIGH_QUALITY)
    folder = tmp_path / "run"
    one_decay = {"decays": QUALITY_FACTOR / ROUGH_QUALITY_FACTOR}
    found = rehearsed("exchange", load_configuration(path), path, folder, parameters=one_decay)
    by_name = {result.name: result for result in found}
    cycles = by_name["cycles_per_decay"]
    # tau of both modes together, 4 / (gamma_1 + gamma_2), is that at the mean frequency.
    assert cycles.truth == pytest.approx(CYCLES, rel=1e-9)
    assert cycles.sigma < 0.01 * CYCLES
    for result in found:
        assert abs(result.deviation) < FAR_SIGMAS, result
    assert nulls_of_the_upper_mode(folder) == CYCLES


def nulls_of_the_upper_mode(folder: Path) -> int:
    """During the first exchange: once for each time that the energy goes there and back."""
    with LogReader(folder / LOG_NAME) as reader:
        first = next(s for s in reader.sections() if s.name == "exchange")
        basebands = reader.basebands()
    is_in = (basebands["time_s"] > first.start_s) & (basebands["time_s"] < first.end_s)
    is_in &= basebands["pump_amplitude"] > 0.0
    amplitudes = np.abs(basebands["upper"][is_in])
    is_near_null = amplitudes < 0.1 * amplitudes.max()
    return int(np.count_nonzero(np.diff(is_near_null.astype(int)) > 0))
