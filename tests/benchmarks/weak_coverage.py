"""Coverage of weak conversion, thermal calibration, alternating difference and drift watch.

    python -m tests.benchmarks.weak_coverage [--seeds 200]

For every result: mean and standard deviation of its errors in sigmas, and the share of
them within 1.96 (0.95 where the sigma is right).
"""

from __future__ import annotations

import argparse
import math
import os
from collections.abc import Iterator, Sequence

# As the command line does, before numpy is imported.
for _variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_variable, "1")

import numpy as np  # noqa: E402

from controller.analysis.protocols.alternating_difference import alternating_difference  # noqa: E402
from controller.analysis.protocols.data import ProtocolResult  # noqa: E402
from controller.analysis.protocols.drift_watch import drift_watch  # noqa: E402
from controller.analysis.protocols.thermal_calibration import thermal_calibration  # noqa: E402
from controller.analysis.protocols.weak_conversion import weak_conversion  # noqa: E402
from tests.support.protocol_streams import (  # noqa: E402
    COUPLING_HZ,
    alternating_protocol,
    drift_protocol,
    thermal_protocol,
    weak_protocols,
)
from tests.support.sensitivity import scatter_hz, sensitivity_errors, weak_results  # noqa: E402
from tests.support.two_modes import Bench  # noqa: E402

Errors = Iterator[tuple[str, float]]
BATCH = 50  # seeds side by side: bounds the memory


def error(result: ProtocolResult, name: str, truth: float) -> float:
    """Error of a result in its own sigmas."""
    assert result.results is not None, result.failure
    group, _, key = name.rpartition(".")
    values = result.results[group] if group else result.results
    assert isinstance(values, dict)
    return (float(values[key]) - truth) / float(values[f"{key}_sigma"])  # type: ignore[arg-type]


def weak_errors(seeds: Sequence[int], coupling_hz: float) -> Errors:
    """Of weak conversion at one coupling."""
    bench = Bench()
    label = f"weak, {1e3 * coupling_hz:g} mHz: "
    for start in range(0, len(seeds), BATCH):
        for outcome in weak_protocols(bench, coupling_hz, seeds[start : start + BATCH]):
            result = weak_conversion(outcome.data)
            yield label + "coupling_hz", error(result, "coupling_hz", coupling_hz)
            if coupling_hz < COUPLING_HZ:
                continue  # a size or a phase of what is hardly there has no normal error
            settled_m = 2e-9 * 2.0 * math.pi * coupling_hz * math.exp(-bench.asymmetry)
            settled_m /= bench.upper.decay_rate_per_s
            yield label + "converted_amplitude_m", error(result, "converted_amplitude_m", settled_m)
            phase_rad = 0.5 * math.pi + bench.coupling_phase_rad
            phase_rad = (phase_rad + math.pi) % (2.0 * math.pi) - math.pi
            yield label + "converted_phase_rad", error(result, "converted_phase_rad", phase_rad)
            yield label + "control_coupling_hz", error(result, "control_coupling_hz", 0.0)


def seen_errors(seeds: Sequence[int]) -> Errors:
    """Of what weak conversion says it could see, against the scatter of these very seeds."""
    results = weak_results(seeds)
    for name, values in sensitivity_errors(results, scatter_hz(results)).items():
        yield from ((f"weak: {name}", float(value)) for value in values)


def thermal_errors(seeds: Sequence[int]) -> Errors:
    """Of thermal calibration, both modes together."""
    for seed in seeds:
        protocol = thermal_protocol(seed)
        result = thermal_calibration(protocol.data)
        for mode, truths in protocol.truths.items():
            for name, truth in truths.items():
                yield f"thermal: {name}", error(result, f"{mode}.{name}", truth)


def alternating_errors(seeds: Sequence[int]) -> Errors:
    """Of the alternating difference."""
    for seed in seeds:
        protocol = alternating_protocol(seed)
        result = alternating_difference(protocol.data)
        for name, truth in protocol.truths[""].items():
            yield f"alternating: {name}", error(result, name, truth)
        shifts = result.series["shift_hz"] - protocol.shifts_hz
        for sigmas in shifts / result.series["shift_sigma_hz"]:
            yield "alternating: each pair", float(sigmas)


def drift_errors(seeds: Sequence[int]) -> Errors:
    """Of the drift and the Allan deviation of a random walk with a slope."""
    for seed in seeds:
        protocol = drift_protocol(seed)
        result = drift_watch(protocol.data)
        for name, truth in protocol.truths[""].items():
            yield f"drift: {name}", error(result, name, truth)


def main() -> None:
    """Print the table."""
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--seeds", type=int, default=200)
    seeds = range(arguments.parse_args().seeds)
    groups = (
        weak_errors(seeds, COUPLING_HZ),
        weak_errors(seeds, 0.0),
        seen_errors(seeds),
        thermal_errors(seeds),
        alternating_errors(seeds),
        drift_errors(seeds),
    )
    for errors in groups:
        found: dict[str, list[float]] = {}
        for name, sigmas in errors:
            found.setdefault(name, []).append(sigmas)
        for name, values in found.items():
            sigmas = np.array(values)
            print(
                f"{name:<48} mean {sigmas.mean():6.2f} std {sigmas.std():5.2f} "
                f"coverage {np.mean(np.abs(sigmas) < 1.96):6.3f} of {len(sigmas)}",
                flush=True,
            )


if __name__ == "__main__":
    main()
