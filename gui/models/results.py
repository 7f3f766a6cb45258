"""Results of analyses in words: names, values, uncertainties and units."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from gui.models.wording import Unit, quantity_text, unit_for

SIGMA = "_sigma"

_UNITS = {
    "_hz_per_s": "Hz/s",
    "_hz_per_unit": "Hz/unit",
    "_per_s": "1/s",
    "_hz": "Hz",
    "_rad": "rad",
    "_db": "dB",
    "_kg": "kg",
    "_s": "s",
    "_m": "m",
    "_k": "K",
}


@dataclass(frozen=True, slots=True)
class ResultLine:
    """One number of a result."""

    name: str
    value: str
    sigma: str = ""


def result_lines(result: Mapping[str, Any], prefix: str = "") -> list[ResultLine]:
    """A result as lines; what is nested gets its path as a name.

    Parameters
    ----------
    result : mapping
        NAME and NAME_sigma side by side.
    prefix : str
        Before each name.
    """
    lines = []
    for key, value in result.items():
        if key.endswith(SIGMA):
            continue
        if isinstance(value, Mapping):
            lines += result_lines(value, f"{prefix}{key.replace('_', ' ')}, ")
            continue
        lines.append(_line(prefix, key, value, result.get(f"{key}{SIGMA}")))
    return lines


def _line(prefix: str, key: str, value: Any, sigma: Any) -> ResultLine:
    suffix, base = next(((s, u) for s, u in _UNITS.items() if key.endswith(s)), ("", ""))
    name = f"{prefix}{key.removesuffix(suffix).replace('_', ' ')}"
    if isinstance(value, bool):
        return ResultLine(name, "yes" if value else "no")
    if not isinstance(value, int | float) or not math.isfinite(value):
        return ResultLine(name, _shortened(value))
    if not isinstance(sigma, int | float) or not math.isfinite(sigma) or sigma <= 0.0:
        text = quantity_text(value, base, 5) if base.isalpha() else f"{value:.6g} {base}".strip()
        return ResultLine(name, text)
    return ResultLine(name, *_estimate(float(value), float(sigma), base))


def _estimate(value: float, sigma: float, base: str) -> tuple[str, str]:
    """Value and uncertainty in one unit, both to two digits of the uncertainty."""
    unit = unit_for(max(abs(value), sigma), base) if base.isalpha() else Unit(base, 1.0)
    scaled_sigma = sigma * unit.per_base
    decimals = max(1 - math.floor(math.log10(scaled_sigma)), 0)
    texts = (f"{number * unit.per_base:.{decimals}f} {unit.text}" for number in (value, sigma))
    value_text, sigma_text = (text.strip().replace("-", "−") for text in texts)
    return value_text, f"± {sigma_text}"


def _shortened(value: Any) -> str:
    if value is None:
        return "–"
    if isinstance(value, list) and len(value) > 6:
        return f"{len(value)} values"
    if isinstance(value, list):
        parts = [f"{v:.5g}" if isinstance(v, float) else str(v) for v in value]
        return ", ".join(parts)[:200]
    return str(value)[:200]
