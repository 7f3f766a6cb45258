"""Results in words."""

from __future__ import annotations

from gui.models.results import ResultLine, result_lines


def test_a_value_and_its_uncertainty_stand_in_one_unit() -> None:
    lines = result_lines(
        {
            "energy_exchange_hz": 0.04015892,
            "energy_exchange_hz_sigma": 0.00013497,
            "decay_rate_lower_per_s": 0.0907426,
            "decay_rate_lower_per_s_sigma": 0.00141058,
            "cooperativity": 7.135045,
            "cooperativity_sigma": 0.114428,
        }
    )
    assert lines == [
        ResultLine("energy exchange", "40.16 mHz", "± 0.13 mHz"),
        ResultLine("decay rate lower", "0.0907 1/s", "± 0.0014 1/s"),
        ResultLine("cooperativity", "7.14", "± 0.11"),
    ]


def test_what_is_no_number_is_said_in_words() -> None:
    lines = result_lines(
        {
            "is_strongly_coupled": True,
            "exchanges": 2,
            "failure": None,
            "times_s": [0.0] * 99,
            "lower": {"quality_factor": 7.4e7},
        }
    )
    assert [(line.name, line.value) for line in lines] == [
        ("is strongly coupled", "yes"),
        ("exchanges", "2"),
        ("failure", "–"),
        ("times", "99 values"),
        ("lower, quality factor", "7.4e+07"),
    ]
