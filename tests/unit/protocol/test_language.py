"""The language of protocols: what it takes, and what it says of everything else."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from controller.errors import InputError
from controller.protocol.language import (
    STEP_TABLES,
    Find,
    Hold,
    Lock,
    ProtocolPlan,
    PumpOn,
    Repeat,
    RingUp,
    Sweep,
    ValueOf,
    modes_in,
    plan_from_tables,
    with_parameters,
)
from controller.records import ModeId
from tests.unit.protocol.plans import READY

TABLES: dict[str, Any] = {
    "title": "Two amplitudes",
    "analysis": "exchange",
    "parameters": {"decays": 2},
    "steps": [
        {"step": "find"},
        {"step": "lock"},
        {
            "step": "sweep",
            "parameter": "ratio",
            "values": [0.5, 1],
            "steps": [
                {"step": "ring_up", "mode": "upper", "amplitude_ratio": {"value_of": "ratio"}},
                {"step": "repeat", "times": 2, "steps": [{"step": "hold", "duration_s": 3}]},
                {"step": "pump_on", "duration_decays": {"value_of": "decays", "times": 0.5}},
            ],
        },
    ],
}


def test_tables_and_python_say_the_same() -> None:
    written = ProtocolPlan(
        title="Two amplitudes",
        analysis="exchange",
        parameters={"decays": 2.0},
        steps=[  # type: ignore[arg-type]  # any sequence serves
            Find(),
            Lock(),
            Sweep(
                parameter="ratio",
                values=(0.5, 1.0),
                steps=(
                    RingUp(mode="upper", amplitude_ratio=ValueOf(value_of="ratio")),
                    Repeat(times=2, steps=(Hold(duration_s=3.0),)),
                    PumpOn(duration_decays=ValueOf(value_of="decays", times=0.5)),
                ),
            ),
        ],
    )
    assert plan_from_tables(TABLES) == written


def test_a_plan_cannot_be_changed() -> None:
    with pytest.raises(ValidationError, match="frozen"):
        plan_from_tables(TABLES).title = "another"  # type: ignore[misc]


def test_every_step_knows_its_kind() -> None:
    assert {kind: table.model_fields["step"].default for kind, table in STEP_TABLES.items()} == {
        kind: kind for kind in STEP_TABLES
    }
    assert Find().kind == "find"


def test_modes() -> None:
    assert modes_in("both") == (ModeId.LOWER, ModeId.UPPER)
    assert modes_in("upper") == (ModeId.UPPER,)


def test_a_series_has_both_ends() -> None:
    sweep = Sweep(parameter="x", start=-2.0, stop=2.0, count=5, steps=(Find(),))
    assert sweep.series() == (-2.0, -1.0, 0.0, 1.0, 2.0)


def test_parameters_can_be_set() -> None:
    changed = with_parameters(plan_from_tables(TABLES), {"decays": 3})
    assert changed.parameters == {"decays": 3.0}
    with pytest.raises(InputError, match=r"decay: unknown parameter; did you mean decays\?"):
        with_parameters(changed, {"decay": 3.0})
    with pytest.raises(InputError, match=r"parameters\.decays = Infinity: must be a finite number"):
        with_parameters(changed, {"decays": float("inf")})


def steps(*tables: object) -> dict[str, Any]:
    return {"steps": list(tables)}


RING_UP = {"step": "ring_up"}
PUMP_ON = {"step": "pump_on"}
FIND = {"step": "find"}
SWEEP = {"step": "sweep", "parameter": "a", "steps": [FIND]}

MISTAKES: list[tuple[Any, str]] = [
    (5, "a protocol has to be a table with the key steps"),
    ({}, "steps: is missing"),
    ({"steps": []}, "steps = []: must be a list with at least one entry"),
    ({"steps": 3}, "steps = 3: must be a list"),
    (steps(3), "steps[0] = 3: must be a table"),
    (steps(FIND, {"name": "x"}), "steps[1].step: is missing; it is one of find, lock, "),
    (steps({"step": "rng_up"}), 'steps[0].step = "rng_up": unknown step; did you mean ring_up?'),
    (steps({"step": 5}), "steps[0].step = 5: unknown step; there is find, lock, "),
    (
        steps(RING_UP | {"amplitud_m": 1}),
        "steps[0].amplitud_m: unknown key; did you mean amplitude",
    ),
    (steps(FIND | {"zzz": 1}), "steps[0].zzz: unknown key; there is name, timeout_s"),
    (steps(RING_UP | {"amplitude_m": -1.0}), "steps[0].amplitude_m = -1.0: must be greater than 0"),
    (steps(RING_UP | {"amplitude_m": "1e-9"}), '.amplitude_m = "1e-9": must be a valid number'),
    (steps(RING_UP | {"amplitude_m": True}), "steps[0].amplitude_m = true: must be a valid number"),
    (steps(RING_UP | {"amplitude_m": [1, 2]}), "steps[0].amplitude_m = [...]: must be a valid num"),
    (steps(RING_UP | {"amplitude_m": float("nan")}), "amplitude_m = NaN: must be a finite number"),
    (
        steps(RING_UP | {"amplitude_m": {"value": 1}}),
        "amplitude_m.value: unknown key; did you mean",
    ),
    (steps(RING_UP | {"amplitude_m": {}}), "steps[0].amplitude_m.value_of: is missing"),
    (
        steps(RING_UP | {"amplitude_m": {"value_of": "A"}}),
        'value_of = "A": must be a name of small',
    ),
    (
        steps(RING_UP | {"mode": "all"}),
        "steps[0].mode = \"all\": must be 'lower', 'upper' or 'both'",
    ),
    (
        steps(RING_UP | {"amplitude_m": 1e-9, "amplitude_ratio": 1}),
        "steps[0]: has amplitude_m and amplitude_ratio; only one of them can be",
    ),
    (steps(FIND | {"name": "two words"}), 'steps[0].name = "two words": must be a name of small'),
    (steps({"step": "hold"}), "steps[0]: needs one of duration_s, duration_decays, duration_exch"),
    (steps({"step": "settle"}), "steps[0]: needs one of difference_sigma_hz, allan_deviation_hz"),
    (
        steps({"step": "settle", "allan_deviation_hz": 1e-3}),
        "steps[0]: allan_deviation_hz and averaging_s go together",
    ),
    (steps({"step": "marker", "required": 1}), "steps[0].required = 1: must be a valid boolean"),
    (
        steps(PUMP_ON | {"waveform": "saw"}),
        "waveform = \"saw\": must be 'sine', 'square' or 'pulses'",
    ),
    (
        steps(PUMP_ON | {"waveform": "pulses"}),
        'steps[0]: pulse_s and waveform = "pulses" go togeth',
    ),
    (steps(PUMP_ON | {"pulse_s": 1e-5}), 'steps[0]: pulse_s and waveform = "pulses" go together'),
    (steps(PUMP_ON | {"chirp_hz_per_s": 1}), "steps[0]: a chirp has to end; it needs one of durat"),
    (steps(PUMP_ON | {"record": True}), "steps[0]: record = true needs a duration"),
    (
        steps(PUMP_ON | {"detuning_hz": 1, "detuning_ratio": 1}),
        "steps[0]: has detuning_hz and detuning_ratio; only one",
    ),
    (
        steps({"step": "repeat", "times": 0, "steps": [FIND]}),
        "steps[0].times = 0: must be greater than or equal to 1",
    ),
    (
        steps({"step": "repeat", "times": 2, "steps": [FIND, FIND | {"tmeout_s": 1}]}),
        "steps[0].steps[1].tmeout_s: unknown key; did you mean timeout_s?",
    ),
    (steps(SWEEP), "steps[0]: needs either values, or start, stop and count"),
    (steps(SWEEP | {"values": [1], "count": 3}), "steps[0]: needs either values, or start, stop"),
    (steps(SWEEP | {"values": [1, "x"]}), 'steps[0].values[1] = "x": must be a valid number'),
    (
        steps(SWEEP | {"start": 1, "stop": 2, "count": 1}),
        "count = 1: must be greater than or equal",
    ),
    (steps(FIND) | {"retries": 1.5}, "retries = 1.5: must be a valid integer"),
    (steps(FIND) | {"limits": 3}, "limits = 3: must be a table"),
    (
        steps(FIND) | {"limits": {"pump_s": 1}},
        "limits.pump_s: unknown key; did you mean pump_on_s?",
    ),
    (steps(FIND) | {"limits": {"pump_on_s": 0}}, "limits.pump_on_s = 0: must be greater than 0"),
    (
        steps(FIND) | {"limits": {"pulses": {"least": 1}}},
        "limits.pulses.least: unknown key; did you mean least_width_s?",
    ),
    (steps(FIND) | {"paramters": {}}, "paramters: unknown key; did you mean parameters?"),
    (steps(FIND) | {"parameters": {"A": 1}}, "parameters.A: must be a name of small letters"),
    (steps(FIND) | {"parameters": {"a": "x"}}, 'parameters.a = "x": must be a valid number'),
    (steps(FIND) | {"7\n8": 1}, '"7\\n8": unknown key; there is title, '),
    (steps(FIND | {3: 1}), "steps[0][3]: a key has to be text"),
]


@pytest.mark.parametrize(("tables", "said"), MISTAKES, ids=[said for _, said in MISTAKES])
def test_a_mistake_is_one_line(tables: Any, said: str) -> None:
    with pytest.raises(InputError) as caught:
        plan_from_tables(tables)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


def test_an_unknown_key_is_named_before_what_it_may_have_caused() -> None:
    with pytest.raises(InputError, match=r"steps\[0\].duraton_s: unknown key; did you mean durat"):
        plan_from_tables(steps({"step": "hold", "duraton_s": 3}))


def test_a_deep_nest_is_a_mistake_and_no_crash() -> None:
    tables: dict[str, Any] = FIND
    for _ in range(5000):
        tables = {"step": "repeat", "times": 1, "steps": [tables]}
    with pytest.raises(InputError):
        plan_from_tables(steps(tables))


SCALARS = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=5)
    | st.sampled_from(["lower", "both", "a", "pulses", 10**400])
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["value_of", "times", "step", "x"]), inner, max_size=3)
    ),
    max_leaves=6,
)
# What a key might well hold; other keys take numbers.
LIKELY = {
    "name": st.sampled_from(["", "probe"]),
    "mode": st.sampled_from(["lower", "upper", "both"]),
    "waveform": st.sampled_from(["sine", "square", "pulses"]),
    "pulse_s": st.sampled_from([3.2e-5, 1e-6]),
    "text": st.text(max_size=3),
    **dict.fromkeys(("continues", "record", "required"), st.booleans()),
}
NUMBERS = st.floats(0.0, 10.0) | st.sampled_from([1e-9, 1e300, -1.0, {"value_of": "a"}])
PLAIN_STEPS = st.sampled_from(sorted(STEP_TABLES.keys() - {"repeat", "sweep"})).flatmap(
    lambda kind: st.fixed_dictionaries(
        {"step": st.just(kind)},
        optional={
            key: LIKELY.get(key, NUMBERS) for key in STEP_TABLES[kind].model_fields if key != "step"
        },
    )
)
ODD_STEPS = st.dictionaries(st.sampled_from(["step", "name", "duration_s", "x"]), VALUES)
STEPS = st.recursive(
    PLAIN_STEPS | PLAIN_STEPS | PLAIN_STEPS | ODD_STEPS,
    lambda inner: st.builds(
        lambda extra, within: {**extra, "steps": within},
        st.sampled_from(
            [
                {"step": "repeat", "times": 2},
                {"step": "sweep", "parameter": "a", "values": [1.0, 2.0]},
                {"step": "sweep", "parameter": "a", "start": 1, "stop": 2, "count": 3},
            ]
        ),
        st.lists(inner, max_size=3),
    ),
    max_leaves=4,
)
PLANS = st.fixed_dictionaries(
    {"steps": st.lists(STEPS, min_size=1, max_size=4).map(lambda each: [*READY, *each])},
    optional={
        "parameters": st.sampled_from([{}, {"a": 1.5}]),
        "limits": st.sampled_from([{}, {"pump_on_s": 5.0}, 3]),
        "retries": st.sampled_from([0, 3, -1]),
    },
)


@given(PLANS | VALUES)
def test_anything_gives_a_plan_or_one_line(tables: Any) -> None:
    try:
        plan = plan_from_tables(tables)
    except InputError as error:
        assert "\n" not in str(error)
    else:
        assert isinstance(plan, ProtocolPlan)
