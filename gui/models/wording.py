"""Numbers as text: the one place that chooses prefixes, digits and words."""

from __future__ import annotations

import math
from dataclasses import dataclass

UNKNOWN = "–"
UNCALIBRATED = "units"  # of samples whose size nobody knows; takes no prefix

_PREFIXES = {
    -15: "f",
    -12: "p",
    -9: "n",
    -6: "µ",
    -3: "m",
    0: "",
    3: "k",
    6: "M",
    9: "G",
}

MODE_WORDS = {
    "locked": "locked",
    "pulling_in": "pulling in",
    "searching": "searching",
    "holding": "holding over: predicted, not measured",
    "lost": "lost",
}
PUMP_WORDS = {
    "off": "pump off",
    "armed": "pump armed",
    "on": "pump on",
    "muted": "pump muted",
}


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit with a prefix: value in base units times `per_base` is a number in it."""

    text: str
    per_base: float


def unit_for(size: float, base: str) -> Unit:
    """The unit in which numbers of a size have one to three digits before the point.

    Parameters
    ----------
    size : float
        The largest of the numbers, in base units.
    base : str
        "Hz", "m", "rad", "V", ...
    """
    exponent = 0
    if math.isfinite(size) and size != 0.0:
        exponent = 3 * math.floor(math.log10(abs(size) * (1.0 + 1e-12)) / 3.0)
    exponent = min(max(exponent, min(_PREFIXES)), max(_PREFIXES))
    return Unit(_PREFIXES[exponent] + base, 10.0**-exponent)


def is_known(value: float | None) -> bool:
    """Whether there is a number."""
    return value is not None and math.isfinite(value)


def quantity_text(value: float | None, base: str, digits: int = 3) -> str:
    """A number with its unit, to so many significant digits: "82.3 µHz"."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    if value == 0.0:
        return f"0 {base}"
    if base == UNCALIBRATED:
        return f"{value:.{digits}g} {base}".replace("-", "−")
    # Rounded first: 999.97 pm to three digits is 1.00 nm.
    unit = unit_for(float(f"{value:.{digits - 1}e}"), base)
    scaled = value * unit.per_base
    before = len(str(int(abs(float(f"{scaled:.{digits - 1}e}")))))
    return f"{scaled:.{max(digits - before, 0)}f} {unit.text}".replace("-", "−")


def round_text(value: float, base: str) -> str:
    """A round number with its unit and no digit too many: "200 pm", "0.5", "20"."""
    unit = unit_for(value, base) if base else Unit("", 1.0)
    return f"{value * unit.per_base:.4g} {unit.text}".strip()


def frequency_text(value_hz: float | None, sigma_hz: float | None = None) -> str:
    """A frequency to the last digit that means something: "6 643.249 13 Hz"."""
    if value_hz is None or not math.isfinite(value_hz):
        return UNKNOWN
    decimals = 3
    if sigma_hz is not None and math.isfinite(sigma_hz) and sigma_hz > 0.0:
        decimals = min(max(1 - math.floor(math.log10(sigma_hz)), 0), 9)
    return f"{grouped(f'{value_hz:.{decimals}f}')} Hz"


def estimate_text(value_hz: float | None, sigma_hz: float | None) -> str:
    """A frequency and its uncertainty: "6 643.249 13 Hz ± 82 µHz"."""
    if not is_known(value_hz):
        return UNKNOWN
    text = frequency_text(value_hz, sigma_hz)
    return f"{text} ± {quantity_text(sigma_hz, 'Hz', 2)}" if is_known(sigma_hz) else text


def grouped(digits: str) -> str:
    """Digits in groups of three, from the point both ways, parted by thin spaces."""
    sign = "−" if digits.startswith("-") else ""
    whole, point, decimals = digits.lstrip("-").partition(".")
    head = len(whole) % 3
    wholes = [whole[:head]] * bool(head) + [whole[i : i + 3] for i in range(head, len(whole), 3)]
    parts = [decimals[i : i + 3] for i in range(0, len(decimals), 3)]
    return sign + "\u2009".join(wholes) + point + "\u2009".join(parts)


def widths_text(value: float | None) -> str:
    """A number of line widths, to what matters: "0.012", "3.1", "40"."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    size = abs(value)
    decimals = 3 if size < 0.1 else 2 if size < 1.0 else 1 if size < 10.0 else 0
    return f"{size:.{decimals}f}" if size < 1000.0 else "> 999"


def duration_text(duration_s: float | None) -> str:
    """A length of time as a person says it: "2 min 05 s"."""
    if duration_s is None or not math.isfinite(duration_s):
        return UNKNOWN
    seconds = max(round(duration_s), 0)
    if seconds < 60:
        return f"{seconds} s"
    if seconds < 3600:
        return f"{seconds // 60} min {seconds % 60:02d} s"
    if seconds < 86400:
        return f"{seconds // 3600} h {seconds % 3600 // 60:02d} min"
    return f"{seconds // 86400} d {seconds % 86400 // 3600:02d} h"


def clock_text(time_s: float, decimals: int = 0) -> str:
    """A stream time: "0:02:05"; with decimals "0:02:05.3"."""
    ticks = round(abs(time_s) * 10**decimals)
    seconds, rest = divmod(ticks, 10**decimals)
    sign = "−" if time_s < 0.0 and ticks else ""
    text = f"{sign}{seconds // 3600}:{seconds % 3600 // 60:02d}:{seconds % 60:02d}"
    return f"{text}.{rest:0{decimals}d}" if decimals else text


def bytes_text(count: int | None) -> str:
    """A size of a file or disk."""
    if count is None:
        return UNKNOWN
    return f"{count / 1e9:.1f} GB" if count >= 1e9 else f"{count / 1e6:.0f} MB"
