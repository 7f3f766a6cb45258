"""Options: defaults that work, and one line for each bad one."""

from __future__ import annotations

import math
from typing import Any

import pytest

from controller.errors import InputError
from hardware_sim.options import parsed_options


def test_an_empty_table_is_enough() -> None:
    options = parsed_options({})
    assert options.sample_rate_hz == 50e3
    assert options.center_hz == 1.047e6
    assert options.band_hz == (1.022e6, 1.072e6)


def test_a_raw_stream_has_its_own_defaults() -> None:
    options = parsed_options({"stream": {"kind": "raw"}})
    assert (options.sample_rate_hz, options.center_hz) == (5e6, 0.0)
    assert options.stream.full_scale_m / options.metres_per_unit == pytest.approx(32767)


@pytest.mark.parametrize(
    ("table", "key"),
    [
        ({"sede": 1}, "instrument.options.sede"),
        ({"lower": {"quality": 1e7}}, "instrument.options.lower.quality"),
        ({"lower": {"quality_factor": 10}}, "instrument.options.lower.quality_factor"),
        ({"lower": {"mass_kg": math.nan}}, "instrument.options.lower.mass_kg"),
        ({"upper": {"mass_kg": "heavy"}}, "instrument.options.upper.mass_kg"),
        ({"lower": 3}, "instrument.options.lower"),
        ({"seed": -1}, "instrument.options.seed"),
        ({"block_s": 0.0}, "instrument.options.block_s"),
        ({"stream": {"kind": "stereo"}}, "instrument.options.stream.kind"),
        ({"stream": {"bits": 1}}, "instrument.options.stream.bits"),
        ({"faults": {"lost": [{"at_s": 1.0}]}}, "instrument.options.faults.lost.0.duration_s"),
        ({"environment": {"steps": [{"at_s": -1, "kelvin": 1}]}}, "environment.steps.0.at_s"),
        ({"pump": {"clock_error_ppm": 1.0}}, "shares_clock"),
        ({"lower": {"frequency_hz": 1.2e6}}, "upper.frequency_hz"),
        ({"stream": {"center_hz": 2e6}}, "lower.frequency_hz"),
        ({"stream": {"kind": "raw", "center_hz": 1e6}}, "stream.center_hz"),
        ({"stream": {"kind": "raw", "bits": 20}}, "stream.bits"),
        ({"stream": {"kind": "raw", "metres_per_unit": 1e-15}}, "int16"),
        (
            {"stream": {"kind": "raw"}, "faults": {"nan": [{"at_s": 1, "duration_s": 1}]}},
            "faults.nan",
        ),
        ({"block_s": 1e-5}, "block_s"),
        ({"source": {"coherence_s": 0.0}}, "source.coherence_s"),
        ({"sample": {"shift_hz": [1e-3], "background_hz": [0.0, 0.0]}}, "background_hz"),
        (
            {"sample": {"shift_hz": [1e-3], "dwell_s": 1.0, "flips_per_position": 2}},
            "dwell_s",
        ),
    ],
)
def test_a_bad_option_is_named_in_one_line(table: dict[str, Any], key: str) -> None:
    with pytest.raises(InputError) as caught:
        parsed_options(table)
    message = str(caught.value)
    assert key in message
    assert message.startswith("instrument.options")
    assert "\n" not in message
    assert len(message) < 200
