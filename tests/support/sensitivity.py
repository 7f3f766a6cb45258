"""What a weak conversion says it could see, against how its couplings really scatter."""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence

import numpy as np

from controller.analysis.protocols.data import Results
from controller.analysis.protocols.weak_conversion import weak_conversion
from tests.support.protocol_cases import value_and_sigma
from tests.support.protocol_streams import COUPLING_HZ, weak_protocols
from tests.support.two_modes import Bench

BATCH = 50  # seeds side by side: bounds the memory
CHI_SQUARE_OF_5_SIGMA = 28.744  # exp(-x/2) = 5.733e-7, the two-sided chance of five sigmas
# Eight stretches of 12 s, less two updates, half a mean at either end, and one step.
ANALYSED_S = 8 * (12.0 - 0.4)
# Of either quadrature at COUPLING_HZ: of 600 seeds, so that it is known to 2 %.
SCATTER_HZ = 2.55e-5


def weak_results(seeds: Sequence[int]) -> list[Results]:
    """Results of a weak conversion, one for each seed."""
    found = []
    for start in range(0, len(seeds), BATCH):
        for outcome in weak_protocols(Bench(), COUPLING_HZ, seeds[start : start + BATCH]):
            result = weak_conversion(outcome.data)
            assert result.results is not None, result.failure
            found.append(result.results)
    return found


def scatter_hz(results: Sequence[Results]) -> float:
    """Standard deviation of the complex coupling, of either quadrature."""
    couplings = np.array([_complex_hz(each) for each in results])
    apart = np.abs(couplings - couplings.mean()) ** 2
    return math.sqrt(float(apart.sum()) / (2 * (len(results) - 1)))


def _complex_hz(results: Results) -> complex:
    size_hz, _ = value_and_sigma(results, "coupling_hz")
    phase_rad, _ = value_and_sigma(results, "converted_phase_rad")
    return cmath.rect(size_hz, phase_rad)


def sensitivity_errors(
    results: Sequence[Results], scatter_hz: float = SCATTER_HZ
) -> dict[str, np.ndarray]:
    """Errors of what could be seen, and when, in their sigmas, shape (results,)."""
    truths = {
        "smallest_coupling_hz": math.sqrt(CHI_SQUARE_OF_5_SIGMA) * scatter_hz,
        "time_to_5_sigma_s": ANALYSED_S * CHI_SQUARE_OF_5_SIGMA * (scatter_hz / COUPLING_HZ) ** 2,
    }
    errors: dict[str, list[float]] = {name: [] for name in truths}
    for each in results:
        for name, truth in truths.items():
            value, sigma = value_and_sigma(each, name)
            errors[name].append((value - truth) / sigma)
    return {name: np.array(values) for name, values in errors.items()}
